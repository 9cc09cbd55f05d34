"""The team's schema: made and brought up to date, with its checks, comments, roles and rights.

Tables, keys and indexes are made by the migrations of ``planner/data/store``, once each. What
follows from the contracts (closed lists of words, bounds, comments with units) and the rights
are made anew by each `make_store`.
"""

from __future__ import annotations

from collections.abc import Iterator

from planner.errors import StoreError
from planner.ground.postgis import Session, quoted
from planner.store.decisions import STORE_TABLES
from planner.store.migrations import migrations, schema_state
from planner.store.postgis import BUSY_S, refuse_other_schema, take_turn
from planner.tables import Column, Table

READER = "reader"
# What each role may add to, beside reading all; ids are given anew by each plan.
_IDS = ("ids", "setup_ids")
WRITES: dict[str, tuple[str, ...]] = {
    READER: (),
    "engineer": ("decisions", "revisions", "revision_choices", *_IDS),
    "planner": ("events", "week_edits", "pushes", *_IDS),
    "estimator": ("price_edits", *_IDS),
}
PUSHER = "planner"
_PUSHED = ("run", "layers", "record")


def run_schema(schema: str) -> str:
    """Name the schema that holds the tables of the run that was pushed last."""
    return f"{schema}_run"


def role(schema: str, name: str) -> str:
    """Name the group role of a store."""
    return f"{schema}_{name}"


def make_store(session: Session, schema: str) -> list[str]:
    """Make a store, or bring it up to date; to be run by who may make roles and schemas.

    Each migration is a transaction of its own; checks, comments and rights are another.

    Parameters
    ----------
    session
        Of the database.
    schema
        Where the tables shall stand.

    Returns
    -------
    lines
        What was done.

    Raises
    ------
    StoreError
        If the extension postgis is missing and cannot be made, or the store is of a later
        version than this program.
    PostgresError
        If the server refuses a step; the steps before it are kept, and can be run again.
    """
    lines = _need_postgis(session)
    found, wanted = schema_state(session, schema)
    if found > wanted:
        refuse_other_schema(session, schema)
    for number, statements in migrations().items():
        with session.change(BUSY_S):
            take_turn(session, schema)
            if schema_state(session, schema)[0] >= number:
                continue
            session.run(f"create schema if not exists {quoted(schema)}")
            session.run(*(one.replace("@schema@", quoted(schema)) for one in statements))
            table = quoted(schema, "schema_versions")
            session.run(f"insert into {table} (number) values ({number})")
        lines.append(f"migration {number} run")
    with session.change(BUSY_S):
        take_turn(session, schema)
        fresh = _make_roles(session, schema)
        session.run(*_dress(schema), *_rights(schema))
    lines += [f"role {name} made" for name in fresh]
    lines.append(f"{session.name}, schema {schema}: version {wanted}; checks, comments, rights set")
    return lines


def postgis_home(session: Session) -> str:
    """Give the schema that holds PostGIS; '' where the extension is not there."""
    sql = (
        "select n.nspname::text from pg_extension e join pg_namespace n on n.oid = e.extnamespace "
        "where e.extname = 'postgis'"
    )
    return str(session.value(sql) or "")


def need_postgis(session: Session) -> str:
    """Give the schema that holds PostGIS.

    Raises
    ------
    StoreError
        If the extension is not in this database.
    """
    home = postgis_home(session)
    if not home:
        message = (
            f"{session.name}: the extension postgis is not in this database; its owner or the "
            "server's administrator runs: create extension postgis"
        )
        raise StoreError(message)
    return home


def _need_postgis(session: Session) -> list[str]:
    """Make the extension where it is missing and this user may."""
    if postgis_home(session):
        return []
    sql = "select count(*)::bigint from pg_available_extensions where name = 'postgis'"
    if not session.value(sql):
        message = (
            f"{session.name}: PostGIS is not installed on the server; on Debian: "
            "apt install postgresql-15-postgis-3"
        )
        raise StoreError(message)
    if not session.value("select rolsuper from pg_roles where rolname = session_user"):
        need_postgis(session)
    with session.change(BUSY_S):
        session.run("create extension if not exists postgis")
    return ["extension postgis made"]


