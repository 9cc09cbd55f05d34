"""Exact geometry of what a sleeve is wound from: areas of mat, lengths of strip and tape.

No published worked example of a wrapped sleeve is known; these are plain geometry, tested by
their identities (formulas.md 4). The circumference is always that of the pipe: a mat cut to the
packer would bridge when it is inflated.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def wound_mm2(
    bore_mm: FloatArray,
    ply_mm: FloatArray,
    plies: FloatArray,
    seam_mm: FloatArray,
    length_m: FloatArray,
) -> FloatArray:
    """Give the area of one sheet rolled to n plies: [n pi (D - n t) + seam] L.

    Parameters
    ----------
    bore_mm
        Inside diameter D of the pipe [mm].
    ply_mm, plies
        Thickness t of one ply [mm] and their number n; ply i has the mean diameter
        D - (2 i - 1) t, and the sum over n plies is n pi (D - n t).
    seam_mm
        How far the sheet runs over its own beginning [mm].
    length_m
        Length L of the sleeve [m].

    Returns
    -------
    area
        [mm2]; NaN where a figure is unknown.
    """
    developed_mm = plies * np.pi * (bore_mm - plies * ply_mm)
    return np.asarray((developed_mm + seam_mm) * length_m * 1000.0, dtype=np.float64)


def sheets_mm2(
    bore_mm: FloatArray,
    ply_mm: FloatArray,
    plies: FloatArray,
    seam_mm: FloatArray,
    length_m: FloatArray,
) -> FloatArray:
    """Give the area of n separate sheets, each with a seam of its own [mm2]; see `wound_mm2`."""
    return wound_mm2(bore_mm, ply_mm, plies, plies * seam_mm, length_m)


def folded_mm2(
    bore_mm: FloatArray, plies: FloatArray, seam_mm: FloatArray, length_m: FloatArray
) -> FloatArray:
    """Give the area of one sheet folded to n layers: (pi D + seam) n L [mm2].

    Cut one circumference and a seam wide, n lengths long. How a system folds differs from
    maker to maker, so that this is one form among others (common practice, no source).
    """
    return np.asarray((np.pi * bore_mm + seam_mm) * plies * length_m * 1000.0, dtype=np.float64)


def strip_mm(
    round_mm: FloatArray,
    width_mm: FloatArray,
    lap_ratio: FloatArray,
    end_turns: FloatArray,
    length_m: FloatArray,
) -> FloatArray:
    """Give the length of strip wound in a spiral: pi Dm L / (w (1 - f)), and turns at the ends.

    Parameters
    ----------
    round_mm
        Diameter Dm that it is wound on [mm].
    width_mm
        Width w of the strip [mm].
    lap_ratio
        Share f of the width that lies on the turn before, square to the strip's edge; 0.5
        lays two layers everywhere.
    end_turns
        Full turns added at each end for square ends.
    length_m
        Length L wound [m].

    Returns
    -------
    length
        [mm]; NaN where a figure is unknown.

    Notes
    -----
    One turn advances p along the pipe and is sqrt((pi Dm)^2 + p^2) long; the lap square to the
    edge gives p cos(a) = w (1 - f) with tan(a) = p / (pi Dm). Both together are exact, not
    near: at half a width the length is 2 pi Dm L / w.
    """
    round_length_mm = np.pi * round_mm
    spiral_mm = round_length_mm * length_m * 1000.0 / (width_mm * (1.0 - lap_ratio))
    return np.asarray(spiral_mm + 2.0 * end_turns * round_length_mm, dtype=np.float64)


def ply_mm(areal_g_m2: float, fibre_ratio: float, fibre_kg_l: float, resin_kg_l: float) -> float:
    """Give the cured thickness of one ply of glass [mm].

    Parameters
    ----------
    areal_g_m2
        Dry weight of the mat [g/m2].
    fibre_ratio
        Share of fibre in the cured ply, by mass.
    fibre_kg_l, resin_kg_l
        Densities [kg/l].

    References
    ----------
    An epoxy maker's technical magazine and a university lecture (formulas.md 4.1):
    t = W [1 / rho_f + (1 - X) / (X rho_r)].
    """
    litres_m2 = areal_g_m2 / 1000.0 / fibre_kg_l
    litres_m2 += areal_g_m2 / 1000.0 * (1.0 - fibre_ratio) / (fibre_ratio * resin_kg_l)
    return litres_m2  # 1 l/m2 is 1 mm


def mass_shares(shares: FloatArray, densities: FloatArray, *, by_volume: bool) -> FloatArray:
    """Give the share of each part by mass: of a : b by volume it is a rA : b rB.

    Parameters
    ----------
    shares
        Parts of the mix, e.g. (2, 1).
    densities
        Of each [kg/l]; not read where the shares are by mass.
    by_volume
        What `shares` are.

    Returns
    -------
    shares
        Sum 1; NaN where a density is needed and unknown.
    """
    weights = shares * densities if by_volume else shares
    return np.asarray(weights / weights.sum(), dtype=np.float64)
