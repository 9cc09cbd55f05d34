"""The totals of all choices by state, kept up as people decide: one pipe's rows off, new ones on.

All sums are of whole numbers, so that after any number of edits they are what a fresh sum over
all pipes gives. Prices that people changed since the data were read are in the money at once;
what would be chosen at them is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.contracts.repairs import METHODS
from planner.ground.money import PriceList
from planner.review.live import Change, Live
from planner.review.totals_prices import PriceNow, Prices
from planner.review.totals_ragged import NOBODY, Ragged, Whole
from planner.review.totals_rows import (
    NM_PER_M,
    NO_PRICE,
    READ,
    STATES,
    LineKind,
    PipeRows,
    Taker,
    Thing,
    mark_of,
    state_of,
)
from planner.tables import records_in

KIND, TIMES, LENGTH, CENTS, CENTS_READ = range(5)
# Figures of a kind of line: how many, their length [nm], money now, money at prices as read.
SUM_TIMES, SUM_LENGTH, SUM_CENTS, SUM_READ = range(4)
_LINE_FIGURES = 4
NONE = -1
# Beyond this many changed pipes all are summed anew.
_MANY = 500


@dataclass(frozen=True)
class Sums:
    """All totals as they stood at one moment.

    ``amounts[state, thing]``; ``lines[state, kind, figure]``: times, length [nm], cents, cents at
    prices as read; ``pipes[state, method]`` counts pipes, ``money[state, method]`` is in cents,
    ``bare[state, method]`` counts lines without a price.
    """

    version: tuple[int, int]
    things: tuple[Thing, ...]
    kinds: tuple[LineKind, ...]
    amounts: Whole
    lines: Whole
    pipes: Whole
    money: Whole
    bare: Whole


@dataclass(frozen=True)
class PipeMoney:
    """What each pipe's choice costs [cents], by the number of the pipe; `state` -1 = no choice."""

    pipe_ids: npt.NDArray[np.object_]
    state: Whole
    method: Whole
    cents: Whole
    liner_from: Whole
    placed: Whole


