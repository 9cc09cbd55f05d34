"""Which systems serve a size, in which stock lengths, at which price."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.contracts import PACKERS, PRICES, SYSTEM_SIZES, SYSTEMS
from planner.ground.money import price_cents, price_many
from planner.repairs.zones import Offer
from planner.tables import check

# What stands in for a price that is missing, so that places can still be compared; it
# never reaches a table. US cost handbook 2022, 12 in: 2 384 a piece and 61 a foot.
SURROGATE_EACH_CENTS = 238_400
SURROGATE_CENTS_PER_M = 20_000
# One reopening to one sleeve: 73 to 2 640, San Francisco 2021-22 and the handbook's 4 ft.
SURROGATE_REOPEN_RATIO = 0.03


@dataclass(frozen=True)
class Supply:
    """Systems, their sizes, packers and prices: `SYSTEMS`, `SYSTEM_SIZES`, `PACKERS`, `PRICES`."""

    systems: pd.DataFrame
    system_sizes: pd.DataFrame
    packers: pd.DataFrame
    prices: pd.DataFrame

    def checked(self) -> Supply:
        """Give itself, or raise `TableError` where a table breaks its contract."""
        check(self.systems, SYSTEMS), check(self.system_sizes, SYSTEM_SIZES)
        check(self.packers, PACKERS), check(self.prices, PRICES)
        return self


@dataclass(frozen=True)
class Offers:
    """What may be placed at one size, and why the other systems may not."""

    offers: tuple[Offer, ...]
    reasons: tuple[str, ...]


def list_offers(supply: Supply, dn_mm: float) -> Offers:
    """List the systems that come at one nominal size, with lengths a packer can carry.

    Parameters
    ----------
    supply
        Systems, sizes, packers, prices.
    dn_mm
        Nominal size [mm]; NaN finds nothing.

    Returns
    -------
    offers
        In order of system.
    """
    if np.isnan(dn_mm):
        return Offers((), ("the nominal size of the pipe is not known",))
    if supply.systems.empty:
        return Offers((), ("no sleeve system is given (systems.toml)",))
    offers, reasons = [], []
    for system in supply.systems.sort_values("system").to_dict("records"):
        found = _offer(supply, {str(key): value for key, value in system.items()}, dn_mm)
        if isinstance(found, str):
            reasons.append(found)
        else:
            offers.append(found)
    return Offers(tuple(offers), tuple(reasons))


def _offer(supply: Supply, system: dict[str, object], dn_mm: float) -> Offer | str:
    name, cure = str(system["system"]), str(system["cure"])
    sizes = supply.system_sizes
    fits = (sizes["system"] == name) & (sizes["dn_from_mm"] <= dn_mm) & (sizes["dn_to_mm"] >= dn_mm)
    if not fits.any():
        return f"{name} does not come for DN {dn_mm:g}"
    row = sizes[fits].sort_values("dn_from_mm").iloc[0]
    stock = sorted({float(one) for one in str(row["lengths_m"]).split("+") if one.strip()})
    usable = _usable_m(supply.packers, cure, dn_mm)
    if usable is None:
        return f"no packer is given for DN {dn_mm:g} and {cure} cure, which {name} needs"
    lengths = tuple(length for length in stock if length <= usable)
    if not lengths:
        return f"no packer for DN {dn_mm:g} carries the shortest length of {name}: {usable:g} m"
    costs, priced = _costs(supply.prices, name, dn_mm, lengths)
    reopen = price_cents(supply.prices, "reopen", dn_mm, 0.0, system=name)
    overlap = float(str(system["overlap_m"]))
    return Offer(
        system=name,
        lengths_m=lengths,
        costs=costs,
        priced=priced,
        reopen=round(SURROGATE_REOPEN_RATIO * min(costs)) if reopen is None else reopen,
        reopen_priced=reopen is not None,
        overlap_m=0.0 if np.isnan(overlap) else overlap,
        by_counter=system["set_by"] == "counter",
        wall_mm=float(row["wall_mm"]),
        plies=int(row["plies"]),
    )


def _usable_m(packers: pd.DataFrame, cure: str, dn_mm: float) -> float | None:
    """Give the longest sleeve [m] that a packer of this size and cure carries."""
    fits = (packers["dn_from_mm"] <= dn_mm) & (packers["dn_to_mm"] >= dn_mm)
    fits &= np.array([cure in str(cures).split("+") for cures in packers["cures"]], dtype=bool)
    return float(packers.loc[fits, "usable_m"].max()) if fits.any() else None


def _costs(
    prices: pd.DataFrame, system: str, dn_mm: float, lengths: tuple[float, ...]
) -> tuple[tuple[int, ...], bool]:
    """Give cents for each length, and whether they are prices or surrogates."""
    cents = price_many(prices, "sleeve", [dn_mm] * len(lengths), lengths, system=system)
    if not pd.isna(cents).any():
        return tuple(int(one) for one in cents), True
    surrogate = [SURROGATE_EACH_CENTS + round(SURROGATE_CENTS_PER_M * one) for one in lengths]
    return tuple(surrogate), False
