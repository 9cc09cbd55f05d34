"""How long each step takes on site, from the settings and the system's own process table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import pandas as pd

from planner.contracts import PROCESS, SLEEVES
from planner.contracts.facts import Tables
from planner.ground.process import Durations, durations, pot_life
from planner.ground.temperatures import temperatures
from planner.settings import Sleeving, Week
from planner.tables import check

# One visit from flow control to the film; only the film may come later.
MAIN = ("flow_control", "sleeve", "liner", "reopen", "verify")


@dataclass(frozen=True)
class Work:
    """One row of `WORKS` with the works that must be done before it; from_m, to_m in [m]."""

    work_id: str
    step: str
    pipe_id: str
    sleeve_id: str
    from_m: float
    to_m: float
    urgency: str
    done: bool
    after: frozenset[str] = field(default_factory=frozenset)
    held: str = ""


@dataclass(frozen=True)
class Sleeve:
    """One sleeve as the crew sees it: size [mm], length [m], laterals to reopen, resin [g]."""

    sleeve_id: str
    system: str
    dn_mm: float
    length_m: float
    counter_node: str
    laterals: int
    resin_g: int | None


@dataclass(frozen=True)
class Timer:
    """Seconds for each work."""

    week: Week
    reopen_s: int
    sleeves: dict[str, Sleeve]
    process: dict[tuple[str, float, float], Durations]
    live_laterals: dict[str, int]
    refusals: dict[tuple[str, float, float], str]

    @classmethod
    def of(
        cls, tables: Tables, sleeves: dict[str, Sleeve], week: Week, sleeving: Sleeving
    ) -> Timer:
        """Look up the times of every system and size that occurs among the sleeves.

        Parameters
        ----------
        tables
            Of it: process, laterals, conditions.
        sleeves
            By id.
        week, sleeving
            Times of the steps.
        """
        asked = sorted({(one.system, one.dn_mm, one.length_m) for one in sleeves.values()})
        stated = temperatures(tables.get("conditions"), week.stated_wall_c)
        process = check(tables["process"], PROCESS)
        times = {
            (system, dn, length): durations(process, system, dn, stated.cold_c, length)
            for system, dn, length in asked
        }
        laterals = tables["laterals"]
        live = laterals.loc[laterals["state"] != "closed", "pipe_id"].value_counts().to_dict()
        return cls(
            week,
            sleeving.reopen_s,
            sleeves,
            times,
            {str(pipe): int(count) for pipe, count in live.items()},
            {
                key: pot_life(process, key[0], key[1], stated.warm_c).refusal(one.batch_s)
                for key, one in times.items()
            },
        )

    def seconds(self, work: Work) -> tuple[int, str]:
        """Give the time of one work [s]; 0 and why where it is not known or cannot be done."""
        if work.step == "sleeve":
            times = self._sleeve(work)
            if times.site_s is None:
                return 0, times.note
            refusal = self._refusal(work)
            return (0, refusal) if refusal else (times.site_s, "")
        if work.step == "reopen":
            return self.reopen_s * self._laterals(work), ""
        week = self.week
        if work.step in ("clean", "clean_again"):
            metres = work.to_m - work.from_m
            return max(week.clean_least_s, math.ceil(week.clean_s_per_m * metres)), ""
        fixed = {
            "check_access": week.check_access_s,
            "cut_roots": week.cut_s,
            "descale": week.cut_s,
            "cut_intrusion": week.cut_intrusion_s,
            "prove_laterals": week.prove_laterals_s,
            "look": week.look_s,
            "watch": week.look_s,
            "resurvey": week.look_s,
            "grout": week.grout_s,
            "flow_control": week.flow_control_s,
            "verify": week.verify_s,
        }
        if work.step not in fixed:
            return 0, f"{work.step} is no work of some hours: it is handed out, not routed"
        return fixed[work.step], ""

    def system_of(self, work: Work) -> str:
        """Give the system of a work's sleeve, '' if it has none."""
        sleeve = self.sleeves.get(work.sleeve_id)
        return sleeve.system if sleeve else ""

    def saved_s(self, sets: Sequence[Work], packers: int) -> int:
        """Give what a second packer saves: the next sleeve is made ready while one cures [s].

        Only what comes before its batch is mixed counts, and only above ground: the hose of
        the first packer lies in the pipe, so nothing is drawn in or pressed beside it
        (common practice, no source). Where the process table does not split the
        preparation, nothing is saved.
        """
        if packers < 2:
            return 0
        saved_s = 0
        for one, other in pairwise(sets):
            first, second = self._sleeve(one), self._sleeve(other)
            if first.cure_s is None or second.prepare_s is None or second.batch_s is None:
                continue
            ready_s = max(0, second.prepare_s - second.batch_s)
            saved_s += min(ready_s, first.cure_s + first.cooldown_s)
        return saved_s

    def shut_s(self, work: Work) -> int:
        """Give how long a sleeve keeps connections shut [s]: from pressure to the last reopened."""
        times = self._sleeve(work)
        count = self._laterals(work)
        if not count:
            return 0
        return (times.shut_s or 0) + self.reopen_s * count

    def _sleeve(self, work: Work) -> Durations:
        sleeve = self.sleeves.get(work.sleeve_id)
        if sleeve is None:
            return Durations(None, None, None, note=f"there is no sleeve {work.sleeve_id}")
        return self.process[sleeve.system, sleeve.dn_mm, sleeve.length_m]

    def _refusal(self, work: Work) -> str:
        """Say why its resin would set too early; '' if it does not, or nobody can tell."""
        sleeve = self.sleeves.get(work.sleeve_id)
        if sleeve is None:
            return ""
        return self.refusals[sleeve.system, sleeve.dn_mm, sleeve.length_m]

    def _laterals(self, work: Work) -> int:
        if not work.sleeve_id:
            return self.live_laterals.get(work.pipe_id, 0)
        sleeve = self.sleeves.get(work.sleeve_id)
        return sleeve.laterals if sleeve else 0


def sleeves_of(tables: Tables, items: pd.DataFrame) -> dict[str, Sleeve]:
    """Give the sleeves by id, with the laterals to reopen and the resin.

    Parameters
    ----------
    tables
        Of it: sleeves, sleeve_laterals.
    items
        What `ground.quantities.items_of` says of the sleeves.

    Raises
    ------
    TableError
        If the sleeves break their contract.
    """
    sleeves = check(tables["sleeves"], SLEEVES)
    covered = tables["sleeve_laterals"]["sleeve_id"].value_counts().to_dict()
    grams = items[items["unit"] == "g"].set_index("sleeve_id")["net"].to_dict()
    columns = ["sleeve_id", "system", "dn_mm", "length_m", "counter_node"]
    return {
        str(one): Sleeve(
            str(one),
            str(system),
            float(dn),
            float(length),
            str(counter),
            int(covered.get(one, 0)),
            int(grams[one]) if one in grams else None,
        )
        for one, system, dn, length, counter in sleeves[columns].itertuples(index=False)
    }
