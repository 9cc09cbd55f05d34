"""Placed rows and their pairs become defects: points, stretches, and joints all along."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded, Columns, taken
from planner.screening.axis import part_of
from planner.screening.match import join_notes
from planner.screening.pairs import Pairs
from planner.screening.position import (
    IN_JOINTS,
    JOINT_MECHANISMS,
    ROUND,
    Spots,
    downstream_clocks,
    find_doubt,
    point_extents,
)
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]
Places = npt.NDArray[np.intp]

_KINDS = Coded.of(["point", "stretch", "repeated"])
_POINT, _STRETCH, _REPEATED = range(3)
_BLANK = Coded.of([""])


def make_defects(rows: Columns, spots: Spots, pairs: Pairs, settings: Survey) -> Columns:
    """Make one defect of each row, or of each pair of rows that starts and ends a stretch.

    Parameters
    ----------
    rows
        Observations with the place each has in its table (`at`), pipe_id, counter_node, zero_at,
        surveyed_m, date, length_doubt_m.
    spots, pairs
        Where they lie and which belong together, row by row.
    settings
        Extents and doubts.

    Returns
    -------
    defects
        The columns of `rows`, and those that `DEFECTS` has beside the observation's own. An
        end of another kind than its start stays a row of its own beside being the end; an end
        without a start is not among them. `flags` is still as objects.
    """
    extents = point_extents(rows, spots, settings)
    clocks = downstream_clocks(rows, spots.from_us)
    count = len(spots.x_m)
    out: Columns = rows | {
        "x_from_m": spots.x_m,
        "x_to_m": spots.x_m,
        "from_m": extents.from_m,
        "to_m": extents.to_m,
        "kind": _KINDS[np.full(count, _POINT)],
        "extent_from": extents.origin,
        "counter_m": rows["s_m"],
        "find_m": find_doubt(rows, spots.from_us, settings),
        "clock_h": clocks.clock_h,
        "arc_h": clocks.arc_h,
        "seen_on": rows["date"],
        "close_id": _BLANK[np.zeros(count, dtype=np.intp)],
        "flags": join_notes(spots.doubts, pairs.doubts, clocks.doubts),
    }
    ended = pairs.ends.copy()
    starts = np.flatnonzero(pairs.closed_by >= 0)
    if len(starts):
        ends, mechanism = pairs.closed_by[starts], rows["mechanism"].codes
        ended[ends[mechanism[starts] != mechanism[ends]]] = False
    _lie_inside(out, pairs.change | (pairs.ends & ~ended), spots)
    _close(out, rows, spots, pairs)
    _leave_open(out, rows, spots, pairs, settings)
    gone = ended | pairs.lonely
    return taken(out, np.flatnonzero(~gone)) if gone.any() else out


def _lie_inside(out: Columns, inside: Marks, spots: Spots) -> None:
    """Give rows within a stretch no length of their own: the stretch has it."""
    if not inside.any():
        return
    for name in ("from_m", "to_m"):
        out[name] = np.where(inside, spots.x_m, out[name])
    out["extent_from"] = Coded.where(inside, "coded", out["extent_from"])


def _close(out: Columns, rows: Columns, spots: Spots, pairs: Pairs) -> None:
    """Give the rows that start a stretch its far end and its worst figure."""
    starts = np.flatnonzero(pairs.closed_by >= 0)
    if not len(starts):
        return
    ends = pairs.closed_by[starts]
    low, high = (
        np.minimum(spots.x_m[starts], spots.x_m[ends]),
        np.maximum(spots.x_m[starts], spots.x_m[ends]),
    )
    for name, values in (("x_from_m", low), ("x_to_m", high), ("from_m", low), ("to_m", high)):
        out[name] = _put(out[name], starts, values)
    _set_words(out, starts, "coded", _kind_of(rows, starts, ends))
    closing = np.zeros(len(spots.x_m), dtype=np.intp)
    closing[starts] = np.arange(1, len(starts) + 1)
    out["close_id"] = Coded.of(["", *rows["observation_id"][ends].tolist()])[closing]
    find = out["find_m"]
    out["find_m"] = _put(find, starts, np.maximum(find[starts], find[ends]))
    _worst_figures(out, rows, starts, ends)
    doubts = out["flags"]
    doubts[starts] = join_notes(doubts[starts], _of_end(spots.doubts, pairs, ends))
    bends = _maybe_sag(rows, starts) | _maybe_sag(rows, ends)
    doubts[starts[bends]] = join_notes(
        doubts[starts[bends]],
        np.full(int(bends.sum()), "bent joints over a stretch: may be a sag", dtype=object),
    )


def _of_end(doubts: Texts, pairs: Pairs, ends: Places) -> Texts:
    """Give the doubts of the rows that end a stretch, unless the start has them already."""
    return np.where(pairs.doubts[ends] == "", doubts[ends], "").astype(object)


def _put(values: Numbers, at: Places, new: Numbers) -> Numbers:
    """Give a copy with other values at some places."""
    out = values.copy()
    out[at] = new
    return out


def _set_words(out: Columns, at: Places, origin: str, kind: Coded) -> None:
    """Say of some rows where their length comes from, and of what kind they are."""
    here = np.zeros(len(out["kind"]), dtype=bool)
    here[at] = True
    out["extent_from"] = Coded.where(here, origin, out["extent_from"])
    codes = out["kind"].codes.copy()
    codes[at] = kind.codes
    out["kind"] = Coded(codes, kind.words)


def _maybe_sag(rows: Columns, at: Places) -> Marks:
    """Mark bent joints whose figure was too large for degrees: older files code sags so."""
    bent = rows["mechanism"][at].holds("joint_angle")
    unread = _written(rows, at) & np.isnan(rows["quantity_low"][at])
    return np.asarray(bent & unread, dtype=bool)


def _written(rows: Columns, at: Places) -> Marks:
    """Mark some rows that have a figure as written."""
    return np.array([text != "" for text in rows["q1"][at].tolist()], dtype=bool)


def _kind_of(rows: Columns, starts: Places, ends: Places) -> Coded:
    """Tell a long defect from one that comes back at every joint of the stretch."""
    mechanism, joint = rows["mechanism"][starts], rows["at_joint"]
    often = rows["detail"][starts].holds(ROUND) & rows["role"][starts].holds("damage")
    often |= mechanism.among(IN_JOINTS)
    repeated = mechanism.among(JOINT_MECHANISMS)
    repeated |= often & joint[starts] & joint[ends]
    return _KINDS[np.where(repeated, _REPEATED, _STRETCH)]


def _worst_figures(out: Columns, rows: Columns, starts: Places, ends: Places) -> None:
    """Take the larger of the figures at both ends; an end left blank says nothing new."""
    low, high = rows["quantity_low"], rows["quantity_high"]
    first, last = rows["quantity"][starts], rows["quantity"][ends]
    written, written_end = (_written(rows, at) for at in (starts, ends))
    takes = (first.codes == last.codes) & ~first.holds("") & written_end
    only = takes & ~written
    worst_low = np.fmax(low[starts], low[ends])
    worst_high = np.maximum(high[starts], high[ends])
    for name, end, worst in (("low", low, worst_low), ("high", high, worst_high)):
        new = np.select([only, takes], [end[ends], worst], end[starts])
        out[f"quantity_{name}"] = _put(end, starts, new)


def _leave_open(out: Columns, rows: Columns, spots: Spots, pairs: Pairs, settings: Survey) -> None:
    """Let stretches without an end run to the end of their survey, as an assumption."""
    opened = np.flatnonzero(pairs.opens & (pairs.closed_by < 0))
    if not len(opened):
        return
    run = rows["inspection_id"].codes
    last = np.full(len(rows["inspection_id"].words), -np.inf)
    np.maximum.at(last, run, rows["s_m"])
    end = rows["surveyed_m"]
    end = np.where(np.isnan(end), last[run], end) - part_of(rows, settings)
    length = spots.length_m
    x_end = np.clip(np.where(spots.from_us, end, length - end), 0.0, length)
    out["from_m"] = _put(out["from_m"], opened, np.minimum(spots.x_m, x_end)[opened])
    out["to_m"] = _put(out["to_m"], opened, np.maximum(spots.x_m, x_end)[opened])
    _set_words(out, opened, "assumed", _kind_of(rows, opened, opened))
    marks = rows["stretch"][opened].tolist()
    notes = np.array(
        [f"stretch {mark} never ends: taken to run to the end of the survey" for mark in marks],
        dtype=object,
    )
    out["flags"][opened] = join_notes(out["flags"][opened], notes)
