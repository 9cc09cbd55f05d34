"""The benchmarks of the week: the draw keeps its shares, and all ways have one price."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from crew_town import settings, stop, stop_town, ways_of

from planner.crews import zones
from tests.bench import __main__ as bench
from tests.bench import naive, public, week
from tests.bench.vrp_files import as_week, read_problem
from tests.bench.week_town import WeekTown, crews_for, week_town

HEAD = "NAME : tiny\nTYPE : {kind}\nDIMENSION : 4\n{more}EDGE_WEIGHT_TYPE : EUC_2D\nCAPACITY : 10\n"
PLACES = "NODE_COORD_SECTION\n1 0 0\n2 3 4\n3 6 8\n4 0 10\n"
LOADS = "DEMAND_SECTION\n1 0\n2 5\n3 5\n4 5\n"
END = "DEPOT_SECTION\n1\n-1\nEOF\n"
PLAIN = HEAD.format(kind="CVRP", more="") + PLACES + LOADS + END
TIMED = (
    HEAD.format(kind="PCVRPTW", more="VEHICLES : 2\nSERVICE_TIME : 1\n")
    + PLACES
    + LOADS
    + "TIME_WINDOW_SECTION\n1 0 60\n2 0 60\n3 30 31\n4 0 12\n"
    + "PRIZE_SECTION\n1 0\n2 40.57\n3 90\n4 3\n"
    + END
)


@pytest.fixture(scope="module")
def small() -> WeekTown:
    return week_town(20, 0, iterations=200)


def test_a_drawn_week_has_the_shares_that_it_names():
    """Of 200: 20 at night, 30 by schools, 10 early, 8 promised, 60 on some days; 9 crews."""
    town = week_town(200, 3)
    kinds = town.tables["setups"]["node_id"].map(
        pd.DataFrame(town.tables["nodes"]).set_index("node_id")["street_class"]
    )
    kind, days = kinds.str.rpartition(" ")[0], kinds.str.rpartition(" ")[2]
    assert kind.value_counts()[["night", "school", "early"]].to_list() == [20, 30, 10]
    # 11 % of the 140 plain ones, 15, change their hours in the week.
    assert kind.str.startswith("split").sum() == 15
    assert (days != "mon+tue+wed+thu+fri").sum() == 60
    hours = town.tables["setup_hours"]
    assert hours.loc[hours["promised"], "setup_id"].nunique() == 8
    assert len(town.tables["crews"]) == 9
    assert len(town.tables["shifts"]) == 45
    assert (town.tables["shifts"].eval("end_s - start_s") == 9 * 3600).all()
    assert town.tables["crews"][["yard_x", "yard_y"]].drop_duplicates().shape[0] == 2
    assert town.tables["crews"][["systems", "packers"]].drop_duplicates().shape[0] == 5


def test_crews_are_those_of_the_measured_weeks():
    """routing.md 2b: 3 for 60, 9 for 200, 20 for 600 and 1,500."""
    assert [crews_for(size) for size in (60, 200, 600, 1500)] == [3, 9, 20, 20]


def test_a_seed_draws_one_week(small):
    """The same seed the same tables, another seed others."""
    again, other = week_town(20, 0, iterations=200), week_town(20, 1, iterations=200)
    for name, table in small.tables.items():
        pd.testing.assert_frame_equal(pd.DataFrame(table), pd.DataFrame(again.tables[name]))
    assert not (small.ways.seconds == other.ways.seconds).all()


@pytest.mark.parametrize(
    "deal",
    [zones.deal_in_zones, naive.nearest_first, naive.most_urgent_first],
    ids=lambda f: f.__name__,
)
def test_each_way_passes_the_audit_and_is_priced_as_the_board_prices_it(small, deal):
    """Two reckonings of one price, from the tables and by the board."""
    found = week.plan(small, deal)
    assert found.faults == 0
    assert not found.apart
    assert 0 < found.served <= 20
    left = sorted(week.worths(small).values())[: 20 - found.served]
    assert found.cost_s >= found.drive_s + sum(left)


def test_the_price_of_a_week_by_hand():
    """168 s there and back (test_week); worth 2,700 s where no crew can do it."""
    stops = [stop("U1", 600.0, 800.0), stop("U2", 0.0, 0.0, steps="dig")]
    tables, chosen = stop_town(stops), settings().week
    town = WeekTown(tables, ways_of(tables, chosen), chosen)
    for deal in (zones.deal_in_zones, naive.nearest_first, naive.most_urgent_first):
        found = week.plan(town, deal)
        assert (found.cost_s, found.drive_s, found.unseen_s) == (336 + 2_700, 336, 2_700)
        assert (found.served, found.faults, found.apart) == (1, 0, False)


def test_nearest_first_goes_on_to_the_nearest(small):
    """From the yard no stop that fits at that time is nearer than the first of the day.

    On the first crew-day all stops are left; a promised one would come first, whatever its way.
    """
    board = week.plan(small, naive.nearest_first).board
    day = min(board.routes, key=lambda d: (board.days[d].date, board.days[d].crew))
    crew_day = board.days[day]
    fits = [n for n in range(len(board.stops)) if board.able[day, n]]
    promised = [n for n in fits if board.stops[n].value_s >= small.week.value_promised_s]
    drives = [board.roads.drive_s(crew_day.yard, board.stops[n].at) for n in promised or fits]
    first = board.stops[board.routes[day][0]]
    assert board.roads.drive_s(crew_day.yard, first.at) == min(drives)


def test_the_benchmark_of_the_week_holds_its_goals(monkeypatch):
    """Four ways and the bound, all goals named; the audit and both prices agree."""
    monkeypatch.setattr(week, "SEEDS", 1)
    monkeypatch.setattr(week, "GOALS_AT", {12: (1.0, 1.5)})
    result = week.run(12)
    names = [row["what"] for row in result.rows]
    assert names == ["ours", "nearest first", "most urgent first", "street by street", "bound"]
    goals = {week.NAIVE, week.BOUND, week.ABOVE, week.FAULTS, week.APART}
    assert goals <= result.goals.keys()
    assert not result.unmet


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "tiny.vrp"
    path.write_text(text)
    return path


def test_a_problem_without_times_by_hand(tmp_path):
    """Two fit a vehicle. To the clients 5, 10, 10; 1 to 2: 5; 2 to 3: 6.3; 1 to 3: 6.7.

    Rounded: 2 and 3 together 10 + 6 + 10, 1 alone 10: 36; the other pairs 40 and 42.
    """
    problem = read_problem(written(tmp_path, PLAIN), "round")
    assert problem.drive_s.tolist() == [[0, 5, 10, 10], [5, 0, 5, 7], [10, 5, 0, 6], [10, 7, 6, 0]]
    assert (problem.vehicles, problem.capacity) == (3, 10)
    found = public.planned(problem, 50)
    assert (found.cost, found.week_cost) == (36, 36)
    assert public.cost_of(problem, [[1, 2], [3]]) == 40
    assert public.cost_of(problem, [[1, 3], [2]]) == 42


def test_a_problem_with_times_and_prizes_by_hand(tmp_path):
    """In tenths: client 3 is worth 30 and costs 200 there and back alone, left.

    1 and 2 with one vehicle: 50 + 50 + 100 = 200 and 30 lost: 230. Leaving 1 too costs 405 more.
    """
    problem = read_problem(written(tmp_path, TIMED), "x10")
    assert problem.drive_s[1].tolist() == [50, 0, 50, 67]  # 6.708 cut off, not rounded
    assert problem.prize_s.tolist() == [0, 405, 900, 30]
    assert problem.service_s.tolist() == [0, 10, 10, 10]
    assert (problem.open_s[2], problem.close_s[2], problem.vehicles) == (300, 310, 2)
    found = public.planned(problem, 50)
    assert (found.cost, found.week_cost) == (230, 230)
    assert public.cost_of(problem, []) == 405 + 900 + 30


@pytest.mark.parametrize(
    ("routes", "what"),
    [
        ([[1, 2, 3]], "takes more than"),
        ([[1], [1]], "served twice"),
        ([[1], [2], [3]], "more vehicles"),
        ([[2, 3]], "client 3 is reached"),
    ],
)
def test_routes_that_break_the_problem_are_refused(tmp_path, routes, what):
    """Client 3 closes at 120, client 2 opens at 300."""
    problem = read_problem(written(tmp_path, TIMED), "x10")
    with pytest.raises(RuntimeError, match=what):
        public.cost_of(problem, routes)


def test_ours_goes_the_way_of_pyvrp_alone(tmp_path, monkeypatch):
    """Same seed, length and parameters on what PyVRP reads by itself: the same cost."""
    monkeypatch.setattr(public, "PROBLEMS", written(tmp_path, TIMED).parent)
    known = public.Known("tiny", "x10", 230, 0.0)
    found = public.planned(read_problem(tmp_path / "tiny.vrp", "x10"), 50)
    assert public.by_pyvrp_alone(known, found.params, required=False) == found.cost == 230


def test_published_problems_that_are_not_there_end_with_2(tmp_path, monkeypatch, capsys):
    """They are no part of the project."""
    monkeypatch.setattr(public, "PROBLEMS", tmp_path)
    assert bench.main(["public", "--size", "1", "--json"]) == 2
    assert "X-n101-k25, RC208, RC1_10_1-prize" in capsys.readouterr().err


def test_a_published_problem_through_the_tables(monkeypatch):
    """One real file, few iterations: equal to PyVRP alone, no worse than it began."""
    if not (public.PROBLEMS / "RC208.vrp").exists():
        pytest.skip("shared/samples/vrp is not here")
    monkeypatch.setattr(public, "SAME_ITERATIONS", 20)
    known = public.KNOWN[1]
    problem = read_problem(public.PROBLEMS / "RC208.vrp", known.how)
    assert len(as_week(problem).tables["setups"]) == 100
    found = public.planned(problem, 20)
    assert public.by_pyvrp_alone(known, found.params, required=False) == found.cost
    assert known.cost <= found.week_cost <= found.cost
