"""The lines of an option's sum: each step and each move with its price; one place for money.

`options` adds them up, `break_even` parts them, and a bill of the chosen option is these lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pandas as pd

from planner.contracts.sums import MAIN_ITEMS
from planner.ground.money import PriceList, list_prices
from planner.repairs.chain import LINED, Job, Piece, Step, steps_of


@dataclass(frozen=True)
class Line:
    """`times` pieces of one item: priced at dn_mm [mm], length_m [m]; one_cents None = no price."""

    part: str
    item: str
    dn_mm: float
    length_m: float
    times: int
    one_cents: int | None = None
    price_id: str = ""
    sleeve_id: str = ""

    @property
    def cents(self) -> int | None:
        """Give the sum of the line [cents]."""
        return None if self.one_cents is None else self.times * self.one_cents


@dataclass(frozen=True)
class PriceBook:
    """The prices in force (`PRICES`), what they name, and the lists of them used already."""

    prices: pd.DataFrame
    items: frozenset[str]
    lists: dict[tuple[str, str], PriceList] = field(default_factory=dict)

    @classmethod
    def of(cls, prices: pd.DataFrame) -> PriceBook:
        """Open `prices`, which obey `PRICES`."""
        return cls(prices, frozenset(prices["item"]))

    def quote(
        self, item: str, dn_mm: float, length_m: float, system: str = ""
    ) -> tuple[int | None, str]:
        """Price one piece [cents] and name the price; None and '' where none covers it."""
        key = (item, system)
        if key not in self.lists:
            self.lists[key] = list_prices(self.prices, item, system)
        return self.lists[key].quote(dn_mm, length_m)

    def priced(self, line: Line) -> Line:
        """Give the line with the price of any system."""
        cents, price_id = self.quote(line.item, line.dn_mm, line.length_m)
        return replace(line, one_cents=cents, price_id=price_id)

    def within(self, line: Line) -> bool:
        """Say whether no price names the item at all, so that it is part of the main price."""
        return line.item not in MAIN_ITEMS and line.item not in self.items


def lines_of(job: Job, method: str, book: PriceBook) -> list[Line]:
    """List what `method` costs on one pipe: the moves, then its steps in their order.

    Sleeves and liner are moved to the pipe each with a price of their own: ``setup`` and
    ``setup_liner`` (``setup`` where the prices name none). Digs have a move only where
    ``setup_dig`` is priced; else it is within the dig. A sleeve costs what placement
    costed it at, its reopenings and sealed ends shown beside. Reopenings are counted, their
    length is none.

    Parameters
    ----------
    job
        The pipe.
    method
        One of `WAYS`.
    book
        The prices.
    """
    at, moves = job.dn_mm, _moves(job, method, book)
    lines = [book.priced(Line(part, item, at, 0.0, 1)) for part, item in moves]
    pieces = {piece.sleeve_id: piece for piece in job.kept(method)}
    for step in steps_of(job, method):
        part = _part(step, method)
        piece = pieces.get(step.sleeve_id)
        if piece and step.step == "sleeve":
            lines += _sleeve(piece, book)
        elif step.step == "reopen" and not piece:
            lines.append(book.priced(Line(part, "reopen", at, 0.0, job.live_laterals)))
        elif step.step != "reopen":
            length = step.to_m - step.from_m
            one = Line(part, step.step, at, length, 1, sleeve_id=step.sleeve_id)
            lines.append(book.priced(one))
    return lines


def _moves(job: Job, method: str, book: PriceBook) -> list[tuple[str, str]]:
    moves = [("sleeve", "setup")] if method == "sleeve" or job.kept(method) else []
    if method in LINED:
        moves.append(("liner", "setup_liner" if "setup_liner" in book.items else "setup"))
    if job.dug(method) and "setup_dig" in book.items:
        moves.append(("dig", "setup_dig"))
    return moves


def _part(step: Step, method: str) -> str:
    """Say with which part of the way a step lives: what prepares the pipe with the main one."""
    if step.step == "dig":
        return "dig"
    if step.sleeve_id:
        return "sleeve"
    return "liner" if method in LINED else method


def _sleeve(piece: Piece, book: PriceBook) -> list[Line]:
    """Part what placement reckoned for a sleeve into it, its reopenings and its sealed ends.

    Sealing that no price names is part of the sleeve's price and has no line.
    """
    length = round(piece.to_m - piece.from_m, 6)
    at = (piece.dn_mm, length)
    _, price_id = book.quote("sleeve", *at, piece.system)
    one = ("sleeve", "sleeve", *at, 1)
    if piece.cost_cents is None:
        return [Line(*one, None, price_id, piece.sleeve_id)]
    beside = []
    sealed = piece.wall_ends if "end_seal" in book.items else 0
    for item, times in (("reopen", piece.laterals), ("end_seal", sealed)):
        if times:
            cents, its_id = book.quote(item, piece.dn_mm, 0.0, piece.system)
            line = Line("sleeve", item, piece.dn_mm, 0.0, times, cents, its_id, piece.sleeve_id)
            beside.append(line)
    alone = piece.cost_cents - sum(line.cents or 0 for line in beside)
    return [Line(*one, alone, price_id, piece.sleeve_id), *beside]
