"""What was placed beside spans and on their pipes, by number: what `columns.view_of` adds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded
from planner.distinct import pairs_of, places_in
from planner.held import Held
from planner.screening.columns import CHANGES, LINING, REPAIR

Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]
Texts = Any  # a text column
Beside = Mapping[str, Marks | None]
"""Yes or no of each thing, by column; None = no throughout."""


@dataclass(frozen=True)
class OnPipes:
    """Spans on their pipes, which have unlike ids: the row of each span's pipe among them."""

    spans: Held
    pipe_ids: Texts
    at: Places


def beside_spans(on: OnPipes, defects: Held | None) -> Beside:
    """Mark the spans that an earlier repair lies at, and an earlier lining."""
    rows = _rows_of(defects, REPAIR)
    if defects is None or not len(rows):
        return {"at_repair": None, "at_lining": None}
    spans, pipes = _met(on, defects, rows)
    linings = defects.coded("detail")[rows].holds(LINING)
    found: dict[str, Marks | None] = {"at_repair": _marked(spans, on)}
    return found | {"at_lining": _marked(spans[linings[pipes]], on) if linings.any() else None}


def beside_pipes(pipe_ids: Texts, defects: Held | None) -> Beside:
    """Mark the pipes on which the size changes, and the lining."""
    found: dict[str, Marks | None] = {}
    for name, mechanism in CHANGES.items():
        rows = _rows_of(defects, mechanism)
        found[name] = None
        if defects is not None and len(rows):
            at = _pipes_at(defects.coded("pipe_id")[rows], pipe_ids)
            marks = found[name] = np.zeros(len(pipe_ids), dtype=bool)
            marks[at[at >= 0]] = True
    return found


def _rows_of(defects: Held | None, mechanism: str) -> Places:
    """Give the rows of a mechanism."""
    if defects is None:
        return np.zeros(0, dtype=np.intp)
    mechanisms = defects.coded("mechanism")
    if mechanism not in mechanisms.listed():
        return np.zeros(0, dtype=np.intp)
    return np.flatnonzero(mechanisms.among([mechanism]))


def _pipes_at(ids: Coded, pipe_ids: Texts) -> Places:
    """Give the place of each id of a few rows; -1 = nowhere."""
    codes, where = np.unique(ids.codes, return_inverse=True)
    return places_in(ids.words.take(codes).to_pylist(), pipe_ids)[where]


def _met(on: OnPipes, defects: Held, rows: Places) -> tuple[Places, Places]:
    """Pair spans with those of some rows that they meet, by number, on the same pipe."""
    pipe = _pipes_at(defects.coded("pipe_id")[rows], on.pipe_ids)
    there = np.zeros(len(on.pipe_ids), dtype=bool)
    there[pipe[pipe >= 0]] = True
    spans = np.flatnonzero(there[on.at])
    one, other = pairs_of(on.at[spans], np.where(pipe < 0, len(there), pipe), len(there) + 1)
    one, row = spans[one], rows[other]
    begin, end = on.spans.floats("from_m"), on.spans.floats("to_m")
    meet = defects.floats("from_m")[row] <= end[one]
    meet &= defects.floats("to_m")[row] >= begin[one]
    return one[meet], other[meet]


def _marked(spans: Places, on: OnPipes) -> Marks:
    marks = np.zeros(len(on.at), dtype=bool)
    marks[spans] = True
    return marks
