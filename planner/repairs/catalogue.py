"""Which systems serve a size, in which lengths, at which price, with which packers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from planner.contracts import PACKERS, PRICES, SYSTEM_SIZES, SYSTEMS
from planner.ground.money import price_cents, price_many
from planner.ground.packers import carried_m
from planner.ground.quantities import dn_said
from planner.once import made_once
from planner.repairs.way import Passer
from planner.repairs.zones import Offer
from planner.settings import Sleeving
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

    @cached_property
    def may_lap(self) -> bool:
        """Say whether sleeves of any system may lap."""
        return not all(np.isnan(offer.lap_m) for offer in self.offers)


def list_offers(supply: Supply, dn_mm: float, settings: Sleeving) -> Offers:
    """List the systems that come at one nominal size, with lengths a packer can carry.

    A size that lists lengths comes in these. One that lists none, of a system that is
    not made before, is cut to any length from the least to the longest that a packer
    carries (or lights), in steps.

    Parameters
    ----------
    supply
        Systems, sizes, packers, prices.
    dn_mm
        Nominal size [mm]; NaN finds nothing.
    settings
        Step and least length of cuts where the system states none.

    Returns
    -------
    offers
        In order of system.
    """
    frames = (supply.prices, supply.systems, supply.system_sizes, supply.packers)
    what = ("offers", dn_mm, settings.cut_step_m, settings.cut_least_m)
    return made_once(frames, what, lambda: _listed(supply, dn_mm, settings))


def _listed(supply: Supply, dn_mm: float, settings: Sleeving) -> Offers:
    if np.isnan(dn_mm):
        return Offers((), ("the nominal size of the pipe is not known",))
    if supply.systems.empty:
        return Offers((), ("no sleeve system is given (systems.toml)",))
    offers, reasons = [], []
    for system in supply.systems.sort_values("system").to_dict("records"):
        found = _offer(supply, {str(key): value for key, value in system.items()}, dn_mm, settings)
        if isinstance(found, str):
            reasons.append(found)
        else:
            offers.append(found)
    return Offers(tuple(offers), tuple(reasons))


def _offer(
    supply: Supply, system: dict[str, object], dn_mm: float, settings: Sleeving
) -> Offer | str:
    name, cure = str(system["system"]), str(system["cure"])
    sizes = supply.system_sizes
    fits = (sizes["system"] == name) & (sizes["dn_from_mm"] <= dn_mm) & (sizes["dn_to_mm"] >= dn_mm)
    if not fits.any():
        return f"{name} does not come for {dn_said(dn_mm)}"
    row = sizes[fits].sort_values("dn_from_mm").iloc[0]
    packers = packers_for(supply.packers, cure, dn_mm)
    if not packers:
        return f"no packer is given for DN {dn_mm:g} and {cure} cure, which {name} needs"
    usable = max(packer.carries_m for packer in packers)
    lengths = _lengths(system, str(row["lengths_m"]), usable, settings)
    if not lengths:
        return f"no packer for DN {dn_mm:g} carries the shortest length of {name}: {usable:g} m"
    costs, priced = _costs(supply.prices, name, dn_mm, lengths)
    reopen = price_cents(supply.prices, "reopen", dn_mm, 0.0, system=name)
    seal = price_cents(supply.prices, "end_seal", dn_mm, 0.0, system=name)
    asked = bool((supply.prices["item"] == "end_seal").any())
    overlap = _number(system, "overlap_m")
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
        # Where the prices name no sealing at all it is part of the sleeve's price.
        seal=seal or 0,
        seal_priced=seal is not None or not asked,
        lap_m=_number(system, "lap_m"),
        lap_most_m=_number(system, "lap_most_m"),
        packers=packers,
    )


def _number(system: dict[str, object], name: str) -> float:
    value = system.get(name)
    return float(str(value)) if value is not None else float("nan")


def _lengths(
    system: dict[str, object], listed: str, usable_m: float, settings: Sleeving
) -> tuple[float, ...]:
    """Give the lengths a sleeve comes in [m], each above the system's least."""
    least = _number(system, "least_m")
    stock = sorted({float(one) for one in listed.split("+") if one.strip()})
    if not stock and system["supply"] != "made_before":
        step = _number(system, "cut_step_m")
        step_cm = round(100 * (settings.cut_step_m if np.isnan(step) else step))
        from_cm = round(100 * (settings.cut_least_m if np.isnan(least) else least))
        most_cm = int(np.floor(round(100 * usable_m, 4)))
        # The packer's own length is cut too: it is the longest that there is.
        cuts = sorted({*range(from_cm, most_cm + 1, step_cm), *([most_cm] * (most_cm >= from_cm))})
        stock = [cut / 100 for cut in cuts if cut > 0]
    return tuple(one for one in stock if one <= usable_m and not one < least)


def packers_for(packers: pd.DataFrame, cure: str, dn_mm: float) -> tuple[Passer, ...]:
    """Give the packers of this size and cure, in order of name."""
    what = ("packers", cure, dn_mm)
    return made_once((packers,), what, lambda: _packers_for(packers, cure, dn_mm))


def _packers_for(packers: pd.DataFrame, cure: str, dn_mm: float) -> tuple[Passer, ...]:
    carried = carried_m(packers, cure)
    fits = (packers["dn_from_mm"] <= dn_mm) & (packers["dn_to_mm"] >= dn_mm) & (carried > 0)
    rows = packers.assign(carried_m=carried)[fits].sort_values("packer")
    columns = ["packer", "carried_m", "dn_from_mm", "pass_offset_ratio", "pass_bend_deg"]
    return tuple(
        Passer(str(name), *(float(one) for one in rest))
        for name, *rest in rows[columns].itertuples(index=False, name=None)
    )


def _costs(
    prices: pd.DataFrame, system: str, dn_mm: float, lengths: tuple[float, ...]
) -> tuple[tuple[int, ...], bool]:
    """Give cents for each length, and whether they are prices or surrogates."""
    cents = price_many(prices, "sleeve", [dn_mm] * len(lengths), lengths, system=system)
    if not pd.isna(cents).any():
        return tuple(int(one) for one in cents), True
    surrogate = [SURROGATE_EACH_CENTS + round(SURROGATE_CENTS_PER_M * one) for one in lengths]
    return tuple(surrogate), False
