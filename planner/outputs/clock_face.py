"""A clock face: where round the pipe damage and connections lie, as the camera sees it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

SIZE, MIDDLE, ROUND = 170.0, 85.0, 52.0
RED, INK = "#B00020", "#111111"


@dataclass(frozen=True)
class Arc:
    """Damage from `clock_h` over `arc_h` hours, clockwise as seen looking downstream."""

    clock_h: float
    arc_h: float


def seen_from(clock_h: float, *, upstream: bool) -> float:
    """Turn an hour seen looking downstream into the hour seen the other way where asked.

    Examples
    --------
    >>> seen_from(3.0, upstream=True), seen_from(12.0, upstream=True)
    (9.0, 12.0)
    """
    return (12.0 - clock_h) % 12.0 or 12.0 if upstream else clock_h


def draw_clock(
    arcs: Sequence[Arc], taps: Sequence[float], damage_colour: str, *, upstream: bool
) -> str:
    """Draw the pipe from within.

    Parameters
    ----------
    arcs
        Damage whose place on the clock is known.
    taps
        Hours of the connections to be reopened, seen looking downstream.
    damage_colour
        Colour of the arcs.
    upstream
        The camera looks against the flow: left and right change sides.

    Returns
    -------
    str
        An SVG document.
    """
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE:.0f} {SIZE:.0f}" '
        f'width="{SIZE:.0f}" height="{SIZE:.0f}" font-family="DejaVu Sans" font-size="13">',
        f'<circle cx="{MIDDLE}" cy="{MIDDLE}" r="{ROUND}" fill="#f2f2f2" stroke="{INK}" '
        'stroke-width="1.5"/>',
    ]
    for hour in range(1, 13):
        inner, outer = _at(hour, ROUND - 4), _at(hour, ROUND)
        parts.append(_line(inner, outer, "#555555", 1.2))
        if hour % 3 == 0 and not any(
            abs(seen_from(tap, upstream=upstream) - hour) < 0.9 for tap in taps
        ):
            parts.append(_hour(hour, ROUND + 14, "#444444"))
    parts += [_arc(arc, damage_colour, upstream=upstream) for arc in arcs]
    for tap in taps:
        hour_seen = seen_from(tap, upstream=upstream)
        parts.append(_line(_at(hour_seen, ROUND - 6), _at(hour_seen, ROUND + 12), RED, 7))
        parts.append(_hour(hour_seen, ROUND + 24, RED, bold=True))
    return "".join([*parts, "</svg>"])


def _at(hour: float, away: float) -> tuple[float, float]:
    angle = math.radians(30.0 * hour)
    return MIDDLE + away * math.sin(angle), MIDDLE - away * math.cos(angle)


def _line(start: tuple[float, float], end: tuple[float, float], colour: str, wide: float) -> str:
    return (
        f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
        f'stroke="{colour}" stroke-width="{wide}"/>'
    )


def _hour(hour: float, away: float, colour: str, *, bold: bool = False) -> str:
    x, y = _at(hour, away)
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y + 4.5:.1f}" text-anchor="middle" fill="{colour}"{weight}>'
        f"{hour:g}</text>"
    )


def _arc(arc: Arc, colour: str, *, upstream: bool) -> str:
    """Draw one arc just inside the wall; a whole round as a circle."""
    away, wide = ROUND - 9, 8
    if arc.arc_h >= 11.99:
        return (
            f'<circle cx="{MIDDLE}" cy="{MIDDLE}" r="{away}" fill="none" stroke="{colour}" '
            f'stroke-width="{wide}"/>'
        )
    half = max(arc.arc_h, 0.4) / 2
    centre = seen_from((arc.clock_h + arc.arc_h / 2) % 12.0, upstream=upstream)
    (x0, y0), (x1, y1) = _at(centre - half, away), _at(centre + half, away)
    large = 1 if half > 3 else 0
    return (
        f'<path d="M{x0:.1f} {y0:.1f} A{away} {away} 0 {large} 1 {x1:.1f} {y1:.1f}" fill="none" '
        f'stroke="{colour}" stroke-width="{wide}"/>'
    )
