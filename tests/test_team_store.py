"""The team's store in a real PostGIS: the same as the GeoPackage, guarded by the database."""

from __future__ import annotations

import itertools
import os
import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest
from postgis_server import Server, running
from store_crashes import write_runs
from test_store_decisions import decision, form, known_of

from planner.contracts import (
    DECISIONS,
    EVENTS,
    REVISION_CHOICES,
    REVISIONS,
    WEEK_EDITS,
)
from planner.errors import SettingsError, StaleError, StoreError
from planner.ground.postgis import connected
from planner.inputs.project import read_project
from planner.run_folders import RUNS
from planner.store import migrations
from planner.store.chosen import STORE, store_of, store_spec
from planner.store.decisions import STORE_TABLES, Store, open_store
from planner.store.geopackage import GeoPackage
from planner.store.postgis import PostGis
from planner.store.schema import WRITES, make_store
from planner.store.team import init_team, pull_store, push_team, team_status
from planner.tables import conform

EVIL = "'); DROP TABLE decisions; -- <b>${x}</b> \\ %s é中🚧\n\"$1"
_SCHEMAS = (f"s{n}" for n in itertools.count())


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A server of this module's own, with a person for each role and one without any."""
    with running() as found:
        for name in (*WRITES, "stranger"):
            found.sql(f"create role {name} login")
            found.serve(name, name)
        yield found


@pytest.fixture(autouse=True)
def services(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """Name the services of the server to libpq, and no password."""
    monkeypatch.setenv("PGSERVICEFILE", str(server.services))
    monkeypatch.setenv("PGPASSFILE", str(server.folder / "none"))


@pytest.fixture
def schema(server: Server) -> str:
    """A store of the test's own."""
    name = next(_SCHEMAS)
    with connected("owner") as session:
        make_store(session, name)
    for one in WRITES:
        server.sql(f"grant {name}_{one} to {one}")
    return name


def project(folder: Path, schema: str, service: str = "owner") -> Path:
    folder.mkdir(exist_ok=True)
    text = f'[store]\nservice = "{service}"\nschema = "{schema}"\n'
    (folder / "planner.toml").write_text(text)
    return folder


def event(at: str, **more: object) -> dict[str, object]:
    return {"kind": "done", "at": at, "by": EVIL, "pipe_id": "p", "step": "clean", **more}


def edit(setup: str, **more: object) -> dict[str, object]:
    row = {"setup_id": setup, "change": "lock", "by": "P", "on": "2026-03-02", "reason": "r"}
    return {**row, "version": int(setup[1:]), "at": "2026-03-02T10:00", "run": "0001", **more}


def fill(store: Store) -> list[object]:
    """Go through all that a store does; give all that it says."""
    said: list[object] = []
    said += store.append_decisions(form(decision(), decision("p0", by=EVIL)))
    said += store.append_decisions(form(decision("p2"), decision()), {"p1": 1, "p2": 0})
    with pytest.raises(StaleError) as stale:
        store.append_decisions(form(decision("p2", reason="late")), {"p2": 0})
    said += [str(stale.value), stale.value.versions]
    edits = [edit("s1", date="2026-03-04"), edit("s2")]
    said.append(store.append_week_edits(conform(edits, WEEK_EDITS), {"s1": 0, "s2": 0}))
    events = [
        event("2026-01-02T08:00", spent=True, in_pipe=False, from_m=0.1 + 0.2, until="2026-02-28"),
        event("2026-01-01T08:00", pieces_count=2**53 + 1, mass_kg=1e-300),
    ]
    given = pd.DataFrame([{**row, "event_id": f"{n}"} for n, row in enumerate(events)])
    said.append(store.append_events(conform(given, EVENTS), lambda one: one["at"].tolist()))
    said.append(store.append_events(conform(given, EVENTS), lambda one: one["at"].tolist()))
    known = known_of(("b", 5.25, 6.1), ("a", 5, 6), known=store.read_known())
    said += [store.write_known(known), store.write_known(known)]
    row = {"version": 1, "by": "E", "on": "2026-03-03", "reason": "first", "run": "0001"}
    choice = {"version": 1, "pipe_id": "p1", "method": "sleeve", "state": "accepted"}
    choices = conform([{**choice, "cost_cents": None, "fingerprint": "f"}], REVISION_CHOICES)
    store.append_revision(conform([row], REVISIONS), choices)
    said += [store.read_decisions(), store.read_week_edits(), store.read_events()]
    again = store.read_known()
    return [*said, again.table, again.setup_works, again.highest, *store.read_last_revision()]


def test_it_says_and_keeps_what_the_geopackage_does(tmp_path: Path, schema: str) -> None:
    """The same calls on both: the same frames, versions, refusals; to the last bit and sign."""
    theirs = fill(Store(PostGis("owner", schema)))
    ours = fill(open_store(tmp_path / STORE))
    assert len(ours) == len(theirs)
    for one, other in zip(ours, theirs, strict=True):
        if isinstance(one, pd.DataFrame):
            pd.testing.assert_frame_equal(one, other)
        else:
            assert one == other


def test_planner_toml_chooses(tmp_path: Path, schema: str) -> None:
    """[store] names the team's; without it the project has its own, and so it reads."""
    folder = project(tmp_path / "a", schema)
    store_of(folder).append_decisions(form(decision()))
    assert not (folder / STORE).exists()
    assert len(Store(PostGis("owner", schema)).read_decisions()) == 1
    (folder / "planner.toml").write_text("")
    assert isinstance(store_of(folder).keeping, GeoPackage)
    (folder / "planner.toml").unlink()
    assert store_spec(folder) is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('service = "postgresql://u:hidden@h/d"', "bare name"),
        ('service = "a"\npassword = "hidden"', "no password here"),
        ('service = "a"\nhost = "hidden"', "no host here"),
        ('service = "a"\nschema = "Hidden; drop"', "small letters"),
        ('service = "a"\nschema = "pg_hidden"', "small letters"),
        ('service = "a"\nshema = "hidden"', "unknown key shema"),
        ("", "bare name"),
    ],
)
def test_a_bad_section_is_one_line_that_shows_no_value(
    tmp_path: Path, text: str, message: str
) -> None:
    (tmp_path / "planner.toml").write_text(f"[store]\n{text}\n")
    with pytest.raises(SettingsError, match=message) as told:
        store_of(tmp_path)
    assert "idden" not in str(told.value)
    assert "\n" not in str(told.value)


