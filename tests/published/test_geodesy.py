"""Geodetic examples with published results, against our measuring."""

import numpy as np
import pyproj
import pytest

from planner.ground.measure import geodesic_m, local_crs, lon_lat


def degrees(d: float, m: float, s: float) -> float:
    """Turn degrees, minutes, seconds into degrees; the sign is that of `d`."""
    return np.copysign(abs(d) + m / 60 + s / 3600, d)


FLINDERS = (degrees(144, 25, 29.52440), degrees(-37, 57, 3.72030))
BUNINYONG = (degrees(143, 55, 35.38390), degrees(-37, 39, 10.15610))


def test_flinders_peak_to_buninyong():
    """Distance 54 972.271 m on GRS80.

    References
    ----------
    .. [1] ICSM, Geocentric Datum of Australia 2020 Technical Manual, Table 5.1.
    """
    found = geodesic_m(*FLINDERS, *BUNINYONG, ellps="GRS80")
    assert found[0] == pytest.approx(54_972.271, abs=5e-4)


def test_the_local_projection_measures_the_same_line():
    """In the projection centred on that line its length is within 1e-5 of the published one.

    At 27 km from the centre the scale is 1 + d^2 / (2 R^2) = 1.000009 at most.
    """
    both = np.array([FLINDERS, BUNINYONG])
    local = local_crs(both, "EPSG:7844")
    turn = pyproj.Transformer.from_crs("EPSG:7844", local, always_xy=True)
    xy = np.column_stack(turn.transform(both[:, 0], both[:, 1]))
    assert np.hypot(*(xy[1] - xy[0])) == pytest.approx(54_972.271, rel=1e-5)


def test_british_national_grid():
    """50 30 N, 0 30 E is 577 274.99 E, 69 740.50 N; the note is rounded, so 0.01 m.

    References
    ----------
    .. [1] IOGP Guidance Note 373-07-02, Transverse Mercator, example of OSGB36.
    """
    # Our way back to degrees, held against the published pair within the note's rounding.
    found = lon_lat(np.array([[577_274.99, 69_740.50]]), "EPSG:27700")[0]
    off_m = geodesic_m(found[0], found[1], 0.5, 50.5, ellps="airy")
    assert off_m[0] < 0.0105 * np.sqrt(2)
    turn = pyproj.Transformer.from_crs("EPSG:4277", "EPSG:27700", always_xy=True)
    assert turn.transform(0.5, 50.5) == pytest.approx((577_274.99, 69_740.50), abs=0.01)
