"""An invented week of set-ups and crews, drawn by a seed, as the tables that a week is made of.

Shares after routing.md 2b: 15 % outside school hours, 10 % at night, 5 % early, 30 % on some
days only, 11 % of the plain ones in the morning on some days and in the afternoon on the
others, five sets of skills, two yards, two stocks on each van, 4 % promised, shifts of 9 h.
Town, times and values are invented, so that a week of 200 set-ups can just be served by nine
crews. Everything goes the way of a real project: works become set-ups, streets their hours.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

import pandas as pd

from planner.contracts import NOTICES, SYSTEMS, WINDOWS
from planner.crews.apart import find_apart
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.travel import Travel
from planner.ground.ids import NOTHING_KNOWN
from planner.settings import Week
from planner.tables import conform
from tests import crew_town as town

FIRST_DAY = town.FIRST_DAY
DAYS = ("mon", "tue", "wed", "thu", "fri")
SIDE_M = 12_000.0
YARDS = ((3_500.0, 4_000.0), (8_500.0, 8_000.0))
HOUR_S = 3_600
SHIFT, NIGHT_SHIFT = (27_000, 59_400), (75_600, 108_000)  # 7:30 to 16:30, 21:00 to 6:00
HOURS = {
    "plain": (8.0, 17.0),
    "school": (9.0, 15.0),
    "night": (21.0, 30.0),
    "early": (7.0, 12.0),
    "morning": (8.0, 12.5),
    "afternoon": (12.5, 17.0),
}
"""Hours from midnight in which a street of a kind is free; above 24 = on the next day."""
STREETS = {"plain": 70, "school": 15, "night": 10, "early": 5}
NEEDS = {"felt 200": 32, "clean": 30, "glass 200": 18, "felt 400": 10, "glass 400": 10}
WORTH = {"this_year": 50, "programme": 40, "now": 10}
"""Kinds of street, what a set-up asks for, and how urgent it is, in per cent."""
SOME_DAYS, SPLIT, TWO_SLEEVES, PROMISED = 0.30, 0.11, 0.125, 0.04
SKILLS: tuple[tuple[str, str], ...] = (
    ("felt", "felt small+felt large"),
    ("felt+glass", "felt small+glass small"),
    ("felt", "felt small"),
    ("glass", "glass small+glass large"),
    ("felt+glass", "felt small+felt large+glass small+glass large"),
)
"""Systems and packers of a crew, five sets in turn; all clean."""
CURE_S = {"felt": 2_100.0, "glass": 1_200.0}
MOST_CREWS = 20


@dataclass(frozen=True)
class WeekTown:
    """One drawn week: its tables, the drives between its stops, its settings, its Monday."""

    tables: dict[str, pd.DataFrame]
    ways: Travel
    week: Week
    first_day: str = FIRST_DAY


def crews_for(size: int) -> int:
    """Give the crews of a week of `size` set-ups: 3 for 60, 9 for 200, 20 at most (2b)."""
    return min(MOST_CREWS, max(1, round(0.045 * size)))


def week_town(size: int, seed: int, **week: Any) -> WeekTown:
    """Draw a week of `size` set-ups.

    Parameters
    ----------
    size
        Set-ups.
    seed
        Of the draw: the same town each time.
    week
        Settings of [week] to change, such as iterations.
    """
    rng = Random(1_000_003 * size + seed)
    # The whole shift is planned and no cap of a day binds beside the two stocks of the van.
    free = {"fill_ratio": 1.0, "cap_small_count": 9, "cap_large_count": 9}
    chosen = town.settings(**{**free, "iterations": 2000, **week})
    # The set-ups are those of an earlier plan: a week of few crews may lack one that some need.
    crews = _crews(max(len(SKILLS), crews_for(size)))
    places = _Places.drawn(size, rng)
    tables = town.town(
        places.works,
        places.after,
        places.sleeves,
        crews,
        pipes=places.pipes,
        nodes=places.nodes,
        shifts=_shifts(crews),
        **_gear(),
    )
    tables["systems"] = conform(_systems(), SYSTEMS)
    tables["windows"] = conform(_windows(places.classes), WINDOWS)
    tables["notices"] = conform(places.notices, NOTICES)
    made = make_setups(tables, NOTHING_KNOWN, chosen.week, chosen.sleeving, first_day=FIRST_DAY)
    tables |= {"setups": made.setups, "setup_works": made.setup_works}
    tables |= {"setup_after": made.setup_after}
    tables["setup_apart"] = find_apart(tables, guard_m=chosen.week.flow_guard_m)
    here = [row["crew"] for row in crews[: crews_for(size)]]
    for name in ("crews", "shifts"):
        rows = tables[name]
        tables[name] = rows[rows["crew"].isin(here)].reset_index(drop=True)
    tables["setup_hours"] = find_hours(tables, chosen.week, FIRST_DAY)
    return WeekTown(tables, town.ways_of(tables, chosen.week), chosen.week)


@dataclass(frozen=True)
class _Draw:
    """What is drawn of one set-up: street, its days, need, urgency, told, sleeves."""

    street: str
    days: Sequence[str]
    need: str
    urgency: str
    told: bool
    sleeves: int


def _draws(size: int, rng: Random) -> list[_Draw]:
    """Deal out each kind of thing in its share, so that weeks of one size are alike."""
    streets, needs = _dealt(STREETS, size, rng), _dealt(NEEDS, size, rng)
    worth = _dealt(WORTH, size, rng)
    by_day = [n for n in range(size) if streets[n] != "night"]
    plain = [n for n in by_day if streets[n] == "plain"]
    some = set(rng.sample(by_day, round(SOME_DAYS * size)))
    split = set(rng.sample(plain, round(SPLIT * len(plain))))
    felt = [n for n in by_day if needs[n] == "felt 200"]
    told = set(rng.sample(felt, min(len(felt), round(PROMISED * size))))
    sleeved = [n for n in range(size) if needs[n] != "clean"]
    two = set(rng.sample(sleeved, round(TWO_SLEEVES * len(sleeved))))
    found = []
    for n in range(size):
        part = rng.choice(("early week", "late week"))
        some_days = set(rng.sample(DAYS, rng.choice((2, 3))))
        found.append(
            _Draw(
                f"split {part}" if n in split else streets[n],
                tuple(day for day in DAYS if n not in some or day in some_days),
                needs[n],
                worth[n],
                n in told,
                0 if needs[n] == "clean" else 1 + (n in two),
            )
        )
    return found


def _dealt(shares: dict[str, int], size: int, rng: Random) -> list[str]:
    """Give each name in its share of `size`, shuffled; the first takes what rounding leaves."""
    names = [name for name, share in shares.items() for _ in range(round(size * share / 100))]
    names = [next(iter(shares))] * max(0, size - len(names)) + names
    rng.shuffle(names)
    return names[:size]


@dataclass
class _Places:
    """Rows of the pipes, one set-up each, and the classes of street that occur."""

    pipes: list[dict[str, Any]]
    nodes: list[dict[str, Any]]
    works: list[dict[str, Any]]
    after: list[tuple[str, str]]
    sleeves: list[dict[str, Any]]
    notices: list[dict[str, Any]]
    classes: set[str]

    @classmethod
    def drawn(cls, size: int, rng: Random) -> _Places:
        found = cls([], [], [], [], [], [], set())
        for n, draw in enumerate(_draws(size, rng)):
            found.add(f"P{n:04d}", draw, rng)
        return found

    def add(self, name: str, draw: _Draw, rng: Random) -> None:
        """Add a pipe by itself with one set-up."""
        length_m = round(rng.uniform(25.0, 55.0), 1)
        street = f"{draw.street} {'+'.join(draw.days)}"
        self.classes.add(street)
        x, y = rng.uniform(0.0, SIDE_M), rng.uniform(0.0, SIDE_M)
        more = {"street_class": street, "street": f"Street {int(x // 1000)}-{int(y // 1000)}"}
        self.nodes += [
            town.node(f"{name}a", x, y, **more),
            town.node(f"{name}b", x + length_m, y, **more),
        ]
        dn = float(draw.need.partition(" ")[2] or 200.0)
        ends = (f"{name}a", f"{name}b")
        self.pipes.append(town.pipe(name, *ends, dn_mm=dn, length_m=length_m))
        if draw.need == "clean":
            at = {"to_m": length_m, "urgency": draw.urgency}
            self.works.append(town.work(f"W-{name}", "clean", name, **at))
        for k in range(draw.sleeves):
            from_m = round((0.2 + 0.4 * k) * length_m, 1)
            kind = {"system": draw.need.partition(" ")[0], "dn_mm": dn}
            one = town.sleeve(f"{name}s{k}", from_m, name, counter_node=f"{name}a", **kind)
            rows = town.sleeve_works(one, urgency=draw.urgency)[:-1]  # without the film
            self.sleeves.append(one)
            self.works += rows
            self.after += town.chained(rows)
        if draw.told:
            day = datetime.date.fromisoformat(FIRST_DAY)
            day += datetime.timedelta(days=DAYS.index(rng.choice(draw.days)))
            notice = {"notice_id": f"N-{name}", "pipe_id": name, "for_date": day.isoformat()}
            self.notices.append({**notice, "sent_on": "2026-02-20"})


def _windows(classes: set[str]) -> list[dict[str, Any]]:
    """Lay out the hours of each class; a split street changes its hours on Wednesday."""
    rows = []
    for name in sorted(classes):
        kind, _, days = name.rpartition(" ")
        for day in days.split("+"):
            hours = kind
            if kind.startswith("split"):
                first = (DAYS.index(day) < 2) == (kind == "split early week")
                hours = "morning" if first else "afternoon"
            span = {
                key: round(HOUR_S * hour)
                for key, hour in zip(("open_s", "close_s"), HOURS[hours], strict=True)
            }
            rows.append({"street_class": name, "weekday": day, **span, "permit": False})
    return rows


def _crews(count: int) -> list[dict[str, Any]]:
    """Lay out crews, the five sets of skills in turn, at the two yards in turn."""
    crews = []
    for n in range(count):
        systems, packers = SKILLS[n % len(SKILLS)]
        x, y = YARDS[n % len(YARDS)]
        at = {"yard_x": town.EAST + x, "yard_y": town.NORTH + y}
        steps = f"{town.CLEANERS}+{town.SETTERS}"
        van = {"van_sleeves_count": 5, "van_resin_kg": 30.0}
        row = town.crew(f"Crew {n + 1:02d}", steps, systems=systems, packers=packers, **van)
        crews.append({**row, **at})
    return crews


def _shifts(crews: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Send every second crew out by night at the end of the week, the others by day."""
    rows = []
    for n, crew in enumerate(crews):
        for day in DAYS:
            start_s, end_s = NIGHT_SHIFT if n % 2 and day == "fri" else SHIFT
            span = {"start_s": start_s, "end_s": end_s}
            rows.append({"crew": crew["crew"], "weekday": day, **span})
    return rows


