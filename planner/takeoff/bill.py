"""The bill of quantities: what is accepted, priced, for visit, route, week and project."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.contracts import BILL, BILL_LINES, BILL_SUMS, OPTION_LINES, PRICES, VISITS
from planner.contracts.facts import Tables
from planner.contracts.repairs import SIGNED
from planner.contracts.sums import WITHIN
from planner.settings import Takeoff
from planner.tables import check, conform, records_in

# Lines of an option that a work of another step carries.
_CARRIED = {"end_seal": "sleeve", "setup": "sleeve", "setup_liner": "liner", "setup_dig": "dig"}
_SAME = ["item", "system", "price_id", "note"]
_PRICE = ["each_cents", "included_m", "extra_cents_per_m", "year", "place", "source"]
_SUMS = ["times_count", "length_m", "extra_m"]


@dataclass(frozen=True)
class Bill:
    """Bills (`BILL`), the lines they are made of (`BILL_LINES`), their sums (`BILL_SUMS`)."""

    bill: pd.DataFrame
    lines: pd.DataFrame
    sums: pd.DataFrame


def make_bill(tables: Tables, settings: Takeoff, *, first_day: str) -> Bill:
    """Write the bill of what is accepted.

    Each line of a chosen option goes to the visit that does its work, or to ``rest`` where
    this week does not reach it; the moves go with the first sleeve, liner or dig of the
    pipe. Lines of one item at one price are one line; each was priced by itself in whole
    cents, so that their sum is theirs. Mobilisation is one line of the project, night work one
    of each route that works at night, where the prices name them; contingency is a line of
    its own in each bill, reckoned on that bill.

    Parameters
    ----------
    tables
        Of it: choices, option_lines, sleeves, works, setup_works, visits, prices.
    settings
        Contingency, hours of night.
    first_day
        Key of the week, "week" where blank.

    Returns
    -------
    bill
        A line without a price is named and the sum is marked
        incomplete; an item that no price names at all is within the main price, as in the
        options.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(tables["option_lines"], OPTION_LINES), check(tables["visits"], VISITS)
    prices = check(tables["prices"], PRICES).set_index("price_id", drop=False)
    written = _written(_with_visits(_chosen(tables), tables))
    lines = _priced(written, prices)
    served = lines[lines["visit_id"] != ""]
    week = first_day or "week"
    nights = _nights(tables["visits"], settings, prices)
    routes = served.assign(key=served["route"])
    parts = [
        _level("visit", served.assign(key=served["visit_id"])),
        _level("route", pd.concat([routes, nights])),
        _level("week", pd.concat([served, nights]).assign(key=week)),
        _level("rest", lines[lines["visit_id"] == ""].assign(key="rest")),
        _level("project", pd.concat([lines, nights, _moved(prices)]).assign(key="project")),
    ]
    rows = [row for part in parts for row in _with_contingency(part, settings.contingency_ratio)]
    bill = conform(rows, BILL)
    return Bill(bill, written, _sums(bill))


def _chosen(tables: Tables) -> pd.DataFrame:
    """Take the lines of the option that is accepted on each pipe."""
    choices = tables["choices"]
    signed = choices.loc[choices["state"].isin(SIGNED), ["pipe_id", "method"]]
    lines = tables["option_lines"].merge(signed, on=["pipe_id", "method"])
    systems = tables["sleeves"].set_index("sleeve_id")["system"]
    own = lines["item"] == "sleeve"
    system = lines["sleeve_id"].where(own, "").map(systems).astype(object).fillna("").astype("str")
    return lines.assign(system=system).sort_values(["pipe_id", "seq"], kind="stable")


def _priced(lines: pd.DataFrame, prices: pd.DataFrame) -> pd.DataFrame:
    """Set the price of each line beside it, and the metres that it charges beyond."""
    own = prices[[*_PRICE, "least_m"]].reindex(lines["price_id"]).reset_index(drop=True)
    times = lines["times_count"].to_numpy(dtype=float)
    length = lines["length_m"].to_numpy(dtype=float)
    charged = np.fmax(length, own["least_m"].to_numpy(dtype=float))
    beyond = np.maximum(charged - own["included_m"].fillna(0.0).to_numpy(dtype=float), 0.0)
    beyond[own["each_cents"].isna().to_numpy(dtype=bool)] = np.nan
    figures = pd.DataFrame({"length_m": length * times, "extra_m": beyond * times})
    plain = lines.drop(columns="length_m").reset_index(drop=True)
    return pd.concat([plain, figures, own[_PRICE]], axis=1)


