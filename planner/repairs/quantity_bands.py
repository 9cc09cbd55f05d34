"""Prices that hold for a range of quantity: what the project could order, counted once.

A liner at 93 a foot for 4 828 ft cost 545 a foot for 56 ft in the same city (San Francisco,
2021-22): a price per piece holds for an order, not for a piece. Placement and choice both
need a price, so the quantity is counted before either: what could be ordered. Afterwards
`doubt_quantities` holds it against what was chosen.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.contracts import FLAGS, PIPES, PRICE_QUANTITIES, PRICES, SPANS, VERDICTS
from planner.contracts.facts import Tables
from planner.once import made_once
from planner.repairs.chain import LINED
from planner.repairs.jobs import jobs_of
from planner.tables import check, conform, records_in

_COUNTED = {
    ("sleeve", "pieces"): "spans to mend where a sleeve is open",
    ("sleeve", "m"): "m of spans to mend where a sleeve is open",
    ("liner", "pieces"): "pipes with a span to mend where a liner is open",
    ("liner", "m"): "m of pipe with a span to mend where a liner is open",
    ("dig", "pieces"): "spans to mend where a dig is open",
    ("dig", "m"): "m of spans to mend where a dig is open",
}
Tally = dict[str, float]
"""What was counted of each price with a range, by price_id."""
_WANTED = ["pipe_id", "dn_mm", "m", "item"]
Wanted = pd.DataFrame
"""What could be ordered: item, pipe_id, dn_mm [mm], m [m]; one row for each piece."""


def count_quantities(tables: Tables, prices: pd.DataFrame) -> pd.DataFrame:
    """Count what the project could order of each price that holds for a range of quantity.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts; before placement.
    prices
        Obeys `PRICES`.

    Returns
    -------
    quantities
        Obeys `PRICE_QUANTITIES`; a price without a range has no row.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (PIPES, SPANS, VERDICTS):
        check(tables[table.name], table)
    check(prices, PRICES)
    return list_quantities(prices, tally(list_wanted(tables, prices), prices))


def list_wanted(tables: Tables, prices: pd.DataFrame) -> Wanted:
    """List what could be ordered before placement; nothing where no price has a range."""
    return _wanted(tables) if len(_banded(prices)) else pd.DataFrame(columns=_WANTED)


def tally(wanted: Wanted, prices: pd.DataFrame) -> Tally:
    """Count what is listed for each price with a range; tallies of parts add up."""
    return {str(row["price_id"]): _quantity(row, wanted) for row in records_in(_banded(prices))}


def list_quantities(prices: pd.DataFrame, tally: Tally) -> pd.DataFrame:
    """Give `PRICE_QUANTITIES` of what was counted."""
    rows = [_counted(row, tally[str(row["price_id"])]) for row in records_in(_banded(prices))]
    return conform(rows, PRICE_QUANTITIES)


def in_force(prices: pd.DataFrame, quantities: pd.DataFrame) -> pd.DataFrame:
    """Leave out of `PRICES` those whose range does not hold the quantity of the project."""
    out = quantities.loc[~quantities["in_force"].astype(bool), "price_id"]
    return prices[~prices["price_id"].isin(set(out))]


def doubt_quantities(
    tables: Tables, prices: pd.DataFrame, quantities: pd.DataFrame
) -> pd.DataFrame:
    """Flag each price in force whose range does not hold what was chosen, and gaps.

    A gap is an item all of whose prices are out of force: nothing of it is costed.

    Parameters
    ----------
    tables
        Of it: those of `jobs_of`, choices.
    prices, quantities
        Obey `PRICES` and `PRICE_QUANTITIES`.

    Returns
    -------
    flags
        Obeys `FLAGS`; a price of which nothing is chosen is not flagged.
    """
    return doubt_tallies(prices, quantities, tally_chosen(tables, prices))


def tally_chosen(tables: Tables, prices: pd.DataFrame) -> Tally:
    """Count what the choices take of each price with a range; tallies of parts add up."""
    return tally(_chosen(tables), prices) if len(_banded(prices)) else {}


def doubt_tallies(prices: pd.DataFrame, quantities: pd.DataFrame, chosen: Tally) -> pd.DataFrame:
    """Give the flags of `doubt_quantities` for what was counted of the choices."""
    if quantities.empty:
        return conform([], FLAGS)
    flags = _gaps(prices, quantities)
    used = _banded(in_force(prices, quantities))
    counted = dict(zip(quantities["price_id"], quantities["quantity"], strict=True))
    for row in records_in(used):
        count = chosen[str(row["price_id"])]
        if count and not _holds(row, count):
            said = f"{counted[row['price_id']]:g} could be ordered, {count:g} {_unit(row)} chosen"
            what = f"price for {_range(row)}: {said}; ask for the price of the smaller quantity"
            flags.append({"step": "options", "key": str(row["price_id"]), "what": what})
    return conform(flags, FLAGS)


