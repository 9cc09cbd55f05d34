"""All pipes with a span as columns, and each of them as a `chain.Job` where that is asked for.

A mask has a row for each pipe, span or sleeve, a column for each of `ORDER`, and marks what
holds under that way. `chain.Job` says the same of one pipe, and is the place to read it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded
from planner.contracts.facts import Tables
from planner.contracts.repairs import WAYS
from planner.distinct import places_in
from planner.order import order_by
from planner.repairs.chain import LINED, Job, Piece, Spot
from planner.tables import rows_in

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]

# Ways in the order of the tables' keys, so that long tables need no sorting.
ORDER = tuple(sorted(WAYS))
DIG, LINER, SLEEVE, UNDER = map(ORDER.index, ("dig", "liner", "sleeve", "sleeve_liner"))
IS_LINED = np.array([way in LINED for way in ORDER])
# Laterals known to within this of both ends are known over the whole pipe.
_NEAR_M = 0.01
_PIPE = ("length_m", "dn_mm", "laterals_known_from_m", "laterals_known_to_m")
# What a verdict says of a span, in the order of `Spot`.
_SAID = ("needs", "urgency", "sleeve", "liner", "dig", "verdict", "first")
# Ends of a sleeve that lie at a manhole, by the word of `SLEEVES`: each is sealed.
_WALL_ENDS = {"pipe": 0, "us_manhole": 1, "ds_manhole": 1, "both": 2}


@dataclass(frozen=True)
class _Spans:
    """Spans by pipe, from_m and span_id; those of a pipe lie from its bound to the next."""

    at: Wholes
    of: Wholes
    ids: list[str]
    ends_m: Floats
    said: Mapping[str, Coded]

    def be(self, name: str, word: str) -> Marks:
        """Mark the spans of which a verdict says `word` under `name`, in one column."""
        return self.said[name].holds(word)[:, None]


@dataclass(frozen=True)
class _Sleeves:
    """Sleeves by pipe, from_m and sleeve_id; `of_link` serves the span of row `to_link`."""

    at: Wholes
    of: Wholes
    pieces: list[Piece]
    of_link: Wholes
    to_link: Wholes


class Jobs(Mapping[str, Job]):
    """Pipes in order of pipe_id, by which it is a mapping too.

    Parameters
    ----------
    pipe_ids
        The pipes.
    length_m, dn_mm
        Of each, in [m] and [mm].
    live
        Laterals of each that are not closed.
    known
        Whether its laterals are known over the whole pipe.
    spans, sleeves
        What lies on them.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - columns
        self,
        pipe_ids: list[str],
        length_m: Floats,
        dn_mm: Floats,
        live: Wholes,
        known: Marks,
        spans: _Spans,
        sleeves: _Sleeves,
    ) -> None:
        """Hold the columns."""
        self.pipe_ids, self.length_m, self.dn_mm = pipe_ids, length_m, dn_mm
        self.live, self.known, self.spans, self.sleeves = live, known, spans, sleeves

    def __len__(self) -> int:
        """Count the pipes."""
        return len(self.pipe_ids)

    def __iter__(self) -> Iterator[str]:
        """Give the ids of the pipes."""
        return iter(self.pipe_ids)

    def __getitem__(self, pipe_id: str) -> Job:
        """Give one pipe."""
        return self._jobs[self._places[pipe_id]]

    @cached_property
    def _places(self) -> dict[str, int]:
        return {pipe_id: at for at, pipe_id in enumerate(self.pipe_ids)}

    @cached_property
    def _jobs(self) -> list[Job]:
        said = [self.spans.said[name].tolist() for name in _SAID[:-1]]
        first = self.spans.said["first"]
        steps = [tuple(step for step in words.split("+") if step) for words in first.listed()]
        asked = [steps[code] for code in first.codes.tolist()]
        ends_m = self.spans.ends_m.T.tolist()
        rows = zip(self.spans.ids, *ends_m, *said, asked, strict=True)
        spots = [Spot._make(row) for row in rows]
        of_spots, of_pieces = self.spans.at.tolist(), self.sleeves.at.tolist()
        columns = (self.pipe_ids, self.length_m, self.dn_mm, self.live, self.known)
        return [
            Job(
                pipe_id,
                length_m,
                dn_mm,
                tuple(spots[of_spots[at] : of_spots[at + 1]]),
                tuple(self.sleeves.pieces[of_pieces[at] : of_pieces[at + 1]]),
                live,
                known,
            )
            for at, (pipe_id, length_m, dn_mm, live, known) in enumerate(
                zip(columns[0], *(column.tolist() for column in columns[1:]), strict=True)
            )
        ]

    @cached_property
    def mend(self) -> Marks:
        """Mark the spans that must be mended; one column."""
        return self.spans.be("needs", "mend")

    @cached_property
    def upkeep(self) -> Marks:
        """Mark the spans that must be maintained; one column."""
        return self.spans.be("needs", "maintain")

    @cached_property
    def lined(self) -> Marks:
        """Mark the spans that a liner serves; one column."""
        return self.spans.be("liner", "open")

    @cached_property
    def diggable(self) -> Marks:
        """Mark the spans that a dig serves; one column."""
        return self.spans.be("dig", "open")

    @cached_property
    def kept(self) -> Marks:
        """Mark the sleeves set under each way, as `Job.kept` says."""
        of, to = self.sleeves.of_link, self.sleeves.to_link
        out = np.zeros((len(self.sleeves.pieces), len(ORDER)), dtype=bool)
        out[:, SLEEVE] = True
        out[of[(self.mend & ~self.lined)[to, 0]], UNDER] = True
        return out

    @cached_property
    def beyond(self) -> Marks:
        """Mark the spans to mend that neither the sleeves nor the liner of a way serve."""
        of, to = self.sleeves.of_link, self.sleeves.to_link
        sleeved = marked(to, self.kept[of], len(self.spans.ids))
        return np.asarray(self.mend & ~(self.lined & IS_LINED) & ~sleeved, dtype=bool)

    @cached_property
    def dug(self) -> Marks:
        """Mark the spans dug up under each way, as `Job.dug` says."""
        out = self.beyond & self.diggable
        out[:, LINER], out[:, DIG] = False, self.mend[:, 0]
        return out

    @cached_property
    def unserved(self) -> Marks:
        """Mark the spans that neither a way nor a dig beside it mends, as `Job.unserved` says."""
        beside = ~self.diggable | (np.arange(len(ORDER)) == LINER)
        return np.asarray(self.beyond & beside, dtype=bool)

    def with_span(self, spots: Marks) -> Marks:
        """Mark the pipes with a marked span."""
        return marked(self.spans.of, spots, len(self))

    def with_sleeve(self, pieces: Marks) -> Marks:
        """Mark the pipes with a marked sleeve."""
        return marked(self.sleeves.of, pieces, len(self))


