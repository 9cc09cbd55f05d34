"""What `sleeveplan check` prints: every fault, every doubt, and books that balance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_project import SURVEYS, write_project

from planner.contracts import FLAGS, LEFT_OVER
from planner.errors import Fault
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.inputs.report import balance, check_lines, refused_count, stretch_lines
from planner.screening.locate import Located, locate
from planner.tables import conform


def read(folder: Path, **texts: str) -> tuple[Inputs, Located]:
    got = read_project(write_project(folder, **texts), {})
    first_day = got.settings.project.first_day
    placed = locate(
        got.pipes, got.nodes, got.inspections, got.observations, got.laterals,
        got.settings.survey, first_day,
    )  # fmt: skip
    return got, placed


def lines_of(inputs: Inputs, located: Located) -> list[str]:
    return check_lines(inputs, located.flags, located.left_over, located.defects)


def test_each_fault_is_one_line_with_its_place(tmp_path: Path) -> None:
    """File, row, column, found and wanted; a pipe nobody knows is left over with its row."""
    lines = lines_of(*read(tmp_path))
    assert (
        "fault: surveys.csv, row 6, column s_m: found far; wanted a number in m (row left out)"
        in lines
    )
    assert any(line.startswith("left over: surveys.csv, row 8") for line in lines)
    assert all("\n" not in line for line in lines)


def test_the_books_of_every_file_balance(tmp_path: Path) -> None:
    """8 rows: 1 refused, 1 left over, 1 of a run alone, 5 on a pipe."""
    inputs, located = read(tmp_path)
    books = {b.file: b for b in balance(inputs, located.flags, located.left_over, located.defects)}
    book = books["surveys.csv"]
    assert (book.read, book.refused, book.left_over, book.used + book.flagged) == (8, 1, 1, 6)
    assert all(book.lost == 0 for book in books.values())
    # one system, one size, one process row, one packer
    assert (books["systems.toml"].read, books["systems.toml"].used) == (4, 4)
    assert {"pipes.geojson", "nodes.geojson", "streets.geojson"} <= set(books)


def test_refused_rows_of_every_form_are_in_the_books(tmp_path: Path) -> None:
    """Bad rows in each form: all books still balance, none of them by chance."""
    inputs, located = read(
        tmp_path,
        done_csv="step,pipe_id,done_on,by\nclean,0017,2026-01-09,A\nclean,x,2026-01-09,A\nscrub,0017,x,A\n",
        stock_csv="item,system,mass_kg\nresin,felt,\nresin,felt,5\n",
        prices_toml='[[price]]\nprice_id = "a"\n[[price]]\nprice_id = "b"\n',
        crews_toml='[[crew]]\ncrew = "A"\n[[crew]]\ncrew = "B"\nsteps = ["look"]\nyard_x = 1\n'
        'yard_y = 1\n[[crew.shift]]\ndays = ["never"]\n',
    )
    books = {b.file: b for b in balance(inputs, located.flags, located.left_over, located.defects)}
    assert all(book.lost == 0 for book in books.values())
    counts = {name: (books[name].read, books[name].refused) for name in (
        "done.csv", "stock.csv", "prices.toml", "crews.toml")}  # fmt: skip
    assert counts == {
        "done.csv": (3, 2), "stock.csv": (2, 1), "prices.toml": (2, 2), "crews.toml": (2, 1),
    }  # fmt: skip


def test_a_row_that_the_tool_forgot_is_shouted(tmp_path: Path) -> None:
    """A defect taken out behind the tool's back makes the books say so."""
    inputs, located = read(tmp_path)
    fewer = replace(located, rows=located.rows.taken(slice(1, None)))
    text = "\n".join(lines_of(inputs, fewer))
    assert "THE BOOKS DO NOT BALANCE: 1 missing" in text
    assert "DO NOT BALANCE" not in "\n".join(lines_of(inputs, located))


def test_the_shortest_coded_stretch_is_proposed(tmp_path: Path) -> None:
    """From 8.0 to 8.8 m is 0.80 m, below the setting of 1.0 m; above it nothing is proved."""
    inputs, located = read(tmp_path / "a")
    assert stretch_lines(inputs, located.defects) == [
        "surveys.csv: the shortest of 1 coded stretches is 0.80 m; "
        "propose [survey] point_extent_m = 0.80 (now 1.00)"
    ]
    inputs, located = read(tmp_path / "b", surveys_csv=SURVEYS.replace(",8.8,", ",10.5,"))
    assert stretch_lines(inputs, located.defects) == [
        "surveys.csv: the shortest of 1 coded stretches is 2.50 m; "
        "no reason to change [survey] point_extent_m = 1.00"
    ]


def test_lines_hold_no_control_characters(tmp_path: Path) -> None:
    """A file could hold an escape sequence of the terminal."""
    evil = SURVEYS.replace("nobody", "no\x1b[2Jbody").replace("far", "f\x07ar")
    assert all(line.isprintable() for line in lines_of(*read(tmp_path, surveys_csv=evil)))


@pytest.mark.parametrize(
    ("faults", "count"),
    [
        ([("a.csv", 3, "x"), ("a.csv", 3, "y")], 1),  # two bad cells, one row
        ([("a.toml", 1, "system.cure"), ("a.toml", 1, "system.size.wall_mm")], 2),
        ([("a.toml", 1, "crew.shift.days")], 0),  # the crew stays
        ([("a.csv", 0, "x")], 0),  # the whole file: no row was read
    ],
)
def test_refused_rows_are_counted_once(faults: list[tuple[str, int, str]], count: int) -> None:
    """A row or a record is one, however many of its cells are bad."""
    made = [Fault(file, row, column, "", "w") for file, row, column in faults]
    assert sum(refused_count(made).values()) == count


def test_equal_doubts_are_one_line_that_counts_them(tmp_path: Path) -> None:
    """Nine pipes with the same doubt: six are named and three counted; none is dropped."""
    inputs, located = read(tmp_path)
    many = [{"step": "network", "key": f"p{i}", "what": "turned"} for i in range(9)]
    flags = conform(many, FLAGS)
    left = [
        {"step": "locate", "key": f"s#{i}", "file": "s.csv", "row": i, "reason": "no pipe"}
        for i in range(8)
    ]
    lines = check_lines(inputs, flags, conform(left, LEFT_OVER), located.defects)
    assert "flag: turned: p0, p1, p2, p3, p4, p5 and 3 more" in lines
    (line,) = [line for line in lines if line.startswith("left over: s.csv")]
    assert line.startswith("left over: s.csv, row 0, s#0, row 1, s#1")
    assert line.endswith("and 2 more: no pipe")
    assert lines[-1].endswith("left over 8, flags 9")
