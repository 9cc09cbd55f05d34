"""One result of all parts: what only the whole can say, the sums, and the folder to read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from planner.city.filing import CityError, link_file, read_frame, write_frame
from planner.city.split import Tables, Town
from planner.contracts import FLAGS, GROWTH, LEFT_OVER, PRICE_QUANTITIES, TABLES
from planner.contracts.books import IDS
from planner.ground.money import money
from planner.inputs.inputs import Inputs
from planner.repairs.quantity_bands import Tally, doubt_tallies, list_quantities
from planner.rule_spans import READ, joined, lost_rows
from planner.screening.axis import ENOUGH
from planner.screening.doubts import told_zeros
from planner.screening.locate import STEP
from planner.tables import conform

Summaries = Sequence[dict[str, Any]]
WHOLE = "whole"
OWN = tuple(table for table in (*TABLES, GROWTH) if table.name not in READ)
"""Tables that parts give; those that are read stand in the project."""


def summed(tallies: Iterable[Tally]) -> Tally:
    """Add up what parts counted, always in the order of the parts."""
    total: Tally = {}
    for one in tallies:
        for key, value in one.items():
            total[key] = total.get(key, 0) + value
    return total


def central_tables(inputs: Inputs, town: Town, summaries: Summaries) -> Tables:
    """Give the rows that no part can say alone: of files, of lists, of prices.

    Parameters
    ----------
    inputs
        The project.
    town
        The project by parts.
    summaries
        Of all parts, in their order.
    """
    quantities = list_quantities(inputs.prices, summed(one["wanted"] for one in summaries))
    chosen = summed(one["chosen"] for one in summaries)
    zeros = summed(one["zeros"] for one in summaries)
    told = [{"step": STEP, "key": key, "what": what} for key, what in
            told_zeros({file: int(count) for file, count in zeros.items()})]  # fmt: skip
    if town.listed.count >= ENOUGH:
        told.append({"step": STEP, "key": "listed lengths", "what": town.listed.told})
    said = pd.DataFrame([*town.told, *told], columns=FLAGS.names).drop_duplicates()
    doubts = doubt_tallies(inputs.prices, quantities, chosen)
    return {
        "flags": joined([inputs.flags, conform(said, FLAGS), doubts], FLAGS),
        "left_over": lost_rows(inputs),
        "price_quantities": conform(quantities, PRICE_QUANTITIES),
    }


def union_tables(out: Path, names: Iterable[str] | None = None) -> Tables:
    """Read the result of a city, all parts of each table under each other.

    Parameters
    ----------
    out
        ``out/city`` of the project.
    names
        Tables asked for; None = all. A large city's do not fit into memory together.

    Raises
    ------
    CityError
        If there is no result.
    """
    if not (out / "summary.json").is_file():
        message = f"{out}: no result of a city's run; run: sleeveplan city DIR"
        raise CityError(message)
    wanted = None if names is None else set(names)
    found = {}
    for table in OWN:
        paths = sorted((out / table.name).glob("*.parquet"))
        if paths and (wanted is None or table.name in wanted):
            frames = [read_frame(path, table) for path in paths]
            found[table.name] = joined(frames, table) if len(frames) > 1 else frames[0]
    return found


def all_parts(folders: Sequence[Path], central: Tables, crs: Any) -> Tables:  # noqa: ANN401
    """Put the tables of all parts under each other, with what only the whole can say.

    Parameters
    ----------
    folders
        Where the tables of each part lie.
    central
        As `central_tables` gives it.
    crs
        The system that the project measures in: the files tell it in other words.
    """
    found: Tables = {}
    for table in OWN:
        paths = [folder / f"{table.name}.parquet" for folder in folders]
        frames = [read_frame(path) for path in paths if path.is_file()]
        frames += [central[table.name]] if table.name in central else []
        if not frames:
            continue
        whole = joined(frames, table)
        if isinstance(whole, gpd.GeoDataFrame):
            whole = whole.set_crs(crs, allow_override=True)
        found[table.name] = whole
    return found


def known_rows(folders: Iterable[Path], before: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Put ids known before, and those known after some parts, under each other; obeys `IDS`."""
    frames = [read_frame(folder / "known.parquet", IDS) for folder in folders]
    rows = [frame for frame in (*before, *frames) if len(frame)]
    return conform(pd.concat(rows, ignore_index=True) if rows else [], IDS)


def lay_result(out: Path, folders: Sequence[Path], central: Tables) -> None:
    """Lay the parts' files out by table, one file for each part that has rows.

    A file that cannot be linked, as on some shares, is copied.
    """
    for table in OWN:
        home = out / table.name
        home.mkdir()
        for number, folder in enumerate(folders):
            source = folder / f"{table.name}.parquet"
            if source.is_file():
                link_file(source, home / f"part-{number:05d}.parquet")
        if table.name in central:
            write_frame(home / f"{WHOLE}.parquet", central[table.name])
        if not any(home.iterdir()):
            home.rmdir()


def totals_of(summaries: Summaries, central: Tables) -> dict[str, Any]:
    """Add up the figures of all parts."""
    counts = {name: sum(int(one[name]) for one in summaries)
              for name in ("pipes", "rows", "spans", "sleeves", "left_over")}  # fmt: skip
    verdicts, cost = Counter[str](), Counter[str]()
    for one in summaries:
        verdicts.update(one["verdicts"])
        cost.update(one["cost_cents"])
    counts["left_over"] += len(central[LEFT_OVER.name])
    return {
        **counts,
        "parts": len(summaries),
        "verdicts": dict(sorted(verdicts.items())),
        "cost_cents": dict(sorted(cost.items())),
    }


def summary_lines(totals: dict[str, Any], name: str, currency: str) -> list[str]:
    """Say what a city's run came to."""
    verdicts = ", ".join(f"{count} {word}" for word, count in totals["verdicts"].items())
    costs = ", ".join(f"{money(cents)} {state}" for state, cents in totals["cost_cents"].items())
    return [
        f"{name or 'city'}: {totals['pipes']} pipes in {totals['parts']} parts, "
        f"{totals['rows']} coded rows",
        f"spans      {totals['spans']}",
        f"verdicts   {verdicts or 'none'}",
        f"sleeves    {totals['sleeves']} placed",
        f"money      {currency + ' ' if costs else ''}{costs or 'nothing chosen'}",
        f"left over  {totals['left_over']} rows, each with its reason in left_over",
    ]
