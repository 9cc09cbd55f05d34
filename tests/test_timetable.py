"""One crew's day: times by hand, and never longer than the best of all departures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.crews.timetable import CrewDay, Pause, Roads, Stop, timetable, within_loads
from planner.crews.travel import Travel

DATE = "2026-03-02"
FREE = (1_000_000, 1_000_000, 1_000_000)


def roads(seconds: list[list[int]], manoeuvre_s: int = 0) -> Roads:
    drive = np.array(seconds, dtype=np.int64)
    by_air = np.zeros(drive.shape, dtype=bool)
    return Roads(
        Travel(
            drive,
            drive * 10.0,
            {},
            {},
            by_air,
            by_air=False,
            places=np.zeros((len(drive), 2)),
            place_of=np.arange(len(drive)),
            graph=None,
        ),
        manoeuvre_s,
    )


def day(start_s: int = 0, end_s: int = 36_000, most_s: int | None = None, **more) -> CrewDay:
    most = end_s - start_s if most_s is None else most_s
    return CrewDay("C", DATE, start_s, end_s, most, 0, FREE, **more)


def stop(at: int, work_s: int = 100, open_s: int = 0, close_s: int = 36_000, **more) -> Stop:
    node = more.get("node_id", f"n{at}")
    hours = more.get("hours", {DATE: ((open_s, close_s),)})
    return Stop(f"U{at}", f"p{at}", node, at, work_s, 1, (1, 1, 1), hours)


LINE = [[0, 10, 20], [10, 0, 10], [20, 10, 0]]


def test_times_by_hand():
    """Yard 0, stops 10 and 20 s away, 5 s to park: opens at 1000, leaves at 985, home at 1235."""
    found = timetable(day(), [stop(1, open_s=1000), stop(2)], roads(LINE, 5))
    assert found is not None
    assert found.leave_s == 985
    one, two = found.visits
    assert (one.arrive_s, one.start_s, one.end_s, one.drive_s) == (995, 1000, 1100, 10)
    assert (two.arrive_s, two.start_s, two.end_s, two.drive_s) == (1110, 1115, 1215, 10)
    assert (found.back_s, found.drive_s) == (20, 40)


def test_a_second_set_up_at_one_manhole_asks_for_no_parking():
    """Same node: no drive, no parking."""
    same = roads([[0, 10, 10], [10, 0, 0], [10, 0, 0]], 5)
    found = timetable(day(), [stop(1, node_id="n"), stop(2, node_id="n")], same)
    assert found is not None
    assert found.visits[1].start_s == found.visits[0].end_s


def test_a_crew_waits_where_the_next_window_opens_late():
    """The first closes at 50, the second opens at 500: the wait lies between them."""
    found = timetable(day(), [stop(1, close_s=50), stop(2, open_s=500)], roads(LINE))
    assert found is not None
    assert [visit.start_s for visit in found.visits] == [50, 500]
    assert found.leave_s == 40


@pytest.mark.parametrize(
    ("given_day", "stops"),
    [
        (day(), [stop(1, close_s=9)]),
        (day(), [stop(1), stop(2, close_s=119)]),
        (day(end_s=239), [stop(1), stop(2)]),
        (day(most_s=239), [stop(1), stop(2)]),
        (day(start_s=100), [stop(1, close_s=109)]),
    ],
)
def test_a_day_that_breaks_a_window_or_the_shift_does_not_fit(given_day, stops):
    """10 + 100 + 10 + 100 + 20 = 240 s; one second less of anything is too little."""
    assert timetable(given_day, stops, roads(LINE)) is None


def test_a_day_at_its_limits_fits():
    """The same 240 s fill a shift of 240 s, and windows are inclusive."""
    found = timetable(day(end_s=240, most_s=240), [stop(1, close_s=10), stop(2)], roads(LINE))
    assert found is not None


def test_a_stop_without_hours_on_that_date_does_not_fit():
    """Its only hours are those of another day."""
    other = stop(1, hours={"2026-03-03": ((0, 36_000),)})
    assert timetable(day(), [other], roads(LINE)) is None


def test_of_two_stretches_the_first_that_is_still_open_counts():
    """School hours: 0-5 is over when the crew arrives at 10, so it waits until 400."""
    found = timetable(day(), [stop(1, hours={DATE: ((0, 5), (400, 500))})], roads(LINE))
    assert found is not None
    assert (found.leave_s, found.visits[0].start_s) == (390, 400)


def test_the_pause_lies_between_two_stops_by_hand():
    """The first 10 to 110; the second would be done at 220, after 200: pause 120 to 170."""
    crew_day = day(pause=Pause(50, 100, 200))
    found = timetable(crew_day, [stop(1), stop(2)], roads(LINE))
    assert found is not None
    one, two = found.visits
    assert (one.pause_s, one.end_s) == (0, 110)
    assert (two.arrive_s, two.pause_s, two.start_s, two.end_s) == (120, 50, 170, 270)
    assert (found.end_pause_s, found.back_s) == (0, 20)


def test_a_pause_after_the_last_stop_and_none_where_the_crew_is_home():
    """Home at 120 by itself: needs a pause by 110, needs none by 120."""
    found = timetable(day(pause=Pause(30, 50, 110)), [stop(1, close_s=10)], roads(LINE))
    assert found is not None
    assert (found.end_pause_s, found.visits[0].end_s, found.back_s) == (30, 110, 10)
    none = timetable(day(pause=Pause(30, 50, 120)), [stop(1, close_s=10)], roads(LINE))
    assert none is not None
    assert none.end_pause_s == 0


def test_a_pause_that_finds_no_room_makes_the_day_impossible():
    """The first must start by 10 and ends at 110; the pause must begin by 100, not before 20."""
    crew_day = day(pause=Pause(30, 20, 100))
    assert timetable(crew_day, [stop(1, close_s=10)], roads(LINE)) is None


def test_overtime_is_what_lies_beyond_the_planned_part_or_the_shift():
    """120 s out: 20 beyond a planned 100, 10 beyond a shift that ends at 110."""
    assert timetable(day(most_s=100, over_s=19), [stop(1)], roads(LINE)) is None
    found = timetable(day(most_s=100, over_s=20), [stop(1)], roads(LINE))
    assert found is not None
    assert found.over_s == 20
    late = timetable(day(end_s=110, most_s=500, over_s=10), [stop(1)], roads(LINE))
    assert late is not None
    assert late.over_s == 10


def test_loads_add_up_in_each_kind():
    """Three kinds, each with its own limit."""
    holds = CrewDay("C", DATE, 0, 1, 1, 0, (2, 3, 2))
    assert within_loads(holds, [stop(1), stop(2)])
    assert not within_loads(holds, [stop(1), stop(2), stop(3)])


def stays(leave_s: int, given_day: CrewDay, stops: list[Stop], ways: Roads) -> int | None:
    """Drive from one departure with no wish but to be early; None where it does not fit."""
    now, at = leave_s, given_day.yard
    for one in stops:
        open_s, close_s = one.starts(DATE)[0]
        now = max(now + ways.drive_s(at, one.at) + ways.manoeuvre_s, open_s)
        if now > close_s:
            return None
        now, at = now + one.work_s, one.at
    home = now + ways.drive_s(at, given_day.yard)
    return home - leave_s if home <= given_day.end_s else None


@given(st.integers(0, 2**32 - 1))
def test_no_departure_makes_a_shorter_day(seed):
    """Against every departure, second by second, of a short day with random windows."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 4))
    drive = rng.integers(0, 15, (count + 1, count + 1))
    np.fill_diagonal(drive, 0)
    ways = roads(drive.tolist(), int(rng.integers(0, 4)))
    stops = []
    for at in range(1, count + 1):
        open_s = int(rng.integers(0, 60))
        close_s = open_s + int(rng.integers(0, 60))
        stops.append(stop(at, int(rng.integers(1, 12)), open_s, close_s))
    whole = day(end_s=150)
    lengths = [stays(leave, whole, stops, ways) for leave in range(150)]
    fits = [length for length in lengths if length is not None]
    best = min(fits, default=None)
    found = timetable(whole, stops, ways)
    if best is None:
        assert found is None
        return
    assert found is not None
    assert found.visits[-1].end_s + found.back_s - found.leave_s == best
    assert timetable(day(end_s=150, most_s=best), stops, ways) is not None
    assert timetable(day(end_s=150, most_s=best - 1), stops, ways) is None
    for one, visit in zip(stops, found.visits, strict=True):
        assert one.starts(DATE)[0][0] <= visit.start_s <= one.starts(DATE)[0][1]
