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

from planner.screening import span_kernel
from planner.screening.bands import compiled, part
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
    Marks,
    Means,
    Measured,
    Numbers,
    Rows,
    Told,
)

_SEEN = SOIL | VOID | LATERAL
# Any odd number with bits all over: sets that differ in few bits fall far apart.
_MIX, _FOLD = 0x5851F42D4C957F2D, 29


class Pairs(NamedTuple):
    """Places that a condition, or what comes back at every joint, lends its rows to."""

    taker: Means
    giver: Means


class Known(NamedTuple):
    """Of each pipe its length, and from where to where its connections are known [m]."""

    length_m: Numbers
    from_m: Numbers
    to_m: Numbers


class Taps(NamedTuple):
    """Connections by the number of their pipe, from edge to edge [m]."""

    pipe: Means
    from_m: Numbers
    to_m: Numbers


@part
def _meaning(told: Told, i: int) -> int:
    return int(told.means[told.codes[i]])


@part
def _add(sets: Means, q: int, bit: int) -> None:
    sets[bit >> SHIFT, q] |= 1 << (bit & (BITS - 1))


@part
def _raise(figures: Numbers, q: int, value: float) -> None:
    """Take the larger of two figures, or the one that is known."""
    if not figures[q] >= value and not np.isnan(value):
        figures[q] = value


@part
def _same_set(sets: Means, one: int, other: int) -> bool:
    same = True
    for row in range(len(sets)):
        same &= sets[row, one] == sets[row, other]
    return same


@part
def _start(rows: Rows, i: int, q: int, out: Measured) -> None:
    """Write of a place what its first row says."""
    out.group[q], out.node[q] = rows.group[i], rows.node[i]
    out.day[q] = _meaning(rows.day, i)
    out.kind[q] = out.seen[q] = 0
    out.arc_h[q], out.find_m[q] = rows.arc_h[i], rows.find_m[i]
    out.joint[q], out.no_joint[q] = False, True


@part
def _add_own(rows: Rows, i: int, q: int, out: Measured) -> None:
    """Add what a place has from its own rows alone, not from flags."""
    out.day[q] = min(out.day[q], _meaning(rows.day, i))
    out.kind[q] |= _meaning(rows.kind, i)
    _raise(out.arc_h, q, rows.arc_h[i])
    _raise(out.find_m, q, rows.find_m[i])
    out.joint[q] |= rows.joint[i]
    out.no_joint[q] &= rows.no_joint[i]
    _add(out.own, q, _meaning(rows.mechanism, i))


@part
def _add_said(rows: Rows, i: int, q: int, out: Measured) -> None:
    """Add what a row says, be it the place's own or a flag."""
    trait = _meaning(rows.trait, i)
    out.seen[q] |= (trait | _meaning(rows.shows, i)) & _SEEN
    if trait & ROOTS:
        _add(out.roots, q, _meaning(rows.detail, i))
    if trait & DEPOSIT:
        _add(out.deposit, q, _meaning(rows.detail, i))
    f = _meaning(rows.figure, i)
    if f < 0:
        return
    low, high = rows.low[i], rows.high[i]
    _raise(out.least[f], q, low)
    out.most[f, q] = np.inf if np.isnan(high) else max(out.most[f, q], high)


@part
def _extent(rows: Rows, found: Found, joint: int, q: int) -> int:
    """Say what the two ends of a place rest on: the least certain of both."""
    low, high, measured, unsure = np.inf, -np.inf, False, False
    for m in range(found.start[q], found.start[q + 1]):
        i = found.row[m]
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
    if assumed or (unsure and rows.group[found.row[found.start[q]]] == joint):
        return ASSUMED
    return QUANTITY if measured else CODED


@part
def _lends(groups: Groups, found: Found, out: Measured, one: int, other: int) -> bool:
    """Tell whether a place lends (`other`) to a damage that lies in it (`one`)."""
    gives = groups.again[out.group[other]] or not groups.takes[out.group[other]]
    if not gives or (groups.again[out.group[one]] and groups.again[out.group[other]]):
        return False
    if found.from_m[other] > found.to_m[one] + SAME_M:
        return False
    return bool(found.to_m[other] >= found.from_m[one] - SAME_M)


@part
def _rounds(groups: Groups, out: Measured, first: int, after: int) -> int:
    """Tell how often a pipe's places borrow: never where none lends, twice where it recurs."""
    rounds = 0
    for q in range(first, after):
        if groups.again[out.group[q]]:
            return 2
        rounds |= not groups.takes[out.group[q]]
    return rounds


