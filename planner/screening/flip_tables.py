"""What the walk of flips reads and writes: figures and their ways, spans, what was asked."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening.rule_kernel import Bits, Bytes, Codes, Ints, Numbers, Room, Words

# Columns of `Figures.facts`: own column of codes and that of the share of the diameter, the
# number of the share's figure, of the figure whose share this is; -1 = none.
COLUMN, RATIO_COLUMN, RATIO, MAIN = 0, 1, 2, 3
# What the walk stands at: the unlike span that was set up, its figure, what bars a sleeve there.
SPAN_HELD, FIGURE_HELD, BARRED, STANDS_AT = range(4)
NOT_ASKED = -1
# No share has these bits.
NO_WAY = np.uint64((1 << 64) - 1)


class Figures(NamedTuple):
    """The figures of spans, one row each, and where rules cut them.

    The last row is no figure: it stands for what an assumed extent lends, taken away.

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
    unknown); 0 = it is known of no span. Where few have it, `at` tells where these rows lie
    (int32, rising), `known` of them, and `reached` is the one that the walk has come to; else 0.
    """

    of_row: npt.NDArray[np.int32]
    begin: int
    low: Ints
    high: Ints
    at: Ints
    known: Ints
    reached: Ints


class Asked(NamedTuple):
    """What was asked of unlike spans, a row for each; with one row, of the last one alone.

    `whose` is the unlike span of the row, -1 = none yet; `figures` as bits those that it is asked
    of. `verdicts` has those that a figure would lead to, by its band and that of its share, after
    them the share as it lies; `NOT_ASKED` where that was not asked yet. The steps of a figure's
    way that lead to another verdict stand as bits in `turns`, by the share, as bits too, in `way`.
    """

    whose: Ints
    figures: Ints
    verdicts: Bytes
    way: Words
    turns: Words


class Paths(NamedTuple):
    """Ways of figures through all their bands, a row for each.

    The first rows are those of `Figures`, without a share; behind them stand those of figures
    that are moved with it, each for one share of the diameter that one mm is. `figure` is -1
    where a row is free, `steps` tells how many there are; at each the figure is moved to a value
    at a cut, the edge, and what that leads to stands in `Asked.verdicts` at a place.
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
