"""Placed rows and their pairs become defects: points, stretches, and joints all along."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import texts_of
from planner.contracts import OBSERVATIONS
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


def make_defects(rows: pd.DataFrame, spots: Spots, pairs: Pairs, settings: Survey) -> pd.DataFrame:
    """Make one defect of each row, or of each pair of rows that starts and ends a stretch.

    Parameters
    ----------
    rows
        Observations with pipe_id, counter_node, zero_at, surveyed_m, date, length_doubt_m.
    spots, pairs
        Where they lie and which belong together, row by row.
    settings
        Extents and doubts.

    Returns
    -------
    defects
        The columns of `DEFECTS`. An end of another kind than its start stays a row of its
        own beside being the end; an end without a start is not among them.
    """
    extents = point_extents(rows, spots, settings)
    clocks = downstream_clocks(rows, spots.from_us)
    data: dict[str, Any] = {name: rows[name].array for name in OBSERVATIONS.names}
    data |= {
        "pipe_id": rows["pipe_id"].array,
        "x_from_m": spots.x_m,
        "x_to_m": spots.x_m,
        "from_m": extents.from_m,
        "to_m": extents.to_m,
        "kind": texts_of(np.full(len(rows), "point", dtype=object)),
        "extent_from": texts_of(extents.origin),
        "counter_node": rows["counter_node"].array,
        "counter_m": rows["s_m"].array,
        "find_m": find_doubt(rows, spots.from_us, settings),
        "clock_h": clocks.clock_h,
        "arc_h": clocks.arc_h,
        "seen_on": rows["date"].array,
        "close_id": texts_of(np.full(len(rows), "", dtype=object)),
        "flags": texts_of(join_notes(spots.doubts, pairs.doubts, clocks.doubts)),
    }
    out = pd.DataFrame(data, index=range(len(rows)), copy=False)
    mechanism = rows["mechanism"].to_numpy(dtype=object)
    ended = pairs.ends.copy()
    starts = np.flatnonzero(pairs.closed_by >= 0)
    ends = pairs.closed_by[starts]
    unlike = mechanism[starts] != mechanism[ends]
    ended[ends[unlike]] = False
    _lie_inside(out, pairs.change | (pairs.ends & ~ended), spots)
    _close(out, rows, spots, pairs)
    _leave_open(out, rows, spots, pairs, settings)
    gone = ended | pairs.lonely
    return out[~gone].reset_index(drop=True) if gone.any() else out


def _lie_inside(out: pd.DataFrame, inside: Marks, spots: Spots) -> None:
    """Give rows within a stretch no length of their own: the stretch has it."""
    if not inside.any():
        return
    for name in ("from_m", "to_m"):
        out[name] = np.where(inside, spots.x_m, out[name])
    out["extent_from"] = np.where(inside, "coded", out["extent_from"])


def _close(out: pd.DataFrame, rows: pd.DataFrame, spots: Spots, pairs: Pairs) -> None:
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
        _put(out, name, starts, values)
    _put(out, "extent_from", starts, np.full(len(starts), "coded", dtype=object))
    ids = rows["observation_id"].to_numpy(dtype=object)
    _put(out, "close_id", starts, ids[ends])
    _put(out, "kind", starts, _kind_of(rows, starts, ends))
    find = out["find_m"].to_numpy(dtype=float)
    _put(out, "find_m", starts, np.maximum(find[starts], find[ends]))
    _worst_figures(out, rows, starts, ends)
    doubts = out["flags"].to_numpy(dtype=object, copy=True)
    doubts[starts] = join_notes(doubts[starts], _of_end(spots.doubts, pairs, ends))
    sags = _maybe_sag(rows)
    bends = sags[starts] | sags[ends]
    doubts[starts[bends]] = join_notes(
        doubts[starts[bends]],
        np.full(int(bends.sum()), "bent joints over a stretch: may be a sag", dtype=object),
    )
    out["flags"] = doubts


def _of_end(doubts: Texts, pairs: Pairs, ends: npt.NDArray[np.intp]) -> Texts:
    """Give the doubts of the rows that end a stretch, unless the start has them already."""
    return np.where(pairs.doubts[ends] == "", doubts[ends], "").astype(object)


def _put(out: pd.DataFrame, name: str, at: npt.NDArray[np.intp], values: object) -> None:
    column = out[name].to_numpy(copy=True)
    column[at] = values
    out[name] = column


def _maybe_sag(rows: pd.DataFrame) -> Marks:
    """Mark bent joints whose figure was too large for degrees: older files code sags so."""
    bent = (rows["mechanism"] == "joint_angle").to_numpy()
    return np.asarray(
        bent & (rows["q1"] != "").to_numpy() & rows["quantity_low"].isna().to_numpy(), dtype=bool
    )


def _kind_of(rows: pd.DataFrame, starts: npt.NDArray[np.intp], ends: npt.NDArray[np.intp]) -> Texts:
    """Tell a long defect from one that comes back at every joint of the stretch."""
    mechanism = rows["mechanism"].to_numpy(dtype=object)
    joint = np.array(rows["at_joint"].fillna(value=False), dtype=bool)
    often = np.isin(mechanism, IN_JOINTS) | (
        (rows["detail"] == ROUND).to_numpy() & (rows["role"] == "damage").to_numpy()
    )
    repeated = np.isin(mechanism[starts], JOINT_MECHANISMS)
    repeated |= often[starts] & joint[starts] & joint[ends]
    return np.where(repeated, "repeated", "stretch").astype(object)


def _worst_figures(
    out: pd.DataFrame,
    rows: pd.DataFrame,
    starts: npt.NDArray[np.intp],
    ends: npt.NDArray[np.intp],
) -> None:
    """Take the larger of the figures at both ends; an end left blank says nothing new."""
    low, high = (rows[n].to_numpy(dtype=float) for n in ("quantity_low", "quantity_high"))
    written = (rows["q1"] != "").to_numpy()
    quantity = rows["quantity"].to_numpy(dtype=object)
    alike = (quantity[starts] == quantity[ends]) & (quantity[starts] != "")
    takes = alike & written[ends]
    only = takes & ~written[starts]
    worst_low = np.fmax(low[starts], low[ends])
    worst_high = np.maximum(high[starts], high[ends])
    _put(
        out,
        "quantity_low",
        starts,
        np.select([only, takes], [low[ends], worst_low], low[starts]),
    )
    _put(
        out,
        "quantity_high",
        starts,
        np.select([only, takes], [high[ends], worst_high], high[starts]),
    )


def _leave_open(
    out: pd.DataFrame, rows: pd.DataFrame, spots: Spots, pairs: Pairs, settings: Survey
) -> None:
    """Let stretches without an end run to the end of their survey, as an assumption."""
    opened = np.flatnonzero(pairs.opens & (pairs.closed_by < 0))
    if not len(opened):
        return
    last = rows.groupby("inspection_id")["s_m"].transform("max").to_numpy(dtype=float)
    end = rows["surveyed_m"].to_numpy(dtype=float)
    end = np.where(np.isnan(end), last, end) - part_of(rows, settings)
    length = spots.length_m
    x_end = np.clip(np.where(spots.from_us, end, length - end), 0.0, length)
    _put(out, "from_m", opened, np.minimum(spots.x_m, x_end)[opened])
    _put(out, "to_m", opened, np.maximum(spots.x_m, x_end)[opened])
    _put(out, "extent_from", opened, np.full(len(opened), "assumed", dtype=object))
    _put(out, "kind", opened, _kind_of(rows, opened, opened))
    marks = rows["stretch"].to_numpy(dtype=object)
    notes = np.array(
        [f"stretch {marks[i]} never ends: taken to run to the end of the survey" for i in opened],
        dtype=object,
    )
    flags = out["flags"].to_numpy(dtype=object, copy=True)
    flags[opened] = join_notes(flags[opened], notes)
    out["flags"] = flags
