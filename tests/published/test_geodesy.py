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


# Geographic system's ellipsoid, projected system, E, N as printed, and the degrees behind it.
GRIDS = [
    # G2: ICSM, GDA technical manual: Flinders Peak, MGA zone 55; Buninyong, zone 54.
    ("G2 Flinders Peak", "GRS80", "EPSG:28355", (273_741.297, 5_796_489.777), FLINDERS, 0.001),
    ("G2 Buninyong", "GRS80", "EPSG:28354", (758_173.797, 5_828_674.340), BUNINYONG, 0.001),
    # G4: IOGP 373-07-02, Lambert conic with two parallels, Texas South Central, US feet.
    ("G4", "clrk66", "EPSG:32040", (2_963_503.91, 254_759.80), (-96.0, 28.5), 0.01),
    # G5 to G8: IOGP 373-07-02 and the standards, from memory.
    (
        "G5 Jamaica",
        "clrk66",
        "EPSG:24200",
        (255_966.58, 142_493.51),
        (degrees(-76, 56, 37.26), degrees(17, 55, 55.80)),
        0.01,
    ),
    ("G6 RD", "bessel", "EPSG:28992", (196_105.283, 557_057.739), (6.0, 53.0), 0.001),
    ("G8 LAEA", "GRS80", "EPSG:3035", (3_962_799.45, 2_999_718.85), (5.0, 50.0), 0.01),
]


@pytest.mark.parametrize(
    ("ellps", "crs", "east_north", "place", "tolerance"),
    [row[1:] for row in GRIDS],
    ids=[row[0] for row in GRIDS],
)
def test_published_grid_points(
    ellps: str,
    crs: str,
    east_north: tuple[float, float],
    place: tuple[float, float],
    tolerance: float,
) -> None:
    """Our way from a grid to degrees ends within the printed digits of the published place.

    References
    ----------
    .. [1] formulas.md 8, G2 and G4 read, the others from memory; feet are US survey feet.
    """
    lon, lat = lon_lat(np.array([east_north]), crs)[0]
    off_m = geodesic_m(lon, lat, *place, ellps=ellps)
    assert off_m[0] < tolerance * np.sqrt(2)


def test_g7_web_mercator_is_known_and_its_lengths_are_refused() -> None:
    """-11 169 055.58, 2 800 000.00 is 24 22 54.433 N, 100 20 W (IOGP 373-07-02, from memory).

    Its scale is 1 / cos(latitude): measured in it a metre there would be 1.098 m.
    """
    lon, lat = lon_lat(np.array([[-11_169_055.58, 2_800_000.00]]), "EPSG:3857")[0]
    wanted = (degrees(-100, 20, 0.0), degrees(24, 22, 54.433))
    assert geodesic_m(lon, lat, *wanted)[0] < 0.02
    both = np.array([[-11_169_055.58, 2_800_000.00], [-11_168_055.58, 2_800_000.00]])
    local = local_crs(both, "EPSG:3857")
    turn = pyproj.Transformer.from_crs("EPSG:3857", local, always_xy=True)
    xy = np.column_stack(turn.transform(both[:, 0], both[:, 1]))
    # On the ellipsoid: 1000 m of the grid x cos(lat) x N(lat) / a, N / a = 1.000571.
    true_m = (
        1000.0
        * np.cos(np.radians(wanted[1]))
        / np.sqrt(1 - 0.00669438 * np.sin(np.radians(wanted[1])) ** 2)
    )
    assert np.hypot(*(xy[1] - xy[0])) == pytest.approx(true_m, rel=1e-5)
