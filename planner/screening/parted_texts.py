"""Columns of texts as the unlike ones and a number for each row, found on all cores."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from numba import types
from numba.extending import intrinsic

from planner.arrays import letters_of
from planner.coded_text import Coded
from planner.held import Held
from planner.screening.bands import compiled, within
from planner.screening.pipe_rows import Laid
from planner.screening.threads import each, pieces

Places = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]
# A piece of a column: the number of each row among its own texts, and where those stand in all.
Piece = tuple[npt.NDArray[np.integer], Places]

_FEW_WORDS = 1_000
# An odd number whose bits spread what is multiplied by it: 2**64 over the golden ratio.
_SPREAD = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True)
class Parted:
    """The unlike texts of a column, and which one each row has.

    Of a column that is parted here they stand as they first appear.
    """

    texts: list[str]
    pieces: tuple[Piece, ...]

    def values(self, of_text: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Give each row the value of its text."""
        out = np.empty(sum(len(where) for where, _ in self.pieces), dtype=of_text.dtype)
        start = 0
        for where, among in self.pieces:
            stop = start + len(where)
            np.take(of_text[among], where, out=out[start:stop], mode="clip")
            start = stop
        return out


def parted_words(coded: Coded) -> Parted:
    """Part a column of texts by number; of many words only those that a row holds are taken."""
    codes, words = coded.codes, coded.words
    if len(words) <= _FEW_WORDS:
        return Parted(coded.listed(), ((codes, np.arange(len(words))),))
    used = np.bincount(codes, minlength=len(words)) > 0
    texts = words.filter(pa.array(used)).to_pylist()
    return Parted(texts, ((codes, np.where(used, np.cumsum(used) - 1, 0)),))


def parted_in(things: Held, names: Iterable[str]) -> dict[str, Parted]:
    """Part columns of a table that is held."""
    if things.by_column:
        return {name: parted_words(things.coded(name)) for name in names}
    return parted_together({name: things.frame[name] for name in names})


def parted_together(columns: Mapping[str, pd.Series]) -> dict[str, Parted]:
    """Part columns of the same rows, piece by piece on all cores."""
    rows = max((len(texts) for texts in columns.values()), default=0)
    tasks = [
        (name, texts.iloc[start:stop])
        for name, texts in columns.items()
        for start, stop in pieces(rows)
    ]
    found: dict[str, list[tuple[npt.NDArray[np.integer], list[str]]]] = {}
    done = each(lambda task: _one_parted(task[1]), tasks, rows)
    for (name, _), piece in zip(tasks, done, strict=True):
        found.setdefault(name, []).append(piece)
    return {name: _together(found[name]) for name in columns}


def _one_parted(texts: pd.Series) -> tuple[npt.NDArray[np.integer], list[str]]:
    laid = Laid(*letters_of(texts.array))
    if len(texts) and laid.at[0] == laid.at[-1]:  # not one letter in the whole column
        return np.zeros(len(texts), dtype=np.int32), [""]
    plain = pa.array(texts.array, type=pa.large_string())
    if isinstance(plain, pa.ChunkedArray):
        plain = plain.combine_chunks()
    where, room = np.empty(len(texts), dtype=np.int32), _room()
    count = _part(laid, laid.letters.ctypes.data, where, room)
    if count >= 0:
        return where, plain.take(pa.array(room.first[:count])).fill_null("").to_pylist()
    found = plain.fill_null("").dictionary_encode()
    return found.indices.to_numpy(), found.dictionary.to_pylist()


class _Room(NamedTuple):
    """Unlike texts: which has a slot, the row that it is first in, its first and last letters."""

    slots: npt.NDArray[np.int32]
    first: npt.NDArray[np.int64]
    ends: Words


# Columns of more unlike texts are parted without these walks: 2**14 slots, half of them taken.
_SLOTS = 14


def _room() -> _Room:
    most = 1 << _SLOTS - 1
    return _Room(
        np.full(1 << _SLOTS, -1, dtype=np.int32),
        np.empty(most, dtype=np.int64),
        np.empty((most, 2), dtype=np.uint64),
    )


def _eight_letters(_: Any, address: Any, letter: Any) -> Any:  # noqa: ANN401 - as numba calls it
    def generate(context: Any, builder: Any, __: Any, given: Any) -> Any:  # noqa: ANN401
        place = builder.inttoptr(
            builder.add(*given), context.get_value_type(types.uint64).as_pointer()
        )
        return builder.load(place, align=1)

    return types.uint64(address, letter), generate


# The eight letters of a text in memory from an address on, behind so many others.
eight_letters = cast("Callable[[int, int], np.uint64]", intrinsic(_eight_letters))


@within
def _eight(laid: Laid, address: int, at: int, count: int) -> np.uint64:
    """Read eight letters or fewer; none behind the last of all."""
    if at + 8 <= len(laid.letters):
        word = eight_letters(address, at)
        return (
            word if count >= 8 else word & ((np.uint64(1) << np.uint64(8 * count)) - np.uint64(1))
        )
    word = np.uint64(0)
    for k in range(min(count, 8)):
        word |= np.uint64(laid.letters[at + k]) << np.uint64(8 * k)
    return word


@within
def _alike(laid: Laid, i: int, k: int) -> bool:
    """Tell whether two texts of one length are alike between their first and last eight letters."""
    length = laid.at[i + 1] - laid.at[i]
    for n in range(8, length - 8):
        if laid.letters[laid.at[i] + n] != laid.letters[laid.at[k] + n]:
            return False
    return True


@compiled
def _part(laid: Laid, address: int, where: npt.NDArray[np.int32], room: _Room) -> int:
    """Write which unlike text each row has, as they first appear; gives how many, -1 = too many.

    `address` is that of the letters. Texts are told apart by their length, first eight and last
    eight letters; the others are looked at where there are any.
    """
    count, most = 0, len(room.first)
    for i in range(len(where)):
        at = laid.at[i]
        length = laid.at[i + 1] - at
        first = _eight(laid, address, at, length)
        last = _eight(laid, address, at + max(length - 8, 0), length)
        mixed = (first ^ (last << np.uint64(5)) ^ np.uint64(length)) * _SPREAD
        slot = (mixed ^ (mixed >> np.uint64(29))) * _SPREAD >> np.uint64(64 - _SLOTS)
        while True:
            one = room.slots[slot]
            if one < 0:
                if count == most:
                    return -1
                room.slots[slot], one = count, count
                room.first[count], room.ends[count, 0], room.ends[count, 1] = i, first, last
                count += 1
                break
            row = room.first[one]
            same = room.ends[one, 0] == first and room.ends[one, 1] == last
            same = same and laid.at[row + 1] - laid.at[row] == length
            if same and (length <= 16 or _alike(laid, i, row)):
                break
            slot = (slot + np.uint64(1)) & np.uint64((1 << _SLOTS) - 1)
        where[i] = one
    return count


def _together(parts: list[tuple[npt.NDArray[np.integer], list[str]]]) -> Parted:
    places: dict[str, int] = {}
    told = []
    for where, texts in parts:
        among = [places.setdefault(text, len(places)) for text in texts]
        told.append((where, np.array(among, dtype=np.intp)))
    return Parted(list(places), tuple(told))
