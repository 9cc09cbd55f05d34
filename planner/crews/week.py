"""The week: which crew does which set-up on which day, and why a set-up found no place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import CREWS, NODES, SETUP_HOURS, SETUPS, SHIFTS, UNSERVED, VISITS
from planner.contracts.facts import Tables
from planner.contracts.hours import WEEKDAYS
from planner.crews.access import Gear
from planner.crews.asked import NOTHING, Asked, Lock, bind, start_of, worth_more
from planner.crews.board import Board
from planner.crews.candidates import pick_candidates
from planner.crews.needs import needs_of
from planner.crews.parts import part_of, part_start, put_back
from planner.crews.reasons import why_left
from planner.crews.shelf import Shelf
from planner.crews.solver import Search
from planner.crews.standing import full_day, share_of
from planner.crews.ties import Ties
from planner.crews.timetable import (
    NO_LIMIT,
    CrewDay,
    Pause,
    Roads,
    Span,
    Stop,
    Timetable,
    timetable,
)
from planner.crews.travel import Travel
from planner.crews.zones import Dealer, deal_in_zones
from planner.settings import Week
from planner.tables import check, conform, records_in


@dataclass(frozen=True)
class Days:
    """Visits (`VISITS`), set-ups without one (`UNSERVED`), and how the search went.

    `board` holds the routes over all set-ups that some crew can do on some day; of those
    in `promised` a date is promised.
    `reproducible` is False where the clock stopped the search: another run may differ.
    """

    visits: pd.DataFrame
    unserved: pd.DataFrame
    iterations: int
    reproducible: bool
    board: Board
    promised: frozenset[str]


def plan_week(
    tables: Tables, ways: Travel, week: Week, *, first_day: str, seed: int, asked: Asked = NOTHING
) -> Days:
    """Deal the set-ups to crews and days.

    A set-up is optional: it is served where it is worth its detour (`value_s`). A crew
    must do its steps and have system and packer for it; a visit starts within the hours
    of its date; a day is filled to `fill_ratio` of its shift and the overtime that its
    crew may plan, to the caps of sleeves and to what the van holds; the shelf sets the
    week's limit; what must come before is served before and is still good; set-ups that
    would disturb each other are not open together. Each search stops after `iterations`; it
    looks at the candidates of the week alone, zone by zone where they are too many.

    Parameters
    ----------
    tables
        Of it: setups, setup_works, setup_hours, setup_after, setup_apart, works, sleeves,
        system_sizes, nodes, crews, shifts, packers, systems, stock.
    ways
        Drives, of `travel`.
    week
        Days, windows, caps, iterations.
    first_day
        YYYY-MM-DD; without it nothing can be dated and every set-up is left.
    seed
        Of the search.
    asked
        Where re-planning binds set-ups, routes to begin with, and who hears how far it is.

    Returns
    -------
    days
        Each set-up has one visit or one reason.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    laid = lay_out(tables, ways, week, first_day)
    laid = worth_more(laid[0], asked.locks, week), laid[1]
    roads = Roads(ways, week.manoeuvre_s)
    out = set_out(tables, laid, roads, week, first_day, locks=asked.locks)
    board, promised = out.board, _promised(tables)
    search = Search(week, seed, start_of(board, asked.start), tell=asked.tell)
    bound = promised | asked.locks.keys()
    locked = bool(asked.locks)
    picked, iterations, by_clock = fill(board, bound, search, locked=locked, dealer=asked.dealer)
    reasons = dict(out.reasons) | why_left(board, picked)
    unserved = conform([{"setup_id": one, "reason": why} for one, why in reasons.items()], UNSERVED)
    return Days(visits_of(board), unserved, iterations, not by_clock, board, promised)


@dataclass(frozen=True)
class SetOut:
    """An empty board of the stops that some crew-day can serve; for the others the reason."""

    board: Board
    reasons: dict[str, str]


