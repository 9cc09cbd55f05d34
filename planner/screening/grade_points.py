"""Points of the BFR Abwasser: a class for each damage, add-ons for where it lies, the largest.

The classes by code come from a table that the user loads: the federal tables of them were not
open to read. What the add-ons would need and nobody has said is left out, and told.

References
----------
BFR Abwasser, Tab. A-3-2 (points by class), Tab. A-3-3 (add-ons), A-3.1.3 (the object's figure
starts from the largest; figure times length, a point counting 0.3 m in a pipe).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from io import StringIO

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.settings import Grades

BFR = "BFR points"
REQUIREMENTS = ("tightness", "stability", "operation")
POINT_M = 0.3
_STREAMS = {"foul": "foul", "combined": "foul", "storm": "storm"}
_QUARTER_H = 3.0


@lru_cache(maxsize=1)
def _tables() -> tuple[dict[int, int], pd.DataFrame]:
    folder = resources.files("planner").joinpath("data/grades")
    points, addons = (
        pd.read_csv(StringIO(folder.joinpath(name).read_text("utf-8")), keep_default_na=False)
        for name in ("bfr_points.csv", "bfr_addons.csv")
    )
    for name in REQUIREMENTS:
        addons[name] = pd.to_numeric(addons[name].replace("", np.nan))
    by_class = dict(zip(points["class"].astype(int), points["points"].astype(int), strict=True))
    return by_class, addons.set_index(["group", "condition"])


def points_of(
    classes: npt.ArrayLike, requirement: str, conditions: Mapping[str, npt.NDArray[np.object_]]
) -> npt.NDArray[np.float64]:
    """Give the points of damages: those of their class, and the add-ons.

    Parameters
    ----------
    classes
        0 (none) to 5 (worst), one for each damage.
    requirement
        tightness, stability or operation.
    conditions
        By group of Tab. A-3-3 the condition of each damage, ``''`` where it is not known.

    Returns
    -------
    points
        One for each damage; a class 0 has none whatever lies round it, and none is below 0.

    Raises
    ------
    KeyError
        If a condition is not in the table.

    Examples
    --------
    >>> points_of([3], "tightness", {"stream": np.array(["foul"], dtype=object)})
    array([230.])
    """
    by_class, addons = _tables()
    grade = np.asarray(classes, dtype=np.int64)
    total = np.array([by_class[int(one)] for one in grade], dtype=np.float64)
    for group, found in conditions.items():
        for word in sorted(set(found.tolist()) - {""}):
            more = [float(addons.loc[(group, part), requirement]) for part in word.split("+")]
            total[found == word] += np.nanmax([0.0 if np.isnan(one) else one for one in more])
    return np.where(grade > 0, np.maximum(total, 0.0), 0.0)


def conditions_of(
    defects: pd.DataFrame, uses: pd.Series, settings: Grades
) -> tuple[dict[str, npt.NDArray[np.object_]], list[str]]:
    """Say where each damage lies, in the words of Tab. A-3-3, and what nobody knows of it.

    Parameters
    ----------
    defects
        Of `DEFECTS`: clock_h, arc_h, at_joint.
    uses
        foul, storm or combined for each, as `PIPES` has it.
    settings
        What the project says of soil, groundwater, protection zone and substances.
    """
    stream = uses.map(_STREAMS).fillna("").to_numpy(dtype=object)
    if settings.canalised == "yes":
        stream[:] = "canalised"
    at_joint = defects["at_joint"].fillna(value=False).to_numpy(dtype=bool)
    found: dict[str, npt.NDArray[np.object_]] = {
        "stream": stream,
        "clock": _halves(defects["clock_h"].to_numpy(), defects["arc_h"].to_numpy()),
        "joint": np.where(at_joint, "yes", "").astype(object),
    }
    said = {
        "soil": settings.soil,
        "groundwater": settings.groundwater,
        "zone": settings.protection_zone,
        "hazardous": settings.hazardous,
    }
    for group, word in said.items():
        adds = "" if (group, word) == ("hazardous", "no") else word
        found[group] = np.full(len(defects), adds, dtype=object)
    unknown = [group for group, word in said.items() if not word]
    unknown += ["kind of water"] if (stream == "").any() else []
    unknown += ["clock"] if (found["clock"] == "").any() else []
    return found, unknown


def _halves(
    clock_h: npt.NDArray[np.float64], arc_h: npt.NDArray[np.float64]
) -> npt.NDArray[np.object_]:
    """Name the half of the pipe that a damage lies in; at the edge of two, both."""
    arc = np.where(np.isnan(arc_h), 0.0, arc_h)
    from_h = np.mod(clock_h, 12.0)
    to_h = from_h + arc
    # The lower half runs from 3 to 9 o'clock; hours above 12 are a second time round.
    lower = (from_h <= 3 * _QUARTER_H) & (to_h >= _QUARTER_H) | (to_h >= 15.0)
    upper = (from_h <= _QUARTER_H) | (to_h >= 3 * _QUARTER_H)
    out = np.where(lower & upper, "lower+upper", np.where(lower, "lower", "upper"))
    out = np.where(arc >= 12.0, "round", out)
    return np.where(np.isnan(clock_h), "", out).astype(object)
