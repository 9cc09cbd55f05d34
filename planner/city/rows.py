"""The rows of a part in files: coded rows know their run by its place, not by its name.

Names of runs and of rows are put together again where a part is read; where they do not
follow from the places they are kept as texts.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from planner.arrays import arrow_of
from planner.city.code import code_mark
from planner.city.columns import array_of, arrow_table, frame_of
from planner.city.filing import (
    fill_aside,
    read_frame,
    read_held,
    read_record,
    read_table,
    told_whole,
    write_frame,
    write_held,
    write_record,
    write_table,
)
from planner.coded_text import coded_in
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
from planner.screening.locate import FEW_WORDS
from planner.tables import Table

_SMALL: dict[str, Table | None] = {
    "nodes": NODES, "laterals": LATERALS, "as_built": AS_BUILT, "measured": MEASURED,
    "decisions": DECISIONS, "matching": None,
}  # fmt: skip
_REST = "rest.arrow"
"""Tables with few columns or rows, mostly none: a file for each would cost more than its rows."""
_MATCHING = ("refused", "through")
_RUN = "run"


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
        write_held(part / _REST, {name: arrow_table(rest[name]) for name in _SMALL})
        write_record(part, {"code": code_mark()})

    fill_aside(target, fill)


def are_there(folder: Path) -> bool:
    """Tell whether `write_rows` of this very code wrote a folder, and its files are whole."""
    # Another version may lay the same rows out in other files.
    return read_record(folder).get("code") == code_mark()


def read_rows(folder: Path) -> dict[str, pd.DataFrame]:
    """Read what `write_rows` wrote, by the contracts; ``matching`` has the name of each run.

    Raises
    ------
    CityError
        If a file is damaged.
    """
    rows = {name: frame_of(held, _SMALL[name]) for name, held in read_held(folder / _REST)}
    rows["pipes"] = read_frame(folder / "pipes.parquet", PIPES)
    of_runs, of_rows = (folder / f"{name}.parquet" for name in ("inspections", "observations"))
    runs, observations = read_table(of_runs), read_table(of_rows, FEW_WORDS)
    with told_whole(of_runs):
        rows["matching"] = rows["matching"].assign(inspection_id=array_of(runs, "inspection_id"))
        rows["inspections"] = frame_of(runs, INSPECTIONS)
    with told_whole(of_rows):
        rows["observations"] = _coded(_by_name(observations, runs))
    return rows


def _coded(held: pa.Table) -> pd.DataFrame:
    """Give coded rows by their contract, and note the numbers of texts as they are held."""
    frame = frame_of(held, OBSERVATIONS)
    ids = arrow_of(frame["observation_id"].array)
    if ids is not None and ids.equals(held["observation_id"]):  # not sorted anew
        for one in held.schema:
            if pa.types.is_dictionary(one.type):
                coded_in(frame, one.name, array_of(held, one.name))
    return frame


def _by_place(rows: pa.Table, runs: pa.Table) -> pa.Table:
    """Put the places of runs for their names, where names of runs and rows follow from them."""
    at = pc.index_in(rows["inspection_id"], runs["inspection_id"]).combine_chunks()
    if at.null_count or rows["row"].null_count:
        return rows
    names = _names(runs, at, rows["row"])
    if not rows["observation_id"].equals(pa.chunked_array([names["observation_id"]])):
        return rows
    return rows.drop_columns(list(names)).append_column(_RUN, at)


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
    joined = pc.binary_join_element_wise(ids, numbers, pa.scalar("#", pa.large_string()))
    return {"inspection_id": ids, "observation_id": joined}
