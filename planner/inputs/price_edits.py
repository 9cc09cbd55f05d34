"""Prices changed by people since the files were written, as the store holds it.

What is in force is prices.toml, over it prices_changed.csv where there is one, over both what
the store holds: the page and ``sleeveplan reprice`` write there, and nowhere else.
"""

from __future__ import annotations

import pandas as pd

from planner.contracts import PRICE_EDITS, PRICES
from planner.contracts.sums import PRICE_AMOUNTS
from planner.tables import check, conform

Told = list[tuple[str, str]]
AMOUNT_WORDS = {
    "each_cents": "each",
    "extra_cents_per_m": "each metre more",
    "least_cents": "least",
}


def with_edits(prices: pd.DataFrame, edits: pd.DataFrame) -> tuple[pd.DataFrame, Told]:
    """Put the amounts that people last set in the place of those of the files.

    Parameters
    ----------
    prices
        What the files gave; obeys `PRICES`.
    edits
        Obeys `PRICE_EDITS`.

    Returns
    -------
    prices, told
        Obeys `PRICES`, the source of a changed price says by whom, when and why. What is said
        of a price: the files name it no more, or name another amount than that which a person
        saw and changed.
    """
    if check(edits, PRICE_EDITS).empty:
        return prices, []
    known = {str(one): at for at, one in enumerate(prices["price_id"])}
    amounts = {name: prices[name].astype("Int64").tolist() for name in PRICE_AMOUNTS}
    sources = prices["source"].tolist()
    told: Told = []
    for price_id, own in edits.groupby("price_id", sort=True):
        at = known.get(str(price_id))
        last = own.iloc[-1]
        who = f"changed by {last['by']} on {last['on']}"
        if at is None:
            told.append((str(price_id), f"{who}, but prices.toml has no such price: not used"))
            continue
        for name, rows in own.groupby("amount", sort=True):
            column = amounts[str(name)]
            told += _otherwise(str(price_id), str(name), column[at], rows)
            column[at] = int(rows["new_cents"].iloc[-1])
        sources[at] = f"{who}: {last['reason']}; before: {sources[at] or 'no source'}"
    frames = {name: pd.array(values, dtype="Int64") for name, values in amounts.items()}
    return conform(prices.assign(**frames, source=sources), PRICES), told


def _otherwise(price_id: str, name: str, in_files: object, rows: pd.DataFrame) -> Told:
    """Say that the files have changed under a person's amount, which stands."""
    found = 0 if in_files is None or pd.isna(in_files) else int(in_files)  # type: ignore[call-overload]
    seen, new = int(rows["old_cents"].iloc[0]), int(rows["new_cents"].iloc[-1])
    if found in (seen, new):
        return []
    by = rows["by"].iloc[-1]
    said = (
        f"the files say {found / 100:.2f} {AMOUNT_WORDS[name]}, and said {seen / 100:.2f} when "
        f"it was changed: {new / 100:.2f} by {by} stands"
    )
    return [(price_id, said)]
