"""Changing places of tied stops: against all orders, never worse, limited, the same again."""

from __future__ import annotations

from itertools import permutations

import pandas as pd
import pytest
import random_weeks
from crew_town import CLEANERS, FIRST_DAY, crew, setter, settings, stop, stop_town, ways_of
from test_ties import planned, step_of, street

from planner.contracts import UNSERVED, VISITS, WINDOWS
from planner.crews import stages
from planner.crews.asked import Asked, Lock
from planner.crews.audit import audit_week
from planner.crews.board import Board
from planner.crews.exchange import Exchanged, exchange, scarce_part
from planner.crews.week import Days, plan_week
from planner.settings import Week
from planner.tables import conform


def boards(monkeypatch, tables, week: Week, **asked) -> tuple[Board, Board]:
    """The board before and after the exchange of one week."""
    seen: list[tuple[Board, Board]] = []

    def spied(board: Board, week: Week, *, locked: bool = False) -> Exchanged:
        found = exchange(board, week, locked=locked)
        seen.append((board, found.board))
        return found

    monkeypatch.setattr(stages, "exchange", spied)
    ways = ways_of(tables, week)
    plan_week(tables, ways, week, first_day=FIRST_DAY, seed=1, asked=Asked(**asked))
    return seen[0]


def test_it_is_never_worse_and_serves_more_where_chains_share_a_day(monkeypatch):
    """Ten pipes behind one truck: the promised order holds, and the cost [s] only falls."""
    gains = []
    for seed in (8, 14, 15):
        case = random_weeks.make_case(seed)
        before, after = boards(monkeypatch, case.tables, case.week, locks=case.locks)
        assert after.cost_s <= before.cost_s
        gains.append(before.cost_s - after.cost_s)
    assert max(gains) > 0


def least_cost_s(board: Board) -> int:
    """All subsets and orders of one crew-day: the least cost that keeps the ties."""
    stops, best = range(len(board.stops)), sum(stop.value_s for stop in board.stops)
    for count in range(1, len(board.stops) + 1):
        for order in permutations(stops, count):
            table = board.timed(0, order)
            if table is None:
                continue
            place = {n: at for at, n in enumerate(order)}
            kept = all(
                one in place and place[one] < place[n]
                for n in order
                for one, _ in board.ties.before[n]
            )
            useful = all(
                not board.ties.later[n] or set(board.ties.later[n]) & set(order) for n in order
            )
            if kept and useful:
                left = sum(stop.value_s for n, stop in enumerate(board.stops) if n not in place)
                best = min(best, table.drive_s + left)
    return best


@pytest.mark.parametrize("far", [300.0, 1500.0, 4000.0])
def test_one_day_with_a_chain_is_as_cheap_as_the_cheapest_of_all_orders(monkeypatch, far):
    """Five stops, two of them in a chain whose first lies beyond the second."""
    rows = [stop(f"U{n}", far * (1 + n % 3), 200.0 * n, work_s=4_000) for n in range(5)]
    tables = stop_town(rows, after=[("W-U0", "W-U2"), ("W-U4", "W-U1")])
    week = settings(days=1, iterations=5).week
    _, after = boards(monkeypatch, tables, week)
    assert after.cost_s == least_cost_s(after)


def test_a_week_without_ties_is_left_alone(monkeypatch):
    """Three stops on their own: the board that came goes."""
    rows = [stop(f"U{n}", 900.0 * n) for n in range(3)]
    before, after = boards(monkeypatch, stop_town(rows), settings().week)
    assert after is before


@pytest.mark.parametrize("most", [1, 4, 6])
def test_a_part_holds_what_it_leaves_as_it_is(monkeypatch, most):
    """Six pipes, twelve set-ups: no more than `most` change places, and the audit stays clean."""
    tables, week = street(6), settings(exchange_most_count=most, days=3).week
    before, after = boards(monkeypatch, tables, week)
    days, stops = scarce_part(before, most)
    assert len(stops) <= most
    for day, order in before.routes.items():
        if day not in days:
            assert after.routes[day][: len(order)] == order or set(order) <= set(after.routes[day])
    planned(tables, exchange_most_count=most, days=3)


def test_the_same_count_gives_the_same_bytes():
    """Twice the same week; a count of none is the week before the exchange."""
    one, two = planned(street(5), days=2), planned(street(5), days=2)
    assert one.visits.to_csv() == two.visits.to_csv()
    assert one.reproducible


def bound(tables, locks: dict[str, Lock], **week) -> Days:
    chosen = settings(**week).week
    ways = ways_of(tables, chosen)
    asked = Asked(locks=locks)
    found = plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1, asked=asked)
    after = tables | {"visits": found.visits, "unserved": found.unserved}
    assert audit_week(after, ways, chosen, first_day=FIRST_DAY).empty
    return found


