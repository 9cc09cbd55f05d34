"""One price model: so much each, so much for each metre beyond what is included, a least sum.

A sleeve is nearly all fixed cost, so a price per metre alone would be wrong for it
and for short liners alike. Money is in whole cents, rounded once, half to even.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.once import made_once
from planner.tables import rows_in

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
    rows = (_Price(*row) for row in rows_in(prices, _Price._fields))
    found = [row for row in rows if row.item == item and row.system in ("", system)]
    found.sort(key=_rank)
    bands = [(row.dn_from_mm, row.dn_to_mm, row.included_m) for row in found]
    amounts = [(row.each_cents, row.extra_cents_per_m) for row in found]
    least = [(0.0 if np.isnan(row.least_m) else row.least_m) for row in found]
    return PriceList(
        [row.price_id for row in found],
        np.array(bands, dtype=float).reshape(-1, 3),
        np.array(amounts, dtype=np.int64).reshape(-1, 2),
        np.array(least, dtype=float),
        np.array([_known(row.least_cents) for row in found], dtype=np.int64),
    )


class _Price(NamedTuple):
    """What `PRICES` says of one price, but where it comes from."""

    price_id: str
    item: str
    system: str
    dn_from_mm: float
    dn_to_mm: float
    each_cents: int
    included_m: float
    extra_cents_per_m: int
    year: Any
    least_m: float
    least_cents: Any
    quantity_from: float
    quantity_to: float


def _rank(price: _Price) -> tuple[bool, float, float, float, bool, int, str]:
    """Give what sorts the prices of one item, the one to take first on top; see `price_many`."""
    low, high = price.quantity_from, price.quantity_to
    range_ = high - (0.0 if np.isnan(low) else low)
    return (
        price.system == "",
        price.dn_to_mm - price.dn_from_mm,
        price.dn_to_mm,
        np.inf if np.isnan(range_) else range_,
        bool(np.isnan(low) and np.isnan(high)),
        -_known(price.year),
        price.price_id,
    )


def _known(value: Any) -> int:  # noqa: ANN401 - a whole number or NA
    return 0 if pd.isna(value) else int(value)


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


def half_even(parts: npt.NDArray[np.int64], by: int) -> npt.NDArray[np.int64]:
    """Divide whole numbers >= 0 by `by`, rounding half to even."""
    whole, rest = np.divmod(parts, by)
    up = (2 * rest > by) | ((2 * rest == by) & (whole % 2 == 1))
    return np.asarray(whole + up, dtype=np.int64)
