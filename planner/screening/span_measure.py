"""What the rows of each place come to, and what conditions lend to the damage in them, compiled.

A figure is an interval: the worst that its rows can mean. Where one of them is unknown the
upper end is open, for it may be the worst.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from planner.screening import bands, rule_kernel, span_kernel
from planner.screening.bands import compiled, nth, part
from planner.screening.rule_kernel import lowest
from planner.screening.span_kernel import (
    ASSUMED,
    BITS,
    CODED,
    DEPOSIT,
    LATERAL,
    QUANTITY,
    ROOTS,
    SAME_M,
    SHIFT,
    SOIL,
    VOID,
    Codes,
    Found,
    Groups,
    Means,
    Measured,
    Numbers,
    Rows,
    Told,
)

_SEEN = SOIL | VOID | LATERAL
# Any odd number with bits all over: sets that differ in few bits fall far apart.
_MIX, _FOLD = 0x5851F42D4C957F2D, 29


class Sets(NamedTuple):
    """Unlike sets of words: those of set n stand bit by bit in column n of `unlike`.

    Set 0 is empty; `found` tells how many there are. `slots`, -1 where free, are twice as many
    as there is room for sets, a power of two.
    """

    slots: Codes
    unlike: Means
    found: Means


class Figures(NamedTuple):
    """The figures of places, one after the other: those of figure f from ``start[f]`` on.

    They end at ``stop[f]``, with room up to ``start[f + 1]``; `ends` has least and most.
    """

    start: Means
    stop: Means
    place: Codes
    ends: Numbers


class Scratch(NamedTuple):
    """Room for the places of a pipe, a column for each: as many as the longest has rows.

    `own` to `deposit` are sets of words, bit by bit; `has` tells which figures a place has.
    `most` is infinite where a figure is unknown, and below 0 where there is none.
    """

    own: Means
    lent: Means
    roots: Means
    deposit: Means
    has: Means
    least: Numbers
    most: Numbers


class Said(NamedTuple):
    """What is written of places: all but figures, these, and what sets their words come to."""

    measured: Measured
    figures: Figures
    mechanisms: Sets
    details: Sets


class Weighed(NamedTuple):
    """Rows and the places they share, room for those of a pipe, and what is said of all."""

    rows: Rows
    groups: Groups
    found: Found
    room: Scratch
    told: Said


class Pairs(NamedTuple):
    """Places that a condition, or what comes back at every joint, lends its rows to."""

    taker: Means
    giver: Means


@part
def _meaning(told: Told, i: int) -> int:
    return int(told.means[nth(told.codes[i])])


@part
def _add(sets: Means, q: int, bit: int) -> None:
    sets[nth(bit >> SHIFT), q] |= 1 << (bit & (BITS - 1))


@part
def _larger(one: float, other: float) -> float:
    """Give the larger of two figures, or the one that is known."""
    return one if one >= other or np.isnan(other) else other


@part
def _number(sets: Sets, rows: Means, p: int) -> int:
    """Give a set its number, like ones the same, as they first appear; -1 = there is no room."""
    mixed, some = 0, 0
    for row in range(len(rows)):
        some |= rows[row, p]
        mixed = (mixed ^ rows[row, p]) * _MIX
        mixed ^= mixed >> _FOLD
    if some == 0:
        return 0
    last = len(sets.slots) - 1
    slot = mixed & last
    while sets.slots[nth(slot)] >= 0:
        same, number = True, sets.slots[nth(slot)]
        for row in range(len(rows)):
            same &= sets.unlike[row, nth(number)] == rows[row, p]
        if same:
            return int(number)
        slot = (slot + 1) & last
    number = sets.found[0]
    if number == sets.unlike.shape[1]:
        return -1
    sets.slots[slot], sets.found[0] = number, number + 1
    for row in range(len(rows)):
        sets.unlike[row, number] = rows[row, p]
    return int(number)


@part
def _start(rows: Rows, i: int, q: int, p: int, task: Weighed) -> None:
    """Write of a place what its first row says, one of its own."""
    out, room = task.told.measured, task.room
    out.group[q], out.node[q] = rows.group[i], rows.node[i]
    out.day[q], out.kind[q] = _meaning(rows.day, i), _meaning(rows.kind, i)
    out.arc_h[q], out.find_m[q] = rows.arc_h[i], rows.find_m[i]
    out.joint[q], out.no_joint[q] = rows.joint[i], rows.no_joint[i]
    out.seen[q], room.has[p] = 0, 0
    for word in range(len(room.own)):
        room.own[word, p] = room.lent[word, p] = 0
    for word in range(len(room.roots)):
        room.roots[word, p] = room.deposit[word, p] = 0
    _add(room.own, p, _meaning(rows.mechanism, i))


@part
def _add_own(rows: Rows, i: int, q: int, p: int, task: Weighed) -> None:
    """Add what a place has from another row of its own, not from flags."""
    out = task.told.measured
    out.day[q] = min(out.day[q], _meaning(rows.day, i))
    out.kind[q] |= _meaning(rows.kind, i)
    out.arc_h[q] = _larger(out.arc_h[q], rows.arc_h[i])
    out.find_m[q] = _larger(out.find_m[q], rows.find_m[i])
    out.joint[q] |= rows.joint[i]
    out.no_joint[q] &= rows.no_joint[i]
    _add(task.room.own, p, _meaning(rows.mechanism, i))


@part
def _add_figure(room: Scratch, f: int, p: int, least: float, most: float) -> None:
    """Add a figure to a place, where the largest counts."""
    k = nth(f)
    if room.has[p] >> f & 1:
        room.least[k, p] = _larger(room.least[k, p], least)
        room.most[k, p] = max(room.most[k, p], most)
    else:
        room.has[p] |= 1 << f
        room.least[k, p], room.most[k, p] = least, max(-1.0, most)


@part
def _add_said(rows: Rows, i: int, q: int, p: int, task: Weighed) -> None:
    """Add what a row says, be it the place's own or a flag."""
    out, room, trait = task.told.measured, task.room, _meaning(rows.trait, i)
    out.seen[q] |= (trait | _meaning(rows.shows, i)) & _SEEN
    if trait & ROOTS:
        _add(room.roots, p, _meaning(rows.detail, i))
    if trait & DEPOSIT:
        _add(room.deposit, p, _meaning(rows.detail, i))
    f = _meaning(rows.figure, i)
    if f >= 0:
        high = rows.high[i]
        _add_figure(room, f, p, rows.low[i], np.inf if np.isnan(high) else high)


