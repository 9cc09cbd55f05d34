"""A crew's day drawn small: the way along the streets, the yard, the stops by their numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.packing import has_shape, shapes_of
from planner.outputs.palette import INK, DayLook
from planner.units import factor

WIDE, HIGH, MARGIN = 360.0, 270.0, 26.0
_LETTER, _APART, _ROW = 8.0, 19.0, 10.5
_BAR_MOST = 110.0
# A drive within one street would fill the drawing with a few metres; this is the least shown.
LEAST_M = 250.0
Points = NDArray[np.float64]


@dataclass(frozen=True)
class RouteLines:
    """What the drawings of a week share: ways, stops and streets in metres, yards."""

    legs: dict[tuple[str, str], Any]
    stops: dict[str, Points]
    yards: dict[str, Points]
    streets: NDArray[Any]
    units: str

    @classmethod
    def of(cls, tables: Tables, facts: RunFacts) -> RouteLines:
        """Look up the shapes of a run, all in its local metric system."""
        legs, setups, streets = (_shaped(tables, name) for name in ("legs", "setups", "streets"))
        ways, places = shapes_of(legs), shapely.get_coordinates(shapes_of(setups))
        keys = zip(legs["visit_id"], legs["part"], strict=True) if len(legs) else ()
        names = setups["setup_id"].astype(str) if len(setups) else ()
        return cls(
            dict(zip(keys, ways, strict=True)),
            dict(zip(names, places, strict=True)),
            _yards(tables["crews"], facts),
            shapes_of(streets),
            facts.units,
        )


def draw_route(
    crew: str, visits: Sequence[dict[str, Any]], lines: RouteLines, look: DayLook
) -> str:
    """Draw one crew's day, north up; '' where no stop has a place.

    Parameters
    ----------
    crew
        Whose yard is shown.
    visits
        Rows of `VISITS` of that day, in order.
    lines
        The shapes of the run.
    look
        Colour and dashes of the day, as on the map.

    Returns
    -------
    str
        An SVG document: streets about it thin and grey, drives by air straight. Stops that
        would lie over each other share one mark with all their numbers.
    """
    stops = [(int(v["seq"]), lines.stops[v["setup_id"]]) for v in visits
             if v["setup_id"] in lines.stops]  # fmt: skip
    if not stops:
        return ""
    keys = [(str(v["visit_id"]), "to") for v in visits] + [(str(visits[-1]["visit_id"]), "home")]
    ways = [lines.legs[key] for key in keys if key in lines.legs]
    yard = lines.yards.get(crew)
    known = [point for _, point in stops] + ([yard] if yard is not None else [])
    spots = np.vstack([*known, *(shapely.get_coordinates(way) for way in ways)])
    frame = _Frame.of(spots)
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE:.0f} {HIGH:.0f}" '
        f'width="{WIDE:.0f}" height="{HIGH:.0f}" font-family="DejaVu Sans, sans-serif" '
        'font-size="12"><rect width="100%" height="100%" fill="#ffffff"/>',
        f'<path d="{frame.path(_near(lines.streets, frame))}" fill="none" stroke="#c9cdd1" '
        'stroke-width="1.4"/>',
        f'<path d="{frame.path(ways)}" fill="none" stroke="{look.colour}" stroke-width="3"{dash} '
        'stroke-linejoin="round" stroke-linecap="round"/>',
    ]
    if yard is not None:
        x, y = frame.at(yard)
        parts.append(
            f'<rect x="{x - 6:.1f}" y="{y - 6:.1f}" width="12" height="12" fill="#ffffff" '
            f'stroke="{INK}" stroke-width="2"/>{_words(x, y - 11 if y > 24 else y + 21, "yard")}'
        )
    parts += _marks(stops, frame, look)
    return "".join([*parts, *_bar(frame, lines.units), "</svg>"])


@dataclass(frozen=True)
class _Frame:
    """Metres to the drawing: its middle and its scale [px/m]."""

    x: float
    y: float
    scale: float

    @classmethod
    def of(cls, spots: Points) -> _Frame:
        low, high = spots.min(axis=0), spots.max(axis=0)
        wide, tall = np.maximum(high - low, LEAST_M * np.array([1.0, HIGH / WIDE]))
        scale = min((WIDE - 2 * MARGIN) / wide, (HIGH - 2 * MARGIN) / tall)
        middle = (low + high) / 2.0
        return cls(float(middle[0]), float(middle[1]), float(scale))

    def at(self, point: Points) -> tuple[float, float]:
        return (
            WIDE / 2 + (float(point[0]) - self.x) * self.scale,
            HIGH / 2 - (float(point[1]) - self.y) * self.scale,
        )

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Give what is shown [m]: west, south, east, north."""
        dx, dy = WIDE / 2 / self.scale, HIGH / 2 / self.scale
        return self.x - dx, self.y - dy, self.x + dx, self.y + dy

    def path(self, shapes: Sequence[Any]) -> str:
        """Write lines as one path; points nearer than half a pixel are left out."""
        found = []
        for shape in shapely.get_parts(shapely.simplify(np.array([*shapes, None])[:-1], self.half)):
            spots = shapely.get_coordinates(shape)
            if len(spots) < 2:
                continue
            pairs = (self.at(spot) for spot in spots)
            found.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in pairs))
        return "".join(found)

    @property
    def half(self) -> float:
        return 0.5 / self.scale