def _gaps(prices: pd.DataFrame, quantities: pd.DataFrame) -> list[dict[str, str]]:
    """Name the prices that are out of force where no other price of the item is in force."""
    left = set(in_force(prices, quantities)["item"])
    lacking = set(prices.loc[~prices["item"].isin(left), "price_id"])
    rows = quantities[quantities["price_id"].isin(lacking) & (quantities["quantity"] > 0)]
    return [
        {"step": "options", "key": str(key), "what": f"not in force, so not costed: {why}"}
        for key, why in zip(rows["price_id"], rows["why"], strict=True)
    ]


def _banded(prices: pd.DataFrame) -> pd.DataFrame:
    return made_once((prices,), "banded", lambda: prices[_has_range(prices)])


def _has_range(prices: pd.DataFrame) -> pd.Series:
    return prices["quantity_from"].notna() | prices["quantity_to"].notna()


def _wanted(tables: Tables) -> Wanted:
    """List what could be ordered: a sleeve or dig for each span, a liner for each pipe."""
    spans = tables["spans"][["span_id", "from_m", "to_m"]]
    pipes = pd.DataFrame(tables["pipes"][["pipe_id", "dn_mm", "length_m"]])
    verdicts = tables["verdicts"]
    mend = verdicts[verdicts["needs"] == "mend"].merge(spans, on="span_id")
    mend = mend.merge(pipes, on="pipe_id").sort_values("span_id")
    mend["m"] = mend["to_m"] - mend["from_m"]
    columns = ["pipe_id", "dn_mm", "m"]
    parts = [
        mend.loc[mend[name] == "open", columns].assign(item=name) for name in ("sleeve", "dig")
    ]
    lined = mend[mend["liner"] == "open"].drop_duplicates("pipe_id")
    parts.append(lined.assign(m=lined["length_m"], item="liner")[[*columns, "item"]])
    return pd.concat(parts)


def _chosen(tables: Tables) -> Wanted:
    """List what the choices take; a sleeve has its system."""
    methods = tables["choices"].set_index("pipe_id")["method"].to_dict()
    rows: list[tuple[object, ...]] = []
    for pipe_id, job in jobs_of(tables).items():
        method = str(methods.get(pipe_id, ""))
        rows += [("sleeve", p.dn_mm, p.to_m - p.from_m, p.system) for p in job.kept(method)]
        if method in (*LINED, "dig", "sleeve"):
            rows += [("dig", job.dn_mm, one.to_m - one.from_m, "") for one in job.dug(method)]
        if method in LINED:
            rows.append(("liner", job.dn_mm, job.length_m, ""))
    return pd.DataFrame(rows, columns=["item", "dn_mm", "m", "system"])


def _quantity(price: dict[str, object], wanted: Wanted) -> float:
    fits = (wanted["item"] == price["item"]) & (wanted["dn_mm"] >= price["dn_from_mm"])
    fits &= wanted["dn_mm"] <= price["dn_to_mm"]
    if "system" in wanted and price["system"]:
        fits &= wanted["system"] == price["system"]
    return float(wanted.loc[fits, "m"].sum()) if _unit(price) == "m" else float(fits.sum())


def _counted(price: dict[str, object], count: float) -> dict[str, object]:
    quantity = round(count, 3)
    holds = _holds(price, quantity)
    what = _COUNTED[str(price["item"]), _unit(price)]
    sizes = f"DN {price['dn_from_mm']:g}-{price['dn_to_mm']:g}"
    return {
        "price_id": price["price_id"],
        "quantity": quantity,
        "unit": _unit(price),
        "in_force": holds,
        "why": f"{quantity:g} {what}, {sizes}; the price is for {_range(price)}",
    }


def _unit(price: dict[str, object]) -> str:
    return str(price["quantity_unit"]) or "pieces"


def _holds(price: dict[str, object], quantity: float) -> bool:
    low, high = (_figure(price[name]) for name in ("quantity_from", "quantity_to"))
    return not (quantity < low or quantity > high)


def _range(price: dict[str, object]) -> str:
    low, high = (_figure(price[name]) for name in ("quantity_from", "quantity_to"))
    unit = _unit(price)
    if np.isnan(high):
        return f"{low:g} {unit} or more"
    return f"up to {high:g} {unit}" if np.isnan(low) else f"{low:g} to {high:g} {unit}"


def _figure(value: object) -> float:
    return float(str(value))
