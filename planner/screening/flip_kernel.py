"""The nearest flip of each verdict, span by span on flat arrays: what `margins` finds, compiled.

Each known figure is moved, alone, through all the bands that its cuts make; the rules that
name it are heard again, what the others said is kept. What they come to hangs on the band alone:
of spans that no rule tells apart it is asked once.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from planner.screening import bands, flip_paths, flip_tables, rule_kernel
from planner.screening.bands import compiled, figure_at, nth, place_from, within, word_at
from planner.screening.flip_paths import band_at, bands_for, bits_of, path_of, shares_of
from planner.screening.flip_tables import (
    BARRED,
    COLUMN,
    FIGURE_HELD,
    MAIN,
    NO_WAY,
    NOT_ASKED,
    RATIO,
    RATIO_COLUMN,
    SPAN_HELD,
    Figures,
    Flips,
    Span,
    Task,
)
from planner.screening.rule_kernel import (
    LIVE,
    PLANES,
    STOPPED,
    Bits,
    Codes,
    Ints,
    Numbers,
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
def _part_rules(figure: int, task: Task) -> None:
    """Find the rules that speak and do not name a figure, and those that do, but for the figure.

    What is lent is taken away where that is asked.
    """
    bits, room, own, figures = task.bits, task.room, task.own, task.figures
    if figure == len(figures.facts) - 1:
        for k in range(len(figures.lent)):
            own[figures.lent[k]] = 0  # nothing known
    without, held = (-1, -1), room.held
    for naming in range(2):
        if naming:
            without = (figures.facts[figure, COLUMN], figures.facts[figure, RATIO_COLUMN])
            held = task.naming
        hold_all(bits, own[bits.set_at], own, without, room.of_pipe, held)
        for w in range(len(held)):
            held[w, LIVE] &= figures.moved[figure, w] if naming else ~figures.moved[figure, w]
    task.stands[FIGURE_HELD] = figure


@within
def _hold_moved(bits: Bits, facts: Ints, own: Codes, naming: Words, held: Words) -> None:
    """Find the rules that speak and name a figure, moved to where it is now."""
    for w in range(len(held)):
        live = naming[w, LIVE]
        for plane in range(PLANES):
            held[w, plane] = naming[w, plane]
        if live == 0:
            continue
        held[w, STOPPED] = np.uint64(0)
        for k in (COLUMN, RATIO_COLUMN):
            if facts[k] >= 0:
                add_said(bits, facts[k], own, w, held)
        held[w, LIVE] = live & ~held[w, STOPPED]


@within
def _put(figure: int, place: int, figures: Figures, own: Codes) -> None:
    """Put a figure, and its share, in the bands whose verdict stands at a place."""
    facts, bands_from = figures.facts[figure], figures.bands_from
    shares = shares_of(facts, bands_from)
    band = (place - figures.verdicts_from[figure]) // shares
    share = place - figures.verdicts_from[figure] - band * shares
    column, ratio_column = facts[COLUMN], facts[RATIO_COLUMN]
    if column >= 0:
        own[column] = 1 + band * (bands_for(column, bands_from) + 1)
    if ratio_column >= 0:
        most = bands_for(ratio_column, bands_from)
        if share < most:
            own[ratio_column] = 1 + share * (most + 1)
        elif own[ratio_column] == 0:  # as it lies: what is not known runs as far as it can
            least = band_at(ratio_column, 0.0, figures.bands, bands_from)
            own[ratio_column] = 1 + least * most + most - 1


@within
def _ask(c: int, figure: int, place: int, task: Task) -> int:
    """Find the verdict of an unlike span with a figure, and its share, in some bands.

    Notes
    -----
    What is heard is set in once, in a loop, and what holds as well: that takes long to compile.
    """
    bits, total, own, facts = task.bits, task.room.total, task.own, task.figures.facts[figure]
    stands, codes = task.stands, task.unlike.codes[c]
    mine = bits.owned[codes[bits.set_at]]
    if stands[SPAN_HELD] != c:
        hear_pipe(bits, codes, task.room.of_pipe)
        stands[SPAN_HELD], stands[FIGURE_HELD] = c, -1
        stands[BARRED] = bar_of(mine, bits, codes)
    heard = stands[FIGURE_HELD] == figure
    if not heard:
        copy(codes, own)
        _part_rules(figure, task)
        start(mine, bits, stands[BARRED], total)
    for naming in range(1 if heard else 0, 2):
        if naming:
            copy(task.base, total)
            _put(figure, place, task.figures, own)
            _hold_moved(bits, facts, own, task.naming, task.room.held)
        hear(bits, task.room)
        if not naming:
            copy(total, task.base)
    for k in (COLUMN, RATIO_COLUMN):
        if facts[k] >= 0:
            own[facts[k]] = codes[facts[k]]
    return _verdict(total)


@within
def _is_blank(codes: Codes, facts: Ints) -> bool:
    """Tell whether nothing is known of a figure that stands for itself, of an unlike span."""
    return bool(facts[RATIO] < 0 and codes[facts[COLUMN]] == 0)


@within
def _first_look(c: int, row: int, task: Task) -> None:
    """Begin to ask of an unlike span: which figures may flip it."""
    asked, bits, unlike, moved = task.asked, task.bits, task.unlike, task.figures.moved
    asked.whose[row], asked.figures[row] = c, 0
    if unlike.wanted[c] == 0:
        return
    set_, last = unlike.codes[c, bits.set_at], len(moved) - 1
    facts, begin = task.figures.facts, task.figures.verdicts_from
    for figure in range(len(moved)):
        named = False
        for w in range(moved.shape[1]):
            named |= bits.applies[set_, w] & moved[figure, w] != 0
        named = named and not _is_blank(unlike.codes[c], facts[figure])
        if named or (figure == last and unlike.wanted[c] & 2):
            asked.figures[row] |= 1 << figure
            asked.way[row, figure] = NO_WAY
            for k in range(begin[figure], begin[figure + 1]):
                asked.verdicts[row, k] = NOT_ASKED


@within
def _take(
    i: int, step: tuple[int, int, float], away: tuple[float, bool], best: Numbers, flips: Flips
) -> None:
    """Take a step to another verdict if it is nearer: so far away from a span, or inside it."""
    (figure, now, edge), (far, inside) = step, away
    share = far / max(edge, 1e-9)
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
def _turn(c: int, row: int, path: int, task: Task) -> None:
    """Find the steps of a figure's way that lead to another verdict than an unlike span's."""
    asked, paths = task.asked, task.paths
    figure, verdict = paths.figure[path], task.unlike.verdict[c]
    asked.way[row, figure] = bits_of(paths.per_mm[path])
    for w in range(asked.turns.shape[2]):
        asked.turns[row, figure, w] = np.uint64(0)
    for n in range(paths.steps[path]):
        place = paths.places[path, n]
        now = asked.verdicts[row, place]
        if now == NOT_ASKED:
            now = asked.verdicts[row, place] = _ask(c, figure, place, task)
        if now != verdict:
            asked.turns[row, figure, n >> 6] |= np.uint64(1) << np.uint64(n & 63)


@within
def _move(i: int, row: int, path: int, ends: tuple[float, float], task: Task) -> None:
    """Move a figure of one span on its way to where it leads to another verdict."""
    asked, paths, c = task.asked, task.paths, task.spans.of_row[i]
    figure, row, path = nth(paths.figure[nth(path)]), nth(row), nth(path)
    if asked.way[row, figure] != bits_of(paths.per_mm[path]):
        _turn(c, row, path, task)
    for w in range(asked.turns.shape[2]):
        left = asked.turns[row, figure, w]
        if left and figure == len(task.figures.facts) - 1:
            task.flips.close[i] = 1
            return
        while left:
            n = nth(64 * w + int(np.int64(lowest(left))))
            left &= left - np.uint64(1)
            now, edge = asked.verdicts[row, nth(paths.places[path, n])], paths.edges[path, n]
            away = _away(paths.values[path, n], edge, ends[0], ends[1])
            _take(i, (figure, now, edge), away, task.best, task.flips)


@within
def _ends(i: int, figure: int, spans: Span) -> tuple[float, float]:
    """Give least and most of a figure of a span; NaN where unknown."""
    if spans.low[figure] == 0:
        return np.nan, np.nan
    at, rows = spans.begin + i, spans.at[figure]
    if rows:
        n, known = spans.reached[figure], spans.known[figure]
        while n < known and word_at(rows, n) < at:
            n += 1
        spans.reached[figure] = n
        if n == known or word_at(rows, n) != at:
            return np.nan, np.nan
        at = n
    return figure_at(spans.low[figure], at), figure_at(spans.high[figure], at)


@within
def _is_known(i: int, figure: int, spans: Span) -> bool:
    """Tell whether anything is known of a figure of a span."""
    low, high = _ends(i, figure, spans)
    return not (np.isnan(low) and np.isnan(high))


@within
def _flip(i: int, row: int, task: Task) -> None:
    """Find the nearest flip of one span."""
    spans, facts = task.spans, task.figures.facts
    left = np.uint64(task.asked.figures[row])
    task.best[0] = np.inf
    while left:
        figure = int(np.int64(lowest(left)))
        left &= left - np.uint64(1)
        main, ratio, ends, per_mm = facts[figure, MAIN], facts[figure, RATIO], (0.0, 0.0), np.nan
        if figure < len(facts) - 1:
            # A share is moved with its figure in mm.
            low, high = _ends(i, figure, spans)
            if np.isnan(low) and np.isnan(high):
                continue
            if main >= 0 and _is_known(i, main, spans):
                continue
            ends = _known_ends(low, high)
        if ratio >= 0:
            share_low, share_high = _ends(i, ratio, spans)
            share = _known_ends(share_low, share_high)
            per_mm = _per_mm(ends[0], ends[1], share[0], share[1])
        _move(i, row, path_of(figure, per_mm, task.figures, task.paths), ends, task)


def _made_of(parts: int) -> Callable[[Task], None]:
    """Give the walk; `parts` tells what is kept of it on disk from that of other parts."""

    @compiled
    def flip_rows(task: Task) -> None:
        """Find the nearest flip of each span."""
        if parts < 0:
            return
        spans, asked, flips = task.spans, task.asked, task.flips
        of_row = spans.of_row
        for figure in range(len(spans.low)):
            spans.reached[figure] = 0
            if spans.at[figure]:
                spans.reached[figure] = place_from(
                    spans.at[figure], spans.known[figure], spans.begin
                )
        every = len(asked.whose) > 1
        task.stands[SPAN_HELD] = -1
        if not every:
            asked.whose[0] = -1
        for i in range(len(of_row)):
            c = of_row[i]
            row = c if every else 0
            if asked.whose[row] != c:
                _first_look(c, row, task)
            flips.figure[i], flips.to[i], flips.close[i] = -1, 0, 0
            flips.at[i], flips.by[i] = np.nan, np.nan
            _flip(i, row, task)

    return flip_rows


_MADE_OF = (bands, flip_paths, flip_tables, rule_kernel)
_PARTS = b"".join(Path(str(one.__file__)).read_bytes() for one in _MADE_OF)
flip_rows = _made_of(zlib.crc32(_PARTS))
