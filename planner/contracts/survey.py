"""What the camera saw, as coded, and where that is on the pipe's own axis."""

from planner.tables import Table, date, flag, number, text, whole

ROLES = ("damage", "condition", "flag", "place", "record")
STRETCH_KINDS = ("point", "stretch", "repeated")

INSPECTIONS = Table(
    "inspections",
    "one camera run",
    (
        text("inspection_id", "id, unique over all files", blank=False),
        text("pipe_ref", "pipe as the file names it"),
        text("pipe_id", "pipe it was matched to; set by locate"),
        text("matched_by", "tier of the match", one_of=("exact", "normalised", "nodes", "none")),
        text("start_node", "node the counter started at, as the file names it"),
        text("end_node", "node it ran towards, as the file names it"),
        text("counter_node", "node of the pipe from which the counter runs; set by locate"),
        text("direction", "as coded", one_of=("down", "up", "unknown")),
        date("date", "day of the survey"),
        text("zero_at", "zero of the counter", one_of=("wall", "centre", "unknown")),
        number("surveyed_m", "m", "counter reading at the end of the run", low=0),
        flag("complete", "the far node was reached"),
        text("laterals_coded", "connections were coded", one_of=("yes", "no", "unknown")),
        number("size_mm", "mm", "height as coded", low=0),
        number("width_mm", "mm", "width as coded", low=0),
        text("shape", "profile as coded"),
        text("material", "material as coded"),
        number("stated_m", "m", "length that the survey was told to expect", low=0),
        number("joint_every_m", "m", "length of one pipe unit as coded", low=0),
        text("scheme", "coding scheme", blank=False),
        text("edition", "edition of the coding scheme"),
        text("file", "file it was read from"),
        whole("row", "", "row in that file"),
    ),
    key=("inspection_id",),
)
_OBSERVED = (
    text("observation_id", "inspection and row", blank=False),
    text("inspection_id", "camera run", blank=False),
    number("s_m", "m", "counter reading as coded"),
    text("code", "main code as written", blank=False),
    text("char1", "first characterisation"),
    text("char2", "second characterisation"),
    text("q1", "first quantification as written"),
    text("q2", "second quantification as written"),
    number("clock_from_h", "clock h", "clock from, as coded", low=1, high=12),
    number("clock_to_h", "clock h", "clock to, as coded", low=1, high=12),
    text("stretch", "continuous code: A1 start, B1 end, C1 change"),
    flag("at_joint", "coded as at a joint"),
    text("remark", "remark as written"),
    text("photo", "photo reference"),
    text("video", "video reference"),
    number("video_s", "s", "second in the video", low=0),
    text("mechanism", "what it is, in the words of the code tables", blank=False),
    text("role", "how it is used", one_of=ROLES, blank=False),
    text("quantity", "span column that its figure fills, '' if none"),
    number("quantity_low", "by quantity", "least the figure can be"),
    number("quantity_high", "by quantity", "most the figure can be"),
    text("detail", "kind of root, deposit or crack direction, from the characterisations"),
    text("shows", "soil_visible, void_visible, at_lateral in the code itself, '+' between"),
    text("file", "file it was read from"),
    whole("row", "", "row in that file"),
)
OBSERVATIONS = Table(
    "observations", "one coded row", _OBSERVED, key=("inspection_id", "row", "observation_id")
)
DEFECTS = Table(
    "defects",
    "one observation, or one pair of a stretch, placed on a pipe",
    (
        *_OBSERVED,
        text("pipe_id", "pipe it lies on", blank=False),
        number("x_from_m", "m", "from us_node, as coded", blank=False, low=0),
        number("x_to_m", "m", "from us_node, as coded", blank=False, low=0),
        number("from_m", "m", "with its extent; an assumed extent widens it", blank=False, low=0),
        number("to_m", "m", "with its extent", blank=False, low=0),
        text("kind", "point, stretch or repeated", one_of=STRETCH_KINDS, blank=False),
        text("extent_from", "", one_of=("coded", "quantity", "assumed"), blank=False),
        text("counter_node", "node from which the counter ran", blank=False),
        number("counter_m", "m", "counter reading at its start", blank=False),
        number("find_m", "m", "doubt of finding it again by the counter", blank=False, low=0),
        number("clock_h", "clock h", "clock from, as seen looking downstream", low=0, high=12),
        number("arc_h", "clock h", "hours of the clock it spans", low=0, high=12),
        date("seen_on", "day of the survey"),
        text("close_id", "observation that ends the stretch"),
        text("flags", "what is doubtful, '; ' between"),
    ),
    key=("pipe_id", "from_m", "observation_id"),
)
GROWTH = Table(
    "growth",
    "one defect that two surveys saw: what the older and the newer measured",
    (
        text("older_id", "observation of the older survey", blank=False),
        text("newer_id", "observation of the newest survey", blank=False),
        text("pipe_id", "", blank=False),
        text("mechanism", "", blank=False),
        text("quantity", "what was measured, '' if nothing"),
        date("older_on", "day of the older survey"),
        date("newer_on", "day of the newer survey"),
        number("older_low", "by quantity", "least it was"),
        number("older_high", "by quantity", "most it was"),
        number("newer_low", "by quantity", "least it is"),
        number("newer_high", "by quantity", "most it is"),
        number("between_months", "months", "from the older to the newer survey", low=0),
    ),
    key=("older_id",),
)