@part
def _extent(rows: Rows, found: Found, joint: int, start: int, stop: int, q: int) -> int:
    """Say what the two ends of a place rest on: the least certain of both."""
    first = nth(found.row[nth(start)])
    if stop == start + 1 and _meaning(rows.extent, first) != ASSUMED:
        return _meaning(rows.extent, first)
    low, high, measured, unsure = np.inf, -np.inf, False, False
    for m in range(start, stop):
        i = nth(found.row[nth(m)])
        rests_on = _meaning(rows.extent, i)
        if m >= found.own[q]:  # a flag adds its station only
            low, high = min(low, rows.x_from_m[i]), max(high, rows.x_to_m[i])
        elif rests_on == ASSUMED:
            unsure = True
            low, high = min(low, rows.x_from_m[i]), max(high, rows.x_to_m[i])
        else:
            measured |= rests_on == QUANTITY
            low, high = min(low, rows.from_m[i]), max(high, rows.to_m[i])
    assumed = found.from_m[q] < low - SAME_M or found.to_m[q] > high + SAME_M
    if assumed or (unsure and rows.group[first] == joint):
        return ASSUMED
    return QUANTITY if measured else CODED


@part
def _gives(groups: Groups, group: int) -> bool:
    """Tell whether places of a group lend what they have: conditions, and what recurs."""
    return bool(groups.again[nth(group)] or not groups.takes[nth(group)])


@part
def _meet(found: Found, one: int, other: int) -> bool:
    """Tell whether two places of a pipe touch."""
    if found.from_m[other] > found.to_m[one] + SAME_M:
        return False
    return bool(found.to_m[other] >= found.from_m[one] - SAME_M)


@part
def _lends(groups: Groups, found: Found, out: Measured, one: int, other: int) -> bool:
    """Tell whether a place lends (`other`) to a damage that lies in it (`one`)."""
    both = groups.again[out.group[one]] and groups.again[out.group[other]]
    return _gives(groups, out.group[other]) and not both and _meet(found, one, other)


@part
def _rounds(groups: Groups, out: Measured, first: int, after: int) -> int:
    """Tell how often a pipe's places borrow: never where none lends, twice where it recurs."""
    rounds = 0
    for q in range(first, after):
        group = nth(out.group[nth(q)])
        if groups.again[group]:
            return 2
        rounds |= not groups.takes[group]
    return rounds


