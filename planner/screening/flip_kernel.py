"""The nearest flip of each verdict, span by span on flat arrays: what `margins` finds, compiled.

Each known figure is moved, alone, through all the bands that its cuts make; the rules that
name it are heard again, what the others said is kept. What they come to hangs on the band alone:
of spans that no rule tells apart it is asked once.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, cast

import numpy as np
import numpy.typing as npt
from numba import types
from numba.extending import intrinsic

from planner.screening import bands, rule_kernel
from planner.screening.bands import band_of, compiled, figure_at, within
from planner.screening.rule_kernel import (
    LIVE,
    PLANES,
    STOPPED,
    Bits,
    Bytes,
    Codes,
    Ints,
    Numbers,
    Room,
    Words,
    add_said,
    bar_of,
    hear,
    hear_pipe,
    hold_all,
    lowest,
    need_of,
    start,
    state_of,
    verdict_of,
)

# Columns of `Figures.facts`: own column of codes and that of the share of the diameter, the
# number of the share's figure, of the figure whose share this is; -1 = none.
COLUMN, RATIO_COLUMN, RATIO, MAIN = 0, 1, 2, 3
# Rules that name a figure, and all others.
OTHERS, NAMING = 0, 1
# What the walk stands at: the unlike span that was set up, its figure, what bars a sleeve there.
SPAN_HELD, FIGURE_HELD, BARRED, STANDS_AT = range(4)
NOT_ASKED = -1
_SPREAD = np.uint64(0x9E3779B97F4A7C15)


class Figures(NamedTuple):
    """The figures of spans, one row each, and where rules cut them.

    `cuts` and `ratio_cuts` hold the cuts of figure k from ``cuts_from[k]`` on; `bands` and
    `bands_from` those by which the columns of the book are coded. `moved` are the rules that
    name a figure or its share, `lent` the columns that an assumed extent lends. The verdicts of
    figure k in `Asked` begin at ``verdicts_from[k]``.
    """

    facts: Ints
    cuts: Numbers
    cuts_from: Ints
    ratio_cuts: Numbers
    ratio_from: Ints
    bands: Numbers
    bands_from: Ints
    moved: Words
    lent: Ints
    verdicts_from: Ints


class Flips(NamedTuple):
    """Per span: figure that flips it (-1 = none), verdict then (both int8), close; where, by."""

    figure: Bytes
    to: Bytes
    close: Bytes
    at: Numbers
    by: Numbers

    def part(self, start: int, stop: int) -> Flips:
        """Give the flips of some spans, to be written to."""
        here = slice(start, stop)
        return Flips(
            self.figure[here], self.to[here], self.close[here], self.at[here], self.by[here]
        )


class Unlike(NamedTuple):
    """Unlike spans to be moved: numbers and verdicts, and whether they are looked at at all."""

    codes: Codes
    verdict: Bytes
    wanted: Bytes


class Span(NamedTuple):
    """Spans to be moved: which unlike one each is, and their figures from row `begin` on.

    `low` and `high` tell where the ends of each figure lie in memory (float64, NaN where
    unknown); 0 = it is known of no span.
    """

    of_row: npt.NDArray[np.int32]
    begin: int
    low: Ints
    high: Ints


class Asked(NamedTuple):
    """What was asked of unlike spans, a row for each; with one row, of the last one alone.

    `whose` is the unlike span of the row, -1 = none yet; `figures` as bits those that it is asked
    of, `close` whether its verdict rests on what is lent. `verdicts` has those that a figure
    would lead to, by its band and that of its share, after them the share as it lies;
    `NOT_ASKED` where that was not asked yet.
    """

    whose: Ints
    figures: Ints
    close: Bytes
    verdicts: Bytes


class Paths(NamedTuple):
    """Ways of figures through all their bands, a row for each.

    The first rows are those of figures without a share; behind them stand those of figures that
    are moved with it, each for one share of the diameter that one mm is. `figure` is -1 where a
    row is free, `steps` tells how many there are; at each the figure is moved to a value at
    a cut, the edge, and what that leads to stands in `Asked.verdicts` at a place.
    """

    figure: Ints
    per_mm: Numbers
    steps: Ints
    values: Numbers
    edges: Numbers
    places: Ints


class Task(NamedTuple):
    """All that the walk needs, and room for moving one figure.

    `own` are the numbers of the unlike span that is moved. In `base` stands what the rules said
    that do not name the figure, in `naming` which rules may speak that do (as in `Room.held`),
    in `best` the share of its cut of the nearest step so far.
    """

    spans: Span
    unlike: Unlike
    asked: Asked
    paths: Paths
    figures: Figures
    bits: Bits
    flips: Flips
    room: Room
    own: Codes
    base: Ints
    naming: Words
    stands: Ints
    best: Numbers


def _bits(_: Any, number: Any) -> Any:  # noqa: ANN401 - as numba calls it
    def generate(context: Any, builder: Any, __: Any, given: Any) -> Any:  # noqa: ANN401
        return builder.bitcast(given[0], context.get_value_type(types.uint64))

    return types.uint64(number), generate


# The bits of a figure.
bits_of = cast("Callable[[float], np.uint64]", intrinsic(_bits))


@within
def copy(values: npt.NDArray[np.integer], out: npt.NDArray[np.integer]) -> None:
    """Write `values` into `out`, which they do not overlap."""
    for k in range(len(out)):
        out[k] = values[k]


@within
def _verdict(total: Ints) -> int:
    """Give the verdict that what was heard comes to."""
    sleeve, liner, dig = state_of(0, total), state_of(1, total), state_of(2, total)
    return verdict_of(need_of(total), sleeve, liner, dig)


@within
def _per_mm(low: float, high: float, share_low: float, share_high: float) -> float:
    """Give the share of the diameter that one mm is, by a span's two figures; NaN if unknown."""
    if low > 0.0 and low < np.inf and share_low < np.inf:
        return share_low / low
    if high > 0.0 and high < np.inf and share_high < np.inf:
        return share_high / high
    return np.nan


