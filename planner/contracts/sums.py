"""Money: quantities that prices hold for, lines of an option, break-even, the budget."""

from planner.contracts.repairs import WAYS
from planner.tables import Table, date, flag, number, text, whole

# Items that a way stands or falls with: without a price it is not costed.
MAIN_ITEMS = ("sleeve", "liner", "dig", "reopen")
# What a line says that has no price of its own, of an item that no price names at all.
WITHIN = "no price names this item: taken as within the main price"

PRICE_QUANTITIES = Table(
    "price_quantities",
    "one price that holds for a range of quantity, and whether it is in force",
    (
        text("price_id", "price", blank=False),
        number("quantity", "by quantity", "what the project could order", blank=False, low=0),
        text("unit", "pieces or m", blank=False),
        flag("in_force", "the quantity lies in the price's range", blank=False),
        text("why", "what was counted", blank=False),
    ),
    key=("price_id",),
)
PRICE_CHANGES = Table(
    "price_changes",
    "amounts of one price, changed in the workbook since prices.toml was written",
    (
        text("price_id", "price of prices.toml", blank=False),
        whole("each_cents", "cents", "each, the first included_m within it", blank=False, low=0),
        whole("extra_cents_per_m", "cents/m", "each further metre", blank=False, low=0),
        whole("least_cents", "cents", "least sum for one piece or run", blank=False, low=0),
    ),
    key=("price_id",),
)
# Amounts of a price that a person may change; its sizes and what it holds for stay prices.toml's.
PRICE_AMOUNTS = ("each_cents", "extra_cents_per_m", "least_cents")
PRICE_EDITS = Table(
    "price_edits",
    "one amount of a price changed by a person, numbered when the store took it",
    (
        whole("version", "", "number in the store, 0 = not stored yet", blank=False, low=0),
        text("price_id", "price of prices.toml", blank=False),
        text("amount", "column of the price", one_of=PRICE_AMOUNTS, blank=False),
        whole("old_cents", "cents", "as the person saw it", blank=False, low=0),
        whole("new_cents", "cents", "from now on", blank=False, low=0),
        text("by", "who", blank=False),
        date("on", "when", blank=False),
        text("reason", "why", blank=False),
        text("at", "instant at which the page took it, UTC; '' = it came by a workbook"),
    ),
    key=("version",),
)
OPTION_LINES = Table(
    "option_lines",
    "one line of the sum of one option",
    (
        text("pipe_id", "pipe", blank=False),
        text("method", "", one_of=WAYS, blank=False),
        whole("seq", "", "order in the sum", blank=False, low=1),
        text("part", "what it lives as long as", one_of=("sleeve", "liner", "dig"), blank=False),
        text("item", "item of the price", blank=False),
        text("sleeve_id", "sleeve it belongs to"),
        number("dn_mm", "mm", "nominal size it is priced at", low=0),
        number("length_m", "m", "length of one", blank=False, low=0),
        whole("times_count", "-", "how many", blank=False, low=1),
        whole("one_cents", "cents", "price of one; blank = none", low=0),
        whole("sum_cents", "cents", "times_count x one_cents; blank = no price", low=0),
        text("price_id", "price that it comes from"),
        whole("year", "", "of the price"),
        text("place", "of the price"),
        text("source", "of the price"),
        text("note", "what a blank means"),
    ),
    key=("pipe_id", "method", "seq"),
)
BREAK_EVEN = Table(
    "break_even",
    "one pipe: from how many sleeves on the liner is cheaper",
    (
        text("pipe_id", "pipe", blank=False),
        whole("sleeves_count", "-", "sleeves placed", blank=False, low=0),
        whole("sleeve_base_cents", "cents", "what any number of sleeves takes", low=0),
        whole("sleeve_each_cents", "cents", "mean of one sleeve, its flow and film", low=0),
        text("liner_method", "liner, or dig, then liner: what is compared"),
        whole("liner_cents", "cents", "the whole liner option", low=0),
        whole("dig_base_cents", "cents", "what any number of digs takes", low=0),
        whole("dig_each_cents", "cents", "mean of one dig", low=0),
        whole("liner_from_count", "-", "sleeves from which the liner costs less", low=1),
        whole("annual_from_count", "-", "the same by the cost a year", low=1),
        text("why", "sentence for a person", blank=False),
    ),
    key=("pipe_id",),
)
BUDGET = Table(
    "budget",
    "what one pipe with something to do gets out of the sum",
    (
        text("pipe_id", "pipe", blank=False),
        whole("year", "", "year it is mended in, 1 = first; 0 = not within the sum", blank=False),
        text("method", "how it is mended within the sum", one_of=("sleeve", "liner", "dig")),
        whole("cost_cents", "cents", "of that method, 0 if none", blank=False, low=0),
        number("risk", "", "likelihood x consequence", blank=False, low=0),
        number("risk_removed", "", "what of it goes, lateness taken off", blank=False, low=0),
        text("why", "each factor, and why it is in or out", blank=False),
    ),
    key=("pipe_id",),
)
BUDGET_BOUND = Table(
    "budget_bound",
    "the sum as a whole, and how near the choice is to the best possible",
    (
        whole("sum_cents", "cents", "money there is; 0 = no sum is set", blank=False, low=0),
        whole("spent_cents", "cents", "money spent", blank=False, low=0),
        number("risk", "", "of all pipes", blank=False, low=0),
        number("risk_removed", "", "of all pipes", blank=False, low=0),
        number("risk_bound", "", "no choice can remove more", blank=False, low=0),
        number("gap_ratio", "-", "best possible above the choice, at most", blank=False, low=0),
        flag("reproducible", "the clock did not stop the search", blank=False),
        text("why", "in words", blank=False),
    ),
    key=("sum_cents",),
)
