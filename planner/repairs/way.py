"""What lies between a manhole and a sleeve, and which packer passes it.

A packer is drawn through the pipe from the manhole to the sleeve. An offset, a bend, an
oval or a narrow place on the way may stop it; one under the sleeve itself is a matter of
the rules. Answers are three-valued on the coded figures: a figure that is not known
never counts as small, and a packer that states no limit is not judged.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from planner.contracts import DEFECTS
from planner.contracts.facts import Tables
from planner.distinct import is_among
from planner.once import made_once
from planner.tables import check

# Mechanisms that narrow the way, with the share of the size that one unit of the figure is.
_PER_CENT = {"deformation_pct": 0.01, "sag_pct": 0.01, "obstruction_pct": 0.01}
_LINING = ("lining_defect", "lining_change", "existing_repair")
_NARROW = ("joint_offset", "deformation", "sag", *_LINING)
_BENDS = ("joint_angle", "line_deviation")
_SIZE = "size_change"
MECHANISMS = (*_NARROW, *_BENDS, _SIZE)


class Bar(NamedTuple):
    """One defect that a packer may not pass, from_m to_m [m].

    `measure` is what counts of it: ``offset_ratio`` (share of the nominal size by which
    the way is stepped or narrowed), ``bend_deg`` or ``dn_mm`` (size of the pipe beyond
    it). `low` and `high` bound the figure; NaN is not known.
    """

    observation_id: str
    mechanism: str
    measure: str
    from_m: float
    to_m: float
    low: float
    high: float

    def before(self, start_m: float) -> bool:
        """Say whether it lies, or begins, between us_node and a sleeve that starts there."""
        return self.from_m < start_m - 1e-9

    def beyond(self, end_m: float) -> bool:
        """Say whether it lies, or ends, between ds_node and a sleeve that ends there."""
        return self.to_m > end_m + 1e-9


@dataclass(frozen=True)
class Passer:
    """One packer as far as the way matters; NaN where it states no limit."""

    packer: str
    carries_m: float
    dn_from_mm: float
    offset_ratio: float
    bend_deg: float

    def limit(self, bar: Bar) -> float:
        """Give what `bar` is held against: its own unit."""
        return {
            "offset_ratio": self.offset_ratio,
            "bend_deg": self.bend_deg,
            "dn_mm": self.dn_from_mm,
        }[bar.measure]

    def answer(self, bar: Bar) -> str:
        """Say whether it passes: ``yes | no | undecided | not judged``."""
        limit = self.limit(bar)
        if bar.measure == "dn_mm":
            if math.isnan(bar.low) or math.isnan(bar.high):
                stated = not (math.isnan(self.offset_ratio) and math.isnan(self.bend_deg))
                return "undecided" if stated else "not judged"
            if bar.low >= limit:
                return "yes"
            return "no" if bar.high < limit else "undecided"
        if math.isnan(limit):
            return "not judged"
        if bar.high <= limit:
            return "yes"
        return "no" if bar.low > limit else "undecided"


def bars_of(tables: Tables) -> Mapping[str, Sequence[Bar]]:
    """Gather by pipe what may stop a packer, in order of place.

    Parameters
    ----------
    tables
        Of it: pipes; defects, if they are there.

    Raises
    ------
    TableError
        If the defects break their contract.
    """
    if "defects" not in tables:
        return {}
    frames = (tables["defects"], tables["pipes"])
    return made_once(frames, "bars", lambda: dict(_bars_of(tables)))


def _bars_of(tables: Tables) -> defaultdict[str, list[Bar]]:
    found: defaultdict[str, list[Bar]] = defaultdict(list)
    defects = check(tables["defects"], DEFECTS)
    at = np.flatnonzero(is_among(defects["mechanism"], MECHANISMS))
    if not len(at):
        return found
    sizes = tables["pipes"]["dn_mm"].to_numpy(dtype=float).tolist()
    dn: dict[str, float] = dict(zip(tables["pipes"]["pipe_id"], sizes, strict=True))
    columns = ("pipe_id", "observation_id", "mechanism", "from_m", "to_m",
               "quantity", "q1", "quantity_low", "quantity_high")  # fmt: skip
    rows = zip(*(defects[name].array.take(at).tolist() for name in columns), strict=True)
    for pipe_id, name, mechanism, from_m, to_m, *figure in rows:
        quantity, written, low, high = figure
        measure, share = _measure(mechanism, quantity, dn.get(pipe_id, math.nan))
        if measure == "dn_mm":
            low = high = _size_mm(written)
            share = 1.0
        found[pipe_id].append(
            Bar(name, mechanism, measure, from_m, to_m, low * share, high * share)
        )
    return found


def _measure(mechanism: str, quantity: str, dn_mm: float) -> tuple[str, float]:
    """Give the measure of a coded row, and what one unit of its figure is of it.

    NaN where its figure says nothing of the way.
    """
    if mechanism == _SIZE:
        return "dn_mm", math.nan
    if mechanism in _BENDS:
        return "bend_deg", 1.0 if quantity == "angle_deg" else math.nan
    share = {"offset_dn_ratio": 1.0, "offset_mm": 1.0 / dn_mm if dn_mm > 0 else math.nan}
    return "offset_ratio", (share | _PER_CENT).get(quantity, math.nan)


def _size_mm(written: str) -> float:
    """Read the size that a change of size is coded with [mm]; NaN where it is none."""
    try:
        size = float(written.replace(",", "."))
    except ValueError:
        return math.nan
    return size if 0.0 < size < math.inf else math.nan


def shut_stretch(bars: Iterable[Bar], packers: Iterable[Passer]) -> tuple[float, float] | None:
    """Give the stretch [m] inside which no packer can set a sleeve, from whichever end.

    Parameters
    ----------
    bars
        What lies in the pipe.
    packers
        All that carry the system's sleeves at this size.

    Returns
    -------
    stretch
        A sleeve that starts beyond its first figure and ends before its second is
        reached by none; None where there is no such place. Only what stops a packer for
        certain counts.
    """
    bars, packers = list(bars), list(packers)
    first, last = -math.inf, math.inf
    for packer in packers:
        stops = [bar for bar in bars if packer.answer(bar) == "no"]
        first = max(first, min((bar.from_m for bar in stops), default=math.inf))
        last = min(last, max((bar.to_m for bar in stops), default=-math.inf))
    return (first, last) if packers and first < last else None


def stopped(packer: Passer, bar: Bar) -> str:
    """Say what a bar is, where, and what the packer passes, e.g. for a reason."""
    unit = {"offset_ratio": " DN", "bend_deg": " deg", "dn_mm": " mm"}[bar.measure]
    figure = "a figure not known"
    if not (math.isnan(bar.low) and math.isnan(bar.high)):
        figure = f"{bar.low:.3g}" if bar.low == bar.high else f"{bar.low:.3g} to {bar.high:.3g}"
        figure += unit
    limit = packer.limit(bar)
    allowed = "no limit stated" if math.isnan(limit) else f"limit {limit:.3g}{unit}"
    where = f"{bar.from_m:.2f} m"
    return f"{bar.mechanism} at {where} ({bar.observation_id}): {figure}, {allowed}"
