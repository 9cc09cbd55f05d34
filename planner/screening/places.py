"""Which defects share a place: each row that makes a span is given the number of its place.

Stations are compared as coded. An assumed extent joins nothing: it lengthens the span of
its row, and that is all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.distinct import matches
from planner.order import order_by
from planner.screening.joints import split_repeated
from planner.screening.match import Flags
from planner.settings import Survey

# Places that differ by less than this touch: no span hangs on float noise [m].
SAME_M = 1e-6
_TEXTS = ("observation_id", "pipe_id", "role", "kind", "mechanism", "detail", "shows",
          "extent_from", "counter_node", "seen_on", "quantity")  # fmt: skip
_FIGURES = ("from_m", "to_m", "x_from_m", "x_to_m", "find_m", "arc_h", "quantity_low",
            "quantity_high")  # fmt: skip

Columns = dict[str, npt.NDArray[Any]]
"""Rows as arrays by column: texts as objects, figures as floats, `joint`, `no_joint` as marks."""
Places = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]


def gather(defects: pd.DataFrame, pipes: pd.DataFrame, settings: Survey, flags: Flags) -> Columns:
    """Lay out the rows that make spans, with the place each belongs to.

    Parameters
    ----------
    defects
        Rows of `DEFECTS` that count.
    pipes
        Obeys `PIPES`.
    settings
        How close stations are one place.
    flags
        What was assumed about joints is said here.

    Returns
    -------
    members
        Columns of `DEFECTS` and: group (damage, flag, joint, repeated and its mechanism, or
        the mechanism of a condition), part (own or flag), core_from, core_to [m] (what is
        coded), place (a number, in order of pipe, group and station).
    """
    rows = _columns_of(defects)
    role = rows["role"]
    damage = role == "damage"
    again = damage & (rows["kind"] == "repeated")
    single = taken(rows, np.flatnonzero((damage | (role == "condition")) & ~again))
    single["group"] = np.where(single["role"] == "damage", single["role"], single["mechanism"])
    parts = [single]
    if again.any():
        repeated = split_repeated(defects[again], defects, pipes, settings, flags)
        group = repeated["group"].to_numpy(dtype=object)
        parts.append({**_columns_of(repeated), "group": group})
    own = clustered(_under(parts), settings.touch_m)
    seen = taken(rows, np.flatnonzero(role == "flag"))
    seen["group"] = np.full(len(seen["role"]), "flag", dtype=object)
    parent = _parents(seen, own, settings.touch_m)
    joined = taken(seen, np.flatnonzero(parent >= 0))
    count = len(joined["role"])
    # With a parent, the parent's extent is the damage: the flag adds its station only.
    joined |= {"from_m": joined["x_from_m"], "core_from": joined["x_from_m"]}
    joined |= {"to_m": joined["x_to_m"], "core_to": joined["x_to_m"]}
    joined["extent_from"] = np.full(count, "coded", dtype=object)
    joined["place"] = parent[parent >= 0]
    alone = clustered(taken(seen, np.flatnonzero(parent < 0)), settings.touch_m)
    alone["place"] = alone["place"] + own["place"].max(initial=-1) + 1
    every = [(own, "own"), (joined, "flag"), (alone, "own")]
    members = _under(
        [{**part, "part": np.full(len(part["role"]), word, object)} for part, word in every]
    )
    order = ("place", "core_from", "core_to", "observation_id")
    return taken(members, order_by([members[name] for name in order]))


def _columns_of(rows: pd.DataFrame) -> Columns:
    joint = pd.array(rows["at_joint"].array, dtype="boolean")
    return {
        **{name: rows[name].to_numpy(dtype=object) for name in _TEXTS},
        **{name: rows[name].to_numpy(dtype=float) for name in _FIGURES},
        "joint": joint.to_numpy(dtype=bool, na_value=False),
        "no_joint": ~joint.to_numpy(dtype=bool, na_value=True),
    }


def taken(rows: Columns, at: Places) -> Columns:
    """Give some of the rows."""
    return {name: values[at] for name, values in rows.items()}


def _under(parts: Sequence[Columns]) -> Columns:
    """Put rows below each other."""
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def clustered(rows: Columns, touch_m: float) -> Columns:
    """Give rows of one pipe and group whose coded parts touch the number of one place.

    Parameters
    ----------
    rows
        Columns of `DEFECTS`, and group.
    touch_m
        Coded parts this close touch.

    Returns
    -------
    rows
        Sorted, with core_from, core_to and place. Touching is passed on from row to row.
    """
    measured = rows["extent_from"] == "quantity"
    cores = {
        "core_from": np.where(measured, rows["from_m"], rows["x_from_m"]),
        "core_to": np.where(measured, rows["to_m"], rows["x_to_m"]),
    }
    rows = {**rows, **cores}
    names = ("pipe_id", "group", "core_from", "core_to", "observation_id")
    rows = taken(rows, order_by([rows[name] for name in names]))
    count = len(rows["group"])
    new = np.ones(count, dtype=bool)
    for name in ("pipe_id", "group"):
        new[1:] &= np.asarray(rows[name][1:] == rows[name][:-1], dtype=bool)
    new[1:] = ~new[1:]
    # Ranks of one pipe and group lie above those of the one before: the most so far starts anew.
    reach, rank = np.unique(rows["core_to"], return_inverse=True)
    most = np.maximum.accumulate(np.cumsum(new) * (len(reach) + 1) + rank)
    before = reach[most % (len(reach) + 1)] if count else reach
    starts = new.copy()
    starts[1:] |= rows["core_from"][1:] > before[:-1] + touch_m + SAME_M
    return {**rows, "place": np.cumsum(starts) - 1}


def _parents(seen: Columns, own: Columns, touch_m: float) -> Places:
    """Find the damage at the station of each flag (soil, void), the nearest; -1 = none."""
    parents = np.full(len(seen["role"]), -1, dtype=np.intp)
    damage = taken(own, np.flatnonzero(own["group"] == "damage"))
    if not len(parents) or not len(damage["place"]):
        return parents
    starts = starts_of(damage["place"])
    core_from = np.minimum.reduceat(damage["core_from"], starts)
    core_to = np.maximum.reduceat(damage["core_to"], starts)
    places = damage["place"][starts]
    at, core = matches(seen["pipe_id"], damage["pipe_id"][starts])
    gap = np.maximum(core_from[core] - seen["x_to_m"][at], seen["x_from_m"][at] - core_to[core])
    # Rounded: among damage at the same distance the first one along the pipe is taken.
    gap = np.maximum(gap, 0.0).round(6)
    near = np.flatnonzero(gap <= touch_m + SAME_M)
    at, core, gap = at[near], core[near], gap[near]
    order = order_by([at, gap, core_from[core], places[core]])[::-1]
    parents[at[order]] = places[core[order]]
    return parents


def starts_of(numbers: npt.NDArray[Any]) -> Places:
    """Give where each new number starts, among numbers in order."""
    new = np.ones(len(numbers), dtype=bool)
    new[1:] = numbers[1:] != numbers[:-1]
    return np.flatnonzero(new)
