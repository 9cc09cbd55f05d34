"""The pipe as a strip: flow from left to right, drawn in metres, as SVG text.

The whole pipe, or the two metres about a sleeve, drawn by the same rules. A connection
stands above the pipe from 9 to 3 o'clock and hangs below from 4 to 8.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from planner.outputs.plain import plain

WIDTH, INSET_WIDTH, MARGIN = 720.0, 470.0, 46.0
PIPE_HIGH, INSET_HIGH = 24.0, 34.0
ROW, FONT = 16.0, 13.0
LETTER = 8.2  # width of a broad letter at that size, to push labels apart
NAME_LETTERS, NAME_MOST = 22, 44
"""A name of more letters is written smaller, one of still more is cut."""
MOST_FIGURES = 8
RED, GREY, INK = "#B00020", "#444444", "#111111"


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
    """All that one strip shows; lengths in m from the manhole at the left.

    `from_m` and `to_m` bound what is drawn, blank = the whole pipe. `zero` is the end,
    ``left`` or ``right``, at which the figures along the pipe begin.
    """

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
    zero: str = "left"
    from_m: float = math.nan
    to_m: float = math.nan


@dataclass(frozen=True)
class _Label:
    x: float
    words: str
    colour: str
    bold: bool = False
    line_y: float = math.nan  # where its line ends at the pipe; NaN = it needs none

    @property
    def wide(self) -> float:
        return len(self.words) * LETTER


@dataclass(frozen=True)
class _Frame:
    """Where things lie on the drawing."""

    strip: Strip
    from_m: float
    to_m: float
    width: float
    high: float
    top: float

    @classmethod
    def of(cls, strip: Strip, top: float) -> _Frame:
        inset = math.isfinite(strip.from_m)
        low, high = (strip.from_m, strip.to_m) if inset else (0.0, strip.length_m)
        wide, tall = (INSET_WIDTH, INSET_HIGH) if inset else (WIDTH, PIPE_HIGH)
        return cls(strip, low, high, wide, tall, top)

    @property
    def scale(self) -> float:
        return (self.width - 2 * MARGIN) / max(self.to_m - self.from_m, 0.01)

    @property
    def bottom(self) -> float:
        return self.top + self.high

    def at(self, x_m: float) -> float:
        return MARGIN + (min(max(x_m, self.from_m), self.to_m) - self.from_m) * self.scale

    def shows(self, from_m: float, to_m: float) -> bool:
        return to_m >= self.from_m and from_m <= self.to_m


def draw_strip(strip: Strip) -> str:
    """Draw the strip; every text is escaped, nothing outside is referred to.

    Parameters
    ----------
    strip
        Pipe length [m], manholes, sleeves, damages, connections.

    Returns
    -------
    str
        An SVG document, as high as its rows of labels ask.
    """
    probe = _Frame.of(strip, 0.0)
    hours_up = _rows(_hours(probe, above=True), probe.width)
    sleeves = _rows(_labels(strip.sleeves, probe, strip.sleeve_colour), probe.width)
    top = 24.0 + ROW * (len(sleeves) + len(hours_up)) + 14.0
    frame = _Frame.of(strip, top)
    hours_down = _rows(_hours(frame, above=False), frame.width)
    damages = _rows(_labels(strip.damages, frame, INK), frame.width)
    up, down = top - 15.0, frame.bottom + 24.0
    ticks = down + ROW * len(hours_down) + 2.0
    words = [
        _write(hours_up, up, -ROW),
        _write(sleeves, up - ROW * len(hours_up), -ROW, frame.top),
        _write(hours_down, down, ROW),
        _write(damages, ticks + 2 * ROW, ROW, frame.bottom),
    ]
    # Lines to the pipe lie under all words.
    parts = [*_pipe(frame), *(line for lines, _ in words for line in lines)]
    parts += [*_taps(frame), *_bars(frame), *_ticks(frame, ticks)]
    parts += [word for _, said in words for word in said]
    height = ticks + ROW * (1 + len(damages)) + 8.0
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {frame.width:.0f} {height:.0f}" '
        f'width="{frame.width:.0f}" height="{height:.0f}" font-family="DejaVu Sans" '
        f'font-size="{FONT:.0f}">'
    )
    return "".join([head, *parts, "</svg>"])


def _pipe(frame: _Frame) -> list[str]:
    """Draw pipe, manholes or the ends of an inset, their names and the arrow of flow."""
    strip, top, high = frame.strip, frame.top, frame.high
    left, right = frame.at(frame.from_m), frame.at(frame.to_m)
    middle = frame.width / 2
    parts = [
        f'<rect x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" '
        f'height="{high:.1f}" fill="#f2f2f2" stroke="#555555"/>',
        f'<path d="M{middle - 60:.1f} 11 h40 m-7 -5 l7 5 l-7 5" stroke="{INK}" '
        'stroke-width="1.6" fill="none"/>',
        _text(middle - 14, 15, "flow", anchor="start"),
    ]
    for x, is_end, name, anchor in (
        (left, frame.from_m <= 0.0, strip.left, "start"),
        (right, frame.to_m >= strip.length_m, strip.right, "end"),
    ):
        if is_end:
            parts.append(
                f'<rect x="{x - 8:.1f}" y="{top - 10:.1f}" width="16" height="{high + 20:.1f}" '
                f'fill="#ffffff" stroke="{INK}" stroke-width="1.8"/>'
            )
        else:
            parts.append(_torn(x, top, high))
        at = 4.0 if anchor == "start" else frame.width - 4
        toward = name if is_end else f"to {name}"
        parts.append(_name(at, toward, anchor=anchor, bold=is_end))
    return parts


def _torn(x: float, top: float, high: float) -> str:
    """Draw the edge where the pipe goes on."""
    step = (high + 8) / 4
    return (
        f'<path d="M{x - 3:.1f} {top - 4:.1f} l6 {step:.1f} l-6 {step:.1f} l6 {step:.1f} '
        f'l-6 {step:.1f}" fill="none" stroke="#ffffff" stroke-width="4"/>'
        f'<path d="M{x - 3:.1f} {top - 4:.1f} l6 {step:.1f} l-6 {step:.1f} l6 {step:.1f} '
        f'l-6 {step:.1f}" fill="none" stroke="#555555"/>'
    )


def _name(x: float, words: str, *, anchor: str, bold: bool) -> str:
    """Write a manhole's name so that it leaves room for the arrow of flow."""
    words = plain(words)
    if len(words) > NAME_MOST:
        words = words[: NAME_MOST - 1] + "\u2026"
    small = FONT * min(1.0, NAME_LETTERS / max(len(words), 1))
    text = _text(x, 15, words, anchor=anchor, bold=bold)
    return text if small == FONT else text.replace("<text", f'<text font-size="{small:.1f}"', 1)


