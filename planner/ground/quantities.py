"""What one sleeve takes: the only place that knows, for options, van stock and takeoff alike."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.repairs import SLEEVES, SYSTEM_SIZES
from planner.contracts.takeoff import ITEMS
from planner.tables import check, conform

FloatArray = npt.NDArray[np.float64]


def wall_litres(bore_mm: FloatArray, wall_mm: FloatArray, length_m: FloatArray) -> FloatArray:
    """Give the volume of a cured sleeve's wall, pi (D - t) t L.

    Parameters
    ----------
    bore_mm
        Inside diameter D of the pipe [mm], in which the sleeve lies.
    wall_mm
        Cured wall t [mm].
    length_m
        Length L [m].

    Returns
    -------
    litres
        Volume [l]; NaN where a figure is unknown.
    """
    # 1 mm2 times 1 m is 1000 mm3, a thousandth of a litre.
    return np.asarray(np.pi * (bore_mm - wall_mm) * wall_mm * length_m / 1000.0, dtype=np.float64)


def resin_kg(sleeves: pd.DataFrame, system_sizes: pd.DataFrame) -> FloatArray:
    """Give the resin that each sleeve takes, net: the system's kg per litre times the wall.

    Parameters
    ----------
    sleeves
        Obeys `SLEEVES`.
    system_sizes
        Obeys `SYSTEM_SIZES`.

    Returns
    -------
    kg
        In the order of `sleeves` [kg]; NaN where the system has no row for the size.

    References
    ----------
    Inspector training chart for felt tubes (trade.md C, S44): 1.03 to 1.06 kg of resin
    per litre of finished wall in every cell.
    """
    rate = np.full(len(sleeves), np.nan)
    dn = sleeves["dn_mm"].to_numpy(dtype=float)
    system = sleeves["system"].to_numpy(dtype=object)
    columns = ["system", "dn_from_mm", "dn_to_mm", "resin_kg_per_l"]
    # Where two rows overlap the one of the smaller size counts: it comes first by key.
    for name, low, high, per_l in system_sizes[columns].itertuples(index=False):
        rate[np.isnan(rate) & (system == name) & (dn >= low) & (dn <= high)] = per_l
    wall, length = (sleeves[name].to_numpy(dtype=float) for name in ("wall_mm", "length_m"))
    return rate * wall_litres(dn, wall, length)


def items_of(sleeves: pd.DataFrame, system_sizes: pd.DataFrame) -> pd.DataFrame:
    """List what each sleeve takes, net, in whole smallest units.

    One piece by size, length and system; its length [mm]; its resin [g]. A sleeve whose
    system has no row for its size takes no line of resin: it is not known, not nothing.

    Parameters
    ----------
    sleeves
        Obeys `SLEEVES`.
    system_sizes
        Obeys `SYSTEM_SIZES`.

    Returns
    -------
    items
        Obeys `ITEMS`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(sleeves, SLEEVES), check(system_sizes, SYSTEM_SIZES)
    grams = np.rint(resin_kg(sleeves, system_sizes) * 1000.0)
    rows: list[dict[str, object]] = []
    columns = ["sleeve_id", "length_m", "system"]
    for (sleeve_id, length, system), piece, resin in zip(
        sleeves[columns].itertuples(index=False), pieces_of(sleeves), grams, strict=True
    ):
        rows.append(_line(sleeve_id, piece, "sleeve", "pieces", 1))
        rows.append(_line(sleeve_id, "sleeve length", "length", "mm", round(length * 1000.0)))
        if np.isfinite(resin):
            rows.append(_line(sleeve_id, f"resin {system}", "resin", "g", int(resin)))
    return conform(rows, ITEMS)


def dn_said(dn_mm: float) -> str:
    """Write a nominal size [mm] as it is asked for; one that is not known names where it stands.

    Examples
    --------
    >>> dn_said(200.0), dn_said(float("nan"))
    ('DN 200', 'a size not known (pipe layer)')
    """
    return f"DN {dn_mm:g}" if np.isfinite(dn_mm) else "a size not known (pipe layer)"


def piece_of(dn_mm: float, length_m: float, system: str) -> str:
    """Name a sleeve as a piece, by nominal size [mm], length [m] and system."""
    return f"sleeve DN {dn_mm:g} x {length_m:.2f} m {system}"


def pieces_of(sleeves: pd.DataFrame) -> pd.Series:
    """Name the piece that each sleeve is, by size, length and system."""
    columns = sleeves[["dn_mm", "length_m", "system"]]
    names = [piece_of(*one) for one in columns.itertuples(index=False)]
    return pd.Series(names, index=sleeves.index, dtype="str")


def _line(sleeve_id: str, item: str, kind: str, unit: str, net: int) -> dict[str, object]:
    return {"sleeve_id": sleeve_id, "item": item, "kind": kind, "unit": unit, "net": net}
