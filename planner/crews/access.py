"""Which crew can do a set-up from which manhole: steps, system, packer, reach, lid, turn."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts import CREWS, PACKERS, SYSTEMS
from planner.contracts.facts import Tables
from planner.crews.durations import MAIN
from planner.settings import Week
from planner.tables import check

# A reach or a length counts as kept within a tenth of a millimetre of float noise.
_NOISE_M = 1e-4
# Nobody has to go to such a node first to know that it can be reached.
FREE_ACCESS = ("open", "key")


@dataclass(frozen=True)
class Place:
    """One manhole as far as a crew that stands at it cares; None and NaN are unknown."""

    node_id: str
    access: str
    lid_mm: float
    depth_m: float
    turn_ok: bool | None
    drawn: bool


@dataclass(frozen=True)
class Need:
    """What a set-up asks of a crew; system '' and dn_mm NaN where no sleeve is set."""

    steps: tuple[str, ...]
    system: str = ""
    dn_mm: float = math.nan
    longest_m: float = 0.0
    reach_m: float = 0.0
    sleeves_count: int = 0
    resin_g: int = 0
    tickets: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Packer:
    """One packer, as `PACKERS` says; NaN where no limit is stated."""

    packer: str
    dn_from_mm: float
    dn_to_mm: float
    usable_m: float
    reach_m: float
    lid_mm: float
    depth_m: float
    cures: frozenset[str]
    lit_m: float = math.nan

    def carries_m(self, cure: str) -> float:
        """Give the longest sleeve of a cure [m]: by light no longer than what it lights."""
        return min(self.usable_m, self.lit_m) if cure == "light" else self.usable_m


@dataclass(frozen=True)
class Crew:
    """One crew: what it does, for which systems it is set up, its packers, what its van holds.

    `van_sleeves_count` and `van_resin_g` are None where the van sets no limit.
    """

    crew: str
    steps: frozenset[str]
    systems: frozenset[str]
    packers: tuple[Packer, ...]
    van_sleeves_count: int | None = None
    van_resin_g: int | None = None
    persons: int | None = None
    packer_sets: int = 1
    tickets: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Gear:
    """All crews with their packers, and how each system cures."""

    crews: tuple[Crew, ...]
    cures: dict[str, str]
    persons_both: int = 1

    @classmethod
    def of(cls, tables: Tables, week: Week) -> Gear:
        """Gather crews, packers and systems in order of their names.

        Parameters
        ----------
        tables
            Of it: crews, packers, systems.
        week
            Persons asked where both manholes are open.

        Raises
        ------
        TableError
            If a table breaks its contract.
        """
        check(tables["crews"], CREWS), check(tables["packers"], PACKERS)
        check(tables["systems"], SYSTEMS)
        packers = packers_of(tables["packers"])
        crews = tables["crews"].sort_values("crew", kind="stable")
        return cls(
            tuple(_crew_of(row, packers) for row in crews.to_dict("records")),
            dict(zip(tables["systems"]["system"], tables["systems"]["cure"], strict=True)),
            week.persons_both_count,
        )

    def packer_sets(self, steps: Iterable[str], system: str) -> int:
        """Give the packers of each kind that any crew brings which could set a system's sleeves."""
        wanted = set(steps)
        own = [c.packer_sets for c in self.crews if wanted <= c.steps and system in c.systems]
        return min(own, default=1)

    def able(self, need: Need, place: Place) -> list[str]:
        """Name the crews that can do `need` at `place`."""
        return [crew.crew for crew in self.crews if not self._against(crew, need, place)]

    def why_none(self, need: Need, place: Place) -> str:
        """Say why no crew can do `need` at `place`; '' if one can.

        The crew that comes nearest gives the reason.
        """
        reasons = [self._against(crew, need, place) for crew in self.crews]
        if not reasons:
            return "there is no crew"
        if not all(reasons):
            return ""
        rank, reason = max((one for one in reasons if one), key=lambda one: one[0])
        return f"no crew {reason}" if rank == 0 else reason

    def _against(self, crew: Crew, need: Need, place: Place) -> tuple[int, str] | None:
        """Say what keeps one crew from it, with how far it got; None if nothing does."""
        missing = [step for step in need.steps if step not in crew.steps]
        if missing:
            rest = ", ".join(step for step in need.steps if step not in missing)
            return 0, f"does {', '.join(missing)}" + (f" together with {rest}" if rest else "")
        asked = self.persons_both if any(step in MAIN for step in need.steps) else 1
        if crew.persons is not None and crew.persons < asked:
            return 1, f"{crew.crew} has {crew.persons} persons, both manholes open ask {asked}"
        lacks = sorted(need.tickets - crew.tickets)
        if lacks:
            return 1, f"{crew.crew} holds no ticket of {', '.join(lacks)}"
        return self._setting_against(crew, need, place) if need.system else None

    def _setting_against(self, crew: Crew, need: Need, place: Place) -> tuple[int, str] | None:
        """Say what keeps a crew that does the steps from setting the sleeves of `need`."""
        if need.system not in crew.systems:
            return 1, f"no crew that does {', '.join(need.steps)} is set up for {need.system}"
        van = _van_against(crew, need)
        if van:
            return 2, van
        if place.turn_ok is False:
            return 3, f"a packer cannot be turned into the pipe at {place.node_id}"
        cure = self.cures.get(need.system, "")
        against = [packer_against(packer, need, place, cure) for packer in crew.packers]
        if None in against:
            return None
        nothing = (4, f"{crew.crew} has no packer on its van")
        return max((one for one in against if one), key=lambda one: one[0], default=nothing)


