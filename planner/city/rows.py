"""The rows of a part in files: coded rows know their run by its place, not by its name.

Names of runs and of rows are put together again where a part is read; where they do not
follow from the places they are kept as texts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from planner.arrays import column_of
from planner.city.code import code_mark
from planner.city.columns import SHAPES, array_of, arrow_table, frame_of, shapes_of
from planner.city.filing import (
    RECORD,
    Stored,
    check_of,
    fill_aside,
    read_held,
    read_json,
    read_record,
    read_stored,
    told_whole,
    write_frame,
    write_held,
    write_record,
    write_table,
)
from planner.city.numbers import OWN, free_in
from planner.coded_text import Coded, Joined, marks_of
from planner.contracts import (
    AS_BUILT,
    DECISIONS,
    INSPECTIONS,
    LATERALS,
    MEASURED,
    NODES,
    OBSERVATIONS,
    PIPES,
)
from planner.distinct import places_in
from planner.held import Held
from planner.inputs.inputs import HELD
from planner.screening.match import Matched
from planner.screening.placed import FEW_WORDS
from planner.tables import Column, Table, empty

_SMALL = {
    "nodes": NODES, "laterals": LATERALS, "as_built": AS_BUILT, "measured": MEASURED,
    "decisions": DECISIONS,
}  # fmt: skip
_MATCHING = "matching"
_REST = "rest.arrow"
"""Tables with few columns or rows, mostly none: a file for each would cost more than its rows."""
_CHECKS = "checks"
_TOLD = ("refused", "through")
_RUN, _NAMED, _BETWEEN = "run", ("inspection_id", "observation_id"), "#"
_NOW = {
    "pipes": ("pipe_id", "us_node", "ds_node", "shape", "height_mm", "dn_mm", "size_estimated",
              "material", "lined", "stated_m", "drawn_m", "us_invert_m", "ds_invert_m",
              "water_over_crown_m", "laterals_known_from_m", "laterals_known_to_m", SHAPES),
    "inspections": ("inspection_id", "pipe_id", "counter_node", "date", "zero_at", "surveyed_m",
                    "complete", "laterals_coded", "size_mm", "material", "scheme", "file"),
    "observations": ("s_m", "clock_from_h", "clock_to_h", "stretch", "at_joint",
                     "mechanism", "role", "quantity", "quantity_low", "quantity_high", "detail",
                     "shows", "row", "run", *_NAMED),
}  # fmt: skip
"""Columns that are looked at up to the verdicts and grades; the others mostly wait for words."""
_BY_NUMBER = {
    "pipes": ("shape", "material"),
    "inspections": ("date", "zero_at", "laterals_coded", "material", "scheme", "file"),
    "observations": (*FEW_WORDS, "stretch"),
}
"""Texts that are few and stand in many rows."""


@dataclass(frozen=True)
class PartRows:
    """The rows of a part, whose its runs are, and a number that is free in all texts.

    `held` as `Inputs` has it; `tables` are the others.
    """

    held: dict[str, Held]
    tables: dict[str, pd.DataFrame]
    matched: Matched
    free: int


def write_rows(target: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write the rows of a part into a folder, aside and renamed; an earlier one is replaced.

    Parameters
    ----------
    target
        The folder.
    tables
        As `split.Town.part` gives them: each in the order of its contract, so that none has
        to be sorted where it is read, and ``matching`` row for row beside ``inspections``.
    """

    def fill(part: Path) -> None:
        runs = arrow_table(tables["inspections"])
        observations = arrow_table(tables["observations"])
        write_frame(part / "pipes.parquet", tables["pipes"])
        write_table(part / "inspections.parquet", runs)
        write_table(part / "observations.parquet", _by_place(observations, runs))
        rest = {name: tables[name] for name in _SMALL}
        rest[_MATCHING] = tables[_MATCHING][list(_TOLD)]
        some = {name: arrow_table(frame) for name, frame in rest.items() if _is_kept(frame)}
        write_held(part / _REST, some)
        free = free_in(tables[name] for name in (*OWN, "decisions"))
        checks = {path.name: check_of(path.read_bytes()) for path in part.glob("*.parquet")}
        write_record(part, {"code": code_mark(), "free": free, _CHECKS: checks})

    fill_aside(target, fill)


def _is_kept(frame: pd.DataFrame) -> bool:
    # A table without rows still says in which system its shapes are.
    return len(frame) > 0 or "geometry" in frame.columns


def are_there(folder: Path) -> bool:
    """Tell whether `write_rows` of this very code wrote a folder, and its files are whole."""
    # Another version may lay the same rows out in other files.
    return read_record(folder).get("code") == code_mark()


def read_rows(folder: Path) -> PartRows:
    """Read what `write_rows` wrote, by the contracts.

    Raises
    ------
    CityError
        If a file is damaged.
    """
    record = read_json(folder / RECORD)
    paths = {name: folder / f"{name}.parquet" for name in _NOW}
    checks = record.get(_CHECKS, {})
    stored = {
        name: read_stored(path, _NOW[name], _BY_NUMBER[name], checks.get(path.name))
        for name, path in paths.items()
    }
    rest = {name: Stored(held, held.schema) for name, held in read_held(folder / _REST)}
    with told_whole(folder / _REST):
        held: dict[str, Held] = {name: _held_as(rest.pop(name), HELD[name])
                for name in ("nodes", "laterals") if name in rest}  # fmt: skip
        told = rest.pop(_MATCHING, None)
        there = {name: frame_of(one.now, _SMALL[name]) for name, one in rest.items()}
    with told_whole(paths["pipes"]):
        held["pipes"] = _held_as(stored["pipes"], PIPES)
    with told_whole(paths["inspections"]):
        heads = held["inspections"] = _held_as(stored["inspections"], INSPECTIONS)
        matched = _matched(heads, stored["inspections"], told)
    with told_whole(paths["observations"]):
        held["observations"] = _held(stored["observations"], stored["inspections"])
    none = {name: empty(_SMALL[name]) for name in _SMALL if name not in {*there, *held}}
    held |= {name: Held.of(none.pop(name), HELD[name]) for name in HELD if name in none}
    return PartRows(held, none | there, matched, int(record.get("free", 0)))