def test_a_project_with_a_team_store_is_read(tmp_path: Path, schema: str) -> None:
    """The section is no unknown one to the reader of projects: it goes on to the pipes."""
    with pytest.raises(SettingsError, match=r"no section \[pipes\]"):
        read_project(project(tmp_path, schema), {})


def columns_of(server: Server, schema: str) -> dict[str, list[tuple[str, str, str, str]]]:
    """Ask the catalogue: name, type, whether it may be null, comment; by table."""
    rows = server.sql(
        "select c.relname, a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull, "
        "coalesce(col_description(c.oid, a.attnum), '') from pg_attribute a "
        "join pg_class c on c.oid = a.attrelid join pg_namespace n on n.oid = c.relnamespace "
        f"where n.nspname = '{schema}' and c.relkind = 'r' and a.attnum > 0 order by a.attnum"
    )
    found: dict[str, list[tuple[str, str, str, str]]] = {}
    for line in rows.splitlines():
        table, name, kind, must, comment = line.split("|", 4)
        found.setdefault(table, []).append((name, kind, must, comment))
    return found


def test_the_migrations_lead_to_the_contracts(server: Server, schema: str) -> None:
    """Each column of each contract is there, of its kind, with its meaning and its unit.

    Fails when a contract of the store changes without a migration: write the next one.
    """
    kinds = {
        "text": "text", "date": "date", "number": "double precision", "whole": "bigint",
        "flag": "boolean",
    }  # fmt: skip
    found = columns_of(server, schema)
    own = {"fid", "written_by", "written_at"}
    for table in STORE_TABLES:
        there = {row[0]: row[1:] for row in found[table.name] if row[0] not in own}
        assert sorted(there) == sorted(table.names)
        for column in table.columns:
            kind, must, comment = there[column.name]
            assert kind == kinds[column.kind]
            assert must == ("t" if column.kind == "text" or not column.blank else "f")
            assert comment
            assert column.unit in comment or column.unit == "-"


