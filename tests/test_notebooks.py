"""The notebooks run from top to bottom on the demo town, and hold no output in git."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from planner.outputs.files import write_tables
from planner.plan import Plan

HOME = Path(__file__).resolve().parents[1] / "notebooks"
BOOKS = sorted(HOME.glob("*.ipynb"))


def test_there_is_one_for_each_user() -> None:
    assert [book.stem for book in BOOKS] == ["engineer", "estimator", "planner"]


@pytest.mark.parametrize("book", BOOKS, ids=lambda book: book.stem)
def test_no_output_is_stored(book: Path) -> None:
    nbformat.validate(nbformat.read(book, as_version=4))
    for cell in json.loads(book.read_text("utf-8"))["cells"]:
        assert cell["metadata"] == {}
        if cell["cell_type"] == "code":
            assert (cell["outputs"], cell["execution_count"]) == ([], None)


@pytest.fixture(scope="module")
def planned_town(
    demo_folder: Path, demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """The demo town as `sleeveplan demo` leaves it, as far as the notebooks look at it."""
    town = tmp_path_factory.mktemp("notebooks") / "quillhaven"
    shutil.copytree(demo_folder, town, ignore=shutil.ignore_patterns("out"))
    run = town / "out" / "0001"
    run.mkdir(parents=True)
    write_tables(demo_plan.tables, demo_plan.facts, run)
    return town


@pytest.mark.parametrize("book", BOOKS, ids=lambda book: book.stem)
def test_it_runs_from_top_to_bottom(
    book: Path, planned_town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cell that fails, or whose own assertion does, fails here."""
    monkeypatch.setenv("SLEEVEPLAN_DEMO", str(planned_town))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    notebook = nbformat.read(book, as_version=4)
    made = NotebookClient(notebook, timeout=120, resources={"metadata": {"path": tmp_path}})
    made.execute()
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(cell.execution_count for cell in code)
    # What is shown needs no network.
    assert "http" not in json.dumps([cell.outputs for cell in code])
