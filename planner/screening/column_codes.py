"""Columns as small numbers: all values that no rule can tell apart have the same number.

A figure is cut into bands by the limits of the rules that name its column; a text is what
those rules say of it; a flag is no, yes or blank. What a rule part says of a row is then one
look into a table of its own, so that a thousand rows cost what one did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.distinct import parted
from planner.screening.bands import band_figures, band_of
from planner.screening.columns import About, Seen, View, visible
from planner.screening.intervals import NO, YES, compare, within
from planner.screening.pipe_rows import letters_of
from planner.screening.rule_text import Clause, Limit
from planner.screening.ruling import hold

Codes = npt.NDArray[np.int16]
Numbers = npt.NDArray[np.float64]
Part = Clause | Limit
Array = TypeVar("Array", bound=npt.NDArray[Any])
Parted = tuple[npt.NDArray[np.intp], list[str]]

# Added to the answer in a part's table where nothing at all is known of the column.
KNOWS_NOTHING = np.int8(4)
# Codes are 16 bits: so many cuts make (2 * 89 + 1)**2 + 1 codes of an interval.
MOST_CUTS = 89


class Key(NamedTuple):
    """Where a column is read: in the spans or in their pipes."""

    table: About
    name: str


@dataclass(frozen=True)
class Coded:
    """One column in numbers, and what each part of a rule says of each number.

    `table` has a row for each part, int8: the answer, with `KNOWS_NOTHING` added. Either `whole`
    holds the number of each row, or `low` and `high` the figures that `cuts` band. `blank` is
    the number of a row of which nothing is known.
    """

    table: npt.NDArray[np.int8]
    whole: Codes | None = None
    low: Numbers | None = None
    high: Numbers | None = None
    least: float = 0.0
    cuts: Numbers | None = None
    blank: int = 0

    def codes(self, start: int, stop: int) -> Codes:
        """Give the numbers of some rows."""
        if self.whole is not None:
            return self.whole[start:stop]
        out = np.empty(stop - start, dtype=np.int16)
        self.into(out, start)
        return out

    def into(self, out: Codes, start: int) -> None:
        """Write the numbers of rows from `start` on into `out`."""
        stop = start + len(out)
        if self.whole is not None:
            out[:] = self.whole[start:stop]
        elif self.low is not None and self.high is not None and self.cuts is not None:
            low, high = self.low[start:stop], self.high[start:stop]
            bands = np.empty((2, len(out)), dtype=np.int16)
            band_figures(low, high, self.least, self.cuts, out, bands)


def parted_texts(texts: pd.Series) -> Parted:
    """Give the number of each row's text, and the unlike texts."""
    at, _ = letters_of(texts)
    if len(texts) and at[0] == at[-1]:  # not one letter in the whole column
        return np.zeros(len(texts), dtype=np.intp), [""]
    return parted(texts)


@cache
def _visible(about: About) -> Mapping[str, Seen]:
    return visible(about)


def cuts_of(parts: Sequence[Part]) -> Numbers:
    """Give the figures at which one of the parts changes its answer, in order."""
    found: set[float] = set()
    for part in parts:
        if isinstance(part, Limit):
            found |= {part.ok, part.ask} - {np.inf}
        elif isinstance(part.value, float):
            found.add(part.value)
    return np.array(sorted(found), dtype=np.float64)


def coded_column(
    key: Key, things: pd.DataFrame, parts: Sequence[Part], known: Parted | None = None
) -> Coded:
    """Put a column of `things` into numbers, by what `parts` can tell apart.

    Parameters
    ----------
    key
        The column.
    things
        The table that holds it.
    parts
        Parts of rules, each on this column.
    known
        Its texts, where they are parted already.
    """
    name, seen = key.name, _visible(key.table)[key.name]
    if seen.kind in ("interval", "number"):
        return _figures(name, seen, things, parts)
    clauses = tuple(part for part in parts if isinstance(part, Clause))
    if seen.kind == "flag":
        column = things[name].array
        if not isinstance(column, pd.arrays.BooleanArray):
            column = pd.array(column, dtype="boolean")
        return Coded(_said_of_flags(key, clauses), column.to_numpy(dtype="int16", na_value=2))
    where, texts = parted_texts(things[name]) if known is None else known
    table, codes = _alike(key, (*(text.strip() for text in texts), ""), clauses)
    return Coded(table, codes[where], blank=int(codes[-1]))


# Tables that hang on few texts and on the book alone are the same from part to part of a city.
_KEPT = 512
_FEW = 50


