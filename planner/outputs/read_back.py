"""Tables of a run read back from its folder, as `files.write_tables` wrote them."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio  # type: ignore[import-untyped]

from planner.errors import FileError, shown
from planner.outputs.files import plain_text
from planner.run_folders import own_file
from planner.tables import Column, Table, conform


def read_tables(run: Path, tables: Iterable[Table], local_crs: str) -> dict[str, pd.DataFrame]:
    """Read tables of a run; one that the run did not write is left out.

    Parameters
    ----------
    run
        Folder of the run.
    tables
        Contracts; shapes of those with a geometry come out of ``plan.gpkg``.
    local_crs
        The projection that the run measured in; shapes are turned into it.

    Raises
    ------
    FileError
        If a table is damaged: a column missing, a cell that is no figure, other rows in
        ``plan.gpkg``.
    """
    found = {}
    for table in tables:
        path = own_file(run, run / "tables" / f"{table.name}.csv")
        if not path.is_file():
            continue
        frame = read_table(path, table)
        if table.geometry:
            frame = _with_shapes(frame, run, table, local_crs)
        found[table.name] = conform(frame, table, crs=local_crs or None)
    return found


def read_table(path: Path, table: Table) -> pd.DataFrame:
    """Read one table's CSV, typed, in the order of the file.

    Raises
    ------
    FileError
        If it has not the columns of `table`, or a cell that is none of their kind.
    """
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.reader(file))
    except (UnicodeDecodeError, csv.Error) as error:
        message = f"{path}: no table as the run wrote it: {error}"
        raise FileError(message) from None
    if not rows or rows[0] != table.names:
        message = f"{path}: wants the columns {', '.join(table.names)} as the run wrote them"
        raise FileError(message)
    if any(len(row) != len(table.names) for row in rows):
        message = f"{path}: a row has not {len(table.names)} cells"
        raise FileError(message)
    cells = list(zip(*rows[1:], strict=True)) or [()] * len(table.names)
    return pd.DataFrame(
        {
            column.name: pd.Series([_value(path, column, cell) for cell in own], dtype=object)
            for column, own in zip(table.columns, cells, strict=True)
        }
    )


def _value(path: Path, column: Column, cell: str) -> Any:  # noqa: ANN401 - by the column's kind
    if column.kind in ("text", "date"):
        return plain_text(cell)
    if cell == "":
        return math.nan if column.kind == "number" else None
    try:
        if column.kind == "flag":
            return {"yes": True, "no": False}[cell]
        if column.kind == "whole":
            return int(np.int64(int(cell)))
        return float(cell)
    except (KeyError, ValueError, OverflowError):
        message = f"{path}, column {column.name}: found '{shown(cell)}', wanted a {column.kind}"
        raise FileError(message) from None


def _with_shapes(frame: pd.DataFrame, run: Path, table: Table, local_crs: str) -> gpd.GeoDataFrame:
    path = own_file(run, run / "plan.gpkg")
    if frame.empty:
        return gpd.GeoDataFrame(frame, geometry=[], crs=local_crs or None)
    layer = pyogrio.read_dataframe(path, layer=table.name)
    if len(layer) != len(frame):
        message = f"{path}: {len(layer)} {table.name} in it, {len(frame)} in the table beside"
        raise FileError(message)
    shapes = layer.geometry.to_crs(local_crs) if local_crs else layer.geometry
    return gpd.GeoDataFrame(frame, geometry=shapes.to_numpy(), crs=local_crs or None)


def read_record(run: Path) -> dict[str, Any]:
    """Read what ``run.json`` says.

    Raises
    ------
    FileError
        If it is not there or is no record.
    """
    path = own_file(run, run / "run.json")
    try:
        record = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        message = f"{path}: not there or not readable; is {run} the folder of a run?"
        raise FileError(message) from None
    if not isinstance(record, dict) or "settings" not in record:
        message = f"{path}: no record of a run"
        raise FileError(message)
    return {str(key): value for key, value in record.items()}
