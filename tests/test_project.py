"""A project folder into tables: what is missing waits, what is broken is told, the rest goes on."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from small_project import CREWS, PROJECT, TEXTS, write_project

from planner.contracts import (
    CREWS as CREWS_TABLE,
)
from planner.contracts import (
    DONE,
    FAULTS,
    FLAGS,
    INSPECTIONS,
    LATERALS,
    NODES,
    OBSERVATIONS,
    PACKERS,
    PIPES,
    PRICES,
    PROCESS,
    SHIFTS,
    STOCK,
    STREETS,
    SYSTEM_SIZES,
    SYSTEMS,
)
from planner.errors import PlannerError, SettingsError
from planner.inputs.inputs import Inputs
from planner.inputs.project import WAITING_FOR, read_project
from planner.inputs.skeleton import write_skeleton
from planner.tables import check

ALL = (
    PIPES, NODES, LATERALS, STREETS, INSPECTIONS, OBSERVATIONS, SYSTEMS, SYSTEM_SIZES, PROCESS,
    PACKERS, PRICES, STOCK, CREWS_TABLE, SHIFTS, DONE, FAULTS, FLAGS,
)  # fmt: skip


def lost(inputs: Inputs) -> list[tuple[str, int]]:
    some = inputs.faults[inputs.faults["lost"].astype(bool)]
    return [(str(file), int(row)) for file, row in some[["file", "row"]].to_numpy()]


def test_every_table_obeys_its_contract(tmp_path: Path) -> None:
    """All files are read; the one bad station is the one row lost."""
    got = read_project(write_project(tmp_path), {})
    for table in ALL:
        check(getattr(got, table.name), table)
    assert got.pipes["pipe_id"].tolist() == ["0017", "0018", "0019"]
    assert got.pipes["dn_mm"].tolist()[:2] == [200.0, 250.0]
    assert lost(got) == [("surveys.csv", 6)]
    assert (len(got.inspections), len(got.observations)) == (3, 6)
    assert got.read_count["surveys.csv"] == 8
    assert (got.done["pipe_id"].tolist(), got.stock["mass_kg"].tolist()) == (["0017"], [120.0])
    assert got.settings.origins["project.name"] == "planner.toml"


def test_the_command_line_goes_before_the_file(tmp_path: Path) -> None:
    """--set reaches the settings."""
    got = read_project(write_project(tmp_path), {"project.seed": "9"})
    assert got.settings.project.seed == 9


def test_pipes_and_a_survey_are_enough(tmp_path: Path) -> None:
    """Each step that waits is named with the file that it waits for; nothing is a fault."""
    only = PROJECT.replace("[nodes]\nfile = \"nodes.geojson\"\n", "").replace(
        "[streets]\nfile = \"streets.geojson\"\n", ""
    ).replace("first_day", "# first_day")  # fmt: skip
    gone = {name.replace(".", "_"): "" for name in WAITING_FOR}
    got = read_project(write_project(tmp_path, planner_toml=only, **gone), {})
    for table in ALL:
        check(getattr(got, table.name), table)
    told = "\n".join(got.missing)
    for name in (*WAITING_FOR, "[nodes]", "[streets]", "first_day"):
        assert name in told
    assert lost(got) == [("surveys.csv", 6)]


def test_without_surveys_the_verdicts_wait(tmp_path: Path) -> None:
    """A network alone is a map of pipes."""
    text = PROJECT.partition("[[inspections]]")[0]
    got = read_project(write_project(tmp_path, planner_toml=text), {})
    assert "[[inspections]]" in got.missing[0]
    assert len(got.observations) == 0


@pytest.mark.parametrize("name", ["systems.toml", "prices.toml", "crews.toml"])
@pytest.mark.parametrize("content", [b"[[", b"\xff\xfe\x00bad", b"a = " + b"[" * 5000])
def test_a_broken_toml_is_one_fault(tmp_path: Path, name: str, content: bytes) -> None:
    """The rest is read, and the step that needs the file waits."""
    folder = write_project(tmp_path)
    (folder / name).write_bytes(content)
    got = read_project(folder, {})
    assert lost(got) == [("surveys.csv", 6), (name, 0)]
    assert any(name in text and "cannot be read" in text for text in got.missing)
    assert len(got.pipes) == 3


@pytest.mark.parametrize("name", ["done.csv", "stock.csv", "surveys.csv"])
def test_a_broken_csv_is_one_fault(tmp_path: Path, name: str) -> None:
    """A file of zero bytes is no CSV."""
    folder = write_project(tmp_path)
    (folder / name).write_bytes(b"\x00" * 64)
    got = read_project(folder, {})
    assert (name, 0) in lost(got)
    assert len(got.pipes) == 3


@pytest.mark.parametrize("name", ["nodes", "streets"])
def test_a_broken_layer_is_one_fault(tmp_path: Path, name: str) -> None:
    """Without nodes or streets the pipes still stand."""
    folder = write_project(tmp_path)
    (folder / f"{name}.geojson").write_text("not a layer")
    got = read_project(folder, {})
    assert (f"{name}.geojson", 0) in lost(got)
    assert len(got.pipes) == 3


def test_a_folder_in_the_place_of_a_file_is_told(tmp_path: Path) -> None:
    """No crash where something else stands under a file's name."""
    folder = write_project(tmp_path, crews_toml="")
    (folder / "crews.toml").mkdir()
    got = read_project(folder, {})
    assert ("crews.toml", 0) in lost(got)


