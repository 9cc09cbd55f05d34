"""Ids within texts, found and replaced in the flat bytes of a whole column at once.

An id is a mark, a hyphen and nine digits, with no letter, digit or underscore of ASCII
beside it; so long a number is given to nothing but what is new on a part (see `numbers`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from planner.arrays import texts_of
from planner.compiled import kept

Whole = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

DIGITS = 9
WIDTH = 2 + DIGITS
"""Bytes of such an id."""
_FEWEST = 6
_HELD = (pa.Array, pa.ChunkedArray)
_ZERO, _HYPHEN = ord("0"), ord("-")
_WORD = np.zeros(256, dtype=bool)
_WORD[[ord(one) for one in "0123456789_ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"]] = (
    True
)


@dataclass(frozen=True)
class Flat:
    """Texts one after the other: text n is ``data[starts[n]:starts[n + 1]]``, in UTF-8."""

    data: Bytes
    starts: Whole


def flat_of(texts: Any) -> Flat:  # noqa: ANN401 - any text column
    """Lay out a text column without missing texts, without a copy where arrow holds it."""
    plain: Any = texts if isinstance(texts, _HELD) else pa.array(texts_of(texts))
    if isinstance(plain, pa.ChunkedArray):
        plain = plain.chunk(0) if plain.num_chunks == 1 else plain.combine_chunks()
    if not len(plain):
        return Flat(np.zeros(0, dtype=np.uint8), np.zeros(1, dtype=np.int64))
    if plain.type != pa.large_string():
        plain = plain.cast(pa.large_string())
    _, starts, data = plain.buffers()
    count, first = len(plain), plain.offset
    at = np.frombuffer(starts, dtype=np.int64)[first : first + count + 1]
    held = np.zeros(0, dtype=np.uint8) if data is None else np.frombuffer(data, dtype=np.uint8)
    return Flat(held[at[0] : at[-1]], at - at[0])


def held_of(flat: Flat) -> pa.LargeStringArray:
    """Give the texts that `flat` lays out, as arrow holds them."""
    starts, data = (pa.py_buffer(np.ascontiguousarray(one)) for one in (flat.starts, flat.data))
    return pa.LargeStringArray.from_buffers(len(flat.starts) - 1, starts, data)


def ids_in(flat: Flat, marks: str, first: int) -> Whole:
    """Give the places in ``flat.data`` where an id of nine digits begins.

    Parameters
    ----------
    flat
        Texts.
    marks
        Letters that an id may begin with.
    first
        Its first digit.
    """
    data, size = flat.data, len(flat.data)
    at = np.flatnonzero(data == _HYPHEN) - 1
    at = at[(at >= 0) & (at + WIDTH <= size)]
    at = at[data[at + 2] == _ZERO + first]
    if not len(at):
        return np.zeros(0, dtype=np.int64)
    at = at[_among(data[at], marks)]
    for step in range(3, WIDTH):
        at = at[(data[at + step] >= _ZERO) & (data[at + step] < _ZERO + 10)]
    text = np.searchsorted(flat.starts, at, side="right") - 1
    begin, end = flat.starts[text], flat.starts[text + 1]
    whole = at + WIDTH <= end
    before = (at > begin) & _WORD[data[at - 1]]
    after = (at + WIDTH < end) & _WORD[data[np.minimum(at + WIDTH, size - 1)]]
    return np.asarray(at[whole & ~before & ~after], dtype=np.int64)


def _among(letters: Bytes, marks: str) -> npt.NDArray[np.bool_]:
    found = np.zeros(len(letters), dtype=bool)
    for mark in marks:
        found |= letters == ord(mark)
    return found


def numbers_at(flat: Flat, at: Whole) -> Whole:
    """Give the number of each id that begins at one of the places `at`."""
    out = np.zeros(len(at), dtype=np.int64)
    for step in range(2, WIDTH):
        out = 10 * out + (flat.data[at + step].astype(np.int64) - _ZERO)
    return out


def with_numbers(flat: Flat, at: Whole, numbers: Whole) -> Flat:
    """Put other numbers of six to nine digits into the ids that begin at the places `at`.

    Parameters
    ----------
    flat
        Texts.
    at
        As `ids_in` gave it.
    numbers
        The new number of each; fewer than six digits are filled up with noughts.
    """
    data = np.empty(len(flat.data), dtype=np.uint8)
    starts = np.empty_like(flat.starts)
    end = _put(flat.data, flat.starts, at, numbers, data, starts)
    return Flat(data[:end], starts)


def _put_numbers(
    data: Bytes, starts: Whole, at: Whole, numbers: Whole, out: Bytes, out_starts: Whole
) -> int:
    """Write `data` into `out` with the numbers put in; give the bytes written."""
    read = written = text = 0
    for n in range(len(at)):
        while text < len(starts) and starts[text] <= at[n]:
            out_starts[text] = written + starts[text] - read
            text += 1
        first = at[n] + 2
        out[written : written + first - read] = data[read:first]
        written += first - read
        digits, number = _FEWEST, numbers[n]
        while number >= 10**digits:
            digits += 1
        for step in range(digits):
            out[written + digits - 1 - step] = _ZERO + number % 10
            number //= 10
        written, read = written + digits, first + DIGITS
    for rest in range(text, len(starts)):
        out_starts[rest] = written + starts[rest] - read
    out[written : written + len(data) - read] = data[read:]
    return written + len(data) - read


_put = kept(_put_numbers)


def warm_up() -> None:
    """Compile what puts numbers in, or load it."""
    flat = flat_of(pa.array(["D-900000001"], type=pa.large_string()))
    with_numbers(flat, ids_in(flat, "D", 9), np.ones(1, dtype=np.int64))
