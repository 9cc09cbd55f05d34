"""Rows onto pipes: the whole step, and the two cases made for it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from planner.coded_text import Coded, Joined
from planner.contracts import LATERALS, OBSERVATIONS
from planner.errors import TableError
from planner.ground.ids import NOTHING_KNOWN
from planner.held import Held
from planner.screening.locate import locate
from planner.tables import conform
from tests.filmed import CRS, SETTINGS, Located, Row, Town, pipe, row, run, town


def what(found: Located, key: str) -> list[str]:
    return found.flags.loc[found.flags["key"] == key, "what"].tolist()


def test_a_crack_and_a_node() -> None:
    """The smallest story: two rows, both placed, nothing left over."""
    found = town([row(0.0, "BCD"), row(12.0, "BAB", "C", "A", q1="6", clock=3)]).locate()
    crack = found.defects.iloc[1]
    assert (crack["pipe_id"], crack["x_from_m"], crack["mechanism"]) == ("P", 12.0, "fracture")
    assert (crack["counter_node"], crack["counter_m"], crack["find_m"]) == ("U", 12.0, 0.3)
    assert (crack["seen_on"], crack["flags"]) == ("2025-06-01", "")
    assert found.left_over.empty
    assert found.flags.empty


def test_rows_of_a_run_that_cannot_be_used_are_left_over_with_it() -> None:
    """Unknown pipe: the run and each row carry the reason, with file and row."""
    heads = [(run("I", "nobody", file="a.csv", row=7), [row(1.0, "BAB", "B", "A")])]
    found = Town([pipe()], heads).locate()
    assert found.defects.empty
    rows = found.left_over[["key", "file", "row", "reason"]].to_numpy().tolist()
    reason = "pipe 'nobody' is not in the network, and it does not name both manholes"
    assert rows == [
        ["I", "a.csv", 7, reason],
        ["I/2", "a.csv", 2, f"its inspection is not used: {reason}"],
    ]


def test_a_row_without_distance_or_inspection_is_left_over() -> None:
    """Neither is put at zero."""
    one = town([row(None, "BAB", "B", "A")])
    assert one.locate().left_over["reason"].tolist() == ["no distance"]
    rows = one.row_table().assign(inspection_id=pd.Series(["gone"], dtype="str"))
    one.row_table = lambda: rows  # type: ignore[method-assign]
    assert one.locate().left_over["reason"].tolist() == ["its inspection is not in the list"]


def test_nothing_is_placed_on_a_stopped_pipe() -> None:
    """Surveyed 20 m, drawn 23.2 m between walls: 3.2 m apart."""
    stopped = Town([pipe(drawn_m=24.0)], [(run(surveyed_m=20.0), [row(1.0, "BAB", "B", "A")])])
    found = stopped.locate()
    assert found.pipes["placing"].tolist() == ["stopped"]
    assert found.defects.empty
    assert "they differ by 3.20 m, more than 3.00 m" in found.left_over["reason"].iloc[1]


def test_a_run_of_quite_another_length_is_not_used_beside_a_good_one() -> None:
    """164 m on a pipe of 50 m: feet in a metric file."""
    found = Town(
        [pipe(drawn_m=50.8)],
        [
            (run("good", surveyed_m=50.0), [row(1.0, "BAB", "B", "A")]),
            (run("feet", surveyed_m=164.0, date="2025-09-01"), [row(2.0, "BAB", "B", "A")]),
        ],
    ).locate()
    assert found.defects["inspection_id"].tolist() == ["good"]
    assert found.left_over.set_index("key")["reason"]["feet"] == (
        "the run is 164.00 m long from wall to wall, the pipe 50.00 m: "
        "its counter cannot be trusted"
    )


def test_a_run_whose_length_differs_a_little_is_flagged() -> None:
    """52 m in 2015 on a pipe of 50 m: 2.0 m > 1.5 m, used with a flag."""
    found = Town(
        [pipe(drawn_m=50.8)],
        [
            (run("new", surveyed_m=50.0), [row(0.0, "BCD")]),
            (run("old", surveyed_m=52.0, date="2015-09-01"), [row(0.0, "BCD")]),
        ],
    ).locate()
    assert what(found, "old") == ["the run is 52.00 m long from wall to wall, the pipe 50.00 m"]


def test_doubts_about_a_run_are_said() -> None:
    """Unknown zero (once per file), a survey of tomorrow, a counter set back, another size."""
    head = {"zero_at": "unknown", "date": "2026-02-01", "size_mm": 300.0}
    found = town([row(5.0, "BCA"), row(2.0, "BCA")], **head).locate()
    assert what(found, "runs.csv") == [
        "zero of the counter not stated for 1 runs: taken at the manhole's wall"
    ]
    assert what(found, "I") == [
        "coded height 300 mm, but the network says 200 mm",
        "distances fall at row 3 of the file: counter set back, or rows out of order",
        "survey of a day after 2026-01-05",
    ]


def test_doubts_about_a_drawing_are_said() -> None:
    """No drawing; ends at neither manhole; inverts that rise."""
    nodes = [{"node_id": "U", "at": (30.0, 30.0)}, {"node_id": "D", "at": (80.0, 30.0)}]
    coded = [(run(surveyed_m=50.0), [row(0.0, "BCD")])]
    bare = Town([pipe(us_invert_m=1.0, ds_invert_m=2.0)], coded).locate()
    assert what(bare, "P") == [
        "its invert is lower at U than at D: the order of its manholes counts",
        "no drawing: placed along its own length, but not on the map",
    ]
    away = Town([pipe(drawn_m=50.8)], coded, nodes=nodes).locate()
    assert "ends at neither of its manholes" in what(away, "P")[0]
    nodes[0]["at"] = (0.5, 0.0)
    assert what(Town([pipe(drawn_m=50.8)], coded, nodes=nodes).locate(), "P") == []


def test_a_manhole_with_an_empty_point_has_no_place() -> None:
    """Some programs write a point without coordinates: as good as none, the other end counts."""
    nodes: list[Row] = [{"node_id": "U", "at": ()}, {"node_id": "D", "at": (80.0, 30.0)}]
    coded = [(run(surveyed_m=50.0), [row(0.0, "BCD")])]
    found = Town([pipe(drawn_m=50.8)], coded, nodes=nodes).locate()
    assert "ends at neither of its manholes" in what(found, "P")[0]
    nodes[1]["at"] = (50.8, 0.0)
    assert what(Town([pipe(drawn_m=50.8)], coded, nodes=nodes).locate(), "P") == []


def test_inputs_are_not_changed() -> None:
    """Tables go in and come out anew."""
    one = town([row(1.0, "BAB", "B", "A", mark="A1"), row(3.0, "BAB", "B", "A", mark="B1")])
    pipes, runs, rows = one.pipe_table(), one.run_table(), one.row_table()
    before = [frame.copy() for frame in (pipes, runs, rows)]
    one.pipe_table = lambda: pipes  # type: ignore[method-assign]
    one.run_table = lambda: runs  # type: ignore[method-assign]
    one.row_table = lambda: rows  # type: ignore[method-assign]
    one.locate()
    for now, then in zip((pipes, runs, rows), before, strict=True):
        pd.testing.assert_frame_equal(pd.DataFrame(now), pd.DataFrame(then))


def test_words_are_of_the_tables_as_they_were_given() -> None:
    """Written to after rows were placed and before anybody reads: as if nothing had been."""
    coded = [row(5.0, "BCA", "A", "A"), row(6.0, "BAB", "B", "A"), row(90.0, "BAB", "B", "A")]
    one = town([*coded, row(None, "BAB")])
    expected, given = one.locate(), [one.pipe_table(), one.run_table(), one.row_table()]
    found = locate(
        given[0], one.node_table(), *given[1:], conform([], LATERALS), SETTINGS, "2026-01-05"
    )
    for frame in given:
        for name in frame.columns[[str(kind) == "str" for kind in frame.dtypes]]:
            frame[name] = "changed"
    for name in ("left_over", "flags", "laterals", "pipes", "inspections", "defects"):
        now, then = (pd.DataFrame(getattr(table, name)) for table in (found, expected))
        pd.testing.assert_frame_equal(now, then, check_exact=True)


def test_rows_may_come_by_column() -> None:
    """A stretch, an end alone, a place past the end: every table is that of the same frame."""
    coded = [
        row(0.0, "BCD"), row(1.0, "BAB", "B", "A", mark="A1"), row(3.0, "BAB", "B", "A", mark="B1"),
        row(5.0, "BCA", "A", "A", q1="150", clock=3), row(6.0, "BAC", "A", mark="B2"),
        row(50.4, "BAJ", "B"), row(90.0, "BAJ", "B"), row(None, "BAJ", "B"),
    ]  # fmt: skip
    one = town(coded)
    frame = one.locate()
    rows = one.row_table()
    columns = {name: rows[name].array for name in OBSERVATIONS.names}
    one.row_table = lambda: Held(OBSERVATIONS, columns)  # type: ignore[method-assign, return-value]
    held = one.locate()
    for name in ("pipes", "inspections", "defects", "laterals", "growth", "flags", "left_over"):
        table, other = (pd.DataFrame(getattr(found, name)) for found in (held, frame))
        pd.testing.assert_frame_equal(table, other, check_exact=True)
    assert (len(held.defects), len(held.laterals), len(held.left_over)) == (4, 1, 3)


@pytest.mark.parametrize("numbers", [(21, 22, 23), (9, 10, 11), (100, 20, 3)])
def test_rows_of_one_station_stand_in_the_order_of_their_names(numbers: tuple[int, ...]) -> None:
    """By Python's `sorted`: I#9 comes after I#10, whether names are put together or written."""
    one = town([row(5.0, "BAB", "B", "A"), row(5.0, "BAB", "C", "A"), row(5.0, "BAF", "A")])
    rows = one.row_table()
    columns = {name: rows[name].array for name in OBSERVATIONS.names}
    columns["row"] = pd.array(numbers, dtype="Int64")
    names = Joined(Coded.of(["I"] * 3), "#", np.array(numbers))
    for ids in (names, names.column()):
        columns["observation_id"] = ids
        one.row_table = lambda: Held(OBSERVATIONS, columns)  # type: ignore[method-assign, return-value]
        found = one.locate().defects
        assert found["from_m"].nunique() == 1
        assert found["observation_id"].tolist() == sorted(f"I#{number}" for number in numbers)


