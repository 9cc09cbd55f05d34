"""Placed rows as tables: defects in their order, flags, and what has no place, each in words.

Columns are gathered, and words written, for whoever reads them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property, partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, Joined
from planner.contracts import DEFECTS, OBSERVATIONS
from planner.held import Held
from planner.order import order_by, order_within
from planner.screening.axis import Counted, Lengths
from planner.screening.position import ORIGINS, Left
from planner.screening.row_kernel import NO_DISTANCE, NO_RUN, NOT_USED, Runs
from planner.screening.stretches import KINDS, Defects
from planner.settings import Survey

Places = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]

FEW_WORDS = ("code", "char1", "char2", "mechanism", "role", "quantity", "detail", "shows", "file")
"""Texts of coded rows that are few and stand in many rows."""


@dataclass(frozen=True)
class Filmed:
    """Pipes, camera runs and coded rows by number.

    `pipes`, in the order of their names, `heads` and `rows` hold `PIPES`, `INSPECTIONS` and
    `OBSERVATIONS`; `of_run` is the
    run of each row, -1 = not in the list; `refused` says by their places which runs cannot be
    used.
    """

    pipes: Held
    heads: Held
    rows: Held
    of_run: Places
    counted: Counted
    lengths: Lengths
    runs: Runs
    refused: dict[int, str]

    @cached_property
    def again(self) -> Marks:
        """Mark the used runs whose pipe another used one filmed too."""
        pipe, count = self.counted.pipe, len(self.pipes)
        used = self.runs.used & (pipe >= 0)
        counts = np.bincount(pipe[used], minlength=count + 1)
        return np.asarray(used & (counts[pipe] > 1), dtype=bool)

    def pipe_of(self, made: Defects) -> Places:
        """Give the place of the pipe of each defect."""
        return self.counted.pipe[self.of_run[made.placed.at]]


def defects_of(part: Filmed, made: Defects) -> Held:
    """Give `DEFECTS`, in the order of the table."""
    if not len(made.placed.at):
        return Held(DEFECTS, {name: Coded.one("", 0) for name in DEFECTS.key[:1]})

    # Pipes stand in the order of their names.
    pipe, from_m = part.pipe_of(made), made.placed.from_m
    order = order_within(pipe, from_m)
    pipe, from_m = pipe[order], from_m[order]
    same = (pipe[1:] == pipe[:-1]) & (from_m[1:] == from_m[:-1])
    if same.any():
        tied = np.flatnonzero(np.append(same, False) | np.append(False, same))
        block = np.cumsum(np.append(True, ~same))[tied]
        names = part.rows.picked("observation_id", made.placed.at[order[tied]])
        if not _rise_within(block, names):
            ids = names.column() if isinstance(names, Coded | Joined) else names
            order[tied] = order[tied[order_by([block, ids])]]
    return some_rows(part, made, order)


def _rise_within(block: Places, names: Any) -> bool:  # noqa: ANN401 - any column of texts
    """Tell whether names put together by number are in order within each block, as most are."""
    if not isinstance(names, Joined):
        return False
    number, run, digits = names.number, names.first.codes, np.searchsorted(_TENS, names.number)
    rises = (number[1:] > number[:-1]) & (number[:-1] >= 0)
    rises &= (run[1:] == run[:-1]) & (digits[1:] == digits[:-1])
    return bool((rises | (block[1:] != block[:-1])).all())


# Numbers of as many digits sort as their texts do.
_TENS = 10 ** np.arange(1, 19) - 1


def some_rows(part: Filmed, made: Defects, at: Places) -> Held:
    """Give some of the defects by the columns of `DEFECTS`, each made when it is asked for."""
    placed, rows, heads = made.placed, part.rows, part.heads
    place = placed.at[at]
    run = part.of_run[place]
    columns: dict[str, Any] = {
        "pipe_id": Coded(part.counted.pipe[run].astype(np.int32), _words(part.pipes, "pipe_id"))
    }
    for one in OBSERVATIONS.columns:
        columns[one.name] = partial(_observed, rows, one.name, one.kind, place)
    columns |= {
        "inspection_id": lambda: Coded(run.astype(np.int32), _words(heads, "inspection_id")),
        "counter_node": lambda: heads.coded("counter_node")[run],
        "seen_on": lambda: heads.coded("date")[run],
        "counter_m": lambda: rows.floats("s_m")[place],
        "kind": lambda: Coded(made.kind[at], KINDS.words),
        "extent_from": lambda: Coded(placed.origin[at], ORIGINS.words),
        "close_id": lambda: made.closed_by(rows)[at],
        "flags": lambda: made.noted()[at],
    }
    for name in ("x_from_m", "x_to_m", "from_m", "to_m", "find_m", "clock_h", "arc_h"):
        columns[name] = partial(_picked, getattr(placed, name), at)
    if placed.x_to_m is placed.x_from_m:  # there is no stretch: both are taken once
        columns["x_from_m"] = columns["x_to_m"] = cache(columns["x_from_m"])
    for name, worst in (("quantity_low", made.low), ("quantity_high", made.high)):
        if worst is not None:
            columns[name] = partial(_picked, worst, at)
    return Held(DEFECTS, columns)


def _picked(values: Any, at: Places) -> Any:  # noqa: ANN401 - any array
    return values[at]


def _observed(rows: Held, name: str, kind: str, at: Places) -> Any:  # noqa: ANN401 - any column
    """Give what some observations say."""
    if kind == "number":
        return rows.floats(name)[at]
    if kind == "text":
        return rows.coded(name)[at] if name in FEW_WORDS else rows.picked(name, at)
    return rows.column(name)[at]


def _words(table: Held, name: str) -> Any:  # noqa: ANN401 - texts as arrow holds them
    """Give the texts of a key as words by row."""
    return Coded.by_row(table.column(name)).words


def flag_columns(step: str, said: Sequence[tuple[str, str]], defects: Held) -> dict[str, Any]:
    """Give the columns of `FLAGS`: what was `said`, and what is doubtful of defects."""
    notes = defects.coded("flags")
    at = np.flatnonzero(~notes.holds(""))
    doubts = (defects.texts("observation_id", at).tolist(), notes[at].tolist())
    rows = dict.fromkeys([*said, *zip(*doubts, strict=True)])
    return {
        "step": Coded.one(step, len(rows)),
        "key": [key for key, _ in rows],
        "what": [what for _, what in rows],
    }


def left_columns(
    step: str,
    part: Filmed,
    left: Left,
    lonely: Places,
    laterals: Iterable[tuple[str, str]],
    settings: Survey,
) -> dict[str, Any]:
    """Give the columns of `LEFT_OVER`: rows, runs and laterals without a place, with the reason."""
    of_rows = dict(zip(left.at.tolist(), _reasons(part, left, settings), strict=True))
    of_rows |= dict.fromkeys(lonely.tolist(), "ends a stretch that does not start")
    told: list[tuple[Any, ...]] = []
    for table, key, reasons in (
        (part.rows, "observation_id", of_rows),
        (part.heads, "inspection_id", part.refused),
    ):
        at = np.array(sorted(reasons), dtype=np.intp)
        columns = (table.texts(key, at), table.texts("file", at), table.column("row")[at])
        told += zip(
            *(one.tolist() for one in columns), (reasons[row] for row in at.tolist()), strict=True
        )
    told += [(key, "", pd.NA, reason) for key, reason in laterals]
    rows = [*dict.fromkeys(told)]
    out: dict[str, Any] = {"step": Coded.one(step, len(rows))}
    return out | {
        name: [row[at] for row in rows] for at, name in enumerate(("key", "file", "row", "reason"))
    }


def _reasons(part: Filmed, left: Left, settings: Survey) -> list[str]:
    """Say why each row has no place."""
    told = {NO_RUN: "its inspection is not in the list", NO_DISTANCE: "no distance"}
    run = part.of_run[left.at]
    # There may be rows and no run at all.
    s_m, length_m = part.rows.floats("s_m")[left.at], np.append(part.runs.length_m, np.nan)[run]
    some = len(run) > 0 and len(part.heads) > 0
    names = part.heads.texts("pipe_id", np.maximum(run, 0)).tolist() if some else []
    out = []
    for row, why in enumerate(left.why.tolist()):
        if why in told:
            out.append(told[why])
        elif why == NOT_USED:
            out.append(f"its inspection is not used: {part.refused[int(run[row])]}")
        else:
            length = float(length_m[row])
            allowed = max(settings.past_end_m, settings.past_end_ratio * length)
            out.append(
                f"distance {s_m[row]:.2f} m lies {left.past_m[row]:.2f} m past an end of pipe "
                f"{names[row]}, {length:.2f} m long; at most {allowed:.2f} m is set to the end"
            )
    return out
