"""One price model: so much each, so much for each metre beyond what is included, a least sum.

A sleeve is nearly all fixed cost, so a price per metre alone would be wrong for it
and for short liners alike. Money is in whole cents, rounded once, half to even.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.once import made_once

# Lengths count in whole micrometres, so that cents come out of whole numbers exactly.
_UM_PER_M = 1_000_000


def money(cents: int) -> str:
    """Write whole cents as an amount; every print of one is made here.

    Examples
    --------
    >>> money(530_000), money(-5)
    ('5,300.00', '-0.05')
    """
    whole, rest = divmod(abs(cents), 100)
    return f"{'-' if cents < 0 else ''}{whole:,}.{rest:02d}"


def price_cents(
    prices: pd.DataFrame, item: str, dn_mm: float, length_m: float, *, system: str = ""
) -> int | None:
    """Price one piece of `item`.

    Parameters
    ----------
    prices
        Obeys `PRICES`.
    item
        sleeve, liner, dig, reopen, setup, or a step's name.
    dn_mm
        Nominal size [mm]; NaN finds no price.
    length_m
        Length [m].
    system
        Sleeve system; a price of its own goes before one for any system.

    Returns
    -------
    cents
        None where no price covers it: it is not costed, never costed at nothing.

    Examples
    --------
    >>> from planner.contracts import PRICES
    >>> from planner.tables import conform
    >>> row = {"price_id": "p", "item": "dig", "dn_from_mm": 0, "dn_to_mm": 300,
    ...        "each_cents": 100_00, "included_m": 1.0, "extra_cents_per_m": 50_00}
    >>> price_cents(conform([row], PRICES), "dig", 200, 3.0)
    20000
    """
    return list_prices(prices, item, system).quote(dn_mm, length_m)[0]


@dataclass(frozen=True)
class PriceList:
    """The prices of one item for one system as arrays, the one to take first on top.

    Made once, it prices any number of pieces; `list_prices` makes it.
    """

    ids: list[str]
    bands: npt.NDArray[np.float64]
    money: npt.NDArray[np.int64]
    least_m: npt.NDArray[np.float64]
    least_cents: npt.NDArray[np.int64]

    def quote(self, dn_mm: float, length_m: float) -> tuple[int | None, str]:
        """Price one piece [cents] and name the price; None and '' where none covers it."""
        cents, at = self.cents_of([dn_mm], [length_m])
        return (None, "") if at[0] < 0 else (int(cents[0]), self.ids[at[0]])

    def cents_of(
        self, dn_mm: npt.ArrayLike, length_m: npt.ArrayLike
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Give cents of pieces, and which of the prices each comes from (-1 = none)."""
        dn = np.asarray(dn_mm, dtype=float)
        length = np.asarray(length_m, dtype=float)
        cents = np.zeros(dn.shape, dtype=np.int64)
        at = np.full(dn.shape, -1, dtype=np.int64)
        rows = enumerate(zip(self.bands, self.money, strict=True))
        for row, ((low, high, included), (each, extra)) in rows:
            fits = (at < 0) & (dn >= low) & (dn <= high) & np.isfinite(length)
            charged = np.maximum(length[fits], self.least_m[row])
            beyond = np.rint(np.maximum(charged - included, 0.0) * _UM_PER_M)
            sum_ = each + half_even(beyond.astype(np.int64) * extra, _UM_PER_M)
            cents[fits] = np.maximum(sum_, self.least_cents[row])
            at[fits] = row
        return cents, at


def list_prices(prices: pd.DataFrame, item: str, system: str = "") -> PriceList:
    """Give the prices of `item` that serve `system`, in the order that `price_many` says.

    Parameters
    ----------
    prices
        Obeys `PRICES`.
    item, system
        As for `price_cents`.
    """
    return made_once((prices,), ("price list", item, system), lambda: _listed(prices, item, system))


def _listed(prices: pd.DataFrame, item: str, system: str) -> PriceList:
    found = _in_order(prices, item, system)
    return PriceList(
        [str(one) for one in found["price_id"]],
        found[["dn_from_mm", "dn_to_mm", "included_m"]].to_numpy(dtype=float),
        found[["each_cents", "extra_cents_per_m"]].to_numpy(dtype=np.int64),
        found["least_m"].fillna(0.0).to_numpy(dtype=float),
        found["least_cents"].fillna(0).to_numpy(dtype=np.int64),
    )


def price_many(
    prices: pd.DataFrame,
    item: str,
    dn_mm: npt.ArrayLike,
    length_m: npt.ArrayLike,
    *,
    system: str = "",
) -> pd.api.extensions.ExtensionArray:
    """Price many pieces of `item` at once; see `price_cents`.

    Of several prices that cover a piece the one for its system goes before one for
    any, the narrower band of sizes before the wider, then the band that ends lower, the
    narrower range of quantity before the wider and before none, the newer year, the
    price_id. Which ranges of quantity hold is settled before, by the project as a whole
    (`repairs.quantity_bands`). A piece shorter than ``least_m`` is charged as that long,
    one that would cost less than ``least_cents`` costs that.

    Parameters
    ----------
    prices
        Obeys `PRICES`.
    item
        sleeve, liner, dig, reopen, setup, or a step's name.
    dn_mm, length_m
        Nominal sizes [mm] and lengths [m], of equal shape.
    system
        Sleeve system.

    Returns
    -------
    cents
        Int64 array; NA where no price covers the piece.
    """
    cents, at = list_prices(prices, item, system).cents_of(dn_mm, length_m)
    return pd.arrays.IntegerArray(cents, at < 0)


def _in_order(prices: pd.DataFrame, item: str, system: str) -> pd.DataFrame:
    """Give the prices of `item` that serve `system`, the one to take first on top."""
    fits = (prices["item"] == item) & prices["system"].isin({"", system})
    found = prices[fits]
    order = pd.DataFrame(
        {
            "any": found["system"] == "",
            "width": found["dn_to_mm"] - found["dn_from_mm"],
            "to": found["dn_to_mm"],
            "many": (found["quantity_to"] - found["quantity_from"].fillna(0.0)).fillna(np.inf),
            "open": found["quantity_from"].isna() & found["quantity_to"].isna(),
            "age": -found["year"].astype("Float64").fillna(0.0).astype(float),
            "id": found["price_id"],
        }
    )
    return found.loc[order.sort_values(list(order.columns), kind="stable").index]


def half_even(parts: npt.NDArray[np.int64], by: int) -> npt.NDArray[np.int64]:
    """Divide whole numbers >= 0 by `by`, rounding half to even."""
    whole, rest = np.divmod(parts, by)
    up = (2 * rest > by) | ((2 * rest == by) & (whole % 2 == 1))
    return np.asarray(whole + up, dtype=np.int64)
