"""Crews, set-ups, visits."""

from planner.contracts.repairs import STEPS
from planner.tables import Table, date, flag, number, text, whole

CREWS = Table(
    "crews",
    "one crew with its van",
    (
        text("crew", "name", blank=False),
        text("steps", "steps it does, '+' between", blank=False),
        text("systems", "sleeve systems it is set up for, '+' between"),
        text("packers", "packers on the van, '+' between"),
        text("tickets", "tickets that its persons hold, e.g. of entry or traffic, '+' between"),
        number("yard_x", "crs", "yard, in the project's coordinates", blank=False),
        number("yard_y", "crs", "yard, in the project's coordinates", blank=False),
        whole("van_sleeves_count", "-", "sleeves the van carries; blank = no limit", low=0),
        number("van_resin_kg", "kg", "resin the van carries; blank = no limit", low=0),
        whole("packer_sets_count", "-", "packers of each kind on the van; blank = 1", low=1),
        whole("persons_count", "-", "persons in the crew; blank = not stated", low=1),
        whole("break_s", "s", "pause of the day; 0 or blank = none planned", low=0),
        whole("break_from_s", "s", "it begins no earlier, from midnight", low=0),
        whole("break_to_s", "s", "it begins no later, from midnight", low=0),
    ),
    key=("crew",),
)
SHIFTS = Table(
    "shifts",
    "one crew on one weekday",
    (
        text("crew", "crew", blank=False),
        text("weekday", "", one_of=("mon", "tue", "wed", "thu", "fri", "sat", "sun"), blank=False),
        whole("start_s", "s", "leaves the yard, from midnight", blank=False, low=0),
        whole("end_s", "s", "back in the yard; above 86400 = on the next day", blank=False),
        whole("overtime_s", "s", "may be planned beyond the planned part; blank = none", low=0),
    ),
    key=("crew", "weekday"),
)
DONE = Table(
    "done",
    "one step that was done in the field",
    (
        text("done_id", "file and row", blank=False),
        text("step", "", one_of=STEPS, blank=False),
        text("pipe_id", "pipe; '' where a node is named"),
        text("node_id", "node whose access was checked, '' otherwise"),
        number("from_m", "m", "stretch; blank = the whole pipe", low=0),
        number("to_m", "m", "", low=0),
        date("done_on", "day", blank=False),
        text("by", "who", blank=False),
        number("find_from_m", "m", "where a look found the damage", low=0),
        number("find_to_m", "m", "", low=0),
        number("inside_mm", "mm", "inside diameter that a look measured", low=0),
        number("laterals_known_from_m", "m", "laterals proved from here", low=0),
        number("laterals_known_to_m", "m", "to here", low=0),
        text("file", "file it was read from"),
        whole("row", "", "row in that file"),
    ),
    key=("done_id",),
)
SETUPS = Table(
    "setups",
    "all work done from one standing place",
    (
        text("setup_id", "id, kept from run to run", blank=False),
        text("node_id", "manhole the crew stands at", blank=False),
        text("other_node_id", "manhole at the other end of the pipe"),
        text("pipe_id", "pipe worked on", blank=False),
        text("counter_node", "node from which distances are measured", blank=False),
        text("steps", "steps, '+' between, in order", blank=False),
        text("system", "sleeve system, '' if none"),
        text("packer_dn", "nominal size a packer must serve, '' if none"),
        number("longest_m", "m", "longest sleeve, 0 if none", blank=False, low=0),
        number("reach_m", "m", "farthest end from the standing manhole", blank=False, low=0),
        whole("work_s", "s", "time on site", blank=False, low=0),
        whole("value_s", "s", "worth a detour of this much crew time", blank=False, low=0),
        whole("sleeves_count", "-", "sleeves", blank=False, low=0),
        whole("resin_g", "g", "resin, net", blank=False, low=0),
        text("urgency", "worst of its works"),
        text("doubts", "what is not known of it and was passed over, '; ' between"),
    ),
    key=("setup_id",),
    geometry="point of the standing manhole",
)
SETUP_WORKS = Table(
    "setup_works",
    "one work done in a set-up",
    (
        text("setup_id", "", blank=False),
        text("work_id", "", blank=False),
        whole("seq", "", "order within the set-up", blank=False, low=1),
    ),
    key=("setup_id", "work_id"),
)
SETUP_AFTER = Table(
    "setup_after",
    "one set-up must be done before another",
    (
        text("setup_id", "the later one", blank=False),
        text("after_id", "the earlier one", blank=False),
        whole("valid_days", "days", "working days for which it is good; blank = stays good", low=0),
        text("why", "", blank=False),
    ),
    key=("setup_id", "after_id"),
)
SETUP_APART = Table(
    "setup_apart",
    "two set-ups that may not be open at the same time",
    (
        text("setup_id", "the first of both by id", blank=False),
        text("other_id", "", blank=False),
        text("why", "what one would do to the other", blank=False),
    ),
    key=("setup_id", "other_id"),
)
WAITING = Table(
    "waiting",
    "one work that cannot go on this week's list",
    (
        text("work_id", "", blank=False),
        text("pipe_id", "", blank=False),
        text("step", "", blank=False),
        text("reason", "what it waits for, or why no crew can do it", blank=False),
    ),
    key=("work_id",),
)
VISITS = Table(
    "visits",
    "one set-up on a crew's day",
    (
        text("visit_id", "crew, date and place in the day", blank=False),
        text("setup_id", "", blank=False),
        text("crew", "", blank=False),
        date("date", "", blank=False),
        whole("seq", "", "place in the day, 1 = first", blank=False, low=1),
        whole("arrive_s", "s", "from midnight", blank=False, low=0),
        whole("pause_s", "s", "pause taken there before work starts", blank=False, low=0),
        whole("start_s", "s", "work starts", blank=False, low=0),
        whole("end_s", "s", "work ends", blank=False, low=0),
        whole("drive_s", "s", "drive to it from the stop before", blank=False, low=0),
        number("drive_m", "m", "distance of that drive", blank=False, low=0),
        whole("end_pause_s", "s", "pause taken after the last stop", blank=False, low=0),
        whole("back_s", "s", "drive home after the last stop, 0 otherwise", blank=False, low=0),
        number("back_m", "m", "distance of it", blank=False, low=0),
        flag("by_air", "drive reckoned by air, not on streets", blank=False),
    ),
    key=("crew", "date", "seq"),
)
# What a person may have changed in a run's table of visits; no table of a run, so not in TABLES.
VISIT_EDITS = Table(
    "visit_edits",
    "one visit as a person wrote it",
    (
        text("setup_id", "", blank=False),
        text("crew", "blank = taken off this week"),
        date("date", "blank = taken off this week"),
        whole("seq", "", "place in the day; gaps do not matter when times are set anew", low=1),
        *(
            text(column, "seconds from midnight or H:MM; blank = to be set anew")
            for column in ("arrive_s", "start_s", "end_s")
        ),
        *(
            whole(column, "s", "as in visits", low=0)
            for column in ("pause_s", "drive_s", "end_pause_s", "back_s")
        ),
        number("drive_m", "m", "as in visits", low=0),
        number("back_m", "m", "as in visits", low=0),
        flag("by_air", "as in visits"),
    ),
    key=("setup_id",),
)
WEEK_CHANGES = (
    "move", "take_off", "as_planned", "lock", "unlock", "promise", "withdraw", "defer", "recall",
)  # fmt: skip
WEEK_EDITS = Table(
    "week_edits",
    "one change of the week by a person, numbered when the store took it",
    (
        whole("version", "", "number in the store, 0 = not stored yet", blank=False, low=0),
        text("setup_id", "", blank=False),
        text(
            "change",
            "where it stands (move, take_off, as_planned), bound to crew and day (lock, unlock), "
            "day that was promised (promise, withdraw), earliest day (defer, recall)",
            one_of=WEEK_CHANGES,
            blank=False,
        ),
        text("crew", "of a move or lock"),
        date(
            "date",
            "of a move, lock or promise; earliest day of one put off; first day of the week that "
            "one is taken off",
        ),
        text("after_id", "set-up that a moved one follows on its day; '' = it comes first"),
        text("by", "who", blank=False),
        date("on", "when", blank=False),
        text("reason", "why", blank=False),
        text("at", "instant at which the page took it, UTC", blank=False),
        text("run", "run that was looked at", blank=False),
    ),
    key=("version",),
)
PLAN_CHANGES = Table(
    "plan_changes",
    "one set-up of the standing plan or of the new one, and what became of it",
    (
        text("setup_id", "", blank=False),
        text("change", "", one_of=("kept", "moved", "dropped", "added"), blank=False),
        text("pipe_id", ""),
        text("works", "its works, '+' between"),
        text("was_crew", "in the standing plan; '' = it was not in it"),
        date("was_date", ""),
        whole("was_start_s", "s", "from midnight", low=0),
        text("crew", "in the new plan; '' = it is not in it"),
        date("date", ""),
        whole("start_s", "s", "from midnight", low=0),
        flag("notice", "residents must be told anew, or for the first time", blank=False),
        text("why", "what made it so", blank=False),
    ),
    key=("setup_id",),
)
LEGS = Table(
    "legs",
    "one drive of the week as the van takes it",
    (
        text("visit_id", "stop that it leads to, or from which it leads home", blank=False),
        text("part", "to the stop, or home from it", one_of=("to", "home"), blank=False),
        flag("by_air", "reckoned by air: drawn straight", blank=False),
    ),
    key=("visit_id", "part"),
    geometry="line along the streets, None where the van stays",
)
RANKED = "; rank "
"""Comes in `UNSERVED.reason` before the rank among all that is left, where it is told."""
UNSERVED = Table(
    "unserved",
    "one set-up that found no place this week",
    (
        text("setup_id", "", blank=False),
        text("reason", "in words; with its rank by value where the week is full", blank=False),
    ),
    key=("setup_id",),
)
AUDIT = Table(
    "audit",
    "one rule that the week breaks, found from its tables alone",
    (
        text("visit_id", "visit; crew|date for a whole day; an item for the shelf", blank=False),
        text("rule", "which rule", blank=False),
        text("found", "what is there", blank=False),
        text("limit", "what must be", blank=False),
    ),
    key=("visit_id", "rule", "found"),
)
WEEK_BOUND = Table(
    "week_bound",
    "the week as a whole, and how near it is to the best possible",
    (
        whole("cost_s", "s", "driving, overtime at its price, value left out", blank=False, low=0),
        whole("bound_s", "s", "no week costs less; 0 = none found", blank=False, low=0),
        number("gap_ratio", "-", "cost above the bound, by the bound; blank = none found"),
        text("which", "the better bound; '' = none", one_of=("", "assignment", "columns")),
        whole("assignment_s", "s", "bound from hours and loads alone", blank=False, low=0),
        whole("columns_s", "s", "bound from whole days", blank=False, low=0),
        whole("rounds", "", "rounds of the search of days", blank=False, low=0),
        flag("closed", "no better bound is to be had from days", blank=False),
        flag("shown", "the bound says something", blank=False),
        text("why", "in words", blank=False),
    ),
    key=("cost_s",),
)
SPARE = Table(
    "spare",
    "what is left of one crew's day",
    (
        text("crew", "", blank=False),
        date("date", "", blank=False),
        whole("most_s", "s", "may be planned from yard to yard", blank=False, low=0),
        whole("spare_s", "s", "of it not planned", blank=False, low=0),
        whole("over_s", "s", "overtime planned", blank=False, low=0),
        whole("van_sleeves_left_count", "-", "room on the van; blank = no limit", low=0),
        whole("van_resin_left_g", "g", "room on the van; blank = no limit", low=0),
        number("sleeves_left_ratio", "-", "of a day's sleeves not planned", blank=False, low=0),
    ),
    key=("crew", "date"),
)
WHAT_IF = Table(
    "what_if",
    "what one more crew-day or packer would bring, found by planning again",
    (
        text("kind", "what there is one more of", one_of=("crew-day", "packer"), blank=False),
        text("name", "crew, or packer", blank=False),
        text("crew", "whose day it is, or whose van carries the packer", blank=False),
        date("date", "day of the crew; '' for a packer"),
        whole("visits_count", "-", "set-ups served more", blank=False),
        whole("sleeves_count", "-", "sleeves set more", blank=False),
        whole("value_s", "s", "worth of what is served more", blank=False),
        whole("spent_s", "s", "driving more, and overtime at its price", blank=False),
        text("why", "in words", blank=False),
    ),
    key=("kind", "name", "crew"),
)
