"""Spans of one pipe, and what the rulebook says of them."""

from planner.tables import Column, Table, flag, number, text, whole

NEEDS = ("nothing", "maintain", "watch", "mend", "unknown")
URGENCY = ("", "when_near", "programme", "this_year", "now")
STATES = ("open", "asked", "closed")
VERDICT_WORDS = ("sleeve", "liner", "dig", "refer", "watch", "maintain", "none")
DECIDE = "decide"
"""What people read for ``refer``: an engineer decides. A look is the camera's alone."""
# Rulebooks that ship with the package, by name.
PACKAGED_BOOKS = ("default", "strict")
STANDING = ("cited", "practice", "assumed")

# Every figure that a span can carry, with its unit; each is an interval _low.._high.
SPAN_QUANTITIES: dict[str, str] = {
    "deformation_pct": "%",
    "offset_mm": "mm",
    "offset_dn_ratio": "-",
    "gap_mm": "mm",
    "crack_mm": "mm",
    "missing_mm": "mm",
    "missing_dn_ratio": "-",
    "break_mm": "mm",
    "break_dn_ratio": "-",
    "roots_pct": "%",
    "deposit_pct": "%",
    "obstruction_pct": "%",
    "intrusion_pct": "%",
    "sag_pct": "%",
    "water_pct": "%",
    "angle_deg": "deg",
    "leak_level": "level 1-5",
}


def _intervals() -> tuple[Column, ...]:
    pairs = []
    for name, unit in SPAN_QUANTITIES.items():
        pairs.append(number(f"{name}_low", unit, "least it can be; blank = unknown", low=0))
        pairs.append(number(f"{name}_high", unit, "most it can be; blank = unknown", low=0))
    return tuple(pairs)


