"""From counter to axis: mirror, zero, ends of the pipe, extents, doubt, clock."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from planner.contracts import OBSERVATIONS
from planner.held import Held
from planner.screening.position import ORIGINS, Placed, Walked, place
from planner.screening.row_kernel import Runs
from planner.settings import Survey
from tests.filmed import SETTINGS, settings

L = 50.0


def walked(
    *s_m: float,
    counter: str = "U",
    part: float = 0.0,
    length: float = L,
    shift: float = 0.0,
    survey: Survey = SETTINGS,
    **more: Any,
) -> Walked:
    """Rows at some readings of one run, on a pipe from U to D; its length is doubtful by 0.3 m."""
    base = {"mechanism": "crack", "role": "damage", "detail": "", "quantity": ""}
    figures = {"quantity_low": np.nan, "quantity_high": np.nan}
    clock = {"clock_from_h": np.nan, "clock_to_h": np.nan}
    said = {**base, **figures, **clock, "at_joint": False, **more}
    count = len(s_m)
    columns = {"s_m": np.array(s_m), "row": np.arange(count)}
    columns |= {name: np.full(count, value) for name, value in said.items()}
    run = Runs(
        used=np.array([True]),
        from_us=np.array([counter == "U"]),
        part_m=np.array([part]),
        length_m=np.array([length]),
        doubt_m=np.array([0.3]),
        shift_m=np.array([shift]),
    )
    of_run = np.zeros(count, dtype=np.int64)
    return place(Held(OBSERVATIONS, columns), of_run, run, survey)


def placed(*s_m: float, **more: Any) -> Placed:
    found = walked(*s_m, **more)
    assert not len(found.left.at)
    return found.placed


def test_counter_from_either_end() -> None:
    """12 m from us_node is x = 12; 12 m from ds_node is x = 50 - 12 = 38."""
    assert placed(12.0).x_from_m.tolist() == [12.0]
    assert placed(12.0, counter="D").x_from_m.tolist() == [38.0]


def test_zero_at_the_centre_takes_half_the_manhole_off() -> None:
    """12.9 m from the centre, half opening 0.4 m: 12.5 m from the wall; from ds 37.5 m."""
    assert placed(12.9, part=0.4).x_from_m.tolist() == [pytest.approx(12.5)]
    assert placed(12.9, part=0.4, counter="D").x_from_m.tolist() == [pytest.approx(37.5)]


@pytest.mark.parametrize("counter", ["U", "D"])
def test_past_the_end_by_a_little_is_set_to_the_end(counter: str) -> None:
    """max(1 m, 2 % of 50 m = 1 m): 0.4 m and 1.0 m past are set to the end, 1.2 m is refused."""
    found = walked(50.4, 51.0, 51.2, -0.3, -1.2, counter=counter)
    assert found.left.at.tolist() == [2, 4]
    assert found.left.past_m.tolist() == pytest.approx([1.2, 1.2])
    end, start = (50.0, 0.0) if counter == "U" else (0.0, 50.0)
    assert found.placed.x_from_m.tolist() == [end, end, start]
    assert found.placed.past_note(0) == "0.40 m past the end of the pipe: set to the end"
    assert found.placed.past_note(2) == "0.30 m past the end of the pipe: set to the end"


def test_a_counter_written_as_minus_nought_is_nought() -> None:
    """By hand: -0.0 m from us_node is x = 0.0, which no table writes as -0.0; the crack's length
    of 0.3 m runs from there."""
    found = placed(-0.0)
    assert [str(float(one[0])) for one in (found.x_from_m, found.from_m)] == ["0.0", "0.0"]


def test_two_percent_governs_on_a_long_pipe() -> None:
    """2 % of 100 m = 2 m: 101.9 m is set to the end, 102.1 m is refused."""
    assert walked(101.9, 102.1, length=100.0).left.at.tolist() == [1]


def test_nodes_beyond_the_walls_are_no_doubt_with_a_centre_zero() -> None:
    """Zero at the centre: the start node reads 0 = 0.4 m before the wall, as it should."""
    node = placed(0.0, part=0.4, mechanism="node_start")
    assert (node.x_from_m[0], node.past_note(0)) == (0.0, "")
    assert placed(0.0, part=0.4).past_note(0) != ""


def test_an_unknown_length_refuses() -> None:
    """Without a length nothing can be held against the pipe's end."""
    assert walked(12.0, length=np.nan).left.at.tolist() == [0]


