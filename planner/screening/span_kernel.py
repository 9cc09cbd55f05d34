"""Walks along placed rows, compiled: which share a place, and what each place comes to.

Rows lie one pipe after the other, and a pipe has few of them: each pipe is sorted, cut into
places and measured by itself. `tests/plain_spans.py` says the same in plain Python.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening.bands import compiled, nth, part

Codes = npt.NDArray[np.int32]
Seen = npt.NDArray[np.int8]
Means = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

# Places that differ by less than this touch: no span hangs on float noise [m].
SAME_M = 1e-6
NO_GROUP = -1
"""Group of a row that makes no span."""
CODED, QUANTITY, ASSUMED = range(3)
"""What the extent of a row rests on."""
ROOTS, DEPOSIT, SOIL, VOID, LATERAL = 1, 2, 4, 8, 16
"""What is said of a place beside its mechanisms, as marks that are added."""
SHIFT = 6
BITS = 1 << SHIFT
"""Words that fit into the bits of a whole number."""
_MICRO = 1e6


class Told(NamedTuple):
    """Texts by number, and what the walks take each word for."""

    codes: Codes
    means: Means


class Rows(NamedTuple):
    """Placed rows, one pipe after the other.

    `group` is what a row is joined with, in order of its name, `core_from` and `core_to` [m] is
    what is coded of it; `order` tells rows alike in these apart. `mechanism` and `detail` mean
    the bits of their words, `trait` (of the mechanism) and `shows` the marks, `figure` the
    number of a quantity, -1 = none; `day` its number in order, `kind` 1 for a stretch.
    """

    group: Codes
    core_from: Numbers
    core_to: Numbers
    order: Means
    node: Codes
    kind: Told
    extent: Told
    day: Told
    mechanism: Told
    trait: Told
    detail: Told
    shows: Told
    figure: Told
    from_m: Numbers
    to_m: Numbers
    x_from_m: Numbers
    x_to_m: Numbers
    find_m: Numbers
    arc_h: Numbers
    low: Numbers
    high: Numbers
    joint: Marks
    no_joint: Marks


class Groups(NamedTuple):
    """What holds for groups, by number.

    `step` is the number by which things of one place are in order; `takes` marks damage, which
    conditions lend to, and `again` what comes back at every joint. `flag`, `damage` and `joint`
    are the numbers of these groups, -1 = there is none.
    """

    step: Means
    takes: Marks
    again: Marks
    flag: int
    damage: int
    joint: int


class Room(NamedTuple):
    """Room for the rows and places of a pipe: as many entries as the longest has rows.

    `order` has the rows of places, place after place; of each place from `first` to `last`.
    """

    order: Means
    parent: Means
    sorted: Means
    first: Means
    last: Means
    core_from: Numbers
    core_to: Numbers
    from_m: Numbers
    to_m: Numbers


class Task(NamedTuple):
    """Rows, what holds for their groups, room, and how close stations touch [m]."""

    rows: Rows
    groups: Groups
    room: Room
    touch_m: float


class Found(NamedTuple):
    """Places in order of pipe, stretch and step, and the rows of each.

    Those of place q are ``row[start[q]:start[q + 1]]``, from ``own[q]`` on flags that joined
    it; those of pipe b are the places from ``of_pipe[b]`` to ``of_pipe[b + 1]``.
    """

    row: Codes
    start: Codes
    own: Codes
    of_pipe: Codes
    pipe: Codes
    from_m: Numbers
    to_m: Numbers


class Measured(NamedTuple):
    """What the rows of each place come to; `own` to `deposit` are the numbers of sets of words."""

    group: Codes
    node: Codes
    day: Codes
    kind: Codes
    extent: Codes
    own: Codes
    lent: Codes
    roots: Codes
    deposit: Codes
    seen: Seen
    arc_h: Numbers
    find_m: Numbers
    joint: Marks
    no_joint: Marks


@part
def _before(rows: Rows, i: int, k: int) -> bool:
    """Tell whether a row comes before another: by group, what is coded, and order."""
    if rows.group[i] != rows.group[k]:
        return bool(rows.group[i] < rows.group[k])
    if rows.core_from[i] != rows.core_from[k]:
        return bool(rows.core_from[i] < rows.core_from[k])
    if rows.core_to[i] != rows.core_to[k]:
        return bool(rows.core_to[i] < rows.core_to[k])
    if rows.order[i] != rows.order[k]:
        return bool(rows.order[i] < rows.order[k])
    return i < k


@part
def _sort_rows(rows: Rows, order: Means, start: int, stop: int) -> None:
    """Sort some rows, few or many, over ever smaller gaps."""
    gap = 1
    while gap < (stop - start) // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for at in range(start + gap, stop):
            row, k = order[nth(at)], at
            while k - gap >= start and _before(rows, nth(row), nth(order[nth(k - gap)])):
                order[nth(k)] = order[nth(k - gap)]
                k -= gap
            order[nth(k)] = row
        gap //= 3


@part
def _cut(task: Task, start: int, stop: int, place: int) -> int:
    """Cut sorted rows into places: coded parts of one group that touch; give the next place."""
    rows, room, reach, last = task.rows, task.room, 0.0, NO_GROUP
    for at in range(start, stop):
        i = nth(room.order[nth(at)])
        low, high, group = rows.core_from[i], rows.core_to[i], rows.group[i]
        if group != last or low > reach + task.touch_m + SAME_M:
            new = nth(place)
            room.first[new], reach, last = at, high, group
            room.core_from[new], room.core_to[new] = low, high
            room.from_m[new], room.to_m[new] = rows.from_m[i], rows.to_m[i]
            place += 1
        here = nth(place - 1)
        room.last[here], reach = at + 1, max(reach, high)
        room.core_to[here] = max(room.core_to[here], high)
        room.from_m[here] = min(room.from_m[here], rows.from_m[i])
        room.to_m[here] = max(room.to_m[here], rows.to_m[i])
    return place


@part
def _parent(task: Task, i: int, places: int) -> int:
    """Find the damage at the station of a flag, the nearest, the first of several; -1 = none."""
    rows, room = task.rows, task.room
    best, best_gap, best_from = -1, 0.0, 0.0
    for p in range(places):
        if rows.group[room.order[room.first[p]]] != task.groups.damage:
            continue
        gap = max(room.core_from[p] - rows.x_to_m[i], rows.x_from_m[i] - room.core_to[p])
        # Rounded: among damage at the same distance the first one along the pipe is taken.
        gap = np.rint(max(gap, 0.0) * _MICRO) / _MICRO
        if gap > task.touch_m + SAME_M:
            continue
        nearer = gap == best_gap and room.core_from[p] < best_from
        if best < 0 or gap < best_gap or nearer:
            best, best_gap, best_from = p, gap, room.core_from[p]
    return best


@part
def _has_flags(task: Task, pipe: tuple[int, int]) -> int:
    for i in range(pipe[0], pipe[1]):
        if task.rows.group[nth(i)] == task.groups.flag:
            return 1
    return 0


@part
def _pick(task: Task, pipe: tuple[int, int], at: int) -> int:
    """Lay out the rows of a pipe that are joined; give how many there are then."""
    for i in range(pipe[0], pipe[1]):
        group = task.rows.group[nth(i)]
        if group >= 0 and group != task.groups.flag:
            task.room.order[nth(at)] = i
            at += 1
    return at


@part
def _pick_flags(task: Task, pipe: tuple[int, int], at: int, places: int) -> int:
    """Give flags their damage, which they add their station to, and lay out those without."""
    rows, room = task.rows, task.room
    for i in range(pipe[0], pipe[1]):
        p = _parent(task, i, places) if rows.group[i] == task.groups.flag else -1
        room.parent[i - pipe[0]] = p
        if p >= 0:
            room.from_m[p] = min(room.from_m[p], rows.x_from_m[i])
            room.to_m[p] = max(room.to_m[p], rows.x_to_m[i])
        elif rows.group[i] == task.groups.flag:
            room.order[at] = i
            at += 1
    return at


@part
def _place_before(task: Task, p: int, q: int) -> bool:
    """Tell whether a place comes before another: by its stretch, then by its step."""
    rows, room, step = task.rows, task.room, task.groups.step
    if room.from_m[p] != room.from_m[q]:
        return bool(room.from_m[p] < room.from_m[q])
    if room.to_m[p] != room.to_m[q]:
        return bool(room.to_m[p] < room.to_m[q])
    one = step[nth(rows.group[nth(room.order[nth(room.first[p])])])]
    other = step[nth(rows.group[nth(room.order[nth(room.first[q])])])]
    return bool(one < other) if one != other else p < q


@part
def _sort_places(task: Task, places: int) -> None:
    room, gap = task.room, 1
    for p in range(places):
        room.sorted[p] = p
    while gap < places // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for at in range(gap, places):
            place, k = room.sorted[nth(at)], at
            while k >= gap and _place_before(task, nth(place), nth(room.sorted[nth(k - gap)])):
                room.sorted[nth(k)] = room.sorted[nth(k - gap)]
                k -= gap
            room.sorted[nth(k)] = place
        gap //= 3


@part
def _is_tied(rows: Rows, room: Room, place: int) -> bool:
    """Tell whether it hangs on `order` alone from which node the first row was counted."""
    start, stop = room.first[place], room.last[place]
    one = nth(room.order[nth(start)])
    for at in range(start + 1, stop):
        other = nth(room.order[nth(at)])
        if rows.core_from[one] != rows.core_from[other]:
            return False
        if rows.core_to[one] != rows.core_to[other]:
            return False
        if rows.node[one] != rows.node[other]:
            return True
    return False


@compiled
def find_places(task: Task, pipes: Means, found: Found) -> tuple[int, int, bool]:
    """Find which rows of each pipe share a place; rows of pipe b start at ``pipes[b]``.

    Gives how many places there are, how many rows they have, and whether `order` decided from
    which node any of them is counted.
    """
    rows, room = task.rows, task.room
    count, used, tied = 0, 0, False
    for pipe in range(len(pipes) - 1):
        both, at, places = (pipes[pipe], pipes[pipe + 1]), 0, 0
        flags = _has_flags(task, both)
        for step in range(1 + flags):
            start = at
            at = _pick_flags(task, both, at, places) if step else _pick(task, both, at)
            _sort_rows(rows, room.order, start, at)
            places = _cut(task, start, at, places)
        _sort_places(task, places)
        found.of_pipe[pipe] = count
        for q in range(places):
            p, here = nth(room.sorted[nth(q)]), nth(count)
            tied |= _is_tied(rows, room, p)
            found.start[here], found.pipe[here] = used, pipe
            found.from_m[here], found.to_m[here] = room.from_m[p], room.to_m[p]
            for n in range(room.first[p], room.last[p]):
                found.row[nth(used)] = room.order[nth(n)]
                used += 1
            found.own[here] = used
            for n in range((both[1] - both[0]) * flags):
                if room.parent[n] == room.sorted[q]:
                    found.row[nth(used)] = both[0] + n
                    used += 1
            count += 1
    found.of_pipe[len(pipes) - 1], found.start[count] = count, used
    return count, used, tied
