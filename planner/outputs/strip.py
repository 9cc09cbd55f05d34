"""The pipe as a strip: flow from left to right, drawn in metres, as SVG text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from xml.sax.saxutils import escape

WIDTH, MARGIN, TOP = 720.0, 46.0, 74.0
PIPE_HIGH = 26.0
HEIGHT = 158.0
LABEL_WIDE = 6.1  # rough width of one letter at the label size, to push labels apart


@dataclass(frozen=True)
class Mark:
    """Something on the strip from `from_m` to `to_m` [m], said in `words`."""

    from_m: float
    to_m: float
    words: str


@dataclass(frozen=True)
class Tap:
    """A connection at `x_m` [m] and clock hour (0 = not known); `reopen` if a sleeve covers it."""

    x_m: float
    clock_h: float
    reopen: bool


@dataclass(frozen=True)
class Strip:
    """All that one strip shows; lengths in m from the manhole at the left."""

    length_m: float
    left: str
    right: str
    sleeves: tuple[Mark, ...]
    damages: tuple[Mark, ...]
    taps: tuple[Tap, ...]
    sleeve_colour: str
    damage_colour: str
    tick_name: str = "m"
    tick_m: float = 1.0


def draw_strip(strip: Strip) -> str:
    """Draw the strip; every text is escaped, nothing outside is referred to.

    Parameters
    ----------
    strip
        Pipe length [m], manholes, sleeves, damages, connections.

    Returns
    -------
    str
        An SVG document.
    """
    scale = (WIDTH - 2 * MARGIN) / max(strip.length_m, 0.01)

    def at(x_m: float) -> float:
        return MARGIN + x_m * scale

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" '
        f'width="{WIDTH:.0f}" height="{HEIGHT:.0f}" font-family="DejaVu Sans" font-size="11">',
        *_frame(strip),
        *_taps(strip, at),
        *_bars(strip, at),
    ]
    parts += _labels(strip.sleeves, at, TOP - 28, strip.sleeve_colour)
    parts += _labels(strip.damages, at, TOP + PIPE_HIGH + 50, "#222222")
    parts += _ticks(strip, at)
    parts.append("</svg>")
    return "".join(parts)


def _frame(strip: Strip) -> list[str]:
    """Draw pipe, manholes, their names and the arrow of flow."""
    pipe = (
        f'<rect x="{MARGIN:.1f}" y="{TOP:.1f}" width="{WIDTH - 2 * MARGIN:.1f}" '
        f'height="{PIPE_HIGH:.1f}" fill="#f2f2f2" stroke="#555555"/>'
    )
    manholes = [
        f'<rect x="{x - 7:.1f}" y="{TOP - 12:.1f}" width="14" height="{PIPE_HIGH + 24:.1f}" '
        'fill="#ffffff" stroke="#222222" stroke-width="1.5"/>'
        for x in (MARGIN, WIDTH - MARGIN)
    ]
    return [
        pipe,
        *manholes,
        _text(MARGIN, 14, strip.left, anchor="start", bold=True),
        _text(WIDTH - MARGIN, 14, strip.right, anchor="end", bold=True),
        f'<path d="M{WIDTH / 2 - 22:.1f} 10 h40 m-6 -4 l6 4 l-6 4" stroke="#222222" fill="none"/>',
    ]


def _bars(strip: Strip, at: Callable[[float], float]) -> list[str]:
    """Draw damages as filled bars and sleeves as frames round them, true to scale."""
    middle = TOP + PIPE_HIGH / 2
    scale = at(1.0) - at(0.0)
    parts = [
        f'<rect x="{at(mark.from_m):.1f}" y="{middle - 5:.1f}" '
        f'width="{max((mark.to_m - mark.from_m) * scale, 3.0):.1f}" height="10" '
        f'fill="{strip.damage_colour}"/>'
        for mark in strip.damages
    ]
    parts += [
        f'<rect x="{at(mark.from_m):.1f}" y="{TOP + 1.5:.1f}" '
        f'width="{max((mark.to_m - mark.from_m) * scale, 4.0):.1f}" '
        f'height="{PIPE_HIGH - 3:.1f}" fill="none" stroke="{strip.sleeve_colour}" '
        'stroke-width="3"/>'
        for mark in strip.sleeves
    ]
    return parts


def _text(x: float, y: float, words: str, *, anchor: str, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{weight}>{escape(words)}</text>'


def _taps(strip: Strip, at: Callable[[float], float]) -> list[str]:
    parts = []
    for tap in strip.taps:
        x = at(tap.x_m)
        above = not 4 <= tap.clock_h <= 8
        y0 = TOP if above else TOP + PIPE_HIGH
        y1 = y0 - 10 if above else y0 + 10
        colour, wide = ("#B00020", 3) if tap.reopen else ("#555555", 2)
        parts.append(
            f'<line x1="{x:.1f}" y1="{y0:.1f}" x2="{x:.1f}" y2="{y1:.1f}" stroke="{colour}" '
            f'stroke-width="{wide}"/>'
        )
        hour = f"{tap.clock_h:.0f}h" if tap.clock_h else "?"
        y = y1 - 3 if above else y1 + 10
        parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="middle" font-size="9" '
            f'fill="{colour}">{hour}</text>'
        )
    return parts


def _labels(
    marks: tuple[Mark, ...], at: Callable[[float], float], y: float, colour: str
) -> list[str]:
    """Write the words of marks in one row, pushed apart so that none covers another."""
    parts, free = [], MARGIN - 20
    for mark in sorted(marks, key=lambda m: (m.from_m, m.to_m)):
        wide = len(mark.words) * LABEL_WIDE
        x = max(at((mark.from_m + mark.to_m) / 2) - wide / 2, free)
        if x + wide > WIDTH:
            x, y, free = max(WIDTH - wide - 2, 2.0), y + 13, 2.0
        parts.append(f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}">{escape(mark.words)}</text>')
        free = x + wide + 8
    return parts


def _ticks(strip: Strip, at: Callable[[float], float]) -> list[str]:
    length = strip.length_m / strip.tick_m
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 10**6) if length / s <= 12)
    parts = []
    y = TOP + PIPE_HIGH + 16
    for k in range(int(length / step) + 1):
        x = at(k * step * strip.tick_m)
        parts.append(
            f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{x:.1f}" y2="{y + 4:.1f}" stroke="#555555"/>'
        )
        unit = f" {strip.tick_name}" if k == 0 else ""
        parts.append(_text(x, y + 15, f"{k * step}{unit}", anchor="middle"))
    return parts
