"""The week: which crew does which set-up on which day, and why a set-up found no place."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import CREWS, NODES, SETUP_HOURS, SETUPS, SHIFTS, UNSERVED, VISITS
from planner.contracts.facts import Tables
from planner.contracts.hours import WEEKDAYS
from planner.crews.access import Gear, Need, Place, places_of
from planner.crews.board import Board
from planner.crews.shelf import Shelf
from planner.crews.stages import deal
from planner.crews.standing import full_day, share_of
from planner.crews.ties import Ties
from planner.crews.timetable import CrewDay, Pause, Roads, Span, Stop, timetable
from planner.crews.travel import Travel
from planner.settings import Week
from planner.tables import check, conform

# What a van holds that sets no limit; far above any load, far below any overflow.
_NO_LIMIT = 1_000_000_000


@dataclass(frozen=True)
class Days:
    """Visits (`VISITS`), set-ups without one (`UNSERVED`), and how the search went.

    `reproducible` is False where the clock stopped the search: another run may differ.
    """

    visits: pd.DataFrame
    unserved: pd.DataFrame
    iterations: int
    reproducible: bool


def plan_week(tables: Tables, ways: Travel, week: Week, *, first_day: str, seed: int) -> Days:
    """Deal the set-ups to crews and days.

    A set-up is optional: it is served where it is worth its detour (`value_s`). A crew
    must do its steps and have system and packer for it; a visit starts within the hours
    of its date; a day is filled to `fill_ratio` of its shift and the overtime that its
    crew may plan, to the caps of sleeves and to what the van holds; the shelf sets the
    week's limit; what must come before is served before and is still good; set-ups that
    would disturb each other are not open together. Each search stops after `iterations`.

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
    out = set_out(tables, laid, Roads(ways, week.manoeuvre_s), week, first_day)
    board, reasons = out.board, dict(out.reasons)
    kept = board.stops
    iterations, reproducible = 0, True
    if kept:
        dealt = deal(board, week, seed)
        board, iterations, reproducible = dealt.board, dealt.iterations, not dealt.by_clock
    served = set(board.served)
    left = [n for n in range(len(kept)) if n not in served]
    reasons |= {board.stops[n].setup_id: board.why_left(n) for n in left}
    unserved = [{"setup_id": one, "reason": why} for one, why in reasons.items()]
    return Days(visits_of(board), conform(unserved, UNSERVED), iterations, reproducible)


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


def set_out(
    tables: Tables,
    laid: tuple[list[Stop], list[CrewDay]],
    roads: Roads,
    week: Week,
    first_day: str,
    barred: Mapping[str, str] | None = None,
) -> SetOut:
    """Put stops and crew-days on a board, nothing dealt yet; see `plan_week`.

    `laid` holds stops and crew-days; `barred` gives stops that are known to have no place,
    with the reason.
    """
    stops, days = laid
    able, reasons = _able(tables, stops, days, roads, week)
    reasons |= barred or {}
    if not first_day:
        reasons = {stop.setup_id: "planner.toml names no first_day" for stop in stops}
    reasons |= _behind(Ties.of(tables, stops, week, first_day), stops, reasons)
    # What no crew can do on any day is said at once and kept from the search.
    kept = [n for n, stop in enumerate(stops) if stop.setup_id not in reasons]
    own = [stops[n] for n in kept]
    ties = Ties.of(tables, own, week, first_day)
    shelf = Shelf.of(tables)
    board = Board(own, days, able[:, kept], roads, shelf, ties, week.overtime_cost_s)
    return SetOut(board, reasons)


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
    shifts = {(str(row["crew"]), str(row["weekday"])): row for row in _rows(tables["shifts"])}
    days = []
    for row in _rows(tables["crews"].sort_values("crew", kind="stable")):
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


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _whole(value: object) -> int:
    return 0 if pd.isna(value) else int(value)  # type: ignore[call-overload]


def _holds(crew: dict[str, Any], week: Week) -> tuple[int, int, int]:
    count, mass = crew["van_sleeves_count"], crew["van_resin_kg"]
    return (
        _NO_LIMIT if pd.isna(count) else int(count),
        _NO_LIMIT if pd.isna(mass) else round(float(mass) * 1000),
        full_day(week),
    )


def _pause(crew: dict[str, Any]) -> Pause | None:
    pause_s = _whole(crew["break_s"])
    return Pause(pause_s, int(crew["break_from_s"]), int(crew["break_to_s"])) if pause_s else None


def _stops(tables: Tables, ways: Travel, week: Week) -> list[Stop]:
    setups = pd.DataFrame(tables["setups"]).sort_values("setup_id", kind="stable")
    hours: dict[str, dict[str, list[Span]]] = {}
    for row in _rows(check(tables["setup_hours"], SETUP_HOURS)):
        if not row["reason"]:
            own = hours.setdefault(str(row["setup_id"]), {}).setdefault(str(row["date"]), [])
            own.append((int(row["open_s"]), int(row["close_s"])))
    promised = set(tables["setup_hours"].query("promised")["setup_id"])
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


def _needs(tables: Tables) -> dict[str, tuple[Need, Place | None]]:
    """Give what each set-up asks of a crew, and the manhole it stands at."""
    places = places_of(tables["nodes"])
    needs = {}
    for row in pd.DataFrame(tables["setups"]).to_dict("records"):
        need = Need(
            tuple(str(row["steps"]).split("+")),
            str(row["system"]),
            float(row["packer_dn"]) if row["packer_dn"] else math.nan,
            float(row["longest_m"]),
            float(row["reach_m"]),
            int(row["sleeves_count"]),
            int(row["resin_g"]),
        )
        needs[str(row["setup_id"])] = need, places.get(str(row["node_id"]))
    return needs


def _able(
    tables: Tables, stops: list[Stop], days: list[CrewDay], roads: Roads, week: Week
) -> tuple[npt.NDArray[np.bool_], dict[str, str]]:
    """Say which crew-day can do which stop at all, and why a stop can be done on none."""
    gear, needs = Gear.of(tables, week), _needs(tables)
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
    for row in _rows(tables["setup_hours"]):
        if row["setup_id"] in found and row["reason"]:
            found[row["setup_id"]].append(str(row["reason"]))
    return {one: "; ".join(dict.fromkeys(reasons)) for one, reasons in found.items()}


def _fits_no_day(stop: Stop, days: list[CrewDay], roads: Roads) -> str:
    """Say that a stop fits no shift even by itself, with the hours."""

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
        before = day.starts_at
        for seq, (n, times) in enumerate(zip(order, table.visits, strict=True), start=1):
            stop = board.stops[n]
            last = seq == len(order)
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
    return conform(rows, VISITS)
