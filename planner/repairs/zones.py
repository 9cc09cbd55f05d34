"""From metres on a pipe to the whole centimetres of a placement: always to the safe side.

Demands and zones are rounded outward, pipe and sleeve lengths down, so a sleeve that
fits the whole numbers fits the raw ones. `faults_of` asserts just that.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from planner.repairs.problem import Problem, pairs, runs_of
from planner.repairs.way import Bar, Passer, shut_stretch
from planner.settings import Sleeving

# A micrometre: less is noise of reckoning, not a place.
NOISE_M = 1e-6


class Spot(NamedTuple):
    """One span, or one repair that is in the pipe already; from_m to to_m in [m].

    `wanted`: sleeves shall serve it. `unsound`: no sleeve may end on it, nor so close
    that its overlap would lie on it. `closed`: no sleeve may lie on it at all.
    `bare_from_m` and `bare_to_m` are its coded part, an assumed extent taken off.
    """

    span_id: str
    from_m: float
    to_m: float
    find_m: float
    wanted: bool
    unsound: bool
    closed: bool
    bare_from_m: float
    bare_to_m: float
    counter_node: str


class Tap(NamedTuple):
    """One lateral: centre and half its width [m]; `live` ones must be reopened."""

    lateral_id: str
    x_m: float
    half_m: float
    live: bool


@dataclass(frozen=True)
class Line:
    """One pipe with all that bears on its sleeves, in metres."""

    pipe_id: str
    us_node: str
    length_m: float
    dn_mm: float
    known_from_m: float
    known_to_m: float
    spots: Sequence[Spot]
    taps: tuple[Tap, ...]
    bars: tuple[Bar, ...] = ()

    @cached_property
    def wanted(self) -> tuple[Spot, ...]:
        """Give the spans that sleeves shall serve."""
        return tuple(spot for spot in self.spots if spot.wanted)


@dataclass(frozen=True)
class Offer:
    """One system at the size of one pipe.

    `lengths_m` [m] ascend; `costs` [cents] stand beside them, as do `reopen` for one
    lateral and `seal` for one end at a manhole. Where there is no price, surrogates
    stand in: `priced`, `reopen_priced` and `seal_priced` say so. Two sleeves may lap
    where `lap_m` is stated.
    """

    system: str
    lengths_m: tuple[float, ...]
    costs: tuple[int, ...]
    priced: bool
    reopen: int
    reopen_priced: bool
    overlap_m: float
    by_counter: bool
    wall_mm: float
    plies: int
    seal: int = 0
    seal_priced: bool = True
    lap_m: float = math.nan
    lap_most_m: float = math.nan
    packers: tuple[Passer, ...] = ()

    @cached_property
    def longest_m(self) -> float:
        """Give the longest of its lengths [m]; 0 where it has none."""
        return max(self.lengths_m, default=0.0)

    @cached_property
    def cents_by_mm(self) -> dict[int, int]:
        """Give what a sleeve costs by its length [mm]."""
        pairs = zip(self.lengths_m, self.costs, strict=True)
        return {round(length * 1000): cost for length, cost in pairs}


@dataclass(frozen=True)
class Rules:
    """What bounds the sleeves of one system: overlap, doubt, clear distances [m].

    `boxes` are stretches that no sleeve may take in whole, as a rule forbade it; inside
    `shut` no packer sets one. `lap_m` NaN: sleeves may not lap.
    """

    overlap_m: float
    place_m: float
    by_counter: bool
    lateral_clear_m: float
    wall_clear_m: float
    gap_m: float
    boxes: tuple[tuple[float, float], ...] = ()
    lap_m: float = math.nan
    lap_most_m: float = math.nan
    shut: tuple[float, float] | None = None

    def doubt_m(self, spot: Spot) -> float:
        """Give the doubt at each end of a sleeve over `spot` [m]."""
        return spot.find_m if self.by_counter else self.place_m

    def reach_m(self, spot: Spot) -> float:
        """Give how far beyond `spot` a sleeve must reach [m]."""
        return self.overlap_m + self.doubt_m(spot)


def rules_of(
    line: Line,
    offer: Offer,
    settings: Sleeving,
    boxes: Iterable[tuple[float, float]] = (),
    *,
    laps: bool = True,
) -> Rules:
    """Put together the system's figures and the settings: the larger overlap counts."""
    return Rules(
        overlap_m=max(settings.overlap_m, offer.overlap_m),
        place_m=settings.place_m,
        by_counter=offer.by_counter,
        lateral_clear_m=settings.lateral_clear_m,
        wall_clear_m=settings.wall_clear_m,
        gap_m=settings.gap_m,
        boxes=tuple(boxes),
        lap_m=offer.lap_m if laps else math.nan,
        lap_most_m=offer.lap_most_m,
        shut=shut_stretch(line.bars, offer.packers),
    )


