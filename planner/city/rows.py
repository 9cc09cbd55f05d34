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

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from planner.city.code import code_mark
from planner.city.columns import SHAPES, array_of, arrow_table, frame_of, shapes_of
from planner.city.filing import (
    RECORD,
    check_of,
    fill_aside,
    read_held,
    read_json,
    read_record,
    read_table,
    told_whole,
    write_frame,
    write_held,
    write_record,
    write_table,
)
from planner.city.numbers import OWN, free_in
from planner.coded_text import Coded, Joined
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
from planner.held import Held
from planner.screening.locate import FEW_WORDS
from planner.tables import Column, Table, empty

_SMALL: dict[str, Table | None] = {
    "nodes": NODES, "laterals": LATERALS, "as_built": AS_BUILT, "measured": MEASURED,
    "decisions": DECISIONS, "matching": None,
}  # fmt: skip
_REST = "rest.arrow"
"""Tables with few columns or rows, mostly none: a file for each would cost more than its rows."""
_CHECKS = "checks"
_MATCHING = ("refused", "through")
_RUN, _NAMED, _BETWEEN = "run", ("inspection_id", "observation_id"), "#"


@dataclass(frozen=True)
class PartRows:
    """The rows of a part, and a number that is free in their texts.

    `held` as `Inputs` has it; `tables` are the others, among them ``matching``, which has a row
    for each of the inspections, as `split.Town` tells it.
    """

    held: dict[str, Held]
    tables: dict[str, pd.DataFrame]
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
        rest = {**tables, "matching": tables["matching"][list(_MATCHING)]}
        some = {name: arrow_table(rest[name]) for name in _SMALL if _is_kept(rest[name])}
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
    checks = record.get(_CHECKS, {})
    none = {name: empty(table) for name, table in _SMALL.items() if table and not table.geometry}
    of_pipes, of_runs, of_rows, of_rest = (
        folder / name
        for name in ("pipes.parquet", "inspections.parquet", "observations.parquet", _REST)
    )
    rest = dict(read_held(of_rest))
    pipes, runs, coded = (
        read_table(path, words, checks.get(path.name))
        for path, words in ((of_pipes, ()), (of_runs, ()), (of_rows, FEW_WORDS))
    )
    with told_whole(of_rest):
        held = {"nodes": _held_as(rest.pop("nodes"), NODES)}
        tables = none | {name: frame_of(one, _SMALL[name]) for name, one in rest.items()}
        held["laterals"] = Held.of(tables.pop("laterals"), LATERALS)
    with told_whole(of_pipes):
        held["pipes"] = _held_as(pipes, PIPES)
    with told_whole(of_runs):
        ids = array_of(runs, "inspection_id")
        inspections = frame_of(runs, INSPECTIONS)
        held["inspections"] = Held.of(inspections, INSPECTIONS)
        tables["matching"] = _beside(inspections, ids, tables.get("matching"))
    with told_whole(of_rows):
        held["observations"] = _held(coded, runs)
    return PartRows(held, tables, int(record.get("free", 0)))


def _beside(runs: pd.DataFrame, ids: Any, told: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ANN401
    """Give what was told of the runs `ids`, row for row beside `runs`."""
    if told is None:
        told = pd.DataFrame({"refused": pd.Series(dtype="str"), "through": pd.Series(dtype=bool)})
    if (runs["inspection_id"].array == ids).all():
        return told.assign(inspection_id=runs["inspection_id"].array)
    told = told.set_index(pd.Index(ids, name="inspection_id"))
    return told.loc[runs["inspection_id"]].reset_index()


def _held(coded: pa.Table, runs: pa.Table) -> Held:
    """Hold coded rows by column; a frame is made at once where a column is of another kind."""
    if _RUN not in coded.column_names:
        return _held_as(coded, OBSERVATIONS)
    if not _are_as_written(coded, OBSERVATIONS, _NAMED):
        return Held.of(frame_of(_by_name(coded, runs), OBSERVATIONS), OBSERVATIONS)
    # Runs know each other by name: none stands twice.
    words = pa.array(array_of(runs, "inspection_id"), type=pa.large_string())
    run = Coded(coded[_RUN].combine_chunks().to_numpy(), words)
    row = coded["row"].to_numpy()
    return Held(OBSERVATIONS, {
        **_later(coded, OBSERVATIONS),
        "inspection_id": lambda: run,
        "observation_id": lambda: Joined(run, _BETWEEN, row),
    })  # fmt: skip


def _held_as(rows: pa.Table, table: Table) -> Held:
    """Hold rows by column, shapes as bytes; as a frame where a column is of another kind."""
    if not _are_as_written(rows, table):
        return Held.of(frame_of(rows, table), table)
    return Held(table, _later(rows, table))


def _later(rows: pa.Table, table: Table) -> dict[str, Callable[[], Any]]:
    """Give columns for whoever reads them."""
    there = [name for name in table.names if name in rows.column_names]
    later: dict[str, Callable[[], Any]] = {name: partial(array_of, rows, name) for name in there}
    if table.geometry:
        # Made at once: a system of coordinates that the file does not tell is a fault of the file.
        shapes = shapes_of(rows)
        later[SHAPES] = lambda: shapes
    return later


_KINDS = {"number": pa.float64(), "whole": pa.int64(), "flag": pa.bool_()}


def _are_as_written(rows: pa.Table, table: Table, without: Sequence[str] = ()) -> bool:
    """Tell whether columns, but for some, are held as `write_rows` writes them."""
    if table.geometry and (SHAPES not in rows.column_names or rows[SHAPES].type != pa.binary()):
        return False
    return all(column.name in without or _is_as_written(rows, column) for column in table.columns)


def _is_as_written(rows: pa.Table, column: Column) -> bool:
    if column.name not in rows.column_names:
        return False
    held = rows[column.name]
    if column.kind in _KINDS:
        return bool(held.type == _KINDS[column.kind])
    texts = pa.types.is_large_string(held.type) or pa.types.is_dictionary(held.type)
    return texts and not held.null_count


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
