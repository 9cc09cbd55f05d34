"""A project held in memory for the page: what is proposed, who decided what, what changed when.

Reading takes no lock: what is handed out is never changed, only replaced. What writes goes
through `Live.decide` and its like, one at a time, into the store first and into memory then.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from planner.changed import Running
from planner.collecting import hold_still
from planner.contracts import DECISIONS
from planner.contracts.facts import RunFacts
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.plan import facts_of
from planner.propose import Proposal, propose
from planner.repairs.accept import METHOD_WORDS
from planner.review.data_age import DataAge
from planner.review.decided import Decided
from planner.rule_spans import Tables
from planner.store.chosen import store_of
from planner.store.decisions import Store, refuse_stale
from planner.tables import conform
from planner.taking import sift

Clock = Callable[[], datetime]
PUT_BACK = "the store was put back or replaced since it was read; read the data anew"
STANDING_WORDS = ("accept", "refuse", "hold", "undo")
"""What one says of a pipe's choice without changing what is proposed there."""


@dataclass(frozen=True)
class Asked:
    """What a person wants to decide on the page.

    `seen` is the number of the last decision on the pipe that the person saw, 0 = none;
    `opened` says whether its row was open.
    """

    pipe_id: str
    span_id: str
    decision: str
    value: str
    reason: str
    by: str
    seen: int
    opened: bool


@dataclass(frozen=True)
class Change:
    """One change of what is in memory: its number here, what it is about, who made it.

    `only_state` says that nothing else than where the choices of the pipes stand has changed.
    """

    version: int
    pipe_ids: tuple[str, ...]
    by: str
    only_state: bool = False


@dataclass(frozen=True)
class _State:
    """What one reading of the project gave, and what hangs on it."""

    inputs: Inputs
    made: Proposal
    running: Running
    facts: RunFacts
    age: DataAge
    decisions: pd.DataFrame
    stamp: object
    pipe_ids: frozenset[str]