@within
def _known_ends(low: float, high: float) -> tuple[float, float]:
    """Give least and most of a figure; an unknown end runs as far as it can."""
    return 0.0 if np.isnan(low) else low, np.inf if np.isnan(high) else high


@within
def _cuts_for(figure: int, figures: Figures, per_mm: float, cuts: Numbers) -> int:
    """Write all cuts of a figure in order, those of its share in mm; gives how many."""
    count = 0
    for k in range(figures.cuts_from[figure], figures.cuts_from[figure + 1]):
        cuts[count] = figures.cuts[k]
        count += 1
    if per_mm > 0.0:
        for k in range(figures.ratio_from[figure], figures.ratio_from[figure + 1]):
            value, at = figures.ratio_cuts[k] / per_mm, count
            while at > 0 and cuts[at - 1] > value:
                cuts[at] = cuts[at - 1]
                at -= 1
            cuts[at] = value
            count += 1
    return count


@within
def _set_up(c: int, task: Task) -> None:
    """Begin with an unlike span as it lies."""
    bits, own, stands = task.bits, task.own, task.stands
    copy(task.unlike.codes[c], own)
    hear_pipe(bits, own, task.room.of_pipe)
    stands[SPAN_HELD], stands[FIGURE_HELD] = c, -1
    stands[BARRED] = bar_of(bits.owned[own[bits.set_at]], bits, own)


@within
def _start(task: Task) -> None:
    """Begin with what holds of the span before any rule speaks."""
    bits = task.bits
    start(bits.owned[task.own[bits.set_at]], bits, task.stands[BARRED], task.room.total)