def _alike(
    key: Key, texts: tuple[str, ...], clauses: tuple[Clause, ...]
) -> tuple[npt.NDArray[np.int8], Codes]:
    """Say what clauses hold of each of some texts, once for those of which all say the same."""
    return (_alike_few if len(texts) <= _FEW else _alike_any)(key, texts, clauses)


def _alike_any(
    key: Key, texts: tuple[str, ...], clauses: tuple[Clause, ...]
) -> tuple[npt.NDArray[np.int8], Codes]:
    said = _said_of(key, pd.array(list(texts), dtype="str"), clauses)
    table, alike = np.unique(said, axis=1, return_inverse=True)
    return _unchanged(np.ascontiguousarray(table)), _unchanged(alike.reshape(-1).astype(np.int16))


_alike_few = lru_cache(maxsize=_KEPT)(_alike_any)


@lru_cache(maxsize=_KEPT)
def _said_of_flags(key: Key, clauses: tuple[Clause, ...]) -> npt.NDArray[np.int8]:
    return _unchanged(_said_of(key, pd.array([False, True, None], dtype="boolean"), clauses))


def _unchanged(values: Array) -> Array:
    values.flags.writeable = False
    return values


def _said_of(
    key: Key, unlike: pd.api.extensions.ExtensionArray, clauses: Sequence[Clause]
) -> npt.NDArray[np.int8]:
    """Say what clauses hold of each of some values, with the mark of a blank."""
    shown = pd.DataFrame({key.name: unlike})
    view = View(key.table, shown, pd.DataFrame(), dict(_visible(key.table)), {})
    blank = np.where(view.blank(key.name), KNOWS_NOTHING, np.int8(0))
    rows = [hold(clause, view) + blank for clause in clauses]
    return np.asarray(rows or [blank], dtype=np.int8)


def _figures(name: str, seen: Seen, things: pd.DataFrame, parts: Sequence[Part]) -> Coded:
    split = seen.kind == "interval"
    low = floats(things, f"{name}_low" if split else name)
    high = floats(things, f"{name}_high" if split else name)
    table, cuts = _banded(tuple(parts), seen.least)
    return Coded(table, None, low, high, seen.least, cuts)


@lru_cache(maxsize=_KEPT)
def _banded(parts: tuple[Part, ...], least: float) -> tuple[npt.NDArray[np.int8], Numbers]:
    """Say what parts hold of each pair of bands, and where the bands are cut."""
    cuts = cuts_of(parts)
    table = np.asarray([_by_band(part, cuts, least) for part in parts], dtype=np.int8)
    return _unchanged(table), cuts


def floats(things: pd.DataFrame, name: str) -> Numbers:
    """Give a column of figures, NaN where unknown; not to be written to."""
    column = things[name]
    if column.dtype == np.float64:
        out = np.ascontiguousarray(column.to_numpy())
    else:
        out = column.astype("Float64").to_numpy(dtype="float64", na_value=np.nan)
    shown: Numbers = out.view()
    shown.flags.writeable = False  # one kind of array for the kernel, whatever held the column
    return shown


def _by_band(part: Part, cuts: Numbers, least: float) -> npt.NDArray[np.int8]:
    """Say what a part holds of each pair of bands, least and most; the first is the blank.

    Band 2k lies below the cut k and above the one before, band 2k + 1 is the cut itself:
    what holds of the numbers of bands holds of the figures in them.
    """
    count = 2 * len(cuts) + 1
    from_, to = (ends.reshape(-1) for ends in np.indices((count, count), dtype=np.float64))
    low = np.append(float(band_of(least, cuts)), from_)
    high = np.append(count - 1.0, to)
    band = {float(cut): 2.0 * k + 1.0 for k, cut in enumerate(cuts)}
    if isinstance(part, Limit):
        said = within(low, high, band[part.ok], band.get(part.ask, np.inf))
    elif isinstance(part.value, float):
        said = compare(part.op, low, high, band[part.value])
    else:  # is_blank
        said = np.full(len(low), NO)
        said[0] = YES
    said[0] += KNOWS_NOTHING
    return said


def codable(parts: Sequence[Part]) -> bool:
    """Say whether the figures of a column fit into numbers: finite, and not too many."""
    values = [part.value for part in parts if isinstance(part, Clause)]
    known = all(np.isfinite(value) for value in values if isinstance(value, float))
    return known and len(cuts_of(parts)) <= MOST_CUTS