@part
def _borrow(out: Measured, one: int, other: int) -> None:
    """Add to a place what another has of its own."""
    for word in range(len(out.own)):
        out.lent[word, one] |= out.own[word, other]
    for word in range(len(out.roots)):
        out.roots[word, one] |= out.roots[word, other]
        out.deposit[word, one] |= out.deposit[word, other]
    for f in range(len(out.least)):
        _raise(out.least[f], one, out.least[f, other])
        out.most[f, one] = max(out.most[f, one], out.most[f, other])


@part
def _close(out: Measured) -> None:
    """Leave open what no row has a figure of, and what may be the worst."""
    for f in range(len(out.most)):
        for q in range(len(out.group)):
            if not 0.0 <= out.most[f, q] < np.inf:
                out.most[f, q] = np.nan


def _measure_of(parts: int) -> Callable[[Rows, Groups, Found, Measured], None]:
    """Give the walk; `parts` tells what is kept of it on disk from that of another kernel."""

    @compiled
    def measure(rows: Rows, groups: Groups, found: Found, out: Measured) -> None:
        """Say of each place what its own rows and its flags come to."""
        for q in range(len(out.group) if parts >= 0 else 0):
            _start(rows, found.row[found.start[q]], q, out)
            for m in range(found.start[q], found.start[q + 1]):
                if m < found.own[q]:
                    _add_own(rows, found.row[m], q, out)
                _add_said(rows, found.row[m], q, out)
            out.extent[q] = _extent(rows, found, groups.joint, q)

    return measure


def _lend_of(parts: int) -> Callable[[Groups, Found, Measured], int]:
    @compiled
    def lend(groups: Groups, found: Found, out: Measured) -> int:
        """Let places lend to the damage in them, and close figures; give how many pairs do.

        What comes back at every joint borrows last: it lends what its own rows say.
        """
        pairs = 0
        for pipe in range(len(found.of_pipe) - 1 if parts >= 0 else 0):
            first, after = found.of_pipe[pipe], found.of_pipe[pipe + 1]
            for again in range(_rounds(groups, out, first, after)):
                for one in range(first, after):
                    group = out.group[one]
                    if not groups.takes[group] or groups.again[group] != again:
                        continue
                    for other in range(first, after):
                        if _lends(groups, found, out, one, other):
                            _borrow(out, one, other)
                            pairs += 1
        _close(out)
        return pairs

    return lend


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


def _connect_of(parts: int) -> Callable[[Taps, Known, Found, Numbers, Marks, Marks], None]:
    @compiled
    def connect(
        taps: Taps, known: Known, found: Found, find_m: Numbers, near: Marks, open_: Marks
    ) -> None:
        """Mark places within whose doubt a connection lies, and those of which none knows."""
        for tap in range(len(taps.pipe) if parts >= 0 else 0):
            pipe = taps.pipe[tap]
            for q in range(found.of_pipe[pipe], found.of_pipe[pipe + 1]):
                start, end = found.from_m[q] - find_m[q], found.to_m[q] + find_m[q]
                if taps.from_m[tap] <= end + SAME_M and taps.to_m[tap] >= start - SAME_M:
                    near[q] = True
        for q in range(len(near)):
            pipe = found.pipe[q]
            start, end = found.from_m[q] - find_m[q], found.to_m[q] + find_m[q]
            told = known.from_m[pipe] <= max(start, 0.0) + SAME_M
            told &= known.to_m[pipe] >= min(end, known.length_m[pipe]) - SAME_M
            open_[q] = not near[q] and (not told or np.isnan(known.length_m[pipe]))

    return connect


@compiled
def number_sets(sets: Means, slots: Codes, numbers: Codes, firsts: Codes) -> int:
    """Give sets numbers, like ones the same, as they first appear; tell how many are unlike.

    `slots`, all -1, is room, a power of two and more than there are sets; `firsts` gets the
    first set of each number.
    """
    count, last = 0, len(slots) - 1
    for q in range(sets.shape[1]):
        mixed = 0
        for row in range(len(sets)):
            mixed = (mixed ^ sets[row, q]) * _MIX
            mixed ^= mixed >> _FOLD
        slot = mixed & last
        while slots[slot] >= 0 and not _same_set(sets, firsts[slots[slot]], q):
            slot = (slot + 1) & last
        if slots[slot] < 0:
            slots[slot], firsts[count] = count, q
            count += 1
        numbers[q] = slots[slot]
    return count


_PARTS = zlib.crc32(Path(str(span_kernel.__file__)).read_bytes())
measure, lend = _measure_of(_PARTS), _lend_of(_PARTS)
list_pairs, connect = _list_of(_PARTS), _connect_of(_PARTS)