def test_without_pipes_nothing_can_be_made(tmp_path: Path) -> None:
    """Missing or broken pipes, and a folder without a project, are one line each."""
    folder = write_project(tmp_path / "a")
    (folder / "pipes.geojson").write_text("not a layer")
    with pytest.raises(PlannerError, match=r"pipes\.geojson"):
        read_project(folder, {})
    (folder / "pipes.geojson").unlink()
    with pytest.raises(PlannerError, match=r"pipes\.geojson"):
        read_project(folder, {})
    with pytest.raises(SettingsError, match="no such folder"):
        read_project(tmp_path / "b", {})


def test_names_across_files_are_compared(tmp_path: Path) -> None:
    """A crew's system and a done row's pipe must be there."""
    crews = CREWS.replace('["felt"]', '["fell"]')
    done = "step,pipe_id,done_on,by\nclean,0071,2026-01-09,Ada\n"
    got = read_project(write_project(tmp_path, crews_toml=crews, done_csv=done), {})
    told = {(str(f), str(c)) for f, c in got.faults[["file", "column"]].to_numpy()}
    assert {("crews.toml", "crew.systems"), ("done.csv", "pipe_id")} <= told
    assert len(got.done) == 0
    assert got.read_count["done.csv"] == 1


def test_a_rulebook_of_the_project_is_found_in_its_folder(tmp_path: Path) -> None:
    """Its path is made whole; one outside is refused."""
    folder = write_project(tmp_path / "p", planner_toml=PROJECT + '[rules]\nbook = "my.toml"\n')
    (folder / "my.toml").write_text("")
    got = read_project(folder, {})
    assert got.rules.book == str((folder / "my.toml").resolve())
    assert "my.toml" in got.hashes
    (folder / "my.toml").unlink()
    with pytest.raises(PlannerError, match="no such file"):
        read_project(folder, {})


def test_the_hashes_are_those_of_the_files(tmp_path: Path) -> None:
    """Expected: hashlib's sha256 of each file; one byte more gives another."""
    folder = write_project(tmp_path)
    first = read_project(folder, {}).hashes
    for name in (*TEXTS, "pipes.geojson", "nodes.geojson", "streets.geojson"):
        assert first[name] == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    with (folder / "surveys.csv").open("a") as stream:
        stream.write("\n")
    second = read_project(folder, {}).hashes
    assert {name for name in first if first[name] != second[name]} == {"surveys.csv"}


def test_the_same_folder_gives_the_same_tables(tmp_path: Path) -> None:
    """Nothing depends on the clock or on the order of sets."""
    folder = write_project(tmp_path)
    first, second = read_project(folder, {}), read_project(folder, {})
    for table in ALL:
        one, two = getattr(first, table.name), getattr(second, table.name)
        assert one.to_json() == two.to_json() if not table.geometry else one.equals(two)


def test_a_skeleton_says_what_is_missing(tmp_path: Path) -> None:
    """Straight after init the layer named in planner.toml is the first thing that lacks."""
    write_skeleton(tmp_path / "new")
    with pytest.raises(PlannerError, match=r"pipes\.gpkg: no such file"):
        read_project(tmp_path / "new", {})