def test_the_database_itself_refuses_what_no_contract_allows(server: Server, schema: str) -> None:
    """Words outside the list, version 0, an empty name, a figure below its bound, a twin."""
    Store(PostGis("owner", schema)).append_decisions(form(decision()))
    good = {
        "version": "9", "pipe_id": "'p'", "decision": "'accept'", "by": "'x'",
        "on": "'2026-01-01'", "reason": "'r'",
    }  # fmt: skip
    for wrong in (
        {"decision": "'perhaps'"}, {"version": "0"}, {"version": "1"}, {"pipe_id": "''"},
        {"on": "null"},
    ):  # fmt: skip
        with pytest.raises(subprocess.CalledProcessError):
            insert(server, schema, "decisions", good | wrong)
    insert(server, schema, "decisions", good)
    row = {"event_id": "'E-1'", "kind": "'done'", "at": "'2026-01-01T00:00'", "by": "'x'"}
    for figure in ("-1", "'NaN'", "'Infinity'"):
        with pytest.raises(subprocess.CalledProcessError):
            insert(server, schema, "events", {**row, "from_m": figure})
    insert(server, schema, "events", row | {"from_m": "0"})


def insert(server: Server, schema: str, table: str, row: dict[str, str]) -> None:
    names = ", ".join(f'"{name}"' for name in row)
    server.sql(f"insert into {schema}.{table} ({names}) values ({', '.join(row.values())})")


@pytest.mark.parametrize("table", [t.name for t in STORE_TABLES if "ids" not in t.name])
def test_not_even_the_owner_changes_or_removes_a_row(
    server: Server, schema: str, table: str
) -> None:
    """Each way SQL has to do so ends in an error of the trigger."""
    for sql in ("delete from {}", "update {} set fid = default", "truncate {} cascade"):
        with pytest.raises(subprocess.CalledProcessError) as told:
            server.sql(sql.format(f"{schema}.{table}"))
        assert "never changed" in told.value.stderr


def may(service: str, schema: str, what: str) -> bool:
    """Try one thing as one person; what is refused must be said as a matter of rights."""
    store = Store(PostGis(service, schema))
    known = known_of(("a", 5, 6))
    tries = {
        "read": store.read_decisions,
        "decide": lambda: store.append_decisions(form(decision(reason=service))),
        "report": lambda: store.append_events(
            conform([event("2026-01-01T00:00", event_id="0")], EVENTS),
            lambda one: one["at"].tolist(),
        ),
        "edit": lambda: store.append_week_edits(conform([edit("s1")], WEEK_EDITS), {}),
        "plan": lambda: (store.read_known(), store.write_known(known)),
    }
    try:
        tries[what]()
    except StoreError as error:
        if "no right for it" not in str(error) or "\n" in str(error):
            raise
        return False
    return True


@pytest.mark.parametrize(
    ("who", "what"),
    [
        ("stranger", ""),
        ("reader", "read"),
        ("engineer", "read decide plan"),
        ("planner", "read report edit plan"),
        ("estimator", "read plan"),
    ],
)
def test_each_role_may_do_its_work_and_no_more(schema: str, who: str, what: str) -> None:
    tried = ("read", "decide", "report", "edit", "plan")
    assert [one for one in tried if may(who, schema, one)] == what.split()


def test_nobody_signs_for_another_at_the_database(server: Server, schema: str) -> None:
    """Who wrote is the server's to say: the column is not open to those who may add rows."""
    Store(PostGis("engineer", schema)).append_decisions(form(decision()))
    assert server.sql(f"select written_by from {schema}.decisions").strip() == "engineer"
    right = f"has_column_privilege('engineer', '{schema}.decisions', '{{}}', 'insert')"
    asked = f"select {right.format('by')}, {right.format('written_by')}"
    assert server.sql(asked).strip() == "t|f"


