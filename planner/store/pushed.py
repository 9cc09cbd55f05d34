"""The tables of one run in the team's database: pushed there whole, and read back.

The rows go by COPY into new tables beside the old ones, shapes as bytes into a table of the
session that the database itself turns into geometry; then names change over. All of it is one
transaction: a reader, or a killed process, sees the old run or the new. A column without a
single value does not travel; the table has it, and a trigger keeps every row as it was pushed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyproj
import shapely

from planner.arrays import unknown
from planner.contracts import TABLES
from planner.errors import StoreError
from planner.ground.postgis import Session, quoted
from planner.store.postgis import BUSY_S, plain_columns, refuse_other_schema, take_turn
from planner.store.schema import (
    PUSHER,
    READER,
    check_of,
    comments_of,
    literal,
    need_postgis,
    role,
    run_schema,
)
from planner.tables import DTYPES, Column, Table

_SQL = {
    "text": "text collate \"C\" not null default ''",  # the order of files, and quick to sort
    "date": "date",
    "number": "double precision",
    "whole": "bigint",
    "flag": "boolean",
}
_STAGE = "sleeveplan_stage"
_SORT_MB = 256  # for keys and indexes; a million ids are sorted without a file


@dataclass(frozen=True)
class Pushed:
    """What is said of the last push: its run, its tables, run.json, who pushed it and when.

    `layers` holds for each table its rows, the names of its columns without a value, and the
    system of its shapes.
    """

    number: int
    run: str
    layers: dict[str, dict[str, Any]]
    record: dict[str, object]
    by: str
    at: str


@dataclass(frozen=True)
class _Target:
    """Where a push goes: schema of the runs, schema of PostGIS, suffix of the new names."""

    schema: str
    postgis: str
    suffix: str


def push_run(session: Session, schema: str, run: Path) -> dict[str, int]:
    """Put the tables of a run in the place of those pushed before.

    Parameters
    ----------
    session
        Of a member of the role ``planner``.
    schema
        Of the store.
    run
        Folder of the run: ``parquet/*.parquet`` and ``run.json``.

    Returns
    -------
    rows
        How many by table.

    Raises
    ------
    StoreError
        If the run holds no tables, or tables of another version; then nothing was changed.
    """
    found = {table.name: table for table in TABLES}
    paths = [path for path in sorted((run / "parquet").glob("*.parquet")) if path.stem in found]
    if not paths:
        message = f"{run}: holds no parquet/*.parquet of a run; plan first"
        raise StoreError(message)
    record = (run / "run.json").read_text("utf-8")
    with session.change(BUSY_S):
        take_turn(session, schema)
        refuse_other_schema(session, schema)
        before = last_push(session, schema)
        number = 1 if before is None else before.number + 1
        _as_pusher(session, schema)
        session.run(f"set local maintenance_work_mem to '{_SORT_MB}MB'")
        to = _Target(run_schema(schema), need_postgis(session), f"__{number}")
        layers = {
            path.stem: _load(session, to, found[path.stem], _read_file(path, found[path.stem]))
            for path in paths
        }
        _change_over(session, to, set(layers), schema)
        session.run(
            f"insert into {quoted(schema, 'pushes')} (run, layers, record) values "
            f"({literal(run.name)}, {literal(json.dumps(layers))}, {literal(record)})"
        )
    return {name: layer["rows"] for name, layer in layers.items()}


def last_push(session: Session, schema: str) -> Pushed | None:
    """Say what was pushed last; None where nothing was."""
    sql = (
        "select number, run, layers::text as layers, record::text as record, written_by as by, "
        f"written_at::text as at from {quoted(schema, 'pushes')} order by number desc limit 1"
    )
    rows = session.table(sql).to_pylist()
    if not rows:
        return None
    row = rows[0]
    return Pushed(
        **{**row, "layers": json.loads(row["layers"]), "record": json.loads(row["record"])}
    )


def read_pushed(
    session: Session, schema: str, pushed: Pushed
) -> Iterator[tuple[str, pd.DataFrame]]:
    """Read the tables of the last push back, each as its run's Parquet file held it."""
    home = need_postgis(session)
    crs = str(pushed.record.get("source_crs") or "") or None
    for table in TABLES:
        if table.name not in pushed.layers:
            continue
        layer = pushed.layers[table.name]
        held = replace(
            table, columns=tuple(c for c in table.columns if c.name not in layer["blank"]), key=()
        )
        names = [
            f"{quoted(column.name)}::text" if column.kind == "date" else quoted(column.name)
            for column in held.columns
        ]
        if "srid" in layer:
            names.append(f"{quoted(home)}.ST_AsBinary(geometry)")
        where = quoted(run_schema(schema), table.name)
        found = _in_order(session.table(f"select {', '.join([*names, 'fid'])} from {where}"))
        frame = _frame(found.select(range(len(held.columns))), held, table)
        if "srid" in layer:
            shapes = shapely.from_wkb(found.columns[-1].to_numpy())
            frame = gpd.GeoDataFrame(frame, geometry=shapes, crs=crs)
        yield table.name, frame


def _frame(found: pa.Table, held: Table, table: Table) -> pd.DataFrame:
    """Give a table as its run's file holds it, with the columns that did not travel."""
    columns = plain_columns(found, held)
    # Quicker than `unknown` by a sixth of the whole read.
    empty_texts = pa.repeat(pa.scalar(""), found.num_rows).to_pandas()
    for column in table.columns:
        if column.name not in columns:
            text = column.kind in ("text", "date")
            columns[column.name] = empty_texts if text else unknown(column.kind, found.num_rows)
    return pd.DataFrame(
        {
            column.name: pd.Series(columns[column.name]).astype(
                "Int32" if column.kind == "flag" else DTYPES[column.kind]  # type: ignore[call-overload]
            )
            for column in table.columns
        }
    )


def _in_order(found: pa.Table) -> pa.Table:
    """Put rows in the order of their last column, and leave it out.

    Here and not in the query: a server sorts wide rows on disk, and most lie in order already.
    """
    at = found.columns[-1].to_numpy()
    plain = found.select(range(found.num_columns - 1))
    return plain if bool((np.diff(at) > 0).all()) else plain.take(np.argsort(at))


def _as_pusher(session: Session, schema: str) -> None:
    """Act as the role that owns the run's tables, so that any of its members can replace them."""
    who = role(schema, PUSHER)
    member = "select pg_has_role(session_user, rolname, 'member') from pg_roles where rolname = $1"
    if not session.value(member, [who]):
        message = f"{session.name}: no right to push: it asks for the role {who}"
        raise StoreError(message)
    session.run(f"set local role {quoted(who)}")


def _read_file(path: Path, table: Table) -> pa.Table:
    found = pq.read_table(path)
    lacking = [name for name in table.names if name not in found.column_names]
    if lacking:
        message = f"{path}: lacks {', '.join(lacking)}; plan again with this version"
        raise StoreError(message)
    return found


def _load(session: Session, to: _Target, table: Table, found: pa.Table) -> dict[str, Any]:
    """Make one new table, fill it, then give it its key, checks, indexes and comments."""
    fresh = f"{table.name}{to.suffix}"
    where = quoted(to.schema, fresh)
    columns = [
        f"{quoted(column.name)} {_SQL[column.kind]}{_not_null(column)}" for column in table.columns
    ]
    # Pages are filled as there is room: only a number of their own keeps the rows in order.
    columns.insert(0, "fid bigint not null")
    held = {column.name: _cast(found.column(column.name), column) for column in table.columns}
    blank = [name for name, values in held.items() if _is_blank(values)]
    rows = pa.table(
        {"fid": np.arange(1, found.num_rows + 1)}
        | {name: values for name, values in held.items() if name not in blank}
    )
    layer: dict[str, Any] = {"rows": found.num_rows, "blank": blank}
    if "geometry" in found.column_names:
        srid = _srid(session, to.postgis, found.schema.metadata or {})
        session.stage(rows.append_column("geometry", found.column("geometry")), _STAGE)
        shape = f"{quoted(to.postgis)}.geometry({_shape_type(session)}, {srid})"
        session.run(f"create table {where} ({', '.join([*columns, f'geometry {shape}'])})")
        given = ", ".join(quoted(name) for name in rows.column_names)
        made = f"{quoted(to.postgis)}.ST_GeomFromWKB(geometry, {srid})"
        session.run(
            f"insert into {where} ({given}, geometry) select {given}, {made} from {_STAGE}",
            f"drop table {_STAGE}",
            f"create index {quoted(f'{fresh}_ix_geometry')} on {where} using gist (geometry)",
        )
        layer["srid"] = srid
    else:
        session.run(f"create table {where} ({', '.join(columns)})")
        session.add(rows, fresh, to.schema)
    session.run(*_rules(table, fresh, where), *comments_of(where, table))
    return layer


def _is_blank(values: pa.ChunkedArray) -> bool:
    """Tell whether a column has no value: no figure, or no text that is longer than nothing."""
    if pa.types.is_string(values.type):
        return not pc.max(pc.binary_length(values)).as_py()
    return bool(values.null_count == len(values))


def _not_null(column: Column) -> str:
    return "" if column.blank or column.kind == "text" else " not null"


def _cast(values: pa.ChunkedArray, column: Column) -> pa.ChunkedArray:
    """Give a column of a Parquet file as the table takes it."""
    if column.kind == "date":
        return pc.if_else(pc.equal(values, ""), None, values).cast(pa.date32())
    if column.kind == "number":
        return pc.if_else(pc.is_nan(values), None, values)
    kinds = {"text": pa.string(), "whole": pa.int64(), "flag": pa.bool_()}
    return values.cast(kinds[column.kind])


def _rules(table: Table, fresh: str, where: str) -> Iterator[str]:
    """Give the key, the checks and the indexes of a new table, in as few scans as can be."""
    parts = [
        f"add constraint {quoted(f'{fresh}_ck_{column.name}')} check ({check})"
        for column in table.columns
        if (check := check_of(column))
    ]
    if table.key:
        whole_key = all(table[name].kind == "text" or not table[name].blank for name in table.key)
        kind = "primary key" if whole_key else "unique nulls not distinct"
        key = ", ".join(quoted(name) for name in table.key)
        parts.insert(0, f"add constraint {quoted(f'{fresh}_pk')} {kind} ({key})")
    if parts:
        yield f"alter table {where} {', '.join(parts)}"
    if "pipe_id" in table.names and table.key[:1] != ("pipe_id",):
        yield f"create index {quoted(f'{fresh}_ix_pipe')} on {where} (pipe_id)"


def _shape_type(session: Session) -> str:
    """Name the one type of shape that stands in the stage, else the type of any shape."""
    # Byte 2-5 of a WKB: 1 point, 2 line, ... ; 1000 more for a height.
    names = {1: "Point", 2: "LineString", 3: "Polygon", 5: "MultiLineString", 1001: "PointZ",
             1002: "LineStringZ"}  # fmt: skip
    sql = (
        "select distinct get_byte(geometry, 1) + 256 * get_byte(geometry, 2) as kind, "
        "get_byte(geometry, 0) as little, get_byte(geometry, 4) as high "
        f"from {_STAGE} where geometry is not null"
    )
    rows = session.table(sql).to_pylist()
    if len(rows) != 1 or rows[0]["little"] != 1 or rows[0]["high"]:
        return "Geometry"
    return names.get(rows[0]["kind"], "Geometry")


def _srid(session: Session, home: str, metadata: dict[bytes, bytes]) -> int:
    """Find the database's number for the system of a GeoParquet file; 0 = it has none."""
    geo = json.loads(metadata.get(b"geo", b"{}"))
    crs = geo.get("columns", {}).get("geometry", {}).get("crs")
    authority = pyproj.CRS.from_user_input(crs).to_authority() if crs else None
    if authority is None:
        return 0
    sql = (
        f"select srid::bigint from {quoted(home)}.spatial_ref_sys "
        "where auth_name = $1 and auth_srid::text = $2"
    )
    return int(str(session.value(sql, list(authority)) or 0))


def _change_over(session: Session, to: _Target, names: set[str], schema: str) -> None:
    """Take the old tables away and give the new ones their names and readers."""
    sql = "select tablename::text as name from pg_tables where schemaname = $1"
    there = session.table(sql, [to.schema]).column("name").to_pylist()
    known = {table.name for table in TABLES}
    session.run(
        *(f"drop table {quoted(to.schema, name)}" for name in sorted(known & set(there))),
        *(
            f"alter table {quoted(to.schema, name + to.suffix)} rename to {quoted(name)}"
            for name in sorted(names)
        ),
        *(
            f"create trigger never_changed before insert or update or delete or truncate on "
            f"{quoted(to.schema, name)} for each statement "
            f"execute function {quoted(schema)}.refuse_change()"
            for name in sorted(names)
        ),
        *(
            f"grant select on {quoted(to.schema, name)} to {quoted(role(schema, READER))}"
            for name in sorted(names)
        ),
    )
