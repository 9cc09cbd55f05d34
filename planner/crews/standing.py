"""A set-up before it has an id, and what decides whether and where a crew can stand."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from planner.contracts.verdicts import URGENCY
from planner.crews.access import FREE_ACCESS, Gear, Need, Place
from planner.crews.durations import Sleeve, Timer, Work
from planner.crews.hours import StreetHours, site_of
from planner.settings import Week

# Up to this size the cap for small sleeves holds: 12 in (prices.md 5).
SMALL_MM = 300.0


@dataclass(frozen=True)
class Pipe:
    """One pipe with its two manholes; None where a node is not named or not there."""

    pipe_id: str
    length_m: float
    ends: tuple[str, str]
    places: tuple[Place | None, Place | None]
    access_checked: bool
    area: str = ""

    @property
    def manholes(self) -> list[tuple[str, Place | None]]:
        """Give both ends, us_node first."""
        return list(zip(self.ends, self.places, strict=True))

    def reach_m(self, node_id: str, works: Iterable[Work]) -> float:
        """Give how far the farthest end of `works` is from a manhole [m]."""
        if node_id == self.ends[0]:
            return max((work.to_m for work in works), default=0.0)
        return max((self.length_m - work.from_m for work in works), default=0.0)

    def other(self, node_id: str) -> str:
        """Give the node at the other end."""
        return self.ends[1] if node_id == self.ends[0] else self.ends[0]


@dataclass(frozen=True)
class Stand:
    """A set-up before it has an id: its works in their order, all done from one manhole."""

    pipe: Pipe
    place: Place
    works: tuple[Work, ...]
    need: Need
    work_s: int
    counter_node: str
    sleeves: tuple[Sleeve, ...] = ()
    doubts: tuple[str, ...] = ()


@dataclass
class Grouping:
    """What came of one pipe: set-ups, and for works that got none the reason."""

    stands: list[Stand] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)

    def refuse(self, works: Iterable[Work], reason: str) -> None:
        """Note why `works` get no set-up; the first reason stays."""
        for work in works:
            self.reasons.setdefault(work.work_id, reason)

    @property
    def taken(self) -> set[str]:
        """Give the ids of the works that have a set-up."""
        return {work.work_id for stand in self.stands for work in stand.works}


@dataclass(frozen=True)
class Rules:
    """What decides the grouping: crews, times, settings, hours of streets.

    `shift_s` is the longest set-up of several works that a shift holds [s]; `no_way` says
    why no packer comes to a sleeve from a manhole, by sleeve_id and node_id.
    """

    gear: Gear
    timer: Timer
    week: Week
    shift_s: int
    hours: StreetHours
    no_way: Mapping[tuple[str, str], str] = field(default_factory=dict)

    def window_s(self, pipe: Pipe, node_id: str, steps: Iterable[str]) -> int:
        """Give the longest that a set-up at a manhole may go on on any day [s]."""
        site = site_of("+".join(steps), (node_id, pipe.other(node_id)), pipe.area)
        reserve_s = self.week.reserve_s if "sleeve" in steps else 0
        return self.hours.longest_s(site) - reserve_s

    def longest_s(self, pipe: Pipe, node_id: str, steps: Iterable[str]) -> int:
        """Give the longest set-up of several works at a manhole [s]."""
        return min(self.window_s(pipe, node_id, steps), self.shift_s)

    def stay_s(self, works: Iterable[Work]) -> int:
        """Give the time on site for `works`, setting up and clearing included [s].

        With a second packer the next sleeve is made ready while one cures.
        """
        works = list(works)
        sets = [work for work in works if work.step == "sleeve"]
        steps = {work.step for work in works}
        packers = min(
            (self.gear.packer_sets(steps, self.timer.system_of(work)) for work in sets), default=1
        )
        saved_s = self.timer.saved_s(sets, packers)
        return self.week.setup_s + sum(self.timer.seconds(work)[0] for work in works) - saved_s

    def too_long(self, works: Sequence[Work], stay_s: int, at: tuple[Pipe, str]) -> str:
        """Say that a set-up takes longer than any day's window at a manhole; '' if it does not."""
        window_s = self.window_s(*at, [work.step for work in works])
        if stay_s <= window_s:
            return ""
        takes = f"takes {stay_s / 3600:.1f} h on site"
        return f"{takes}, the working window is {max(0, window_s) / 3600:.1f} h"

    def no_crew(self, step: str) -> str:
        """Say that no crew does a step; '' if one does."""
        return "" if any(step in one.steps for one in self.gear.crews) else f"no crew does {step}"


def cannot_stand(pipe: Pipe, node_id: str, place: Place | None, *, checking: bool = False) -> str:
    """Say why a crew cannot stand at a manhole; '' if it can.

    Parameters
    ----------
    pipe, node_id, place
        The pipe and one of its manholes.
    checking
        The work is the check of access itself.
    """
    if place is None:
        return f"there is no manhole {node_id}" if node_id else "an end of the pipe has no name"
    if not place.drawn:
        return f"{node_id} has no coordinates"
    if place.access in FREE_ACCESS or checking or pipe.access_checked:
        return ""
    return f"access of {node_id} is {place.access}: check it first"


def full_day(week: Week) -> int:
    """Give the sum of the shares of sleeves that fills a crew's day."""
    return week.cap_small_count * week.cap_large_count


def share_of(dn_mm: float, week: Week) -> int:
    """Give the share of a crew's day that one sleeve takes, in parts of `full_day`.

    Parameters
    ----------
    dn_mm
        Nominal size [mm].
    week
        Caps of small and large sleeves.

    References
    ----------
    US cost handbook 2022, 33 01 30.75 (prices.md 5): 3 a day up to 12 in, 2 above.
    """
    return week.cap_large_count if dn_mm <= SMALL_MM else week.cap_small_count


def worth(stand: Stand, value_of: Callable[[str], int]) -> int:
    """Give the crew time that a set-up is worth [s]: each sleeve counts, else its worst work.

    Parameters
    ----------
    stand
        The set-up.
    value_of
        Value of an urgency [s].
    """
    sets = [work for work in stand.works if work.step == "sleeve"]
    if sets:
        return sum(value_of(work.urgency) for work in sets)
    return value_of(worst(work.urgency for work in stand.works))


def worst(urgencies: Iterable[str]) -> str:
    """Give the most urgent of `urgencies`, '' for none."""
    return max(urgencies, key=URGENCY.index, default="")