class Board:
    """The totals of one project in memory."""

    def __init__(self, live: Live, prices: Prices) -> None:
        """Watch a project; the first sum is made when it is first asked for."""
        self._live, self._prices = live, prices
        self._dirty: dict[str, None] = {}
        self._read: object = None
        self._sums: Sums | None = None
        live.watch(self._note)

    def _note(self, change: Change) -> None:
        self._dirty |= dict.fromkeys(change.pipe_ids)

    def sums(self) -> Sums:
        """Give the totals as they stand."""
        with self._live.lock:
            now = self._prices.now()
            self._catch_up(now)
            version = (self._live.version, now.version)
            if self._sums is None or self._sums.version != version:
                self._sums = Sums(
                    version, tuple(self.taker.things.all), tuple(self.taker.kinds.all),
                    self._amounts.copy(), self._line_sums.copy(), self._pipes.copy(),
                    self._money.copy(), self._bare.copy(),
                )  # fmt: skip
            return self._sums

    def pipe_money(self) -> PipeMoney:
        """Give state, method and cost of each pipe."""
        with self._live.lock:
            self._catch_up(self._prices.now())
            one = [self._state, self._method, self._cents, self._liner_from, self._placed]
            return PipeMoney(self._ids, *(values.copy() for values in one))

    def lines_now(self) -> tuple[Whole, Whole]:
        """Give all lines in force: the state of each one's pipe, and its columns."""
        with self._live.lock:
            self._catch_up(self._prices.now())
            owner = self._lines.owner
            live = owner != NOBODY
            return self._state[owner[live]], self._lines.columns()[:, live]

    def pipes_of(self, thing: Thing) -> list[tuple[str, int, int]]:
        """Give pipe, state and amount of each pipe that takes of a thing."""
        with self._live.lock:
            self._catch_up(self._prices.now())
            at = self.taker.things.find(thing)
            owner = self._items.owner
            mine = (owner != NOBODY) & (self._items.column(0) == at)
            amounts = self._items.column(1)[mine].tolist()
            return [
                (str(self._ids[one]), int(self._state[one]), amount)
                for one, amount in zip(owner[mine].tolist(), amounts, strict=True)
            ]

    def lines_of(self, kind: LineKind) -> list[tuple[str, int, int, int, int]]:
        """Give pipe, state, times, length of one [nm], cents of one of each line of a kind."""
        with self._live.lock:
            self._catch_up(self._prices.now())
            at = self.taker.kinds.find(kind)
            owner = self._lines.owner
            mine = (owner != NOBODY) & (self._lines.column(KIND) == at)
            columns = [self._lines.column(c)[mine].tolist() for c in (TIMES, LENGTH, CENTS)]
            return [
                (str(self._ids[one]), int(self._state[one]), *figures)
                for one, *figures in zip(owner[mine].tolist(), *columns, strict=True)
            ]

    # What follows is called under the lock.

    def _catch_up(self, now: PriceNow) -> None:
        if self._read is not self._live.inputs or len(self._dirty) > _MANY:
            self._build(now)
        elif self._dirty:
            for pipe_id in self._dirty:
                self._renew(pipe_id)
        if now.version != self._priced:
            self._reprice(now)
        self._dirty = {}

    def _build(self, now: PriceNow) -> None:
        inputs = self._live.inputs
        tables = self._live.proposal().tables
        names = ("systems", "system_sizes", "materials", "parts")
        self.taker = Taker({name: getattr(inputs, name) for name in names})
        self._ids = inputs.pipes["pipe_id"].to_numpy(object)
        self._at = {str(one): at for at, one in enumerate(self._ids)}
        count = len(self._ids)
        self._state, self._method = (np.full(count, NONE, dtype=np.int64) for _ in range(2))
        self._cents, self._bare_of, self._placed = (
            np.zeros(count, dtype=np.int64) for _ in range(3)
        )
        self._liner_from = np.full(count, NONE, dtype=np.int64)
        self._marks: dict[int, tuple[object, ...]] = {}
        self._changed = now.changed()
        rows = {self._at[pipe]: row for pipe, row in self.taker.rows(tables).items()}
        order = sorted(rows)
        self._items = _laid(count, [(at, rows[at].amounts) for at in order], 2)
        self._lines = _laid(count, [(at, self._priced_now(rows[at].lines)) for at in order], 5)
        self._clear_sums()
        for at in order:
            self._set(at, rows[at])
        self._all_money()
        self._add_all()
        self._read, self._priced, self._sums = inputs, now.version, None

    def _clear_sums(self) -> None:
        states, methods = len(STATES), len(METHODS)
        self._amounts = np.zeros((states, len(self.taker.things)), dtype=np.int64)
        self._line_sums = np.zeros((states, len(self.taker.kinds), _LINE_FIGURES), dtype=np.int64)
        self._pipes, self._money, self._bare = (
            np.zeros((states, methods), dtype=np.int64) for _ in range(3)
        )

    def _set(self, at: int, row: PipeRows) -> None:
        self._state[at], self._method[at] = row.state, METHODS.index(row.method)
        self._liner_from[at], self._placed[at] = row.liner_from, row.placed
        self._marks[at] = row.mark

    def _all_money(self) -> None:
        """Add up what each pipe costs, and its lines without a price."""
        owner, lines = self._lines.owner, self._lines.columns()
        live = owner != NOBODY
        priced = live & (lines[CENTS] != NO_PRICE)
        gaps = np.array([is_gap(kind) for kind in self.taker.kinds.all], dtype=bool)
        bare = live & ~priced
        bare[bare] = gaps[lines[KIND][bare]]
        self._cents[:], self._bare_of[:] = 0, 0
        np.add.at(self._cents, owner[priced], (lines[TIMES] * lines[CENTS])[priced])
        np.add.at(self._bare_of, owner[bare], 1)

    def _own_money(self, at: int) -> None:
        """Add up what one pipe costs, and its lines without a price."""
        lines = self._lines.rows_of(at)
        priced = lines[CENTS] != NO_PRICE
        self._cents[at] = (lines[TIMES] * lines[CENTS])[priced].sum()
        kinds = self.taker.kinds.all
        self._bare_of[at] = sum(is_gap(kinds[kind]) for kind in lines[KIND][~priced].tolist())

    def _renew(self, pipe_id: str) -> None:
        """Take one pipe's rows off, and put on what stands now."""
        at = self._at.get(pipe_id)
        if at is None:
            return
        choices = self._live.rows_of(pipe_id, "choices")["choices"]
        row = next(iter(records_in(choices)), None)
        known = self._state[at] != NONE
        if row is not None and known and mark_of(row) == self._marks[at]:
            self._add(at, -1)
            self._state[at] = state_of(row)
            self._add(at, 1)
            return
        if known:
            self._add(at, -1)
            self._state[at] = NONE
        made = self.taker.rows(self._live.rows_of(pipe_id, *READ)).get(pipe_id)
        self._items.replace(at, made.amounts if made else [])
        self._lines.replace(at, self._priced_now(made.lines) if made else [])
        self._widen()
        if made:
            self._set(at, made)
            self._own_money(at)
            self._add(at, 1)

    def _widen(self) -> None:
        """Make room in the sums for things and kinds that were not there before."""
        things, kinds = len(self.taker.things), len(self.taker.kinds)
        self._amounts = _wider(self._amounts, things)
        self._line_sums = _wider(self._line_sums, kinds)

    def _add(self, at: int, sign: int) -> None:
        """Put one pipe's rows into the sums of its state, or take them off."""
        state, method = int(self._state[at]), int(self._method[at])
        things, amounts = self._items.rows_of(at)
        np.add.at(self._amounts[state], things, sign * amounts)
        lines = self._lines.rows_of(at)
        np.add.at(self._line_sums[state], lines[KIND], sign * _figures(lines).T)
        self._pipes[state, method] += sign
        self._money[state, method] += sign * self._cents[at]
        self._bare[state, method] += sign * self._bare_of[at]

    def _add_all(self) -> None:
        """Sum all pipes anew."""
        for rows, sums in ((self._items, self._amounts), (self._lines, self._line_sums)):
            owner = rows.owner
            live = owner != NOBODY
            state = self._state[owner[live]]
            columns = np.array(
                [rows.column(at)[live] for at in range(5 if rows is self._lines else 2)]
            )
            values = _figures(columns).T if rows is self._lines else columns[1]
            np.add.at(sums, (state, columns[0]), values)
        known = self._state != NONE
        place = (self._state[known], self._method[known])
        np.add.at(self._pipes, place, 1)
        np.add.at(self._money, place, self._cents[known])
        np.add.at(self._bare, place, self._bare_of[known])

    def _priced_now(
        self, lines: list[tuple[int, int, int, int, int]]
    ) -> list[tuple[int, int, int, int, int]]:
        """Put prices changed since the data were read onto lines as read."""
        if not self._changed:
            return lines
        out = []
        for kind, times, length, cents_read, read in lines:
            cents = cents_read
            own = self._changed.get(self.taker.kinds.all[kind].price_id)
            now = (
                cents if own is None or cents == NO_PRICE else cents_at(own, np.array([length]))[0]
            )
            out.append((kind, times, length, int(now), read))
        return out

    def _reprice(self, now: PriceNow) -> None:
        """Take in prices that were changed; all sums of money are made anew."""
        self._changed = now.changed()
        kinds = self._lines.column(KIND)
        cents, read = self._lines.column(CENTS), self._lines.column(CENTS_READ)
        cents[:] = read
        for at, kind in enumerate(self.taker.kinds.all):
            own = self._changed.get(kind.price_id)
            if own is not None:
                mine = (kinds == at) & (read != NO_PRICE)
                cents[mine] = cents_at(own, self._lines.column(LENGTH)[mine])
        self._all_money()
        self._clear_sums()
        self._add_all()
        self._priced = now.version