def test_a_shift_is_taken_off() -> None:
    """A survey that reads 0.6 m too far along the axis."""
    assert placed(8.1, shift=0.6).x_from_m.tolist() == [7.5]


def test_doubt_of_finding_again() -> None:
    """max(0.3, 0.5 % of s): 0.3 at 12 m, 0.5 at 100 m; plus the length's 0.3 m from ds_node."""
    far = {"length": 120.0}
    assert placed(12.0, 100.0, **far).find_m.tolist() == [0.3, 0.5]
    assert placed(12.0, 100.0, counter="D", **far).find_m.tolist() == pytest.approx([0.6, 0.8])


@pytest.mark.parametrize(
    ("rows", "falls"),
    [
        # Falls at the third row, by more than the half centimetre that rounding makes.
        ([1.0, 4.0, 3.0, 2.0], 2),
        ([1.0, 4.0, 3.996, 5.0], -1),
        # A row without a distance is passed over.
        ([1.0, 4.0, np.nan, 3.0], 3),
    ],
)
def test_the_first_row_at_which_distances_fall_is_told(rows: list[float], falls: int) -> None:
    """Rows in the order of the file."""
    found = walked(*rows)
    assert found.falls is not None
    assert found.falls.tolist() == [falls]


def test_falls_are_not_told_of_rows_that_are_not_in_the_order_of_the_file() -> None:
    """Who wants to know must sort them first."""
    assert walked(1.0, 2.0, row=np.array([3, 2])).falls is None


def extent(counter: str = "U", s: float = 20.0, **more: Any) -> tuple[float, float, str]:
    """From, to and origin of one point on a pipe of 50 m."""
    found = placed(s, counter=counter, **more)
    origin = ORIGINS[found.origin].tolist()[0]
    return round(found.from_m[0], 6), round(found.to_m[0], 6), origin


def test_a_point_runs_forward_in_the_direction_of_the_survey() -> None:
    """EN codes a stretch above 1 m only: from us [20, 21]; from ds x = 30 and [29, 30]."""
    assert extent() == (20.0, 21.0, "assumed")
    assert extent("D") == (29.0, 30.0, "assumed")


def test_joints_and_rings_are_centred() -> None:
    """0.1 m centred: at the joint flag, by mechanism, and round the pipe."""
    assert extent(at_joint=True) == (19.95, 20.05, "coded")
    assert extent(mechanism="joint_offset") == (19.95, 20.05, "coded")
    assert extent("D", detail="circumferential") == (29.95, 30.05, "coded")
    assert extent(mechanism="lateral_intruding") == (19.95, 20.05, "coded")


def test_a_coded_length_replaces_the_assumed_one() -> None:
    """A hole of 180 mm: 0.18 m forward; at a joint centred."""
    hole = {"mechanism": "missing_wall", "quantity": "missing_mm"}
    size = {"quantity_low": 180.0, "quantity_high": 180.0}
    assert extent(**hole, **size) == (20.0, 20.18, "quantity")
    assert extent("D", **hole, **size) == (29.82, 30.0, "quantity")
    assert extent(**hole, **size, at_joint=True) == (19.91, 20.09, "quantity")
    assert extent(**hole, quantity_low=100.0, quantity_high=500.0) == (20.0, 20.5, "quantity")