def test_what_is_bound_stays_with_its_crew_and_day():
    """Without bounds one crew does all on Monday; bound they are where they are bound to."""
    crews = [crew("One", CLEANERS), crew("Two", CLEANERS)]
    tables = stop_town([stop(f"U{n}", 500.0 * n) for n in range(3)], crews)
    locks = {"U0": Lock("Two", "2026-03-05"), "U1": Lock("", "2026-03-03"), "U2": Lock("Two", "")}
    visits = bound(tables, locks).visits.set_index("setup_id")
    assert tuple(visits.loc["U0", ["crew", "date"]]) == ("Two", "2026-03-05")
    assert visits.loc["U1", "date"] == "2026-03-03"
    assert visits.loc["U2", "crew"] == "Two"


def test_what_is_bound_to_where_it_cannot_be_done_says_so():
    """A Saturday, on which nobody works."""
    found = bound(
        stop_town([stop("U0"), stop("U1", 500.0)]), {"U0": Lock("Cleaning", "2026-03-07")}
    )
    reasons = dict(zip(found.unserved["setup_id"], found.unserved["reason"], strict=True))
    assert reasons == {"U0": "bound to Cleaning on 2026-03-07, where it cannot be done"}


def night_and_morning():
    """A truck of the night that ends at 6:00 on Tuesday, a sleeve crew that starts at 5:00."""
    crews = [crew("Night", CLEANERS), setter("One")]
    rows = [stop("U1", 0.0, pipe_id="p", work_s=8 * 3_600, open_s=79_200, close_s=79_200)]
    rows += [stop("U2", 40.0, pipe_id="p", steps="verify", open_s=18_000, close_s=18_000)]
    hours = [{"crew": "Night", "weekday": "mon", "start_s": 75_600, "end_s": 115_200}]
    hours += [{"crew": "One", "weekday": "tue", "start_s": 14_400, "end_s": 50_400}]
    tables = stop_town(rows, crews, shifts=hours)
    tables["pipes"].loc[0, "ds_node"] = "n-U2"
    all_day = {"street_class": "", "open_s": 0, "close_s": 115_200, "permit": False, "row": 1}
    windows = [{**all_day, "weekday": day} for day in ("mon", "tue")]
    return tables | {"windows": conform(windows, WINDOWS)}


def test_a_night_is_held_against_the_next_morning():
    """Work on one pipe from Monday 22:00 to Tuesday 6:00 and from Tuesday 5:00: one of both."""
    tables = night_and_morning()
    assert len(planned(tables, fill_ratio=1.0).visits) == 1
    alone = [
        {"setup_id": one, "crew": name, "date": day, "seq": 1, "visit_id": f"{name}|{day}|1",
         "arrive_s": start, "start_s": start, "end_s": end, "pause_s": 0, "drive_s": 0,
         "drive_m": 0.0, "back_s": 0, "back_m": 0.0, "end_pause_s": 0, "by_air": False}
        for one, name, day, start, end in (
            ("U1", "Night", "2026-03-02", 79_200, 108_000),
            ("U2", "One", "2026-03-03", 18_000, 21_600),
        )
    ]  # fmt: skip
    week = settings(fill_ratio=1.0).week
    both = tables | {"visits": conform(alone, VISITS), "unserved": conform([], UNSERVED)}
    rules = audit_week(both, ways_of(tables, week), week, first_day=FIRST_DAY)
    assert "pipe" in set(rules["rule"])


def test_a_start_changes_where_the_search_begins_and_what_is_gone_is_left_out():
    """Begun with its own routes and one set-up that is no more: the plan is no dearer."""
    tables = street(3)
    week = settings(iterations=40).week
    ways = ways_of(tables, week)
    first = plan_week(tables, ways, week, first_day=FIRST_DAY, seed=1)
    rows = first.visits.sort_values(["crew", "date", "seq"])
    start = {key: list(own["setup_id"]) for key, own in rows.groupby(["crew", "date"])}
    start["Truck", FIRST_DAY] = ["gone", *start.get(("Truck", FIRST_DAY), [])]
    again = plan_week(tables, ways, week, first_day=FIRST_DAY, seed=1, asked=Asked(start=start))
    assert len(again.visits) == len(first.visits)
    driven = [(one.visits["drive_s"] + one.visits["back_s"]).sum() for one in (first, again)]
    assert driven[1] <= driven[0]


def test_telling_how_far_it_is_changes_nothing():
    """Rounds and iterations are told in order; the last cost told is never below nothing."""
    tables, told = street(2), []
    week = settings(iterations=50).week
    ways = ways_of(tables, week)
    plain = plan_week(tables, ways, week, first_day=FIRST_DAY, seed=1)
    heard = plan_week(
        tables, ways, week, first_day=FIRST_DAY, seed=1, asked=Asked(tell=told.append)
    )
    pd.testing.assert_frame_equal(plain.visits, heard.visits)
    assert told[0].iterations == 0
    assert {one.most for one in told} == {50}
    assert max(one.iterations for one in told) == 50
    assert all(one.cost_s is None or one.cost_s >= 0 for one in told)
    assert len(step_of(tables)) == len(heard.visits)