SPANS = Table(
    "spans",
    "rows at one place of a pipe that are screened as one",
    (
        text("span_id", "id, kept from run to run", blank=False),
        text("pipe_id", "pipe", blank=False),
        number("from_m", "m", "from us_node, extents taken in", blank=False, low=0),
        number("to_m", "m", "from us_node, extents taken in", blank=False, low=0),
        text("kind", "", one_of=("point", "stretch", "repeated"), blank=False),
        text("role", "damage or condition", one_of=("damage", "condition"), blank=False),
        text("mechanisms", "own mechanisms, '+' between, in order of name", blank=False),
        text("lent", "mechanisms of conditions that it lies in, '+' between"),
        text("extent_from", "", one_of=("coded", "quantity", "assumed"), blank=False),
        text(
            "state",
            "mended by a sleeve as built, one that failed lies there, or open",
            one_of=("open", "mended", "failed_sleeve"),
        ),
        *_intervals(),
        flag("soil_visible", "soil is seen through it", blank=False),
        flag("void_visible", "a void is seen through it", blank=False),
        flag("at_joint", "coded as at a joint"),
        flag("at_lateral", "a connection lies within find_m"),
        text("root_kind", "tap, fine, mass"),
        text("deposit_kind", "encrustation, grease, fine, coarse, hard, ..."),
        number("arc_h", "clock h", "hours of the clock it spans", low=0, high=12),
        number("find_m", "m", "doubt of finding it again by the counter", blank=False, low=0),
        number("survey_age_months", "months", "age of the survey on the first day", low=0),
        text("counter_node", "node from which the counter ran", blank=False),
    ),
    key=("pipe_id", "from_m", "span_id"),
)
SPAN_ROWS = Table(
    "span_rows",
    "one defect that belongs to, or lends to, a span",
    (
        text("span_id", "span", blank=False),
        text("observation_id", "defect", blank=False),
        text("part", "own row, lent condition or flag", one_of=("own", "lent", "flag")),
    ),
    key=("span_id", "observation_id"),
)
FINDINGS = Table(
    "findings",
    "one rule that speaks about one thing",
    (
        text("finding_id", "about, key, rule and subject", blank=False),
        text("about", "", one_of=("span", "pipe", "sleeve", "totals", "visit"), blank=False),
        text("key", "id of the thing", blank=False),
        text("rule_id", "rule; '' where no rule speaks"),
        text("effect", "", blank=False),
        text("subject", "method, work, need or urgency"),
        text("state", "holds for certain, or undecided", one_of=("yes", "no", "undecided")),
        text("column", "column that decides"),
        number("low", "", "figure, least"),
        number("high", "", "figure, most"),
        number("limit", "", "limit it was held against"),
        text("unit", "unit of figure and limit"),
        text("why", "sentence for a person", blank=False),
        text("source", "where the limit comes from"),
        text("standing", "", one_of=STANDING),
    ),
    key=("about", "key", "finding_id"),
)
VERDICTS = Table(
    "verdicts",
    "what the rulebook says of one span",
    (
        text("span_id", "span", blank=False),
        text("pipe_id", "pipe", blank=False),
        text("needs", "", one_of=NEEDS, blank=False),
        text("urgency", "", one_of=URGENCY),
        text("sleeve", "state of the method", one_of=STATES, blank=False),
        text("liner", "state of the method", one_of=STATES, blank=False),
        text("dig", "state of the method", one_of=STATES, blank=False),
        text("verdict", "what is proposed", one_of=VERDICT_WORDS, blank=False),
        text("first", "works before the method, '+' between, in order"),
        text("rules", "rules that led to a referral, '+' between"),
        flag("assumed", "rests on a rule whose standing is assumed", blank=False),
        flag("close_call", "would differ within its figure's interval, or on its limit"),
        text("flip_column", "figure whose change alone flips the verdict first; '' = none"),
        number("flip_at", "by quantity", "limit that it meets then"),
        number("flip_by", "by quantity", "by how much it must change; 0 = within its interval"),
        text("flip_unit", "unit of both"),
        text("flip_to", "verdict on the other side", one_of=VERDICT_WORDS),
        text("why", "the sentence that matters most", blank=False),
    ),
    key=("span_id",),
)
REQUIREMENTS = ("structural", "operation", "overall", "tightness", "stability", "service")
GRADES = Table(
    "grades",
    "one figure of one inspection in one scheme of grades; moves no rule",
    (
        text("key", "inspection", blank=False),
        text("pipe_id", "", blank=False),
        text("scheme", "scheme of the figure; never compared with another's", blank=False),
        text("requirement", "", one_of=REQUIREMENTS, blank=False),
        text("measure", "what the figure is, in the words of its scheme", blank=False),
        number("value", "by quantity", "the figure of its measure; blank where it is text alone"),
        text("shown", "the figure as it is printed", blank=False),
        flag("verified", "every row of the tables used could be verified", blank=False),
        text("why", "what could not be graded, or is left out of it"),
    ),
    key=("key", "scheme", "requirement", "measure"),
)
GRADE_STEPS = Table(
    "grade_steps",
    "one row of a table of classes, scores or grades: from which figure on which value holds",
    (
        text("code", "code it holds for, '' = any"),
        text("char1", "first characterisation, '' = any"),
        text("mechanism", "mechanism it holds for, '' = any"),
        text("requirement", "", one_of=REQUIREMENTS, blank=False),
        text("quantity", "figure that decides, '' = the code alone"),
        number("over", "by quantity", "the figure is above this; blank = from the least"),
        number("up_to", "by quantity", "and not above this; blank = without end"),
        number("dn_from_mm", "mm", "least height of the pipe; blank = any", low=0),
        number("dn_below_mm", "mm", "the pipe's height is below this; blank = any", low=0),
        number("value", "by quantity", "class, score or grade", blank=False),
        flag("verified", "the row could be verified", blank=False),
        text("source", "where it is from"),
        text("file", "file it was read from"),
        whole("row", "", "row in that file"),
    ),
    key=("file", "row"),
)


def verdict_said(verdict: str) -> str:
    """Give the word that people read for a verdict."""
    return DECIDE if verdict == "refer" else verdict