def test_rows_without_any_run_are_left_over() -> None:
    """As where no run of a part of a city is in the list."""
    one = town([row(1.0, "BAB"), row(2.0, "BAB")])
    none = one.run_table().iloc[:0]
    one.run_table = lambda: none  # type: ignore[method-assign]
    found = one.locate()
    assert found.left_over["reason"].tolist() == ["its inspection is not in the list"] * 2
    assert not len(found.defects)


def test_a_broken_table_stops_the_run() -> None:
    """The contract is checked at the door."""
    one = town([row(1.0, "BAB")])
    rows = one.row_table().drop(columns="code")
    one.row_table = lambda: rows  # type: ignore[method-assign]
    with pytest.raises(TableError, match="observations: code: column is missing"):
        one.locate()


def test_no_rows_at_all() -> None:
    """Empty tables give empty tables, and pipes with their lengths."""
    found = Town([pipe(drawn_m=40.8)], []).locate()
    assert found.pipes["length_m"].tolist() == pytest.approx([40.0])
    assert found.defects.empty
    assert list(found.defects.columns[: len(OBSERVATIONS.names)]) == OBSERVATIONS.names
    assert Town([pipe(drawn_m=40.8)], []).spans(SETTINGS, NOTHING_KNOWN).spans.empty


def _case_03(folder: Path) -> Town:
    with (folder / "observations.csv").open(encoding="utf-8") as file:
        coded = list(csv.DictReader(file))
    features = json.loads((folder / "pipes.geojson").read_text("utf-8"))["features"]
    points = json.loads((folder / "manholes.geojson").read_text("utf-8"))["features"]
    assert "25832" in CRS
    pipes, runs = [], []
    for feature in features:
        given = feature["properties"]
        pipes.append(
            pipe(
                given["pipe_id"],
                given["up_mh"],
                given["dn_mh"],
                # The case says: full surveyed length 50 m, drawn 48 m to the walls.
                stated_m=given["surveyed_m"],
            )
        )
    for given in coded:
        whole = float(given["surveyed_length_m"]) == 50.0
        head = run(
            given["n"], given["pipe_id"], given["start_mh"], complete=whole,
            surveyed_m=float(given["surveyed_length_m"]),
        )  # fmt: skip
        runs.append((head, [row(float(given["dist_m"]), given["code"], "B", "B")]))
    nodes: list[Row] = [
        {"node_id": p["properties"]["mh"], "at": tuple(p["geometry"]["coordinates"])}
        for p in points
    ]
    return Town(pipes, runs, nodes=nodes)


