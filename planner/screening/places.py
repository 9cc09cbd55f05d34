"""Which defects share a place: each row that makes a span is given the number of its place.

Stations are compared as coded. An assumed extent joins nothing: it lengthens the span of
its row, and that is all.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, Columns, alike, beneath, taken
from planner.distinct import pairs_of
from planner.held import Held
from planner.order import order_by
from planner.screening.bands import compiled
from planner.screening.joints import split_repeated
from planner.screening.match import Flags
from planner.settings import Survey

# Places that differ by less than this touch: no span hangs on float noise [m].
SAME_M = 1e-6
_TEXTS = ("pipe_id", "role", "kind", "mechanism", "detail", "shows", "extent_from",
          "counter_node", "seen_on", "quantity")  # fmt: skip
_FIGURES = ("from_m", "to_m", "x_from_m", "x_to_m", "find_m", "arc_h", "quantity_low",
            "quantity_high")  # fmt: skip

Places = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]


def gather(defects: Held, pipes: pd.DataFrame, settings: Survey, flags: Flags) -> Columns:
    """Lay out the rows that make spans, with the place each belongs to.

    Parameters
    ----------
    defects
        Holds the rows of `DEFECTS` that count.
    pipes
        Obeys `PIPES`.
    settings
        How close stations are one place.
    flags
        What was assumed about joints is said here.

    Returns
    -------
    members
        Columns of `DEFECTS` and: row (of `defects`), joint, no_joint (coded as not at one),
        group (damage, flag, joint, repeated and its mechanism, or the mechanism of a
        condition), part (own or flag), core_from, core_to [m] (what is coded), place (a number,
        in order of pipe, group and station).
    """
    ids = defects.column("observation_id")
    rows = _columns_of(defects)
    role, damage = rows["role"], rows["role"].holds("damage")
    again = damage & rows["kind"].holds("repeated")
    single = taken(rows, np.flatnonzero((damage | role.holds("condition")) & ~again))
    single["group"] = Coded.where(single["role"].holds("damage"), "damage", single["mechanism"])
    parts = [single]
    if again.any():
        some = defects.frame[again].assign(row_here=np.flatnonzero(again))
        repeated = split_repeated(some, defects.frame, pipes, settings, flags)
        parts.append(
            {
                **{name: Coded.of(repeated[name]) for name in (*_TEXTS, "group")},
                **{name: repeated[name].to_numpy(dtype=float) for name in _FIGURES},
                **_joints(repeated["at_joint"].array),
                "row": repeated["row_here"].to_numpy(dtype=np.intp),
            }
        )
    own = clustered(beneath(parts), ids, settings.touch_m)
    seen = taken(rows, np.flatnonzero(role.holds("flag")))
    seen["group"] = Coded.one("flag", len(seen["role"]))
    parent = _parents(seen, own, settings.touch_m)
    joined = taken(seen, np.flatnonzero(parent >= 0))
    # With a parent, the parent's extent is the damage: the flag adds its station only.
    joined |= {"from_m": joined["x_from_m"], "core_from": joined["x_from_m"]}
    joined |= {"to_m": joined["x_to_m"], "core_to": joined["x_to_m"]}
    joined["extent_from"] = Coded.one("coded", len(joined["role"]))
    joined["place"] = parent[parent >= 0]
    alone = clustered(taken(seen, np.flatnonzero(parent < 0)), ids, settings.touch_m)
    alone["place"] = alone["place"] + own["place"].max(initial=-1) + 1
    every = [(own, "own"), (joined, "flag"), (alone, "own")]
    members = beneath(
        [{**part, "part": Coded.one(word, len(part["role"]))} for part, word in every]
    )
    order = [members[name] for name in ("place", "core_from", "core_to")]
    return taken(members, order_by([*order, ids.take(members["row"])]))


def _columns_of(rows: Held) -> Columns:
    return {
        **{name: rows.coded(name) for name in _TEXTS},
        **{name: rows.floats(name) for name in _FIGURES},
        **_joints(rows.column("at_joint")),
        "row": np.arange(len(rows)),
    }


def _joints(at_joint: Any) -> Columns:  # noqa: ANN401 - any array of yes, no and unknown
    joint = pd.array(at_joint, dtype="boolean")
    return {
        "joint": joint.to_numpy(dtype=bool, na_value=False),
        "no_joint": ~joint.to_numpy(dtype=bool, na_value=True),
    }


def clustered(rows: Columns, ids: Any, touch_m: float) -> Columns:  # noqa: ANN401 - a text column
    """Give rows of one pipe and group whose coded parts touch the number of one place.

    Parameters
    ----------
    rows
        Columns of `DEFECTS`, and group.
    ids
        The observation_id of each of the defects, as a text column.
    touch_m
        Coded parts this close touch.

    Returns
    -------
    rows
        Sorted, with core_from, core_to and place. Touching is passed on from row to row.
    """
    measured = rows["extent_from"].holds("quantity")
    cores = {
        "core_from": np.where(measured, rows["from_m"], rows["x_from_m"]),
        "core_to": np.where(measured, rows["to_m"], rows["x_to_m"]),
    }
    rows = {**rows, **cores}
    pipe, group = rows["pipe_id"].ordered(), rows["group"].ordered()
    both = pipe.codes.astype(np.int64) * max(len(group.words), 1) + group.codes
    order = order_by([both, cores["core_from"], cores["core_to"], ids.take(rows["row"])])
    rows, both = taken(rows, order), both[order]
    starts = np.empty(len(order), dtype=bool)
    mark_starts(both, rows["core_from"], rows["core_to"], touch_m, starts)
    return {**rows, "place": np.cumsum(starts) - 1}


@compiled
def mark_starts(
    group: npt.NDArray[np.int64],
    from_m: npt.NDArray[np.float64],
    to_m: npt.NDArray[np.float64],
    touch_m: float,
    starts: Marks,
) -> None:
    """Mark the rows that touch none before them of their group; rows are in order of station."""
    reach = 0.0
    for i in range(len(group)):
        starts[i] = i == 0 or group[i] != group[i - 1] or from_m[i] > reach + touch_m + SAME_M
        reach = to_m[i] if starts[i] or to_m[i] > reach else reach


def _parents(seen: Columns, own: Columns, touch_m: float) -> Places:
    """Find the damage at the station of each flag (soil, void), the nearest; -1 = none."""
    parents = np.full(len(seen["role"]), -1, dtype=np.intp)
    if not len(parents):
        return parents
    damage = taken(own, np.flatnonzero(own["group"].holds("damage")))
    if not len(damage["place"]):
        return parents
    starts = starts_of(damage["place"])
    core_from = np.minimum.reduceat(damage["core_from"], starts)
    core_to = np.maximum.reduceat(damage["core_to"], starts)
    places = damage["place"][starts]
    one, other = alike([seen["pipe_id"], damage["pipe_id"][starts]])
    at, core = pairs_of(one.codes, other.codes, len(one.words))
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