def marked(owner: Wholes, marks: Marks, count: int) -> Marks:
    """Mark the owners of what is marked."""
    out = np.zeros((count, marks.shape[1]), dtype=bool)
    at, way = np.nonzero(marks)
    out[owner[at], way] = True
    return out


def jobs_of(tables: Tables) -> Jobs:
    """Gather what decides the works, for each pipe with a span, in order of pipe_id.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, sleeves, sleeve_spans, sleeve_laterals, laterals.

    Returns
    -------
    jobs
        By pipe_id.
    """
    pipes, spans, verdicts = pd.DataFrame(tables["pipes"]), tables["spans"], tables["verdicts"]
    ids = pipes["pipe_id"]
    where = places_in(verdicts["span_id"], spans["span_id"])
    of = places_in(verdicts["pipe_id"], ids)
    rows = np.flatnonzero((where >= 0) & (of >= 0))
    # Pipes with a span, in order, and which of these a pipe of the table is.
    with_span = np.flatnonzero(np.bincount(of[rows], minlength=len(pipes)))
    with_span = with_span[order_by([ids.array.take(with_span)])] if len(with_span) else with_span
    place = np.full(len(pipes) + 1, -1)
    place[with_span] = np.arange(len(with_span))
    laid = _spans(verdicts, spans, rows, where[rows], place[of[rows]], len(with_span))
    sleeves = _sleeves(tables, place[places_in(tables["sleeves"]["pipe_id"], ids)], laid)
    tapped = place[places_in(tables["laterals"]["pipe_id"], ids)]
    live = tapped[(tapped >= 0) & ~_is(tables["laterals"]["state"], "closed")]
    length, dn, known_from, known_to = (
        pipes[name].to_numpy(dtype=float)[with_span] for name in _PIPE
    )
    return Jobs(
        ids.array.take(with_span).tolist(),
        length,
        dn,
        np.bincount(live, minlength=len(with_span)),
        (known_from <= _NEAR_M) & (known_to >= length - _NEAR_M),
        laid,
        sleeves,
    )