def _van_against(crew: Crew, need: Need) -> str:
    """Say what the van cannot carry; '' if it holds all."""
    if crew.van_sleeves_count is not None and need.sleeves_count > crew.van_sleeves_count:
        return (
            f"the van of {crew.crew} carries {crew.van_sleeves_count} sleeves, "
            f"asked {need.sleeves_count}"
        )
    if crew.van_resin_g is not None and need.resin_g > crew.van_resin_g:
        most, asked = crew.van_resin_g / 1000, need.resin_g / 1000
        return f"the van of {crew.crew} carries {most:g} kg of resin, asked {asked:.1f} kg"
    return ""


def _crew_of(row: Mapping[Hashable, Any], packers: Mapping[str, Packer]) -> Crew:
    count, mass = row["van_sleeves_count"], row["van_resin_kg"]
    return Crew(
        str(row["crew"]),
        split(row["steps"]),
        split(row["systems"]),
        tuple(packers[one] for one in sorted(split(row["packers"])) if one in packers),
        None if pd.isna(count) else int(count),
        None if pd.isna(mass) else round(float(mass) * 1000),
        None if pd.isna(row["persons_count"]) else int(row["persons_count"]),
        1 if pd.isna(row["packer_sets_count"]) else int(row["packer_sets_count"]),
        split(row["tickets"]),
    )


def split(cell: object) -> frozenset[str]:
    """Give the parts of a cell that holds several, '+' between."""
    return frozenset(part for part in str(cell).split("+") if part)


def packers_of(packers: pd.DataFrame) -> dict[str, Packer]:
    """Give the packers by name.

    Parameters
    ----------
    packers
        Obeys `PACKERS`.
    """
    rows = packers.sort_values("packer", kind="stable").to_dict("records")
    return {str(row["packer"]): _packer_of(row) for row in rows}


def _packer_of(row: Mapping[Hashable, Any]) -> Packer:
    return Packer(
        str(row["packer"]),
        float(row["dn_from_mm"]),
        float(row["dn_to_mm"]),
        float(row["usable_m"]),
        float(row["reach_m"]),
        float(row["lid_mm"]),
        float(row["depth_m"]),
        split(row["cures"]),
        float(row["lit_m"]),
    )


def packer_against(packer: Packer, need: Need, place: Place, cure: str) -> tuple[int, str] | None:
    """Say what keeps a packer from `need` at `place`; None if nothing does.

    An unknown lid or depth is passed over here; `doubts_of` names it.
    """
    name, node = packer.packer, place.node_id
    tests = (
        (
            packer.dn_from_mm <= need.dn_mm <= packer.dn_to_mm,
            f"no packer of a crew for {need.system} fits DN {need.dn_mm:g}",
        ),
        (cure in packer.cures, f"packer {name} does not serve {cure or 'an unknown'} cure"),
        (
            need.longest_m <= packer.carries_m(cure) + _NOISE_M,
            f"packer {name} carries {packer.carries_m(cure):g} m, asked {need.longest_m:.2f} m",
        ),
        (
            need.reach_m <= packer.reach_m + _NOISE_M,
            f"packer {name} reaches {packer.reach_m:g} m, asked {need.reach_m:.2f} m from {node}",
        ),
        (
            not place.lid_mm < packer.lid_mm,
            f"packer {name} needs a lid of {packer.lid_mm:g} mm, {node} has {place.lid_mm:g} mm",
        ),
        (
            not place.depth_m > packer.depth_m,
            f"packer {name} is lowered {packer.depth_m:g} m at most, {node} is "
            f"{place.depth_m:g} m deep",
        ),
    )
    for rank, (passed, reason) in enumerate(tests, start=5):
        if not passed:
            return rank, reason
    return None


def doubts_of(need: Need, place: Place) -> list[str]:
    """Name what is not known of a manhole that a packer must pass."""
    if not need.system:
        return []
    doubts = []
    if math.isnan(place.lid_mm):
        doubts.append(f"lid opening of {place.node_id} not known")
    if math.isnan(place.depth_m):
        doubts.append(f"depth of {place.node_id} not known")
    if place.turn_ok is None:
        doubts.append(f"whether a packer turns at {place.node_id} not known")
    return doubts


def places_of(nodes: pd.DataFrame) -> dict[str, Place]:
    """Give the manholes by id.

    Parameters
    ----------
    nodes
        Obeys `NODES`.
    """
    drawn = nodes.geometry.notna() & ~nodes.geometry.is_empty
    columns = ["node_id", "access", "lid_mm", "depth_m", "turn_ok"]
    return {
        str(node): Place(
            str(node),
            str(access),
            float(lid),
            float(depth),
            None if pd.isna(turn) else bool(turn),
            bool(here),
        )
        for (node, access, lid, depth, turn), here in zip(
            nodes[columns].itertuples(index=False), drawn, strict=True
        )
    }