def asked_lap_m(line: Line, rules: Rules) -> float:
    """Give the lap of two sleeves as it is planned [m]: the system's, and the doubt of one end.

    NaN where they may not lap.
    """
    return rules.lap_m + max((rules.doubt_m(spot) for spot in line.wanted), default=0.0)


def down_cm(metres: float) -> int:
    """Round down to the centimetre, noise of a micrometre aside."""
    return math.floor(round(metres * 100.0, 4))


def up_cm(metres: float) -> int:
    """Round up to the centimetre, noise of a micrometre aside."""
    return math.ceil(round(metres * 100.0, 4))


def lost_m(length_m: float) -> float:
    """Give what rounding takes off a pipe's length [m].

    A sleeve that ends at the far manhole lies by this much farther along than the grid
    says; left edges near that end are rounded outward by as much again.
    """
    lost = length_m - down_cm(length_m) / 100.0
    return lost if lost > NOISE_M else 0.0


def set_problem(line: Line, offer: Offer, rules: Rules) -> Problem:
    """Turn one pipe and one system into whole centimetres.

    Parameters
    ----------
    line
        The pipe.
    offer
        The system at its size.
    rules
        Overlap, doubt and clear distances.

    Returns
    -------
    problem
        Demands near a manhole, where the overlap does not fit, reach to its wall.
    """
    length, wall = down_cm(line.length_m), up_cm(rules.wall_clear_m)
    lost = lost_m(line.length_m)
    # A sleeve as long as the rounded pipe would miss one wall by what rounding took off.
    catalogue = [one for one in sizes_of(offer) if not (lost and one[0] == length)]
    near_m = line.length_m - (max(offer.lengths_m, default=0.0) + 0.02)

    def left(metres: float) -> int:
        return down_cm(metres - lost if lost and metres > near_m else metres)

    demands = []
    for spot in line.wanted:
        reach = rules.reach_m(spot)
        start, end = left(spot.from_m - reach), up_cm(spot.to_m + reach)
        demands.append((0 if start < wall else start, length if end > length - wall else end))
    lefts, rights = [], []
    for spot in line.spots:
        if spot.unsound:
            reach = rules.reach_m(spot)
            rights.append((down_cm(spot.from_m), up_cm(spot.to_m + reach)))
            lefts.append((left(spot.from_m - reach), up_cm(spot.to_m)))
    tap_rights, tap_lefts = [], []
    for tap in line.taps:
        edge = tap.half_m + rules.lateral_clear_m
        tap_rights.append((down_cm(tap.x_m - edge), up_cm(tap.x_m + edge)))
        tap_lefts.append((left(tap.x_m - edge), up_cm(tap.x_m + edge)))
    closed = [(down_cm(s.from_m), up_cm(s.to_m)) for s in line.spots if s.closed]
    live = sorted(min(max(round(t.x_m * 100), 1), length - 1) for t in line.taps if t.live)
    more = _laps(line, rules, lost, tap_lefts, tap_rights)
    if rules.shut:
        first, last = max(rules.shut[0], -1.0), min(rules.shut[1], line.length_m + 1.0)
        more |= {"shut_from": down_cm(first), "shut_to": up_cm(last)}
    return Problem(
        length=length,
        wall=wall,
        gap=up_cm(rules.gap_m),
        # Two spans of one extent are two demands: each of them counts as served.
        demands=np.array(sorted(demands), dtype=np.int64).reshape(-1, 2),
        left_zones=pairs(lefts + tap_lefts),
        right_zones=pairs(rights + tap_rights),
        crosses=pairs(closed),
        boxes=pairs([(max(left(a), 0), min(up_cm(b), length)) for a, b in rules.boxes]),
        lengths=np.array([size for size, _ in catalogue], dtype=np.int64),
        costs=np.array([cost for _, cost in catalogue], dtype=np.int64),
        laterals=np.array(live, dtype=np.int64),
        reopen=offer.reopen,
        seal=offer.seal,
        **more,
    )


def _laps(
    line: Line,
    rules: Rules,
    lost: float,
    lefts: list[tuple[int, int]],
    rights: list[tuple[int, int]],
) -> dict[str, Any]:
    """Give the bounds of laps: an end that laps needs no sound pipe, but room at laterals."""
    asked = asked_lap_m(line, rules)
    if math.isnan(asked) or not line.wanted:
        return {}
    least = up_cm(asked + lost)  # the sleeve at the far wall lies by so much farther along
    most = least if math.isnan(rules.lap_most_m) else max(least, down_cm(rules.lap_most_m))
    zones = {"left_lap_zones": pairs(lefts), "right_lap_zones": pairs(rights)}
    return {"lap_from": least, "lap_to": most, **zones}


