"""Damage that an older survey coded and the newer one, which saw its place, does not.

The newest survey holds for the condition, so such a row makes no span. But damage does not
heal: it was mended or cut away, coded otherwise, or overlooked. Which of them is for a person.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.screening.growth import apart
from planner.screening.match import Flags

# One wall on its way down: a crack that has become a break is coded still.
_WALL = ("crack_surface", "crack", "fracture", "break", "missing_wall", "collapse")
# Where the newer survey codes one of these, what became of the damage is told there: a repair
# that holds it or failed over it, or a code that nobody could read, which is for a person anyhow.
_TELLS = ("existing_repair", "repair_defect", "lining_defect", "unknown")


def flag_gone(
    rows: pd.DataFrame,
    newer: npt.NDArray[np.object_],
    runs: pd.DataFrame,
    touch_m: float,
    flags: Flags,
) -> None:
    """Flag each damage that no newer survey of its place shows again, by the newest of them.

    Parameters
    ----------
    rows
        Of `DEFECTS`: placed rows of all surveys.
    newer
        For each row the newest run that saw its whole place again, '' where none did.
    runs
        Obeys `INSPECTIONS`: the runs that `newer` names, with their dates.
    touch_m
        Places closer than this, and than what either counter may be wrong by, are one [m].
    flags
        Takes one line for each row, with both surveys, their days, file and row.
    """
    if not (newer != "").any():
        return
    names = ["pipe_id", "mechanism", "role", "x_from_m", "x_to_m", "find_m", "seen_on"]
    part = rows[names].reset_index(drop=True).assign(place=np.arange(len(rows)))
    wall = part["mechanism"].isin(_WALL)
    part = part.assign(kind=part["mechanism"].mask(wall, "wall").astype(object))
    damage = part["role"] == "damage"
    old = part[damage & (newer != "")]
    later = part[part["pipe_id"].isin(old["pipe_id"])]
    unread = old["mechanism"] == "unknown"
    met = (
        _met(old, later, ["pipe_id", "kind"], touch_m)
        | _met(old, later[later["mechanism"].isin(_TELLS)], ["pipe_id"], touch_m)
        | _met(old[unread], later[later["role"] == "damage"], ["pipe_id"], touch_m)
    )
    days = dict(zip(runs["inspection_id"], runs["date"], strict=True))
    for place in (place for place in old["place"].tolist() if place not in met):
        row, again = rows.iloc[place], newer[place]
        flags.add(
            again,
            f"pipe {row['pipe_id']}: {row['mechanism']} at {row['x_from_m']:.2f} m, which survey "
            f"{row['inspection_id']} of {row['seen_on'] or 'an unknown day'} coded "
            f"({row['file']} row {row['row']}), is not coded by survey {again} of {days[again]}, "
            "which saw the place again: mended since, coded otherwise, or overlooked? The newer "
            "survey counts; a person should look",
        )


def _met(old: pd.DataFrame, later: pd.DataFrame, same: list[str], touch_m: float) -> set[int]:
    """Give the old rows, by their place in the table, that a row of a later day meets."""
    pairs = old.merge(later, on=same, suffixes=("", "_new"))
    pairs = pairs[pairs["seen_on_new"] > pairs["seen_on"]]
    _, near = apart(pairs, touch_m)
    return set(pairs.loc[near, "place"].tolist())
