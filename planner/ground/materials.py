"""What one sleeve is wound from and mixed of, in whole smallest units, net."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.contracts import MATERIALS, PARTS, SLEEVES, SYSTEM_SIZES, SYSTEMS
from planner.contracts.takeoff import ITEMS
from planner.ground.quantities import FloatArray, resin_kg
from planner.ground.winding import folded_mm2, mass_shares, sheets_mm2, strip_mm, wound_mm2
from planner.tables import check, conform

Tables = Mapping[str, pd.DataFrame]
# Half a width on the turn before: two layers everywhere. Common practice, no source.
HALF = 0.5
ROLL = "roll cut"


@dataclass(frozen=True)
class _Sleeve:
    """Figures of sleeves of one system: arrays of one length [mm], [m]."""

    bore_mm: FloatArray
    wall_mm: FloatArray
    plies: FloatArray
    length_m: FloatArray


def materials_of(tables: Tables) -> pd.DataFrame:
    """List what each sleeve is wound from and mixed of, net.

    Parameters
    ----------
    tables
        Of it: sleeves, systems, system_sizes, materials, parts.

    Returns
    -------
    items
        Obeys `ITEMS`. Mats in mm2, strips, tapes and films in mm, pieces; each part of a
        resin that is mixed on site in g, and in ml where its density is stated; the length
        cut from a ready-impregnated roll. A sleeve
        whose wall or plies are not known takes no line that hangs on them. Parts add up to
        the gram to the resin of `ground.quantities.items_of`.

    Raises
    ------
    TableError
        If a table breaks its contract.

    References
    ----------
    formulas.md 4: plain geometry, `ground.winding`.
    """
    sleeves = check(tables["sleeves"], SLEEVES)
    check(tables["materials"], MATERIALS), check(tables["parts"], PARTS)
    rows = _wound(sleeves, tables["materials"])
    grams = np.rint(resin_kg(sleeves, check(tables["system_sizes"], SYSTEM_SIZES)) * 1000.0)
    supply = check(tables["systems"], SYSTEMS).set_index("system")["supply"]
    cut = sleeves[sleeves["system"].map(supply) == "from_roll"]
    rows += [
        {
            "sleeve_id": one,
            "item": item_of(ROLL, name),
            "kind": "material",
            "unit": "mm",
            "net": round(length * 1000),
        }
        for one, name, length in cut[["sleeve_id", "system", "length_m"]].itertuples(index=False)
    ]
    mixed = supply.index[supply == "mix_on_site"]
    for system, parts in tables["parts"].groupby("system", sort=True):
        if system in set(mixed):
            own = (sleeves["system"] == system).to_numpy() & np.isfinite(grams)
            rows += _parts(sleeves.loc[own, "sleeve_id"].tolist(), grams[own], parts)
    return conform(rows, ITEMS)


def _wound(sleeves: pd.DataFrame, materials: pd.DataFrame) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    dn = sleeves["dn_mm"].to_numpy(dtype=float)
    taken: dict[tuple[str, str], np.ndarray] = {}
    for row in materials.to_dict("records"):
        low, high = row["dn_from_mm"], row["dn_to_mm"]
        own = (sleeves["system"] == row["system"]).to_numpy(copy=True)
        own &= (np.isnan(low) | (dn >= low)) & (np.isnan(high) | (dn <= high))
        # Where two rows overlap the one of the smaller size counts: it comes first by key.
        key = (str(row["system"]), str(row["material"]))
        own &= ~taken.get(key, np.zeros(len(sleeves), dtype=bool))
        taken[key] = taken.get(key, np.zeros(len(sleeves), dtype=bool)) | own
        part = sleeves[own]
        figures = _Sleeve(
            dn[own],
            part["wall_mm"].to_numpy(dtype=float),
            part["plies"].to_numpy(dtype=float, na_value=np.nan),
            part["length_m"].to_numpy(dtype=float),
        )
        unit, amounts = _FORMS[str(row["form"])](figures, {str(k): v for k, v in row.items()})
        item = item_of(str(row["material"]), str(row["system"]))
        rows += [
            {
                "sleeve_id": sleeve_id,
                "item": item,
                "kind": "material",
                "unit": unit,
                "net": round(float(amount)),
            }
            for sleeve_id, amount in zip(part["sleeve_id"], amounts, strict=True)
            if np.isfinite(amount) and round(float(amount))
        ]
    return rows


def item_of(material: str, system: str) -> str:
    """Name the item of a material of one system."""
    return f"{material} {system}"


def _or(row: Mapping[str, object], name: str, blank: float) -> float:
    value = row[name]
    return blank if pd.isna(value) else float(value)  # type: ignore[arg-type, call-overload]


Amounts = tuple[str, FloatArray]


def _sheet(sleeve: _Sleeve, row: Mapping[str, object], form: Callable[..., FloatArray]) -> Amounts:
    seam = np.full(len(sleeve.bore_mm), _or(row, "seam_mm", 0.0))
    ply = sleeve.wall_mm / sleeve.plies
    return "mm2", form(sleeve.bore_mm, ply, sleeve.plies, seam, sleeve.length_m)


def _wound_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    return _sheet(sleeve, row, wound_mm2)


def _sheets_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    return _sheet(sleeve, row, sheets_mm2)


def _folded_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    seam = np.full(len(sleeve.bore_mm), _or(row, "seam_mm", 0.0))
    return "mm2", folded_mm2(sleeve.bore_mm, sleeve.plies, seam, sleeve.length_m)


def _strip_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    width, lap, turns = (
        np.full(len(sleeve.bore_mm), _or(row, name, blank))
        for name, blank in (("width_mm", np.nan), ("lap_ratio", HALF), ("turns_count", 0.0))
    )
    return "mm", strip_mm(sleeve.bore_mm, width, lap, turns, sleeve.length_m)


def _turns_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    return "mm", 2.0 * _or(row, "turns_count", 0.0) * np.pi * sleeve.bore_mm


def _along_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    return "mm", (sleeve.length_m + _or(row, "extra_m", 0.0)) * 1000.0


def _each_form(sleeve: _Sleeve, row: Mapping[str, object]) -> Amounts:
    return "pieces", np.full(len(sleeve.bore_mm), _or(row, "pieces_count", 0.0))


_FORMS: dict[str, Callable[[_Sleeve, Mapping[str, object]], Amounts]] = {
    "wound": _wound_form,
    "sheets": _sheets_form,
    "folded": _folded_form,
    "strip": _strip_form,
    "turns": _turns_form,
    "along": _along_form,
    "each": _each_form,
}


def _parts(ids: list[str], grams: FloatArray, parts: pd.DataFrame) -> list[dict[str, object]]:
    """Part the resin of each sleeve; the last part takes what rounding leaves."""
    density = parts["density_kg_per_l"].to_numpy(dtype=float)
    by_volume = bool((parts["share_by"] == "volume").any())
    shares = mass_shares(parts["share"].to_numpy(dtype=float), density, by_volume=by_volume)
    if not np.isfinite(shares).all():
        return []
    each = np.rint(grams[:, None] * shares[None, :])
    each[:, -1] = grams - each[:, :-1].sum(axis=1)
    rows: list[dict[str, object]] = []
    system = str(parts["system"].iloc[0])
    for number, part in enumerate(parts["part"]):
        name = f"resin {system}, part {part}"
        for sleeve_id, mass in zip(ids, each[:, number], strict=True):
            one = {"sleeve_id": sleeve_id, "kind": "part"}
            rows.append({**one, "item": name, "unit": "g", "net": int(mass)})
            if np.isfinite(density[number]):
                volume = round(float(mass) / float(density[number]))
                rows.append({**one, "item": f"{name}, volume", "unit": "ml", "net": volume})
    return rows
