"""Names out of data, and links in the folder, never lead a reader or a writer out of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from small_project import PROJECT, write_project

from planner import run_folders
from planner.cli_tools import init
from planner.contracts import DECISIONS, VISITS
from planner.errors import FileError, PlannerError, StoreError
from planner.folder import check_project, kept_drives
from planner.inputs.project import read_project
from planner.outputs.read_back import read_record, read_tables
from planner.runs import AGAIN, accept_replan, audit_run, run_folder
from planner.store.decisions import open_store
from planner.store.drives import DriveStore
from planner.tables import empty

# What a name could be so that a path of it leads elsewhere, or none can be made.
NAMES = ("../../x", "/etc/passwd", "a\\u0000b", "\\u0000", "x" * 5_000, "y" * 300, "..", "~/x",
         "/vsizip/x", "C:x", "\\\\\\\\server\\\\x")  # fmt: skip


def said_of(text: str, folder: Path) -> list[str]:
    """Read a project by this planner.toml; give the lines that were said, one for each fault."""
    try:
        inputs = read_project(write_project(folder, planner_toml=text))
    except (PlannerError, OSError) as error:
        return [str(error)]
    return [f"{row.file}: {row.found}" for row in inputs.faults.itertuples()]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "place",
    [
        ('"pipes.geojson"', "{}"),
        ('"nodes.geojson"', "{}"),
        ('"surveys.csv"', "{}"),
        ('zero_at = "wall"', 'zero_at = "wall"\nheads = {}'),
        ('zero_at = "wall"', 'zero_at = "wall"\n[media]\nfolder = {}'),
        ('zero_at = "wall"', 'zero_at = "wall"\n[rules]\nbook = {}'),
        ('zero_at = "wall"', 'zero_at = "wall"\n[grades]\nclasses = {}'),
    ],
)  # fmt: skip
def test_a_file_named_elsewhere_is_one_line(tmp_path: Path, place: tuple[str, str], name: str):
    """Whatever the project calls a file: no traceback, nothing beyond the folder opened."""
    written = f'"{name}"'
    said = said_of(PROJECT.replace(place[0], place[1].format(written)), tmp_path / "town")
    shown = name[:20].replace("\\u0000", "").replace("\\\\", "\\").replace("~", "")
    assert any(shown in line.replace("?", "").replace("\0", "") for line in said), said
    assert not [line for line in said if "\n" in line or "root:" in line]


@pytest.mark.parametrize("name", ["../../x", "/etc", "²", "9" * 5_000, "0", "-1", "\0", "", "1/.."])
def test_a_run_is_named_by_its_number_alone(tmp_path: Path, name: str) -> None:
    """A superscript 2 is a digit to some, and no number; of many digits none is a run."""
    for folder in ("0001", "²", "9" * 200, "check"):
        (tmp_path / "out" / folder).mkdir(parents=True)
    if name == "":
        assert run_folder(tmp_path).name == "0001"
        assert run_folders.next_run(tmp_path / "out").name == "0002"
    else:
        with pytest.raises(FileError, match="no run"):
            run_folder(tmp_path, name)


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[Path]:
    """A folder that is no part of the project; what is in it stays as it is."""
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    yield folder
    assert {path.name: path.read_text() for path in folder.iterdir()} == {"mine.txt": "mine"}


def test_out_is_not_written_through_a_link(tmp_path: Path, outside: Path) -> None:
    town = write_project(tmp_path / "town")
    (town / "out").symlink_to(outside)
    with pytest.raises(FileError, match="link to another folder"):
        check_project(town)
    with pytest.raises(FileError, match="no run"):
        audit_run(town)


@pytest.mark.parametrize("there", [True, False])
def test_check_and_the_next_run_take_the_place_of_links(
    tmp_path: Path, outside: Path, there: bool
) -> None:
    """A link under their names is taken away, whether or not it leads anywhere."""
    town = write_project(tmp_path / "town")
    (town / "out").mkdir()
    target = outside if there else outside / "nowhere"
    (town / "out" / "check").symlink_to(target)
    (town / "out" / "0007").symlink_to(target)
    assert check_project(town).folder == town / "out" / "check"
    assert not (town / "out" / "check").is_symlink()
    assert (town / "out" / "check" / "map.html").is_file()
    with pytest.raises(FileError, match="no run"):
        run_folder(town)  # 0007 is a link: no run
    out = run_folders.write_aside(town, lambda _: None, run_folders.next_run)
    assert out.name == "0008"  # the link's number is not given again
    assert sorted(path.name for path in (town / "out").iterdir()) == ["0007", "0008", "check"]


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("run.json", read_record),
        ("tables", lambda run: read_tables(run, [VISITS], "")),
        (AGAIN, lambda run: accept_replan(run.parents[1], "Ada", "2026-01-12")),
    ],
)
def test_a_run_is_not_read_through_a_link(
    tmp_path: Path, outside: Path, name: str, read: Callable[[Path], object]
) -> None:
    run = tmp_path / "town" / "out" / "0001"
    run.mkdir(parents=True)
    (run / name).symlink_to(outside if name == "tables" else outside / "mine.txt")
    with pytest.raises(FileError, match="link out of the folder of the run"):
        read(run)


def test_an_acceptance_is_not_written_through_a_link(tmp_path: Path, outside: Path) -> None:
    """The file is written aside first: that name may be a link as well."""
    town = tmp_path / "town"
    for number in ("0001", "0002"):
        (town / "out" / number).mkdir(parents=True)
    run = town / "out" / "0002"
    (run / AGAIN).write_text(json.dumps({"at": "2026-01-12T12:00", "from": "0001"}))
    (run / ".accepted.json").symlink_to(outside / "mine.txt")
    assert "stands from now on" in accept_replan(town, "Ada", "2026-01-12")
    assert json.loads((run / "accepted.json").read_text())["by"] == "Ada"
    assert not (run / "accepted.json").is_symlink()


@pytest.mark.parametrize("ending", ["", "-journal", "-wal", "-shm"])
@pytest.mark.parametrize("there", [True, False])
def test_the_store_and_its_journals_are_no_links(
    tmp_path: Path, outside: Path, ending: str, there: bool
) -> None:
    """SQLite opens its journal by name, and would write over what a link there leads to."""
    town = write_project(tmp_path / "town")
    if ending:
        open_store(town / "project.gpkg").append_decisions(empty(DECISIONS))  # makes the file
    target = outside / ("mine.txt" if there else "nowhere")
    (town / f"project.gpkg{ending}").symlink_to(target)
    with pytest.raises(StoreError, match="link out of the project folder"):
        open_store(town / "project.gpkg")


def test_kept_drives_are_no_links(tmp_path: Path, outside: Path) -> None:
    town = tmp_path / "town"
    town.mkdir()
    (town / ".drives").symlink_to(outside)
    assert kept_drives(town, write=True) is None
    store = DriveStore(town / "kept")
    (town / "kept").mkdir()
    (town / "kept" / "a.npz").symlink_to(outside / "mine.txt")
    assert store.get("a", 2) is None
    assert store.notes == ["a.npz: is a link; it is not followed"]


def test_a_new_project_is_not_written_through_a_link(tmp_path: Path, outside: Path) -> None:
    """Not even through one that leads nowhere yet; nothing at all is written then."""
    town = tmp_path / "town"
    town.mkdir()
    (town / "crews.toml").symlink_to(outside / "nowhere")
    with pytest.raises(FileError, match=r"holds crews\.toml"):
        init(town)
    assert [path.name for path in town.iterdir()] == ["crews.toml"]


def test_a_store_whose_schema_is_no_utf8_is_one_line(tmp_path: Path) -> None:
    """SQLite tells of the damage in words with the damaged byte; found by `tests.fuzz`."""
    path = tmp_path / "project.gpkg"
    open_store(path).append_decisions(empty(DECISIONS))
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"CREATE TABLE gpkg_c", b"CREATE T\x87BLE gpkg_c"))
    with pytest.raises(StoreError, match="damaged") as found:
        open_store(path)
    assert "\n" not in str(found.value)


@pytest.mark.parametrize("raw", [b"\x9d", b'"a', b"a\x00b"])
def test_a_damaged_table_of_a_run_is_one_line(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "visits.csv").write_bytes(raw)
    with pytest.raises(FileError, match=r"visits\.csv") as found:
        read_tables(tmp_path, [VISITS], "")
    assert "\n" not in str(found.value)
