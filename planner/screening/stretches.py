"""Placed rows and their pairs become defects: points, stretches, and joints all along."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded, Columns, Marks
from planner.held import Held
from planner.screening.pairs import Pairs, pair_stretches
from planner.screening.position import (
    IN_JOINTS,
    JOINT_MECHANISMS,
    ROUND,
    Placed,
)
from planner.screening.row_kernel import ASSUMED, CODED, Runs

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

KINDS = Coded.of(["point", "stretch", "repeated"])
_POINT, _STRETCH, _REPEATED = range(3)
_TEXTS = ("inspection_id", "code", "stretch", "mechanism", "role", "detail", "quantity")
_FIGURES = ("s_m", "quantity_low", "quantity_high")


@dataclass
class Defects:
    """Rows that are defects, with their places, one entry for each.

    `kind` says by `KINDS` what each is. The few that a second row ends have its place in the
    table in `closes`; `low` and `high` are the figures of all, None where they are as coded.
    `notes` has what is doubtful of the few rows of which anything is; `lonely` are ends without
    a start, by their places in the table: no defects.
    """

    placed: Placed
    kind: npt.NDArray[np.int32]
    notes: dict[int, str] = field(default_factory=dict)
    closes: dict[int, int] = field(default_factory=dict)
    low: Numbers | None = None
    high: Numbers | None = None
    lonely: Places = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    def note(self, place: int, what: str) -> None:
        """Note a doubt about a row, '; ' between."""
        if what:
            before = self.notes.get(place)
            self.notes[place] = f"{before}; {what}" if before else what

    def noted(self) -> Coded:
        """Give the doubts of all rows."""
        return _few(self.notes, self.notes.values(), len(self.kind))

    def closed_by(self, rows: Held) -> Coded:
        """Give the name of the row that ends each, blank for most; `rows` hold `OBSERVATIONS`."""
        ends = np.array([*self.closes.values()], dtype=np.intp)
        return _few(self.closes, rows.texts("observation_id", ends).tolist(), len(self.kind))

    def without(self, gone: Marks) -> Defects:
        """Leave rows out."""
        if not gone.any():
            return self
        kept = np.flatnonzero(~gone)
        now = np.cumsum(~gone) - 1
        return replace(
            self,
            placed=self.placed.taken(kept),
            kind=self.kind[kept],
            notes={int(now[at]): one for at, one in self.notes.items() if not gone[at]},
            closes={int(now[at]): one for at, one in self.closes.items() if not gone[at]},
            low=None if self.low is None else self.low[kept],
            high=None if self.high is None else self.high[kept],
        )


def _few(at: Iterable[int], texts: Iterable[str], count: int) -> Coded:
    """Give a column that is blank but for a few texts."""
    places = np.array([*at], dtype=np.intp)
    return Coded.of([*texts]).placed(places, count)


def make_defects(rows: Held, of_run: Places, placed: Placed, runs: Runs, heads: Held) -> Defects:
    """Make one defect of each row, or of each pair of rows that starts and ends a stretch.

    Parameters
    ----------
    rows
        Holds `OBSERVATIONS`.
    of_run
        The run of each row.
    placed
        Where they lie.
    runs, heads
        What placing took of their runs; and `INSPECTIONS`.

    Returns
    -------
    Defects
        An end of another kind than its start stays a row of its own beside being the end; an
        end without a start is not among them.
    """
    out = Defects(placed, np.full(len(placed.at), _POINT, dtype=np.int32))
    doubtful = np.flatnonzero(placed.doubts).tolist()
    for at in doubtful:
        out.note(at, placed.past_note(at))
    marked = np.empty(0, dtype=np.intp)
    if not rows.is_blank("stretch"):
        marked = np.flatnonzero(~rows.coded("stretch").holds("")[placed.at])
    if not len(marked):
        for at in doubtful:
            out.note(at, placed.clock_note(at))
        return out
    some = _columns(rows, placed.at[marked], of_run, heads)
    pairs = pair_stretches(some)
    for at in np.flatnonzero(pairs.doubts != "").tolist():
        out.note(int(marked[at]), pairs.doubts[at])
    for at in doubtful:
        out.note(at, placed.clock_note(at))
    own = _Marked(marked, some, pairs, of_run, runs)
    ended = pairs.ends.copy()
    starts = np.flatnonzero(pairs.closed_by >= 0)
    ends, mechanism = pairs.closed_by[starts], some["mechanism"].codes
    ended[ends[mechanism[starts] != mechanism[ends]]] = False
    _lie_inside(out, marked[pairs.change | (pairs.ends & ~ended)])
    if len(starts):
        _close(out, own, starts, ends, rows)
    _leave_open(out, own, rows, heads)
    out.lonely = placed.at[marked[pairs.lonely]]
    gone = np.zeros(len(placed.at), dtype=bool)
    gone[marked[ended | pairs.lonely]] = True
    return out.without(gone)


@dataclass(frozen=True)
class _Marked:
    """Rows with a continuous mark: their places among all that are placed, what they say."""

    at: npt.NDArray[np.intp]
    rows: Columns
    pairs: Pairs
    of_run: Places
    runs: Runs


def _columns(rows: Held, at: Places, of_run: Places, heads: Held) -> Columns:
    """Gather what pairing asks of some rows."""
    out: Columns = {name: rows.coded(name)[at] for name in _TEXTS[1:]}
    out |= {name: rows.floats(name)[at] for name in _FIGURES}
    out["inspection_id"] = heads.coded("inspection_id")[of_run[at]]
    out["row"], out["at_joint"] = rows.wholes("row")[at], rows.marks("at_joint")[at]
    out["written"] = np.asarray(rows.texts("q1", at) != "", dtype=bool)
    out["at"] = at
    return out


def _lie_inside(out: Defects, inside: Places) -> None:
    """Give rows within a stretch no length of their own: the stretch has it."""
    placed = out.placed
    placed.from_m[inside] = placed.to_m[inside] = placed.x_from_m[inside]
    placed.origin[inside] = CODED


def _close(out: Defects, own: _Marked, starts: Places, ends: Places, rows: Held) -> None:
    """Give the rows that start a stretch its far end and its worst figure."""
    placed, first, last = out.placed, own.at[starts], own.at[ends]
    x_m = placed.x_from_m
    low, high = np.minimum(x_m[first], x_m[last]), np.maximum(x_m[first], x_m[last])
    placed.x_from_m, placed.x_to_m = x_m.copy(), x_m.copy()
    placed.x_from_m[first] = placed.from_m[first] = low
    placed.x_to_m[first] = placed.to_m[first] = high
    placed.origin[first], out.kind[first] = CODED, _kind_of(own.rows, starts, ends)
    placed.find_m[first] = np.maximum(placed.find_m[first], placed.find_m[last])
    out.closes = dict(zip(first.tolist(), own.rows["at"][ends].tolist(), strict=True))
    _worst_figures(out, own, starts, ends, rows)
    bent = _maybe_sag(own.rows, starts) | _maybe_sag(own.rows, ends)
    told = (own.pairs.doubts[ends] != "").tolist()
    for at, end, said, sag in zip(first.tolist(), last.tolist(), told, bent.tolist(), strict=True):
        # What is doubtful of the end, unless the start has it already.
        out.note(at, "" if said else placed.past_note(end))
        out.note(at, "bent joints over a stretch: may be a sag" if sag else "")


def _maybe_sag(rows: Columns, at: Places) -> Marks:
    """Mark bent joints whose figure was too large for degrees: older files code sags so."""
    bent = rows["mechanism"][at].holds("joint_angle")
    return np.asarray(bent & rows["written"][at] & np.isnan(rows["quantity_low"][at]), dtype=bool)


def _kind_of(rows: Columns, starts: Places, ends: Places) -> npt.NDArray[np.int64]:
    """Tell a long defect from one that comes back at every joint of the stretch."""
    mechanism, joint = rows["mechanism"][starts], rows["at_joint"]
    often = rows["detail"][starts].holds(ROUND) & rows["role"][starts].holds("damage")
    often |= mechanism.among(IN_JOINTS)
    repeated = mechanism.among(JOINT_MECHANISMS)
    repeated |= often & joint[starts] & joint[ends]
    return np.where(repeated, _REPEATED, _STRETCH)


def _worst_figures(out: Defects, own: _Marked, starts: Places, ends: Places, rows: Held) -> None:
    """Take the larger of the figures at both ends; an end left blank says nothing new."""
    low, high = own.rows["quantity_low"], own.rows["quantity_high"]
    first, last = own.rows["quantity"][starts], own.rows["quantity"][ends]
    written, written_end = own.rows["written"][starts], own.rows["written"][ends]
    takes = (first.codes == last.codes) & ~first.holds("") & written_end
    only = takes & ~written
    worst_low = np.fmax(low[starts], low[ends])
    worst_high = np.maximum(high[starts], high[ends])
    out.low, out.high = (rows.floats(f"quantity_{end}")[out.placed.at] for end in ("low", "high"))
    for all_of, end, worst in ((out.low, low, worst_low), (out.high, high, worst_high)):
        all_of[own.at[starts]] = np.select([only, takes], [end[ends], worst], end[starts])


def _leave_open(out: Defects, own: _Marked, rows: Held, heads: Held) -> None:
    """Let stretches without an end run to the end of their survey, as an assumption."""
    opened = np.flatnonzero(own.pairs.opens & (own.pairs.closed_by < 0))
    if not len(opened):
        return
    placed, here = out.placed, own.at[opened]
    last = np.full(len(heads), -np.inf)
    np.maximum.at(last, own.of_run[placed.at], rows.floats("s_m")[placed.at])
    run = own.of_run[placed.at[here]]
    end = heads.floats("surveyed_m")[run]
    end = np.where(np.isnan(end), last[run], end) - own.runs.part_m[run]
    length, x_m = own.runs.length_m[run], placed.x_from_m[here]
    x_end = np.clip(np.where(own.runs.from_us[run], end, length - end), 0.0, length)
    placed.from_m[here], placed.to_m[here] = np.minimum(x_m, x_end), np.maximum(x_m, x_end)
    placed.origin[here], out.kind[here] = ASSUMED, _kind_of(own.rows, opened, opened)
    for at, mark in zip(here.tolist(), own.rows["stretch"][opened].tolist(), strict=True):
        out.note(at, f"stretch {mark} never ends: taken to run to the end of the survey")