def test_a_length_open_upwards_only_lengthens() -> None:
    """ ">50 mm" leaves the assumed 1 m; ">1500 mm" makes it 1.5 m, still assumed."""
    hole = {"mechanism": "break", "quantity": "break_mm"}
    assert extent(**hole, quantity_low=50.0) == (20.0, 21.0, "assumed")
    assert extent(**hole, quantity_low=1500.0) == (20.0, 21.5, "assumed")


def test_a_lateral_is_as_long_as_it_is_wide() -> None:
    """150 mm centred on the connection; unknown size: a point."""
    lateral = {"mechanism": "lateral", "role": "place"}
    both = {"quantity_low": 150.0, "quantity_high": 150.0}
    assert extent(**lateral, **both) == (19.925, 20.075, "quantity")
    assert extent(**lateral) == (20.0, 20.0, "coded")


def test_nodes_and_remarks_have_no_length_and_old_repairs_have() -> None:
    """A node is a point; the length of an old repair is assumed as any other point's."""
    assert extent(mechanism="note", role="record") == (20.0, 20.0, "coded")
    assert extent(mechanism="existing_repair", role="place") == (20.0, 21.0, "assumed")
    assert extent(mechanism="size_change", role="place") == (20.0, 20.0, "coded")


def test_extents_stay_in_the_pipe() -> None:
    """At 49.6 m only 0.4 m are left; a joint at the wall keeps its inner half."""
    assert extent(s=49.6) == (49.6, 50.0, "assumed")
    assert extent(s=0.0, at_joint=True) == (0.0, 0.05, "coded")
    assert extent("D", s=49.7) == (0.0, 0.3, "assumed")


def test_a_files_own_limit_is_a_setting() -> None:
    """A file that codes stretches from 0.3 m on has points of at most that."""
    assert placed(20.0, survey=settings(point_extent_m=0.3)).to_m[0] == pytest.approx(20.3)


def clocks(first: float, last: float = np.nan, detail: str = "", *, down: bool = True) -> list[Any]:
    said = {"clock_from_h": first, "clock_to_h": last, "detail": detail}
    found = placed(20.0, counter="U" if down else "D", **said)
    return [found.clock_h[0], found.arc_h[0], found.clock_note(0)]


def test_clock_seen_downstream_stays() -> None:
    """7 to 5 runs through 12: 10 hours, not 2; one hour alone spans none."""
    assert clocks(7.0, 5.0) == [7.0, 10.0, ""]
    assert clocks(10.0, 2.0) == [10.0, 4.0, ""]
    assert clocks(3.0) == [3.0, 0.0, ""]


def test_clock_seen_upstream_is_mirrored_and_its_ends_change_places() -> None:
    """11 to 2 seen upstream is 10 to 1 seen downstream: 12 - 2 = 10, 12 - 11 = 1."""
    assert clocks(11.0, 2.0, down=False) == [10.0, 3.0, ""]
    assert clocks(3.0, down=False) == [9.0, 0.0, ""]
    assert clocks(12.0, down=False) == [12.0, 0.0, ""]
    assert clocks(11.5, down=False) == [0.5, 0.0, ""]


def test_twelve_to_twelve_is_all_round() -> None:
    """12/12 spans 12 hours; 3/3 is doubtful; a lengthwise crack all round contradicts itself."""
    assert clocks(12.0, 12.0) == [12.0, 12.0, ""]
    assert clocks(12.0, 12.0, down=False) == [12.0, 12.0, ""]
    clock, arc, doubt = clocks(3.0, 3.0)
    assert (clock, np.isnan(arc)) == (3.0, True)
    assert doubt == "clock from and to are alike: one hour or all round"
    assert clocks(12.0, 12.0, "longitudinal")[2] == "lengthwise, yet coded all round the clock"


def test_no_clock_stays_unknown() -> None:
    """Blank is not twelve."""
    clock, arc, doubt = clocks(np.nan)
    assert np.isnan([clock, arc]).all()
    assert doubt == ""