class Live:
    """The project of one folder, as the page shows it; `Live.open` makes it."""

    def __init__(self, folder: Path, store: Store, state: _State, clock: Clock) -> None:
        self.folder = folder
        self.store = store
        self.lock = threading.RLock()
        self.clock = clock
        self._state = state
        self._decided, self._stamp = Decided(state.decisions), state.stamp
        self._changes: list[Change] = []
        self._due: tuple[str, ...] = ()
        # Decisions that were read are in the store no more: it was put back, or is another.
        self.put_back = False
        self._watchers: list[Callable[[Change], None]] = []

    @classmethod
    def open(
        cls,
        folder: Path,
        overrides: Mapping[str, str] | None = None,
        *,
        clock: Clock | None = None,
    ) -> Live:
        """Read a project and propose; give what the page is made from.

        Parameters
        ----------
        folder
            Project folder, with planner.toml in it.
        overrides
            Settings from the command line.
        clock
            Gives the instant, with its zone; the machine's by default.

        Raises
        ------
        PlannerError
            If the project or its store cannot be read.
        """
        store = store_of(folder)
        inputs = read_project(folder, overrides, store.read_events(), store.read_price_edits())
        return cls.over(inputs, folder, clock=clock)

    @classmethod
    def over(cls, inputs: Inputs, folder: Path, *, clock: Clock | None = None) -> Live:
        """Propose over what was read; give what the page is made from.

        Parameters
        ----------
        inputs
            What was read, with the journal of the store.
        folder
            Project folder, which holds the store.
        clock
            As for `open`.

        Raises
        ------
        PlannerError
            If the store cannot be read.
        """
        store = store_of(folder)
        state = _propose(inputs, folder, store)
        return cls(folder, store, state, clock or (lambda: datetime.now().astimezone()))

    @property
    def inputs(self) -> Inputs:
        """What was read."""
        return self._state.inputs

    @property
    def facts(self) -> RunFacts:
        """Facts of the project that its inputs settle."""
        return self._state.facts

    @property
    def made(self) -> Proposal:
        """What was proposed when the project was last read whole."""
        return self._state.made

    @property
    def age(self) -> DataAge:
        """Of when the data are, and whether a file changed since they were read."""
        return self._state.age

    @property
    def version(self) -> int:
        """How many changes there were since the server began."""
        return self._changes[-1].version if self._changes else 0

    @property
    def due(self) -> tuple[str, ...]:
        """Why the project should be read anew: what a change did to other pipes."""
        return self._due

    @property
    def decisions(self) -> pd.DataFrame:
        """All decisions, obeys `DECISIONS`."""
        with self.lock:
            return self._decided.all

    def last_version(self, pipe_id: str) -> int:
        """Give the number of the last decision on a pipe; 0 = none."""
        return self._decided.last(pipe_id)

    def rows_of(self, pipe_id: str, *names: str) -> Tables:
        """Give the rows of one pipe as they stand: of the tables named, of all by default.

        Raises
        ------
        TableError
            If there is no such pipe.
        """
        with self.lock:
            return self._state.running.rows_of([pipe_id], names or None)

    def has_pipe(self, pipe_id: str) -> bool:
        """Tell whether the project has a pipe of that name."""
        return pipe_id in self._state.pipe_ids

    def proposal(self) -> Proposal:
        """Give the whole proposal as it stands; of a large town this takes its time."""
        with self.lock:
            return self._state.running.proposal()

    def changes_since(self, version: int) -> list[Change]:
        """Give what changed after a version, the oldest first."""
        # They are numbered without a gap.
        return self._changes[max(0, version) :] if version < self.version else []

    def watch(self, told: Callable[[Change], None]) -> None:
        """Have `told` called, under the lock, with each change."""
        self._watchers.append(told)

    def instant(self) -> tuple[str, str]:
        """Give the day here, YYYY-MM-DD, and the instant in UTC, to the microsecond."""
        now = self.clock()
        at = now.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        return now.date().isoformat(), at

    def decide(self, asked: Asked) -> list[str]:
        """Take in one decision.

        Parameters
        ----------
        asked
            What, on what, by whom, on which state.

        Returns
        -------
        refused
            Why it was not taken; empty where it was.

        Raises
        ------
        StaleError
            If somebody decided on the pipe since the person saw it.
        StoreError
            If the store cannot be written.
        """
        with self.lock:
            self.catch_up()
            if self.put_back:
                return [PUT_BACK]
            if asked.seen < self.last_version(asked.pipe_id):
                self._refuse_stale(asked)
            row = self._row(asked)
            if not self.has_pipe(asked.pipe_id):
                return [f"there is no pipe {asked.pipe_id}"]
            if asked.seen > self.last_version(asked.pipe_id):
                self._refuse_stale(asked)
            if self._says_only_where_it_stands(asked):
                kept, left = self._sift_standing(row)
            else:
                kept, left = self._sift_proposing(row)
            if len(left):
                return [str(one) for one in left["reason"]]
            seen = {asked.pipe_id: asked.seen}
            before = self._decided.highest
            taken, again = self.store.append_decisions(kept, seen)
            # Another program may have written just before: then what it wrote is read next time.
            alone = len(taken) and int(taken["version"].min()) == before + 1
            self._stamp = self.store.stamp() if alone else None
            if len(again):
                return [str(one) for one in again["reason"]]
            self._take_in(taken)
            return []

    def decisions_on(self, pipe_id: str) -> pd.DataFrame:
        """Give the decisions on one pipe and its spans, the oldest first; obeys `DECISIONS`."""
        with self.lock:
            return self._decided.on(pipe_id)

    def catch_up(self) -> None:
        """Take in what another program has put into the store meanwhile."""
        with self.lock:
            stamp_now = self.store.stamp()
            if stamp_now == self._stamp:
                return
            stored = self.store.read_decisions()
            known = set(self._decided.all["version"])
            self.put_back = not known <= set(stored["version"])
            fresh = stored[~stored["version"].isin(known).to_numpy(bool)]
            self._stamp = stamp_now
            for pipe_id in dict.fromkeys(fresh["pipe_id"]):
                self._take_in(conform(fresh[fresh["pipe_id"] == pipe_id], DECISIONS))

    def read_anew(self, overrides: Mapping[str, str] | None = None) -> None:
        """Read the project from its files again; what is shown changes at once at the end.

        Raises
        ------
        PlannerError
            If it cannot be read; then all stands as it did.
        """
        events, edits = self.store.read_events(), self.store.read_price_edits()
        inputs = read_project(self.folder, overrides, events, edits)
        state = _propose(inputs, self.folder, self.store)
        with self.lock:
            self._state, self._due, self.put_back = state, (), False
            self._decided, self._stamp = Decided(state.decisions), state.stamp
            self.catch_up()
            self._note(tuple(state.inputs.pipes["pipe_id"].astype(str)), "")
        hold_still()

    def _row(self, asked: Asked) -> pd.DataFrame:
        on, at = self.instant()
        row = {name: getattr(asked, name) for name in ("pipe_id", "span_id", "decision", "value",
                                                       "reason", "by")}  # fmt: skip
        opened = "yes" if asked.opened else "no"
        return conform([{**row, "version": 0, "on": on, "at": at, "opened": opened}], DECISIONS)

    def _refuse_stale(self, asked: Asked) -> None:
        """Refuse what rests on another state of its pipe than the present one."""
        refuse_stale(self.decisions_on(asked.pipe_id), "pipe_id", {asked.pipe_id: asked.seen})

    def _says_only_where_it_stands(self, asked: Asked) -> bool:
        if asked.span_id or asked.decision not in STANDING_WORDS:
            return False
        own = self.decisions_on(asked.pipe_id)
        words = own.loc[(own["span_id"] == "").to_numpy(bool), "decision"]
        return words.empty or words.iloc[-1] not in METHOD_WORDS

    def _sift_standing(self, row: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
        pipe_id = str(row["pipe_id"].iloc[0])
        tables = self.rows_of(pipe_id, "verdicts", "chosen", "spans")
        tables["choices"] = tables["chosen"]  # as if nobody had said anything of the pipe
        return sift(row, self.decisions_on(pipe_id), lambda _: tables, self.made.book)

    def _sift_proposing(self, row: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Try a decision that changes what is proposed; at the end all stands as before."""
        pipe_id, running = str(row["pipe_id"].iloc[0]), self._state.running
        try:
            return sift(
                row,
                self.decisions,
                lambda given: running.rescreen([pipe_id], decisions=_own(given)).tables,
                self.made.book,
            )
        finally:
            running.rescreen([pipe_id], decisions=self.decisions)

    def _take_in(self, taken: pd.DataFrame) -> None:
        """Put decisions on one pipe, which the store has, into memory."""
        pipe_id = str(taken["pipe_id"].iloc[0])
        known, running = self.has_pipe(pipe_id), self._state.running
        own = self._decided.with_own(pipe_id, taken)
        rows = [_asked_of(row) for row in taken.to_dict("records")]
        only_state = known and all(self._says_only_where_it_stands(row) for row in rows)
        if only_state:
            running.redecide(pipe_id, own)
        elif known:
            every = conform(pd.concat([self.decisions, taken], ignore_index=True), DECISIONS)
            told = running.rescreen([pipe_id], decisions=every)
            self._due = tuple(dict.fromkeys([*self._due, *told.due]))
        self._decided.add(pipe_id, taken, own)
        self._note((pipe_id,), str(taken["by"].iloc[-1]), only_state=only_state)

    def _note(self, pipe_ids: tuple[str, ...], by: str, *, only_state: bool = False) -> None:
        change = Change(self.version + 1, pipe_ids, by, only_state)
        self._changes.append(change)
        for told in self._watchers:
            told(change)


def _propose(inputs: Inputs, folder: Path, store: Store) -> _State:
    known, stamp_now, decisions = store.read_known(), store.stamp(), store.read_decisions()
    made = propose(inputs, known, decisions)
    if store.write_known(made.known):
        stamp_now = store.stamp() if len(store.read_decisions()) == len(decisions) else None
    running = Running(inputs, made, decisions)
    age = DataAge.of(folder, inputs)
    ids = frozenset(made.tables["pipes"]["pipe_id"].astype(str))
    return _State(inputs, made, running, facts_of(inputs), age, decisions, stamp_now, ids)


def _own(decisions: pd.DataFrame) -> pd.DataFrame:
    return conform(decisions, DECISIONS)


def _asked_of(row: Mapping[Any, Any]) -> Asked:
    texts = {name: str(row[name]) for name in ("pipe_id", "span_id", "decision", "value", "reason",
                                               "by")}  # fmt: skip
    return Asked(**texts, seen=0, opened=True)
