"""The wheel carries what a run needs."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel as hatchling builds it, without a network."""
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    return next(out.glob("*.whl"))


def test_the_wheel_carries_rules_codes_assets_and_the_town(wheel: Path) -> None:
    """Each file that the code opens at run time is in the wheel, and no test is."""
    names = set(zipfile.ZipFile(wheel).namelist())
    for name in (
        "planner/data/settings.toml",
        "planner/data/sheet.typ",
        "planner/data/rulebooks/default.toml",
        "planner/data/codes/en13508-2.csv",
        "planner/data/fonts/DejaVuSans.ttf",
        "planner/data/web/leaflet/leaflet.js",
        "planner/data/demo/planner.toml",
        "planner/data/demo/network.gpkg",
        "planner/data/demo/surveys.csv",
        "planner/data/demo/decisions.csv",
        "planner/data/demo/done.csv",
    ):
        assert name in names
    assert not [name for name in names if name.startswith("tests/")]


def test_the_demo_runs_from_the_wheel_in_an_empty_folder(wheel: Path, tmp_path: Path) -> None:
    """Unpacked beside nothing of the source tree, `sleeveplan demo` makes its map."""
    home = tmp_path / "unpacked"
    zipfile.ZipFile(wheel).extractall(home)
    (tmp_path / "work").mkdir()
    run = subprocess.run(
        [sys.executable, "-c", "from planner.cli import main; main()", "demo"],
        cwd=tmp_path / "work",
        env={**os.environ, "PYTHONPATH": str(home)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert "map " in run.stdout
    out = tmp_path / "work" / "quillhaven" / "out" / "0001"
    assert (out / "map.html").stat().st_size > 100_000
    assert list((out / "sheets").glob("*.pdf"))
    assert (out / "plan.gpkg").exists()