def _bars(frame: _Frame) -> list[str]:
    """Draw damages as filled bars and sleeves as frames round them, true to scale."""
    strip, middle = frame.strip, frame.top + frame.high / 2
    parts = [
        f'<rect x="{frame.at(mark.from_m):.1f}" y="{middle - 5:.1f}" '
        f'width="{max(frame.at(mark.to_m) - frame.at(mark.from_m), 3.0):.1f}" height="10" '
        f'fill="{strip.damage_colour}" stroke="{INK}" stroke-width="0.6"/>'
        for mark in strip.damages
        if frame.shows(mark.from_m, mark.to_m)
    ]
    parts += [
        f'<rect x="{frame.at(mark.from_m):.1f}" y="{frame.top + 1.5:.1f}" '
        f'width="{max(frame.at(mark.to_m) - frame.at(mark.from_m), 4.0):.1f}" '
        f'height="{frame.high - 3:.1f}" fill="none" stroke="{strip.sleeve_colour}" '
        'stroke-width="3.5"/>'
        for mark in strip.sleeves
        if frame.shows(mark.from_m, mark.to_m)
    ]
    return parts


def _text(x: float, y: float, words: str, *, anchor: str, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{weight}>{escape(plain(words))}'
        "</text>"
    )


def _is_above(tap: Tap) -> bool:
    return not 4 <= tap.clock_h <= 8


def _taps(frame: _Frame) -> list[str]:
    parts = []
    for tap in frame.strip.taps:
        if not frame.shows(tap.x_m, tap.x_m):
            continue
        x = frame.at(tap.x_m)
        y0, y1 = (
            (frame.top, frame.top - 11) if _is_above(tap) else (frame.bottom, frame.bottom + 11)
        )
        colour, wide = (RED, 4) if tap.reopen else (GREY, 2)
        parts.append(
            f'<line x1="{x:.1f}" y1="{y0:.1f}" x2="{x:.1f}" y2="{y1:.1f}" stroke="{colour}" '
            f'stroke-width="{wide}"/>'
        )
    return parts


