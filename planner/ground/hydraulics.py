"""Flow in a round pipe, running full or partly: Manning, Colebrook-White, depth, storage.

All functions take numbers or arrays of one shape, in SI units, and give arrays. What
cannot be reckoned (a slope that is not a fall, a depth beyond the pipe) is NaN.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

Numbers = npt.NDArray[np.float64]

GRAVITY_M_S2 = 9.80665
WATER_M2_S = 1.0e-6  # kinematic viscosity of water near 20 degC
_HALVINGS = 60
_SLICES = 200


def _fullest() -> float:
    """Give the depth of greatest flow: where 3 t - 5 t cos t + 2 sin t = 0, dQ/dt = 0."""
    angle = brentq(lambda t: 3.0 * t - 5.0 * t * np.cos(t) + 2.0 * np.sin(t), 4.0, 6.0)
    return float((1.0 - np.cos(angle / 2.0)) / 2.0)


# A round pipe carries most just below its crown; above that depth the flow falls again.
FULLEST_DEPTH_RATIO = _fullest()


def wetted_angle(depth_ratio: npt.ArrayLike) -> Numbers:
    """Give the angle at the centre over the wetted wall [rad] for a depth / diameter.

    Parameters
    ----------
    depth_ratio : array_like, shape (n,)
        Depth / diameter, 0 to 1; NaN comes back for any other.
    """
    depth = np.asarray(depth_ratio, dtype=float)
    inside = (depth >= 0.0) & (depth <= 1.0)
    return np.asarray(2.0 * np.arccos(1.0 - 2.0 * np.where(inside, depth, np.nan)))


def wetted_area_m2(diameter_m: npt.ArrayLike, depth_ratio: npt.ArrayLike) -> Numbers:
    """Give the wetted section [m2]: D^2 (t - sin t) / 8 with t of `wetted_angle`.

    Parameters
    ----------
    diameter_m : array_like, shape (n,)
        Inside diameter [m].
    depth_ratio : array_like, shape (n,)
        Depth / diameter.
    """
    angle = wetted_angle(depth_ratio)
    return np.asarray(np.square(diameter_m) * (angle - np.sin(angle)) / 8.0)


def wetted_perimeter_m(diameter_m: npt.ArrayLike, depth_ratio: npt.ArrayLike) -> Numbers:
    """Give the length of wall under water [m]; see `wetted_area_m2`."""
    return np.asarray(np.asarray(diameter_m, dtype=float) * wetted_angle(depth_ratio) / 2.0)


def velocity_ratio(depth_ratio: npt.ArrayLike) -> Numbers:
    """Give V / V full at a depth, roughness the same at every depth.

    Returns
    -------
    ratio : ndarray, shape (n,)
        (R / R full)^(2/3), R / R full = (t - sin t) / t.
    """
    angle = wetted_angle(depth_ratio)
    spread = np.where(angle == 0.0, 1.0, angle)
    # Near t = 0 the difference cancels to a hair below zero.
    return np.asarray(np.maximum(1.0 - np.sin(angle) / spread, 0.0) ** (2.0 / 3.0) * (angle != 0.0))


def flow_ratio(depth_ratio: npt.ArrayLike) -> Numbers:
    """Give Q / Q full at a depth: A / A full times `velocity_ratio`.

    Examples
    --------
    >>> float(flow_ratio(0.5).round(12))
    0.5
    """
    return wetted_area_m2(1.0, depth_ratio) / (np.pi / 4.0) * velocity_ratio(depth_ratio)


def depth_ratio_of(flow_ratio_wanted: npt.ArrayLike) -> Numbers:
    """Find the depth / diameter at which a pipe runs with a given Q / Q full.

    The interval from 0 to the depth of greatest flow is halved 60 times; Q rises all
    along it, so there is one answer. Of two depths near the crown it is the lower.

    Parameters
    ----------
    flow_ratio_wanted : array_like, shape (n,)
        Q / Q full.

    Returns
    -------
    depth_ratio : ndarray, shape (n,)
        NaN for a negative ratio and for one that no depth carries: the pipe is surcharged.
    """
    wanted = np.asarray(flow_ratio_wanted, dtype=float)
    low, high = np.zeros(wanted.shape), np.full(wanted.shape, FULLEST_DEPTH_RATIO)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        below = flow_ratio(middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    carried = (wanted >= 0.0) & (wanted <= flow_ratio(FULLEST_DEPTH_RATIO))
    return np.where(carried, np.where(wanted == 0.0, 0.0, (low + high) / 2.0), np.nan)


def manning_full_m_s(
    diameter_m: npt.ArrayLike, slope: npt.ArrayLike, manning_n: npt.ArrayLike
) -> Numbers:
    """Give the velocity in a pipe that runs full [m/s]: (D / 4)^(2/3) sqrt(S) / n.

    Parameters
    ----------
    diameter_m : array_like, shape (n,)
        Inside diameter [m].
    slope : array_like, shape (n,)
        Fall / length; one that is not above 0 gives NaN.
    manning_n : array_like, shape (n,)
        Roughness of Manning [s/m^(1/3)]; rough turbulent flow only.
    """
    radius = np.asarray(diameter_m, dtype=float) / 4.0
    return np.asarray(radius ** (2.0 / 3.0) * np.sqrt(_falls(slope)) / np.asarray(manning_n))


def colebrook_full_m_s(
    diameter_m: npt.ArrayLike,
    slope: npt.ArrayLike,
    roughness_m: npt.ArrayLike,
    viscosity_m2_s: float = WATER_M2_S,
) -> Numbers:
    """Give the velocity in a pipe that runs full [m/s] by Colebrook and White.

    V = -2 sqrt(2 g D S) log10( ks / (3.7 D) + 2.51 nu / (D sqrt(2 g D S)) )

    Parameters
    ----------
    diameter_m : array_like, shape (n,)
        Inside diameter [m].
    slope : array_like, shape (n,)
        Fall / length; one that is not above 0 gives NaN.
    roughness_m : array_like, shape (n,)
        Sand roughness ks [m].
    viscosity_m2_s : float
        Kinematic viscosity [m2/s].
    """
    wide = np.asarray(diameter_m, dtype=float)
    root = np.sqrt(2.0 * GRAVITY_M_S2 * wide * _falls(slope))
    rough = np.asarray(roughness_m, dtype=float) / (3.7 * wide)
    return np.asarray(-2.0 * root * np.log10(rough + 2.51 * viscosity_m2_s / (wide * root)))


def full_flow_m3_s(diameter_m: npt.ArrayLike, velocity_m_s: npt.ArrayLike) -> Numbers:
    """Give the flow of a pipe that runs full [m3/s] at a velocity [m/s]."""
    return np.asarray(np.pi / 4.0 * np.square(diameter_m) * np.asarray(velocity_m_s))


def lined_capacity_ratio(
    host_n: npt.ArrayLike, liner_n: npt.ArrayLike, dimension_ratio: npt.ArrayLike
) -> Numbers:
    """Give the capacity of a lined pipe / that of the bare one: (n / n') (1 - 2 / DR)^(8/3).

    It holds for a liner over the whole pipe; past a sleeve the bare pipe rules.

    Parameters
    ----------
    host_n, liner_n : array_like, shape (n,)
        Manning's roughness of the bare wall and of the liner.
    dimension_ratio : array_like, shape (n,)
        Inside diameter of the host / wall of the liner.
    """
    bore = 1.0 - 2.0 / np.asarray(dimension_ratio, dtype=float)
    return np.asarray(np.asarray(host_n) / np.asarray(liner_n) * bore ** (8.0 / 3.0))


def free_storage_m3(
    diameter_m: npt.ArrayLike, depth_ratio: npt.ArrayLike, length_m: npt.ArrayLike
) -> Numbers:
    """Give the room above the flow, up to the crown [m3]: (A full - A) L."""
    full = np.pi / 4.0 * np.square(diameter_m)
    return np.asarray((full - wetted_area_m2(diameter_m, depth_ratio)) * np.asarray(length_m))


def pooled_storage_m3(
    diameter_m: npt.ArrayLike,
    depth_ratio: npt.ArrayLike,
    length_m: npt.ArrayLike,
    low_end_m: npt.ArrayLike,
    high_end_m: npt.ArrayLike,
) -> Numbers:
    """Give the room between the flow and a level pool held back by a plug [m3].

    The sections at the middle of 200 slices of the pipe are added up.

    Parameters
    ----------
    diameter_m, depth_ratio, length_m : array_like, shape (n,)
        Inside diameter [m], depth of the flow / diameter, length [m].
    low_end_m, high_end_m : array_like, shape (n,)
        Level of the pool over the invert at the two ends [m]; below 0 where the pool does
        not reach that end.
    """
    wide, low, high, flows = np.broadcast_arrays(
        *(np.asarray(one, dtype=float) for one in (diameter_m, low_end_m, high_end_m, depth_ratio))
    )
    share = (np.arange(_SLICES) + 0.5) / _SLICES
    level = low[..., None] + (high - low)[..., None] * share
    depth = np.clip(level / wide[..., None], 0.0, 1.0)
    taken = wetted_area_m2(wide, flows)[..., None]
    room = np.maximum(wetted_area_m2(wide[..., None], depth) - taken, 0.0)
    return np.asarray(room.mean(axis=-1) * np.asarray(length_m, dtype=float))


def _falls(slope: npt.ArrayLike) -> Numbers:
    fall = np.asarray(slope, dtype=float)
    return np.where(fall > 0.0, fall, np.nan)
