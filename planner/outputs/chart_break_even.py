"""Cost over the number of sleeves against liner and dig, one small chart for each pipe, as SVG."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any
from xml.sax.saxutils import escape

import pandas as pd

from planner.contracts.facts import RunFacts
from planner.contracts.repairs import WAY_WORDS
from planner.errors import printable
from planner.ground.money import money
from planner.outputs.palette import INK, LOOKS

ACROSS, SHOWN = 3, 60
WIDE, HIGH = 320.0, 228.0
LEFT, RIGHT, TOP, FOOT = 58.0, 74.0, 46.0, 34.0
HEAD = 58.0
_TEXT = "#333333"
_DASHES = {"sleeve": "", "liner": "7 4", "dig": "2 3"}
Row = Mapping[str, Any]
At = Callable[[float, float], tuple[float, float]]


def draw_break_even(break_even: pd.DataFrame, facts: RunFacts) -> str:
    """Draw the pipes whose sleeves and liner could be compared, nearest to the break-even first.

    Each line has its own colour, dash pattern and name at its end. The ring marks what is
    placed, the upright line the first number of sleeves at which the liner costs less.

    Parameters
    ----------
    break_even
        Obeys `BREAK_EVEN`; sums in cents.
    facts
        Name, currency, whether nobody accepted.

    Returns
    -------
    str
        An SVG document, every text escaped, nothing outside referred to; at most `SHOWN`
        charts, and a line that says how many are left out.
    """
    rows = _compared(break_even)
    shown = rows[:SHOWN]
    across = max(1, min(ACROSS, len(shown)))
    width = max(across * WIDE, 2 * WIDE)
    height = HEAD + math.ceil(len(shown) / across) * HIGH + 8
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" height="{height:.0f}" font-family="DejaVu Sans, sans-serif" '
        f'font-size="11"><rect width="100%" height="100%" fill="#FFFFFF"/>',
        *_head(len(rows), len(break_even), facts),
    ]
    for at, row in enumerate(shown):
        x, y = (at % across) * WIDE, HEAD + (at // across) * HIGH
        parts.append(f'<g transform="translate({x:.0f} {y:.0f})">{_chart(row)}</g>')
    return "".join([*parts, "</svg>\n"])


def _compared(frame: pd.DataFrame) -> list[Row]:
    whole = ["sleeve_base_cents", "sleeve_each_cents", "liner_cents"]
    rows = frame[frame[whole].notna().all(axis=1)]
    gap = (rows["liner_from_count"].fillna(10**6) - rows["sleeves_count"]).abs().astype("int64")
    order = rows.assign(gap=gap).sort_values(["gap", "pipe_id"], kind="stable")
    return [{str(key): value for key, value in row.items()} for row in order.to_dict("records")]


def _head(count: int, pipes: int, facts: RunFacts) -> list[str]:
    unit = f" [{facts.currency}]" if facts.currency else ""
    lines = [f"{facts.name or 'Plan'}: cost{unit} over the number of sleeves on one pipe"]
    said = f"{count} of {pipes} pipes could be compared"
    if count > SHOWN:
        said += f"; the {SHOWN} nearest to the break-even are drawn, all stand in break_even.csv"
    lines.append(f"{said}. Ring: sleeves placed. Upright: the liner costs less from here on.")
    head = [_text(12, 20 + 18 * at, line, size=13 - at) for at, line in enumerate(lines)]
    if facts.not_accepted:
        head.append(_text(12, 54, "NOT ACCEPTED: nobody has signed these choices", size=12))
    return head


def _text(x: float, y: float, words: str, *, size: int = 11, anchor: str = "start") -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}"'
    return f'<text {place} fill="{INK}">{escape(printable(words))}</text>'


def _chart(row: Row) -> str:
    most = _most(row)
    sums = _sums(row)
    # Digs may cost many times as much: their line is cut, so that the crossing stays readable.
    top = 1.05 * max(_value(sums, way, 1 if way == "dig" else most) for way in sums)
    step = _nice(top / 4)
    top = step * math.ceil(top / step)

    def at(count: float, cents: float) -> tuple[float, float]:
        x = LEFT + count / most * (WIDE - LEFT - RIGHT)
        return x, HIGH - FOOT - cents / top * (HIGH - TOP - FOOT)

    parts = [_text(LEFT, 16, f"Pipe {row['pipe_id']}"[:34], size=12), _text(LEFT, 32, _said(row))]
    parts += _axes(most, top, step, at)
    parts += _curves(row, sums, {way: _end(sums[way], most, top) for way in sums}, at)
    return "".join(parts)


def _most(row: Row) -> int:
    """Give how many sleeves [-] the axis holds."""
    count = row["liner_from_count"]
    wanted = max(int(row["sleeves_count"]), 0 if pd.isna(count) else min(int(count), 30)) + 1
    return max(4, wanted)


def _sums(row: Row) -> dict[str, tuple[float, float]]:
    """Give fixed part and part of each sleeve, or dig [cents], by way."""
    sums = {
        "sleeve": (float(row["sleeve_base_cents"]), float(row["sleeve_each_cents"])),
        "liner": (float(row["liner_cents"]), 0.0),
    }
    if not pd.isna(row["dig_each_cents"]):
        sums["dig"] = (float(row["dig_base_cents"]), float(row["dig_each_cents"]))
    return sums


def _said(row: Row) -> str:
    count = row["liner_from_count"]
    if pd.isna(count):
        return "no number of sleeves costs more"
    return f"liner costs less from {int(count)} on; {int(row['sleeves_count'])} placed"


def _nice(value: float) -> float:
    """Give the least of 1, 2, 5 times a power of ten [cents] that is not below `value`."""
    power = 10.0 ** math.floor(math.log10(max(value, 100.0)))
    return next(power * one for one in (1, 2, 5, 10) if power * one >= value)


def _axes(most: int, top: float, step: float, at: At) -> list[str]:
    parts = []
    for tick in range(round(top / step) + 1):
        (x0, y), (x1, _) = at(0, tick * step), at(most, tick * step)
        parts.append(f'<path d="M{x0:.1f} {y:.1f}H{x1:.1f}" stroke="#DDDDDD"/>')
        amount = money(round(tick * step)).removesuffix(".00")
        parts.append(_text(x0 - 5, y + 4, amount, size=10, anchor="end"))
    every = max(1, math.ceil(most / 10))
    for count in range(0, most + 1, every):
        x, y = at(count, 0)
        parts.append(f'<path d="M{x:.1f} {y:.1f}v4" stroke="{_TEXT}"/>')
        parts.append(_text(x, y + 15, str(count), size=10, anchor="middle"))
    x, y = at(most / 2, 0)
    return [*parts, _text(x, y + 29, "sleeves (or digs) on the pipe", size=10, anchor="middle")]


def _end(parts: tuple[float, float], most: int, top: float) -> float:
    """Give the count [-] at which a line leaves the chart."""
    base, each = parts
    return most if base + most * each <= top else (top - base) / each


def _curves(
    row: Row, sums: dict[str, tuple[float, float]], till: dict[str, float], at: At
) -> list[str]:
    words = {**WAY_WORDS, "sleeve": "sleeves", "liner": WAY_WORDS[str(row["liner_method"])]}
    ends = {way: at(till[way], _value(sums, way, till[way]))[1] + 4 for way in sums}
    parts = []
    for way, y in _apart(ends).items():
        (x0, y0), (x1, y1) = (at(n, _value(sums, way, n)) for n in (1, till[way]))
        look = LOOKS[way]
        line = f'stroke="{look.colour}" stroke-width="2.4" stroke-dasharray="{_DASHES[way]}"'
        parts.append(f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" fill="none" {line}/>')
        for at_line, part in enumerate(words[way].split(", ")):
            parts.append(_text(x1 + 5, y + 11 * at_line, part, size=10))
    count = row["liner_from_count"]
    if not pd.isna(count) and int(count) <= till["sleeve"]:
        (x, low), (_, high) = at(int(count), 0), at(int(count), _value(sums, "sleeve", int(count)))
        parts.append(f'<path d="M{x:.1f} {low:.1f}V{high:.1f}" stroke="{_TEXT}"/>')
    placed = int(row["sleeves_count"])
    if placed:
        x, y = at(placed, _value(sums, "sleeve", placed))
        ring = f'fill="#FFFFFF" stroke="{LOOKS["sleeve"].colour}" stroke-width="2"'
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" {ring}/>')
    return parts


def _value(sums: dict[str, tuple[float, float]], way: str, count: float) -> float:
    base, each = sums[way]
    return base + count * each


def _apart(ends: dict[str, float], least: float = 13.0) -> dict[str, float]:
    """Push the names at the ends of the lines apart, from the top [px]."""
    out: dict[str, float] = {}
    last = -math.inf
    for way, y in sorted(ends.items(), key=lambda one: (one[1], one[0])):
        last = max(y, last + least)
        out[way] = last
    return out