def test_an_older_store_is_refused_and_init_brings_it_up_to_date(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made by the first migration alone, with a row in it; then all are run, and the row stays."""
    name = next(_SCHEMAS)
    first = migrations.migrations()[1]
    server.sql(f"create schema {name};" + ";".join(one.replace("@schema@", name) for one in first))
    server.sql(f"insert into {name}.schema_versions (number) values (1)")
    insert(
        server, name, "decisions",
        {"version": "1", "pipe_id": "'p'", "decision": "'accept'", "by": "'x'",
         "on": "'2026-01-01'", "reason": "'r'"},
    )  # fmt: skip
    folder = project(tmp_path, name)
    for tried in (
        lambda: store_of(folder).read_decisions(),
        lambda: store_of(folder).append_decisions(form(decision())),
        lambda: team_status(folder),
    ):
        with pytest.raises(StoreError, match=r"version 1, .* wants 3; 'sleeveplan store init"):
            tried()
    assert "migration 2 run" in init_team(folder)
    held = store_of(folder).read_decisions()
    assert held[["pipe_id", "at"]].to_numpy().tolist() == [["p", ""]]
    assert not [line for line in init_team(folder) if "run" in line.split()]
    server.sql(f"insert into {name}.schema_versions (number) values (99)")
    with pytest.raises(StoreError, match="update the program"):
        store_of(folder).read_decisions()
    with pytest.raises(StoreError, match="update the program"):
        init_team(folder)


def test_a_migration_that_fails_half_way_leaves_the_version_before(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its first statement is undone with its second, which cannot be run."""
    name = next(_SCHEMAS)
    both = migrations.migrations()
    broken = {**both, 3: ["create table @schema@.half (a int)", "create nonsense"]}
    monkeypatch.setattr("planner.store.schema.migrations", lambda: broken)
    with connected("owner") as session, pytest.raises(Exception, match="syntax error"):
        make_store(session, name)
    found = columns_of(server, name)
    assert "half" not in found
    assert "week_edits" in found
    assert server.sql(f"select max(number) from {name}.schema_versions").strip() == "2"


def test_pull_is_a_copy_under_the_same_numbers(tmp_path: Path, schema: str) -> None:
    """Twice is once; new rows are added; a row that only stands here stops it."""
    folder = project(tmp_path, schema)
    fill(Store(PostGis("owner", schema)))
    assert pull_store(folder)[0] == "decisions: 3 new, 3 in all"
    assert pull_store(folder)[0] == "decisions: 0 new, 3 in all"
    team, own = store_of(folder), open_store(folder / STORE)
    for read in ("read_decisions", "read_events", "read_week_edits"):
        pd.testing.assert_frame_equal(getattr(team, read)(), getattr(own, read)())
    pd.testing.assert_frame_equal(team.read_known().table, own.read_known().table)
    team.append_decisions(form(decision("p7")))
    own.append_decisions(form(decision("p8")))
    with pytest.raises(StoreError, match=r"decisions 4 is not in the team's store"):
        pull_store(folder)
    assert own.read_decisions()["pipe_id"].tolist()[-1] == "p8"


def test_a_store_of_one_person_becomes_the_teams(tmp_path: Path, schema: str) -> None:
    """All of it, once, and only into an empty store; before that, init tells of it."""
    folder = project(tmp_path, schema)
    fill(open_store(folder / STORE))
    assert "3 decisions" in init_team(folder)[-1]
    init_team(folder, take_over=True)
    pd.testing.assert_frame_equal(
        store_of(folder).read_decisions(), open_store(folder / STORE).read_decisions()
    )
    assert pull_store(folder)[0] == "decisions: 0 new, 3 in all"
    with pytest.raises(StoreError, match="holds decisions, week_edits"):
        init_team(folder, take_over=True)


def test_status_says_how_things_stand(tmp_path: Path, schema: str) -> None:
    folder = project(tmp_path, schema, "engineer")
    store_of(folder).append_decisions(form(decision()))
    lines = team_status(folder)
    assert lines[0].startswith("service engineer: answers, PostgreSQL ")
    assert lines[0].endswith("PostGIS there")
    assert lines[1] == f"schema {schema}: version 3, this program wants 3"
    assert lines[2] == "user engineer: reader, engineer"
    assert lines[3].startswith("decisions: 1 rows, last by engineer at 2")
    assert lines[-1] == "runs: none pushed"


def test_a_zero_byte_and_a_day_that_is_none_are_one_line(schema: str) -> None:
    """What the file takes and the server does not; no row of the form is kept."""
    store = Store(PostGis("owner", schema))
    for row, message in (
        (decision("p2", reason="a\0b"), "zero byte"),
        (decision("p2", on="2026-02-31"), "no day of the calendar"),
    ):
        with pytest.raises(StoreError, match=message) as told:
            store.append_decisions(form(decision(), row))
        assert "\n" not in str(told.value)
    assert store.read_decisions().empty


def test_a_change_that_another_holds_up_is_one_line(schema: str) -> None:
    """Somebody is in the middle of a change: wait, then say so."""
    store, other = Store(PostGis("owner", schema, busy_s=0.1)), PostGis("owner", schema)
    with other.transaction([DECISIONS]), pytest.raises(StoreError, match="in use"):
        store.append_decisions(form(decision()))
    assert os.environ["PGSERVICEFILE"]
    store.append_decisions(form(decision()))


def test_the_way_of_the_docs_and_back_from_a_backup(server: Server, tmp_path: Path) -> None:
    """A keeper who is no superuser makes the store, dumps it, and another database takes it."""
    server.sql("create role keeper login createrole; create database kept owner keeper")
    server.sql("create database again owner keeper")
    for name in ("kept", "again"):
        server.serve(name, "keeper", name)
        run = (str(server.bin / "psql"), "-h", str(server.folder), "-U", "postgres", "-d", name)
        subprocess.run([*run, "-qc", "create extension postgis"], check=True)
    folder = project(tmp_path, "ours", "kept")
    init_team(folder)
    assert fill(store_of(folder))
    dump = str(tmp_path / "ours.dump")
    one = ("--schema", "ours", "--format", "custom", "--file", dump)
    subprocess.run([str(server.bin / "pg_dump"), "service=kept", *one], check=True)
    back = ("--no-owner", "--no-acl", "--dbname", "service=again", dump)
    subprocess.run([str(server.bin / "pg_restore"), *back], check=True)
    other = project(tmp_path / "other", "ours", "again")
    init_team(other)
    pd.testing.assert_frame_equal(store_of(folder).read_events(), store_of(other).read_events())
    taken, _ = store_of(other).append_decisions(form(decision("p9")))
    assert taken["version"].tolist() == [4]
    write_runs(folder)
    push_team(folder, folder / RUNS / "0001")
    assert team_status(folder)[-1].startswith("runs: 0001 pushed last, 2 tables, 802 rows")


def test_a_session_that_loses_its_connection_goes_on(server: Server, schema: str) -> None:
    """One change fails in one line; the next has a connection of its own. Threads take turns."""
    store = Store(PostGis("engineer", schema))
    with store.keeping.editing():
        store.append_decisions(form(decision()))
        mine = "select pg_terminate_backend(pid) from pg_stat_activity where usename = 'engineer'"
        server.sql(mine)
        with pytest.raises(StoreError) as told:
            store.append_decisions(form(decision("p2")))
        assert "\n" not in str(told.value)
        with ThreadPoolExecutor(4) as people:
            rows = [form(decision("p3", reason=f"r{n}")) for n in range(8)]
            list(people.map(store.append_decisions, rows))
    assert store.read_decisions()["pipe_id"].tolist() == ["p1", *["p3"] * 8]
    with store.keeping.editing(), ThreadPoolExecutor(4) as people:
        rows = [form(decision("p4", reason=f"r{n}")) for n in range(8)]
        list(people.map(store.append_decisions, rows))
    assert store.read_decisions()["version"].tolist() == list(range(1, 18))


def test_the_stamp_differs_once_anything_was_written(schema: str) -> None:
    """Also where ids are replaced by as many; nothing written, nothing differs."""
    store, stamps = Store(PostGis("owner", schema)), []
    stamps.append(store.stamp())
    store.append_decisions(form(decision()))
    stamps.append(store.stamp())
    store.append_week_edits(conform([edit("s1")], WEEK_EDITS), {})
    stamps.append(store.stamp())
    known = known_of(("a", 5, 6), known=store.read_known())
    store.write_known(known)
    stamps.append(store.stamp())
    store.write_known(known_of(("a", 5, 7), known=known))
    stamps.append(store.stamp())
    events = conform([event("2026-01-01T00:00", event_id="0")], EVENTS)
    store.append_events(events, lambda one: one["at"].tolist())
    stamps.append(store.stamp())
    assert len(set(stamps)) == len(stamps)
    assert store.stamp() == stamps[-1]
