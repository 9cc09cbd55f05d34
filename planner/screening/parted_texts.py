"""Columns of texts as the unlike ones and a number for each row, found on all cores."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.screening.pipe_rows import letters_of
from planner.screening.threads import each, pieces

Places = npt.NDArray[np.intp]
# A piece of a column: the number of each row among its own texts, and where those stand in all.
Piece = tuple[npt.NDArray[np.integer], Places]


@dataclass(frozen=True)
class Parted:
    """The unlike texts of a column as they first appear, and which one each row has."""

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


def parted_texts(texts: pd.Series) -> Parted:
    """Part one column."""
    return parted_together({"": texts})[""]


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
    at, _ = letters_of(texts)
    if len(texts) and at[0] == at[-1]:  # not one letter in the whole column
        return np.zeros(len(texts), dtype=np.int32), [""]
    plain = pa.array(texts.array, type=pa.large_string())
    if isinstance(plain, pa.ChunkedArray):
        plain = plain.combine_chunks()
    found = plain.fill_null("").dictionary_encode()
    return found.indices.to_numpy(), found.dictionary.to_pylist()


def _together(parts: list[tuple[npt.NDArray[np.integer], list[str]]]) -> Parted:
    places: dict[str, int] = {}
    told = []
    for where, texts in parts:
        among = [places.setdefault(text, len(places)) for text in texts]
        told.append((where, np.array(among, dtype=np.intp)))
    return Parted(list(places), tuple(told))