def _shaped(tables: Tables, name: str) -> pd.DataFrame:
    """Give the rows of a table that have a shape; none where there is no such table."""
    if name not in tables or "geometry" not in tables[name]:
        return pd.DataFrame({"geometry": []}, dtype=object)
    return pd.DataFrame(tables[name].loc[has_shape(tables[name])])


def _yards(crews: pd.DataFrame, facts: RunFacts) -> dict[str, Points]:
    known = crews[np.isfinite(crews[["yard_x", "yard_y"]].to_numpy(dtype=float)).all(axis=1)]
    if known.empty:
        return {}
    turn = Transformer.from_crs(facts.source_crs, facts.local_crs, always_xy=True)
    x, y = turn.transform(known["yard_x"].to_numpy(float), known["yard_y"].to_numpy(float))
    return dict(zip(known["crew"].astype(str), np.column_stack([x, y]), strict=True))


def _near(streets: NDArray[Any], frame: _Frame) -> list[Any]:
    """Give the streets within the drawing, cut at its edge."""
    if not len(streets):
        return []
    seen = streets[shapely.intersects(streets, shapely.box(*frame.box))]
    return [one for one in shapely.clip_by_rect(seen, *frame.box) if not one.is_empty]


def _marks(stops: Sequence[tuple[int, Points]], frame: _Frame, look: DayLook) -> list[str]:
    """Draw the numbers of the stops; those too near to each other stand together."""
    groups: list[tuple[tuple[float, float], list[int]]] = []
    for number, point in stops:
        at = frame.at(point)
        near = next((one for one in groups if math.dist(one[0], at) < _APART), None)
        if near:
            near[1].append(number)
        else:
            groups.append((at, [number]))
    parts = []
    for (x, y), numbers in groups:
        words = _numbers(numbers)
        wide = max(21.0, _LETTER * len(words) + 9.0)
        left = min(max(x - wide / 2, 1.0), WIDE - wide - 1.0)
        parts.append(
            f'<rect x="{left:.1f}" y="{y - _ROW:.1f}" width="{wide:.1f}" height="21" rx="{_ROW}" '
            f'fill="{look.colour}" stroke="#ffffff" stroke-width="2"/>'
            f'<text x="{left + wide / 2:.1f}" y="{y + 4.4:.1f}" text-anchor="middle" '
            f'font-weight="bold" fill="{look.text}">{words}</text>'
        )
    return parts


def _numbers(numbers: Sequence[int]) -> str:
    """Write numbers that follow each other as first and last.

    Examples
    --------
    >>> _numbers([1, 2, 3, 6])
    '1-3, 6'
    """
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def _words(x: float, y: float, words: str) -> str:
    """Write a word whose back is white, so that lines under it do not cross it out."""
    at = min(max(x, 20.0), WIDE - 20.0)
    return (
        f'<text x="{at:.1f}" y="{y:.1f}" text-anchor="middle" fill="{INK}" stroke="#ffffff" '
        f'stroke-width="4" paint-order="stroke">{words}</text>'
    )


def _bar(frame: _Frame, units: str) -> list[str]:
    """Draw a bar of a round length, and which way is north."""
    one, small, name, large, per = (
        (factor("ft", "m"), 1, "ft", "mi", 5280) if units == "us" else (1.0, 1, "m", "km", 1000)
    )
    most = _BAR_MOST / frame.scale / one
    if most >= per:
        one, name = one * per, large
        most /= per
    power = 10.0 ** math.floor(math.log10(most))
    long = max(step * power for step in (small, 2, 5) if step * power <= most)
    end = 12.0 + long * one * frame.scale
    y = HIGH - 9.0
    return [
        f'<path d="M12 {y - 5:.1f}V{y:.1f}H{end:.1f}V{y - 5:.1f}" fill="none" stroke="{INK}" '
        f'stroke-width="1.5"/>{_words((12.0 + end) / 2, y - 7, f"{long:g} {name}")}',
        f'<path d="M{WIDE - 16:.1f} 30V8m-5 7l5 -7l5 7" fill="none" stroke="{INK}" '
        f'stroke-width="1.5"/>{_words(WIDE - 16.0, 43, "N")}',
    ]
