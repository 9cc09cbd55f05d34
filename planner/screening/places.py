"""Which defects share a place: each row that makes a span is given the number of its place.

Stations are compared as coded. An assumed extent joins nothing: it lengthens the span of
its row, and that is all.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.screening.joints import split_repeated
from planner.screening.match import Flags
from planner.settings import Survey

# Places that differ by less than this touch: no span hangs on float noise [m].
SAME_M = 1e-6
_FLOATS = ("from_m", "to_m", "x_from_m", "x_to_m", "core_from", "core_to")


def gather(
    defects: pd.DataFrame, pipes: pd.DataFrame, settings: Survey, flags: Flags
) -> pd.DataFrame:
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
    rows = defects[defects["role"].isin(("damage", "condition"))]
    again = (rows["kind"] == "repeated") & (rows["role"] == "damage")
    single = rows[~again]
    group = single["role"].where(single["role"] == "damage", single["mechanism"])
    repeated = split_repeated(rows[again], defects, pipes, settings, flags)
    own = clustered(_stack([single.assign(group=group), repeated]), settings.touch_m)
    seen = defects[defects["role"] == "flag"].assign(group="flag")
    parent = _parents(seen, own, settings.touch_m)
    joined = seen[parent.notna()].assign(part="flag", extent_from="coded")
    joined["place"] = parent.dropna()
    # With a parent, the parent's extent is the damage: the flag adds its station only.
    for name in ("from_m", "core_from"):
        joined[name] = joined["x_from_m"]
    for name in ("to_m", "core_to"):
        joined[name] = joined["x_to_m"]
    alone = clustered(seen[parent.isna()], settings.touch_m)
    alone["place"] += own["place"].max() + 1 if len(own) else 0
    parts = [own.assign(part="own"), joined, alone.assign(part="own")]
    members = _stack(parts).astype({**dict.fromkeys(_FLOATS, "float64"), "place": "int64"})
    order = ["place", "core_from", "core_to", "observation_id"]
    return members.sort_values(order, kind="stable").reset_index(drop=True)


def clustered(rows: pd.DataFrame, touch_m: float) -> pd.DataFrame:
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
    frame = rows.assign(
        core_from=rows["from_m"].where(measured, rows["x_from_m"]).astype("float64"),
        core_to=rows["to_m"].where(measured, rows["x_to_m"]).astype("float64"),
    )
    frame = frame.sort_values(
        ["pipe_id", "group", "core_from", "core_to", "observation_id"], kind="stable"
    ).reset_index(drop=True)
    keys = [frame["pipe_id"], frame["group"]]
    reach = frame["core_to"].groupby(keys, sort=False).cummax()
    before = reach.groupby(keys, sort=False).shift()
    starts = before.isna() | (frame["core_from"] > before + touch_m + SAME_M)
    return frame.assign(place=starts.cumsum().astype("int64") - 1)


def _parents(seen: pd.DataFrame, own: pd.DataFrame, touch_m: float) -> pd.Series:
    """Find the damage at the station of each flag (soil, void); the nearest where several."""
    damage = own[(own["group"] == "damage").to_numpy()]
    cores = damage.groupby("place", sort=True).agg(
        pipe_id=("pipe_id", "first"), core_from=("core_from", "min"), core_to=("core_to", "max")
    )
    flags = seen[["pipe_id", "x_from_m", "x_to_m"]].assign(at=seen.index)
    pairs = flags.merge(cores.reset_index(), on="pipe_id")
    gap = np.maximum(
        (pairs["core_from"] - pairs["x_to_m"]).to_numpy(dtype=float),
        (pairs["x_from_m"] - pairs["core_to"]).to_numpy(dtype=float),
    )
    # Rounded: among damage at the same distance the first one along the pipe is taken.
    pairs = pairs.assign(gap=np.maximum(gap, 0.0).round(6))
    near = pairs[pairs["gap"] <= touch_m + SAME_M].sort_values(
        ["at", "gap", "core_from", "place"], kind="stable"
    )
    places = near.drop_duplicates("at").set_index("at")["place"]
    return places.reindex(seen.index)


def _stack(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Put frames below each other; empty ones only lend their columns."""
    full = [part.astype(object) for part in parts if len(part)]
    return pd.concat(full, ignore_index=True) if full else parts[0].astype(object)
