"""The list of spans in memory: what stands in it is sifted, counted and paged without a loop."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.verdicts import URGENCY
from planner.errors import TableError
from planner.review.live import Change, Live
from planner.review.span_rows import READ, Columns, choice_columns, flat_columns

PAGE_ROWS = 60
SORTS = ("pipe", "urgency", "cost")
FACETS = ("verdict", "state", "area", "standing")
FLAGS = ("close", "assumed", "look_first", "photo")
MOST_TEXT = 200
# So many changed pipes are put in place one by one; of more the list is made anew.
_ONE_BY_ONE = 50

Places = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]
Row = dict[str, Any]


@dataclass(frozen=True)
class Wanted:
    """What of the list a person wants to see; empty = no limit.

    `facets` holds for each of `FACETS` the wanted words, `flags` some of `FLAGS`.
    """

    facets: Mapping[str, frozenset[str]] = field(default_factory=dict)
    flags: frozenset[str] = frozenset()
    text: str = ""
    pipe_id: str = ""
    sort: str = "pipe"

    @classmethod
    def of(cls, asked: Mapping[str, list[str]]) -> Wanted:
        """Read it from the fields of the form: each word of a facet stands after a '='."""
        facets = {
            name: frozenset(word[1:] for word in asked.get(name, []) if word.startswith("="))
            for name in FACETS
        }
        sort = (asked.get("sort") or [""])[0]
        return cls(
            {name: words for name, words in facets.items() if words},
            frozenset(asked.get("flag", [])) & frozenset(FLAGS),
            (asked.get("text") or [""])[0].strip()[:MOST_TEXT],
            (asked.get("pipe") or [""])[0],
            sort if sort in SORTS else "pipe",
        )


@dataclass(frozen=True)
class Page:
    """Some rows of the list, and how many there are.

    `counts` says for each word of each facet, and for each flag, how many rows there would
    be with it under all other limits; `more` is the span after which further rows come.
    """

    rows: list[Row]
    more: str
    spans: int
    pipes: int
    counts: dict[str, dict[str, int]]


class SpanList:
    """All spans of the project as columns; one pipe's rows are put in place as it changes."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._lock = threading.Lock()  # of the columns; taken before that of `live`
        self._noting = threading.Lock()  # of what is due; taken after all others
        self._due: dict[str, bool] = {}  # whether only the state of the pipe's choice changed
        self._whole_due = False
        self._make()
        live.watch(self._note)

    def page(self, wanted: Wanted, after: str = "") -> Page:
        """Give the rows that follow a span, the first ones where it is ''."""
        with self._lock:
            self._catch_up()
            keep, counts = self._sift(wanted)
            spans, pipes = int(keep.sum()), len(np.unique(self._pipe_code[keep]))
            start, order = self._from(keep, wanted.sort, after)
            shown = order[start : start + PAGE_ROWS]
            rows = [self._row(at) for at in shown.tolist()]
        more = rows[-1]["span_id"] if start + PAGE_ROWS < len(order) else ""
        return Page(rows, more, spans, pipes, counts)

    def counts(self, wanted: Wanted) -> tuple[int, int, dict[str, dict[str, int]]]:
        """Give how many spans and pipes there are, and the counts of each limit."""
        with self._lock:
            self._catch_up()
            keep, counts = self._sift(wanted)
            return int(keep.sum()), len(np.unique(self._pipe_code[keep])), counts

    def row(self, span_id: str) -> Row | None:
        """Give the row of one span; None where there is none."""
        with self._lock:
            self._catch_up()
            at = self._at.get(span_id)
            return None if at is None else self._row(at)

    def rows_of(self, pipe_id: str) -> list[Row]:
        """Give the rows of one pipe."""
        with self._lock:
            self._catch_up()
            return [self._row(at) for at in range(*self._places.get(pipe_id, (0, 0)))]

    @property
    def areas(self) -> list[str]:
        """The areas that spans lie in, by name."""
        with self._lock:
            self._catch_up()
            return sorted({str(one) for one in self._words["area"]})

    def _note(self, change: Change) -> None:
        with self._noting:
            if len(change.pipe_ids) > _ONE_BY_ONE:
                self._whole_due = True
            for pipe_id in change.pipe_ids:
                self._due[pipe_id] = self._due.get(pipe_id, True) and change.only_state

    def _catch_up(self) -> None:
        """Put in place what changed since the list was last asked."""
        with self._noting:
            due, whole = dict(self._due), self._whole_due
            self._due, self._whole_due = {}, False
        whole = whole or len(due) > _ONE_BY_ONE or self._live.inputs is not self._inputs
        if whole or not all(self._put(*one) for one in due.items()):
            self._make()

    def _make(self) -> None:
        # What a person has seen is never newer than what is shown, so it is asked for first.
        decisions, self._inputs = self._live.decisions, self._live.inputs
        seen = decisions.groupby("pipe_id", sort=False)["version"].max()
        tables, nodes = self._live.proposal().tables, self._inputs.nodes
        named = nodes[(nodes["street"] != "").to_numpy(bool)]
        self._streets = dict(zip(named["node_id"], named["street"], strict=True))
        # Copies, as rows are put in place in them.
        made = flat_columns(tables, self._streets)
        self._columns = {name: column.copy() for name, column in made.items()}
        pipe_ids = self._columns["pipe_id"]
        self._columns["seen"] = pd.Series(pipe_ids).map(seen).fillna(0).to_numpy(dtype=np.int64)
        self._pipe_code = pd.factorize(pipe_ids)[0]
        begins = np.flatnonzero(np.diff(self._pipe_code, prepend=-1))
        ends = np.append(begins, len(pipe_ids))[1:]
        self._places = {
            str(pipe_ids[a]): (a, b) for a, b in zip(begins.tolist(), ends.tolist(), strict=True)
        }
        self._at = {str(name): at for at, name in enumerate(self._columns["span_id"].tolist())}
        self._code: dict[str, npt.NDArray[np.intp]] = {}
        self._words: dict[str, list[str]] = {}
        for name in FACETS:
            codes, words = pd.factorize(self._columns[name])
            self._code[name], self._words[name] = codes.copy(), [str(word) for word in words]
        self._urgency = _ranks(self._columns["urgency"])
        self._text = _searched(self._columns)

    def _put(self, pipe_id: str, only_state: bool) -> bool:  # noqa: FBT001 - as `_due` has it
        """Put the rows of one pipe in place; False where its spans are others than before."""
        first, last = self._places.get(pipe_id, (0, 0))
        seen = self._live.last_version(pipe_id)
        try:
            rows = self._live.rows_of(pipe_id, *(("choices",) if only_state else READ))
        except TableError:
            return False  # it is gone, as the project was read anew
        if only_state:
            self._fill(first, last, choice_columns(rows["choices"], pipe_id))
        else:
            now = flat_columns(rows, self._streets)
            if now["span_id"].tolist() != self._columns["span_id"][first:last].tolist():
                return False
            self._fill(first, last, now)
            self._urgency[first:last] = _ranks(now["urgency"])
        self._columns["seen"][first:last] = seen
        return True

    def _fill(self, first: int, last: int, now: Columns) -> None:
        """Put columns into the rows of one pipe; of one row, what it says holds for each."""
        for name, values in now.items():
            self._columns[name][first:last] = values
        for name in FACETS:
            if name in now:
                words, said = self._words[name], now[name].tolist()
                words += [word for word in dict.fromkeys(said) if word not in words]
                self._code[name][first:last] = [words.index(word) for word in said]

    def _row(self, at: int) -> Row:
        return {name: column[at] for name, column in self._columns.items()}

    def _sift(self, wanted: Wanted) -> tuple[Marks, dict[str, dict[str, int]]]:
        """Mark what is wanted; count, for each limit, what all other ones leave."""
        limits: dict[str, Marks] = {}
        for name, words in wanted.facets.items():
            codes = [n for n, word in enumerate(self._words[name]) if word in words]
            limits[name] = np.isin(self._code[name], codes)
        for name in wanted.flags:
            limits[name] = self._columns[name]
        named = self._named(wanted)
        keep = _all_of(named, limits.values())
        counts: dict[str, dict[str, int]] = {}
        for name in FACETS:
            others = _all_of(named, (one for key, one in limits.items() if key != name))
            found = np.bincount(self._code[name][others], minlength=len(self._words[name]))
            counts[name] = dict(zip(self._words[name], found.tolist(), strict=True))
        # A further flag narrows what is there, so it is counted within it.
        counts["flag"] = {name: int((keep & self._columns[name]).sum()) for name in FLAGS}
        return keep, counts

    def _named(self, wanted: Wanted) -> Marks:
        """Mark what has the wanted pipe, and each wanted word in one of its texts."""
        keep = np.ones(len(self._pipe_code), dtype=bool)
        if wanted.pipe_id:
            keep[:] = False
            keep[slice(*self._places.get(wanted.pipe_id, (0, 0)))] = True
        for word in wanted.text.lower().split():
            keep &= self._text.str.contains(word, regex=False).to_numpy(bool)
        return keep

    def _from(self, keep: Marks, sort: str, after: str) -> tuple[int, Places]:
        """Give the places of what is kept in order, and at which of them the page begins.

        The span after which it begins counts in even where it is no longer kept: a row that
        was decided meanwhile makes none after it be passed over.
        """
        at = self._at.get(after)
        if at is not None:
            keep = keep.copy()
            keep[at] = True
        order = np.flatnonzero(keep)
        if sort == "urgency":
            order = order[np.argsort(-self._urgency[order], kind="stable")]
        elif sort == "cost":
            cost = self._columns["cost_cents"][order]
            order = order[np.argsort(np.where(np.isnan(cost), 1.0, -cost), kind="stable")]
        start = 0 if at is None else int(np.flatnonzero(order == at)[0]) + 1
        return start, order


def _all_of(first: Marks, others: Iterable[Marks]) -> Marks:
    keep = first
    for mark in others:
        keep = keep & mark
    return keep


def _ranks(urgency: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    codes, words = pd.factorize(urgency)
    ranks = np.array([URGENCY.index(str(word)) for word in words], dtype=np.int64)
    return ranks[codes] if len(ranks) else np.zeros(0, dtype=np.int64)


def _searched(columns: Columns) -> pd.Series:
    """Join what is searched, in small letters; a word is never found across two of its parts."""
    names = ("pipe_id", "span_id", "street", "mechanisms")
    parts = zip(*(columns[name].tolist() for name in names), strict=True)
    return pd.Series(["\n".join(one).lower() for one in parts], dtype="str")
