"""What all ways of many pipes take, listed at once over flat arrays.

`chain.steps_of` says the same of one way, with reasons, and is the place to read it; here it is
listed for pricing, with the moves besides, and a test compares the two. A mask has a row for
each pipe, span or sleeve, a column for each of `ORDER`, and marks those that a line is for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.coded_text import Coded
from planner.contracts.repairs import STEPS
from planner.repairs.chain import AT_SPAN, CUTS, Piece
from planner.repairs.jobs import IS_LINED, ORDER, SLEEVE, Floats, Jobs, Marks, Wholes

# Parts of a way, by what they live as long as; what prepares the pipe lives with the main one.
PARTS = ("sleeve", "liner", "dig")
_MAIN = np.array(
    [PARTS.index("liner" if lined else way) for way, lined in zip(ORDER, IS_LINED, strict=True)]
)
# What a line can be of, in the order of lines: moves of sleeves, liner and digs, then steps.
ITEMS = ("setup", "setup_liner", "setup_dig", *STEPS, "end_seal")
CODE = {item: code for code, item in enumerate(ITEMS)}
# What is counted, whatever its length.
_COUNTED = [CODE[item] for item in ("setup", "setup_liner", "setup_dig", "reopen", "end_seal")]
# What a rule may ask for first that makes a step.
_ASKED = (*AT_SPAN, "prove_laterals", "look")


@dataclass(frozen=True)
class Lines:
    """Lines as columns; those of one way lie from its bound to the next.

    `item` and `part` are places in `ITEMS` and `PARTS`, `piece` one in `pieces`, -1 = none.
    A line is priced `times` at dn_mm [mm] and length_m [m]. What is `beside` a sleeve, within
    the cost that placement gave it, stands right below it.
    """

    bounds: Wholes
    item: Wholes
    part: Wholes
    piece: Wholes
    dn_mm: Floats
    length_m: Floats
    times: Wholes
    beside: Marks
    pieces: Sequence[Piece]

    @property
    def way(self) -> Wholes:
        """Give the number of the way that each line belongs to."""
        return np.repeat(np.arange(len(self.bounds) - 1), np.diff(self.bounds))


@dataclass(frozen=True)
class Ways:
    """The pipe and the method of each way, as places in `jobs` and in `ORDER`.

    Those of one pipe stand together.
    """

    jobs: Jobs
    job: Wholes
    method: Wholes

    def only(self, wanted: Marks) -> Ways:
        """Give those that are wanted."""
        return Ways(self.jobs, self.job[wanted], self.method[wanted])


def list_lines(ways: Ways, named: frozenset[str]) -> Lines:
    """List what each way takes: the moves, then its steps in their order.

    Sleeves and liner are moved to the pipe each with a price of their own: ``setup`` and
    ``setup_liner`` (``setup`` where the prices name none). Digs have a move only where
    ``setup_dig`` is priced; else it is within the dig. Reopenings and sealed ends are counted,
    their length is none; sealing that no price names is part of the sleeve and has no line.

    Parameters
    ----------
    ways
        What to list.
    named
        Items that the prices name.

    Returns
    -------
    lines
        In the order of `ways`.
    """
    jobs = ways.jobs
    number = np.full((len(jobs), len(ORDER)), -1)
    number[ways.job, ways.method] = np.arange(len(ways.job))
    sheet = _Sheet(jobs, number)
    _list_moves(sheet, jobs, named)
    _list_steps(sheet, jobs)
    _list_beside(sheet, jobs, named)
    return sheet.lines(setup_liner="setup_liner" in named)


def _list_moves(sheet: _Sheet, jobs: Jobs, named: frozenset[str]) -> None:
    sheet.put_whole("setup", jobs.with_sleeve(jobs.kept) | (np.arange(len(ORDER)) == SLEEVE))
    sheet.put_whole("setup_liner", IS_LINED)
    if "setup_dig" in named:
        sheet.put_whole("setup_dig", jobs.with_span(jobs.dug))


def _list_steps(sheet: _Sheet, jobs: Jobs) -> None:
    """List the steps as `chain.steps_of` does."""
    first = _asked_first(jobs.spans.said["first"])
    served = jobs.mend & ~jobs.dug
    cared = served | jobs.upkeep
    asked = {step: jobs.with_span(cared & marks) for step, marks in first.items()}
    serves = jobs.with_span(served)
    sheet.put_whole("check_access", jobs.with_span(jobs.mend | jobs.upkeep))
    sheet.put_whole("clean", jobs.with_span(cared))
    for step in AT_SPAN:
        sheet.put_spots(step, cared & first[step])
    sheet.put_whole("clean_again", np.any([asked[step] for step in CUTS], axis=0))
    unseen = jobs.with_sleeve(
        jobs.kept & _column([piece.laterals_unknown for piece in jobs.sleeves.pieces])
    )
    doubtful = np.where(IS_LINED, ~jobs.known[:, None], unseen)
    sheet.put_whole("prove_laterals", asked["prove_laterals"] | (serves & doubtful))
    sheet.put_whole("look", asked["look"] | serves)
    sheet.put_spots("dig", jobs.dug)
    sheet.put_spots("watch", jobs.spans.be("needs", "watch"))
    for step in ("flow_control", "sleeve", "verify"):
        sheet.put_pieces(step, jobs.kept)
    for step in ("flow_control", "liner", "verify"):
        sheet.put_whole(step, IS_LINED)
    sheet.put_whole("reopen", IS_LINED & (jobs.live > 0)[:, None], jobs.live)


def _asked_first(first: Coded) -> Mapping[str, Marks]:
    """Mark the spans for which a rule asks each step first."""
    words = [words.split("+") for words in first.listed()]
    return {step: _column([step in some for some in words])[first.codes] for step in _ASKED}


def _list_beside(sheet: _Sheet, jobs: Jobs, named: frozenset[str]) -> None:
    """List what the cost of a sleeve by placement holds besides it."""
    pieces = jobs.sleeves.pieces
    costed = jobs.kept & _column([piece.cost_cents is not None for piece in pieces])
    counts = {"reopen": [piece.laterals for piece in pieces]}
    if "end_seal" in named:
        counts["end_seal"] = [piece.wall_ends for piece in pieces]
    for item, times in counts.items():
        many = np.array(times, dtype=int)
        sheet.put_pieces(item, costed & (many > 0)[:, None], many)


def _column(marks: list[bool]) -> Marks:
    return np.array(marks, dtype=bool).reshape(-1, 1)


class _Sheet:
    """Lines as they are found, until `lines` puts them in order."""

    def __init__(self, jobs: Jobs, number: Wholes) -> None:
        """Take lines for the ways of `jobs` that have a `number`."""
        self._jobs, self._number, self._wanted = jobs, number, number >= 0
        self._whole_m = np.column_stack([np.zeros(len(jobs)), jobs.length_m])
        self._pieces_m = _ends(jobs.sleeves.pieces)
        self._wholes: list[Wholes] = []
        self._ends_m: list[Floats] = []

    def put_whole(self, item: str, marks: Marks, times: Wholes | None = None) -> None:
        """Put a line for the whole of each marked pipe."""
        job, way = np.nonzero(marks & self._wanted)
        self._put(item, job, way, self._whole_m[job], times=None if times is None else times[job])

    def put_spots(self, item: str, marks: Marks) -> None:
        """Put a line for each marked span."""
        spans = self._jobs.spans
        spot, way = np.nonzero(marks & self._wanted[spans.of])
        self._put(item, spans.of[spot], way, spans.ends_m[spot])

    def put_pieces(self, item: str, marks: Marks, times: Wholes | None = None) -> None:
        """Put a line for each marked sleeve; one with `times` stands beside the sleeve's own."""
        of = self._jobs.sleeves.of
        piece, way = np.nonzero(marks & self._wanted[of])
        job, ends_m = of[piece], self._pieces_m[piece]
        self._put(item, job, way, ends_m, piece, None if times is None else times[piece])

    def _put(
        self,
        item: str,
        job: Wholes,
        way: Wholes,
        ends_m: Floats,
        piece: Wholes | None = None,
        times: Wholes | None = None,
    ) -> None:
        beside = piece is not None and times is not None
        place = CODE["sleeve" if beside else item]
        columns = np.empty((7, len(job)), dtype=np.int64)
        columns[0], columns[1], columns[2], columns[3] = job, way, CODE[item], place
        columns[4] = -1 if piece is None else piece
        columns[5] = 1 if times is None else times
        columns[6] = beside
        self._wholes.append(columns)
        self._ends_m.append(ends_m)

    def lines(self, *, setup_liner: bool) -> Lines:
        """Put the lines in order, and of those that are one work keep one."""
        wholes, ends_m = np.concatenate(self._wholes, axis=1), np.concatenate(self._ends_m)
        job, way, item, place, piece, _, beside = wholes
        number = self._number[job, way]
        work, first = (piece + 1) * len(ITEMS) + item * beside, number * len(ITEMS) + place
        order = np.lexsort((work, ends_m[:, 1], ends_m[:, 0], first))
        again = np.zeros(len(order), dtype=bool)
        keys = (number[order], item[order], piece[order], *ends_m[order].T)
        again[1:] = np.logical_and.reduce([key[1:] == key[:-1] for key in keys])
        order = order[~again]
        job, way, item, place, piece, times, beside = wholes[:, order]
        part = np.where(piece >= 0, PARTS.index("sleeve"), _MAIN[way])
        part[np.isin(item, (CODE["dig"], CODE["setup_dig"]))] = PARTS.index("dig")
        part[item == CODE["setup"]] = PARTS.index("sleeve")
        if not setup_liner:
            item = np.where(item == CODE["setup_liner"], CODE["setup"], item)
        ways = int(self._wanted.sum())
        return Lines(
            bounds=np.searchsorted(number[order], np.arange(ways + 1)),
            item=item,
            part=part,
            piece=piece,
            dn_mm=self._dn_mm(job, item, piece, beside),
            length_m=self._length_m(item, piece, ends_m[order]),
            times=times,
            beside=beside.astype(bool),
            pieces=self._jobs.sleeves.pieces,
        )

    def _dn_mm(self, job: Wholes, item: Wholes, piece: Wholes, beside: Wholes) -> Floats:
        """Give the sizes that lines are priced at: the sleeve's own, else the pipe's."""
        found, pieces = self._jobs.dn_mm[job], self._jobs.sleeves.pieces
        own = (item == CODE["sleeve"]) | (beside > 0)
        found[own] = np.array([one.dn_mm for one in pieces], dtype=float)[piece[own]]
        return found

    def _length_m(self, item: Wholes, piece: Wholes, ends_m: Floats) -> Floats:
        """Give the lengths that lines are priced at; what is counted has none."""
        found = ends_m[:, 1] - ends_m[:, 0]
        lengths = [round(one.to_m - one.from_m, 6) for one in self._jobs.sleeves.pieces]
        sleeves = item == CODE["sleeve"]
        found[sleeves] = np.array(lengths, dtype=float)[piece[sleeves]]
        found[np.isin(item, _COUNTED)] = 0.0
        return found


def _ends(pieces: Sequence[Piece]) -> Floats:
    return np.array([(one.from_m, one.to_m) for one in pieces], dtype=float).reshape(-1, 2)
