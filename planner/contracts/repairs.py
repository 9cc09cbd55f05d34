"""Systems and prices; sleeves, options, choices, works; decisions."""

from planner.contracts.verdicts import URGENCY
from planner.tables import Table, date, flag, number, text, whole

CURE_KINDS = ("ambient", "heat", "light")
SUPPLY = ("mix_on_site", "from_roll", "made_before")
WAYS = ("sleeve", "liner", "sleeve_liner", "dig_liner", "dig")
WAY_WORDS = {
    "sleeve": "sleeve",
    "liner": "liner",
    "sleeve_liner": "sleeves, then liner",
    "dig_liner": "dig, then liner",
    "dig": "dig",
}
METHODS = (*WAYS, "watch", "maintain", "nothing")
NO_METHOD = "no method is chosen: "
"""How the reason of a choice begins where what is on offer is not stated yet."""
NO_SYSTEM = "no sleeve system is stated (systems.toml)"
NO_PRICE = "no price is stated (prices.toml)"
STEPS = (
    "check_access",
    "clean",
    "cut_roots",
    "cut_intrusion",
    "descale",
    "clean_again",
    "prove_laterals",
    "look",
    "grout",
    "dig",
    "flow_control",
    "sleeve",
    "reopen",
    "verify",
    "liner",
    "watch",
    "cut_out",
    "resurvey",
)
FLOW_CONTROLS = ("none", "through_flow", "plug", "bypass")
FLOW_STATES = ("reckoned", "not known: bypass assumed to be settled on site")
DECISION_WORDS = (
    "accept", "refuse", "hold", "undo", "sleeve", "liner", "dig", "watch", "nothing", "limit",
    "place",
)  # fmt: skip
# States of a choice that a person has signed: as proposed, or with another method.
SIGNED = ("accepted", "changed")

