"""Tables of classes, scores and grades that a user loads, named under ``[grades]``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import GRADE_STEPS, SPAN_QUANTITIES
from planner.errors import Fault
from planner.inputs.forms import read_form, refuse
from planner.tables import conform

# What each table may speak of, and the figures that may decide in it.
PEAK = "peak_per_m"
KINDS: dict[str, tuple[tuple[str, ...], frozenset[str]]] = {
    "classes": (("tightness", "stability", "operation"), frozenset(SPAN_QUANTITIES)),
    "scores": (("structural", "service"), frozenset(SPAN_QUANTITIES)),
    "score_grades": (("structural", "service"), frozenset({PEAK})),
}
_WORST = 5


def read_grade_table(path: Path, kind: str, *, file: str) -> tuple[pd.DataFrame, list[Fault]]:
    """Read one table of steps.

    Parameters
    ----------
    path
        A CSV with the columns of `GRADE_STEPS`; requirement, value and verified are needed.
    kind
        ``classes``, ``scores`` or ``score_grades``.
    file
        Name in messages.

    Returns
    -------
    steps, faults
        Obeys `GRADE_STEPS`. Refused: a requirement of another kind of table, a figure that
        is not known, bounds in the wrong order, a row that holds for every code, and a class
        that is no whole number from 0 to 5.
    """
    frame, faults = read_form(path, GRADE_STEPS, as_written=("code", "char1"), file=file)
    names, quantities = KINDS[kind]
    known = frame["quantity"].isin(quantities | ({""} if kind != "score_grades" else set()))
    odd = (frame["value"] < 0) | (frame["value"] > _WORST) | (frame["value"] % 1 != 0)
    anything = (frame["code"] == "") & (frame["mechanism"] == "") & (kind != "score_grades")
    checks = (
        (~frame["requirement"].isin(names), "requirement", " | ".join(names)),
        (~known, "quantity", " | ".join(sorted(quantities))),
        (frame["over"] >= frame["up_to"], "over", "a figure below up_to"),
        (frame["dn_from_mm"] >= frame["dn_below_mm"], "dn_from_mm", "below dn_below_mm"),
        (anything, "code", "a code or a mechanism"),
        (odd & (kind == "classes"), "value", f"a class from 0 to {_WORST}"),
        (frame["value"] < 0, "value", "a value from 0"),
    )
    for bad, column, wanted in checks:
        there = frame.index[bad.reindex(frame.index, fill_value=False)]
        frame = refuse(frame, dict.fromkeys(there, wanted), column, file, faults)
    return conform(frame.assign(file=file), GRADE_STEPS), faults