def _matched(heads: Held, runs: Stored, told: Stored | None) -> Matched:
    """Give what was told of the runs in the order of a file, row for row beside `heads`."""
    if told is None and not len(heads):
        return Matched(heads, column_of(pa.array([], pa.large_string())), np.zeros(0, dtype=bool))
    if told is None or told.now.num_rows != len(heads):
        raise LookupError
    refused, through = (array_of(told.now, name) for name in _TOLD)
    if not heads.by_column:
        ids = array_of(runs.holding("inspection_id"), "inspection_id")
        at = places_in(heads.column("inspection_id"), ids)
        refused, through = refused.take(at), through.take(at)
    return Matched(heads, refused, marks_of(through))


def _held(coded: Stored, runs: Stored) -> Held:
    """Hold coded rows by column; a frame is made at once where a column is of another kind."""
    if _RUN not in coded.schema.names:
        return _held_as(coded, OBSERVATIONS)
    named = runs.holding("inspection_id")
    if not _are_as_written(coded, OBSERVATIONS, _NAMED):
        return Held.of(frame_of(_by_name(coded.whole(), named), OBSERVATIONS), OBSERVATIONS)
    # Runs know each other by name: none stands twice.
    words = pa.array(array_of(named, "inspection_id"), type=pa.large_string())
    run = Coded(coded.holding(_RUN)[_RUN].combine_chunks().to_numpy(), words)
    row = coded.holding("row")["row"].to_numpy()
    return Held(OBSERVATIONS, {
        **_later(coded, OBSERVATIONS),
        "inspection_id": lambda: run,
        "observation_id": lambda: Joined(run, _BETWEEN, row),
    })  # fmt: skip


def _held_as(rows: Stored, table: Table) -> Held:
    """Hold rows by column, shapes as bytes; as a frame where a column is of another kind."""
    if not _are_as_written(rows, table):
        return Held.of(frame_of(rows.whole(), table), table)
    return Held(table, _later(rows, table))


def _later(rows: Stored, table: Table) -> dict[str, Callable[[], Any]]:
    """Give columns for whoever reads them."""

    def column(name: str) -> Any:  # noqa: ANN401 - any array
        return array_of(rows.holding(name), name)

    there = set(rows.schema.names)
    later: dict[str, Callable[[], Any]]
    later = {name: partial(column, name) for name in table.names if name in there}
    if table.geometry:
        # Made at once: a system of coordinates that the file does not tell is a fault of the file.
        shapes = shapes_of(rows.now)
        later[SHAPES] = lambda: shapes
    return later


_KINDS = {"number": pa.float64(), "whole": pa.int64(), "flag": pa.bool_()}


def _are_as_written(rows: Stored, table: Table, without: Sequence[str] = ()) -> bool:
    """Tell whether columns, but for some, are held as `write_rows` writes them."""
    kinds = dict(zip(rows.schema.names, rows.schema.types, strict=True))
    if table.geometry and kinds.get(SHAPES) != pa.binary():
        return False
    return all(
        column.name in without or _is_as_written(kinds.get(column.name), column)
        for column in table.columns
    ) and not any(
        rows.now[name].null_count for name in rows.now.column_names if _is_text(kinds[name])
    )


def _is_as_written(kind: pa.DataType | None, column: Column) -> bool:
    wanted = _KINDS.get(column.kind)
    return kind == wanted if wanted else _is_text(kind)


def _is_text(kind: pa.DataType | None) -> bool:
    return kind is not None and (pa.types.is_large_string(kind) or pa.types.is_dictionary(kind))


def _by_place(rows: pa.Table, runs: pa.Table) -> pa.Table:
    """Put the places of runs for their names, where names of runs and rows follow from them."""
    at = pc.index_in(rows["inspection_id"], runs["inspection_id"]).combine_chunks()
    if at.null_count or rows["row"].null_count:
        return rows
    names = _names(runs, at, rows["row"])
    if not rows["observation_id"].equals(pa.chunked_array([names["observation_id"]])):
        return rows
    return rows.drop_columns(list(_NAMED)).append_column(_RUN, at)


def _by_name(rows: pa.Table, runs: pa.Table) -> pa.Table:
    """Put the names back."""
    if _RUN not in rows.column_names:
        return rows
    for name, texts in _names(runs, rows[_RUN], rows["row"]).items():
        rows = rows.append_column(name, texts)
    return rows


def _names(runs: pa.Table, at: Any, row: Any) -> dict[str, pa.ChunkedArray]:  # noqa: ANN401 - columns
    """Give the names of the runs at the places `at`, and of their rows."""
    ids = runs["inspection_id"].take(at)
    numbers = row.cast(pa.large_string())
    joined = pc.binary_join_element_wise(ids, numbers, pa.scalar(_BETWEEN, pa.large_string()))
    return {"inspection_id": ids, "observation_id": joined}
