"""What happened in the field: the journal as it is kept, and what follows from it."""

from __future__ import annotations

from typing import NamedTuple

from planner.contracts.repairs import STEPS
from planner.tables import Table, date, flag, number, text, whole

EVENT_KINDS = (
    "done",
    "started",
    "failed",
    "deferred",
    "freed",
    "measured",
    "used",
    "received",
    "returned",
    "chargeable",
    "agreed",
    "taken_back",
)
OF_STOCK = ("used", "received", "returned")
WORK_STATE_WORDS = ("open", "started", "done", "failed", "deferred")


class Reason(NamedTuple):
    """Why a work failed or was put off, and what follows from it.

    `spent` and `in_pipe` say of a sleeve whether it is used up and whether it lies in the
    pipe now: yes, no, or '' = the row must say it. `again` = it may be planned as it was.
    `next` are works that are proposed then, '+' between, `instead` one in their place.
    """

    meaning: str
    spent: str
    in_pipe: str
    again: bool
    next: str = ""
    instead: str = ""


# What spoils a day: reference list of the trade (reference/trade.md, section B). What follows
# from each is common practice, no source.
REASONS: dict[str, Reason] = {
    "wrong_packer": Reason("the packer has another diameter", "", "no", again=True),
    "out_of_date": Reason("sleeve or resin past its date", "yes", "no", again=True),
    "resin_warm": Reason("resin too warm, its pot life gone", "yes", "", again=True),
    "resin_cold": Reason(
        "resin too cold, not cured by the end of the shift", "yes", "", again=False,
        next="resurvey",
    ),
    "high_flow": Reason("rain or high flow", "", "no", again=True),
    "bypass_failed": Reason("the bypass failed", "", "no", again=True),
    "manhole_blocked": Reason("a car stands on the manhole", "no", "no", again=True),
    "manhole_sealed": Reason(
        "the manhole is buried or sealed", "no", "no", again=False, next="check_access"
    ),
    "no_entry": Reason(
        "key or right of way is missing", "no", "no", again=False, next="check_access"
    ),
    "school_hours": Reason("school begins or ends", "no", "no", again=True),
    "wrong_manhole": Reason(
        "another manhole was opened, or the map names it wrongly", "", "no", again=False,
        next="check_access",
    ),
    "wrong_end": Reason("the distance was measured from the other end", "", "", again=True),
    "length_differs": Reason(
        "the pipe is not as long as on the map", "", "no", again=False, next="resurvey"
    ),
    "lateral_covered": Reason(
        "a connection is covered", "yes", "yes", again=False, next="reopen+resurvey",
        instead="cut_out",
    ),
    "lateral_missed": Reason(
        "a connection nobody knew of", "no", "no", again=False, next="prove_laterals"
    ),
    "defect_worse": Reason(
        "the damage is worse than coded", "no", "no", again=False, next="resurvey", instead="dig"
    ),
    "defect_gone": Reason(
        "the damage is gone or mended already", "no", "no", again=False, next="resurvey"
    ),
    "roots_left": Reason(
        "roots or deposits are left over from cleaning", "no", "no", again=False,
        next="clean+cut_roots",
    ),
    "intrusion_left": Reason(
        "a connection still stands into the pipe", "no", "no", again=False, next="cut_intrusion"
    ),
    "size_differs": Reason(
        "the pipe has another diameter than on record", "", "no", again=False, next="resurvey"
    ),
    "machine_failed": Reason("robot, compressor or lamp failed", "", "", again=True),
    "permit_missed": Reason("the hours of the permit were missed", "no", "no", again=True),
    "odour": Reason("a complaint of odour stopped the work", "", "", again=True),
    "cure_failed": Reason(
        "not cured or delaminated", "yes", "yes", again=False, next="cut_out+clean+resurvey",
        instead="dig",
    ),
    "fold": Reason(
        "a fold or lift narrows the pipe", "yes", "yes", again=False,
        next="cut_out+clean+resurvey", instead="dig",
    ),
    "leaks": Reason(
        "it leaks when filmed after curing", "yes", "yes", again=False,
        next="cut_out+clean+resurvey", instead="dig",
    ),
    "misplaced": Reason(
        "it lies beside the damage", "yes", "yes", again=False, next="cut_out+clean+resurvey",
        instead="dig",
    ),
    "other": Reason("something else: the note says what", "", "", again=False),
}  # fmt: skip

