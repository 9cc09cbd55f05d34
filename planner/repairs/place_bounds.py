"""Where a sleeve that a person placed cannot lie at all, and where it lies with less than asked."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from planner.repairs.zones import NOISE_M, Line, Rules, Spot

Sleeve = tuple[float, float]
"""from_m and to_m of one sleeve [m]."""


def impossible(line: Line, rules: Rules, spot: Spot, sleeve: Sleeve) -> str:
    """Say why no sleeve can lie there at all, '' if one can.

    Parameters
    ----------
    line, rules
        The pipe and what bounds its sleeves.
    spot
        The span that it was placed for.
    sleeve
        from_m and to_m [m], inside the pipe.
    """
    # An assumed extent may be cut short by who has seen the film; the coded part may not.
    low, high = sorted((spot.bare_from_m, spot.bare_to_m))
    if sleeve[0] > low + NOISE_M or sleeve[1] < high - NOISE_M:
        return f"at {span_text(sleeve)} it does not cover {_named(spot)}"
    return next(_hits(line, rules, spot, sleeve), "")


def _hits(line: Line, rules: Rules, spot: Spot, sleeve: Sleeve) -> Iterator[str]:
    start, end = sleeve
    for other in line.spots:
        if other.closed and start < other.to_m - NOISE_M and end > other.from_m + NOISE_M:
            yield f"it would lie on {_named(other)}, where none may lie"
        for at in _open_ends(line, sleeve):
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


def lacks(line: Line, rules: Rules, spot: Spot, sleeve: Sleeve) -> list[str]:
    """Tell what a place lacks of what is asked, and which laterals it covers.

    Parameters
    ----------
    line, rules, spot, sleeve
        As for `impossible`.
    """
    return [*_overlaps(line, rules, spot, sleeve), *_clear(line, rules, sleeve)]


def _overlaps(line: Line, rules: Rules, spot: Spot, sleeve: Sleeve) -> Iterator[str]:
    """Tell where an end has less sound pipe than asked beside a damage."""
    start, end = sleeve
    for other in line.spots:
        if not other.unsound and other is not spot:
            continue
        beside = [max(other.from_m - at, at - other.to_m) for at in _open_ends(line, sleeve)]
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


def _open_ends(line: Line, sleeve: Sleeve) -> list[float]:
    """Give the ends that lie in the pipe, not at the wall of a manhole."""
    return [at for at in sleeve if at not in (0.0, line.length_m)]


def span_text(sleeve: Sleeve) -> str:
    """Write from and to."""
    return f"{sleeve[0]:.2f} to {sleeve[1]:.2f} m"


def _named(spot: Spot) -> str:
    return f"{spot.span_id or 'an earlier repair'} at {spot.from_m:.2f} to {spot.to_m:.2f} m"
