"""Coordinate systems that numbers without a name may be in: proposed, never taken.

References
----------
EPSG register, as PROJ carries it: the regions in which each system is used.
"""

from __future__ import annotations

import re

from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

# Square degrees: a region of use up to this size is that of a country or a part of one.
_COUNTRY_DEG2 = 450.0
# Zones that go round the world, and seas: they say nothing of land.
_NO_LAND = re.compile(r"Between |World|Arctic|Antarctica|.*\boffshore\b(?<!onshore and offshore)")

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


def on_land(lon: float, lat: float) -> bool:
    """Tell whether the EPSG register knows a system made for land round a place.

    Examples
    --------
    >>> on_land(5.13, 52.1), on_land(52.1, 5.13)
    (True, False)
    """
    found = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS, PJType.GEOGRAPHIC_2D_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    areas = [one.area_of_use for one in found if one.area_of_use is not None]
    return any(
        area.east - area.west > 0
        and (area.east - area.west) * (area.north - area.south) <= _COUNTRY_DEG2
        and not _NO_LAND.match(str(area.name))
        for area in areas
    )


def propose_crs(x: float, y: float) -> list[str]:
    """Name systems in whose range a point lies, east and north in metres [m].

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