@within
def _hear_others(figure: int, task: Task) -> None:
    """Keep what the rules say that do not name a figure, and which do, but for the figure."""
    bits, room, codes = task.bits, task.room, task.own
    set_ = codes[bits.set_at]
    _start(task)
    hold_all(bits, set_, codes, (-1, -1), room.of_pipe, room.held)
    _keep(room.held, task.figures.moved[figure], OTHERS)
    hear(bits, room)
    copy(room.total, task.base)
    facts = task.figures.facts[figure]
    without = (facts[COLUMN], facts[RATIO_COLUMN])
    hold_all(bits, set_, codes, without, room.of_pipe, task.naming)
    _keep(task.naming, task.figures.moved[figure], NAMING)
    task.stands[FIGURE_HELD] = figure


@within
def _keep(held: Words, moved: Words, which: int) -> None:
    """Keep of the rules held those that name a figure, or those that do not."""
    for w in range(len(moved)):
        held[w, LIVE] &= moved[w] if which == NAMING else ~moved[w]


@within
def _hear_naming(figure: int, task: Task) -> None:
    """Add what the rules say that name a figure, moved to where it is now."""
    bits, held, codes = task.bits, task.room.held, task.own
    for w in range(len(held)):
        live = task.naming[w, LIVE]
        for plane in range(PLANES):
            held[w, plane] = task.naming[w, plane]
        if live == 0:
            continue
        held[w, STOPPED] = np.uint64(0)
        for k in (COLUMN, RATIO_COLUMN):
            column = task.figures.facts[figure, k]
            if column >= 0:
                add_said(bits, column, codes, w, held)
        held[w, LIVE] = live & ~held[w, STOPPED]
    hear(bits, task.room)


@within
def _bands_for(column: int, figures: Figures) -> int:
    """Give how many bands a column of the book has; one where it has none."""
    return (
        2 * (figures.bands_from[column + 1] - figures.bands_from[column]) + 1 if column >= 0 else 1
    )


@within
def _band(column: int, value: float, figures: Figures) -> int:
    """Give the band of a figure in a column of the book."""
    if column < 0:
        return 0
    return band_of(
        value, figures.bands[figures.bands_from[column] : figures.bands_from[column + 1]]
    )


@within
def _shares(figure: int, figures: Figures) -> int:
    """Give how many verdicts are kept of a band of a figure: by its share, and as that lies."""
    facts = figures.facts[figure]
    return _bands_for(facts[RATIO_COLUMN], figures) + 1 if facts[RATIO] >= 0 else 1


@within
def _ask(c: int, figure: int, place: int, task: Task) -> int:
    """Find the verdict of an unlike span with a figure, and its share, in some bands."""
    facts, own, codes = task.figures.facts[figure], task.own, task.unlike.codes
    shares = _shares(figure, task.figures)
    band = (place - task.figures.verdicts_from[figure]) // shares
    share = place - task.figures.verdicts_from[figure] - band * shares
    if task.stands[SPAN_HELD] != c:
        _set_up(c, task)
    if task.stands[FIGURE_HELD] != figure:
        _hear_others(figure, task)
    column, ratio_column = facts[COLUMN], facts[RATIO_COLUMN]
    if column >= 0:
        own[column] = 1 + band * (_bands_for(column, task.figures) + 1)
    if ratio_column >= 0:
        most = _bands_for(ratio_column, task.figures)
        if share < most:
            own[ratio_column] = 1 + share * (most + 1)
        elif own[ratio_column] == 0:  # as it lies: what is not known runs as far as it can
            own[ratio_column] = 1 + _band(ratio_column, 0.0, task.figures) * most + most - 1
    copy(task.base, task.room.total)
    _hear_naming(figure, task)
    if column >= 0:
        own[column] = codes[c, column]
    if ratio_column >= 0:
        own[ratio_column] = codes[c, ratio_column]
    return _verdict(task.room.total)


@within
def _point(kind: int, k: int, count: int, cuts: Numbers) -> float:
    """Give a figure on the cut k (kind 0), in the band below it (1) or above it (2)."""
    if kind == 0:
        return float(cuts[k])
    if kind == 1:
        return float(((cuts[k - 1] if k > 0 else 0.0) + cuts[k]) / 2.0)
    return float((cuts[k] + (cuts[k + 1] if k + 1 < count else cuts[k] + 2.0)) / 2.0)


