"""Plan a week again at an instant: what is done, under way or promised stays, little else moves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from planner.contracts import UNSERVED, VISITS
from planner.contracts.facts import Tables
from planner.contracts.journal import WORK_STATES
from planner.crews.asked import Lock, worth_more
from planner.crews.board import Board
from planner.crews.changes import Because, list_changes
from planner.crews.frozen import Fact, Instant, Row, fact_rows, facts_of
from planner.crews.least_change import Kept, Standing, hold, keep_week
from planner.crews.reasons import why_left
from planner.crews.shelf import Item, Shelf
from planner.crews.solver import Search
from planner.crews.stages import deal
from planner.crews.ties import Ties
from planner.crews.timetable import Roads, Stop
from planner.crews.travel import Travel
from planner.crews.underway import bind, days_ahead, promises, stops_ahead
from planner.crews.week import SetOut, dates_of, lay_out, set_out, visits_of
from planner.settings import Week
from planner.tables import check, conform, records_in


@dataclass(frozen=True)
class Freer:
    """What a plan would be that may change all that is not done, under way or promised.

    `saves_s` is its cost below that of the plan with least change [s]; `changes` obeys
    `PLAN_CHANGES`.
    """

    saves_s: int
    changes: pd.DataFrame

    @property
    def notices(self) -> int:
        """Give at how many set-ups residents must be told anew."""
        return int(self.changes["notice"].sum())


@dataclass(frozen=True)
class Replanned:
    """Visits (`VISITS`), set-ups without one (`UNSERVED`), `PLAN_CHANGES`, what a freer plan saves.

    `facts` are the set-ups that were worked at, `bound` those that a promise binds. `cost_s`
    is the cost of the rest of the week without the price of changes [s]. `reproducible` is
    False where the clock stopped a search.
    """

    visits: pd.DataFrame
    unserved: pd.DataFrame
    changes: pd.DataFrame
    freer: Freer | None
    facts: Mapping[str, Fact]
    bound: frozenset[str]
    cost_s: int
    reproducible: bool


@dataclass(frozen=True)
class _Rest:
    """The rest of the week before it is dealt."""

    out: SetOut
    facts: Mapping[str, Fact]
    rows: list[Row]
    bound: Mapping[str, tuple[str, str]]
    put_off: Mapping[str, str]
    missed: Mapping[str, str]


def replan_week(  # noqa: PLR0913 - as plan_week, and what it is planned from
    tables: Tables,
    ways: Travel,
    week: Week,
    standing: Tables,
    states: pd.DataFrame,
    *,
    at: str,
    first_day: str,
    seed: int,
    freer: bool = True,
    locks: Mapping[str, Lock] | None = None,
) -> Replanned:
    """Plan the rest of a week with least change.

    Where nothing happened but what was planned, the plan stays as it stands. Otherwise:
    what was worked at stays; what was promised keeps crew and day and starts no later than
    planned; all else may move, at the price of `change_cost_s` for each stop.

    Parameters
    ----------
    tables
        As for `plan_week`; those of set-ups that were worked at are among them.
    ways, week, first_day, seed
        As for `plan_week`.
    standing
        Of it: visits, setups, setup_works of the standing plan.
    states
        Obeys `WORK_STATES`: where each work stands.
    at
        YYYY-MM-DDTHH:MM: nothing is planned before it.
    freer
        Whether the week is also planned without the price of changes, to compare.
    locks
        Set-ups that people bound to a crew or a day.

    Returns
    -------
    replanned
        Each set-up has one visit or one reason.

    Raises
    ------
    TableError
        If a table breaks its contract, or `at` is no instant.
    """
    when = Instant.of(at)
    before = (standing, check(states, WORK_STATES))
    rest = _rest(tables, ways, week, before, when, first_day, locks=locks or {})
    board = rest.out.board
    old = _standing(board, standing["visits"], rest)
    holds = set(hold(board, old, week).served) == old.planned.keys()
    if holds and _nothing_new(rest, standing, tables):
        visits = _as_it_stood(standing["visits"], rest, board, old)
        left = dict(_reasons(standing["unserved"])) if "unserved" in standing else {}
        kept = Kept(_with(board, old.routes), 0, by_clock=False, lost=frozenset())
        free = None
    else:
        asked = (freer or not old.planned) and board.stops
        empty = replace(board, routes={}, floors={}, ceilings={}, _known={})
        free = deal(empty, Search(week, seed), locked=bool(locks)) if asked else None
        kept = keep_week(board, old, week, seed, free.board if free else None)
        visits = _joined(rest, kept.board)
        left = _left(rest, kept.board)
    named = {n: board.stops[n].setup_id for n in kept.lost}
    lost = frozenset(named.values())
    promised = frozenset(rest.bound)
    waiting = _waiting(standing["setup_works"], tables)
    because = Because(
        rest.facts, rest.put_off, rest.missed, lost, left, promised, waiting, frozenset(locks or {})
    )
    unserved = conform([{"setup_id": k, "reason": v} for k, v in left.items()], UNSERVED)
    changes = list_changes(standing, tables, visits, because)
    cost_s, other = kept.board.cost_s, None
    if free is not None:
        open_ = replace(because, unserved=_left(rest, free.board))
        theirs = list_changes(standing, tables, _joined(rest, free.board), open_)
        other = Freer(cost_s - free.board.cost_s, theirs)
    by_clock = kept.by_clock or (free is not None and free.by_clock)
    return Replanned(
        visits, unserved, changes, other, rest.facts, frozenset(rest.bound), cost_s, not by_clock
    )


def _rest(  # noqa: PLR0913 - all that says what is ahead
    tables: Tables,
    ways: Travel,
    week: Week,
    before: tuple[Tables, pd.DataFrame],
    at: Instant,
    first_day: str,
    *,
    locks: Mapping[str, Lock],
) -> _Rest:
    """Gather what is ahead: stops, days, what binds them."""
    standing, states = before
    facts = facts_of(standing["visits"], standing["setup_works"], states, at)
    stops, days = lay_out(tables, ways, week, first_day)
    by_id = {stop.setup_id: stop for stop in stops}
    dates = [date for date, _ in dates_of(first_day, week)] or [""]
    work_s = {one: stop.work_s for one, stop in by_id.items()}
    rows = [
        row for row in fact_rows(facts, work_s, at, (dates[0], dates[-1]))
        if row["setup_id"] in by_id
    ]  # fmt: skip
    workday = Ties.of(tables, stops, week, first_day).workday
    ahead, barred = stops_ahead(stops, facts, rows, tables, workday)
    ahead, put_off, failed = _reported(ahead, tables, states, at)
    failed = {one: why for one, why in failed.items() if one not in facts}
    ahead, bound = bind(ahead, promises(standing["visits"], tables["setup_hours"], facts), at)
    left = days_ahead(days, rows, facts, by_id, at)
    roads = Roads(ways, week.manoeuvre_s)
    ahead, barred = worth_more(ahead, locks, week), barred | failed
    out = set_out(tables, (ahead, left), roads, week, first_day, barred=barred, locks=locks)
    out = _bound(out, bound)
    out = _with_taken(out, facts)
    missed = {
        str(row["setup_id"]): f"not reported as begun by {at.date} {at.s // 3600:02d}:"
        f"{at.s % 3600 // 60:02d}"
        for row in standing["visits"].to_dict("records")
        if row["setup_id"] not in facts and at.after(row["date"], int(row["start_s"]) + 1)
    }
    return _Rest(out, facts, rows, bound, put_off, missed)


def _reported(
    stops: list[Stop], tables: Tables, states: pd.DataFrame, at: Instant
) -> tuple[list[Stop], dict[str, str], dict[str, str]]:
    """Keep off its day what was put off, and off the week what failed and is not planned again."""
    links = tables["setup_works"].merge(states[states["state"].isin(("deferred", "failed"))])
    put_off: dict[str, str] = {}
    failed: dict[str, str] = {}
    until: dict[str, str] = {}
    for row in links.sort_values(["setup_id", "seq"]).to_dict("records"):
        if row["at"] and not at.after(*_parts(row["at"])):
            continue
        told = f"{row['work_id']} {row['state']} {row['at'].replace('T', ' ')}"
        told += f": {row['reason']}" if row["reason"] else ""
        if row["state"] == "deferred":
            put_off[row["setup_id"]] = told
            until[row["setup_id"]] = max(until.get(row["setup_id"], ""), row["at"][:10])
        if row["state"] == "failed":
            failed[row["setup_id"]] = told
    later = [
        replace(one, hours={d: v for d, v in one.hours.items() if d > until[one.setup_id]})
        if one.setup_id in until
        else one
        for one in stops
    ]
    for one in later:
        if one.setup_id in until and not one.hours:
            failed[one.setup_id] = f"{put_off[one.setup_id]}; no hours are left after that day"
    return later, put_off, failed


def _parts(text: str) -> tuple[str, int]:
    instant = Instant.of(text)
    return instant.date, instant.s


def _with_taken(out: SetOut, facts: Mapping[str, Fact]) -> SetOut:
    """Take off the shelf what the visits under way are about to set."""
    shelf, used = out.board.shelf, Counter[Item]()
    for one, fact in facts.items():
        if fact.state == "started":
            used.update(shelf.takes.get(one, Counter()))
    stock = {item: amount - used[item] for item, amount in shelf.stock.items()}
    return replace(out, board=replace(out.board, shelf=Shelf(stock, shelf.takes)))


def _bound(out: SetOut, bound: Mapping[str, tuple[str, str]]) -> SetOut:
    """Bar what was promised from all other crews and days."""
    board = out.board
    able = board.able.copy()
    for n, stop in enumerate(board.stops):
        if stop.setup_id in bound:
            able[[(d.crew, d.date) != bound[stop.setup_id] for d in board.days], n] = False
    return replace(out, board=replace(board, able=able, _known={}))


def _standing(board: Board, visits: pd.DataFrame, rest: _Rest) -> Standing:
    """Lay the standing plan on the board: what is ahead of it in its order."""
    at = {stop.setup_id: n for n, stop in enumerate(board.stops)}
    day_of = {(day.crew, day.date): n for n, day in enumerate(board.days)}
    routes: dict[int, list[int]] = {}
    planned: dict[int, int] = {}
    starts: dict[int, int] = {}
    names = ["setup_id", "crew", "date", "start_s"]
    rows = check(visits, VISITS).sort_values(["crew", "date", "seq"], kind="stable")[names]
    for setup_id, crew, date, start_s in rows.itertuples(index=False):
        day = day_of.get((crew, date))
        if setup_id in at and day is not None:
            n = at[setup_id]
            routes.setdefault(day, []).append(n)
            planned[n], starts[n] = day, int(start_s)
    fixed = frozenset(n for n in planned if board.stops[n].setup_id in rest.bound)
    return Standing(routes, planned, starts, fixed)


def _with(board: Board, routes: dict[int, list[int]]) -> Board:
    return replace(board, routes={day: list(order) for day, order in routes.items()}, _known={})


def _nothing_new(rest: _Rest, standing: Tables, tables: Tables) -> bool:
    """Say whether nothing happened but what was planned."""
    elsewhere = [
        fact for fact in rest.facts.values()
        if fact.state == "failed" or fact.left
        or (fact.crew, fact.date) != (fact.row["crew"], fact.row["date"])
    ]  # fmt: skip
    same = set(standing["setups"]["setup_id"]) == set(tables["setups"]["setup_id"])
    return same and not elsewhere and not rest.put_off and not rest.missed


def _as_it_stood(visits: pd.DataFrame, rest: _Rest, board: Board, old: Standing) -> pd.DataFrame:
    """Give the standing visits; what is ahead on days under way is timed from the instant on."""
    under_way = [day for n, day in enumerate(board.days) if day.since_s is not None]
    begun = {(day.crew, day.date) for day in under_way}
    routes = {n: order for n, order in old.routes.items()
              if (board.days[n].crew, board.days[n].date) in begun}  # fmt: skip
    facts = {row["setup_id"] for row in rest.rows}
    ahead = visits[~visits["setup_id"].isin(facts)]
    keys = list(zip(ahead["crew"], ahead["date"], strict=True))
    other = ahead[[key not in begun for key in keys]]
    timed = _joined(rest, _with(board, routes))
    parts = [part.astype(object) for part in (timed, other) if len(part)]
    return conform(pd.concat(parts) if parts else [], VISITS)


def _waiting(links: pd.DataFrame, tables: Tables) -> dict[str, str]:
    """Say of each standing set-up what its works wait for now."""
    if "waiting" not in tables:
        return {}
    both = links.merge(tables["waiting"], on="work_id").sort_values(["setup_id", "seq"])
    found: dict[str, list[str]] = {}
    for setup_id, work_id, why in both[["setup_id", "work_id", "reason"]].itertuples(index=False):
        found.setdefault(setup_id, []).append(f"{work_id}: {why}")
    return {one: "; ".join(whys) for one, whys in found.items()}


def _joined(rest: _Rest, board: Board) -> pd.DataFrame:
    """Put facts and what is ahead together, each day numbered through."""
    count = {(row["crew"], row["date"]): row["seq"] for row in rest.rows}
    rows = records_in(visits_of(board))
    for row in rows:
        key = (row["crew"], row["date"])
        row["seq"] += count.get(key, 0)
        row["visit_id"] = f"{row['crew']}|{row['date']}|{row['seq']}"
    longest = dict(count) | {(row["crew"], row["date"]): row["seq"] for row in rows}
    facts = [
        _home(row, board.roads.ways, last=row["seq"] == longest[row["crew"], row["date"]])
        for row in rest.rows
    ]
    return conform([*facts, *rows], VISITS)


def _home(row: Row, ways: Travel, *, last: bool) -> Row:
    """Give a visit with the drive home after it where it is the last of its day."""
    if not last:
        return row | {"end_pause_s": 0, "back_s": 0, "back_m": 0.0}
    here, yard = ways.setup_at[row["setup_id"]], ways.crew_at.get(row["crew"])
    if row["back_s"] or yard is None:
        return row
    home = {"back_s": int(ways.seconds[here, yard]), "back_m": float(ways.metres[here, yard])}
    return row | home | {"by_air": bool(row["by_air"]) or bool(ways.air[here, yard])}


def _left(rest: _Rest, board: Board) -> dict[str, str]:
    every = list(range(len(board.stops)))
    return dict(rest.out.reasons) | why_left(board, every)


def _reasons(unserved: pd.DataFrame) -> list[tuple[str, str]]:
    return list(unserved[["setup_id", "reason"]].itertuples(index=False, name=None))
