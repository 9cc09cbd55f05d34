"""The tables of the run that was pushed last, read back as its Parquet files held them.

A column without a value is not asked for, and what repeats is fetched once for each kind of
rows (`planner.store.alike`): a trigger keeps every row as it was pushed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from pandas.api.internals import (  # type: ignore[import-not-found]  # in no stub yet
    create_dataframe_from_blocks,
)

from planner.arrays import unknown
from planner.contracts import TABLES
from planner.errors import StoreError
from planner.ground.postgis import PostgresError, Session, quoted
from planner.store.alike import ALIKE, place_of
from planner.store.postgis import plain_columns
from planner.store.pushed import Pushed
from planner.store.schema import need_postgis, run_schema
from planner.tables import DTYPES, Table

_NO_TABLE = "42P01"


def read_pushed(
    session: Session, schema: str, pushed: Pushed
) -> Iterator[tuple[str, pd.DataFrame]]:
    """Read the tables of the last push back, each as its run's Parquet file held it.

    Parameters
    ----------
    session
        Within a `Session.snapshot`, so that all is of one moment.
    schema
        Of the store.
    pushed
        What `last_push` said at that moment.

    Raises
    ------
    StoreError
        If another run was pushed since that moment, or somebody changed rows past the trigger
        that keeps them.
    """
    home = quoted(need_postgis(session))
    names = [
        quoted(run_schema(schema), table.name) for table in TABLES if table.name in pushed.layers
    ]
    try:
        # A push puts other tables under these names: from now on it waits for us.
        session.run(f"lock table {', '.join(names)} in access share mode")
    except PostgresError as error:
        raise (_pushed_since(session) if error.state == _NO_TABLE else error) from error
    crs = str(pushed.record.get("source_crs") or "") or None
    for table in TABLES:
        if table.name not in pushed.layers:
            continue
        layer = pushed.layers[table.name]
        where = quoted(run_schema(schema), table.name)
        repeated = layer[ALIKE]["columns"] if ALIKE in layer else ()
        held = _part(table, set(table.names) - {*layer["blank"], *repeated})
        parts = _names(held)
        parts += [f"{home}.ST_AsBinary(geometry)"] if "srid" in layer else []
        parts += [ALIKE] if repeated else []
        found = _in_order(session.table(f"select {', '.join([*parts, 'fid'])} from {where}"))
        if found.num_rows != layer["rows"]:  # Rows of a later push are not to be seen.
            raise _pushed_since(session)
        columns = plain_columns(found.select(range(len(held.columns))), held)
        if repeated:
            same = _part(table, set(repeated))
            columns |= _kinds(session, where, same, found.columns[-1], layer[ALIKE]["kinds"])
        frame = _frame(columns, table, found.num_rows)
        if "srid" in layer:
            shapes = shapely.from_wkb(found.columns[len(held.columns)].to_numpy())
            frame = gpd.GeoDataFrame(frame, geometry=shapes, crs=crs)
        yield table.name, frame


def _pushed_since(session: Session) -> StoreError:
    return StoreError(f"{session.name}: another run was pushed at this moment; try again")


def _part(table: Table, names: set[str]) -> Table:
    """Give a table of some of its columns."""
    return replace(table, columns=tuple(c for c in table.columns if c.name in names), key=())


def _names(table: Table) -> list[str]:
    """Write the columns as a query asks for them."""
    return [
        f"{quoted(column.name)}::text" if column.kind == "date" else quoted(column.name)
        for column in table.columns
    ]


def _kinds(
    session: Session, where: str, same: Table, first: pa.ChunkedArray, kinds: int
) -> dict[str, Any]:
    """Fetch the first row of each kind, and write its values out for all rows alike."""
    names = ", ".join(_names(same))
    # The limit ends the scan at the last kind.
    sql = f"select {names}, {ALIKE} from {where} where fid = {ALIKE} limit {int(kinds)}"
    found = session.table(sql)
    # A row that names none has no place.
    place = place_of(pc.fill_null(first, -1).to_numpy(), found.columns[-1].to_numpy())
    if place is None:
        message = f"{session.name}: {where}: rows are no longer as they were pushed; push again"
        raise StoreError(message)
    words = plain_columns(found.select(range(len(same.columns))), same)
    return {name: values.take(place) for name, values in words.items()}


def _frame(found: Mapping[str, Any], table: Table, count: int) -> pd.DataFrame:
    """Give a table as its run's file holds it, with the columns that did not travel.

    Numbers are written into one block at once: each copy of a column costs its memory anew.
    """
    numbers = [at for at, column in enumerate(table.columns) if column.kind == "number"]
    both = np.full((len(numbers), count), np.nan)
    blocks = [(both, np.array(numbers, dtype=np.int64))] if numbers else []
    none = unknown("text", count)
    for at, column in enumerate(table.columns):
        values = found.get(column.name)
        if column.kind == "number":
            if values is not None:
                both[numbers.index(at)] = values
            continue
        if values is None:
            text = column.kind in ("text", "date")
            values = none.copy() if text else unknown(column.kind, count)  # It holds no texts anew.
        kind = "Int32" if column.kind == "flag" else DTYPES[column.kind]
        blocks.append((pd.Series(values).astype(kind).array, np.array([at])))  # type: ignore[call-overload]
    out: pd.DataFrame = create_dataframe_from_blocks(
        blocks, pd.RangeIndex(count), pd.Index(table.names)
    )
    return out


def _in_order(found: pa.Table) -> pa.Table:
    """Put rows in the order of their last column, and leave it out.

    Here and not in the query: a server sorts wide rows on disk, and most lie in order already.
    """
    at = found.columns[-1].to_numpy()
    plain = found.select(range(found.num_columns - 1))
    return plain if bool((np.diff(at) > 0).all()) else plain.take(np.argsort(at))
