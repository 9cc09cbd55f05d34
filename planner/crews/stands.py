"""One pipe's works, grouped by what one crew does from one manhole in one go."""

from __future__ import annotations

from collections.abc import Sequence

from planner.contracts.repairs import STEPS
from planner.crews.access import FREE_ACCESS, Need, Place
from planner.crews.durations import MAIN, Work
from planner.crews.sleeve_stands import add_main
from planner.crews.standing import Grouping, Pipe, Rules, Stand, cannot_stand

# What a truck does on one pipe in one go; a check of access is another day's round.
CLEANING = (
    "clean",
    "cut_roots",
    "cut_intrusion",
    "descale",
    "clean_again",
    "prove_laterals",
    "look",
)
# What can be relied on to be done as planned: what follows may be planned behind it. A check of
# access, a look and the proving of laterals may end either way: what follows waits for the report.
CHAINED = ("clean", "cut_roots", "cut_intrusion", "descale", "clean_again", "grout", "dig")
SINGLE = ("check_access", "grout", "dig", "watch", "cut_out", "resurvey")


def group_pipe(pipe: Pipe, works: Sequence[Work], rules: Rules) -> Grouping:
    """Group the works of one pipe that can be done this week, one behind the other.

    Parameters
    ----------
    pipe
        The pipe.
    works
        All its works, done and to do.
    rules
        Crews, times, settings.

    Returns
    -------
    grouping
        Each work to do is in one set-up, or has a reason.
    """
    found = Grouping()
    for work in works:
        if work.held and not work.done:
            found.refuse([work], work.held)
    done = {work.work_id for work in works if work.done}
    have, grown = set(done), True
    while grown:
        taken = found.taken
        open_ = (w for w in works if not w.done and not w.held and w.work_id not in taken)
        todo = sorted(open_, key=_order)
        for work in todo:
            if work.step in SINGLE and work.after <= have:
                _add_single(pipe, work, rules, found)
        _add_cleaning(pipe, [work for work in todo if work.step in CLEANING], have, rules, found)
        add_main(pipe, [work for work in todo if work.step in MAIN], have, rules, found)
        planned = {w.work_id for s in found.stands for w in s.works if w.step in CHAINED}
        grown = not planned <= have
        have |= planned
    _say_waiting(works, done, found)
    return found


def _order(work: Work) -> tuple[int, float, str]:
    return STEPS.index(work.step), work.from_m, work.work_id


def _say_waiting(works: Sequence[Work], done: set[str], found: Grouping) -> None:
    """Name for each work without a set-up the works that must be done before it."""
    by_id = {work.work_id: work for work in works}
    taken = found.taken
    for work in works:
        if work.done or work.work_id in taken or work.work_id in found.reasons:
            continue
        ahead = _ahead(work, by_id, done, taken)
        names = sorted({one.step for one in ahead}, key=STEPS.index)
        names += sorted(work.after - by_id.keys())
        found.reasons[work.work_id] = f"waits for {', '.join(names)}"


def _ahead(work: Work, by_id: dict[str, Work], done: set[str], taken: set[str]) -> list[Work]:
    """Find what a work waits for.

    Within one visit that has no set-up it is what the visit's first work waits for.
    """
    direct = [by_id[one] for one in sorted(work.after - done) if one in by_id]
    outside = [
        one
        for one in direct
        if one.work_id in taken or one.step not in MAIN or work.step not in MAIN
    ]
    if outside:
        return outside
    deeper = [two for one in direct for two in _ahead(one, by_id, done, taken)]
    return deeper or direct


def _add_single(pipe: Pipe, work: Work, rules: Rules, found: Grouping) -> None:
    """Make a set-up of one work that stands by itself."""
    seconds, why = rules.timer.seconds(work)
    none = rules.no_crew(work.step) or why
    if none:
        found.refuse([work], none)
        return
    places, stay_s = pipe.manholes, rules.stay_s([work])
    if work.step == "check_access":
        # A lid is looked at, nothing is set up; a manhole known to be open asks for no stop.
        places = [one for one in places if one[1] and one[1].access not in FREE_ACCESS] or places
        stay_s = seconds * len(places)
    _stand_somewhere(pipe, (work,), places, stay_s, (rules, found))


def _stand_somewhere(
    pipe: Pipe,
    works: tuple[Work, ...],
    places: list[tuple[str, Place | None]],
    stay_s: int,
    to: tuple[Rules, Grouping],
) -> None:
    """Stand at the first of `places` that serves; refuse the works with each place's reason."""
    rules, found = to
    checking = works[0].step == "check_access"
    steps = tuple(dict.fromkeys(work.step for work in works))
    reasons = []
    for node_id, place in places:
        need = Need(steps, reach_m=0.0 if checking else pipe.reach_m(node_id, works))
        why = cannot_stand(pipe, node_id, place, checking=checking)
        why = why or rules.too_long(works, stay_s, (pipe, node_id))
        if place is not None and not why:
            why = rules.gear.why_none(need, place)
            if not why:
                found.stands.append(Stand(pipe, place, works, need, stay_s, node_id))
                return
        reasons.append(why)
    found.refuse(works, "; ".join(dict.fromkeys(why for why in reasons if why)))


def _add_cleaning(
    pipe: Pipe, works: list[Work], done: set[str], rules: Rules, found: Grouping
) -> None:
    """Group what one truck does in one go, the longest row first, until nothing is ready."""
    left = works
    while row := _longest_row(left, done, rules):
        while len(row) > 1 and rules.stay_s(row) > _longest_s(pipe, row, rules):
            row = row[:-1]
        left = [work for work in left if work not in row]
        # A jet works its way up the pipe: the lower manhole first (common practice, no source).
        places = pipe.manholes[::-1]
        _stand_somewhere(pipe, tuple(row), places, rules.stay_s(row), (rules, found))
    for work in left:
        if work.after <= done:
            found.refuse([work], rules.no_crew(work.step))


def _longest_s(pipe: Pipe, row: list[Work], rules: Rules) -> int:
    steps = [work.step for work in row]
    return max(rules.longest_s(pipe, node_id, steps) for node_id in pipe.ends)


def _longest_row(works: list[Work], done: set[str], rules: Rules) -> list[Work]:
    """Take the most works that one crew can do one after the other, each of them ready."""
    best: list[Work] = []
    for crew in rules.gear.crews:
        have, row = set(done), []
        for work in works:
            if work.step in crew.steps and work.after <= have:
                row.append(work)
                have.add(work.work_id)
        if len(row) > len(best):
            best = row
    return best
