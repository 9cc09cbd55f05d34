"""A plan of proposals that nobody signed says so wherever a person looks; another never does."""

from __future__ import annotations

from pathlib import Path

import pytest
from evil_project import Evil, write_evil
from pypdf import PdfReader

from planner.folder import run_project, write_run
from planner.outputs.summary import summary_lines

WORDS = "NOT ACCEPTED"


def printed(folder: Path, *, assumed: bool) -> tuple[list[str], list[str], str, str]:
    """Give the pages of all sheets, the summary's lines, the map, and the choices' states."""
    made = run_project(folder, assume_accepted=assumed)
    out = write_run(made, folder)
    pages = [
        page.extract_text()
        for sheet in sorted((out / "sheets").glob("*.pdf"))
        for page in PdfReader(sheet).pages
    ]
    states = "+".join(made.tables["choices"]["state"])
    page = (out / "map.html").read_text("utf-8")
    return pages, summary_lines(made.tables, made.facts), page, states


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_evil(tmp_path_factory.mktemp("town"), Evil())


def test_assumed_acceptance_is_printed_on_everything(folder: Path) -> None:
    pages, summary, page, states = printed(folder, assumed=True)
    assert states == "accepted"
    assert pages
    assert all(WORDS in text for text in pages)
    assert any(WORDS in line for line in summary)
    assert f'"band": "{WORDS}"' in page or f'"band":"{WORDS}"' in page


def test_without_it_nothing_is_planned_and_nothing_says_so(folder: Path) -> None:
    pages, summary, page, states = printed(folder, assumed=False)
    assert states == "proposed"
    assert pages == []
    assert not any(WORDS in line for line in summary)
    assert f'"band":"{WORDS}"' not in page.replace('": "', '":"')
