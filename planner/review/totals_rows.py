"""What the choice on one pipe takes and costs, as rows of whole numbers in smallest units.

An amount is so much of one thing (`Thing`): pieces, mm, mm2, g, ml or cents. A priced line is
one line of the chosen way's sum (`LineKind`), as `takeoff.bill` puts it into a bill. Names are
kept once and stand in the rows as numbers.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

import pandas as pd

from planner.contracts.facts import Tables
from planner.tables import records_in, rows_in
from planner.takeoff.needs import sleeve_lines

STATES = ("accepted", "proposed", "held", "refused")
NM_PER_M = 1e9
NM_PER_MM = 1_000_000
NO_PRICE = -1
# From so many lines on they are sifted all at once.
_MANY = 2_000
READ = ("choices", "option_lines", "choice_sleeves", "sleeves", "break_even")
"""Tables of a pipe that its rows come from."""
Name = TypeVar("Name", bound=Hashable)
_TYPE = ["dn_mm", "length_m", "system", "wall_mm", "plies", "end"]


@dataclass(frozen=True, order=True)
class Thing:
    """What is counted: its kind as in `QUANTITIES`, or ``doubt``; its name; its unit."""

    kind: str
    item: str
    unit: str


DOUBT_LENGTH = Thing("doubt", "length bought for doubt", "mm")
DOUBT_COST = Thing("doubt", "cost of that length", "cents")
DOUBT_OPEN = Thing("doubt", "sleeves where that cost is not known", "pieces")


@dataclass(frozen=True, order=True)
class LineKind:
    """What lines of a bill are put together by; as `takeoff.bill` does it."""

    item: str
    system: str
    price_id: str
    note: str


class Names(Generic[Name]):
    """Names in the order in which they came, each with its number."""

    def __init__(self) -> None:
        self.all: list[Name] = []
        self._at: dict[Name, int] = {}

    def at(self, name: Name) -> int:
        """Give the number of a name, a new one if it was never seen."""
        found = self._at.get(name)
        if found is None:
            found = self._at[name] = len(self.all)
            self.all.append(name)
        return found

    def find(self, name: Name) -> int:
        """Give the number of a name; -1 where it was never seen."""
        return self._at.get(name, -1)

    def __len__(self) -> int:
        return len(self.all)


@dataclass(frozen=True)
class PipeRows:
    """One pipe's choice in numbers.

    `amounts` are (thing, amount); `lines` are (kind, times, length of one in nm, cents of one,
    the same as read), `NO_PRICE` where there is none; `mark` differs once any of them could
    differ. `liner_from` is the count of sleeves from which the liner costs less, 0 = at none,
    -1 = not compared; `placed` that of sleeves placed.
    """

    state: int
    method: str
    mark: tuple[object, ...]
    amounts: list[tuple[int, int]]
    lines: list[tuple[int, int, int, int, int]]
    liner_from: int
    placed: int


def mark_of(choice: Mapping[str, object]) -> tuple[object, ...]:
    """Give what settles a pipe's rows beside its state: method, sleeves, cost."""
    cost = choice["cost_cents"]
    return (choice["method"], choice["fingerprint"], None if pd.isna(cost) else cost)  # type: ignore[call-overload]


def state_of(choice: Mapping[str, object]) -> int:
    """Give the number of a choice's state in `STATES`; one with another method is accepted."""
    word = str(choice["state"])
    return STATES.index("accepted" if word == "changed" else word)


