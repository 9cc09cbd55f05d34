"""Papers that one user hands to somebody else: each a PDF to read and a CSV to reckon on.

All text goes to the typesetter as JSON, so nothing from a file is read as markup, and the same
tables give the same bytes.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner.contracts.facts import RunFacts
from planner.outputs.files import plain_text, safe_text
from planner.outputs.plain import Drawing, plain_all
from planner.outputs.typeset import Typesetter

LIST = "papers.csv"
DECIDES = "Local codes, the makers' instructions, contracts and licensed practice decide."


@dataclass(frozen=True)
class Column:
    """One column of a paper: its head, its share of the page's width, `figure` = set right."""

    head: str
    share: float = 1.0
    figure: bool = False


@dataclass(frozen=True)
class Paper:
    """One paper.

    ``file`` names it without an ending; ``reader`` is who gets it; ``asks`` what is asked of
    the reader. ``rows`` are text, a cell for each column; without rows it says ``empty``.
    ``cautions`` and ``fields`` to fill in stand below, ``charts`` (SVG text) above the rows.
    """

    file: str
    title: str
    reader: str
    asks: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[str]]
    empty: str
    notes: Sequence[str] = ()
    cautions: Sequence[str] = ()
    fields: Sequence[str] = ()
    charts: Sequence[tuple[str, str]] = field(default_factory=tuple)


def write_papers(
    papers: Sequence[Paper], facts: RunFacts, folder: Path, *, listed_before: bool = False
) -> list[Path]:
    """Write each paper as a PDF and a CSV, and a list of them with their readers.

    Parameters
    ----------
    papers
        In the order in which they are listed.
    facts
        Name, first day, whether nobody has accepted.
    folder
        Made if it is not there.
    listed_before
        Whether the folder has a list already, to which these are added.

    Returns
    -------
    paths
        PDF and CSV of each paper, last ``papers.csv``, which names file, reader and purpose.
    """
    folder.mkdir(parents=True, exist_ok=True)
    setter = Typesetter("handover.typ", "paper")
    paths = []
    for paper in papers:
        path = folder / f"{paper.file}.pdf"
        path.write_bytes(setter.pdf(plain_all(_content(paper, facts))))
        heads = [column.head for column in paper.columns]
        paths += [path, _csv(folder / f"{paper.file}.csv", heads, paper.rows)]
    listed: list[Sequence[str]] = [
        (f"{paper.file}.pdf", paper.title, paper.reader, paper.asks) for paper in papers
    ]
    path = folder / LIST
    if listed_before:
        with path.open(encoding="utf-8", newline="") as file:
            _, *before = csv.reader(file)
        listed = [*([plain_text(cell) for cell in row] for row in before), *listed]
    return [*paths, _csv(path, ["file", "title", "reader", "asks"], listed)]


def _csv(path: Path, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, quoting=csv.QUOTE_ALL, lineterminator="\n")
        writer.writerow(heads)
        writer.writerows([safe_text(str(cell)) for cell in row] for row in rows)
    return path


def _content(paper: Paper, facts: RunFacts) -> dict[str, Any]:
    return {
        "title": paper.title,
        "reader": paper.reader,
        "asks": paper.asks,
        "town": facts.name,
        "week": f"week from {facts.first_day}" if facts.first_day else "week not dated yet",
        "banner": "NOT ACCEPTED" if facts.not_accepted else "",
        "invented": facts.invented,
        "columns": [vars(column) for column in paper.columns],
        "rows": [list(row) for row in paper.rows],
        "empty": paper.empty,
        "notes": list(paper.notes),
        "cautions": list(paper.cautions),
        "fields": list(paper.fields),
        "charts": [{"title": title, "svg": Drawing(svg)} for title, svg in paper.charts],
        "footer": f"sleeveplan {facts.version}. {DECIDES}",
    }
