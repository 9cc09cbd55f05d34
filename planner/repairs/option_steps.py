"""What all ways of many pipes take, listed at once over flat arrays.

`chain.steps_of` says the same of one way, with reasons, and is the place to read it; here it is
listed for pricing, with the moves besides, and a test compares the two. A mask has a row for
each pipe, span or sleeve, a column for each of `ORDER`, and marks those that a line is for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
import numpy.typing as npt

from planner.contracts.repairs import STEPS, WAYS
from planner.repairs.chain import AT_SPAN, CUTS, LINED, Job, Piece, Spot

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]

# Ways in the order of the tables' keys, so that long tables need no sorting.
ORDER = tuple(sorted(WAYS))
_DIG, _LINER, _SLEEVE, _UNDER = map(ORDER.index, ("dig", "liner", "sleeve", "sleeve_liner"))
_LINED = np.array([way in LINED for way in ORDER])
# Parts of a way, by what they live as long as; what prepares the pipe lives with the main one.
PARTS = ("sleeve", "liner", "dig")
_MAIN = np.array([PARTS.index("liner" if way in LINED else way) for way in ORDER])
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
    """The pipe and the method of each way; those of one pipe stand together."""

    jobs: Sequence[Job]
    methods: Sequence[str]

    def pairs(self) -> Iterator[tuple[Job, str]]:
        """Give pipe and method of each."""
        return zip(self.jobs, self.methods, strict=True)

    def only(self, wanted: Sequence[bool]) -> Ways:
        """Give those that are wanted."""
        jobs, methods = compress(self.jobs, wanted), compress(self.methods, wanted)
        return Ways(list(jobs), list(methods))


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
    firsts = [not at or job is not ways.jobs[at - 1] for at, job in enumerate(ways.jobs)]
    pipes, of_way = _Pipes.of(list(compress(ways.jobs, firsts))), np.cumsum(firsts, dtype=int) - 1
    number = np.full((len(pipes.jobs), len(ORDER)), -1)
    number[of_way, [ORDER.index(method) for method in ways.methods]] = np.arange(len(of_way))
    sheet = _Sheet(pipes, number)
    _list_moves(sheet, pipes, named)
    _list_steps(sheet, pipes)
    _list_beside(sheet, pipes, named)
    return sheet.lines(setup_liner="setup_liner" in named)


@dataclass(frozen=True)
class _Pipes:
    """Pipes with their spans and sleeves as columns; `of_spot`, `of_piece`: which pipe's.

    What a rule asks first for a span is `asked`. `kept` marks the sleeves set, and `dug` the
    spans dug up, under each way, as `Job.kept` and `Job.dug` say.
    """

    jobs: Sequence[Job]
    of_spot: Wholes
    ends_m: Floats
    mend: Marks
    upkeep: Marks
    watch: Marks
    asked: Mapping[str, Marks]
    of_piece: Wholes
    pieces: Sequence[Piece]
    kept: Marks
    dug: Marks

    @classmethod
    def of(cls, jobs: Sequence[Job]) -> _Pipes:
        """Lay out pipes; the sleeves of each in the order of their ids."""
        spots = [spot for job in jobs for spot in job.spots]
        pieces = [
            piece for job in jobs for piece in sorted(job.pieces, key=lambda one: one.sleeve_id)
        ]
        words: dict[tuple[str, ...], int] = {}
        word = np.array([words.setdefault(spot.first, len(words)) for spot in spots], dtype=int)
        asked = {step: _column([step in first for first in words])[word] for step in _ASKED}
        mend, upkeep, watch = (
            _column([spot.needs == needs for spot in spots])
            for needs in ("mend", "maintain", "watch")
        )
        lined, open_ = (
            _column([getattr(spot, way) == "open" for spot in spots]) for way in ("liner", "dig")
        )
        under, span = _links(pieces, spots)
        kept = np.zeros((len(pieces), len(ORDER)), dtype=bool)
        kept[:, _SLEEVE] = True
        kept[under[(mend & ~lined)[span, 0]], _UNDER] = True
        beyond = mend & ~(lined & _LINED) & ~_any(span, kept[under], len(spots))
        dug = beyond & open_
        dug[:, _LINER], dug[:, _DIG] = False, mend[:, 0]
        every = np.arange(len(jobs))
        return cls(
            jobs=jobs,
            of_spot=np.repeat(every, [len(job.spots) for job in jobs]),
            ends_m=_ends(spots),
            mend=mend,
            upkeep=upkeep,
            watch=watch,
            asked=asked,
            of_piece=np.repeat(every, [len(job.pieces) for job in jobs]),
            pieces=pieces,
            kept=kept,
            dug=dug,
        )

    def with_span(self, spots: Marks) -> Marks:
        """Mark the pipes with a marked span."""
        return _any(self.of_spot, spots, len(self.jobs))

    def with_sleeve(self, pieces: Marks) -> Marks:
        """Mark the pipes with a marked sleeve."""
        return _any(self.of_piece, pieces, len(self.jobs))


def _links(pieces: Sequence[Piece], spots: Sequence[Spot]) -> tuple[Wholes, Wholes]:
    """Pair each sleeve with each span that it serves."""
    places = {spot.span_id: at for at, spot in enumerate(spots)}
    pairs = [
        (at, places[span_id])
        for at, piece in enumerate(pieces)
        for span_id in piece.spans
        if span_id in places
    ]
    under, span = np.array(pairs, dtype=int).reshape(-1, 2).T
    return under, span


def _column(marks: list[bool]) -> Marks:
    return np.array(marks, dtype=bool).reshape(-1, 1)


def _any(owner: Wholes, marks: Marks, count: int) -> Marks:
    """Mark the owners of what is marked."""
    out = np.zeros((count, marks.shape[1]), dtype=bool)
    at, way = np.nonzero(marks)
    out[owner[at], way] = True
    return out


def _list_moves(sheet: _Sheet, pipes: _Pipes, named: frozenset[str]) -> None:
    sheet.put_whole("setup", pipes.with_sleeve(pipes.kept) | (np.arange(len(ORDER)) == _SLEEVE))
    sheet.put_whole("setup_liner", _LINED)
    if "setup_dig" in named:
        sheet.put_whole("setup_dig", pipes.with_span(pipes.dug))


def _list_steps(sheet: _Sheet, pipes: _Pipes) -> None:
    """List the steps as `chain.steps_of` does."""
    served = pipes.mend & ~pipes.dug
    cared = served | pipes.upkeep
    asked = {step: pipes.with_span(cared & marks) for step, marks in pipes.asked.items()}
    serves = pipes.with_span(served)
    sheet.put_whole("check_access", pipes.with_span(pipes.mend | pipes.upkeep))
    sheet.put_whole("clean", pipes.with_span(cared))
    for step in AT_SPAN:
        sheet.put_spots(step, cared & pipes.asked[step])
    sheet.put_whole("clean_again", np.any([asked[step] for step in CUTS], axis=0))
    unknown = _column([not job.laterals_known for job in pipes.jobs])
    unseen = pipes.with_sleeve(
        pipes.kept & _column([piece.laterals_unknown for piece in pipes.pieces])
    )
    doubtful = np.where(_LINED, unknown, unseen)
    sheet.put_whole("prove_laterals", asked["prove_laterals"] | (serves & doubtful))
    sheet.put_whole("look", asked["look"] | serves)
    sheet.put_spots("dig", pipes.dug)
    sheet.put_spots("watch", pipes.watch)
    for step in ("flow_control", "sleeve", "verify"):
        sheet.put_pieces(step, pipes.kept)
    for step in ("flow_control", "liner", "verify"):
        sheet.put_whole(step, _LINED)
    live = np.array([job.live_laterals for job in pipes.jobs], dtype=int)
    sheet.put_whole("reopen", _LINED & (live > 0)[:, None], live)


def _list_beside(sheet: _Sheet, pipes: _Pipes, named: frozenset[str]) -> None:
    """List what the cost of a sleeve by placement holds besides it."""
    costed = pipes.kept & _column([piece.cost_cents is not None for piece in pipes.pieces])
    counts = {"reopen": [piece.laterals for piece in pipes.pieces]}
    if "end_seal" in named:
        counts["end_seal"] = [piece.wall_ends for piece in pipes.pieces]
    for item, times in counts.items():
        many = np.array(times, dtype=int)
        sheet.put_pieces(item, costed & (many > 0)[:, None], many)


class _Sheet:
    """Lines as they are found, until `lines` puts them in order."""

    def __init__(self, pipes: _Pipes, number: Wholes) -> None:
        """Take lines for the ways of `pipes` that have a `number`."""
        self._pipes, self._number, self._wanted = pipes, number, number >= 0
        whole = [(0.0, job.length_m) for job in pipes.jobs]
        self._whole_m = np.array(whole, dtype=float).reshape(-1, 2)
        self._pieces_m = _ends(pipes.pieces)
        self._wholes: list[Wholes] = []
        self._ends_m: list[Floats] = []

    def put_whole(self, item: str, marks: Marks, times: Wholes | None = None) -> None:
        """Put a line for the whole of each marked pipe."""
        job, way = np.nonzero(marks & self._wanted)
        self._put(item, job, way, self._whole_m[job], times=None if times is None else times[job])

    def put_spots(self, item: str, marks: Marks) -> None:
        """Put a line for each marked span."""
        spot, way = np.nonzero(marks & self._wanted[self._pipes.of_spot])
        self._put(item, self._pipes.of_spot[spot], way, self._pipes.ends_m[spot])

    def put_pieces(self, item: str, marks: Marks, times: Wholes | None = None) -> None:
        """Put a line for each marked sleeve; one with `times` stands beside the sleeve's own."""
        piece, way = np.nonzero(marks & self._wanted[self._pipes.of_piece])
        job, ends_m = self._pipes.of_piece[piece], self._pieces_m[piece]
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
        order = np.lexsort((item * beside, piece, ends_m[:, 1], ends_m[:, 0], place, number))
        keys = np.column_stack([number, item, piece, ends_m])[order]
        again = np.zeros(len(order), dtype=bool)
        again[1:] = (keys[1:] == keys[:-1]).all(axis=1)
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
            pieces=self._pipes.pieces,
        )

    def _dn_mm(self, job: Wholes, item: Wholes, piece: Wholes, beside: Wholes) -> Floats:
        """Give the sizes that lines are priced at: the sleeve's own, else the pipe's."""
        pipes, pieces = self._pipes.jobs, self._pipes.pieces
        found = np.array([one.dn_mm for one in pipes], dtype=float)[job]
        own = (item == CODE["sleeve"]) | (beside > 0)
        found[own] = np.array([one.dn_mm for one in pieces], dtype=float)[piece[own]]
        return found

    def _length_m(self, item: Wholes, piece: Wholes, ends_m: Floats) -> Floats:
        """Give the lengths that lines are priced at; what is counted has none."""
        found = ends_m[:, 1] - ends_m[:, 0]
        lengths = [round(one.to_m - one.from_m, 6) for one in self._pipes.pieces]
        sleeves = item == CODE["sleeve"]
        found[sleeves] = np.array(lengths, dtype=float)[piece[sleeves]]
        found[np.isin(item, _COUNTED)] = 0.0
        return found


def _ends(pieces: Sequence[Spot | Piece]) -> Floats:
    return np.array([(one.from_m, one.to_m) for one in pieces], dtype=float).reshape(-1, 2)