def lay_out(
    tables: Tables, ways: Travel, week: Week, first_day: str
) -> tuple[list[Stop], list[CrewDay]]:
    """Give the stops, in order of setup_id, and the crew-days of a week."""
    check(tables["setups"], SETUPS), check(tables["crews"], CREWS)
    check(tables["shifts"], SHIFTS), check(tables["nodes"], NODES)
    return _stops(tables, ways, week), _crew_days(tables, ways, week, first_day)


def set_out(  # noqa: PLR0913 - a board is made of all of them
    tables: Tables,
    laid: tuple[list[Stop], list[CrewDay]],
    roads: Roads,
    week: Week,
    first_day: str,
    *,
    barred: Mapping[str, str] | None = None,
    locks: Mapping[str, Lock] | None = None,
) -> SetOut:
    """Put stops and crew-days on a board, nothing dealt yet; see `plan_week`.

    `laid` holds stops and crew-days; `barred` gives stops that are known to have no place,
    with the reason; `locks` binds stops to a crew or a day.
    """
    stops, days = laid
    able, reasons = _able(tables, stops, days, roads, week)
    reasons |= barred or {}
    reasons |= bind(able, stops, days, locks or {}, reasons)
    if not first_day:
        reasons = {stop.setup_id: "planner.toml names no first_day" for stop in stops}
    ties = Ties.of(tables, stops, week, first_day)
    reasons |= _too_late(ties, stops, days, able, reasons)
    reasons |= _behind(ties, stops, reasons)
    # What no crew can do on any day is said at once and kept from the search.
    kept = [n for n, stop in enumerate(stops) if stop.setup_id not in reasons]
    own = [stops[n] for n in kept]
    ties = Ties.of(tables, own, week, first_day)
    shelf = Shelf.of(tables)
    board = Board(own, days, able[:, kept], roads, shelf, ties, week.overtime_cost_s)
    return SetOut(board, reasons)


def fill(
    board: Board,
    promised: frozenset[str],
    search: Search,
    *,
    locked: bool = False,
    dealer: Dealer | None = None,
) -> tuple[list[int], int, bool]:
    """Deal the candidates of an empty board; give them, the rounds run, whether a clock stopped it.

    Parameters
    ----------
    board
        All stops that some crew can do on some day; gets the routes.
    promised
        Set-ups of which a date is promised, or which are bound.
    search
        Iterations, seed, routes to begin with.
    locked
        Whether stops are bound to a crew or a day.
    dealer
        Who deals zones, where the candidates are cut into some; None = this process.
    """
    picked = pick_candidates(board, promised, search.week)
    if not picked:
        return picked, 0, False
    every = range(len(board.days))
    own = replace(search, start=part_start(search.start, picked, every))
    dealt_by = partial(deal_in_zones, dealer=dealer) if dealer else deal_in_zones
    dealt = dealt_by(part_of(board, picked, every), own, locked=locked)
    put_back(board, dealt.board, picked, every)
    return picked, dealt.iterations, dealt.by_clock


def _too_late(
    ties: Ties,
    stops: list[Stop],
    days: list[CrewDay],
    able: npt.NDArray[np.bool_],
    reasons: dict[str, str],
) -> dict[str, str]:
    """Say of stops that have no date on which what must come before them is done and good."""
    dates = [sorted({days[int(d)].date for d in np.flatnonzero(own)}) for own in able.T]
    found: dict[str, str] = {}
    for n, stop in enumerate(stops):
        for one, good in ties.before[n]:
            if {stop.setup_id, stops[one].setup_id} & (reasons.keys() | found.keys()):
                continue
            if not any(ties.in_time(a, b, good) for a in dates[one] for b in dates[n]):
                found[stop.setup_id] = (
                    f"{stops[one].setup_id} must come before it and be good still: that one can "
                    f"be done on {', '.join(dates[one])}, this on {', '.join(dates[n])}"
                )
    return found


