"""What `sleeveplan store` does: make the team's store, push a run, pull, say how things stand."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from planner.contracts import EVENTS, REVISION_CHOICES
from planner.contracts.books import IDS, SETUP_IDS
from planner.errors import StoreError
from planner.ground.postgis import Session, connected, quoted
from planner.settings import PROJECT_FILE
from planner.store.chosen import STORE, StoreSpec, store_spec
from planner.store.decisions import STORE_TABLES
from planner.store.geopackage import GeoPackage
from planner.store.keeping import Change
from planner.store.migrations import schema_state
from planner.store.postgis import PostGis, refuse_other_schema, told
from planner.store.pulled import read_pushed
from planner.store.pushed import last_push, push_run
from planner.store.schema import WRITES, make_store, postgis_home, role
from planner.tables import Table

_GIVEN = (IDS, SETUP_IDS)  # given anew by each plan
_UNSIGNED = (*_GIVEN, REVISION_CHOICES)  # these have no column of who wrote them
_ADDED = tuple(table for table in STORE_TABLES if table not in _GIVEN)


def init_team(folder: Path, *, take_over: bool = False) -> list[str]:
    """Make the team's store, or bring it up to date.

    Parameters
    ----------
    folder
        Project folder, whose planner.toml names the service.
    take_over
        Copy what the project's own GeoPackage holds into the store, which must be empty.

    Returns
    -------
    lines
        What was done.

    Raises
    ------
    StoreError
        See `planner.store.schema.make_store`; or if there is something in the store already.
    """
    spec = _spec_of(folder)
    with told(spec.service, spec.schema), connected(spec.service) as session:
        lines = make_store(session, spec.schema)
    own = GeoPackage(folder / STORE).read_tables(STORE_TABLES)
    held = {name: len(frame) for name, frame in own.items() if len(frame)}
    if take_over:
        _take_over(PostGis(spec.service, spec.schema), own)
        lines.append(f"taken over from {STORE}: {_counts(held)}")
    elif held and not _anything(PostGis(spec.service, spec.schema)):
        lines.append(
            f"{STORE} holds {_counts(held)}, the team's store nothing: 'sleeveplan store init "
            "--take-over FOLDER' copies them"
        )
    return lines


def push_team(folder: Path, run: Path) -> list[str]:
    """Put the tables of a run into the team's database; see `planner.store.pushed.push_run`."""
    spec = _spec_of(folder)
    with told(spec.service, spec.schema), connected(spec.service) as session:
        rows = push_run(session, spec.schema, run)
    count = sum(rows.values())
    return [f"service {spec.service}: run {run.name} pushed, {len(rows)} tables, {count} rows"]


def pull_store(folder: Path) -> list[str]:
    """Bring the project's own GeoPackage up to what the team's store holds, under its numbers.

    Parameters
    ----------
    folder
        Project folder.

    Returns
    -------
    lines
        How many rows are new, by table.

    Raises
    ------
    StoreError
        If the GeoPackage holds a row that the team's store has not, or has otherwise; then
        nothing is changed.
    """
    spec = _spec_of(folder)
    theirs = PostGis(spec.service, spec.schema).read_tables(STORE_TABLES)
    lines = []
    own = GeoPackage(folder / STORE)
    with own.transaction(STORE_TABLES) as change:
        for table in _ADDED:
            fresh = _beyond(change.rows_of(table), theirs[table.name], table)
            change.add_rows(table, fresh)
            lines.append(f"{table.name}: {len(fresh)} new, {len(theirs[table.name])} in all")
        for table in _GIVEN:
            _refuse_own_ids(change.rows_of(table), theirs[table.name], table)
            change.replace_rows(table, theirs[table.name])
    return lines


def pull_run(folder: Path, target: Path) -> list[str]:
    """Write the tables that were pushed last into a new folder, as Parquet and run.json.

    Raises
    ------
    StoreError
        If nothing was pushed, or `target` is there already.
    """
    spec = _spec_of(folder)
    if target.exists():
        message = f"{target}: is there already; name a new folder"
        raise StoreError(message)
    part = Path(tempfile.mkdtemp(dir=target.parent, prefix=".part-"))
    try:
        with (
            told(spec.service, spec.schema),
            connected(spec.service) as session,
            session.snapshot(),
        ):
            refuse_other_schema(session, spec.schema)
            pushed = last_push(session, spec.schema)
            if pushed is None:
                message = f"service {spec.service}: no run was pushed yet"
                raise StoreError(message)
            (part / "parquet").mkdir()
            for name, frame in read_pushed(session, spec.schema, pushed):
                frame.to_parquet(part / "parquet" / f"{name}.parquet")
        text = json.dumps(pushed.record, indent=1, ensure_ascii=False) + "\n"
        (part / "run.json").write_text(text, "utf-8")
        part.chmod(0o755)
        part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return [f"run {pushed.run}, pushed by {pushed.by} at {pushed.at}: {target}"]