@within
def _rests_on_lent(task: Task) -> bool:
    """Tell whether the verdict of the span set up is another without what an extent lends."""
    figures, room, bits, own = task.figures, task.room, task.bits, task.own
    for k in range(len(figures.lent)):
        own[figures.lent[k]] = 0  # nothing known
    _start(task)
    hold_all(bits, own[bits.set_at], own, (-1, -1), room.of_pipe, room.held)
    hear(bits, room)
    c = task.stands[SPAN_HELD]
    copy(task.unlike.codes[c], own)
    return bool(_verdict(room.total) != task.unlike.verdict[c])


@within
def _is_blank(c: int, figure: int, task: Task) -> bool:
    """Tell whether nothing is known of a figure that stands for itself, of an unlike span."""
    facts = task.figures.facts[figure]
    return bool(facts[RATIO] < 0 and task.unlike.codes[c, facts[COLUMN]] == 0)


@within
def _first_look(c: int, row: int, task: Task) -> None:
    """Begin to ask of an unlike span: which figures may flip it, and whether it rests on lent."""
    asked, bits, unlike, moved = task.asked, task.bits, task.unlike, task.figures.moved
    asked.whose[row], asked.figures[row], asked.close[row] = c, 0, 0
    if unlike.wanted[c] == 0:
        return
    set_, begin = unlike.codes[c, bits.set_at], task.figures.verdicts_from
    for figure in range(len(moved)):
        named = False
        for w in range(moved.shape[1]):
            named |= bits.applies[set_, w] & moved[figure, w] != 0
        if named and task.spans.low[figure] and not _is_blank(c, figure, task):
            asked.figures[row] |= 1 << figure
            for k in range(begin[figure], begin[figure + 1]):
                asked.verdicts[row, k] = NOT_ASKED
    if unlike.wanted[c] & 2:
        _set_up(c, task)
        asked.close[row] = _rests_on_lent(task)


@within
def _write_path(row: int, figure: int, per_mm: float, figures: Figures, paths: Paths) -> None:
    """Write the way of a figure through all its bands: its cuts, then below each, then above."""
    count = _cuts_for(figure, figures, per_mm, paths.edges[row])
    column, ratio_column = figures.facts[figure, COLUMN], figures.facts[figure, RATIO_COLUMN]
    shares = _shares(figure, figures)
    for kind in range(3):
        for k in range(count):
            n, edge, share = kind * count + k, paths.edges[row, k], shares - 1
            value = _point(kind, k, count, paths.edges[row])
            if not np.isnan(per_mm):
                share = _band(ratio_column, value * per_mm, figures)
            place = _band(column, value, figures) * shares + share
            paths.values[row, n], paths.edges[row, n] = value, edge
            paths.places[row, n] = figures.verdicts_from[figure] + place
    paths.figure[row], paths.per_mm[row], paths.steps[row] = figure, per_mm, 3 * count


@within
def _path_of(figure: int, per_mm: float, task: Task) -> int:
    """Give the way of a figure, written where it is not there yet."""
    paths, row, first = task.paths, figure, len(task.figures.facts)
    if task.figures.facts[figure, RATIO] >= 0:
        mixed = (bits_of(per_mm) ^ np.uint64(figure)) * _SPREAD >> np.uint64(32)
        row = first + int(np.int64(mixed % np.uint64(len(paths.figure) - first)))
    known = paths.per_mm[row]
    same = known == per_mm or (np.isnan(known) and np.isnan(per_mm))
    if paths.figure[row] != figure or not same:
        _write_path(row, figure, per_mm, task.figures, paths)
    return row


