"""Figures cut into bands, compiled; and how walks over a city's spans are compiled at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt
from numba import njit, types
from numba.extending import intrinsic

from planner.compiled import kept

Function = TypeVar("Function", bound=Callable[..., Any])
Numbers = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int16]
Places = npt.NDArray[np.int64]

# Nothing is allocated and no reference to an array counted: counting takes ten times as long as
# the walk itself, and more where two walks share an array.
_OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}


def within(function: Function) -> Function:
    """Compile a part of a walk: it is set into what calls it, and is not kept by itself."""
    return cast("Function", njit(forceinline=True, **_OPTIONS)(function))


def part(function: Function) -> Function:
    """Compile as `within` does, for walks alone: Python cannot call it, which halves the time."""
    unseen: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    return cast("Function", njit(forceinline=True, **unseen, **_OPTIONS)(function))


def compiled(function: Function) -> Function:
    """Compile a whole walk, to run beside others; kept on disk where a folder may be written.

    Notes
    -----
    numba knows by the file of a walk whether what is kept of it is old: a walk made of parts
    of another file must be told (see `flip_kernel`).
    """
    return kept(function, **_OPTIONS)


@within
def nth(n: int) -> int:
    """Give a place that does not count from the end, which a walk need not ask then.

    Set into walks of other files as it stands: whoever changes it changes `span_kernel` too.
    """
    return np.uint64(n)  # type: ignore[return-value]


@within
def band_of(value: float, cuts: Numbers) -> int:
    """Give the band that a figure lies in: 2k below the cut k, 2k + 1 on it; 0 for NaN."""
    band = 0
    for k in range(len(cuts)):
        band += int(cuts[k] < value) + int(cuts[k] <= value)
    return band


# How a column is read: not at all, as one number everywhere, or as numbers, as texts by number,
# as yes and no, as figures, as figures that few rows have.
FIXED, NUMBERS, WORDS, FLAGS, FIGURES, SCATTERED = range(6)
UNKNOWN_FLAG = 2


class Sources(NamedTuple):
    """Where the columns of a book are read, those of pipes first.

    `first` and `second` are where arrays lie in memory: of least and most of figures (float64);
    of numbers (int16); of the words of rows (int32) and the numbers of words (int16); of yes and
    of unknown (a byte each); of the rows that have a figure (int32), rising, `known` of them, and
    of their least, most behind it. Of what is fixed, as columns of pipes are, `first` is the
    number. Cuts of column k stand in `cuts` from ``cuts_from[k]`` on; below `least` its figure
    cannot be.

    Notes
    -----
    A walk takes arrays of which the number is known when it is compiled; books name as many
    columns as they like. Whoever makes this keeps the arrays until the walk is done.
    """

    how: npt.NDArray[np.int8]
    first: Places
    second: Places
    known: Places
    least: Numbers
    cuts: Numbers
    cuts_from: Places


def _reader_of(kind: Any) -> Callable[[int, int], Any]:  # noqa: ANN401 - a type of numba
    """Give what reads an entry of an array that lies in memory from an address on."""

    def read_at(_: Any, address: Any, row: Any) -> Any:  # noqa: ANN401 - as numba calls it
        def generate(context: Any, builder: Any, __: Any, given: Any) -> Any:  # noqa: ANN401
            array = builder.inttoptr(given[0], context.get_value_type(kind).as_pointer())
            return builder.load(builder.gep(array, [given[1]]))

        return kind(address, row), generate

    return cast("Callable[[int, int], Any]", intrinsic(read_at))


figure_at, number_at = _reader_of(types.float64), _reader_of(types.int16)
word_at, flag_at = _reader_of(types.int32), _reader_of(types.int8)


@within
def _band(array: int, start: int, unknown: int, cuts: Numbers, bands: Codes) -> None:
    """Write the bands of the figures of an array, `unknown` for what is not known.

    Notes
    -----
    Sums cut by cut, without a branch: whether a figure is known cannot be foreseen, and so
    the processor takes several at once.
    """
    for i in range(len(bands)):
        value = figure_at(array, start + i)
        bands[i] = int(np.isnan(value)) * unknown
    for k in range(len(cuts)):
        cut = cuts[k]
        for i in range(len(bands)):
            value = figure_at(array, start + i)
            bands[i] += int(cut < value) + int(cut <= value)


@within
def _flags(yes: int, unknown: int, start: int, out: Codes) -> None:
    """Write no, yes or unknown as numbers."""
    for i in range(len(out)):
        out[i] = flag_at(yes, start + i)
    if unknown:  # 0 where nothing is unknown
        for i in range(len(out)):
            if flag_at(unknown, start + i):
                out[i] = UNKNOWN_FLAG


@within
def _pair_bands(sources: Sources, c: int, start: int, out: Codes, other: Codes) -> None:
    """Write the numbers of both bands of the figures of a column; `other` is room."""
    low, high = sources.first[c], sources.second[c]
    cuts = sources.cuts[sources.cuts_from[c] : sources.cuts_from[c + 1]]
    most = 2 * len(cuts) + 1
    _band(low, start, band_of(sources.least[c], cuts), cuts, out)
    if low == high:  # one figure, not two ends
        for i in range(len(out)):
            unknown = int(np.isnan(figure_at(low, start + i)))
            out[i] = (1 - unknown) * (1 + out[i] * (most + 1))
        return
    _band(high, start, most - 1, cuts, other)
    for i in range(len(out)):
        unknown = int(np.isnan(figure_at(low, start + i)))
        blank = unknown * int(np.isnan(figure_at(high, start + i)))
        out[i] = (1 - blank) * (1 + out[i] * most + other[i])


@within
def place_from(rows: int, known: int, row: int) -> int:
    """Give the first place, among `known` rows that rise, of one that is not before `row`."""
    low, high = 0, known
    while low < high:
        middle = (low + high) >> 1
        if word_at(rows, middle) < row:
            low = middle + 1
        else:
            high = middle
    return low


@within
def _wipe(sources: Sources, c: int, start: int, out: Codes) -> None:
    """Take away again what `_scatter` wrote: nothing is known of all rows then."""
    rows, known = sources.first[c], sources.known[c]
    n = place_from(rows, known, start)
    while n < known and word_at(rows, n) < start + len(out):
        out[nth(word_at(rows, n) - start), c] = 0
        n += 1


@within
def _scatter(sources: Sources, c: int, start: int, out: Codes) -> None:
    """Write the numbers of a column that few rows have a figure in; of the others none is known."""
    rows, least, known = sources.first[c], sources.second[c], sources.known[c]
    cuts = sources.cuts[sources.cuts_from[c] : sources.cuts_from[c + 1]]
    most, lowest = 2 * len(cuts) + 1, band_of(sources.least[c], cuts)
    n = place_from(rows, known, start)
    while n < known and word_at(rows, n) < start + len(out):
        low, high = figure_at(least, n), figure_at(least, known + n)
        if not (np.isnan(low) and np.isnan(high)):
            first = lowest if np.isnan(low) else band_of(low, cuts)
            last = most - 1 if np.isnan(high) else band_of(high, cuts)
            out[nth(word_at(rows, n) - start), c] = 1 + first * most + last
        n += 1


@within
def _numbers(sources: Sources, c: int, start: int, out: Codes, other: Codes) -> None:
    """Write the numbers of a column of rows from `start` on; `other` is room."""
    how, first, second = sources.how[c], sources.first[c], sources.second[c]
    if how == NUMBERS:
        for i in range(len(out)):
            out[i] = number_at(first, start + i)
    elif how == WORDS:
        for i in range(len(out)):
            out[i] = number_at(second, word_at(first, start + i))
    elif how == FLAGS:
        _flags(first, second, start, out)
    elif how == FIGURES:
        _pair_bands(sources, c, start, out, other)


@compiled
def code_rows(
    sources: Sources, of_pipes: Codes, at: Places, begin: tuple[int, int], out: Codes, bands: Codes
) -> None:
    """Write the numbers of rows from ``begin[0]`` on, a row of `out` for each, by column.

    `of_pipes` has the numbers of the pipes, which come first, and `at` the pipe of each row. Of a
    figure it is the number of the bands of both ends; 0 = nothing is known. `bands` is room, two
    rows. What is fixed or not read stays as it is; so does nothing known where few rows have a
    figure, once those of the rows are taken away that `out` holds, from ``begin[1]`` on; -1 = none.
    """
    count, (start, before) = len(at), begin
    for i in range(count):
        row = nth(at[i])
        for c in range(of_pipes.shape[1]):
            out[i, c] = of_pipes[row, c]
    for c in range(of_pipes.shape[1], len(sources.how)):
        if sources.how[c] == SCATTERED:
            if before >= 0:
                _wipe(sources, c, before, out)
            _scatter(sources, c, start, out[:count])
        elif sources.how[c] != FIXED:
            _numbers(sources, c, start, bands[0, :count], bands[1, :count])
            for i in range(count):
                out[i, c] = bands[0, i]