def _systems() -> list[dict[str, Any]]:
    return [
        {"system": "felt", "cure": "ambient", "supply": "mix_on_site", "carrier": "felt"},
        {"system": "glass", "cure": "light", "supply": "made_before", "carrier": "glass"},
    ]


def _gear() -> dict[str, list[dict[str, Any]]]:
    """Lay out two systems in two sizes each, their packers, times and a full shelf."""
    small, large = (
        {"dn_from_mm": 150.0, "dn_to_mm": 300.0},
        {"dn_from_mm": 301.0, "dn_to_mm": 600.0},
    )
    cures = {"felt": "ambient", "glass": "light"}
    packers = [
        town.packer(f"{system} {name}", **size, cures=cure)
        for system, cure in cures.items()
        for name, size in (("small", small), ("large", large))
    ]
    sizes = [
        {"system": system, **size, "wall_mm": wall, "plies": 3, "resin_kg_per_l": 1.05,
         "lengths_m": "1.0"}
        for system in cures
        for size, wall in ((small, 5.0), (large, 7.0))
    ]  # fmt: skip
    times = {"prepare_s": 600.0, "finish_s": 300.0, "pot_life_s": 1800.0}
    process = [
        {"system": system, "dn_to_mm": dn, "wall_c": c, "cure_s": CURE_S[system], **times}
        for system in cures
        for dn in (300.0, 600.0)
        for c in (5.0, 20.0)
    ]
    stock = [{"item": "resin", "system": system, "mass_kg": 9_999.0} for system in cures]
    return {"packers": packers, "system_sizes": sizes, "process": process, "stock": stock}
