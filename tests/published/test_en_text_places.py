"""Rows of two EN 13508-2 text files on their pipes.

Sources: the example of Kompetenzzentrum Wasser Berlin (MIT licence, 19 camera runs, 335
rows, anonymised), counted by hand; and an invented file of traps whose expected answers
stand beside it (traps_expected.json). Tolerance 1e-9 m where a figure is exact.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from tests.filmed import Located, Row, Spanned, Town, pipe, row, run, settings, spans_of

pytestmark = pytest.mark.network_samples
ZERO = {"A": "wall", "B": "centre"}


def read_text(path: Path, encoding: str) -> list[tuple[dict[str, str], list[dict[str, str]]]]:
    """Camera runs of a text file: header fields, and rows by field letter."""
    lines = path.read_text(encoding).splitlines()
    comma = next(line[4] for line in lines if line.startswith("#A3="))
    runs: list[tuple[dict[str, str], list[dict[str, str]]]] = []
    head: list[str] = []
    columns: list[str] = []
    for cells in csv.reader(lines, delimiter=comma):
        first = cells[0] if cells else ""
        if first.startswith("#B01="):
            head, columns = [first[5:], *cells[1:]], []
        elif first.startswith("#C="):
            columns = [first[3:], *cells[1:]]
        elif first.startswith("#") or not cells:
            continue
        elif columns:
            runs[-1][1].append(dict(zip(columns, cells, strict=True)))
        else:
            runs.append((dict(zip(head, cells, strict=True)), []))
    return runs


def number(text: str) -> float | None:
    return float(text.replace(",", ".")) if text else None


def coded(given: dict[str, str]) -> Row:
    one = {key: given.get(key, "") for key in "ABCDGHJK"}
    clock = (number(one["G"]), number(one["H"]))
    return row(
        number(given["I"]), one["A"], one["B"], one["C"], q1=one["D"], clock=clock,
        mark=one["J"], joint=one["K"] == "A",
    )  # fmt: skip


def town_of(path: Path, encoding: str, us: str, ds: str, zero_at: str = "") -> Town:
    """One pipe for each pair of nodes; `us` and `ds` say which header field is which end."""
    town = Town()
    named: set[str] = set()
    for count, (head, rows) in enumerate(read_text(path, encoding), start=1):
        name = "-".join(sorted((head[us], head[ds])))
        if name not in named:
            height = float(head["ACB"])
            town.pipes.append(pipe(name, head[us], head[ds], height_mm=height, dn_mm=height))
            named.add(name)
        far = head["AAD"] if head["AAB"] == head["AAF"] else head["AAF"]
        end = next(number(given["I"]) for given in rows if given["A"] == "BCE")
        one = run(
            f"run {count}", name, head["AAB"], end_node=far, surveyed_m=end, date=head["ABF"],
            direction={"A": "down", "B": "up"}[head["AAK"]], zero_at=zero_at or ZERO[head["ABC"]],
        )  # fmt: skip
        town.runs.append((one, [coded(given) for given in rows]))
    return town


@pytest.fixture(scope="module")
def real(samples: Path) -> tuple[Town, Located, Spanned]:
    # In this file AAF is the node where a run with the flow starts: the upstream one.
    path = samples / "coding" / "en13508-2_text_kwb_example_anon.txt"
    town = town_of(path, "latin-1", us="AAF", ds="AAD")
    found = town.locate()
    return town, found, spans_of(found)


def test_every_real_row_is_found_again(real: tuple[Town, Located, Spanned]) -> None:
    """19 runs, 335 rows: each a defect, the end of one, or left over with a reason."""
    town, found, spanned = real
    rows = set(town.row_table()["observation_id"])
    assert (len(town.runs), len(rows)) == (19, 335)
    placed = set(found.defects["observation_id"])
    closed = set(found.defects["close_id"]) - {""}
    left = set(found.left_over["key"])
    assert placed | closed | left == rows
    told = found.defects[found.defects["role"].isin(["damage", "condition", "flag"])]
    in_spans, overtaken = set(spanned.span_rows["observation_id"]), set(spanned.left_over["key"])
    assert in_spans | overtaken == set(told["observation_id"])


def test_directions_are_those_of_the_start_nodes(real: tuple[Town, Located, Spanned]) -> None:
    """AAK agrees with AAB in all 19 runs: no contradiction is flagged."""
    _, found, _ = real
    assert not found.flags["what"].str.contains("contradicts").any()
    ups = found.inspections[found.inspections["direction"] == "up"]
    ends = ups.merge(found.pipes[["pipe_id", "ds_node"]], on="pipe_id")
    assert (ends["counter_node"] == ends["ds_node"]).all()
    assert len(ups) > 0


def test_two_surveys_of_one_pipe_differ_by_one_shift(real: tuple[Town, Located, Spanned]) -> None:
    """Runs of 2001 (22.3 m) and 2010 (21.6 m): laterals 0.5 to 0.6 m further in the older."""
    _, found, _ = real
    old = found.inspections[found.inspections["surveyed_m"] == 22.3]["inspection_id"].iloc[0]
    said = [w for w in found.flags[found.flags["key"] == old]["what"] if w.startswith("laid on")]
    assert len(said) == 1
    shift = float(said[0].split("moved by ")[1].split(" m")[0])
    # The counter runs with the flow: an older reading that is too large moves back.
    assert -0.6 - 1e-9 <= shift <= -0.5 + 1e-9


def test_stretches_of_joints_are_not_long_defects(real: tuple[Town, Located, Spanned]) -> None:
    """14 stretches of BAJ, counted by hand: 7 of B recur at joints, 7 of C are sags in mm."""
    _, found, _ = real
    joints = found.defects[(found.defects["code"] == "BAJ") & (found.defects["stretch"] != "")]
    starts = joints[joints["stretch"].str.startswith("A")]
    by_letter = starts.groupby(["char1", "kind"]).size().to_dict()
    assert by_letter == {("B", "repeated"): 7, ("C", "repeated"): 7}
    sags = starts[starts["flags"].str.contains("may be a sag")]
    assert list(sags["char1"]) == ["C"] * 7


@pytest.fixture(scope="module")
def traps(samples: Path) -> tuple[dict[str, Any], Located, Spanned]:
    folder = samples / "coding"
    expected = json.loads((folder / "traps_expected.json").read_text("utf-8"))
    path = folder / "en13508-2_text_traps_synthetic.txt"
    town = town_of(path, "utf-8", us="AAF", ds="AAD")
    # The run with the flow starts at AAD here: the writer orders the nodes the other way.
    town.pipes[0].update(us_node="S1", ds_node="S2")
    centre = settings(manhole_part_m=0.5)
    found = town.locate(centre)
    return expected["en13508-2_text_traps_synthetic.txt"], found, spans_of(found, centre)


def test_the_newer_survey_gives_the_expected_places(
    traps: tuple[dict[str, Any], Located, Spanned],
) -> None:
    """With the flow, zero at the wall: places as coded, the wider crack, the open stretch."""
    expected, found, _ = traps
    want = expected["survey_2026"]
    assert found.pipes["length_m"].tolist() == [want["net_length"]]
    rows = found.defects[found.defects["inspection_id"] == "run 1"].set_index("mechanism")
    crack = rows.loc["fracture"]
    assert [crack["x_from_m"], crack["x_to_m"]] == [
        want["stretch_1"]["from"],
        want["stretch_1"]["to"],
    ]
    assert crack["quantity_high"] == want["stretch_1"]["width_mm_max"]
    assert rows.loc["joint_offset", "x_from_m"] == want["joint_offset"]["x_us"]
    deposit = rows.loc["deposit_attached"]
    assert deposit["arc_h"] == want["stretch_2"]["arc_hours"]
    assert "never ends" in deposit["flags"]
    hole = rows.loc["missing_wall"]
    assert hole["x_from_m"] == want["missing_wall"]["x_us"]
    assert hole["to_m"] - hole["from_m"] == pytest.approx(want["missing_wall"]["length_mm"] / 1000)
    assert hole["arc_h"] == want["missing_wall"]["arc_hours"]


def test_the_older_survey_is_mirrored_and_overtaken(
    traps: tuple[dict[str, Any], Located, Spanned],
) -> None:
    """Against the flow, zero at the centre: 12.9 m is 12.4 m from the wall, x = 26.4 m."""
    expected, found, spanned = traps
    want = expected["survey_2020"]
    rows = found.defects[found.defects["inspection_id"] == "run 2"].set_index("mechanism")
    assert rows.loc["break", "x_from_m"] == pytest.approx(want["break"]["x_us"])
    turned = want["break"]["clock_downstream"]
    assert rows.loc["break", "clock_h"] == turned[0]
    assert rows.loc["break", "arc_h"] == (turned[1] - turned[0]) % 12
    assert rows.loc["joint_offset", "x_from_m"] == pytest.approx(want["joint_offset"]["x_us"])
    assert rows["flags"].str.contains("older survey: run 1 of 2026-01-12").all()
    own = spanned.span_rows[spanned.span_rows["part"] == "own"]
    assert own["observation_id"].str.startswith("run 1/").all()
