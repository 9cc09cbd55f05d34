"""How a defect that two surveys saw has grown between them: figures, never a forecast.

The newest survey holds for the condition. What an older one saw at the same place, of the
same kind, stands beside it, so that a person can judge how fast it goes.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import GROWTH
from planner.tables import conform

_DAYS = 365.25 / 12


def growth_between(
    rows: pd.DataFrame, newer: npt.NDArray[np.object_], touch_m: float
) -> pd.DataFrame:
    """Pair what an older survey saw with what the newest one saw of it.

    Parameters
    ----------
    rows
        Of `DEFECTS`: placed rows of all surveys.
    newer
        For each row the newest run that saw its whole place again, '' where none did.
    touch_m
        Places closer than this, and than what either counter may be wrong by, are one [m].

    Returns
    -------
    growth
        Obeys `GROWTH`: a row for each pair of the nearest rows of one kind. An older row
        that the newer survey does not show again is in no pair.
    """
    if not (newer != "").any():
        return conform([], GROWTH)
    names = ["observation_id", "pipe_id", "mechanism", "quantity", "quantity_low",
             "quantity_high", "x_from_m", "x_to_m", "find_m", "seen_on"]  # fmt: skip
    part = rows[[*names, "inspection_id", "role"]].reset_index(drop=True)
    part = part.assign(place=np.arange(len(part)), newer=newer)
    damage = part["role"].isin(("damage", "condition"))
    old = part[damage & (part["newer"] != "")]
    new = part[damage & part["inspection_id"].isin(old["newer"].unique())]
    pairs = old.merge(
        new,
        left_on=["pipe_id", "newer", "mechanism", "quantity"],
        right_on=["pipe_id", "inspection_id", "mechanism", "quantity"],
        suffixes=("", "_new"),
    )
    gap, near = apart(pairs, touch_m)
    pairs = pairs.assign(gap=np.maximum(gap, 0.0))[near]
    pairs = pairs.sort_values(["place", "gap", "place_new"], kind="stable")
    pairs = pairs.drop_duplicates("place")
    days = pd.to_datetime(pairs["seen_on_new"]) - pd.to_datetime(pairs["seen_on"])
    months = days.dt.days / _DAYS
    return conform(
        pd.DataFrame(
            {
                "older_id": pairs["observation_id"],
                "newer_id": pairs["observation_id_new"],
                "pipe_id": pairs["pipe_id"],
                "mechanism": pairs["mechanism"],
                "quantity": pairs["quantity"],
                "older_on": pairs["seen_on"],
                "newer_on": pairs["seen_on_new"],
                "older_low": pairs["quantity_low"],
                "older_high": pairs["quantity_high"],
                "newer_low": pairs["quantity_low_new"],
                "newer_high": pairs["quantity_high_new"],
                "between_months": months.where(months > 0),
            }
        ),
        GROWTH,
    )


def apart(
    pairs: pd.DataFrame, touch_m: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Say of pairs of rows how far apart they are [m], and whether they are one place.

    Parameters
    ----------
    pairs
        x_from_m, x_to_m, find_m [m] of the older row, and of the newer with ``_new`` behind.
    touch_m
        As for `growth_between` [m].
    """
    start, end, find, start_new, end_new, find_new = (
        pairs[f"{name}{of}"].to_numpy(dtype=float)
        for of in ("", "_new")
        for name in ("x_from_m", "x_to_m", "find_m")
    )
    gap_m = np.maximum(start_new - end, start - end_new)
    return gap_m, gap_m <= np.maximum(touch_m, find + find_new)
