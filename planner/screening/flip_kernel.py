"""The nearest flip of each verdict, span by span on flat arrays: what `margins` finds, compiled.

Each known figure is moved, alone, through all the bands that its cuts make; the rules that
name it are heard again, what the others said is kept. What they come to hangs on the band alone:
of spans that no rule tells apart it is asked once.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening import bands, rule_kernel
from planner.screening.bands import band_of, compiled, figure_at, plain, within
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


class Figures(NamedTuple):
    """The figures of spans, one row each, and where rules cut them.

    `cuts` and `ratio_cuts` hold the cuts of figure k from ``cuts_from[k]`` on; `bands` and
    `bands_from` those by which the columns of the book are coded. `moved` are the rules that
    name a figure or its share, `lent` the columns that an assumed extent lends. What `Asked`
    keeps of figure k begins at ``verdicts_from[k]`` and ``steps_from[k]``.
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
    steps_from: Ints


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

    `whose` is the unlike span of the row, -1 = none yet; `figures` as bits those that may flip
    it, `close` whether its verdict rests on what is lent. `verdicts` has those that a figure
    would lead to, by its band and that of its share, after them the share as it lies;
    `NOT_ASKED` where that was not asked yet. `steps` are those that lead to another verdict,
    `counts` how many (-1 = not asked): of figures without a share, which are moved alike in all
    such spans.
    """

    whose: Ints
    figures: Ints
    close: Bytes
    verdicts: Bytes
    steps: Codes
    counts: Codes


class Task(NamedTuple):
    """All that the walk needs, and room for moving one figure.

    `own` are the numbers of the unlike span that is moved. In `base` stands what the rules said
    that do not name the figure, in `naming` which rules may speak that do (as in `Room.held`).
    """

    spans: Span
    unlike: Unlike
    asked: Asked
    figures: Figures
    bits: Bits
    flips: Flips
    room: Room
    own: Codes
    cuts: Numbers
    base: Ints
    naming: Words
    stands: Ints


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


@plain
def _ask(c: int, figure: int, band: int, share: int, task: Task) -> int:
    """Find the verdict of an unlike span with a figure, and its share, in some bands."""
    facts, own, codes = task.figures.facts[figure], task.own, task.unlike.codes
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
def _verdict_at(c: int, row: int, figure: int, band: int, share: int, task: Task) -> int:
    """Give the verdict of an unlike span with a figure in some bands, asked once."""
    facts, shares, verdicts = task.figures.facts[figure], 1, task.asked.verdicts
    if facts[RATIO] >= 0:
        shares = _bands_for(facts[RATIO_COLUMN], task.figures) + 1
    place = task.figures.verdicts_from[figure] + band * shares + share
    if verdicts[row, place] == NOT_ASKED:
        verdicts[row, place] = _ask(c, figure, band, share, task)
    return verdicts[row, place]


@within
def _point(kind: int, k: int, count: int, cuts: Numbers) -> float:
    """Give a figure on the cut k (kind 0), in the band below it (1) or above it (2)."""
    if kind == 0:
        return float(cuts[k])
    if kind == 1:
        return float(((cuts[k - 1] if k > 0 else 0.0) + cuts[k]) / 2.0)
    return float((cuts[k] + (cuts[k + 1] if k + 1 < count else cuts[k] + 2.0)) / 2.0)


@plain
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


@plain
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
        if named:
            asked.figures[row] |= 1 << figure
            asked.counts[row, figure] = -1
            for k in range(begin[figure], begin[figure + 1]):
                asked.verdicts[row, k] = NOT_ASKED
    if unlike.wanted[c] & 2:
        _set_up(c, task)
        asked.close[row] = _rests_on_lent(task)


@plain
def _ask_steps(c: int, row: int, figure: int, task: Task) -> None:
    """Find the steps of a figure without a share that lead to another verdict."""
    asked, figures = task.asked, task.figures
    begin, column = figures.cuts_from[figure], figures.facts[figure, COLUMN]
    cuts = figures.cuts[begin : figures.cuts_from[figure + 1]]
    count, found = len(cuts), 0
    for step in range(3 * count):
        value = _point(step // count, step % count, count, cuts)
        band = _band(column, value, figures)
        if _verdict_at(c, row, figure, band, 0, task) != task.unlike.verdict[c]:
            asked.steps[row, figures.steps_from[figure] + found] = step
            found += 1
    asked.counts[row, figure] = found
    if found == 0:
        asked.figures[row] &= ~(1 << figure)


@within
def _take(
    i: int, figure: int, step: tuple[float, float, int], ends: tuple[float, float], best: float,
    flips: Flips,
) -> float:  # fmt: skip
    """Take a step to another verdict if it is nearer; gives the nearest one's share of its cut."""
    (value, edge, now), (low, high) = step, ends
    inside = value >= low and value <= high
    away = 0.0 if inside else max(edge - high, low - edge, 0.0)
    if inside or (away == 0.0 and away / max(edge, 1e-9) < best):
        flips.close[i] = 1
    # Of equals the first counts: figures in their order, cuts before bands, small before large.
    if away / max(edge, 1e-9) < best:
        best = away / max(edge, 1e-9)
        flips.figure[i], flips.to[i], flips.at[i], flips.by[i] = figure, now, edge, away
    return best


@within
def _move(
    i: int, row: int, figure: int, ends: tuple[float, float], best: float, task: Task
) -> float:
    """Move a figure without a share of one span to where it leads to another verdict."""
    figures, asked, c = task.figures, task.asked, task.spans.of_row[i]
    if asked.counts[row, figure] < 0:
        _ask_steps(c, row, figure, task)
    cuts = figures.cuts[figures.cuts_from[figure] : figures.cuts_from[figure + 1]]
    count, column = len(cuts), figures.facts[figure, COLUMN]
    for n in range(asked.counts[row, figure]):
        step = asked.steps[row, figures.steps_from[figure] + n]
        value, edge = _point(step // count, step % count, count, cuts), cuts[step % count]
        now = asked.verdicts[row, figures.verdicts_from[figure] + _band(column, value, figures)]
        best = _take(i, figure, (value, edge, now), ends, best, task.flips)
    return best


@within
def _move_both(
    i: int, row: int, figure: int, ends: tuple[float, float], per_mm: float, best: float, task: Task
) -> float:
    """Move a figure of one span with its share through all its bands."""
    figures, c = task.figures, task.spans.of_row[i]
    column, ratio_column = figures.facts[figure, COLUMN], figures.facts[figure, RATIO_COLUMN]
    as_it_lies = _bands_for(ratio_column, figures)
    count = _cuts_for(figure, figures, per_mm, task.cuts)
    for step in range(3 * count):
        kind, k = step // count, step % count
        value, edge, share = _point(kind, k, count, task.cuts), task.cuts[k], as_it_lies
        if not np.isnan(per_mm):
            share = _band(ratio_column, value * per_mm, figures)
        now = _verdict_at(c, row, figure, _band(column, value, figures), share, task)
        if now != task.unlike.verdict[c]:
            best = _take(i, figure, (value, edge, now), ends, best, task.flips)
    return best


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
    spans, facts, best = task.spans, task.figures.facts, np.inf
    left = np.uint64(task.asked.figures[row])
    while left:
        figure = np.int64(lowest(left))
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
        if ratio < 0:
            best = _move(i, row, figure, ends, best, task)
            continue
        share_low, share_high = _ends(i, ratio, spans)
        share = _known_ends(share_low, share_high)
        per_mm = _per_mm(ends[0], ends[1], share[0], share[1])
        best = _move_both(i, row, figure, ends, per_mm, best, task)


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