@part
def _borrow(room: Scratch, one: int, other: int) -> None:
    """Add to a place what another has of its own."""
    for word in range(len(room.own)):
        room.lent[word, one] |= room.own[word, other]
    for word in range(len(room.roots)):
        room.roots[word, one] |= room.roots[word, other]
        room.deposit[word, one] |= room.deposit[word, other]
    for f in range(len(room.least)):
        if room.has[other] >> f & 1:
            _add_figure(room, f, one, room.least[f, other], room.most[f, other])


@part
def _lend(task: Weighed, first: int, after: int) -> int:
    """Let the places of a pipe lend to the damage in them; give how many pairs do.

    What comes back at every joint borrows last: it lends what its own rows say.
    """
    groups, out, pairs = task.groups, task.told.measured, 0
    for again in range(_rounds(groups, out, first, after)):
        for giver in range(first, after):
            other = nth(giver)
            group = nth(out.group[other])
            if not _gives(groups, group) or (again == 1 and groups.again[group]):
                continue
            for taker in range(first, after):
                one = nth(taker)
                mine = nth(out.group[one])
                takes = groups.takes[mine] and groups.again[mine] == again
                if takes and _meet(task.found, one, other):
                    _borrow(task.room, nth(taker - first), nth(giver - first))
                    pairs += 1
    return pairs


@part
def _put(task: Weighed, q: int, p: int) -> bool:
    """Write what was gathered of a place; False where there is no room for it.

    Left open is what no row has a figure of, and what may be the worst.
    """
    told, room, out, figures = task.told, task.room, task.told.measured, task.told.figures
    out.own[q] = _number(told.mechanisms, room.own, p)
    out.lent[q] = _number(told.mechanisms, room.lent, p)
    out.roots[q] = _number(told.details, room.roots, p)
    out.deposit[q] = _number(told.details, room.deposit, p)
    fits = bool(out.own[q] >= 0 and out.lent[q] >= 0 and out.roots[q] >= 0 and out.deposit[q] >= 0)
    has = np.uint64(room.has[p])
    while has:
        f = lowest(has)
        has &= has - np.uint64(1)
        n, most = figures.stop[f], room.most[f, p]
        if n == figures.start[f + np.uint64(1)]:
            return False
        figures.place[nth(n)], figures.stop[f] = q, n + 1
        figures.ends[0, nth(n)] = room.least[f, p]
        figures.ends[1, nth(n)] = most if 0.0 <= most < np.inf else np.nan
    return fits


def _weigh_of(parts: int) -> Callable[[Weighed], int]:
    """Give the walk; `parts` tells what is kept of it on disk from that of another kernel."""

    @compiled
    def weigh(task: Weighed) -> int:
        """Say of each place what its own rows and its flags come to, and what is lent to it.

        Gives how many pairs of places lend and take; -1 where there was too little room.
        """
        rows, found, pairs = task.rows, task.found, 0
        for pipe in range(len(found.of_pipe) - 1 if parts >= 0 else 0):
            first, after = found.of_pipe[pipe], found.of_pipe[pipe + 1]
            for place in range(first, after):
                q, p = nth(place), nth(place - first)
                start, stop = found.start[q], found.start[nth(place + 1)]
                for m in range(start, stop):
                    i = nth(found.row[nth(m)])
                    if m == start:
                        _start(rows, i, q, p, task)
                    elif m < found.own[q]:
                        _add_own(rows, i, q, p, task)
                    _add_said(rows, i, q, p, task)
                task.told.measured.extent[q] = _extent(
                    rows, found, task.groups.joint, start, stop, q
                )
            pairs += _lend(task, first, after)
            for place in range(first, after):
                if not _put(task, nth(place), nth(place - first)):
                    return -1
        return pairs

    return weigh


def _list_of(parts: int) -> Callable[[Groups, Found, Measured, Pairs], None]:
    @compiled
    def list_pairs(groups: Groups, found: Found, out: Measured, pairs: Pairs) -> None:
        """List who lends to whom, as `lend` counted them."""
        count = 0
        for pipe in range(len(found.of_pipe) - 1 if parts >= 0 else 0):
            first, after = found.of_pipe[pipe], found.of_pipe[pipe + 1]
            for one in range(first, after):
                for other in range(first if groups.takes[out.group[one]] else after, after):
                    if _lends(groups, found, out, one, other):
                        pairs.taker[count], pairs.giver[count] = one, other
                        count += 1

    return list_pairs


_MADE_OF = (bands, span_kernel, rule_kernel)
_PARTS = zlib.crc32(b"".join(Path(str(one.__file__)).read_bytes() for one in _MADE_OF))
weigh, list_pairs = _weigh_of(_PARTS), _list_of(_PARTS)