def team_status(folder: Path) -> list[str]:
    """Say what version the team's store is of, what it holds, who wrote last, who may what.

    Raises
    ------
    StoreError
        If it cannot be reached, or is of another version.
    """
    spec = _spec_of(folder)
    with (
        told(spec.service, spec.schema),
        connected(spec.service) as session,
        session.snapshot(),
    ):
        server = session.value("select current_setting('server_version')")
        version, wanted = schema_state(session, spec.schema)
        lines = [
            f"service {spec.service}: answers, PostgreSQL {server}, "
            f"PostGIS {'there' if postgis_home(session) else 'MISSING'}",
            f"schema {spec.schema}: version {version}, this program wants {wanted}",
        ]
        refuse_other_schema(session, spec.schema)
        lines.append(_rights_line(session, spec))
        lines += [_table_line(session, spec.schema, table) for table in STORE_TABLES]
        pushed = last_push(session, spec.schema)
    if pushed is None:
        return [*lines, "runs: none pushed"]
    rows = sum(layer["rows"] for layer in pushed.layers.values())
    return [
        *lines,
        f"runs: {pushed.run} pushed last, {len(pushed.layers)} tables, {rows} rows, "
        f"by {pushed.by} at {pushed.at}",
    ]


def _spec_of(folder: Path) -> StoreSpec:
    spec = store_spec(folder)
    if spec is None:
        message = (
            f"{folder / PROJECT_FILE}: names no team store; give [store] with service = a section "
            "of your pg_service.conf (docs/team_store.md)"
        )
        raise StoreError(message)
    return spec


def _counts(held: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in held.items()) or "nothing"


def _anything(keeping: PostGis) -> bool:
    return any(len(frame) for frame in keeping.read_tables(STORE_TABLES).values())


def _take_over(keeping: PostGis, own: Mapping[str, pd.DataFrame]) -> None:
    """Copy all rows into the team's store, in one change."""
    with keeping.transaction(STORE_TABLES) as change:
        held = [table.name for table in STORE_TABLES if len(change.rows_of(table))]
        if held:
            message = f"{keeping.name}: holds {', '.join(held)} already; nothing was taken over"
            raise StoreError(message)
        _add_all(change, own)


def _add_all(change: Change, own: Mapping[str, pd.DataFrame]) -> None:
    for table in STORE_TABLES:
        change.add_rows(table, own[table.name])


def _texts(frame: pd.DataFrame, names: list[str]) -> list[tuple[str, ...]]:
    return [tuple(row) for row in frame[names].astype(object).astype(str).to_numpy(dtype=object)]


def _beyond(own: pd.DataFrame, theirs: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Give the rows of `theirs` that `own` has not; each row of `own` must be one of them."""
    known = set(_texts(theirs, table.names))
    for row, key in zip(_texts(own, table.names), _texts(own, list(table.key)), strict=True):
        if row not in known:
            message = (
                f"{STORE}: {table.name} {' '.join(key)} is not in the team's store, or otherwise "
                "there; nothing was pulled. Send it by its form (sleeveplan "
                f"{'report' if table is EVENTS else 'accept'}), move {STORE} away and pull again"
            )
            raise StoreError(message)
    held = set(_texts(own, list(table.key)))
    fresh = [key not in held for key in _texts(theirs, list(table.key))]
    return theirs[pd.Series(fresh, theirs.index, dtype=bool)].reset_index(drop=True)


def _refuse_own_ids(own: pd.DataFrame, theirs: pd.DataFrame, table: Table) -> None:
    """Refuse ids that were given here and not in the team's store: a decision may hang on them."""
    # A thing keeps its id and its pipe; where it lies may have changed since.
    names = [*table.key, "pipe_id"] if "pipe_id" in table.names else list(table.key)
    lost = sorted(set(_texts(own, names)) - set(_texts(theirs, names)))
    if table is IDS and lost:
        message = (
            f"{STORE}: {len(lost)} ids were given here and not in the team's store, e.g. "
            f"{lost[0][1]}; nothing was pulled. Move {STORE} away and pull again"
        )
        raise StoreError(message)


def _rights_line(session: Session, spec: StoreSpec) -> str:
    """Say as what this user may act."""
    me = session.value("select session_user::text")
    sql = (
        "select rolname::text as name from pg_roles "
        "where pg_has_role(session_user, rolname, 'member')"
    )
    member = set(session.table(sql).column("name").to_pylist())
    held = [name for name in WRITES if role(spec.schema, name) in member]
    return f"user {me}: {', '.join(held) or 'has none of the roles'}"


def _table_line(session: Session, schema: str, table: Table) -> str:
    where = quoted(schema, table.name)
    count = session.value(f"select count(*)::bigint from {where}")
    line = f"{table.name}: {count} rows"
    if table in _UNSIGNED:
        return line
    last = "order by fid desc limit 1"
    sql = f"select written_by::text as by, written_at::text as at from {where} {last}"
    rows = session.table(sql).to_pylist()
    return line + (f", last by {rows[0]['by']} at {rows[0]['at']}" if rows else "")
