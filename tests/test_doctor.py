"""`sleeveplan doctor`: each finding one line; what is broken is found, and the looking goes on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
from small_project import write_project
from typer.testing import CliRunner

from planner import doctor
from planner.cli import app
from planner.store import share


def ask(*words: str) -> tuple[int, dict[str, dict[str, str]]]:
    """Give exit code and parts by name, from the JSON."""
    found = CliRunner().invoke(app, ["doctor", *words, "--json"])
    said = json.loads(found.stdout)
    assert (said["schema"], said["schema_version"]) == ("sleeveplan doctor", 1)
    assert said["sound"] == (found.exit_code == 0)
    return found.exit_code, {part["part"]: part for part in said["parts"]}


def test_a_sound_machine_and_project(tmp_path: Path) -> None:
    """Each package of our own record with its version, then the parts of the folder."""
    folder = write_project(tmp_path / "town")
    before = sorted(path.name for path in folder.iterdir())
    code, parts = ask(str(folder))
    assert code == 0
    for name in doctor.needed_packages():
        assert parts[name]["said"] == version(name)
    assert parts["fonts"]["said"].startswith("DejaVuSans-Bold.ttf, DejaVuSans.ttf")
    assert parts["store"]["state"] == parts["out"]["state"] == "ok"
    assert sorted(path.name for path in folder.iterdir()) == before


def test_each_finding_is_one_line_with_its_word() -> None:
    found = CliRunner().invoke(app, ["doctor"])
    lines = found.stdout.splitlines()
    assert len(lines) == len(doctor.examine())
    assert {line.split()[0] for line in lines} <= {"ok", "absent", "fault"}


def test_a_broken_package_is_a_line_and_the_rest_is_looked_at(tmp_path: Path) -> None:
    """A library that cannot be loaded ends no looking: fonts are found all the same."""
    (tmp_path / "pyogrio").mkdir()
    (tmp_path / "pyogrio" / "__init__.py").write_text("raise ImportError('libgdal is gone')")
    paths = os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")])
    made = subprocess.run(
        [sys.executable, "-c", "from planner.cli import main; main()", "doctor"],
        env={**os.environ, "PYTHONPATH": paths}, capture_output=True, text=True, check=False,
        cwd=Path(__file__).parents[1],
    )  # fmt: skip
    assert made.returncode == 1, made.stderr
    lines = {line.split()[1]: line for line in made.stdout.splitlines()}
    assert lines["pyogrio"].split(maxsplit=2) == ["fault", "pyogrio", "libgdal is gone"]
    assert lines["GDAL"].startswith("fault")
    assert lines["fonts"].startswith("ok")


@pytest.mark.parametrize(
    ("part", "breaks", "said"),
    [
        ("project", lambda f: (f / "planner.toml").write_text("[pipes"), "not valid TOML"),
        ("store", lambda f: (f / "project.gpkg").write_text("no store"), "not a GeoPackage"),
        ("store", lambda f: (f / "project.gpkg").symlink_to(f.parent / "s"), "link out of"),
        ("out", lambda f: (f / "out").write_text(""), "is a file"),
        ("out", lambda f: (f / "out").symlink_to(f.parent), "is a link"),
    ],
)
def test_what_is_broken_in_a_folder_is_found(tmp_path: Path, part: str, breaks, said: str) -> None:
    folder = write_project(tmp_path / "town")
    breaks(folder)
    code, parts = ask(str(folder))
    assert code == 1
    assert parts[part]["state"] == "fault"
    assert said in parts[part]["said"]
    assert [name for name, one in parts.items() if one["state"] == "fault"] == [part]


def test_a_store_on_a_share_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the system would say it of a folder that another machine lends."""
    mounts = tmp_path / "mounts"
    mounts.write_text(f"1 0 0:1 / {tmp_path} rw - nfs4 server:/x rw\n")
    monkeypatch.setattr(share, "MOUNTS", mounts)
    code, parts = ask(str(write_project(tmp_path / "town")))
    assert code == 1
    assert "network share (nfs4)" in parts["store"]["said"]


def test_what_is_absent_and_not_needed_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """With no program on the path and no cache, all still works: exit 0."""
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr("planner.repairs.place_kernel.kernel_cache", lambda: None)
    code, parts = ask()
    assert code == 0
    assert parts["chromium"]["state"] == parts["poppler"]["state"] == "absent"
    assert parts["compiled loops"]["state"] == "fault"


def test_a_full_disk_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Little:
        free = 3_000_000

    monkeypatch.setattr("shutil.disk_usage", lambda _: Little)
    code, parts = ask(str(write_project(tmp_path / "town")))
    assert code == 1
    assert parts["room on disk"]["said"].startswith("3 MB free")


def test_versions_as_json_name_what_reads_the_earth() -> None:
    import pyogrio
    import pyproj

    found = CliRunner().invoke(app, ["version", "--json"])
    said = json.loads(found.stdout)
    assert said["schema"] == "sleeveplan version"
    assert said["sleeveplan"] == version("sleeveplan")
    assert said["gdal"] == ".".join(map(str, pyogrio.__gdal_version__))
    assert said["proj"] == pyproj.proj_version_str


def test_a_folder_that_is_not_there_is_one_line_with_a_near_name(tmp_path: Path) -> None:
    """Store, out and drives of no folder are not spoken of."""
    (tmp_path / "moosbach").mkdir()
    code, parts = ask(str(tmp_path / "mosbach"))
    assert code == 1
    said = f"{tmp_path / 'mosbach'}: no such folder; did you mean {tmp_path / 'moosbach'}?"
    assert parts["project"] == {"part": "project", "state": "fault", "said": said, "needed": True}
    assert not {"store", "out", "kept drives"} & set(parts)
