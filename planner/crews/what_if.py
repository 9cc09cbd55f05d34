"""What one more crew-day or one more packer would bring, found by planning the week again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import pandas as pd

from planner.contracts import CREWS, PACKERS, SHIFTS, WHAT_IF
from planner.contracts.facts import Tables
from planner.crews.access import split
from planner.crews.apart import find_apart
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.travel import Travel, travel
from planner.crews.week import dates_of, plan_week
from planner.ground.ids import KnownIds
from planner.settings import Settings
from planner.tables import check, conform


@dataclass(frozen=True)
class _Worth:
    """What a week brings: set-ups and sleeves served, their value, the driving [s]."""

    visits: int
    sleeves: int
    value_s: int
    drive_s: int

    @property
    def net_s(self) -> int:
        """Give value less driving [s]."""
        return self.value_s - self.drive_s


@dataclass(frozen=True)
class _More:
    """One thing more, and the tables with it."""

    kind: str
    name: str
    crew: str
    date: str
    tables: dict[str, pd.DataFrame]


def what_if(
    tables: Tables, known: KnownIds, ways: Travel, settings: Settings, source_crs: str
) -> pd.DataFrame:
    """Plan the week again with one more crew-day of each crew, and one more packer on each van.

    A second crew of the same kind works on the day for which most of what is left waits. A
    packer that a van carries already becomes a second set, so that the next sleeve is made
    ready while one cures. Where a new week brings no more than the old one, the old one
    stands and nothing is gained.

    Parameters
    ----------
    tables
        All tables of the run up to visits.
    known
        Ids of the works.
    ways
        Drives of the week.
    settings
        Of the project: week, sleeves, first day, seed.
    source_crs
        System of the yards.

    Returns
    -------
    gains
        Obeys `WHAT_IF`.
    """
    check(tables["crews"], CREWS), check(tables["shifts"], SHIFTS)
    check(tables["packers"], PACKERS)
    now = _worth(tables, tables["visits"])
    rows = []
    for more in [*_crew_days(tables, settings), *_packers(tables)]:
        found = _planned(more, known, ways, settings, source_crs)
        then = found if found.net_s > now.net_s else now
        row = {
            "kind": more.kind,
            "name": more.name,
            "crew": more.crew,
            "date": more.date,
            "visits_count": then.visits - now.visits,
            "sleeves_count": then.sleeves - now.sleeves,
            "value_s": then.value_s - now.value_s,
            "drive_s": then.drive_s - now.drive_s,
        }
        rows.append(row | {"why": _why(row)})
    return conform(rows, WHAT_IF)


def _why(row: dict[str, Any]) -> str:
    what = f"one more day of {row['crew']}, {row['date']}"
    if row["kind"] == "packer":
        what = f"one more packer {row['name']} on the van of {row['crew']}"
    if not row["visits_count"] and not row["value_s"]:
        hours = -row["drive_s"] / 3600
        return f"{what}: serves nothing more" + (f", saves {hours:.1f} h of driving" * (hours > 0))
    return (
        f"{what}: set-ups {row['visits_count']:+d}, sleeves {row['sleeves_count']:+d}, "
        f"worth {row['value_s'] / 3600:+.1f} h, driving {row['drive_s'] / 3600:+.1f} h"
    )


def _worth(tables: Tables, visits: pd.DataFrame) -> _Worth:
    setups = pd.DataFrame(tables["setups"])
    served = setups[setups["setup_id"].isin(visits["setup_id"])]
    return _Worth(
        len(served),
        int(served["sleeves_count"].sum()),
        int(served["value_s"].sum()),
        int(visits["drive_s"].sum() + visits["back_s"].sum()),
    )


def _planned(
    more: _More, known: KnownIds, ways: Travel, settings: Settings, source_crs: str
) -> _Worth:
    """Plan the week with one thing more."""
    t, project = more.tables, settings.project
    if more.kind == "packer":
        found = make_setups(t, known, settings.week, settings.sleeving, first_day=project.first_day)
        t |= {"setups": found.setups, "setup_works": found.setup_works}
        t |= {"setup_after": found.setup_after}
        t["setup_hours"] = find_hours(t, settings.week, project.first_day)
        t["setup_apart"] = find_apart(t, guard_m=settings.week.flow_guard_m)
        ways = travel(
            gpd.GeoDataFrame(t["setups"]), t["crews"], gpd.GeoDataFrame(t["streets"]),
            settings.week, source_crs=source_crs,
        )  # fmt: skip
    else:
        twin = str(t["crews"]["crew"].iloc[-1])
        ways = replace(ways, crew_at={**ways.crew_at, twin: ways.crew_at[more.crew]})
    days = plan_week(t, ways, settings.week, first_day=project.first_day, seed=project.seed)
    return _worth(t, days.visits)


def _crew_days(tables: Tables, settings: Settings) -> Iterator[_More]:
    """Give each crew a twin that works on one day, the one for which most of the rest waits."""
    waits = _waiting(tables, settings)
    if waits is None:
        return
    day, weekday = waits
    shifts, crews = tables["shifts"], tables["crews"]
    for crew in sorted(crews["crew"]):
        own = shifts[shifts["crew"] == crew]
        if own.empty:
            continue
        like = own[own["weekday"] == weekday] if (own["weekday"] == weekday).any() else own
        twin = _new_name(crew, set(crews["crew"]))
        shift = like.iloc[[0]].assign(crew=twin, weekday=weekday)
        row = crews[crews["crew"] == crew].assign(crew=twin)
        more = {
            "crews": pd.concat([crews, row], ignore_index=True),
            "shifts": conform(pd.concat([shifts, shift], ignore_index=True), SHIFTS),
        }
        yield _More("crew-day", str(crew), str(crew), day, {**tables, **more})


def _new_name(crew: str, taken: set[str]) -> str:
    # After all other names in their order, so that the week of the others is searched alike.
    name = f"{crew} (one more)"
    while name in taken:
        name += " "
    return name


def _waiting(tables: Tables, settings: Settings) -> tuple[str, str] | None:
    """Give the date on which most of what is left could start, by value, and its weekday."""
    setups, hours = pd.DataFrame(tables["setups"]), tables["setup_hours"]
    left = setups[~setups["setup_id"].isin(tables["visits"]["setup_id"])]
    value = dict(zip(left["setup_id"], left["value_s"], strict=True))
    rows = hours[(hours["reason"] == "") & hours["setup_id"].isin(value)]
    rows = rows.drop_duplicates(["setup_id", "date"])
    worth = rows["setup_id"].map(value).groupby(rows["date"]).sum()
    dates = dates_of(settings.project.first_day, settings.week)
    if not dates:
        return None
    return max(dates, key=lambda day: (int(worth.get(day[0], 0)), [-ord(c) for c in day[0]]))


def _packers(tables: Tables) -> Iterator[_More]:
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
            yield _More("packer", str(packer), str(row["crew"]), "", {**tables, "crews": new})