class Taker:
    """Gives the rows of pipes; what sleeves alike take is reckoned once."""

    def __init__(self, settled: Tables) -> None:
        """Begin; `settled` holds systems, system_sizes, materials, parts."""
        self.things: Names[Thing] = Names()
        self.kinds: Names[LineKind] = Names()
        self._settled = settled
        self._takes: dict[tuple[object, ...], list[tuple[int, int]]] = {}

    def rows(self, tables: Tables) -> dict[str, PipeRows]:
        """Give the rows of each pipe of `choices`, by its id.

        Parameters
        ----------
        tables
            Those of `READ`, of the same pipes.
        """
        choices = {str(row["pipe_id"]): row for row in records_in(tables["choices"])}
        methods = {pipe: str(row["method"]) for pipe, row in choices.items()}
        amounts = self._amounts(tables, set(methods))
        lines = self._lines(tables, methods)
        even = _even(tables["break_even"])
        return {
            pipe: PipeRows(
                state_of(row), methods[pipe], mark_of(row),
                amounts.get(pipe, []), lines.get(pipe, []), *even.get(pipe, (-1, 0)),
            )
            for pipe, row in choices.items()
        }  # fmt: skip

    def _amounts(self, tables: Tables, pipes: set[str]) -> dict[str, list[tuple[int, int]]]:
        sleeves = tables["sleeves"]
        held = sleeves[sleeves["sleeve_id"].isin(tables["choice_sleeves"]["sleeve_id"])]
        self._learn(held)
        found: dict[str, list[tuple[int, int]]] = {}
        columns = ["pipe_id", "allowance_m", "allowance_cents", *_TYPE]
        for pipe, extra_m, extra_cents, *kind in rows_in(held, columns):
            if pipe not in pipes:
                continue
            own = found.setdefault(str(pipe), [])
            own += self._takes[_key(kind)]
            own += self._doubt(extra_m, extra_cents)
        return {pipe: _summed(own) for pipe, own in found.items()}

    def _learn(self, sleeves: pd.DataFrame) -> None:
        """Reckon what sleeves take of which none alike was seen."""
        unknown = [_key(one) not in self._takes for one in rows_in(sleeves, _TYPE)]
        if not any(unknown):
            return
        fresh = sleeves[unknown].drop_duplicates(_TYPE)
        keys = dict(zip(fresh["sleeve_id"], map(_key, rows_in(fresh, _TYPE)), strict=True))
        self._takes |= {key: [] for key in keys.values()}
        lines = sleeve_lines({**self._settled, "sleeves": fresh.reset_index(drop=True)})
        columns = ["sleeve_id", "kind", "item", "unit", "net"]
        for sleeve_id, kind, item, unit, net in rows_in(lines, columns):
            self._takes[keys[sleeve_id]].append((self.things.at(Thing(kind, item, unit)), int(net)))

    def _doubt(self, extra_m: float, extra_cents: object) -> Iterable[tuple[int, int]]:
        if extra_m > 0.0:
            yield self.things.at(DOUBT_LENGTH), round(extra_m * 1000.0)
        if pd.isna(extra_cents):  # type: ignore[call-overload]
            yield self.things.at(DOUBT_OPEN), 1
        elif extra_cents:
            yield self.things.at(DOUBT_COST), int(str(extra_cents))

    def _lines(
        self, tables: Tables, methods: Mapping[str, str]
    ) -> dict[str, list[tuple[int, int, int, int, int]]]:
        lines = tables["option_lines"]  # in order of pipe, method and line
        if len(lines) > _MANY:
            chosen = lines["pipe_id"].map(methods).to_numpy(object)
            lines = lines[chosen == lines["method"].to_numpy(object)]
        systems = dict(rows_in(tables["sleeves"], ["sleeve_id", "system"]))
        found: dict[str, list[tuple[int, int, int, int, int]]] = {}
        columns = ["pipe_id", "method", "item", "sleeve_id", "price_id", "note", "times_count",
                   "length_m", "one_cents"]  # fmt: skip
        for pipe, method, item, sleeve, price, note, times, length, one in rows_in(lines, columns):
            if methods.get(pipe) != method:
                continue
            system = systems.get(sleeve, "") if item == "sleeve" else ""
            kind = self.kinds.at(LineKind(item, system, price, note))
            cents = NO_PRICE if pd.isna(one) else int(one)
            row = (kind, int(times), round(length * NM_PER_M), cents, cents)
            found.setdefault(str(pipe), []).append(row)
        return found


def _key(kind: Iterable[object]) -> tuple[object, ...]:
    """Make alike what is blank alike."""
    return tuple(None if pd.isna(one) else one for one in kind)  # type: ignore[call-overload]


def _summed(amounts: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    found: dict[int, int] = {}
    for thing, amount in amounts:
        found[thing] = found.get(thing, 0) + amount
    return sorted(found.items())


def _even(frame: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Give by pipe from how many sleeves on its liner costs less, and how many are placed."""
    columns = ["pipe_id", "liner_cents", "sleeve_each_cents", "liner_from_count", "sleeves_count"]
    found = {}
    for pipe, liner, each, count, placed in rows_in(frame, columns):
        compared = not (pd.isna(liner) or pd.isna(each))
        never = 0 if compared else -1
        found[str(pipe)] = (never if pd.isna(count) else int(count), int(placed))
    return found