def _make_roles(session: Session, schema: str) -> list[str]:
    """Make the group roles that are missing; nobody logs in as one."""
    there = session.table("select rolname::text as name from pg_roles").column("name").to_pylist()
    fresh = [role(schema, name) for name in WRITES if role(schema, name) not in there]
    session.run(*(f"create role {quoted(name)} nologin" for name in fresh))
    reader = quoted(role(schema, READER))
    session.run(
        *(f"grant {reader} to {quoted(role(schema, name))}" for name in WRITES if name != READER)
    )
    if not session.value("select rolsuper from pg_roles where rolname = session_user"):
        # Who is no superuser may give a schema to a role only as its member.
        session.run(f"grant {quoted(role(schema, PUSHER))} to session_user")
    return fresh


def _rights(schema: str) -> Iterator[str]:
    """Give the rights of each role, table by table; nobody may change or remove what is kept."""
    reader, runs = quoted(role(schema, READER)), quoted(run_schema(schema))
    yield f"create schema if not exists {runs}"
    yield f"grant create on schema {runs} to {quoted(role(schema, PUSHER))}"
    yield f"grant usage on schema {quoted(schema)}, {runs} to {reader}"
    yield f"grant select on all tables in schema {quoted(schema)} to {reader}"
    columns = {table.name: tuple(table.names) for table in STORE_TABLES} | {"pushes": _PUSHED}
    for name, tables in WRITES.items():
        who = quoted(role(schema, name))
        for table in tables:
            # Not on written_by and written_at, which the server alone fills.
            given = ", ".join(quoted(column) for column in columns[table])
            yield f"grant insert ({given}) on {quoted(schema, table)} to {who}"
            if table in _IDS:
                yield f"grant delete on {quoted(schema, table)} to {who}"


def _dress(schema: str) -> Iterator[str]:
    """Make the checks and comments of the store's tables anew."""
    for table in STORE_TABLES:
        where = quoted(schema, table.name)
        for column in table.columns:
            name = quoted(f"{table.name}_{column.name}_check1")
            yield f"alter table {where} drop constraint if exists {name}"
        checks = [
            f"add constraint {quoted(f'{table.name}_{column.name}_check1')} check ({check})"
            for column in table.columns
            if (check := check_of(column))
        ]
        yield f"alter table {where} {', '.join(checks)}"
        yield from comments_of(where, table)


def check_of(column: Column) -> str:
    """Write what a contract asks of a column as a condition; '' where it asks nothing."""
    name = quoted(column.name)
    if column.one_of:
        words = [*column.one_of, *([""] if column.blank else [])]
        return f"{name} in ({', '.join(literal(word) for word in words)})"
    if column.kind == "text":
        return "" if column.blank else f"{name} <> ''"
    parts = [f"{name} <> 'NaN'"] if column.kind == "number" else []
    if column.low is not None:
        parts.append(f"{name} >= {column.low!r}")
    if column.high is not None:
        parts.append(f"{name} <= {column.high!r}")
    if column.kind == "number" and len(parts) > 1:
        parts.append(f"{name} < 'Infinity'")
    return " and ".join(parts)


def comments_of(where: str, table: Table) -> Iterator[str]:
    """Comment a table and each of its columns as the contract does, with the unit."""
    yield f"comment on table {where} is {literal(table.one_row)}"
    for column in table.columns:
        words = " | ".join(column.one_of)
        unit = f"[{column.unit}]" if column.unit not in ("", "-") else ""
        text = "; ".join(part for part in (column.meaning, words) if part)
        text = " ".join(part for part in (text, unit) if part) or column.name
        yield f"comment on column {where}.{quoted(column.name)} is {literal(text)}"


def literal(text: str) -> str:
    """Write a text as SQL takes it."""
    return "'" + text.replace("'", "''") + "'"