def _behind(ties: Ties, stops: list[Stop], reasons: dict[str, str]) -> dict[str, str]:
    """Say of the stops behind one that cannot be done that they wait for it, and the other way."""
    found: dict[str, str] = {}
    for n, stop in enumerate(stops):
        if stop.setup_id in reasons:
            continue
        for one in ties.chain(n):
            before = stops[one].setup_id
            if before in reasons:
                found[stop.setup_id] = f"{before} must come before it: {reasons[before]}"
                break
    lost = found.keys() | reasons.keys()
    for n, stop in enumerate(stops):
        later = [stops[one].setup_id for one in ties.later[n]]
        if stop.setup_id not in lost and later and set(later) <= lost:
            found[stop.setup_id] = f"it only prepares {', '.join(later)}, which cannot be done"
    return found


def dates_of(first_day: str, week: Week) -> list[tuple[str, str]]:
    """Give the dates of the week with their weekdays; none without a first day."""
    if not first_day:
        return []
    start = date.fromisoformat(first_day)
    days = [start + timedelta(days=n) for n in range(week.days)]
    return [(day.isoformat(), WEEKDAYS[day.weekday()]) for day in days]


def _crew_days(tables: Tables, ways: Travel, week: Week, first_day: str) -> list[CrewDay]:
    """List every shift of the week by crew and date, with what van and day hold."""
    shifts = {(str(row["crew"]), str(row["weekday"])): row for row in records_in(tables["shifts"])}
    days = []
    for row in records_in(tables["crews"].sort_values("crew", kind="stable")):
        crew = str(row["crew"])
        for day, weekday in dates_of(first_day, week):
            shift = shifts.get((crew, weekday))
            if shift is None:
                continue
            start, end = int(shift["start_s"]), int(shift["end_s"])
            days.append(
                CrewDay(
                    crew,
                    day,
                    start,
                    end,
                    int(week.fill_ratio * (end - start)),
                    ways.crew_at[crew],
                    _holds(row, week),
                    _whole(shift["overtime_s"]),
                    _pause(row),
                )
            )
    return days


def _whole(value: object) -> int:
    return 0 if pd.isna(value) else int(value)  # type: ignore[call-overload]


def _holds(crew: dict[str, Any], week: Week) -> tuple[int, int, int]:
    count, mass = crew["van_sleeves_count"], crew["van_resin_kg"]
    return (
        NO_LIMIT if pd.isna(count) else int(count),
        NO_LIMIT if pd.isna(mass) else round(float(mass) * 1000),
        full_day(week),
    )


def _pause(crew: dict[str, Any]) -> Pause | None:
    pause_s = _whole(crew["break_s"])
    return Pause(pause_s, int(crew["break_from_s"]), int(crew["break_to_s"])) if pause_s else None


def _stops(tables: Tables, ways: Travel, week: Week) -> list[Stop]:
    setups = pd.DataFrame(tables["setups"]).sort_values("setup_id", kind="stable")
    hours: dict[str, dict[str, list[Span]]] = {}
    for row in records_in(check(tables["setup_hours"], SETUP_HOURS)):
        if not row["reason"]:
            own = hours.setdefault(str(row["setup_id"]), {}).setdefault(str(row["date"]), [])
            own.append((int(row["open_s"]), int(row["close_s"])))
    promised = _promised(tables)
    spans = {one: {d: tuple(sorted(v)) for d, v in own.items()} for one, own in hours.items()}
    return [
        Stop(
            str(row["setup_id"]),
            str(row["pipe_id"]),
            str(row["node_id"]),
            ways.setup_at[str(row["setup_id"])],
            int(row["work_s"]),
            int(row["value_s"]) + (week.value_promised_s if row["setup_id"] in promised else 0),
            (
                int(row["sleeves_count"]),
                int(row["resin_g"]),
                int(row["sleeves_count"]) * share_of(float(row["packer_dn"] or 0), week),
            ),
            spans.get(str(row["setup_id"]), {}),
        )
        for row in setups.to_dict("records")
    ]


def _promised(tables: Tables) -> frozenset[str]:
    """Name the set-ups of which a date is promised."""
    return frozenset(tables["setup_hours"].query("promised")["setup_id"])


