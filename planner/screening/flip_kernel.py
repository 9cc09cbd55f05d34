"""The nearest flip of each verdict, span by span on flat arrays: what `margins` finds, compiled.

Each known figure is moved, alone, through all the bands that its cuts make; the rules that
name it are heard again, what the others said is kept.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening import bands, rule_kernel
from planner.screening.bands import band_of, compiled, within
from planner.screening.rule_kernel import (
    LIVE,
    PLANES,
    STOPPED,
    Bits,
    Codes,
    Ints,
    Numbers,
    Places,
    Room,
    Words,
    add_said,
    bar_of,
    hear,
    hear_pipe,
    hold_all,
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


class Figures(NamedTuple):
    """The figures of spans, one row each, and where rules cut them.

    `cuts` and `ratio_cuts` hold the cuts of figure k from ``cuts_from[k]`` on; `bands` and
    `bands_from` those by which the columns of the book are coded. `moved` are the rules that
    name a figure or its share, `lent` the columns that an assumed extent lends.
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


class Flips(NamedTuple):
    """Per span: figure that flips it (-1 = none), verdict then (both int8), close; where, by."""

    figure: npt.NDArray[np.int8]
    to: npt.NDArray[np.int8]
    close: npt.NDArray[np.int8]
    at: Numbers
    by: Numbers

    def part(self, start: int, stop: int) -> Flips:
        """Give the flips of some spans, to be written to."""
        here = slice(start, stop)
        return Flips(
            self.figure[here], self.to[here], self.close[here], self.at[here], self.by[here]
        )


class Span(NamedTuple):
    """Spans to be moved, as in `Rows`: verdicts, which of them are looked at and how, figures.

    `wanted` is 1, with 2 added where conditions are lent by an assumed extent alone. `low`
    and `high` have a row for each figure, NaN where unknown.
    """

    codes: Codes
    of_pipes: Codes
    at: Places
    sets: Codes
    verdict: npt.NDArray[np.int8]
    wanted: npt.NDArray[np.int8]
    low: Numbers
    high: Numbers


class Task(NamedTuple):
    """All that the walk needs, and room for moving one figure.

    In `base` stands what the rules said that do not name it, in `naming` which rules may speak
    that do (as in `Room.held`), in `above` the verdict in the band above each of its `cuts`.
    """

    spans: Span
    figures: Figures
    bits: Bits
    flips: Flips
    room: Room
    cuts: Numbers
    base: Ints
    naming: Words
    above: Ints


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
def _code(column: int, low: float, high: float, figures: Figures) -> int:
    """Give the number of a figure in a column of the book."""
    cuts = figures.bands[figures.bands_from[column] : figures.bands_from[column + 1]]
    return 1 + band_of(low, cuts) * (2 * len(cuts) + 1) + band_of(high, cuts)


@within
def _hear_others(i: int, figure: int, task: Task) -> None:
    """Add what the rules say that do not name a figure; keep which do, but for the figure."""
    bits, room, set_, codes = task.bits, task.room, task.spans.sets[i], task.spans.codes[i]
    hold_all(bits, set_, codes, (-1, -1), room.of_pipe, room.held)
    _keep(room.held, task.figures.moved[figure], OTHERS)
    hear(bits, room)
    facts = task.figures.facts[figure]
    without = (facts[COLUMN], facts[RATIO_COLUMN])
    hold_all(bits, set_, codes, without, room.of_pipe, task.naming)
    _keep(task.naming, task.figures.moved[figure], NAMING)


@within
def _keep(held: Words, moved: Words, which: int) -> None:
    """Keep of the rules held those that name a figure, or those that do not."""
    for w in range(len(moved)):
        held[w, LIVE] &= moved[w] if which == NAMING else ~moved[w]


@within
def _hear_naming(i: int, figure: int, task: Task) -> None:
    """Add what the rules say that name a figure, moved to where it is now."""
    bits, held, codes = task.bits, task.room.held, task.spans.codes[i]
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
def _names(i: int, figure: int, task: Task) -> bool:
    """Tell whether some rule of a span's mechanisms names a figure."""
    for w in range(task.figures.moved.shape[1]):
        if task.bits.applies[task.spans.sets[i], w] & task.figures.moved[figure, w]:
            return True
    return False


@within
def _known(i: int, figure: int, task: Task) -> bool:
    """Tell whether anything is known of a figure."""
    return not (np.isnan(task.spans.low[figure, i]) and np.isnan(task.spans.high[figure, i]))