@pytest.mark.network_samples
def test_direction_and_two_lengths(samples: Path) -> None:
    """The nine rows of the sample case: x along R1 = 50 m, or the reason.

    The case gives map places x = 500000 + map_m with map_m = x_m * 48 / 50.
    """
    found = _case_03(samples / "cases" / "03-direction-and-length-mismatch").locate()
    x = found.defects.set_index("inspection_id")["x_from_m"]
    on_map = (500000.0 + x * 48.0 / 50.0).round(2).to_dict()
    assert on_map == {
        "1": 500038.4,
        "2": 500009.6,
        "3": 500048.0,
        "5": 500000.0,
        "8": 500011.52,
        "9": 500040.32,
    }
    flags = found.defects.set_index("inspection_id")["flags"]
    assert flags[flags != ""].to_dict() == {
        "3": "0.40 m past the end of the pipe: set to the end",
        "5": "0.30 m past the end of the pipe: set to the end",
    }
    reasons = found.left_over.set_index("key")["reason"]
    assert "1.20 m past an end of pipe R1, 50.00 m long" in reasons["4/2"]
    assert "the run starts at X, no end of pipe R1 (U to D)" in reasons["6"]
    assert "no start node and no direction" in reasons["7"]
    placed, left = set(found.defects["observation_id"]), set(reasons.index)
    assert {f"{n}/2" for n in range(1, 10)} == placed | {k for k in left if "/" in k}


