"""One changed pipe in a running process: its rows anew, the rest of the town left as it is.

`Running` holds the engineer's half of a run. A change of coded rows, decisions or figures
of some pipes goes the way of `propose.propose` with the rows of these pipes alone, and what
comes out stands in the place of what was there. What hangs on the whole project is not
passed over: quantities that settle prices, and the length by which lists are too long, are
counted on, and where they tell on other pipes `Rescreened.due` says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from planner.collecting import rarely
from planner.contracts import DECISIONS, FAULTS, FLAGS, TABLES
from planner.errors import TableError
from planner.ground.ids import KnownIds, highest_of
from planner.ground.overlay import NOBODY, SEVERAL, Overlay, Places, owners_by_key
from planner.inputs.inputs import Inputs
from planner.once import Once, within
from planner.owned import (
    BESIDE,
    PRICES_STEP,
    asked_in,
    at_of,
    changed_rows,
    frames_of,
    named_in,
    owners_of,
)
from planner.propose import Proposal, mended, propose
from planner.repairs.accept import accept_choices, wanted_methods
from planner.repairs.quantity_bands import (
    Tally,
    doubt_tallies,
    in_force,
    list_quantities,
    tally,
    tally_chosen,
)
from planner.rule_spans import Tables, Whole
from planner.screening.axis import lengths_of, listed_of
from planner.screening.grade_steps import handbook_steps
from planner.tables import check, conform, empty

NOT_REDONE = ("budget", "works", "flows", "cures", "setups", "visits", "legs", "quantities")
"""Tables of a whole plan that no rescreening touches: they weigh all pipes together."""
_CONTRACTS = {table.name: table for table in TABLES}


@dataclass(frozen=True)
class Rescreened:
    """What a change came to: the rows of the changed pipes, table by table.

    `due` says why other pipes are touched too, so that the whole must be run anew; empty
    where what stands is what a full run would give. `not_redone` names what only
    `plan.make_plan` gives.
    """

    pipe_ids: tuple[str, ...]
    tables: Tables
    due: tuple[str, ...]
    not_redone: tuple[str, ...] = NOT_REDONE


class Running:
    """A proposal that takes in changes of single pipes."""

    def __init__(
        self,
        inputs: Inputs,
        made: Proposal,
        decisions: pd.DataFrame,
        *,
        assume_accepted: bool = False,
    ) -> None:
        """Lay the rows of each table by pipe, once.

        Parameters
        ----------
        inputs, decisions, assume_accepted
            What `made` was proposed from.
        made
            What `propose.propose` gave for them.
        """
        self._inputs, self._made, self._decisions = inputs, made, decisions
        self._redecided: dict[str, pd.DataFrame] = {}
        self._once = Once()
        self._assume = assume_accepted
        self._ids: pd.Index = pd.Index(made.tables["pipes"]["pipe_id"])
        self._nodes = pd.Index(inputs.nodes["node_id"])
        self._highest = dict(made.known.highest)
        self._highest |= {kind: highest_of(made.known, kind) for kind in ("span", "sleeve")}
        owners = owners_of(made, decisions, self._ids)
        self._rows = {
            name: Overlay(frame, owners[name], _CONTRACTS.get(name, BESIDE.get(name)))
            for name, frame in frames_of(made).items()
        }
        self._read = self._lay_read(inputs, made, decisions)
        self._several = {
            str(key)
            for name in ("flags", "left_over")
            for key in made.tables[name]["key"][owners[name] == SEVERAL]
        }
        self._spans = set(made.known.table["id"][made.known.table["kind"] == "span"])
        self._wanted = tally(made.wanted, inputs.prices)
        self._chosen = tally_chosen(made.tables, inputs.prices)
        self._stated, self._surveyed = lengths_of(made.tables["pipes"])
        listed = listed_of(self._stated, self._surveyed)
        self._moved = False
        quantities = made.tables["price_quantities"]
        self._whole = Whole(listed, quantities, in_force(inputs.prices, quantities))
        rows = (one.frame for one in inputs.held.values())
        frames = [*rows, *vars(inputs).values(), *vars(self._whole).values(), handbook_steps()]
        frames += inputs.grade_tables.values()
        self._staying = [frame for frame in frames if isinstance(frame, pd.DataFrame)]

    @rarely
    def rescreen(
        self,
        pipe_ids: Iterable[str],
        *,
        pipes: pd.DataFrame | None = None,
        observations: pd.DataFrame | None = None,
        decisions: pd.DataFrame | None = None,
    ) -> Rescreened:
        """Screen and place the changed pipes anew; the others stay as they are.

        Parameters
        ----------
        pipe_ids
            All pipes that the change touches.
        pipes
            Obeys `PIPES`, as read: the rows of `pipe_ids`. None = as before.
        observations
            Obeys `OBSERVATIONS`: all coded rows of the runs of `pipe_ids`. None = as before.
        decisions
            Obeys `DECISIONS`: all decisions of the project, which differ from those before
            for `pipe_ids` only. None = as before.

        Returns
        -------
        rescreened
            Rows of the changed pipes, and whether a full run is due.

        Raises
        ------
        TableError
            If a table breaks its contract, or is of other pipes or runs than `pipe_ids`,
            or a pipe gets other manholes or another drawing: which run is whose, and with
            it other pipes, hang on those.
        """
        names = tuple(sorted(set(pipe_ids)))
        try:
            with within(self._once):
                return self._rescreened(names, pipes, observations, decisions)
        finally:  # what was given may be mended in place after an error, and given again
            self._once.forget(self._staying)

    def _rescreened(
        self,
        names: tuple[str, ...],
        pipes: pd.DataFrame | None,
        observations: pd.DataFrame | None,
        decisions: pd.DataFrame | None,
    ) -> Rescreened:
        at = self._places(names)
        decided = self._decided() if decisions is None else check(decisions, DECISIONS)
        given = () if observations is None else ("observations",)
        read = {name: rows.take(at) for name, rows in self._read.items() if name not in given}
        read |= changed_rows(read, pipes, observations)
        known = KnownIds(self._rows["known"].take(at), self._highest)
        own = self._own_decisions(names, known, decided)
        rows = {name: read[name] for name in ("pipes", "laterals", "inspections", "observations")}
        part = replace(self._inputs, flags=read["flags"], faults=empty(FAULTS)).with_rows(
            nodes=self._nodes_of(read["pipes"]), **rows
        )
        made = propose(
            part, known, own, assume_accepted=self._assume, book=self._made.book, whole=self._whole
        )
        # Only now, as nothing can fail any more, does the change stand.
        tallies = self._tallied(at, made)
        self._put(at, read, made, own)
        self._decisions, self._redecided = decided, {}
        self._highest |= {kind: made.known.highest[kind] for kind in ("span", "sleeve")}
        due = (*self._other_prices(*tallies), *self._other_lengths(), *self._unsettled(part))
        return Rescreened(names, self._part(at), due)

    def redecide(self, pipe_id: str, own: pd.DataFrame) -> pd.DataFrame:
        """Take in decisions about one pipe that change nothing of what is proposed for it.

        Accepting, refusing, holding, and taking that back only say where the choice stands:
        neither verdicts nor sleeves nor prices hang on them.

        Parameters
        ----------
        pipe_id
            The pipe.
        own
            Obeys `DECISIONS`: all about this pipe and its spans, which differ from those before
            by such rows only.

        Returns
        -------
        choices
            What stands of the pipe's choice now; obeys `CHOICES`, without rows where nothing is
            chosen.

        Raises
        ------
        TableError
            If there is no such pipe, or the rows want another method: see `rescreen`.
        """
        at = self._places((pipe_id,))
        before = self._redecided.get(pipe_id)
        if before is None:
            before = self._decisions[(self._decisions["pipe_id"] == pipe_id).to_numpy(bool)]
        on_spans = [set(rows["version"][rows["span_id"] != ""]) for rows in (own, before)]
        if wanted_methods(own) != wanted_methods(before) or on_spans[0] != on_spans[1]:
            message = f"redecide: pipe {pipe_id} gets another method or span: wants rescreening"
            raise TableError(message)
        chosen, spans = self._rows["chosen"].take(at), self._rows["spans"].take(at)
        choices = accept_choices(
            chosen, own, assume_accepted=self._assume, mended=mended({"spans": spans})
        )
        self._rows["choices"].put(at, choices, np.repeat(at, len(choices)))
        self._redecided[pipe_id] = own
        return choices

    def _decided(self) -> pd.DataFrame:
        """Give all decisions, those of pipes that were decided anew in place of the ones before."""
        if not self._redecided:
            return self._decisions
        others = ~self._decisions["pipe_id"].isin(self._redecided).to_numpy(bool)
        parts = [self._decisions[others], *self._redecided.values()]
        return conform(pd.concat(parts, ignore_index=True), DECISIONS)

    def rows_of(self, pipe_ids: Iterable[str], names: Iterable[str] | None = None) -> Tables:
        """Give the rows of some pipes as they stand, table by table; `TableError` if none.

        `names` are the tables asked for; None = all that have rows of pipes.
        """
        at = self._places(tuple(sorted(set(pipe_ids))))
        if names is None:
            return self._part(at)
        return {name: self._rows[name].take(at) for name in names}

    def proposal(self) -> Proposal:
        """Give the whole proposal as it stands: the tables of all pipes, joined.

        Prices are those in force when this was made; where a full run was due, other pipes
        stand as they did.
        """
        made, prices = self._made, self._inputs.prices
        tables = {name: self._rows[name].whole() for name in made.tables if name in self._rows}
        tables |= {"observations": self._read["observations"].whole()}
        quantities = list_quantities(prices, self._wanted)
        doubts = doubt_tallies(prices, self._whole.quantities, self._chosen)
        others = tables["flags"][tables["flags"]["step"] != PRICES_STEP]
        flags = [part.astype(object) for part in (others, doubts) if len(part)]
        tables["flags"] = conform(pd.concat(flags) if flags else [], FLAGS)
        lost = tuple(self._rows[name].whole() for name in ("lost spans", "lost sleeves"))
        known = replace(made.known, table=self._rows["known"].whole(), highest=self._highest)
        tables = {**made.tables, **tables, "price_quantities": quantities}
        wanted, chosen = self._rows["wanted"].whole(), self._rows["chosen"].whole()
        return replace(
            made, tables=tables, known=known, lost_ids=lost, wanted=wanted, chosen=chosen
        )

    def _lay_read(
        self, inputs: Inputs, made: Proposal, decisions: pd.DataFrame
    ) -> dict[str, Overlay]:
        """Lay out what was read by pipe; a run belongs to the pipe on which it was found."""
        located = made.tables["inspections"]
        of_run = at_of(self._ids, located["pipe_id"])
        runs = pd.Index(located["inspection_id"])

        def by_run(names: pd.Series) -> Places:
            return np.append(of_run, NOBODY)[at_of(runs, names)]

        named = [*named_in(made.tables, self._ids), *asked_in(decisions, self._ids)]
        owner = {
            "pipes": at_of(self._ids, inputs.pipes["pipe_id"]),
            "inspections": by_run(inputs.inspections["inspection_id"]),
            "observations": by_run(inputs.observations["inspection_id"]),
            "laterals": at_of(self._ids, inputs.laterals["pipe_id"]),
            "flags": owners_by_key(inputs.flags["key"], named),
        }
        return {
            name: Overlay(getattr(inputs, name), places, _CONTRACTS[name])
            for name, places in owner.items()
        }

    def _places(self, names: tuple[str, ...]) -> Places:
        at = at_of(self._ids, pd.Series(names, dtype="str"))
        if not names or (at < 0).any():
            message = f"rescreen: no pipe {names[int((at < 0).argmax())] if names else 'is named'}"
            raise TableError(message)
        return at

    def _nodes_of(self, pipes: pd.DataFrame) -> pd.DataFrame:
        ends = {*pipes["us_node"].tolist(), *pipes["ds_node"].tolist()}
        at = self._nodes.get_indexer(pd.Index(sorted(ends)))
        return self._inputs.nodes.iloc[np.sort(at[at >= 0])]

    def _own_decisions(
        self, names: tuple[str, ...], known: KnownIds, decisions: pd.DataFrame
    ) -> pd.DataFrame:
        """Give the decisions on these pipes; one about a span is of the pipe it lies on."""
        if decisions.empty:
            return decisions
        about = decisions["span_id"]
        own = about.isin(known.table["id"])
        elsewhere = np.array([name in self._spans for name in about], dtype=bool)
        return decisions[own | (decisions["pipe_id"].isin(names) & ~elsewhere)]

    def _tallied(self, at: Places, made: Proposal) -> tuple[Tally, Tally]:
        """Count on what could be ordered and what is chosen: old rows off, new ones on."""
        prices = self._inputs.prices
        if not self._wanted:
            return self._wanted, self._chosen
        less, more = tally(self._rows["wanted"].take(at), prices), tally(made.wanted, prices)
        wanted = {key: so_far - less[key] + more[key] for key, so_far in self._wanted.items()}
        less, more = tally_chosen(self._part(at), prices), tally_chosen(made.tables, prices)
        chosen = {key: so_far - less[key] + more[key] for key, so_far in self._chosen.items()}
        return wanted, chosen

    def _put(
        self, at: Places, read: Mapping[str, pd.DataFrame], made: Proposal, own: pd.DataFrame
    ) -> None:
        ids, runs = self._ids[at], made.tables["inspections"]
        of_run = at_of(ids, runs["pipe_id"])[
            at_of(pd.Index(runs["inspection_id"]), read["observations"]["inspection_id"])
        ]
        # Of what was read only these two can have changed.
        self._read["pipes"].put(at, read["pipes"], at[at_of(ids, read["pipes"]["pipe_id"])])
        self._read["observations"].put(at, read["observations"], at[of_run])
        owners = owners_of(made, own, ids)
        for name, frame in frames_of(made).items():
            # A flag on what is not these pipes' own, such as a file, is said of all by a full run.
            mine = owners[name] >= 0
            kept = frame if mine.all() else frame[mine].reset_index(drop=True)
            self._rows[name].put(at, kept, at[owners[name][mine]])
        self._spans |= set(made.known.table["id"])
        pipes = made.tables["pipes"]
        was = np.array([self._stated[at], self._surveyed[at]])
        of_pipe = at_of(pd.Index(pipes["pipe_id"]), pd.Series(ids))
        now = np.array([lengths[of_pipe] for lengths in lengths_of(pipes)])
        self._stated[at], self._surveyed[at] = now
        self._moved = self._moved or not np.array_equal(was, now, equal_nan=True)

    def _part(self, at: Places) -> Tables:
        return {name: rows.take(at) for name, rows in self._rows.items() if name not in BESIDE}

    def _other_prices(self, wanted: Tally, chosen: Tally) -> list[str]:
        """Say which prices come into force or go out of it; from now on these sums hold."""
        self._wanted, self._chosen = wanted, chosen
        prices = self._inputs.prices
        if not wanted:
            return []
        now = list_quantities(prices, wanted)
        turned = now[now["in_force"].ne(self._whole.quantities["in_force"]).to_numpy(bool)]
        items = dict(zip(prices["price_id"], prices["item"], strict=True))
        word = {True: "comes into force", False: "is out of force"}
        return [
            f"prices of other pipes change: {items[row.price_id]} price {row.price_id} "
            f"{word[bool(row.in_force)]}: {row.why}"
            for row in turned.itertuples()
        ]

    def _other_lengths(self) -> list[str]:
        if not self._moved:
            return []
        listed = listed_of(self._stated, self._surveyed)
        if listed == self._whole.listed:
            self._moved = False
            return []
        before = self._whole.listed
        return [
            "lengths of other pipes change: lists exceed surveys by "
            f"{listed.both_m:.3f} m on {listed.count} pipes, before by {before.both_m:.3f} m on "
            f"{before.count}"
        ]

    def _unsettled(self, part: Inputs) -> list[str]:
        """Name keys of flags of these pipes that things of other pipes have as well."""
        keys = set(part.pipes["pipe_id"]) | set(part.inspections["inspection_id"])
        keys |= set(part.observations["observation_id"])
        both = sorted(self._several & keys)
        return [f"flags of {key} are of several pipes, and stand as they did" for key in both]
