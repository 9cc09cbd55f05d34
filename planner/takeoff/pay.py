"""Pay measurement: what the journal says is installed, what of it may be charged, what is due.

Done and chargeable are two statements. What nobody said may be charged is listed and not paid.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import AS_BUILT, DONE, EVENTS, PAY, PAY_SUMS, PRICES
from planner.contracts.facts import Tables
from planner.contracts.sums import MAIN_ITEMS, WITHIN
from planner.ground.event_places import (
    ends_of,
    in_time,
    overlap_by_half,
    reports_of,
    same_work,
    standing,
)
from planner.ground.money import list_prices
from planner.settings import Takeoff
from planner.tables import check, conform, empty, records_in
from planner.takeoff.pay_beside import lines_beside

Row = dict[str, Any]
_BLANK = ("system", "dn_mm", "length_m")


@dataclass(frozen=True)
class Pay:
    """The works that are done (`PAY`), and what they come to (`PAY_SUMS`)."""

    lines: pd.DataFrame
    sums: pd.DataFrame


def measure_pay(tables: Tables, settings: Takeoff) -> Pay:
    """Measure what was installed, and what is to be paid for it.

    A sleeve is measured as it was reported; a figure that was not reported is taken from the
    sleeve planned at that place, and said. Any other step counts its stretch, a reopening the
    live connections there. Prices are those in force. What is no work of its own (moves, sealed
    ends, mobilisation, nights) goes with the works that are done, as the bill has it
    (`pay_beside`), and what was not reported of it is said.

    Parameters
    ----------
    tables
        Of it: events, as_built, done, pipes, laterals, sleeves, prices, price_quantities; visits
        and setup_works where a week is planned.
    settings
        Share that is kept back, hours of night.

    Returns
    -------
    pay
        Both empty for a project without events: done.csv alone says nothing of charging. A
        sleeve that failed is installed; it is paid only if that was said after it failed.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    if "events" not in tables or tables["events"].empty:
        return Pay(empty(PAY), empty(PAY_SUMS))
    happened = standing(check(tables["events"], EVENTS))
    works = _installed(tables, happened)
    said = _said(works, [row for row in happened if row["kind"] == "chargeable"])
    site = _Site.of(tables)
    rows = []
    for work in works:
        line = _priced(_measured(work, site), site.prices)
        line["chargeable"], line["said_by"], why = _charge(work, said)
        line["note"] = "; ".join(filter(None, (*line["notes"], why)))
        rows.append(line)
    done = list(zip(works, rows, strict=True))
    rows = rows + lines_beside(done, tables, happened, site.prices, settings)
    lines = conform(rows, PAY)
    return Pay(lines, _sums(lines, settings.retention_ratio))


@dataclass(frozen=True)
class _Site:
    """What measuring looks at: pipes, sleeves planned and built, connections, prices in force."""

    pipes: Mapping[str, Row]
    sleeves: Mapping[str, list[Row]]
    built: Mapping[str, list[Row]]
    live: Mapping[str, list[float]]
    prices: pd.DataFrame

    @classmethod
    def of(cls, tables: Tables) -> _Site:
        prices, counted = check(tables["prices"], PRICES), tables["price_quantities"]
        out = counted.loc[~counted["in_force"].astype(bool), "price_id"]
        pipes = records_in(pd.DataFrame(tables["pipes"][["pipe_id", "dn_mm", "length_m"]]))
        laterals = tables["laterals"]
        live: dict[str, list[float]] = {}
        for pipe_id, x_m in laterals.loc[
            laterals["state"] != "closed", ["pipe_id", "x_m"]
        ].itertuples(index=False):
            live.setdefault(str(pipe_id), []).append(float(x_m))
        return cls(
            {str(row["pipe_id"]): row for row in pipes},
            _by_pipe(records_in(tables["sleeves"])),
            _by_pipe(records_in(tables["as_built"])),
            live,
            prices[~prices["price_id"].isin(set(out))],
        )


