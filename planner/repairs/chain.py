"""Which works a method takes on one pipe, in which order.

`works` gives these steps ids and says which are done; `jobs` and `option_steps` say the same
of all ways of all pipes at once, and `options` prices them. A change here is a change there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from planner.contracts.repairs import STEPS, WAYS
from planner.contracts.verdicts import URGENCY

CUTS = ("cut_roots", "cut_intrusion", "descale")
# Of the works that a rule asks for first, those done at the span alone.
AT_SPAN = (*CUTS, "grout")
# Steps that make a pipe ready; whatever goes into the ground comes after all of them.
PREPARE = ("check_access", "clean", *CUTS, "clean_again", "prove_laterals", "look", "grout", "dig")
# Ways with a full liner in them.
LINED = ("liner", "sleeve_liner", "dig_liner")


class Spot(NamedTuple):
    """One span with what the rules, or a person, say of it; from_m and to_m in [m]."""

    span_id: str
    from_m: float
    to_m: float
    needs: str
    urgency: str
    sleeve: str
    liner: str
    dig: str
    verdict: str
    first: tuple[str, ...]


class Piece(NamedTuple):
    """One sleeve of a pipe: place [m], what it serves, covers and seals, its cost [cents]."""

    sleeve_id: str
    from_m: float
    to_m: float
    dn_mm: float
    system: str
    laterals_unknown: bool
    cost_cents: int | None
    spans: frozenset[str]
    laterals: int
    wall_ends: int = 0


@dataclass(frozen=True)
class Job:
    """All that decides the works on one pipe; length_m in [m], dn_mm in [mm]."""

    pipe_id: str
    length_m: float
    dn_mm: float
    spots: tuple[Spot, ...]
    pieces: tuple[Piece, ...]
    live_laterals: int = 0
    laterals_known: bool = True

    @cached_property
    def mend(self) -> tuple[Spot, ...]:
        """Give the spans that must be mended."""
        return tuple(spot for spot in self.spots if spot.needs == "mend")

    @cached_property
    def upkeep(self) -> tuple[Spot, ...]:
        """Give the spans that must be maintained."""
        return tuple(spot for spot in self.spots if spot.needs == "maintain")

    @cached_property
    def urgency(self) -> str:
        """Give the worst urgency of what is mended or maintained."""
        return worst(spot.urgency for spot in (*self.mend, *self.upkeep))

    def kept(self, method: str) -> tuple[Piece, ...]:
        """Give the sleeves that are set under `method`: before a liner those it cannot do without.

        They lie where placement put them for a pipe that is only sleeved.
        """
        if method == "sleeve":
            return self.pieces
        if method != "sleeve_liner" or not self.pieces:
            return ()
        left = {spot.span_id for spot in self.mend if spot.liner != "open"}
        return tuple(piece for piece in self.pieces if not piece.spans.isdisjoint(left))

    def dug(self, method: str) -> tuple[Spot, ...]:
        """Give the spans that are dug up under `method`: all, or those it cannot serve.

        A liner alone stands without a dig: with one it is a way of its own.
        """
        if method == "dig":
            return self.mend
        if method == "liner" or method not in WAYS:
            return ()
        return tuple(spot for spot in self._beyond(method) if spot.dig == "open")

    def unserved(self, method: str) -> tuple[Spot, ...]:
        """Give the spans that neither `method` nor a dig beside it mends."""
        left = self.mend if method == "dig" else self._beyond(method)
        return tuple(spot for spot in left if method == "liner" or spot.dig != "open")

    def _beyond(self, method: str) -> list[Spot]:
        """Give the spans to mend that neither the sleeves nor the liner of `method` serve."""
        lined = method in LINED
        sleeved = {span_id for piece in self.kept(method) for span_id in piece.spans}
        return [
            spot
            for spot in self.mend
            if spot.span_id not in sleeved and not (lined and spot.liner == "open")
        ]


class Step(NamedTuple):
    """One work before it has an id: where [m], how urgent, for which sleeve, why.

    `upkeep` work serves the pipe itself: setting a sleeve elsewhere does not settle it.
    """

    step: str
    from_m: float
    to_m: float
    urgency: str
    reason: str
    sleeve_id: str = ""
    upkeep: bool = False


def worst(urgencies: Iterable[str]) -> str:
    """Give the most urgent of `urgencies`, '' for none."""
    return max(urgencies, key=URGENCY.index, default="")


def steps_of(job: Job, method: str) -> list[Step]:
    """List the works of `method` on one pipe, in the order of `STEPS` and of place.

    Spans that the method cannot serve are dug up first. What a pipe needs besides
    (roots to cut at a lateral, a place to watch) is done along with it.

    Parameters
    ----------
    job
        The pipe.
    method
        One of `WAYS`, maintain or watch; any other takes no work.

    Returns
    -------
    steps
        Deterministic, without ids.
    """
    if method not in (*WAYS, "maintain", "watch"):
        return []
    steps = _watches(job) + _prepared(job, method) + [_dig(spot) for spot in job.dug(method)]
    steps += [step for piece in job.kept(method) for step in _sleeve(job, piece)]
    if method in LINED:
        steps += _liner(job)
    return _once(steps)


def _once(steps: list[Step]) -> list[Step]:
    """Sort `steps` and keep one of those that are one work: two spans may lie at one place."""
    kept: list[Step] = []
    last = None
    for one in sorted(steps, key=_place):
        work = (one.step, one.from_m, one.to_m, one.sleeve_id)
        if work == last:
            first = kept[-1]
            urgency = worst((first.urgency, one.urgency))
            kept[-1] = first._replace(urgency=urgency, upkeep=first.upkeep or one.upkeep)
        else:
            kept.append(one)
        last = work
    return kept


_ORDER = {step: at for at, step in enumerate(STEPS)}


def _place(one: Step) -> tuple[int, float, float, str, str]:
    return (_ORDER[one.step], one.from_m, one.to_m, one.sleeve_id, one.reason)


def _watches(job: Job) -> list[Step]:
    return [
        Step("watch", spot.from_m, spot.to_m, spot.urgency, f"{spot.span_id} is to be watched")
        for spot in job.spots
        if spot.needs == "watch"
    ]


def _dig(spot: Spot) -> Step:
    return Step("dig", spot.from_m, spot.to_m, spot.urgency, f"mends {spot.span_id}")


def _prepared(job: Job, method: str) -> list[Step]:
    """List access, cleaning, cutting, looking and grouting before `method`."""
    dug = {spot.span_id for spot in job.dug(method)}
    served = [spot for spot in job.mend if spot.span_id not in dug]
    upkeep, urgency = job.upkeep, job.urgency
    steps: list[Step] = []

    def whole(step: str, reason: str) -> None:
        steps.append(Step(step, 0.0, job.length_m, urgency, reason))

    if upkeep or job.mend:
        whole("check_access", f"before any work of '{method}'")
    if not served and not upkeep:
        return steps
    whole("clean", f"before any work of '{method}'" if served else _names("maintains", upkeep))
    asked = {step for spot in (*served, *upkeep) for step in spot.first}
    for spot in (*served, *upkeep):
        steps += [_first(step, spot) for step in spot.first if step in AT_SPAN]
    if not asked.isdisjoint(CUTS):
        whole("clean_again", "after cutting")
    if "prove_laterals" in asked or (served and _laterals_doubtful(job, method)):
        whole("prove_laterals", "laterals are not known where it goes")
    if served or "look" in asked:
        whole("look", f"frees or stops '{method}' after cleaning")
    return steps


def _first(step: str, spot: Spot) -> Step:
    """Give what is done at one span before it is mended, or to maintain it."""
    upkeep = spot.needs != "mend"
    reason = f"maintains {spot.span_id}" if upkeep else f"before {spot.span_id} is mended"
    return Step(step, spot.from_m, spot.to_m, spot.urgency, reason, upkeep=upkeep)


def _names(what: str, spots: Sequence[Spot]) -> str:
    return f"{what} " + ", ".join(spot.span_id for spot in spots)


def _laterals_doubtful(job: Job, method: str) -> bool:
    if method in LINED:
        return not job.laterals_known
    return any(piece.laterals_unknown for piece in job.kept(method))


def _sleeve(job: Job, piece: Piece) -> list[Step]:
    served = [spot for spot in job.mend if spot.span_id in piece.spans]
    urgency, own = worst(spot.urgency for spot in served), piece.sleeve_id
    done = [
        ("flow_control", f"while {own} cures"),
        ("sleeve", _names("mends", served)),
        ("verify", f"films {own}"),
    ]
    if piece.laterals:
        done.append(("reopen", f"{piece.laterals} laterals under {own}"))
    return [Step(step, piece.from_m, piece.to_m, urgency, why, own) for step, why in done]


def _liner(job: Job) -> list[Step]:
    urgency = worst(spot.urgency for spot in job.mend)
    served = [spot for spot in job.mend if spot.liner == "open"]
    done = [
        ("flow_control", "while the liner cures"),
        ("liner", _names("mends", served)),
        ("verify", "films the liner"),
    ]
    if job.live_laterals:
        done.append(("reopen", f"{job.live_laterals} laterals under it"))
    return [Step(step, 0.0, job.length_m, urgency, why) for step, why in done]


def after(steps: list[Step]) -> list[tuple[int, int]]:
    """Say which of one pipe's `steps` must wait for which: pairs of positions (later, earlier).

    What goes into the ground waits for every step that makes the pipe ready, not only
    for the last of them: a cleaning that is no longer good must hold it up as well. A
    liner waits for the sleeves under it, each filmed and its laterals open.
    """
    pairs = set()
    for later, one in enumerate(steps):
        for earlier, other in enumerate(steps):
            direct = other.step in _direct(one.step) and _together(one, other)
            if direct or _under(other, one):
                pairs.add((later, earlier))
    return sorted(pairs)


def _direct(step: str) -> tuple[str, ...]:
    """Give the steps that must be done before `step`."""
    if step in CUTS:
        return ("clean",)
    return {
        "clean": ("check_access",),
        "clean_again": ("clean", *CUTS),
        "prove_laterals": ("clean", "clean_again"),
        "look": ("clean", *CUTS, "clean_again"),
        "grout": ("look",),
        "dig": ("check_access",),
        "flow_control": PREPARE,
        "sleeve": ("flow_control",),
        "reopen": ("sleeve", "liner"),
        "verify": ("sleeve", "liner", "reopen"),
        "liner": ("flow_control",),
    }.get(step, ())


_SET = ("sleeve", "reopen", "verify")


def _together(one: Step, other: Step) -> bool:
    """Hold steps of one sleeve together, and those of the liner; what prepares goes with each."""
    return other.step in PREPARE or one.sleeve_id == other.sleeve_id


def _under(sleeved: Step, lined: Step) -> bool:
    """Say whether one is of a sleeve and the other begins the liner over it."""
    starts = lined.step == "flow_control" and not lined.sleeve_id
    return starts and bool(sleeved.sleeve_id) and sleeved.step in _SET