def _with_visits(lines: pd.DataFrame, tables: Tables) -> pd.DataFrame:
    """Give each line the visit that does its work; '' where none does.

    A line and a work belong together by pipe, step and sleeve, the first to the first along
    the pipe. A line of several pieces goes with the first of them.
    """
    works = tables["works"].sort_values(["pipe_id", "from_m", "work_id"], kind="stable")
    step = lines["item"].map(_CARRIED).fillna(lines["item"])
    moves = lines["item"].str.startswith("setup")
    key = ["pipe_id", "step", "sleeve_id"]
    lines = lines.assign(step=step)
    lines["nth"] = lines[lines["item"] == lines["step"]].groupby(key).cumcount()
    numbered = works.assign(nth=works.groupby(key).cumcount())
    exact = lines[~moves].assign(nth=lines["nth"].fillna(0))
    found = exact.merge(numbered[[*key, "nth", "work_id"]], on=[*key, "nth"], how="left")
    first = works.drop_duplicates(["pipe_id", "step"])[["pipe_id", "step", "work_id"]]
    moved = lines[moves].merge(first, on=["pipe_id", "step"], how="left")
    visits = tables["visits"][["visit_id", "setup_id", "crew", "date"]]
    held = tables["setup_works"][["setup_id", "work_id"]].merge(visits, on="setup_id")
    both = pd.concat([found, moved]).merge(held.drop(columns="setup_id"), on="work_id", how="left")
    text = {name: both[name].astype(object).fillna("") for name in ("visit_id", "crew", "date")}
    return both.assign(**text)


def _written(lines: pd.DataFrame) -> pd.DataFrame:
    """Name the route of each line."""
    route = (lines["crew"] + "|" + lines["date"]).where(lines["visit_id"] != "", "")
    return conform(lines.assign(route=route), BILL_LINES)


def _aside(price: pd.DataFrame, note: str) -> dict[str, object]:
    row = price.iloc[0]
    shown = {name: row[name] for name in ("item", "price_id", *_PRICE)}
    return {**shown, "system": "", "times_count": 1, "sum_cents": row["each_cents"], "note": note}


def _moved(prices: pd.DataFrame) -> pd.DataFrame:
    own = prices[prices["item"] == "mobilisation"]
    return pd.DataFrame([_aside(own, "once for the project")] if len(own) else [])


def _nights(visits: pd.DataFrame, settings: Takeoff, prices: pd.DataFrame) -> pd.DataFrame:
    """Give a line for each route with a visit that starts at night, where night has a price."""
    own = prices[prices["item"] == "night"]
    day = visits["start_s"] % 86_400
    late = visits[(day >= settings.night_from_s) | (day < settings.night_to_s)]
    routes = (late["crew"] + "|" + late["date"]).drop_duplicates()
    if own.empty or routes.empty:
        return pd.DataFrame()
    return pd.DataFrame([{**_aside(own, "a route at night"), "key": key} for key in routes])


def _level(level: str, lines: pd.DataFrame) -> pd.DataFrame:
    """Put lines alike together; one row each by key, in the order of items."""
    if lines.empty:
        return pd.DataFrame()
    lines = lines.reindex(columns=["key", *_SAME, *_PRICE, *_SUMS, "sum_cents"])
    groups = lines.groupby(["key", *_SAME], sort=True)
    rows = groups[_SUMS].sum(min_count=1).round(6).reset_index()
    rows[_PRICE] = groups[_PRICE].first().to_numpy()
    rows["sum_cents"] = groups["sum_cents"].sum(min_count=1).to_numpy()
    return rows.assign(level=level)


def _with_contingency(rows: pd.DataFrame, ratio: float) -> Iterator[dict[str, object]]:
    """Give the lines of each bill numbered, and its contingency behind them."""
    if rows.empty:
        return
    for (level, key), part in rows.groupby(["level", "key"], sort=True):
        own = records_in(part)
        base = int(part["sum_cents"].fillna(0).sum())
        if ratio > 0.0 and base:
            cents = round(round(base * ratio, 6))  # what lies on a half goes to the even cent
            note = f"{ratio:g} of the lines above, by [takeoff] contingency_ratio"
            line = {"item": "contingency", "times_count": 1, "sum_cents": cents, "note": note}
            own.append({"level": level, "key": key, **line})
        yield from ({**row, "seq": seq} for seq, row in enumerate(own, 1))


def _sums(bill: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for (level, key), part in bill.groupby(["level", "key"], sort=True):
        bare = part[part["sum_cents"].isna() & (part["note"] != WITHIN)]
        figures = {"lines_count": len(part), "unpriced_count": len(bare)}
        total = int(part["sum_cents"].fillna(0).sum())
        names = ", ".join(sorted(set(bare["item"])))
        row = {"level": level, "key": key, "sum_cents": total, **figures}
        rows.append({**row, "complete": bare.empty, "unpriced": names})
    return conform(rows, BILL_SUMS)