def _by_pipe(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(str(row["pipe_id"]), []).append(row)
    return found


def _installed(tables: Tables, happened: Iterable[Row]) -> list[Row]:
    """List what is done, in time: sleeves as built, those that failed too, and other steps."""
    happened = list(happened)
    failures = [event for event in happened if event["kind"] == "failed"]
    built = [
        _undone({**row, "step": "sleeve", "at": row["installed_at"]}, failures)
        for row in records_in(check(tables["as_built"], AS_BUILT))
    ]
    names = {row["event_id"] for row in built}
    hours = {str(event["event_id"]): event["at"] for event in happened}
    rest = [
        {**row, "at": hours.get(str(row["event_id"]), row["at"])}
        for row in reports_of(check(tables["done"], DONE))
        if row["done_id"] not in names
    ]
    return in_time([*built, *rest])


def _undone(built: Row, failures: Iterable[Row]) -> Row:
    """Mark a sleeve that was reported done and does not lie there, since it failed."""
    if built["failed"]:
        return built
    for failure in failures:
        gone = built["removed_at"] and built["removed_at"] <= failure["at"]
        if not gone and failure["at"] >= built["at"] and same_work(failure, built):
            since = {"failed_at": failure["at"], "reason": failure["reason"]}
            return {**built, "failed": True, **since}
    return built


def _said(works: Sequence[Row], statements: Iterable[Row]) -> dict[str, Row]:
    """Give the last statement about each work that is done, by its event.

    A statement is about what was there when it was made; where one work was reported more than
    once before, it is about the last of them, so that nothing is paid twice by one statement.
    """
    said: dict[str, Row] = {}
    by_pipe = _by_pipe(works)
    for one in statements:
        own = by_pipe.get(str(one["pipe_id"]), [])
        about = [work for work in own if work["at"] <= one["at"] and same_work(work, one)]
        for at, work in enumerate(about):
            if not any(same_work(work, later) for later in about[at + 1 :]):
                said[str(work["event_id"])] = one
    return said


def _charge(work: Row, said: Mapping[str, Row]) -> tuple[str, str, str]:
    """Say whether a work may be charged, by which event, and what stands in the way."""
    one = said.get(str(work["event_id"]))
    if one is None and work.get("failed"):
        return "no", "", f"it failed: {work['reason']}"
    if one is None:
        return "unknown", "", "nobody said that it may be charged: not paid"
    if work.get("failed") and one["at"] < work["failed_at"]:
        return "unknown", str(one["event_id"]), "it failed after that was said: say it again"
    return "yes", str(one["event_id"]), ""


def _measured(work: Row, site: _Site) -> Row:
    """Give item, size, length and number of one work, and notes of what was not reported."""
    pipe = str(work["pipe_id"])
    planned = _planned(work, site.sleeves.get(pipe, []))
    line = {name: work[name] for name in ("event_id", "pipe_id", "step", "from_m", "to_m")}
    line |= {"installed_at": work["at"], "item": work["step"], "system": "", "times_count": 1}
    line |= {"sleeve_id": planned.get("sleeve_id", ""), "notes": []}
    if work["step"] == "sleeve":
        return line | _as_sleeve(work, planned, line["notes"])
    known = site.pipes.get(pipe, {"dn_mm": np.nan, "length_m": np.nan})
    start, end = ends_of(work)
    metres = (float(known["length_m"]) if np.isinf(end) else end) - start
    line |= {"dn_mm": known["dn_mm"], "length_m": round(max(metres, 0.0), 6)}
    if work["step"] == "reopen":
        held = [one for one in site.built.get(pipe, []) if overlap_by_half(one, work)]
        line |= {"length_m": 0.0, "system": held[-1]["system"] if held else ""}
        count = sum(start <= x_m <= end for x_m in site.live.get(pipe, []))
        line["times_count"] = count or pd.NA
        if not count:
            line["notes"].append("no connection is known there: how many were opened is not known")
    return line


def _planned(work: Row, sleeves: Iterable[Row]) -> Row:
    """Give the sleeve of the plan at the place of a sleeve or of what belongs to one."""
    if work["step"] not in ("sleeve", "reopen", "verify", "flow_control"):
        return {}
    return next((one for one in sleeves if overlap_by_half(one, work)), {})


def _as_sleeve(work: Row, planned: Row, notes: list[str]) -> Row:
    """Give system, size and length as reported; as planned there, and said, where not."""
    found: Row = {}
    for name in _BLANK:
        value = work.get(name, np.nan)
        if not (pd.isna(value) or value == ""):
            found[name] = value
        elif name == "length_m" and not pd.isna(work["to_m"]):
            found[name] = round(work["to_m"] - work["from_m"], 6)
            notes.append("length not reported: as it lies")
        elif planned.get(name):
            found[name] = planned[name]
            notes.append(f"{name} not reported: as planned there")
        else:
            found[name] = "" if name == "system" else np.nan
            notes.append(f"{name} not reported")
    return found


def _priced(line: Row, prices: pd.DataFrame) -> Row:
    """Price one line; what cannot be priced has no sum and a note."""
    if line["item"] not in MAIN_ITEMS and line["item"] not in set(prices["item"]):
        line["notes"].append(WITHIN)
        return line
    if line["item"] == "sleeve" and not line["system"]:
        return line
    size = (float(line["dn_mm"]), float(line["length_m"]))
    cents, price_id = list_prices(prices, line["item"], line["system"]).quote(*size)
    if cents is None:
        line["notes"].append(f"no price at DN {size[0]:g}" if np.isfinite(size[0]) else "no price")
        return line
    count = line["times_count"]
    line |= {"one_cents": cents, "price_id": price_id}
    return line | {"sum_cents": pd.NA if pd.isna(count) else int(count) * cents}


def _sums(lines: pd.DataFrame, ratio: float) -> pd.DataFrame:
    """Add up; retention on what may be charged, a half to the even cent."""
    if lines.empty:
        return empty(PAY_SUMS)
    charged = lines[lines["chargeable"] == "yes"]
    cents = int(charged["sum_cents"].fillna(0).sum())
    # The decimal that was written counts, not the double nearest to it.
    kept = round(Fraction(str(ratio)) * cents)
    within = lines["note"].str.contains(WITHIN, regex=False)
    bare = lines[lines["sum_cents"].isna() & ~within]
    works = lines[lines["item"] == lines["step"]]
    row = {
        "key": "project",
        "lines_count": len(works),
        "installed_cents": int(lines["sum_cents"].fillna(0).sum()),
        "chargeable_cents": cents,
        "retention_ratio": ratio,
        "retention_cents": kept,
        "payable_cents": cents - kept,
        "unknown_count": int((works["chargeable"] == "unknown").sum()),
        "unpriced_count": len(bare),
        "complete": bare.empty,
        "unpriced": ", ".join(sorted(set(bare["item"]))),
    }
    return conform([row], PAY_SUMS)
