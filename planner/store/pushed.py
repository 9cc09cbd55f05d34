"""The tables of one run in the team's database: pushed there whole.

The rows go by COPY into new tables beside the old ones, shapes as WKB, which the database's
geometry takes as it comes; then names change over. All of it is one transaction: a reader, or a
killed process, sees the old run or the new. A column without a single value, or with one value
alone, does not travel; the table has it, and a trigger keeps every row as it was pushed.
`planner.store.pulled` reads them back.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyproj

from planner.contracts import TABLES
from planner.errors import StoreError
from planner.ground.postgis import Session, quoted
from planner.store.alike import ALIKE, Alike, alike_in
from planner.store.postgis import BUSY_S, refuse_other_schema, take_turn
from planner.store.run_file import RunFile, read_run_file, shape_type
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
from planner.tables import Column, Table

_SQL = {
    "text": 'text collate "C"',  # the order of files, and quick to sort
    "date": "date",
    "number": "double precision",
    "whole": "bigint",
    "flag": "boolean",
}
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
            path.stem: _load(session, to, found[path.stem], read_run_file(path, found[path.stem]))
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


def _as_pusher(session: Session, schema: str) -> None:
    """Act as the role that owns the run's tables, so that any of its members can replace them."""
    who = role(schema, PUSHER)
    member = "select pg_has_role(session_user, rolname, 'member') from pg_roles where rolname = $1"
    if not session.value(member, [who]):
        message = f"{session.name}: no right to push: it asks for the role {who}"
        raise StoreError(message)
    session.run(f"set local role {quoted(who)}")


def _load(session: Session, to: _Target, table: Table, found: RunFile) -> dict[str, Any]:
    """Make one new table with its checks, fill it, then give it its key, indexes and comments."""
    fresh = f"{table.name}{to.suffix}"
    where = quoted(to.schema, fresh)
    layer: dict[str, Any] = {"rows": found.count, "blank": list(found.blank)}
    same = alike_in(found.numbered, found.count)
    rows = {"fid": pa.array(np.arange(1, found.count + 1))}
    if same is not None:
        rows[ALIKE] = pa.array(same.first, pa.int32())
        layer[ALIKE] = {"columns": same.columns, "kinds": same.kinds}
    # A value that stands in each row does not travel: the table fills it in.
    filled = {name: _constant(value) for name, value in found.still.items() if _is_plain(value)}
    rows |= {name: values for name, values in found.columns.items() if name not in filled}
    # Pages are filled as there is room: only a number of their own keeps the rows in order.
    parts = ["fid bigint not null", f"{ALIKE} integer"]
    parts += [
        f"{quoted(column.name)} {_sql_of(column, filled.get(column.name, ''))}"
        for column in table.columns
    ]
    if found.shapes is not None:
        layer["srid"] = _srid(session, to.postgis, found.metadata)
        kind = f"{shape_type(found.shapes)}, {layer['srid']}"
        parts.append(f"geometry {quoted(to.postgis)}.geometry({kind})")
        rows["geometry"] = found.shapes
    session.run(f"create table {where} ({', '.join([*parts, *_checks(table, fresh)])})")
    session.add(pa.table(rows), fresh, to.schema)
    session.run(*_indexes(table, fresh, where, list(filled)))
    if found.shapes is not None:
        session.run(
            f"create index {quoted(f'{fresh}_ix_geometry')} on {where} using gist (geometry)"
        )
    session.run(*comments_of(where, table), _comment_of_alike(where, same))
    return layer


def _sql_of(column: Column, filled: str) -> str:
    """Give the type of a column, what it takes by itself, and whether it may be unknown."""
    must = " not null" if column.kind == "text" or not column.blank else ""
    default = filled or ("''" if column.kind == "text" else "null")
    return f"{_SQL[column.kind]}{must} default {default}"


def _checks(table: Table, fresh: str) -> Iterator[str]:
    """Give the checks of a new table; each row is looked at as it comes, and not once more."""
    for column in table.columns:
        if check := check_of(column):
            yield f"constraint {quoted(f'{fresh}_ck_{column.name}')} check ({check})"


def _indexes(table: Table, fresh: str, where: str, filled: Sequence[str]) -> Iterator[str]:
    """Give the key and the indexes of a filled table; no later row would be filled in."""
    parts = [
        f"alter {quoted(name)} {default}"
        for name in filled
        for default in ["set default ''" if table[name].kind == "text" else "drop default"]
    ]
    if table.key:
        whole_key = all(table[name].kind == "text" or not table[name].blank for name in table.key)
        kind = "primary key" if whole_key else "unique nulls not distinct"
        key = ", ".join(quoted(name) for name in table.key)
        parts.append(f"add constraint {quoted(f'{fresh}_pk')} {kind} ({key})")
    if parts:
        yield f"alter table {where} {', '.join(parts)}"
    if "pipe_id" in table.names and table.key[:1] != ("pipe_id",):
        yield f"create index {quoted(f'{fresh}_ix_pipe')} on {where} (pipe_id)"


def _is_plain(value: object) -> bool:
    """Tell whether a value can stand in a statement, which ends at a zero byte."""
    return not (isinstance(value, str) and "\0" in value)


def _constant(value: object) -> str:
    """Write a value as SQL takes it, to the last bit."""
    return str(value).lower() if isinstance(value, bool) else literal(str(value))


def _comment_of_alike(where: str, same: Alike | None) -> str:
    """Say what the column of rows alike means."""
    alike = "fid of the first row that holds the same in " + ", ".join(same.columns if same else ())
    text = alike if same else "empty: no rows were looked for that are alike"
    return f"comment on column {where}.{ALIKE} is {literal(text)}"


def _srid(session: Session, home: str, metadata: Mapping[bytes, bytes]) -> int:
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
