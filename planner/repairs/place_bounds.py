"""Where a sleeve that a person placed cannot lie at all, and where it lies with less than asked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from planner.repairs.problem import Problem
from planner.repairs.zones import NOISE_M, Line, Rules, Spot, asked_lap_m

Sleeve = tuple[float, float]
"""from_m and to_m of one sleeve [m]."""
_NEITHER = (False, False)


def impossible(
    line: Line, rules: Rules, spot: Spot, sleeve: Sleeve, lapped: tuple[bool, bool] = _NEITHER
) -> str:
    """Say why no sleeve can lie there at all, '' if one can.

    Parameters
    ----------
    line, rules
        The pipe and what bounds its sleeves.
    spot
        The span that it was placed for.
    sleeve
        from_m and to_m [m], inside the pipe.
    lapped
        Which of its ends another sleeve laps: these need no sound pipe.
    """
    # An assumed extent may be cut short by who has seen the film; the coded part may not.
    low, high = sorted((spot.bare_from_m, spot.bare_to_m))
    if sleeve[0] > low + NOISE_M or sleeve[1] < high - NOISE_M:
        return f"at {span_text(sleeve)} it does not cover {_named(spot)}"
    return next(_hits(line, rules, spot, sleeve, lapped), "")


def _hits(
    line: Line, rules: Rules, spot: Spot, sleeve: Sleeve, lapped: tuple[bool, bool]
) -> Iterator[str]:
    start, end = sleeve
    for other in line.spots:
        if other.closed and start < other.to_m - NOISE_M and end > other.from_m + NOISE_M:
            yield f"it would lie on {_named(other)}, where none may lie"
        for at in _open_ends(line, sleeve, lapped):
            inside = other.from_m + NOISE_M < at < other.to_m - NOISE_M
            if other.unsound and other is not spot and inside:
                yield f"it would end at {at:.2f} m, on {_named(other)}"
    for tap in line.taps:
        for at in _open_ends(line, sleeve):
            if abs(at - tap.x_m) < tap.half_m - NOISE_M:
                yield f"it would end at {at:.2f} m, in the lateral at {tap.x_m:.2f} m"
    if any(start <= a and b <= end for a, b in rules.boxes):
        yield "a rule about sleeves forbids it there"
    if rules.shut and start > rules.shut[0] + NOISE_M and end < rules.shut[1] - NOISE_M:
        yield f"no packer comes to {span_text(sleeve)} from either manhole"


def lacks(
    line: Line, rules: Rules, spot: Spot, sleeve: Sleeve, lapped: tuple[bool, bool] = _NEITHER
) -> list[str]:
    """Tell what a place lacks of what is asked, and which laterals it covers.

    Parameters
    ----------
    line, rules, spot, sleeve, lapped
        As for `impossible`.
    """
    told = [*_under(line, spot, sleeve, lapped), *_overlaps(line, rules, spot, sleeve, lapped)]
    return [*told, *_clear(line, rules, sleeve)]


def _under(line: Line, spot: Spot, sleeve: Sleeve, lapped: tuple[bool, bool]) -> Iterator[str]:
    """Tell which ends lie on other damage, where alone they could not."""
    for at, laps in zip(sleeve, lapped, strict=True):
        for other in line.spots:
            inside = other.from_m + NOISE_M < at < other.to_m - NOISE_M
            if laps and inside and other.unsound and other is not spot:
                yield f"its end at {at:.2f} m lies on {_named(other)}, where another sleeve laps it"


def lapped_ends(sleeves: Sequence[Sleeve], sleeve: Sleeve) -> tuple[bool, bool]:
    """Say at which ends one of `sleeves`, from left to right, laps its neighbours."""
    at = list(sleeves).index(sleeve)
    back = at > 0 and sleeves[at - 1][1] > sleeve[0]
    return back, at + 1 < len(sleeves) and sleeves[at + 1][0] < sleeve[1]


def lap_refused(rules: Rules, problem: Problem, sleeve: Sleeve, other: Sleeve) -> str:
    """Say why two sleeves that people placed, less than the gap apart, may not lie so.

    Parameters
    ----------
    rules, problem
        The pipe.
    sleeve, other
        from_m and to_m [m].

    Returns
    -------
    why
        With ``{}`` for the other one; '' where they lap by what the system allows.
    """
    first, second = sorted((sleeve, other))
    lap, most = first[1] - second[0], problem.lap_to / 100
    if not most or lap < NOISE_M:
        return f"is not {rules.gap_m:.2f} m clear of {{}}"
    if not rules.lap_m - NOISE_M <= lap <= most + NOISE_M:
        return f"laps {{}} by {lap:.2f} m; {rules.lap_m:.2f} to {most:.2f} m are allowed"
    if min(one[1] - one[0] for one in (sleeve, other)) < 2 * most - NOISE_M:
        return f"laps {{}}; of two that lap each is at least {2 * most:.2f} m long"
    return ""


def laps_short(line: Line, rules: Rules, own: Sequence[Sleeve], sleeve: Sleeve) -> list[str]:
    """Tell which laps of sleeves that people placed are less than is asked for doubt.

    Parameters
    ----------
    line, rules
        The pipe.
    own
        All that people placed on it.
    sleeve
        One of them.
    """
    told, asked = [], asked_lap_m(line, rules)
    for other in sorted(set(own) - {sleeve}):
        lap = min(sleeve[1], other[1]) - max(sleeve[0], other[0])
        if NOISE_M < lap < asked - NOISE_M:
            doubt = asked - rules.lap_m
            told.append(
                f"a lap of {lap:.2f} m with the sleeve at {span_text(other)}, {asked:.2f} m asked"
                f" ({rules.lap_m:.2f} m of the system, {doubt:.2f} m doubt)"
            )
    return told


def _overlaps(
    line: Line, rules: Rules, spot: Spot, sleeve: Sleeve, lapped: tuple[bool, bool]
) -> Iterator[str]:
    """Tell where an end has less sound pipe than asked beside a damage."""
    start, end = sleeve
    ends = _open_ends(line, sleeve, lapped)
    for other in line.spots:
        if not other.unsound and other is not spot:
            continue
        beside = [max(other.from_m - at, at - other.to_m) for at in ends]
        least, reach = min(beside, default=np.inf), rules.reach_m(other)
        if least < reach - NOISE_M:
            inside = other.wanted and start <= other.from_m and other.to_m <= end
            lost = ", which it so does not serve" if inside and other is not spot else ""
            if least < -NOISE_M:
                yield f"it leaves {-least:.2f} m of the assumed extent of {_named(other)}"
                continue
            yield (
                f"{max(least, 0.0):.2f} m beside {_named(other)}, {reach:.2f} m asked"
                f" ({rules.overlap_m:.2f} m overlap, {rules.doubt_m(other):.2f} m doubt){lost}"
            )


def _clear(line: Line, rules: Rules, sleeve: Sleeve) -> Iterator[str]:
    """Tell which laterals it covers, and where an end is less clear than asked."""
    start, end = sleeve
    for tap in line.taps:
        for at in _open_ends(line, sleeve):
            clear = abs(at - tap.x_m) - tap.half_m
            if clear < rules.lateral_clear_m - NOISE_M:
                asked = f"{rules.lateral_clear_m:.2f} m asked"
                yield f"an end {clear:.2f} m clear of the lateral at {tap.x_m:.2f} m, {asked}"
        if start < tap.x_m < end:
            after = "to be opened again" if tap.live else "which is closed"
            yield f"it covers the lateral at {tap.x_m:.2f} m, {after}"
    for at in _open_ends(line, sleeve):
        clear = min(at, line.length_m - at)
        if clear < rules.wall_clear_m - NOISE_M:
            yield f"an end {clear:.2f} m from a manhole wall, {rules.wall_clear_m:.2f} m asked"


def _open_ends(line: Line, sleeve: Sleeve, lapped: tuple[bool, bool] = _NEITHER) -> list[float]:
    """Give the ends that lie in the pipe, not at the wall of a manhole nor lapped."""
    ends = zip(sleeve, lapped, strict=True)
    return [at for at, laps in ends if not laps and at not in (0.0, line.length_m)]


def span_text(sleeve: Sleeve) -> str:
    """Write from and to."""
    return f"{sleeve[0]:.2f} to {sleeve[1]:.2f} m"


def _named(spot: Spot) -> str:
    return f"{spot.span_id or 'an earlier repair'} at {spot.from_m:.2f} to {spot.to_m:.2f} m"
