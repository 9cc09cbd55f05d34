"""Spans that no rule can tell apart: found once each, so that they are judged only once.

Whatever the figures of a city's spans are, the rules cut them into few bands: a part of a city
has fifty thousand spans, and some hundred unlike ones. Where there are too many unlike ones each
span is judged by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening.bands import compiled

Codes = npt.NDArray[np.int16]
Words = npt.NDArray[np.uint64]
Numbers = npt.NDArray[np.int32]

# Numbers of a row in a word of 64 bits.
_IN_WORD = 4
# More unlike spans than this one are not kept: as many slots, half of them taken.
MOST = 1 << 13
# Where more of the first rows are unlike, it does not pay to look for those that are alike.
MOST_OF_FIRST = 0.5
_SHIFT = np.uint64(64 - 14)
_SPREAD = np.uint64(0x9E3779B97F4A7C15)


class Known(NamedTuple):
    """Unlike rows found so far, `found` of them, and room for more.

    `told_apart` has a row of 0 and -1 for each set of mechanisms: by which of the numbers its
    spans are told apart. `mixers` spread the words of a row over the slots.
    """

    rows: Words
    slots: Numbers
    found: npt.NDArray[np.int64]
    told_apart: Words
    mixers: Words


def room_for(columns: int) -> int:
    """Give how many numbers a row has room for: whole words."""
    return -(-columns // _IN_WORD) * _IN_WORD


@cache
def _mixers(words: int) -> Words:
    """Give odd numbers by chance, the same ones each time."""
    drawn = np.random.default_rng(7).integers(1 << 63, size=words, dtype=np.uint64)
    return drawn * np.uint64(2) + np.uint64(1)


def none_known(told_apart: Words) -> Known:
    """Begin with no row."""
    words = told_apart.shape[1]
    return Known(
        np.empty((MOST, words), dtype=np.uint64),
        np.full(1 << 14, -1, dtype=np.int32),
        np.zeros(1, dtype=np.int64),
        told_apart,
        _mixers(words),
    )


def unlike_rows(
    parts: Iterator[tuple[int, int, Codes]], count: int, known: Known, set_at: int
) -> Numbers | None:
    """Find the unlike ones of some rows of numbers, as they first appear.

    Parameters
    ----------
    parts
        Rows from .. to, and their numbers: as many as are told apart.
    count
        How many rows there are.
    known
        Those that were found before, or none; unlike rows are added to it.
    set_at
        Where in a row the number of its set stands.

    Returns
    -------
    of_row
        Which unlike row each row is. None where they are too many, or where of the first rows
        most are unlike and not found before.
    """
    of_row, before = np.empty(count, dtype=np.int32), known.found[0]
    for begin, end, codes in parts:
        rows = codes[: end - begin]
        if not part_rows(rows.view(np.uint64), rows, set_at, known, of_row[begin:end]):
            return None
        if begin == 0 and end < count and known.found[0] - before > MOST_OF_FIRST * end:
            return None
    return of_row


def numbers_in(known: Known) -> Codes:
    """Give the numbers of the unlike rows found, 0 where they are not told apart."""
    return known.rows[: known.found[0]].view(np.int16)


@compiled
def part_rows(words: Words, codes: Codes, set_at: int, known: Known, out: Numbers) -> bool:
    """Write which unlike row each row is; False where they are too many. Both are the same rows."""
    count, most, width = known.found[0], len(known.rows), words.shape[1]
    for i in range(len(out)):
        told_apart, mixed = known.told_apart[codes[i, set_at]], np.uint64(0)
        for w in range(width):
            mixed += (words[i, w] & told_apart[w]) * known.mixers[w]
        slot = (mixed ^ (mixed >> np.uint64(32))) * _SPREAD >> _SHIFT
        while True:
            one = known.slots[slot]
            if one < 0:
                if count == most:
                    return False
                known.slots[slot], one = count, count
                for w in range(width):
                    known.rows[count, w] = words[i, w] & told_apart[w]
                count += 1
                break
            same = True
            for w in range(width):
                same &= known.rows[one, w] == words[i, w] & told_apart[w]
            if same:
                break
            slot = (slot + np.uint64(1)) & np.uint64(len(known.slots) - 1)
        out[i] = one
    known.found[0] = count
    return True
