"""Classes, points and scores by hand; a figure that is an interval stays one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_project import PROJECT, write_project

from planner.coded_text import Columns, columns_of
from planner.contracts import DECISIONS, GRADE_STEPS, SPAN_QUANTITIES
from planner.errors import TableError
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.grade_tables import read_grade_table
from planner.inputs.project import read_project
from planner.propose import propose
from planner.screening.grade_metres import metre_sums
from planner.screening.grade_points import conditions_of, points_of
from planner.screening.grade_steps import handbook_steps, look_up, scales
from planner.screening.grades import GradeTables, grade_all
from planner.settings import load_settings
from planner.tables import conform, empty
from tests.filmed import Town, pipe, row, run

INF = float("inf")


def rows(*figures: tuple[str, str, float, float]) -> Columns:
    """Give placed rows as (mechanism, quantity, low, high)."""
    names = ["mechanism", "quantity", "quantity_low", "quantity_high"]
    return columns_of(pd.DataFrame(figures, columns=names).assign(code="X", char1="A"))


# Stein, Instandhaltung von Kanalisationen, sec. 4.7.4.3.1, row by row; DN in the last place.
PRINTED = [
    ("collapse", "", np.nan, 300, 1),
    ("missing_wall", "missing_mm", 80, 300, 2),
    ("crack", "crack_mm", 6, 300, 1),
    ("fracture", "crack_mm", 3, 300, 2),
    ("crack", "crack_mm", 1, 300, 3),
    ("crack", "crack_mm", 0.3, 300, 4),
    ("crack_surface", "crack_mm", 0.1, 300, 5),
    ("infiltration", "leak_level", 4, 300, 1),
    ("infiltration", "leak_level", 3, 300, 2),
    ("joint_offset", "offset_mm", 25, 250, 2),
    ("joint_offset", "offset_mm", 15, 250, 3),
    ("joint_offset", "offset_mm", 25, 400, 3),
    ("joint_offset", "offset_mm", 35, 800, 3),
    ("joint_offset", "offset_mm", 45, 1200, 3),
    ("joint_offset", "offset_mm", 55, 1200, 2),
    ("sag", "sag_pct", 60, 300, 2),
    ("sag", "sag_pct", 5, 300, 5),
    ("deposit_settled", "deposit_pct", 30, 300, 2),
    ("obstruction", "obstruction_pct", 35, 300, 1),
    ("deformation", "deformation_pct", 12, 300, 2),
    ("deformation", "deformation_pct", 6, 300, 3),
]


@pytest.mark.parametrize(("mechanism", "quantity", "figure", "dn", "wanted"), PRINTED)
def test_the_handbook_says_it_so(mechanism, quantity, figure, dn, wanted) -> None:
    """One figure inside each printed band."""
    found = look_up(rows((mechanism, quantity, figure, figure)), [dn], handbook_steps())
    assert found[["low", "high"]].to_numpy().tolist() == [[wanted, wanted]]
    assert found["verified"].all()
    assert not found["wanting"].any()


def test_an_interval_meets_every_step_it_touches() -> None:
    """A crack of 0.3 to 3 mm is of class 4, 3 or 2; one of above 0.5 mm of 3, 2 or 1."""
    both = rows(("crack", "crack_mm", 0.3, 3), ("crack", "crack_mm", 0.51, INF))
    found = look_up(both, [300, 300], handbook_steps())
    assert found[["low", "high"]].to_numpy().tolist() == [[2, 4], [1, 3]]


def test_without_a_figure_it_may_be_any_class_of_its_kind() -> None:
    """No width: 1 to 5. No height: 25 mm of offset is 2 (below DN 300) to 5 (above 1000)."""
    both = rows(("crack", "crack_mm", np.nan, np.nan), ("joint_offset", "offset_mm", 25, 25))
    found = look_up(both, [300, np.nan], handbook_steps())
    assert found[["low", "high"]].to_numpy().tolist() == [[1, 5], [2, 5]]
    assert found["wanting"].all()


def test_what_the_table_does_not_name_has_no_class() -> None:
    """The handbook measures roots in cm of thickness, which nobody codes."""
    assert look_up(rows(("roots", "roots_pct", 30, 30)), [300], handbook_steps()).empty


def test_steps_that_name_nothing_speak_of_every_row() -> None:
    """By hand: a pipe of 200 mm has 1, one of 400 mm 2, whatever is coded and measured there."""
    step = {"requirement": "service", "verified": True, "file": "own"}
    small, large = {"dn_below_mm": 300.0, "value": 1}, {"dn_from_mm": 300.0, "value": 2}
    steps = conform([step | small | {"row": 1}, step | large | {"row": 2}], GRADE_STEPS)
    both = rows(("roots", "roots_pct", 30, 30), ("crack", "crack_mm", 2, 3), ("sag", "", 1, 1))
    found = look_up(both, [200, 400, 400], steps)
    assert found[["place", "low", "high"]].to_numpy().tolist() == [[0, 1, 1], [1, 2, 2], [2, 2, 2]]


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 100), st.floats(0, 100), st.sampled_from([100, 299, 300, 600, 1000, 1500]))
def test_the_ends_of_an_interval_bound_every_figure_in_it(a: float, b: float, dn: int) -> None:
    """Property: the class of any figure between two lies between the classes of the interval."""
    low, high = sorted((a, b))
    for mechanism, quantity in (("crack", "crack_mm"), ("joint_offset", "offset_mm")):
        wide = look_up(rows((mechanism, quantity, low, high)), [dn], handbook_steps())
        for figure in (low, (low + high) / 2, high):
            one = look_up(rows((mechanism, quantity, figure, figure)), [dn], handbook_steps())
            assert one["low"][0] == one["high"][0]
            assert wide["low"][0] <= one["low"][0] <= wide["high"][0]


def test_every_step_speaks_of_a_known_figure_and_kind() -> None:
    """Walk the shipped table."""
    steps = handbook_steps()
    kinds = pd.read_csv(Path(__file__).parents[1] / "planner/data/codes/mechanisms.csv")
    assert set(steps["mechanism"]) <= set(kinds["mechanism"])
    assert set(steps["quantity"]) <= {"", *SPAN_QUANTITIES}
    assert set(scales()) >= {"PACP family", "handbook classes", "BFR classes"}


def test_rows_of_a_run_that_is_not_there_stop_the_grading() -> None:
    """They are the rows of no other run."""
    runs = [(run(name, name, name + "U"), [row(5.0, "BAC", "C")]) for name in ("P", "Q")]
    pipes = [pipe(name, name + "U", name + "D", stated_m=50.0) for name in ("P", "Q")]
    found = Town(pipes, runs).locate()
    tables = GradeTables(*(empty(GRADE_STEPS) for _ in range(3)))
    graded = grade_all(
        found.defects, found.inspections, found.pipes, tables, load_settings().grades
    ).frame
    assert graded["key"].tolist() == ["P", "Q"]
    one = found.inspections[:1]
    with pytest.raises(TableError, match="inspection 'Q', which is not in the list"):
        grade_all(found.defects, one, found.pipes, tables, load_settings().grades)


def test_points_of_the_federal_tables() -> None:
    """BFR Abwasser, Tab. A-3-2 and A-3-3, added by hand.

    Tightness, class 3, foul, in groundwater range, sand, lower half, at a joint:
    200 + 30 + 10 + 30 + 10 + 10 = 290. Stability, class 5, loam, round: 400 + 40 + 20 = 460.
    Storm at class 1: 10 - 30 is not below 0. A class 0 has no points whatever lies round it.
    """

    def words(*found: str) -> np.ndarray:
        return np.array(found, dtype=object)

    where = {"stream": words("foul"), "groundwater": words("range"), "soil": words("coarse"),
             "clock": words("lower"), "joint": words("yes"), "zone": words("none")}  # fmt: skip
    assert points_of([3], "tightness", where).tolist() == [290]
    where = {"soil": words("loam"), "clock": words("round"), "groundwater": words("above")}
    assert points_of([5], "stability", where).tolist() == [460]
    assert points_of([1], "tightness", {"stream": words("storm")}).tolist() == [0]
    assert points_of([0, 2], "tightness", {"zone": words("I", "I")}).tolist() == [0, 500]


@pytest.mark.parametrize(
    ("clock", "arc", "half"),
    [(6, 1, "lower"), (11, 2, "upper"), (2, 3, "lower+upper"), (8, 0, "lower"), (12, 12, "round"),
     (9, 0, "lower+upper"), (10, 0, "upper"), (11, 5, "lower+upper"), (np.nan, np.nan, "")],
)  # fmt: skip
def test_halves_of_the_clock(clock: float, arc: float, half: str) -> None:
    """03-09 is the lower half, 09-03 the upper; an arc that reaches into both is in both."""
    placed = pd.DataFrame({"clock_h": [clock], "arc_h": [arc], "at_joint": [False]})
    found, _ = conditions_of(placed, pd.Series(["foul"]), load_settings().grades)
    assert found["clock"].tolist() == [half]


def test_scores_of_a_metre_are_added() -> None:
    """By hand: metre 4 has 30 + 7 + 2 (the stretch 3.5-6.0 touches 3, 4 and 5) = 39."""
    sums = metre_sums([0, 0, 0, 1], [4.0, 4.99, 3.5, 4.0], [4.0, 4.99, 6.0, 4.0], [30, 7, 2, 9])
    assert sums.to_numpy().tolist() == [[0, 3, 2], [0, 4, 39], [0, 5, 2], [1, 4, 9]]


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 2), st.floats(0, 30), st.floats(0, 10), st.integers(0, 50)),
        min_size=1,
        max_size=12,
    )
)
def test_metres_against_a_plain_loop(found: list[tuple[int, float, float, int]]) -> None:
    """The same sums by going through every metre of every run."""
    run, first, length, score = (list(part) for part in zip(*found, strict=True))
    to = [a + b for a, b in zip(first, length, strict=True)]
    got = metre_sums(run, first, to, score)
    table = {(r, m): s for r, m, s in got.to_numpy().tolist()}
    for r in range(3):
        for metre in range(45):
            inside = [
                s
                for k, a, b, s in zip(run, first, to, score, strict=True)
                if k == r and (int(a) == metre or (a < metre + 1 and b > metre))
            ]
            assert table.get((r, metre), 0) == sum(inside), (r, metre)
            assert ((r, metre) in table) == bool(inside)


CLASSES = """code,char1,requirement,quantity,over,up_to,value,verified,source
BAB,B,tightness,crack_mm,,3,2,no,invented
BAB,B,tightness,crack_mm,3,,4,no,invented
BAB,B,stability,crack_mm,,,3,yes,invented
"""
SCORES = """code,requirement,value,verified,source
BAB,structural,12,yes,invented
"""
BANDS = """requirement,quantity,over,up_to,value,verified
structural,peak_per_m,,10,1,yes
structural,peak_per_m,10,20,3,yes
structural,peak_per_m,20,,5,yes
"""


def test_a_project_with_tables_of_its_own(tmp_path: Path) -> None:
    """Cracks of 2 mm at 5.2 m and from 8.0 to 8.8 m, surveyed 40 m.

    Class 2 = 100 points for tightness, class 3 = 200 for stability, no use or clock known
    but the joint flag: nothing added. Points x m = 200 x 0.3 + 200 x 0.8 = 220.
    Scores: metre 5 has 12, metre 8 has 12: peak 12, total 24, mean 24 / 40 = 0.6; the peak
    lies in the band 10 to 20: grade 3. Handbook: 2 mm lies in 0.5-2: class 3.
    """
    grades = '[grades]\nclasses = "c.csv"\nscores = "s.csv"\nscore_grades = "b.csv"\n'
    write_project(tmp_path, planner_toml=PROJECT + grades, c_csv=CLASSES, s_csv=SCORES, b_csv=BANDS)
    inputs = read_project(tmp_path)
    assert {"c.csv", "s.csv", "b.csv"} <= set(inputs.hashes)
    made = propose(inputs, NOTHING_KNOWN, empty(DECISIONS))
    found = made.tables["grades"].set_index(["key", "scheme", "requirement", "measure"])
    found = found.loc["R1"]
    shown = found["shown"].to_dict()
    assert shown[("handbook classes", "overall", "worst class")] == "3 of 1 (worst) to 5"
    assert shown[("BFR points", "tightness", "largest points")] == "100"
    assert shown[("BFR points", "stability", "largest points")] == "200"
    assert shown[("BFR points", "overall", "points x m")] == "220.0"
    assert shown[("scores per metre", "structural", "peak per m")] == "12"
    assert shown[("scores per metre", "structural", "total")] == "24"
    assert found.loc[("scores per metre", "structural", "mean per m"), "value"] == pytest.approx(
        0.6
    )
    assert shown[("scores per metre", "structural", "grade by peak")] == "3"
    tight = found.loc[("BFR points", "tightness", "largest points")]
    assert not tight["verified"]
    assert "add-ons left out, not known: soil, groundwater, zone, hazardous" in tight["why"]
    assert found.loc[("BFR points", "stability", "largest points"), "verified"]
    assert not found.loc[("scores per metre", "structural", "total"), "verified"]


@pytest.mark.parametrize(
    ("line", "column"),
    [
        ("BAB,B,structural,crack_mm,,,2,no,x", "requirement"),
        ("BAB,B,tightness,crak_mm,,,2,no,x", "quantity"),
        ("BAB,B,tightness,crack_mm,5,3,2,no,x", "over"),
        (",,tightness,crack_mm,,3,2,no,x", "code"),
        ("BAB,B,tightness,crack_mm,,3,6,no,x", "value"),
        ("BAB,B,tightness,crack_mm,,3,2.5,no,x", "value"),
        ("BAB,B,tightness,crack_mm,,3,,no,x", "value"),
    ],
)
def test_a_bad_row_is_one_fault_and_the_others_stand(tmp_path: Path, line: str, column: str):
    """File, row and column are named."""
    (tmp_path / "c.csv").write_text(CLASSES + line + "\n")
    steps, faults = read_grade_table(tmp_path / "c.csv", "classes", file="c.csv")
    assert len(steps) == 3
    assert [(f.file, f.row, f.column) for f in faults] == [("c.csv", 5, column)]
    assert list(steps.columns) == GRADE_STEPS.names
