"""Coordinate systems that numbers without a name may be in: proposed, never taken."""

from __future__ import annotations

# Ranges of easting and northing [m] in which the numbers of a system lie, roughly, and its
# code. German and Dutch systems: names and zones from the EPSG register, ranges assumed.
_RANGES: tuple[tuple[str, str, tuple[float, float], tuple[float, float]], ...] = (
    ("EPSG:31466", "Gauss-Krueger zone 2", (2.3e6, 2.8e6), (5.2e6, 6.2e6)),
    ("EPSG:31467", "Gauss-Krueger zone 3", (3.3e6, 3.8e6), (5.2e6, 6.2e6)),
    ("EPSG:31468", "Gauss-Krueger zone 4", (4.3e6, 4.8e6), (5.2e6, 6.2e6)),
    ("EPSG:31469", "Gauss-Krueger zone 5", (5.3e6, 5.8e6), (5.2e6, 6.2e6)),
    ("EPSG:25832", "ETRS89 / UTM zone 32N", (1.6e5, 8.4e5), (5.2e6, 6.2e6)),
    ("EPSG:25833", "ETRS89 / UTM zone 33N", (1.6e5, 8.4e5), (5.2e6, 6.2e6)),
    ("EPSG:28992", "Amersfoort / RD New", (0.0, 3.0e5), (3.0e5, 6.3e5)),
    ("EPSG:4647", "ETRS89 / UTM zone 32N with its number", (3.21e7, 3.29e7), (5.2e6, 6.2e6)),
)


def propose_crs(x: float, y: float) -> list[str]:
    """Name systems in whose range a point lies.

    Examples
    --------
    >>> propose_crs(2584817.0, 5623000.0)
    ['EPSG:31466 (Gauss-Krueger zone 2)']
    """
    return [
        f"{code} ({name})"
        for code, name, (west, east), (south, north) in _RANGES
        if west <= x <= east and south <= y <= north
    ]