def _able(
    tables: Tables, stops: list[Stop], days: list[CrewDay], roads: Roads, week: Week
) -> tuple[npt.NDArray[np.bool_], dict[str, str]]:
    """Say which crew-day can do which stop at all, and why a stop can be done on none."""
    gear, needs = Gear.of(tables, week), needs_of(tables, week)
    shut = _shut(tables, stops)
    able = np.zeros((len(days), len(stops)), dtype=bool)
    reasons = {}
    for n, stop in enumerate(stops):
        need, place = needs[stop.setup_id]
        if place is None:
            reasons[stop.setup_id] = f"there is no manhole {stop.node_id}"
            continue
        crews = gear.able(need, place)
        if not crews:
            reasons[stop.setup_id] = gear.why_none(need, place)
            continue
        theirs = [d for d, day in enumerate(days) if day.crew in crews]
        fits = [d for d in theirs if timetable(days[d], [stop], roads) is not None]
        able[fits, n] = True
        if not theirs:
            reasons[stop.setup_id] = f"{', '.join(crews)}: no shift in this week"
        elif not fits:
            own = [days[d] for d in theirs]
            reasons[stop.setup_id] = shut.get(stop.setup_id) or _fits_no_day(stop, own, roads)
    return able, reasons


def _shut(tables: Tables, stops: list[Stop]) -> dict[str, str]:
    """Say of the stops that may start on no day why not, each reason once."""
    found: dict[str, list[str]] = {stop.setup_id: [] for stop in stops if not stop.hours}
    for row in records_in(tables["setup_hours"]):
        if row["setup_id"] in found and row["reason"]:
            found[row["setup_id"]].append(str(row["reason"]))
    return {one: "; ".join(dict.fromkeys(reasons)) for one, reasons in found.items()}


def _fits_no_day(stop: Stop, days: list[CrewDay], roads: Roads) -> str:
    """Say that a stop fits no shift even by itself, with the hours, or that no shift meets it."""
    names = ", ".join(sorted({day.crew for day in days}))
    if not any(stop.starts(day.date) for day in days):
        return f"may start on {', '.join(sorted(stop.hours))} alone, when {names} has no shift"

    def hours_s(day: CrewDay) -> int:
        drives = roads.drive_s(day.starts_at, stop.at) + roads.drive_s(stop.at, day.yard)
        return drives + roads.manoeuvre_s + stop.work_s

    day = min(days, key=lambda day: (hours_s(day) - day.most_s, day.crew, day.date))
    hours = hours_s(day) / 3600
    return (
        f"fits no day in its window: takes {hours:.1f} h with the drive, "
        f"{day.crew} plans {day.most_s / 3600:.1f} h at most"
    )


def visits_of(board: Board) -> pd.DataFrame:
    """Lay out the routes as visits."""
    rows = []
    ways = board.roads.ways
    for number, order in board.routes.items():
        day, table = board.days[number], board.timed(number, order)
        if table is None:
            message = f"the route of {day.crew} on {day.date} does not fit its shift"
            raise AssertionError(message)
        rows += day_rows(day, [board.stops[n] for n in order], table, ways)
    return conform(rows, VISITS)


def day_rows(
    day: CrewDay, stops: Sequence[Stop], table: Timetable, ways: Travel
) -> list[dict[str, Any]]:
    """Lay out one day's stops, timed in their order, as rows of `VISITS`."""
    rows: list[dict[str, Any]] = []
    before = day.starts_at
    for seq, (stop, times) in enumerate(zip(stops, table.visits, strict=True), start=1):
        last = seq == len(stops)
        by_air = bool(ways.air[before, stop.at]) and before != stop.at
        by_air |= last and bool(ways.air[stop.at, day.yard])
        rows.append(
            {
                "visit_id": f"{day.crew}|{day.date}|{seq}",
                "setup_id": stop.setup_id,
                "crew": day.crew,
                "date": day.date,
                "seq": seq,
                **vars(times),
                "drive_m": float(ways.metres[before, stop.at]),
                "end_pause_s": table.end_pause_s if last else 0,
                "back_s": table.back_s if last else 0,
                "back_m": float(ways.metres[stop.at, day.yard]) if last else 0.0,
                "by_air": by_air,
            }
        )
        before = stop.at
    return rows
