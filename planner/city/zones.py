"""Zones of a week dealt by the workers of a city: each on its own, as in one process.

A zone knows nothing of the others until all are dealt (`crews.zones`). What it needs is written
into a folder named by its digest: numbers and texts, nothing that runs. What it came to stays
there, so that a run that was killed does not deal it again.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from pydantic import TypeAdapter

from planner.city.code import code_mark, same_code
from planner.city.filing import (
    CityError,
    digest_of,
    fill_aside,
    read_json,
    read_record,
    read_shared,
    write_json,
    write_record,
)
from planner.city.pool import Pool, Say
from planner.crews.board import Board
from planner.crews.shelf import Item, Shelf
from planner.crews.solver import Search
from planner.crews.stages import Dealt, deal
from planner.crews.ties import Ties
from planner.crews.timetable import CrewDay, Roads, Stop
from planner.crews.travel import Travel
from planner.crews.zones import ZoneAsked
from planner.settings import Week

HOME, LIST, ASKED, ARRAYS, DEALT = "zones", "zones.json", "asked.json", "asked.npz", "dealt.json"
_STOPS, _DAYS, _TIES = TypeAdapter(list[Stop]), TypeAdapter(list[CrewDay]), TypeAdapter(Ties)
_ITEMS = TypeAdapter(list[tuple[Item, int]])
Pairs = list[list[Any]]


@dataclass(frozen=True)
class ZoneWorkers:
    """Deals zones by a pool, those first that an earlier run left; see `crews.zones.Dealer`.

    `home` is ``.city`` of the project, seen by every worker under the same path.
    """

    home: Path
    pool: Pool
    say: Say

    def __call__(self, zones: Sequence[ZoneAsked]) -> Iterator[Dealt]:
        """Deal zones; they come in their order, once all are dealt.

        Raises
        ------
        CityError
            If workers are lost, or see no folder of the project.
        """
        places = [write_zone(self.home, zone) for zone in zones]
        names = [place.name for place in places]
        write_json(self.home / LIST, {"code": code_mark(), "zones": names})
        left = [n for n, place in enumerate(places) if not read_json(place / DEALT)]
        done = len(zones) - len(left)
        for _ in self.pool.run(zone_work, str(self.home), left):
            done += 1
            self.say(f"zones dealt: {done} of {len(zones)}")
        for old in (self.home / HOME).iterdir():
            if old.name not in names:
                shutil.rmtree(old, ignore_errors=True)
        for zone, place in zip(zones, places, strict=True):
            yield _read_dealt(place, zone.board)


def write_zone(home: Path, zone: ZoneAsked) -> Path:
    """Write what a zone needs, if it is not there; give its folder."""
    board = zone.board
    rows = sorted({*(stop.at for stop in board.stops), *(day.yard for day in board.days),
                   *(day.starts_at for day in board.days)})  # fmt: skip
    arrays = {"able": board.able, "seconds": board.roads.ways.seconds[np.ix_(rows, rows)]}
    asked = _said(zone, {row: n for n, row in enumerate(rows)})
    marks = {name: f"{one.shape} {one.dtype} {hashlib.sha256(one.tobytes()).hexdigest()}"
             for name, one in arrays.items()}  # fmt: skip
    text = json.dumps(asked, sort_keys=True)
    place = home / HOME / digest_of({"asked": text, "code": code_mark(), **marks})

    def fill(part: Path) -> None:
        write_json(part / ASKED, asked)
        np.savez(part / ARRAYS, able=arrays["able"], seconds=arrays["seconds"])
        write_record(part, {})

    if not read_record(place):
        fill_aside(place, fill)
    return place


def _said(zone: ZoneAsked, row_of: Mapping[int, int]) -> dict[str, Any]:
    """Give a zone as plain values, its places numbered anew in their order."""
    board, search = zone.board, zone.search
    stops = [replace(stop, at=row_of[stop.at]) for stop in board.stops]
    days = [
        replace(day, yard=row_of[day.yard], begin=-1 if day.since_s is None else row_of[day.begin])
        for day in board.days
    ]
    takes = {stop.setup_id: sorted(board.shelf.takes.get(stop.setup_id, {}).items())
             for stop in stops}  # fmt: skip
    ties = _TIES.dump_python(board.ties, mode="json")
    return {
        "stops": _STOPS.dump_python(stops, mode="json"),
        "days": _DAYS.dump_python(days, mode="json"),
        "ties": {**ties, "apart": [sorted(own) for own in board.ties.apart]},
        "stock": _ITEMS.dump_python(sorted(board.shelf.stock.items()), mode="json"),
        "takes": {one: _ITEMS.dump_python(own, mode="json") for one, own in takes.items()},
        "manoeuvre_s": board.roads.manoeuvre_s,
        "overtime_cost_s": board.overtime_cost_s,
        "week": search.week.model_dump(mode="json"),
        "seed": search.seed,
        "start": [[day, list(order)] for day, order in search.start.items()],
        "locked": zone.locked,
    }


def read_zone(place: Path) -> ZoneAsked:
    """Read what `write_zone` wrote.

    Raises
    ------
    CityError
        If it is not there or damaged.
    """
    said = read_json(place / ASKED)
    try:
        with (place / ARRAYS).open("rb") as raw, np.load(raw, allow_pickle=False) as file:
            arrays = {name: file[name] for name in ("able", "seconds")}
        shelf = Shelf(
            dict(_ITEMS.validate_python(said["stock"])),
            {one: Counter(dict(_ITEMS.validate_python(own))) for one, own in said["takes"].items()},
        )
        board = Board(
            _STOPS.validate_python(said["stops"]),
            _DAYS.validate_python(said["days"]),
            arrays["able"],
            Roads(_ways(arrays["seconds"]), int(said["manoeuvre_s"])),
            shelf,
            _TIES.validate_python(said["ties"]),
            int(said["overtime_cost_s"]),
        )
        start = {int(day): [int(n) for n in order] for day, order in said["start"]}
        search = Search(Week.model_validate(said["week"]), int(said["seed"]), start)
        return ZoneAsked(board, search, bool(said["locked"]))
    except (OSError, EOFError, BadZipFile, ValueError, KeyError) as error:
        message = f"{place}: no zone as a city's run wrote it ({type(error).__name__}); delete it"
        raise CityError(message) from None


def _ways(seconds: np.ndarray) -> Travel:
    """Give drives of which the seconds alone are known: dealing looks at nothing else."""
    none = np.zeros((0, 0))
    places = np.zeros(0, dtype=np.int64)
    return Travel(seconds, none, {}, {}, none.astype(bool), False, none, places, None)  # noqa: FBT003


def zone_work(folder: str, number: int) -> dict[str, Any]:
    """Deal one zone and write its routes beside it; a task as those in `work`.

    Parameters
    ----------
    folder
        ``.city`` of the project, seen by every host under the same path.
    number
        Of the zone in ``zones.json``.

    Raises
    ------
    CityError
        If the zone cannot be read, or the code is of another version than the run's.
    """
    home = Path(folder)
    asked = read_shared(home / LIST)
    same_code(asked["code"])
    place = home / HOME / str(asked["zones"][number])
    zone = read_zone(place)
    dealt = deal(zone.board, zone.search, locked=zone.locked)
    board = dealt.board
    found = {
        "routes": [[day, order] for day, order in board.routes.items()],
        "floors": [list(pair) for pair in board.floors.items()],
        "ceilings": [list(pair) for pair in board.ceilings.items()],
        "iterations": dealt.iterations,
        "by_clock": dealt.by_clock,
    }
    write_json(place / DEALT, found)
    return {"iterations": dealt.iterations}


def _read_dealt(place: Path, empty: Board) -> Dealt:
    found = read_json(place / DEALT)
    try:
        routes = {int(day): [int(n) for n in order] for day, order in found["routes"]}
        floors, ceilings = ({int(n): int(s) for n, s in found[of]} for of in ("floors", "ceilings"))
        board = replace(empty, routes=routes, floors=floors, ceilings=ceilings, _known={})
        return Dealt(board, int(found["iterations"]), bool(found["by_clock"]))
    except (KeyError, TypeError, ValueError) as error:
        message = f"{place / DEALT}: damaged ({type(error).__name__}); delete it and run again"
        raise CityError(message) from None
