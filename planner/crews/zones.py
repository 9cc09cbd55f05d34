"""Weeks of thousands of stops: cut into zones that are dealt one by one, seams mended after.

Zones hold equal hours of work; what follows what stays together. Crews are dealt so that no
zone lacks a skill that its stops ask for; where that cannot be, there are fewer zones.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from planner.crews.board import Board
from planner.crews.parts import part_of, part_start, put_back
from planner.crews.solver import Search
from planner.crews.stages import Dealt, deal

Wholes = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Zone:
    """Stops and crew-days of one part of the town, by position, rising."""

    stops: tuple[int, ...]
    days: tuple[int, ...]


@dataclass(frozen=True)
class ZoneAsked:
    """A zone to be dealt: its board without routes, how to search, whether stops are bound."""

    board: Board
    search: Search
    locked: bool


Dealer = Callable[[Sequence[ZoneAsked]], Iterable[Dealt]]
"""Deals zones, which know nothing of each other; gives them in their order."""


def deal_each(zones: Sequence[ZoneAsked]) -> Iterator[Dealt]:
    """Deal one zone after the other, in this process."""
    for zone in zones:
        yield deal(zone.board, zone.search, locked=zone.locked)


def deal_in_zones(
    board: Board, search: Search, *, locked: bool = False, dealer: Dealer = deal_each
) -> Dealt:
    """Fill a board: as a whole, or zone by zone where it holds too many stops.

    Parameters
    ----------
    board
        Stops, days and ties, no routes.
    search
        Stops of a zone at most, and what `stages.deal` needs.
    locked
        Whether stops are bound to a crew or a day.
    dealer
        Who deals zones where there is more than one.
    """
    zones = cut_zones(board, search.week.zone_stops_count)
    if len(zones) < 2:
        return deal(board, search, locked=locked)
    asked = [
        ZoneAsked(
            part_of(board, zone.stops, zone.days),
            replace(search, start=part_start(search.start, zone.stops, zone.days)),
            locked,
        )
        for zone in zones
    ]
    ran, by_clock = 0, False
    for zone, dealt in zip(zones, dealer(asked), strict=True):
        put_back(board, dealt.board, zone.stops, zone.days)
        ran, by_clock = ran + dealt.iterations, by_clock or dealt.by_clock
    # The shelf is one for all zones, and works keep apart across their seams.
    board.take_over(dict(board.routes))
    board.put_in()
    return Dealt(board, ran, by_clock)


def cut_zones(board: Board, most: int) -> list[Zone]:
    """Cut a board into zones of at most about `most` stops; fewer where skills are too few.

    Each stop is in exactly one zone, each crew-day in one at most.
    """
    stops = len(board.stops)
    for count in range(math.ceil(stops / most), 1, -1):
        parts = _cut(board, count)
        days = _deal_crews(board, parts)
        if days is not None:
            return [Zone(tuple(own), tuple(d)) for own, d in zip(parts, days, strict=True) if own]
    return [Zone(tuple(range(stops)), tuple(range(len(board.days))))]


def _time_s(board: Board, stops: Sequence[int]) -> float:
    return float(sum(board.stops[n].work_s + board.roads.manoeuvre_s for n in stops))


def _cut(board: Board, count: int) -> list[list[int]]:
    """Cut the stops into parts of equal hours, halving along the wider side again and again."""
    clumps = _clumps(board)
    hours = np.array([_time_s(board, own) for own in clumps])
    ways = board.roads.ways
    at = [[board.stops[n].at for n in own] for own in clumps]
    xy = np.array([ways.places[ways.place_of[own]].mean(axis=0) for own in at])
    parts: list[list[int]] = []
    todo = [(np.arange(len(clumps)), count)]
    while todo:
        own, pieces = todo.pop()
        if pieces == 1 or len(own) < 2:
            parts.append(sorted(n for clump in own for n in clumps[int(clump)]))
            continue
        wide = int(np.argmax(np.ptp(xy[own], axis=0)))
        order = own[np.lexsort((own, xy[own, 1 - wide], xy[own, wide]))]
        first = pieces // 2
        grown = np.cumsum(hours[order])
        at_cut = int(np.searchsorted(grown, grown[-1] * first / pieces)) + 1
        at_cut = min(max(at_cut, 1), len(order) - 1)
        todo += [(order[at_cut:], pieces - first), (order[:at_cut], first)]
    return parts


def _clumps(board: Board) -> list[list[int]]:
    """Put stops together that follow each other."""
    pairs = [(n, one) for n, own in enumerate(board.ties.before) for one, _ in own]
    rows, columns = (np.array([pair[k] for pair in pairs], dtype=np.int64) for k in range(2))
    shape = (len(board.stops), len(board.stops))
    links = coo_array((np.ones(len(pairs)), (rows, columns)), shape=shape)
    count, label = connected_components(links, directed=False)
    clumps: list[list[int]] = [[] for _ in range(count)]
    for n, own in enumerate(label):
        clumps[int(own)].append(n)
    return sorted(clumps)


def _deal_crews(board: Board, parts: Sequence[Sequence[int]]) -> list[list[int]] | None:
    """Deal the crews with all their days; None where some part lacks a skill that it asks for."""
    crews = sorted({day.crew for day in board.days})
    days = {crew: [d for d, day in enumerate(board.days) if day.crew == crew] for crew in crews}
    able: dict[str, npt.NDArray[np.bool_]] = {
        crew: np.logical_or.reduce(board.able[own]) for crew, own in days.items()
    }
    dealt: list[list[str]] = [[] for _ in parts]
    for zone, need in _needs(board, parts):
        if any(able[crew][need].any() for crew in dealt[zone]):
            continue
        fit = [(-int(able[crew][need].sum()), crew) for crew in crews if able[crew][need].any()]
        if not fit:
            return None
        dealt[zone].append(min(fit)[1])
        crews.remove(min(fit)[1])
    hours = np.array([stop.work_s + board.roads.manoeuvre_s for stop in board.stops])
    for crew in crews:

        def wants(zone: int, crew: str = crew) -> tuple[float, int]:
            """Give the work of a zone for this crew, for each day of crews that could do it."""
            own, there = parts[zone], able[crew]
            alike = [one for one in dealt[zone] if (able[one] & there)[own].any()]
            count = sum(len(days[one]) for one in [*alike, crew])
            return -float(hours[own] @ there[own]) / count, zone

        dealt[min(range(len(parts)), key=wants)].append(crew)
    return [sorted(d for crew in own for d in days[crew]) for own in dealt]


def _needs(board: Board, parts: Sequence[Sequence[int]]) -> list[tuple[int, list[int]]]:
    """Give the stops of each part by the crews that can do them, the scarcest crews first."""
    found: dict[tuple[int, tuple[str, ...]], list[int]] = {}
    for zone, own in enumerate(parts):
        for n in own:
            crews = {board.days[int(d)].crew for d in np.flatnonzero(board.able[:, n])}
            if crews:
                found.setdefault((zone, tuple(sorted(crews))), []).append(n)
    scarce = sorted(found.items(), key=lambda one: (len(one[0][1]), one[0][1], one[0][0]))
    return [(zone, stops) for (zone, _), stops in scarce]
