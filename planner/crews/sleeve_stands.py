"""What goes into the ground: each sleeve whole in one visit, several from one manhole."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from planner.contracts.repairs import STEPS
from planner.crews.access import Need, Place, doubts_of
from planner.crews.durations import Sleeve, Work
from planner.crews.standing import (
    Grouping,
    Pipe,
    Rules,
    Stand,
    cannot_stand,
    full_day,
    share_of,
)

Unit = tuple[Work, ...]


def add_main(pipe: Pipe, works: list[Work], done: set[str], rules: Rules, found: Grouping) -> None:
    """Group flow control, sleeve, reopening and film of one pipe into set-ups.

    Parameters
    ----------
    pipe
        The pipe.
    works
        Its works out of `MAIN` that are to be done, in the order of steps.
    done
        Ids of the works that are done.
    rules
        Crews, times, settings.
    found
        Takes set-ups and reasons.
    """
    units: list[Unit] = []
    for sleeve_id in sorted({work.sleeve_id for work in works}):
        unit = tuple(work for work in works if work.sleeve_id == sleeve_id)
        if not _ready(unit, done):
            continue
        unit = _without_film(unit, rules)
        why = _against(unit, rules)
        if why:
            found.refuse(unit, why)
        else:
            units.append(unit)
    while units:
        units = _stand_with_most(pipe, units, rules, found)


def _ready(works: Unit, done: set[str]) -> bool:
    """Say whether each work waits only for what is done or comes earlier in the same row."""
    have = set(done)
    for work in works:
        if not work.after <= have:
            return False
        have.add(work.work_id)
    return True


def _without_film(unit: Unit, rules: Rules) -> Unit:
    """Leave the film to another crew and day where no crew does it with the rest."""
    rest = tuple(work for work in unit if work.step != "verify")
    whole = any(set(_steps(unit)) <= crew.steps for crew in rules.gear.crews)
    return unit if whole or not rest else rest


def _steps(works: Iterable[Work]) -> tuple[str, ...]:
    return tuple(sorted({work.step for work in works}, key=STEPS.index))


def _against(unit: Unit, rules: Rules) -> str:
    """Say why one sleeve can be set from no manhole on any day; '' if nothing is known."""
    for work in unit:
        why = rules.timer.seconds(work)[1]
        if why:
            return rules.no_crew(work.step) or why
    for work in unit:
        shut_s, most_s = rules.timer.shut_s(work), rules.week.outage_s
        if work.step == "sleeve" and shut_s > most_s:
            shut = f"connections would be shut for {shut_s / 3600:.1f} h"
            return f"{shut}, allowed are {most_s / 3600:.1f} h"
    return ""


@dataclass(frozen=True)
class _End:
    """One end of the pipe with what stands against each unit there."""

    side: int
    node_id: str
    place: Place | None
    against: list[str]


def _stand_with_most(pipe: Pipe, units: list[Unit], rules: Rules, found: Grouping) -> list[Unit]:
    """Make one set-up at the manhole that serves most sleeves; give what is left to group."""
    ends = [_end(pipe, side, units, rules) for side in (0, 1)]
    kept = []
    for n, unit in enumerate(units):
        reasons = [end.against[n] for end in ends]
        if all(reasons):
            found.refuse(unit, "; ".join(dict.fromkeys(reasons)))
        else:
            kept.append(n)
    if not kept:
        return []
    here = {end.side: [units[n] for n in kept if not end.against[n]] for end in ends}
    end = min(ends, key=lambda one: _rank(pipe, one, here[one.side], rules))
    group = _fill(pipe, end, here[end.side], rules)
    found.stands.append(_stand_of(pipe, end, group, rules))
    return [units[n] for n in kept if units[n] not in group]


def _end(pipe: Pipe, side: int, units: list[Unit], rules: Rules) -> _End:
    node_id, place = pipe.manholes[side]
    why = cannot_stand(pipe, node_id, place)
    if why or place is None:
        return _End(side, node_id, place, [why] * len(units))
    needs = [_need_of(pipe, node_id, [unit], rules) for unit in units]
    against = [
        rules.too_long(unit, rules.stay_s(unit), (pipe, node_id))
        or _no_way(unit, node_id, rules)
        or rules.gear.why_none(need, place)
        for unit, need in zip(units, needs, strict=True)
    ]
    return _End(side, node_id, place, against)


def _no_way(unit: Unit, node_id: str, rules: Rules) -> str:
    """Say why no packer comes from a manhole to a sleeve that is to be set; '' if one may."""
    sleeves = _carried([unit], rules)
    return "; ".join(filter(None, (rules.no_way.get((s.sleeve_id, node_id)) for s in sleeves)))


def _rank(pipe: Pipe, end: _End, units: list[Unit], rules: Rules) -> tuple[int, int, float, int]:
    """Rank a manhole: most sleeves, then where the counter starts, then the shorter way."""
    starts = [_counter(unit, rules) == end.node_id for unit in units]
    ways = sum(pipe.reach_m(end.node_id, unit) for unit in units)
    return -len(units), -sum(starts), ways, end.side


def _counter(unit: Unit, rules: Rules) -> str:
    sleeves = _sleeves([unit], rules)
    return sleeves[0].counter_node if sleeves else ""


def _sleeves(units: Iterable[Unit], rules: Rules) -> list[Sleeve]:
    """Give the sleeves that `units` are about; one already set is no longer carried."""
    known = rules.timer.sleeves
    ids = dict.fromkeys(work.sleeve_id for unit in units for work in unit)
    return [known[one] for one in ids if one in known]


def _carried(units: Iterable[Unit], rules: Rules) -> list[Sleeve]:
    """Give the sleeves that are set in `units`, not only reopened or filmed."""
    sets = [unit for unit in units if any(work.step == "sleeve" for work in unit)]
    return _sleeves(sets, rules)


def _need_of(pipe: Pipe, node_id: str, units: Sequence[Unit], rules: Rules) -> Need:
    """Say what setting the sleeves of `units` from one manhole asks of a crew."""
    works = [work for unit in units for work in unit]
    reach = pipe.reach_m(node_id, works)
    sleeves = _carried(units, rules)
    if not sleeves:
        return Need(_steps(works), reach_m=reach)
    return Need(
        _steps(works),
        sleeves[0].system,
        sleeves[0].dn_mm,
        max(sleeve.length_m for sleeve in sleeves),
        reach,
        len(sleeves),
        sum(sleeve.resin_g or 0 for sleeve in sleeves),
    )


def _fill(pipe: Pipe, end: _End, units: list[Unit], rules: Rules) -> list[Unit]:
    """Take sleeves into one set-up while a crew, a day and the day's cap still hold them.

    The farthest goes in first: no packer is drawn past a fresh sleeve (common practice,
    no source).
    """
    order = sorted(units, key=lambda unit: (-pipe.reach_m(end.node_id, unit), unit[0].work_id))
    group = [order[0]]
    for unit in order[1:]:
        wider = [*group, unit]
        if _one_kind(wider, rules) and _holds(pipe, end, wider, rules):
            group = wider
    return group


def _one_kind(units: list[Unit], rules: Rules) -> bool:
    return len({(one.system, one.dn_mm) for one in _carried(units, rules)}) <= 1


def _holds(pipe: Pipe, end: _End, units: list[Unit], rules: Rules) -> bool:
    """Say whether one crew can do all of `units` in one set-up of one day."""
    works = [work for unit in units for work in unit]
    shares = sum(share_of(sleeve.dn_mm, rules.week) for sleeve in _carried(units, rules))
    longest_s = rules.longest_s(pipe, end.node_id, _steps(works))
    if rules.stay_s(works) > longest_s or shares > full_day(rules.week):
        return False
    need = _need_of(pipe, end.node_id, units, rules)
    return end.place is not None and not rules.gear.why_none(need, end.place)


def _stand_of(pipe: Pipe, end: _End, group: list[Unit], rules: Rules) -> Stand:
    place = end.place
    if place is None:
        message = f"a set-up of {pipe.pipe_id} stands at a manhole that is not there"
        raise AssertionError(message)
    works = tuple(work for unit in group for work in unit)
    sleeves = tuple(_carried(group, rules))
    need = _need_of(pipe, end.node_id, group, rules)
    doubts = doubts_of(need, place)
    doubts += [f"resin of {one.sleeve_id} not known" for one in sleeves if one.resin_g is None]
    counter = _counter(group[0], rules) or end.node_id
    return Stand(pipe, place, works, need, rules.stay_s(works), counter, sleeves, tuple(doubts))
