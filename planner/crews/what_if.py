"""What one more crew-day or one more packer would bring, found by planning the week again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.contracts import CREWS, PACKERS, WHAT_IF
from planner.contracts.facts import Tables
from planner.crews.access import split
from planner.crews.apart import find_apart
from planner.crews.asked import Asked
from planner.crews.board import Board
from planner.crews.hours import find_hours
from planner.crews.pinned import locks_of
from planner.crews.setups import make_setups
from planner.crews.solver import Search
from planner.crews.travel import travel
from planner.crews.week import Days, fill, plan_week
from planner.ground.ids import KnownIds
from planner.settings import Settings
from planner.tables import check, conform

NOTHING = "serves nothing more"


@dataclass(frozen=True)
class _Worth:
    """What a week brings: set-ups and sleeves served, their value, driving with overtime [s]."""

    visits: int
    sleeves: int
    value_s: int
    spent_s: int

    @property
    def net_s(self) -> int:
        """Give value less driving [s]."""
        return self.value_s - self.spent_s


@dataclass(frozen=True)
class _More:
    """One thing more, and what the week brings with it."""

    kind: str
    name: str
    crew: str
    date: str
    worth: _Worth


def what_if(
    tables: Tables,
    days: Days,
    known: KnownIds,
    settings: Settings,
    source_crs: str,
) -> pd.DataFrame:
    """Plan the week again with one more crew-day of each crew, and one more packer on each van.

    A second crew of the same kind works on that day of the crew for which most of what is
    left waits. A packer that a van carries already becomes a second set, so that the next
    sleeve is made ready while one cures; set-ups are made anew with it. Where a new week
    brings no more than the old one, the old one stands and nothing is gained.

    Parameters
    ----------
    tables
        All tables of the run up to visits.
    days
        The week as it was planned.
    known
        Ids of the works.
    settings
        Of the project: week, sleeves, first day, seed.
    source_crs
        System of the yards.

    Returns
    -------
    gains
        Obeys `WHAT_IF`.
    """
    check(tables["crews"], CREWS), check(tables["packers"], PACKERS)
    sleeves = _sleeves(tables)
    now = _worth(days.board, sleeves)
    found = [*_crew_days(days, sleeves, settings), *_packers(tables, known, settings, source_crs)]
    rows = []
    for more in found:
        then = more.worth if more.worth.net_s > now.net_s else now
        row = {
            "kind": more.kind,
            "name": more.name,
            "crew": more.crew,
            "date": more.date,
            "visits_count": then.visits - now.visits,
            "sleeves_count": then.sleeves - now.sleeves,
            "value_s": then.value_s - now.value_s,
            "spent_s": then.spent_s - now.spent_s,
        }
        rows.append(row | {"why": _why(row)})
    return conform(rows, WHAT_IF)


def _why(row: dict[str, Any]) -> str:
    what = f"one more day of {row['crew']}, {row['date']}"
    if row["kind"] == "packer":
        what = f"one more packer {row['name']} on the van of {row['crew']}"
    if not row["visits_count"] and not row["value_s"]:
        hours = -row["spent_s"] / 3600
        return f"{what}: {NOTHING}" + (f", saves {hours:.1f} h of driving" if hours > 0 else "")
    return (
        f"{what}: set-ups {row['visits_count']:+d}, sleeves {row['sleeves_count']:+d}, "
        f"worth {row['value_s'] / 3600:+.1f} h, driving {row['spent_s'] / 3600:+.1f} h"
    )


def _sleeves(tables: Tables) -> dict[str, int]:
    """Give the sleeves of each set-up."""
    setups = pd.DataFrame(tables["setups"])
    return dict(zip(setups["setup_id"], setups["sleeves_count"].astype(int), strict=True))


def _worth(board: Board, sleeves: dict[str, int]) -> _Worth:
    """Weigh a week; overtime counts as driving, at its price."""
    served = [board.stops[n] for n in board.served]
    value_s = sum(stop.value_s for stop in served)
    spent_s = board.cost_s - sum(stop.value_s for stop in board.stops) + value_s
    count = sum(sleeves[stop.setup_id] for stop in served)
    return _Worth(len(served), count, value_s, spent_s)


def _crew_days(days: Days, sleeves: dict[str, int], settings: Settings) -> Iterator[_More]:
    """Give each crew a twin for one of its days, the one for which most of the rest waits."""
    board, served = days.board, set(days.board.served)
    values = np.array([stop.value_s for stop in board.stops], dtype=np.int64)
    values[sorted(served)] = 0
    waits = board.able.astype(np.int64) @ values
    for crew in sorted({day.crew for day in board.days}):
        own = [n for n, day in enumerate(board.days) if day.crew == crew]
        day = max(own, key=lambda n: (int(waits[n]), -n))
        twin = replace(board.days[day], crew=f"{crew} (one more)")
        wider = replace(
            board,
            days=[*board.days, twin],
            able=np.vstack([board.able, board.able[[day]]]),
            routes={},
            floors={},
            ceilings={},
            _known={},
        )
        # The week as it stands with what the new day takes is the least that it brings.
        kept = replace(wider, routes={d: [*order] for d, order in board.routes.items()},
                       floors=dict(board.floors), ceilings=dict(board.ceilings))  # fmt: skip
        kept.put_in()
        fill(wider, days.promised, Search(settings.week, settings.project.seed))
        best = max((_worth(one, sleeves) for one in (kept, wider)), key=lambda one: one.net_s)
        yield _More("crew-day", crew, crew, twin.date, best)


def _packers(
    tables: Tables, known: KnownIds, settings: Settings, source_crs: str
) -> Iterator[_More]:
    """Put each packer on each van: as a second set where it is there already."""
    crews = tables["crews"]
    for packer in sorted(tables["packers"]["packer"]):
        for n, row in enumerate(crews.to_dict("records")):
            if not row["systems"]:
                continue
            new = crews.copy()
            has = split(row["packers"])
            if packer in has:
                sets = 1 if pd.isna(row["packer_sets_count"]) else int(row["packer_sets_count"])
                new.loc[crews.index[n], "packer_sets_count"] = sets + 1
            else:
                new.loc[crews.index[n], "packers"] = "+".join(sorted({*has, str(packer)}))
            worth = _planned({**tables, "crews": new}, known, settings, source_crs)
            yield _More("packer", str(packer), str(row["crew"]), "", worth)


def _planned(
    tables: dict[str, pd.DataFrame], known: KnownIds, settings: Settings, source_crs: str
) -> _Worth:
    """Make set-ups anew and plan their week."""
    t, project, week = tables, settings.project, settings.week
    found = make_setups(t, known, week, settings.sleeving, first_day=project.first_day)
    t |= {"setups": found.setups, "setup_works": found.setup_works}
    t |= {"setup_after": found.setup_after, "setup_hours": find_hours(t, week, project.first_day)}
    t["setup_apart"] = find_apart(t, guard_m=week.flow_guard_m)
    setups, streets = gpd.GeoDataFrame(t["setups"]), gpd.GeoDataFrame(t["streets"])
    ways = travel(setups, t["crews"], streets, week, source_crs=source_crs)
    asked = Asked(locks_of(t["pins"]) if "pins" in t else {})
    days = plan_week(t, ways, week, first_day=project.first_day, seed=project.seed, asked=asked)
    return _worth(days.board, _sleeves(t))