EVENTS = Table(
    "events",
    "one thing that happened: a row of the journal, numbered when the store took it",
    (
        text("event_id", "number in the journal", blank=False),
        text("kind", "", one_of=EVENT_KINDS, blank=False),
        text("work_id", "work as the run sheet prints it; '' = step and place say which"),
        text("step", "", one_of=STEPS),
        text("pipe_id", "pipe; '' where a node is named, or only stock"),
        text("node_id", "node whose access was checked"),
        number("from_m", "m", "from us_node; blank = the whole pipe", low=0),
        number("to_m", "m", "", low=0),
        text("at", "YYYY-MM-DDTHH:MM", blank=False),
        text("by", "who reports", blank=False),
        text("crew", "crew that did it"),
        text("reason", "why it failed or is put off", one_of=tuple(REASONS)),
        date("until", "it is not planned before; blank = until it is freed"),
        flag("spent", "the sleeve is used up"),
        flag("in_pipe", "the sleeve lies in the pipe"),
        number("find_from_m", "m", "where the damage was found", low=0),
        number("find_to_m", "m", "", low=0),
        number("inside_mm", "mm", "inside diameter that was measured", low=0),
        number("laterals_known_from_m", "m", "laterals proved from here", low=0),
        number("laterals_known_to_m", "m", "to here", low=0),
        flag("void_visible", "a void is seen there; no = it is filled"),
        text("item", "what was moved", one_of=("sleeve", "resin")),
        text("system", "sleeve system"),
        number("dn_mm", "mm", "nominal size of the sleeve", low=0),
        number("length_m", "m", "length of the sleeve", low=0),
        text("lot", "lot or batch"),
        whole("pieces_count", "-", "sleeves moved", low=0),
        number("mass_kg", "kg", "resin moved, or used for the sleeve", low=0),
        text("about", "event that is taken back"),
        text("photo", "file of a photo or film"),
        text("note", "anything else"),
        text("works", "works it is about, '+' between, as matched when it was taken in"),
    ),
    key=("event_id",),
)
WORK_STATES = Table(
    "work_states",
    "where one work stands: those of the plan, and earlier ones that were reported on",
    (
        text("work_id", "work", blank=False),
        text("state", "", one_of=WORK_STATE_WORDS, blank=False),
        text("at", "since when, YYYY-MM-DDTHH:MM; of a row of done.csv T00:00; '' = not reported"),
        text("crew", "crew that reported it"),
        text("reason", "why it failed or is put off; of a work done with others, which"),
        text("event_id", "event or row of done.csv, '+' between; '' = none"),
    ),
    key=("work_id",),
)
AS_BUILT = Table(
    "as_built",
    "one sleeve that was set, as it lies in the pipe",
    (
        text("event_id", "event or row of done.csv that says so", blank=False),
        text("pipe_id", "pipe", blank=False),
        number("from_m", "m", "from us_node", blank=False, low=0),
        number("to_m", "m", "from us_node", blank=False, low=0),
        number("dn_mm", "mm", "nominal size; blank = not reported", low=0),
        number("length_m", "m", "length of the sleeve; blank = not reported", low=0),
        text("system", "sleeve system; '' = not reported"),
        text("lot", "lot or batch; '' = not reported"),
        text("crew", "crew that set it"),
        text("installed_at", "YYYY-MM-DDTHH:MM", blank=False),
        text("verified_at", "filmed after curing; '' = not yet"),
        text("reopened_at", "its connections opened; '' = not yet, or none"),
        flag("failed", "it failed", blank=False),
        text("failed_at", "when it was found"),
        text("reason", "why it failed"),
        text("removed_at", "when it was cut out or dug up; '' = it lies there"),
        flag("chargeable", "it may be charged: said apart from its being set", blank=False),
    ),
    key=("event_id",),
)
MEASURED = Table(
    "measured",
    "what was measured on site; it outranks the survey",
    (
        text("event_id", "event or row of done.csv", blank=False),
        text("pipe_id", "pipe", blank=False),
        number("from_m", "m", "stretch it is about; blank = the whole pipe", low=0),
        number("to_m", "m", "", low=0),
        text("at", "YYYY-MM-DDTHH:MM", blank=False),
        text("by", "who"),
        number("find_from_m", "m", "where the damage was found", low=0),
        number("find_to_m", "m", "", low=0),
        number("inside_mm", "mm", "inside diameter", low=0),
        number("laterals_known_from_m", "m", "laterals proved from here", low=0),
        number("laterals_known_to_m", "m", "to here", low=0),
        flag("void_visible", "a void is seen there; no = it is filled"),
    ),
    key=("event_id",),
)
STOCK_MOVES = Table(
    "stock_moves",
    "one thing that went to or from the shelf",
    (
        text("event_id", "event", blank=False),
        text("move", "", one_of=OF_STOCK, blank=False),
        text("at", "YYYY-MM-DDTHH:MM", blank=False),
        text("item", "", one_of=("sleeve", "resin"), blank=False),
        text("system", "system", blank=False),
        number("dn_mm", "mm", "nominal size of the sleeve, blank for resin", low=0),
        number("length_m", "m", "length of the sleeve, blank for resin", low=0),
        text("lot", "lot or batch"),
        whole("pieces_count", "-", "sleeves", low=0),
        number("mass_kg", "kg", "resin", low=0),
        text("why", "why it counts", blank=False),
    ),
    key=("event_id", "item"),
)
PROPOSED_WORKS = Table(
    "proposed_works",
    "one work that follows from a failure; planned only once a person agrees to it",
    (
        text("event_id", "the failure", blank=False),
        text("step", "", one_of=STEPS, blank=False),
        text("pipe_id", "pipe", blank=False),
        number("from_m", "m", "from us_node", blank=False, low=0),
        number("to_m", "m", "from us_node", blank=False, low=0),
        flag("instead", "in place of the others of this failure", blank=False),
        text("state", "", one_of=("proposed", "agreed", "done"), blank=False),
        text("by", "who agreed"),
        text("reason", "why it is proposed", blank=False),
    ),
    key=("event_id", "step"),
)