SYSTEMS = Table(
    "systems",
    "one sleeve system",
    (
        text("system", "name", blank=False),
        text("cure", "how it sets", one_of=CURE_KINDS, blank=False),
        text("supply", "how it comes", one_of=SUPPLY, blank=False),
        text("carrier", "felt or glass", one_of=("felt", "glass"), blank=False),
        text("set_by", "packer set under camera or by the counter", one_of=("camera", "counter")),
        number("overlap_m", "m", "overlap the system asks for at each end", low=0),
        number("pressure_max_bar", "bar", "highest pressure the system allows", low=0),
        number("least_m", "m", "no sleeve of it is shorter", low=0),
        number("cut_step_m", "m", "step of lengths cut from a roll; blank = setting", low=0.01),
        number("lap_m", "m", "least lap of two sleeves; blank = they may not lap", low=0.01),
        number("lap_most_m", "m", "most lap; blank = as little as may be", low=0),
        text("source", "where the figures come from"),
        flag("flat_ends", "its ends taper flat, so that a liner passes it later"),
        number("kit_kg", "kg", "resin of one kit, all parts; blank = not rounded", low=0.001),
        text(
            "kit_per", "a batch is mixed for each sleeve or for the day", one_of=("sleeve", "route")
        ),
    ),
    key=("system",),
)
SYSTEM_SIZES = Table(
    "system_sizes",
    "what one sleeve of a system is made of at one size",
    (
        text("system", "system", blank=False),
        number("dn_from_mm", "mm", "from this nominal size", blank=False, low=0),
        number("dn_to_mm", "mm", "to this nominal size", blank=False, low=0),
        number("wall_mm", "mm", "cured wall", blank=False, low=0.1),
        whole("plies", "", "layers of mat", blank=False, low=1),
        number("resin_kg_per_l", "kg/l", "resin per litre of cured wall", blank=False, low=0.01),
        text("lengths_m", "stock lengths in m, '+' between, e.g. 0.5+1.0; '' = cut to any length"),
    ),
    key=("system", "dn_from_mm"),
)
PACKERS = Table(
    "packers",
    "one packer",
    (
        text("packer", "name", blank=False),
        number("dn_from_mm", "mm", "smallest pipe", blank=False, low=0),
        number("dn_to_mm", "mm", "largest pipe", blank=False, low=0),
        number("usable_m", "m", "longest sleeve it carries", blank=False, low=0),
        number("reach_m", "m", "how far from the manhole it can be set", blank=False, low=0),
        number("lid_mm", "mm", "least lid opening it passes", low=0),
        number("depth_m", "m", "deepest manhole it is lowered into", low=0),
        number("pressure_max_bar", "bar", "highest pressure it is rated for", low=0),
        flag("through_flow", "flow passes through it"),
        text("cures", "cures it serves, '+' between", blank=False),
        number("lit_m", "m", "longest sleeve its lamps light; blank = all it carries", low=0),
        number(
            "pass_offset_ratio", "-", "step or narrowing it passes / DN; blank = not judged", low=0
        ),
        number("pass_bend_deg", "deg", "bend it passes; blank = not judged", low=0),
    ),
    key=("packer",),
)
PRICES = Table(
    "prices",
    "one price: each + extra length, at least so much",
    (
        text("price_id", "stable id", blank=False),
        text(
            "item",
            "sleeve, liner, dig, reopen, end_seal, setup(_liner, _dig), step, mobilisation, night",
            blank=False,
        ),
        text("system", "only for this system, '' = any"),
        number("dn_from_mm", "mm", "from this nominal size", blank=False, low=0),
        number("dn_to_mm", "mm", "to this nominal size", blank=False, low=0),
        whole("each_cents", "cents", "each, the first included_m within it", blank=False, low=0),
        number("included_m", "m", "length within the price each", blank=False, low=0),
        whole("extra_cents_per_m", "cents/m", "each further metre", blank=False, low=0),
        text("source", "where the price comes from"),
        whole("year", "", "year of the price"),
        text("place", "where it was asked or paid"),
        number("least_m", "m", "least length that is charged", low=0),
        whole("least_cents", "cents", "least sum for one piece or run", low=0),
        number("quantity_from", "by quantity", "holds from so many in the project", low=0),
        number("quantity_to", "by quantity", "holds to so many in the project", low=0),
        text("quantity_unit", "of the quantity; '' = pieces", one_of=("pieces", "m")),
    ),
    key=("price_id",),
)
STOCK = Table(
    "stock",
    "sleeves or resin on the shelf of one yard",
    (
        text("item", "sleeve or resin", one_of=("sleeve", "resin"), blank=False),
        text("system", "system", blank=False),
        number("dn_mm", "mm", "nominal size of the sleeve, blank for resin", low=0),
        number("length_m", "m", "length of the sleeve, blank for resin", low=0),
        whole("pieces_count", "-", "sleeves on the shelf", low=0),
        number("mass_kg", "kg", "resin on the shelf", low=0),
        date("counted_on", "moves of the journal up to this day are in it; '' = none is"),
    ),
)
SLEEVES = Table(
    "sleeves",
    "one sleeve where it shall sit",
    (
        text("sleeve_id", "id, kept from run to run", blank=False),
        text("pipe_id", "pipe", blank=False),
        number("from_m", "m", "from us_node", blank=False, low=0),
        number("to_m", "m", "from us_node", blank=False, low=0),
        number("length_m", "m", "length as it comes or is cut", blank=False, low=0),
        number("allowance_m", "m", "length bought for place doubt and assumed extent", low=0),
        whole("allowance_cents", "cents", "what it costs; of a run, on its first sleeve", low=0),
        number("overlap_us_m", "m", "sound pipe under the end nearer us_node, doubt off", low=0),
        number("overlap_ds_m", "m", "the same at its other end; blank = it laps a sleeve", low=0),
        number("lap_us_m", "m", "lap on the sleeve nearer us_node; blank = none", low=0),
        number("lap_ds_m", "m", "lap on the sleeve at its other end; blank = none", low=0),
        text("end", "", one_of=("pipe", "us_manhole", "ds_manhole", "both"), blank=False),
        number("dn_mm", "mm", "nominal size", blank=False, low=0),
        text("system", "system", blank=False),
        number("wall_mm", "mm", "cured wall; blank = no row, not costed", low=0),
        whole("plies", "", "layers of mat"),
        text("counter_node", "node from which the packer is measured", blank=False),
        number("counter_m", "m", "counter at the sleeve's nearer end", blank=False, low=0),
        whole("laterals_count", "-", "live laterals it covers", blank=False, low=0),
        number("lateral_edge_m", "m", "end to nearest lateral edge outside", low=0),
        number("bend_deg", "deg", "largest bend inside"),
        flag("laterals_unknown", "it lies where laterals are not known", blank=False),
        whole("cost_cents", "cents", "sleeve, reopenings, sealed ends; blank = not costed", low=0),
        text("placed_by", "who decided its place or length, when, why; '' = the planner"),
    ),
    key=("pipe_id", "from_m", "sleeve_id"),
)
WALL_CHECKS = Table(
    "wall_checks",
    "the wall of one sleeve held against ASTM F1216 Appendix X1; moves no rule",
    (
        text("sleeve_id", "sleeve", blank=False),
        text("pipe_id", "pipe", blank=False),
        text("condition", "of the pipe", one_of=("partial", "full"), blank=False),
        text("edition", "of F1216", one_of=("07b", "before 07b"), blank=False),
        number("inside_mm", "mm", "diameter reckoned with; blank = not known", low=0),
        number("wall_mm", "mm", "cured wall of the system; blank = no row", low=0),
        whole("plies", "", "layers of mat of the system"),
        number("needed_low_mm", "mm", "least wall that the formulas ask", low=0),
        number("needed_high_mm", "mm", "most that they ask; blank = not known", low=0),
        text("governing", "formula or floor that asks most; '' = not known"),
        number("floor_mm", "mm", "owner's least wall in force; 0 = none", blank=False, low=0),
        number("asked_low_mm", "mm", "needed, floor and the owner's steps, least", low=0),
        number("asked_high_mm", "mm", "the same, most; blank = not known", low=0),
        whole("plies_asked", "", "layers of this system for the most asked; blank = not known"),
        number("margin_mm", "mm", "wall less the most asked; blank = not known"),
        text("state", "the wall is enough", one_of=("yes", "no", "undecided"), blank=False),
        text("why", "sentence for a person", blank=False),
        text("caution", "what the check is and is not", blank=False),
    ),
    key=("sleeve_id",),
)
WALL_FIGURES = Table(
    "wall_figures",
    "one figure of a wall check: what went in and what came out",
    (
        text("sleeve_id", "sleeve", blank=False),
        whole("seq", "", "order in the check", blank=False, low=1),
        text("figure", "what it is", blank=False),
        text("symbol", "as the formulas write it"),
        number("low", "", "least; blank = not known"),
        number("high", "", "most; blank = not known"),
        text("unit", "unit of low and high"),
        text("origin", "column, setting or formula it comes from", blank=False),
        text("source", "where setting or formula come from"),
    ),
    key=("sleeve_id", "seq"),
)
PASSAGES = Table(
    "passages",
    "whether a packer comes from one manhole to one sleeve",
    (
        text("sleeve_id", "sleeve", blank=False),
        text("node_id", "manhole it is drawn in at", blank=False),
        text("pipe_id", "pipe", blank=False),
        text("answer", "", one_of=("yes", "no", "undecided", "not judged"), blank=False),
        text("packer", "packer that comes nearest; '' = none carries the sleeve"),
        text("observation_id", "row that decides; '' = nothing on the way"),
        text("mechanism", "what it is"),
        number("at_m", "m", "where it lies, from us_node", low=0),
        number("low", "", "figure, least; blank = not known"),
        number("high", "", "figure, most; blank = not known"),
        number("limit", "", "what the packer passes; blank = not stated"),
        text("unit", "unit of figure and limit"),
        text("why", "sentence for a person", blank=False),
    ),
    key=("sleeve_id", "node_id"),
)
SLEEVE_SPANS = Table(
    "sleeve_spans",
    "one span that a sleeve serves",
    (text("sleeve_id", "", blank=False), text("span_id", "", blank=False)),
    key=("sleeve_id", "span_id"),
)
SLEEVE_LATERALS = Table(
    "sleeve_laterals",
    "one lateral that a sleeve covers and that must be reopened",
    (text("sleeve_id", "", blank=False), text("lateral_id", "", blank=False)),
    key=("sleeve_id", "lateral_id"),
)
PIPE_TOTALS = Table(
    "pipe_totals",
    "sleeves of one pipe together",
    (
        text("pipe_id", "", blank=False),
        whole("sleeves_count", "-", "sleeves", blank=False, low=0),
        number("sleeved_ratio", "-", "sleeved length / pipe length", blank=False, low=0),
    ),
    key=("pipe_id",),
)
OPTIONS = Table(
    "options",
    "one way to mend one pipe",
    (
        text("pipe_id", "pipe", blank=False),
        text("method", "", one_of=WAYS, blank=False),
        text("system", "sleeve system, '' otherwise"),
        flag("possible", "each span that needs mending is served", blank=False),
        whole("cost_cents", "cents", "all lines of the option; blank = not costed", low=0),
        whole("annual_cents", "cents", "each part's cost / its service life, no interest", low=0),
        number("life_years", "years", "life of what lasts shortest in it", low=0),
        text("why", "why not possible, or how the sum is made", blank=False),
    ),
    key=("pipe_id", "method", "system"),
)
CHOICES = Table(
    "choices",
    "what is to be done with one pipe",
    (
        text("pipe_id", "pipe", blank=False),
        text("method", "", one_of=METHODS, blank=False),
        text("system", "sleeve system"),
        whole("cost_cents", "cents", "of the option", low=0),
        text(
            "state",
            "",
            one_of=("proposed", "accepted", "changed", "refused", "held"),
            blank=False,
        ),
        text("by", "who decided"),
        date("on", "when"),
        text("reason", "why it is in this state", blank=False),
        text("fingerprint", "of what is or would be accepted", blank=False),
        flag("assumed_accepted", "taken as accepted by --assume-accepted", blank=False),
        text("urgency", "worst of its spans", one_of=URGENCY),
    ),
    key=("pipe_id",),
)
CHOICE_SLEEVES = Table(
    "choice_sleeves",
    "one sleeve of a pipe whose choice is sleeve",
    (text("pipe_id", "", blank=False), text("sleeve_id", "", blank=False)),
    key=("pipe_id", "sleeve_id"),
)
DECISIONS = Table(
    "decisions",
    "one decision by a person: a row of the form, numbered when the store took it",
    (
        whole("version", "", "number in the store, 0 = not stored yet", blank=False, low=0),
        text("pipe_id", "pipe", blank=False),
        text("span_id", "'' = the pipe's choice"),
        text("decision", "", one_of=DECISION_WORDS, blank=False),
        text("by", "who", blank=False),
        date("on", "when", blank=False),
        text("reason", "why", blank=False),
        text("value", "limit for one span, or place or length of its sleeve; '' = none"),
        text("fingerprint", "of what was decided on; '' = not recorded"),
        text("at", "instant at which the page took it, UTC; '' = it came by a form"),
        text("opened", "its row was open on the page; '' = by a form", one_of=("yes", "no", "")),
    ),
    key=("version",),
)
WORKS = Table(
    "works",
    "one step at one place",
    (
        text("work_id", "id, kept from run to run", blank=False),
        text("step", "", one_of=STEPS, blank=False),
        text("pipe_id", "pipe", blank=False),
        text("sleeve_id", "sleeve it belongs to, '' = the whole pipe or a span"),
        number("from_m", "m", "stretch it is done on", blank=False, low=0),
        number("to_m", "m", "", blank=False, low=0),
        text("urgency", "", one_of=URGENCY),
        text("state", "done by a row of done.csv, or to do", one_of=("todo", "done"), blank=False),
        text("done_by", "row of done.csv or event"),
        text("reason", "why it is there", blank=False),
        text("held", "why it is not planned though it is to do; '' = it may be"),
        date("not_before", "it is planned from this day on; '' = any"),
    ),
    key=("pipe_id", "work_id"),
)
WORK_AFTER = Table(
    "work_after",
    "one work must be done after another",
    (text("work_id", "", blank=False), text("after_id", "", blank=False)),
    key=("work_id", "after_id"),
)
FLOWS = Table(
    "flows",
    "dry-weather flow at one sleeve's place, and how it could be controlled; no rule reads it",
    (
        text("sleeve_id", "sleeve", blank=False),
        text("pipe_id", "pipe", blank=False),
        number("population", "persons", "persons on the pipe and all upstream", low=0),
        whole("addresses_count", "-", "addresses on the pipe and all upstream", low=0),
        whole("pipes_count", "-", "pipes upstream, this one not counted", low=0),
        number("upstream_m", "m", "length of the pipes upstream, this one not counted", low=0),
        number("slope_ratio", "-", "fall / length by the pipe's own inverts"),
        number("peak_l_s_low", "l/s", "dry-weather peak, least factor, no infiltration", low=0),
        number("peak_l_s_high", "l/s", "dry-weather peak, greatest factor, infiltration", low=0),
        number("depth_pct_low", "%", "depth of the least peak, share of the height", low=0),
        number("depth_pct_high", "%", "depth of the greatest, never of less than one flush", low=0),
        text("control", "what is proposed", one_of=FLOW_CONTROLS, blank=False),
        number("hold_back_s", "s", "a plug upstream can stand so long; blank = not known", low=0),
        number("needed_s", "s", "from cure to finish of the process table", low=0),
        text("state", "", one_of=FLOW_STATES, blank=False),
        text(
            "standing",
            "practice where the file states each number of persons, else assumed",
            one_of=("practice", "assumed"),
            blank=False,
        ),
        text("why", "the assumptions in one sentence", blank=False),
    ),
    key=("sleeve_id",),
)
