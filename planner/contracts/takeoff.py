"""Quantities: what sleeves are wound from and mixed of, what a week takes, what is ordered."""

from planner.contracts.repairs import STEPS
from planner.tables import Table, date, flag, number, text, whole

UNITS = ("pieces", "mm", "mm2", "g", "ml")
KINDS = ("sleeve", "length", "resin", "part", "material", "work", "day")
FORMS = ("wound", "sheets", "folded", "strip", "turns", "along", "each")
ROUNDED = ("sleeve", "route", "week")

MATERIALS = Table(
    "materials",
    "one material that a sleeve of a system takes, and how much of it",
    (
        text("system", "system", blank=False),
        text("material", "e.g. felt mat, protective wrap, release film, tape", blank=False),
        text(
            "form",
            "wound: one sheet rolled; sheets: one for each ply; folded; strip: spiral; turns: at "
            "each held end; along: the length; each: pieces",
            one_of=FORMS,
            blank=False,
        ),
        number("dn_from_mm", "mm", "from this nominal size; blank = all", low=0),
        number("dn_to_mm", "mm", "to this nominal size; blank = all", low=0),
        number("seam_mm", "mm", "lap of a sheet on itself; blank = none", low=0),
        number("width_mm", "mm", "width of a strip", low=1),
        number("lap_ratio", "-", "share of a strip's width on the turn before", low=0, high=0.95),
        number("turns_count", "-", "turns at each end", low=0),
        number("extra_m", "m", "more than the sleeve's length", low=0),
        whole("pieces_count", "-", "pieces of a sleeve", low=0),
        number("waste_ratio", "-", "cut off and spoilt; blank = setting", low=0),
        number("pack_m2", "m2", "area of one roll; blank = not rounded", low=0),
        number("pack_m", "m", "length of one roll; blank = not rounded", low=0),
        whole("pack_count", "-", "pieces in a pack; blank = not rounded", low=1),
        text("source", "where the figures come from"),
    ),
    key=("system", "material", "dn_from_mm"),
)
PARTS = Table(
    "parts",
    "one part of the resin that a system mixes on site",
    (
        text("system", "system", blank=False),
        text("part", "e.g. A, B", blank=False),
        number("share", "by the kind of share", "parts of the mix", blank=False, low=0.001),
        text("share_by", "what the share is of", one_of=("mass", "volume"), blank=False),
        number("density_kg_per_l", "kg/l", "density; needed for shares by volume", low=0.1),
        text("source", "where the figures come from"),
    ),
    key=("system", "part"),
)
QUANTITIES = Table(
    "quantities",
    "what one visit takes of one item, net",
    (
        text("visit_id", "visit", blank=False),
        text("item", "e.g. sleeve DN 200 x 1.00 m system, sleeve length, resin", blank=False),
        text(
            "kind", "a sleeve as a piece, its length, its resin, what it is mixed of", one_of=KINDS
        ),
        text("unit", "smallest unit", one_of=UNITS, blank=False),
        whole("net", "", "whole smallest units", blank=False, low=0),
    ),
    key=("visit_id", "item"),
)
SUM_LEVELS = ("visit", "route", "crew", "week", "project")
QUANTITY_SUMS = Table(
    "quantity_sums",
    "net of one item for one visit, route, crew, week or project",
    (
        text("level", "", one_of=SUM_LEVELS, blank=False),
        text("key", "visit id; crew and date; crew; first day; project", blank=False),
        text("item", "", blank=False),
        text(
            "kind", "a sleeve as a piece, its length, its resin, what it is mixed of", one_of=KINDS
        ),
        text("unit", "", one_of=UNITS, blank=False),
        whole("net", "", "whole smallest units", blank=False, low=0),
    ),
    key=("level", "key", "item"),
)
ORDER_LEVELS = ("visit", "route", "week", "rest", "project")
ORDERS = Table(
    "orders",
    "what is ordered of one item; net + waste + batch_loss + rounding + spare = to_order",
    (
        text("level", "rest: accepted, not in this week", one_of=ORDER_LEVELS, blank=False),
        text("key", "visit id; crew and date; first day; rest; project", blank=False),
        text("item", "", blank=False),
        text("unit", "", one_of=UNITS, blank=False),
        whole("net", "", "by design", blank=False, low=0),
        whole("waste", "", "cut off and spoilt", low=0),
        whole("batch_loss", "", "left in the tub, for each batch", low=0),
        whole("rounding", "", "up to whole kits, rolls or packs", low=0),
        whole("spare", "", "kept for what goes wrong", low=0),
        whole("to_order", "", "blank = rounded at a higher level", low=0),
        whole("pack", "", "one kit, roll or pack; blank = not rounded", low=1),
        text("rounded_at", "for each", one_of=ROUNDED, blank=False),
        text("why", "the settings behind it", blank=False),
    ),
    key=("level", "key", "item"),
)
LOT_ITEMS = ("sleeve", "resin", "roll")
LOTS = Table(
    "lots",
    "one lot on the shelf: sleeves of one size, resin, or a ready-impregnated roll",
    (
        text("lot", "number or name of the lot", blank=False),
        text("item", "", one_of=LOT_ITEMS, blank=False),
        text("system", "system", blank=False),
        number("dn_mm", "mm", "nominal size of the sleeves", low=0),
        number("length_m", "m", "length of one sleeve, or of the roll", low=0),
        whole("pieces_count", "-", "sleeves in it", low=0),
        number("mass_kg", "kg", "resin in it, all parts", low=0),
        date("made_on", "day it was made; blank = not stated"),
        date("use_by", "last day on which it may be used", blank=False),
        number("min_c", "degC", "coldest it may be used at", low=-40, high=60),
        number("max_c", "degC", "warmest it may be used at", low=-40, high=60),
        date("opened_on", "day it was opened"),
        date("refused_on", "day from which it may not be used; blank = it is good"),
        date("counted_on", "moves of the journal up to this day are in it; '' = none is"),
        text("note", "why it was refused, where it lies"),
        whole("row", "", "row in its file"),
    ),
    key=("lot", "item", "system", "dn_mm", "length_m"),
)
PICKS = Table(
    "picks",
    "what one visit or route takes of one lot",
    (
        text("crew", "crew", blank=False),
        date("date", "", blank=False),
        text("visit_id", "visit; '' = mixed for the whole day"),
        text("item", "", blank=False),
        text("unit", "smallest unit", one_of=UNITS, blank=False),
        whole("amount", "", "whole smallest units, with waste and whole kits", blank=False, low=1),
        text("lot", "lot; '' = none is there"),
        date("use_by", "of the lot"),
        text("note", "what to look out for"),
    ),
    key=("date", "crew", "visit_id", "item", "lot"),
)
SHORTAGES = Table(
    "shortages",
    "what no good lot holds on the day on which it is needed",
    (
        text("item", "", blank=False),
        text("unit", "smallest unit", one_of=UNITS, blank=False),
        date("needed_on", "first day without it", blank=False),
        whole("missing", "", "whole smallest units", blank=False, low=1),
        date("order_by", "working days of `order_lead_days` before", blank=False),
        text("why", "what is there of it", blank=False),
    ),
    key=("item", "needed_on"),
)
CHARGEABLE = ("yes", "no", "unknown")
BILL_LEVELS = ("visit", "route", "week", "rest", "project")
BILL = Table(
    "bill",
    "one line of a bill of quantities: all of one item at one price",
    (
        text("level", "rest: accepted, not in this week", one_of=BILL_LEVELS, blank=False),
        text("key", "visit id; crew and date; first day; rest; project", blank=False),
        whole("seq", "", "order in that bill", blank=False, low=1),
        text("item", "item of the price, mobilisation, night or contingency", blank=False),
        text("system", "of a sleeve"),
        whole("times_count", "-", "how many", blank=False, low=1),
        number("length_m", "m", "of all of them", low=0),
        number("extra_m", "m", "of it, charged beyond what the price includes", low=0),
        whole("each_cents", "cents", "price each; blank = no price", low=0),
        number("included_m", "m", "length within the price each", low=0),
        whole("extra_cents_per_m", "cents/m", "each further metre", low=0),
        whole("sum_cents", "cents", "each line in whole cents, added up; blank = no price", low=0),
        text("price_id", "price that it comes from"),
        whole("year", "", "of the price"),
        text("place", "of the price"),
        text("source", "of the price"),
        text("note", "what a blank means, or how it was reckoned"),
    ),
    key=("level", "key", "seq"),
)
BILL_LINES = Table(
    "bill_lines",
    "one line of the option accepted on a pipe, and the visit that does its work",
    (
        text("pipe_id", "pipe", blank=False),
        whole("seq", "", "order in the option's sum", blank=False, low=1),
        text("method", "the way accepted", blank=False),
        text("item", "item of the price", blank=False),
        text("sleeve_id", "sleeve it belongs to"),
        text("system", "of a sleeve"),
        number("dn_mm", "mm", "nominal size it is priced at", low=0),
        number("length_m", "m", "length of one", blank=False, low=0),
        whole("times_count", "-", "how many", blank=False, low=1),
        whole("one_cents", "cents", "price of one; blank = none", low=0),
        whole("sum_cents", "cents", "times_count x one_cents; blank = no price", low=0),
        text("price_id", "price that it comes from"),
        text("visit_id", "visit that does it; '' = not in this week"),
        text("route", "crew and date of that visit"),
        text("note", "what a blank means"),
    ),
    key=("pipe_id", "seq"),
)
BILL_SUMS = Table(
    "bill_sums",
    "the sum of one bill, and whether it is complete",
    (
        text("level", "", one_of=BILL_LEVELS, blank=False),
        text("key", "visit id; crew and date; first day; rest; project", blank=False),
        whole("sum_cents", "cents", "of the lines that are priced", blank=False, low=0),
        whole("lines_count", "-", "lines", blank=False, low=0),
        whole("unpriced_count", "-", "lines without a price", blank=False, low=0),
        flag("complete", "each line has a price or is within another", blank=False),
        text("unpriced", "the items without a price"),
    ),
    key=("level", "key"),
)
PAY = Table(
    "pay",
    "one work that the journal says is done, or a move, sealing or night that goes with it: what "
    "it comes to, and whether it may be charged",
    (
        text("event_id", "event or row of done.csv that says so", blank=False),
        text("pipe_id", "pipe; '' where a node is named"),
        text("step", "step that was done, or that it goes with", one_of=STEPS, blank=False),
        text("sleeve_id", "sleeve of the plan at that place; '' = none is planned there now"),
        number("from_m", "m", "from us_node; blank = the whole pipe", low=0),
        number("to_m", "m", "", low=0),
        text("installed_at", "YYYY-MM-DDTHH:MM; of a row of done.csv T00:00", blank=False),
        text("item", "item of the price", blank=False),
        text("system", "of a sleeve"),
        number("dn_mm", "mm", "nominal size it is priced at; blank = not known", low=0),
        number("length_m", "m", "length of one; blank = not known", low=0),
        whole("times_count", "-", "how many; blank = not known", low=1),
        text("chargeable", "said by a person; unknown = by none", one_of=CHARGEABLE, blank=False),
        text("said_by", "event that says it may be charged"),
        whole("one_cents", "cents", "price of one; blank = none", low=0),
        whole("sum_cents", "cents", "times_count x one_cents; blank = no price", low=0),
        text("price_id", "price that it comes from"),
        text("note", "what a blank means, and what stands in the way of paying"),
    ),
    key=("event_id", "item"),
)
PAY_SUMS = Table(
    "pay_sums",
    "what was installed, what of it may be charged, what is kept back and what is to be paid",
    (
        text("key", "project", blank=False),
        whole("lines_count", "-", "works that are done", blank=False, low=0),
        whole("installed_cents", "cents", "of all that have a price", blank=False, low=0),
        whole("chargeable_cents", "cents", "of those that may be charged", blank=False, low=0),
        number("retention_ratio", "-", "share kept back, by [takeoff]", blank=False, low=0, high=1),
        whole("retention_cents", "cents", "of what may be charged", blank=False, low=0),
        whole("payable_cents", "cents", "to date; what was paid comes off", blank=False, low=0),
        whole("unknown_count", "-", "lines of which nobody said it: not paid", blank=False, low=0),
        whole("unpriced_count", "-", "lines without a price", blank=False, low=0),
        flag("complete", "each line has a price or is within another", blank=False),
        text("unpriced", "the items without a price"),
    ),
    key=("key",),
)
# What one sleeve takes; a step in between, so not in TABLES.
ITEMS = Table(
    "items",
    "what one sleeve takes of one item, net",
    (
        text("sleeve_id", "sleeve", blank=False),
        text("item", "e.g. sleeve DN 200 x 1.00 m system, sleeve length, resin", blank=False),
        text(
            "kind", "a sleeve as a piece, its length, its resin, what it is mixed of", one_of=KINDS
        ),
        text("unit", "smallest unit", one_of=UNITS, blank=False),
        whole("net", "", "whole smallest units", blank=False, low=0),
    ),
    key=("sleeve_id", "item"),
)