@within
def _take(i: int, figure: int, now: int, edge: float, away: tuple[float, bool], task: Task) -> None:
    """Take a step to another verdict if it is nearer: so far away from a span, or inside it."""
    flips, (far, inside) = task.flips, away
    share, best = far / max(edge, 1e-9), task.best
    if inside or (far == 0.0 and share < best[0]):
        flips.close[i] = 1
    # Of equals the first counts: figures in their order, cuts before bands, small before large.
    if share < best[0]:
        best[0] = share
        flips.figure[i], flips.to[i], flips.at[i], flips.by[i] = figure, now, edge, far


@within
def _away(value: float, edge: float, low: float, high: float) -> tuple[float, bool]:
    """Give how far a span's figure is from a cut, by where it is moved to; and if it may be so."""
    inside = value >= low and value <= high
    return 0.0 if inside else max(edge - high, low - edge, 0.0), inside


@within
def _move(i: int, row: int, path: int, ends: tuple[float, float], task: Task) -> None:
    """Move a figure of one span on its way to where it leads to another verdict."""
    asked, paths, c = task.asked, task.paths, task.spans.of_row[i]
    figure, verdict = paths.figure[path], task.unlike.verdict[c]
    for n in range(paths.steps[path]):
        place = paths.places[path, n]
        now = asked.verdicts[row, place]
        if now == NOT_ASKED:
            now = asked.verdicts[row, place] = _ask(c, figure, place, task)
        if now != verdict:
            edge = paths.edges[path, n]
            away = _away(paths.values[path, n], edge, ends[0], ends[1])
            _take(i, figure, now, edge, away, task)


@within
def _ends(i: int, figure: int, spans: Span) -> tuple[float, float]:
    """Give least and most of a figure of a span; NaN where unknown."""
    if spans.low[figure] == 0:
        return np.nan, np.nan
    at = spans.begin + i
    return figure_at(spans.low[figure], at), figure_at(spans.high[figure], at)


@within
def _flip(i: int, row: int, task: Task) -> None:
    """Find the nearest flip of one span."""
    spans, facts = task.spans, task.figures.facts
    left = np.uint64(task.asked.figures[row])
    task.best[0] = np.inf
    while left:
        figure = int(np.int64(lowest(left)))
        left &= left - np.uint64(1)
        low, high = _ends(i, figure, spans)
        if np.isnan(low) and np.isnan(high):
            continue
        main, ratio = facts[figure, MAIN], facts[figure, RATIO]
        if main >= 0:
            main_low, main_high = _ends(i, main, spans)
            if not (np.isnan(main_low) and np.isnan(main_high)):
                continue  # moved with its figure in mm
        ends = _known_ends(low, high)
        per_mm = np.nan
        if ratio >= 0:
            share_low, share_high = _ends(i, ratio, spans)
            share = _known_ends(share_low, share_high)
            per_mm = _per_mm(ends[0], ends[1], share[0], share[1])
        _move(i, row, _path_of(figure, per_mm, task), ends, task)


def _made_of(parts: int) -> Callable[[Task], None]:
    """Give the walk; `parts` tells what is kept of it on disk from that of other parts."""

    @compiled
    def flip_rows(task: Task) -> None:
        """Find the nearest flip of each span."""
        if parts < 0:
            return
        of_row, asked, flips = task.spans.of_row, task.asked, task.flips
        every = len(asked.whose) > 1
        task.stands[SPAN_HELD] = -1
        for row in range(len(asked.whose)):
            asked.whose[row] = -1
        for i in range(len(of_row)):
            c = of_row[i]
            row = c if every else 0
            if asked.whose[row] != c:
                _first_look(c, row, task)
            flips.figure[i], flips.to[i], flips.close[i] = -1, 0, asked.close[row]
            flips.at[i], flips.by[i] = np.nan, np.nan
            _flip(i, row, task)

    return flip_rows


_PARTS = b"".join(Path(str(one.__file__)).read_bytes() for one in (bands, rule_kernel))
flip_rows = _made_of(zlib.crc32(_PARTS))
