"""How far verdicts judged in numbers are from others: `margins` for a city."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded, Columns
from planner.contracts.verdicts import SPAN_QUANTITIES, VERDICT_WORDS
from planner.screening.coded import Coded as Judged
from planner.screening.coded import Reader, in_parts, room
from planner.screening.column_codes import Key, floats
from planner.screening.flip_kernel import Figures, Flips, Span, Task, flip_rows
from planner.screening.margins import LENT, TIED, columns_of, cuts_in
from planner.screening.parted_texts import parted_texts
from planner.screening.rule_bits import Book, words_for
from planner.screening.rule_kernel import OUT_MENDED, OUT_VERDICT, PLANES, TOTALS
from planner.screening.rulebook import Rulebook

Numbers = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]

_NAMES = list(SPAN_QUANTITIES)


def flips_of(coded: Judged, rulebook: Rulebook) -> Flips:
    """Find the nearest flip of each verdict, in numbers.

    Parameters
    ----------
    coded
        What was judged.
    rulebook
        The book that it was held against.
    """
    count, book = len(coded), coded.book
    columns = tuple(book.columns)
    figures = rulebook.made(("figures", columns), lambda: _figures(book, rulebook))
    flips = Flips(
        np.full(count, -1, dtype=np.int8),
        np.zeros(count, dtype=np.int8),
        np.zeros(count, dtype=np.int8),
        np.full(count, np.nan),
        np.full(count, np.nan),
    )
    ends = [_ends_of(coded, name) for name in _NAMES]
    low, high = [low for low, _ in ends], [high for _, high in ends]
    wanted = _wanted(coded)
    verdict = np.ascontiguousarray(coded.told.codes[:, OUT_VERDICT])
    reader = Reader(book, coded.at)
    widest = int(np.diff(figures.cuts_from).max() + np.diff(figures.ratio_from).max())

    def flip(start: int, stop: int) -> None:
        own_room, own_codes = room(book), np.empty(len(book.columns), dtype=np.int16)
        base = np.empty(TOTALS, dtype=np.int64)
        naming = np.empty((words_for(len(book.rules)), PLANES), dtype=np.uint64)
        above = np.empty(widest + 1, dtype=np.int64)
        cuts = np.empty(widest + 1)
        for begin, end, codes in reader.parts(start, stop):
            here = slice(begin, end)
            spans = Span(
                codes,
                reader.of_pipes,
                coded.at[here],
                book.owned.of_span[here],
                verdict[here],
                wanted[here],
                np.stack([some[here] for some in low]),
                np.stack([some[here] for some in high]),
            )
            part = flips.part(begin, end)
            task = Task(spans, figures, book.bits, part, own_room, cuts, base, naming, above)
            flip_rows(task, own_codes)

    in_parts(count, flip)
    return flips


def margins_in_words(flips: Flips) -> Columns:
    """Put flips into words: the columns of `VERDICTS` that `margins.margins_of` gives otherwise."""
    figure = flips.figure.astype(np.int32)
    to = np.where(figure < 0, -1, flips.to).astype(np.int32)
    return {
        "close_call": flips.close != 0,
        "flip_column": Coded.listing([*_NAMES, ""], figure),
        "flip_at": flips.at,
        "flip_by": flips.by,
        "flip_unit": Coded.listing([*SPAN_QUANTITIES.values(), ""], figure),
        "flip_to": Coded.listing([*VERDICT_WORDS, ""], to),
    }


def _ends_of(coded: Judged, name: str) -> tuple[Numbers, Numbers]:
    """Give least and most of a figure, NaN where unknown."""
    column = coded.book.columns.get(Key("span", name))
    if column is not None and column.low is not None and column.high is not None:
        return column.low, column.high
    things = coded.view.things
    return floats(things, f"{name}_low"), floats(things, f"{name}_high")


def _wanted(coded: Judged) -> npt.NDArray[np.int8]:
    """Mark spans to look at, with 2 added where an assumed extent lends a condition."""
    lent = ~_holds(coded, "lent", "")
    if lent.any():
        lent &= _holds(coded, "extent_from", "assumed") & _holds(coded, "role", "damage")
    open_ = coded.told.codes[:, OUT_MENDED] == 0
    return np.where(open_, 1 + 2 * lent, 0).astype(np.int8)


def _holds(coded: Judged, column: str, word: str) -> npt.NDArray[np.bool_]:
    parted = parted_texts(coded.view.things[column])
    return parted.values(np.asarray([text.strip() == word for text in parted.texts], dtype=bool))


def _figures(book: Book, rulebook: Rulebook) -> Figures:
    """Say where the rules cut each figure, and which rules name it."""
    numbers = {key: number for number, key in enumerate(book.columns)}
    mains = {ratio: main for main, ratio in TIED.items()}
    facts, moved = [], np.zeros((len(_NAMES), words_for(len(book.rules))), dtype=np.uint64)
    for figure, name in enumerate(_NAMES):
        ratio = TIED.get(name, "")
        facts.append(
            [
                numbers.get(Key("span", name), -1),
                numbers.get(Key("span", ratio), -1),
                _NAMES.index(ratio) if ratio else -1,
                _NAMES.index(mains[name]) if name in mains else -1,
            ]
        )
        for k, rule in enumerate(book.rules):
            if rule.about == "span" and {name, ratio} & columns_of(rule):
                moved[figure, k >> 6] |= np.uint64(1) << np.uint64(k & 63)
    cuts = [cuts_in(rulebook, name) for name in _NAMES]
    none = np.zeros(0)
    ratios = [cuts_in(rulebook, TIED[name]) if name in TIED else none for name in _NAMES]
    bands = [none if column.cuts is None else column.cuts for column in book.columns.values()]
    lent = [Key("span", name) for name in (*LENT, "lent")]
    lent = [key for key in lent if key in numbers]
    return Figures(
        np.array(facts, dtype=np.int64),
        *_end_to_end(cuts),
        *_end_to_end(ratios),
        *_end_to_end(bands),
        moved,
        np.array([numbers[key] for key in lent], dtype=np.int64),
    )


def _end_to_end(parts: list[Numbers]) -> tuple[Numbers, Ints]:
    ends = np.cumsum([0, *(len(part) for part in parts)])
    return np.concatenate(parts), ends.astype(np.int64)
