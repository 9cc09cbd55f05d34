"""Each system's order of work: the owner's own lines, or the packaged ones of its cure.

A system with one line that cannot be used prints none: a list with a line left out would be
another list than the owner's, and ours in its place would be one that nobody asked for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources

import pandas as pd

from planner.contracts import ORDER_OF_WORK
from planner.errors import Fault, shown
from planner.ground.order_of_work import parse_line
from planner.inputs.records import read_records
from planner.tables import conform

PACKAGED = "sleeveplan, common practice"
_PREFIX = "system.order"


def read_order(
    records: list[object], systems: pd.DataFrame, file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read ``[[system.order]]`` in the order of the file; fill in what systems do not state.

    Parameters
    ----------
    records
        The lines of all systems, each with its ``system``.
    systems
        Rows of `SYSTEMS` that could be read.
    file
        Name in messages.

    Returns
    -------
    frame, faults
        Obeys `ORDER_OF_WORK`. A line that could not be read stays as '', so that lines and
        faults balance (`count_lines`).
    """
    own, faults = read_records(
        records, ORDER_OF_WORK, file, derived=("seq", "refused", "source"), required=("say",),
        prefix=_PREFIX,
    )  # fmt: skip
    says = dict(zip(own["row"].astype(int), own["say"], strict=True))
    names = set(systems["system"])
    rows: list[dict[str, object]] = []
    for row, record in enumerate(records, 1):
        system = str(record.get("system", "")) if isinstance(record, Mapping) else ""
        say = says.get(row, "")
        if say and system not in names:
            found, wanted = shown(system), "a system that could be read"
            faults.append(Fault(file, row, f"{_PREFIX}.system", found, wanted))
        elif say and (why := _wrong(say)):
            faults.append(Fault(file, row, f"{_PREFIX}.say", shown(say), why))
            say = ""
        if system in names:
            refused = "" if say else f"line {row} of [[system.order]] could not be read"
            rows.append({"system": system, "say": say, "refused": refused, "source": file})
    return _filled(pd.DataFrame(rows, columns=ORDER_OF_WORK.names), systems), faults


def count_lines(order: pd.DataFrame) -> int:
    """Count the owner's own lines that could be read."""
    return int(((order["source"] != PACKAGED) & (order["say"] != "")).sum())


def _wrong(say: str) -> str:
    try:
        parse_line(say)
    except ValueError as error:
        return str(error)
    return ""


def _filled(own: pd.DataFrame, systems: pd.DataFrame) -> pd.DataFrame:
    """Give each system its lines in order: let one bad line refuse all of them, add ours."""
    rows: list[dict[str, object]] = []
    for system, cure in zip(systems["system"], systems["cure"], strict=True):
        part = own[own["system"] == system]
        says, source = part["say"].tolist(), part["source"].tolist()
        refused = next((text for text in part["refused"] if text), "")
        if part.empty:
            says = list(_packaged()[cure])
            source = [PACKAGED] * len(says)
        rows += [
            {"system": system, "seq": seq, "say": say, "refused": refused, "source": whose}
            for seq, (say, whose) in enumerate(zip(says, source, strict=True), 1)
        ]
    return conform(rows, ORDER_OF_WORK)


@lru_cache(maxsize=1)
def _packaged() -> dict[str, list[str]]:
    text = resources.files("planner").joinpath("data/order_of_work.toml").read_text("utf-8")
    return tomllib.loads(text)