@within
def _point(kind: int, k: int, count: int, cuts: Numbers) -> float:
    """Give a figure on the cut k (kind 0), in the band below it (1) or above it (2)."""
    if kind == 0:
        return float(cuts[k])
    if kind == 1:
        return float(((cuts[k - 1] if k > 0 else 0.0) + cuts[k]) / 2.0)
    return float((cuts[k] + (cuts[k + 1] if k + 1 < count else cuts[k] + 2.0)) / 2.0)


@within
def _put(i: int, figure: int, value: float, per_mm: float, task: Task) -> None:
    """Put a figure in place of a span's own, and its share of the diameter with it."""
    spans, figures = task.spans, task.figures
    column, ratio_column = figures.facts[figure, COLUMN], figures.facts[figure, RATIO_COLUMN]
    if column >= 0:
        spans.codes[i, column] = _code(column, value, value, figures)
    if ratio_column >= 0:
        ratio = figures.facts[figure, RATIO]
        low, high = _known_ends(spans.low[ratio, i], spans.high[ratio, i])
        if not np.isnan(per_mm):
            low, high = value * per_mm, value * per_mm
        spans.codes[i, ratio_column] = _code(ratio_column, low, high, figures)


@within
def _move(i: int, figure: int, best: float, task: Task) -> float:
    """Move one figure of one span through its bands; gives the nearest flip's share of its cut."""
    spans, flips, total = task.spans, task.flips, task.room.total
    low, high = _known_ends(spans.low[figure, i], spans.high[figure, i])
    per_mm, ratio = np.nan, task.figures.facts[figure, RATIO]
    if ratio >= 0:
        share_low, share_high = _known_ends(spans.low[ratio, i], spans.high[ratio, i])
        per_mm = _per_mm(low, high, share_low, share_high)
    count = _cuts_for(figure, task.figures, per_mm, task.cuts)
    _hear_others(i, figure, task)
    copy(total, task.base)
    for step in range(3 * count):
        kind, k = step // count, step % count
        value, edge = _point(kind, k, count, task.cuts), task.cuts[k]
        if kind == 2 and k + 1 < count:  # the band below the next cut, which was asked before
            now = task.above[k]
        else:
            _put(i, figure, value, per_mm, task)
            copy(task.base, total)
            _hear_naming(i, figure, task)
            now = _verdict(total)
        if kind == 1 and k > 0:
            task.above[k - 1] = now
        if now == spans.verdict[i]:
            continue
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
def _rests_on_lent(i: int, barred: int, task: Task) -> bool:
    """Tell whether a verdict is another without what an assumed extent lends."""
    spans, figures, room = task.spans, task.figures, task.room
    for k in range(len(figures.lent)):
        spans.codes[i, figures.lent[k]] = 0  # nothing known
    start(task.bits.owned[spans.sets[i]], task.bits, barred, room.total)
    hold_all(task.bits, spans.sets[i], spans.codes[i], (-1, -1), room.of_pipe, room.held)
    hear(task.bits, room)
    return bool(_verdict(room.total) != spans.verdict[i])


def _made_of(parts: int) -> Callable[[Task, Codes], None]:
    """Give the walk; `parts` tells what is kept of it on disk from that of other parts."""

    @compiled
    def flip_rows(task: Task, own_codes: Codes) -> None:
        """Find the nearest flip of each span; `own_codes` is room for the codes of one."""
        spans, bits, figures = task.spans, task.bits, task.figures
        if parts < 0:
            return
        for i in range(len(spans.sets)):
            if spans.wanted[i] == 0:
                continue
            best, own = np.inf, bits.owned[spans.sets[i]]
            copy(spans.codes[i], own_codes)
            hear_pipe(bits, spans.of_pipes[spans.at[i]], task.room.of_pipe)
            barred = bar_of(own, bits, own_codes)
            for figure in range(len(figures.facts)):
                if not _names(i, figure, task) or not _known(i, figure, task):
                    continue
                main = figures.facts[figure, MAIN]
                if main >= 0 and _known(i, main, task):
                    continue  # moved with its figure in mm
                start(own, bits, barred, task.room.total)
                best = _move(i, figure, best, task)
                copy(own_codes, spans.codes[i])
            if spans.wanted[i] & 2 and _rests_on_lent(i, barred, task):
                task.flips.close[i] = 1

    return flip_rows


_PARTS = b"".join(Path(str(one.__file__)).read_bytes() for one in (bands, rule_kernel))
flip_rows = _made_of(zlib.crc32(_PARTS))