def _is(texts: pd.Series, word: str) -> Marks:
    return places_in(texts, [word]) >= 0


def _spans(
    verdicts: pd.DataFrame,
    spans: pd.DataFrame,
    rows: Wholes,
    where: Wholes,
    of: Wholes,
    count: int,
) -> _Spans:
    """Lay out the spans of verdicts at `rows`, which lie at `where` in spans and belong to `of`."""
    ends_m = np.column_stack([spans[name].to_numpy(dtype=float)[where] for name in _ENDS])
    ids = verdicts["span_id"].array.take(rows)
    order = order_by([of, ends_m[:, 0], ids]) if len(rows) else rows
    rows = rows[order]
    said = {name: Coded.of(verdicts[name].array.take(rows)) for name in _SAID}
    of = of[order]
    return _Spans(_bounds(of, count), of, ids.take(order).tolist(), ends_m[order], said)


_ENDS = ("from_m", "to_m")


def _bounds(of: Wholes, count: int) -> Wholes:
    """Give where the rows of each owner begin, and where those of the last end; `of` ascends."""
    return np.searchsorted(of, np.arange(count + 1))


_PIECE = ["sleeve_id", "from_m", "to_m", "dn_mm", "system", "laterals_unknown", "cost_cents", "end"]


def _sleeves(tables: Tables, of: Wholes, spans: _Spans) -> _Sleeves:
    """Lay out the sleeves, which belong to `of`; -1 = to no pipe with a span."""
    served: dict[str, set[str]] = {}
    for sleeve_id, span_id in rows_in(tables["sleeve_spans"], ["sleeve_id", "span_id"]):
        served.setdefault(sleeve_id, set()).add(span_id)
    laterals = Counter(tables["sleeve_laterals"]["sleeve_id"].tolist())
    rows = zip(of.tolist(), rows_in(tables["sleeves"], _PIECE), strict=True)
    found = [(owner, row) for owner, row in rows if owner >= 0]
    found.sort(key=lambda one: (one[0], one[1][1], one[1][0]))
    pieces = [
        Piece(
            sleeve_id,
            from_m,
            to_m,
            dn,
            system,
            unknown,
            None if pd.isna(cost) else int(cost),
            frozenset(served.get(sleeve_id, ())),
            laterals[sleeve_id],
            _WALL_ENDS[end],
        )
        for _, (sleeve_id, from_m, to_m, dn, system, unknown, cost, end) in found
    ]
    own = np.array([owner for owner, _ in found], dtype=np.int64)
    return _Sleeves(_bounds(own, len(spans.at) - 1), own, pieces, *_links(pieces, spans.ids))


def _links(pieces: Sequence[Piece], span_ids: Sequence[str]) -> tuple[Wholes, Wholes]:
    """Pair each sleeve with each span that it serves."""
    places = {span_id: at for at, span_id in enumerate(span_ids)}
    pairs = [
        (at, places[span_id])
        for at, piece in enumerate(pieces)
        for span_id in piece.spans
        if span_id in places
    ]
    of_link, to_link = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    return of_link, to_link
