"""The drawings of one visit: strip of the pipe, two metres about a sleeve, clock face."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Protocol

from planner.outputs.clock_face import Arc, draw_clock, seen_from
from planner.outputs.counter import Counter
from planner.outputs.palette import DAMAGE_COLOUR, SLEEVE_COLOUR
from planner.outputs.plain import Drawing
from planner.outputs.sheet_tables import Row, SheetTables
from planner.outputs.strip import Mark, Strip, Tap, draw_strip
from planner.outputs.wording import metres
from planner.units import factor

ABOUT_M = 2.0
WORDS_LETTERS = 36


class OnPipe(Protocol):
    """What a strip looks up by pipe or sleeve; `SheetTables` holds it for all of a week."""

    @property
    def spans(self) -> Mapping[str, list[Row]]:
        """Rows of `SPANS` by pipe."""

    @property
    def laterals(self) -> Mapping[str, list[Row]]:
        """Rows of `LATERALS` by pipe."""

    @property
    def sleeve_spans(self) -> Mapping[str, list[str]]:
        """Spans by the sleeve that serves them."""

    @property
    def sleeve_laterals(self) -> Mapping[str, list[str]]:
        """Connections by the sleeve that covers them."""

    @property
    def units(self) -> str:
        """Units in which lengths are written."""


def strip_of(pipe: Row, sleeves: Sequence[Row], counter: Counter, look_up: OnPipe) -> str:
    """Draw the whole pipe with what lies on it; '' where its length is not known.

    Parameters
    ----------
    pipe
        A row of `PIPES`.
    sleeves
        Rows of `SLEEVES` on it that are shown; without them all spans of the pipe are.
    counter
        Gives the figures along the pipe.
    look_up
        What lies on the pipe.
    """
    if not float(pipe["length_m"]) > 0:
        return ""
    return Drawing(draw_strip(_strip(pipe, sleeves, counter, look_up)))


def inset_of(pipe: Row, sleeve: Row, counter: Counter, look_up: SheetTables) -> str:
    """Draw two metres each side of one sleeve, with all damage and connections there."""
    if not float(pipe["length_m"]) > 0:
        return ""
    low = max(0.0, float(sleeve["from_m"]) - ABOUT_M)
    high = min(float(pipe["length_m"]), float(sleeve["to_m"]) + ABOUT_M)
    others = [s for s in look_up.sleeves.values() if s["pipe_id"] == pipe["pipe_id"]]
    near = [s for s in others if float(s["from_m"]) < high and float(s["to_m"]) > low]
    return Drawing(draw_strip(_strip(pipe, near or [sleeve], counter, look_up, (low, high))))


def clock_of(sleeve: Row, counter: Counter, look_up: SheetTables) -> str:
    """Draw where round the pipe the sleeve's damage and connections lie; '' if not known."""
    spans = look_up.sleeve_spans.get(str(sleeve["sleeve_id"]), [])
    arcs = [
        Arc(float(row["clock_h"]), float(row["arc_h"]) if math.isfinite(row["arc_h"]) else 0.0)
        for span in spans
        for row in look_up.defects.get(span, [])
    ]
    covered = set(look_up.sleeve_laterals.get(str(sleeve["sleeve_id"]), []))
    taps = [
        float(row["clock_h"])
        for row in look_up.laterals.get(str(sleeve["pipe_id"]), [])
        if row["lateral_id"] in covered and math.isfinite(row["clock_h"])
    ]
    if not arcs and not taps:
        return ""
    return Drawing(draw_clock(arcs, taps, DAMAGE_COLOUR, upstream=counter.upstream))


def _strip(
    pipe: Row,
    sleeves: Sequence[Row],
    counter: Counter,
    look_up: OnPipe,
    about: tuple[float, float] = (math.nan, math.nan),
) -> Strip:
    ids = [str(sleeve["sleeve_id"]) for sleeve in sleeves]
    served = {span for one in ids for span in look_up.sleeve_spans.get(one, [])}
    covered = {tap for one in ids for tap in look_up.sleeve_laterals.get(one, [])}
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    if sleeves and math.isnan(about[0]):
        spans = [row for row in spans if row["span_id"] in served]
    laterals = look_up.laterals.get(str(pipe["pipe_id"]), [])
    units = look_up.units
    return Strip(
        float(pipe["length_m"]),
        str(pipe["us_node"]) or "?",
        str(pipe["ds_node"]) or "?",
        tuple(
            Mark(float(s["from_m"]), float(s["to_m"]), f"sleeve {metres(s['length_m'], units)}")
            for s in sleeves
        ),
        tuple(Mark(float(r["from_m"]), float(r["to_m"]), span_words(r)) for r in spans),
        tuple(
            Tap(
                float(row["x_m"]),
                _hour(float(row["clock_h"]), counter),
                row["lateral_id"] in covered,
            )
            for row in laterals
        ),
        SLEEVE_COLOUR,
        DAMAGE_COLOUR,
        *(("ft", factor("ft", "m")) if units == "us" else ("m", 1.0)),
        "right" if counter.upstream else "left",
        *about,
    )


def _hour(clock_h: float, counter: Counter) -> float:
    """Give the hour that the camera shows, 0 where it is not known."""
    if not math.isfinite(clock_h):
        return 0.0
    return seen_from(clock_h or 12.0, upstream=counter.upstream)


def span_words(span: Row) -> str:
    """Name what a span is made of, shortly."""
    words = str(span["mechanisms"]).replace("+", ", ").replace("_", " ")
    return words if len(words) <= WORDS_LETTERS else words[: WORDS_LETTERS - 1] + "\u2026"