def sizes_of(offer: Offer) -> list[tuple[int, int]]:
    """List lengths [cm] with their costs; of equal lengths the cheaper."""
    best: dict[int, int] = {}
    for size_m, cost in zip(offer.lengths_m, offer.costs, strict=True):
        size = down_cm(size_m)
        if size > 0:
            best[size] = min(cost, best.get(size, cost))
    return sorted(best.items())


def faults_of(
    line: Line,
    rules: Rules,
    sleeves: list[tuple[float, float]],
    length_cm: int,
    own: Collection[tuple[float, float]] = (),
) -> list[str]:
    """Hold sleeves against the raw metres; a fault here is one of this program.

    Parameters
    ----------
    line, rules
        The pipe and what bounds its sleeves.
    sleeves
        from_m and to_m [m] of each, from left to right.
    length_cm
        Length of the pipe as placed on [cm].
    own
        Those of them that people placed: looked at as such, here only with their neighbours.

    Returns
    -------
    faults
        Empty if each sleeve lies inside the pipe on sound ground.
    """
    faults = []
    end_m = line.length_m
    for number, (start, end) in enumerate(sleeves):
        where = f"{line.pipe_id}: sleeve {start:.3f} to {end:.3f} m"
        between = start - sleeves[number - 1][1] if number else math.inf
        back = between < 0.0
        on = number + 1 < len(sleeves) and sleeves[number + 1][0] < end
        both = number > 0 and {sleeves[number - 1], (start, end)} <= set(own)
        asked = rules.lap_m if both else asked_lap_m(line, rules)
        if back and not -between >= asked - NOISE_M:
            faults.append(f"{where} laps the one before by {-between:.3f} m")
        if not back and between < rules.gap_m - NOISE_M:
            faults.append(f"{where} lies too close to the one before")
        if (start, end) in own:
            continue
        if start < 0.0 or end > end_m + NOISE_M:
            faults.append(f"{where} leaves the pipe of {end_m:.3f} m")
        if start != 0.0 and start < rules.wall_clear_m - NOISE_M:
            faults.append(f"{where} starts too close to the wall")
        if end != end_m and end > length_cm / 100.0 - rules.wall_clear_m + NOISE_M:
            faults.append(f"{where} ends too close to the wall")
        if rules.shut and start > rules.shut[0] + NOISE_M and end < rules.shut[1] - NOISE_M:
            faults.append(f"{where} lies where no packer comes")
        faults += [
            f"{where} {what}"
            for left, right, what in _bad_ends(line, rules, back=back, on=on)
            if (start != 0.0 and left[0] + NOISE_M < start < left[1] - NOISE_M)
            or (end != end_m and right[0] + NOISE_M < end < right[1] - NOISE_M)
        ]
        faults += [
            f"{where} lies on {spot.span_id}"
            for spot in line.spots
            if spot.closed and start < spot.to_m - NOISE_M and end > spot.from_m + NOISE_M
        ]
    return faults


def _bad_ends(
    line: Line, rules: Rules, *, back: bool, on: bool
) -> Iterable[tuple[tuple[float, float], tuple[float, float], str]]:
    """Give raw zones of left ends and of right ends [m], and what is wrong there.

    An end that laps another sleeve (`back` the left one, `on` the right one) needs no
    sound pipe.
    """
    nowhere = (math.inf, -math.inf)
    for spot in line.spots:
        if spot.unsound:
            reach = rules.reach_m(spot)
            left = nowhere if back else (spot.from_m - reach, spot.to_m)
            right = nowhere if on else (spot.from_m, spot.to_m + reach)
            yield left, right, f"has no sound overlap beside {spot.span_id or 'a repair'}"
    for tap in line.taps:
        edge = tap.half_m + rules.lateral_clear_m
        zone = (tap.x_m - edge, tap.x_m + edge)
        yield zone, zone, f"ends at lateral {tap.lateral_id}"


def run_over(
    sleeves: Sequence[tuple[float, float]], sleeve: tuple[float, float]
) -> tuple[float, float]:
    """Give from where to where [m] the sleeves lap each other of which `sleeve` is one."""
    starts, ends = [one for one, _ in sleeves], [one for _, one in sleeves]
    at = list(sleeves).index(sleeve)
    first, last = next(run for run in runs_of(starts, ends) if run[0] <= at <= run[1])
    return starts[first], ends[last]


def serves(line: Line, rules: Rules, spot: Spot, sleeve: tuple[float, float]) -> bool:
    """Say whether a sleeve, or a run of them, (from_m, to_m) [m] serves `spot`, in raw metres."""
    start, end = sleeve
    reach = rules.reach_m(spot)
    left_ok = start == 0.0 or start <= spot.from_m - reach + NOISE_M
    right_ok = end == line.length_m or end >= spot.to_m + reach - NOISE_M
    return left_ok and right_ok and start < spot.to_m + NOISE_M and end > spot.from_m - NOISE_M