def is_gap(kind: LineKind) -> bool:
    """Tell whether lines of a kind lack a price; what is within another price does not."""
    return kind.note.startswith("no price at")


def cents_at(price: PriceList, length_nm: Whole) -> Whole:
    """Price pieces of these lengths [nm] at one price; its sizes were settled before [cents]."""
    metres = length_nm / NM_PER_M
    cents, _ = price.cents_of(np.zeros(len(metres)), metres)
    return cents


def _figures(lines: Whole) -> Whole:
    times = lines[TIMES]
    cents, read = (np.where(lines[c] == NO_PRICE, 0, lines[c]) for c in (CENTS, CENTS_READ))
    return np.array([times, times * lines[LENGTH], times * cents, times * read])


def _laid(owners: int, rows: Sequence[tuple[int, Sequence[tuple[int, ...]]]], width: int) -> Ragged:
    flat = [one for _, own in rows for one in own]
    owner = np.repeat(
        np.array([at for at, _ in rows], dtype=np.int64),
        np.array([len(own) for _, own in rows], dtype=np.int64),
    )
    columns = np.array(flat, dtype=np.int64).reshape(-1, width).T
    return Ragged(owners, owner, np.ascontiguousarray(columns))


def _wider(sums: Whole, count: int) -> Whole:
    more = count - sums.shape[1]
    if more <= 0:
        return sums
    room = [(0, 0)] * sums.ndim
    room[1] = (0, more)
    return np.pad(sums, room)
