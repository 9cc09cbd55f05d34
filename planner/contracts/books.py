"""Quantities, faults, flags and whatever was left over."""

from planner.tables import Table, date, flag, number, text, whole

FAULTS = Table(
    "faults",
    "one thing wrong in an input",
    (
        text("file", "", blank=False),
        whole("row", "", "0 = the whole file", blank=False, low=0),
        text("column", ""),
        text("found", ""),
        text("wanted", "", blank=False),
        flag("lost", "the row is kept out", blank=False),
    ),
)
FLAGS = Table(
    "flags",
    "one thing that is doubtful and was kept",
    (
        text("step", "", blank=False),
        text("key", "", blank=False),
        text("what", "", blank=False),
    ),
    key=("step", "key", "what"),
)
LEFT_OVER = Table(
    "left_over",
    "one thing that a step could not use",
    (
        text("step", "", blank=False),
        text("key", "", blank=False),
        text("file", "file of the row, where it has one"),
        whole("row", "", "row in that file"),
        text("reason", "", blank=False),
    ),
    key=("step", "key", "reason"),
)
ORPHANS = Table(
    "orphans",
    "an earlier id that carries a decision and has no heir, or an event whose pipe is gone",
    (
        text("kind", "span, pipe or event", blank=False),
        text("old_id", "", blank=False),
        text("pipe_id", "", blank=False),
        text("what", "the decision or event it carries", blank=False),
    ),
    key=("kind", "old_id"),
)
REVISIONS = Table(
    "revisions",
    "one signed state of the choices",
    (
        whole("version", "", "number of the revision, from 1", blank=False, low=1),
        text("by", "who signed", blank=False),
        date("on", "when", blank=False),
        text("reason", "what it is for", blank=False),
        text("run", "run folder that it froze", blank=False),
    ),
    key=("version",),
)
REVISION_CHOICES = Table(
    "revision_choices",
    "the choice of one pipe in one revision",
    (
        whole("version", "", "number of the revision", blank=False, low=1),
        text("pipe_id", "pipe", blank=False),
        text("method", "", blank=False),
        text("state", "", blank=False),
        whole("cost_cents", "cents", "of the option", low=0),
        text("by", "who decided"),
        text("fingerprint", "of what is proposed there", blank=False),
    ),
    key=("version", "pipe_id"),
)
REVISION_CHANGES = Table(
    "revision_changes",
    "what one revision changes for one pipe",
    (
        text("pipe_id", "pipe", blank=False),
        text("change", "", one_of=("new", "gone", "changed"), blank=False),
        text("was", "method, state, cost and content in the last revision"),
        text("now", "the same now"),
    ),
    key=("pipe_id",),
)
# What `sleeveplan check` writes; no table of a run, so not in TABLES.
CHECK_FINDINGS = Table(
    "findings",
    "one thing that a check found",
    (
        text("kind", "", one_of=("fault", "left over", "doubt", "waits"), blank=False),
        text("file", "file, where it is about one"),
        whole("row", "", "row in that file; blank = not about one"),
        text("about", "column of a fault; else the pipe, survey or coded row"),
        text("found", "what is there"),
        text("wanted", "what was wanted, or what is doubtful"),
    ),
)
REFUSED_ROWS = Table(
    "refused_rows",
    "one row that is not used, as it stands in its file",
    (
        text("file", "", blank=False),
        whole("row", "", "", blank=False),
        text("reason", "", blank=False),
        text("raw", "the row as it stands in the file; blank where that is no text"),
    ),
)
ID_MATCHES = Table(
    "id_matches",
    "a pipe that a run's own name for it may mean",
    (
        text("survey_file", "file of the run", blank=False),
        text("pipe_ref", "pipe as that file names it", blank=False),
        text("candidate", "pipe of the network; to be filled in where none is like it"),
        text("why", "why it is proposed"),
        text("accept", "yes = taken for it"),
    ),
)
# What the store keeps between runs; no table of a run, so not in TABLES.
IDS = Table(
    "ids",
    "one id that was given to a thing at a place",
    (
        text("kind", "", one_of=("span", "sleeve", "work", "setup"), blank=False),
        text("id", "the id", blank=False),
        text("pipe_id", "pipe; the node of a set-up", blank=False),
        number("from_m", "m", "from us_node; 0 for a set-up", blank=False),
        number("to_m", "m", "from us_node; 0 for a set-up", blank=False),
        text("step", "step of a work, role or mechanism of a span"),
        flag("live", "there in the last run", blank=False),
    ),
    key=("kind", "id"),
)
SETUP_IDS = Table(
    "setup_ids",
    "one work that an earlier set-up held",
    (
        text("setup_id", "", blank=False),
        text("node_id", "manhole it stood at", blank=False),
        text("work_id", "", blank=False),
    ),
    key=("setup_id", "work_id"),
)
