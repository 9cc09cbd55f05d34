"""Which two columns of a pipe layer name its nodes, told by the drawing; only ever proposed.

Pipes that name one node meet in one point: a pair of columns for which that holds can
hardly be anything else, whatever the columns are called. Half of real lines are drawn
against their nodes, so either end of a line may be either node.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import combinations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from planner.inputs.cells import is_empty

# So many pipes are looked at: more prove nothing more.
_LOOKED_AT = 5_000
_SIGNS = 40
_MOST = 0.95
_LEAST_MEETINGS = 2
# Ends that lie nearer than this share of a line's length are one place.
_NEAR = 0.02
_UPPER = re.compile(r"^(us|up|upper|upstream|from|von|oben|ober\w*|start|beg\w*|anf\w*|van|amont)")
_LOWER = re.compile(r"^(ds|dn|down\w*|lower|to|nach|bis|unten|unter\w*|end\w*|zu|naar|aval)")

Points = npt.NDArray[np.float64]


def node_columns(frame: gpd.GeoDataFrame, columns: Sequence[str]) -> tuple[str, str] | None:
    """Give the columns of the upper and the lower node; None where not exactly two fit.

    Parameters
    ----------
    frame
        Attributes as text, and lines in any system of coordinates.
    columns
        Names of those that nothing else is known of.

    Returns
    -------
    upper, lower
        In the order that their names say, else in that of the file.
    """
    some = frame.iloc[:_LOOKED_AT]
    ends = _ends(some)
    sizes = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    if not np.isfinite(sizes).any():
        return None
    near = float(np.nanmedian(sizes)) * _NEAR
    texts = {name: some[name].tolist() for name in columns if _names_things(some[name].tolist())}
    fit = [
        pair for pair in combinations(texts, 2) if _meet(texts[pair[0]], texts[pair[1]], ends, near)
    ]
    return _in_order(fit[0]) if len(fit) == 1 else None


def _ends(frame: gpd.GeoDataFrame) -> npt.NDArray[np.float64]:
    """Give both ends of each line, (n, 2, 2); NaN where there is no plain line."""
    lines = frame.geometry.to_numpy()
    simple = shapely.get_type_id(lines) == shapely.GeometryType.MULTILINESTRING
    single = np.where(simple, shapely.get_geometry(lines, 0), lines)
    first, last = shapely.get_point(single, 0), shapely.get_point(single, -1)
    found = [[shapely.get_x(p), shapely.get_y(p)] for p in (first, last)]
    return np.moveaxis(np.array(found, dtype=np.float64), 2, 0)


def _names_things(texts: list[str]) -> bool:
    """Tell whether a column has short words in nearly every row, and not the same in all."""
    given = [text for text in texts if not is_empty(text)]
    short = all(len(text) <= _SIGNS for text in given)
    return short and len(given) >= _MOST * len(texts) and len(set(given)) > 2


def _meet(one: list[str], other: list[str], ends: Points, near: float) -> bool:
    """Tell whether pipes that name one thing in either column meet in one point."""
    at: dict[str, list[int]] = {}
    for place, (up, down) in enumerate(zip(one, other, strict=True)):
        if up == down:
            return False
        for name in (up, down):
            if not is_empty(name) and np.isfinite(ends[place]).all():
                at.setdefault(name, []).append(place)
    shared = [pipes for pipes in at.values() if len(pipes) > 1]
    both = set(one) & set(other)
    if len(shared) < _LEAST_MEETINGS or not both:
        return False
    met = sum(_one_place(ends[pipes], near) for pipes in shared)
    return met >= _MOST * len(shared)


def _one_place(ends: Points, near: float) -> bool:
    """Tell whether one end of the first line is an end of all."""
    away = np.hypot(*np.moveaxis(ends[:, :, None, :] - ends[0][None, None, :, :], 3, 0))
    return bool((away.min(axis=1) <= near).all(axis=0).any())


def _in_order(pair: tuple[str, str]) -> tuple[str, str]:
    def says(name: str, what: re.Pattern[str]) -> bool:
        parts = re.split(r"[^a-z0-9]+", name.casefold())
        return any(what.match(part) for part in parts if part)

    one, other = pair
    against = says(one, _LOWER) and not says(one, _UPPER)
    return (other, one) if against and not says(other, _LOWER) else pair