def _hours(frame: _Frame, *, above: bool) -> list[_Label]:
    """Give the clock hours of connections on one side; what a sleeve covers is to be reopened."""
    return [
        _Label(
            frame.at(tap.x_m),
            ("reopen, " if tap.reopen else "") + (f"{tap.clock_h:.0f} h" if tap.clock_h else "?"),
            RED if tap.reopen else GREY,
            bold=tap.reopen,
        )
        for tap in sorted(frame.strip.taps, key=lambda tap: (not tap.reopen, tap.x_m))
        if _is_above(tap) == above and frame.shows(tap.x_m, tap.x_m)
    ]


def _labels(marks: Sequence[Mark], frame: _Frame, colour: str) -> list[_Label]:
    return [
        _Label(frame.at((mark.from_m + mark.to_m) / 2), plain(mark.words), colour, line_y=0.0)
        for mark in sorted(marks, key=lambda m: (m.from_m, m.to_m))
        if frame.shows(mark.from_m, mark.to_m)
    ]


def _rows(labels: Sequence[_Label], width: float) -> list[list[tuple[float, _Label]]]:
    """Put labels into rows, each as near to its place as may be, none over another.

    Gives for each row the left edge and the label.
    """
    rows: list[list[tuple[float, _Label]]] = []
    for label in labels:
        x = min(max(label.x - label.wide / 2, 2.0), max(width - label.wide - 2, 2.0))
        row = next((row for row in rows if _is_free(row, x, label.wide)), None)
        if row is None:
            rows.append(row := [])
        row.append((x, label))
    return rows


def _is_free(row: Sequence[tuple[float, _Label]], x: float, wide: float) -> bool:
    return all(x >= at + other.wide + 5 or x + wide + 5 <= at for at, other in row)


def _write(
    rows: Sequence[Sequence[tuple[float, _Label]]], y: float, step: float, line_y: float = math.nan
) -> tuple[list[str], list[str]]:
    """Write rows of labels from `y` on: thin lines that lead to the pipe, white-backed words."""
    lines, words = [], []
    for number, row in enumerate(rows):
        at_y = y + number * step
        for x, label in row:
            if not math.isnan(label.line_y) and not math.isnan(line_y):
                end = at_y + 2 if step < 0 else at_y - 11
                lines.append(
                    f'<line x1="{label.x:.1f}" y1="{line_y:.1f}" x2="{label.x:.1f}" '
                    f'y2="{end:.1f}" stroke="#888888" stroke-width="0.7"/>'
                )
            weight = ' font-weight="bold"' if label.bold else ""
            words.append(
                f'<rect x="{x - 1:.1f}" y="{at_y - 11:.1f}" width="{label.wide + 2:.1f}" '
                f'height="14" fill="#ffffff"/><text x="{x + label.wide / 2:.1f}" y="{at_y:.1f}" '
                f'text-anchor="middle" fill="{label.colour}"{weight}>{escape(label.words)}</text>'
            )
    return lines, words


def _ticks(frame: _Frame, y: float) -> list[str]:
    """Write the counter's figures along the pipe, from the end where it is zero.

    Between two figures stands a tick without one.
    """
    strip, half_ticks = frame.strip, 2
    span = (frame.to_m - frame.from_m) / strip.tick_m
    step = next(s for s in (0.5, 1, 2, 5, 10, 20, 50, 100, 10**6) if span / s <= MOST_FIGURES)
    low, high = frame.from_m, frame.to_m
    if strip.zero == "right":
        low, high = strip.length_m - high, strip.length_m - low
    half_m = step * strip.tick_m / half_ticks
    first, last = math.ceil(low / half_m - 1e-9), math.floor(high / half_m + 1e-9)
    said, lines, unit = [], [], f" {strip.tick_name}"
    for k in range(first, last + 1):
        x = frame.at(strip.length_m - k * half_m if strip.zero == "right" else k * half_m)
        lines.append(f"M{x:.1f} {frame.bottom:.1f}v{3 if k % half_ticks else 6}")
        if k % half_ticks == 0:
            words = f"{k * step / half_ticks:g}{unit}"
            wide = len(words) * LETTER
            # White behind it: the line of a damage may pass here.
            said.append(
                f'<rect x="{x - wide / 2:.1f}" y="{y - 11:.1f}" width="{wide:.1f}" height="13" '
                'fill="#ffffff"/>'
            )
            said.append(_text(x, y, words, anchor="middle"))
            unit = ""
    return [f'<path d="{"".join(lines)}" stroke="#555555"/>', *said]