@pytest.mark.network_samples
def test_continuous_defects_of_a_text_file(samples: Path) -> None:
    """Sample case 16: 8 rows = 2 pairs + 1 open stretch + 1 point + 2 nodes, none lost."""
    path = samples / "cases" / "16-continuous-defects-text-file" / "survey.txt"
    lines = path.read_text("latin-1").splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("#C="))
    names = lines[start].removeprefix("#C=").split(";")
    coded = []
    for cells in csv.reader(lines[start + 1 :], delimiter=";"):
        if cells[0].startswith("#"):
            break
        v = dict(zip(names, cells, strict=True))
        clock = (float(v["G"]) if v["G"] else None, float(v["H"]) if v["H"] else None)
        s_m = float(v["I"].replace(",", "."))
        coded.append(row(s_m, v["A"], v["B"], v["C"], q1=v["D"], mark=v["J"], clock=clock))
    one = Town(
        [pipe("H0007", "S0012", "S0013", drawn_m=39.0)],
        [(run("I", "H0007", "S0012", direction="down", surveyed_m=38.2), coded)],
    )
    found = one.locate()
    assert len(coded) == 8
    shown = found.defects.set_index("observation_id")
    closed = set(shown["close_id"]) - {""}
    assert len(set(shown.index) | closed) == 8
    assert found.left_over.empty
    long = shown[shown["kind"] == "stretch"].sort_values(["from_m", "mechanism"])
    assert long[["code", "from_m", "to_m", "quantity_high"]].to_numpy().tolist() == [
        ["BAB", 4.4, 9.1, 3.0],
        ["BBA", 4.4, 21.35, 10.0],
        ["BBC", 21.0, 38.2, 10.0],
    ]
    assert long["flags"].str.contains("never ends").tolist() == [False, False, True]
    worn = shown[shown["code"] == "BAF"].iloc[0]
    assert (worn["x_from_m"], worn["clock_h"], worn["arc_h"]) == (12.6, 7.0, 10.0)
