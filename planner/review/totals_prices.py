"""Prices as they stand now: those read, with what people changed since; and who may change them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.ground.money import PriceList
from planner.inputs.price_edits import with_edits
from planner.reprice import Change, Said, change_price
from planner.review.live import Live


@dataclass(frozen=True)
class PriceNow:
    """Prices in force (`PRICES`), all changes so far (`PRICE_EDITS`), those since the reading."""

    prices: pd.DataFrame
    edits: pd.DataFrame
    since: pd.DataFrame

    @property
    def version(self) -> int:
        """Number of the last change; 0 = there was none."""
        return int(self.edits["version"].iloc[-1]) if len(self.edits) else 0

    def last(self, price_id: str) -> int:
        """Give the number of the last change of a price; 0 = none."""
        own = self.edits[(self.edits["price_id"] == price_id).to_numpy(bool)]
        return int(own["version"].iloc[-1]) if len(own) else 0

    def changed(self) -> dict[str, PriceList]:
        """Give each price that was changed since the data were read, by its id."""
        ids = set(self.since["price_id"])
        rows = self.prices[self.prices["price_id"].isin(ids)].to_dict("records")
        return {
            str(row["price_id"]): one_price({str(k): v for k, v in row.items()}) for row in rows
        }


class Prices:
    """The prices of one project, and the way to change one."""

    def __init__(self, live: Live) -> None:
        """Begin with those read."""
        self._live = live
        self._seen: tuple[object, object] | None = None
        self._now: PriceNow | None = None

    def now(self) -> PriceNow:
        """Give the prices as they stand; the store is read only after it was written."""
        with self._live.lock:
            inputs = self._live.inputs
            seen = (self._live.store.stamp(), inputs)
            if self._now is None or self._seen is None or not _same(self._seen, seen):
                edits = self._live.store.read_price_edits()
                read = inputs.price_edits["version"]
                known = int(read.iloc[-1]) if len(read) else 0
                since = edits[(edits["version"] > known).to_numpy(bool)].reset_index(drop=True)
                prices, _ = with_edits(inputs.prices, since)
                self._now, self._seen = PriceNow(prices, edits, since), seen
            return self._now

    def change(
        self, price_id: str, typed: Mapping[str, str], by: str, reason: str, seen: int
    ) -> Change:
        """Change a price as typed on the page; see `reprice.change_price`."""
        with self._live.lock:
            on, at = self._live.instant()
            said = Said(by, on, reason, at)
            prices = self.now().prices
            return change_price(self._live.store, prices, price_id, typed, said, seen)


def _same(one: tuple[object, object], other: tuple[object, object]) -> bool:
    return one[0] == other[0] and one[1] is other[1]


def one_price(row: Mapping[str, object]) -> PriceList:
    """Give one row of `PRICES` as a list that holds it alone, for any size."""
    least_m, least = (0 if pd.isna(row[name]) else row[name] for name in ("least_m", "least_cents"))  # type: ignore[call-overload]
    money = [int(str(row["each_cents"])), int(str(row["extra_cents_per_m"]))]
    return PriceList(
        [str(row["price_id"])],
        np.array([[-np.inf, np.inf, float(str(row["included_m"]))]]),
        np.array([money], dtype=np.int64),
        np.array([float(str(least_m))]),
        np.array([int(str(least))], dtype=np.int64),
    )
