"""How one figure came about: what it is the sum of, the rule or price behind it, their source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from planner.contracts.repairs import METHODS, WAY_WORDS
from planner.ground.materials import ROLL, item_of
from planner.ground.money import money
from planner.inputs.inputs import Inputs
from planner.review.live import Live
from planner.review.totals_board import Board
from planner.review.totals_rows import NM_PER_M, NM_PER_MM, NO_PRICE, STATES, LineKind, Thing
from planner.review.totals_views import STATE_WORDS
from planner.review.totals_words import figure, metres

MOST_ROWS = 200
_RULES = {
    "sleeve": "One piece for each sleeve of a chosen way, by size, length and system.",
    "length": "The length of each sleeve of a chosen way, as it comes or is cut.",
    "resin": "Volume of the cured wall, pi x (D - t) x t x L, times the resin of a litre of wall.",
    "part": "The resin of each sleeve, parted by the shares of its mix; by volume, that mass by "
    "its density.",
    "material": "Plain geometry on the pipe's own circumference, by the form the system states.",
    "work": "One for each end of a sleeve that lies at a manhole's wall.",
    "doubt": "Length bought because place or extent are in doubt, and what it costs: a look first "
    "saves this.",
}


@dataclass(frozen=True)
class Why:
    """An explanation: a head, the sum, sentences, facts, and the rows that add up to it."""

    head: str
    sum: str
    said: list[str]
    facts: list[tuple[str, str]] = field(default_factory=list)
    columns: list[tuple[str, bool]] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    more: str = ""


def explain(live: Live, board: Board, prices: pd.DataFrame, asked: Mapping[str, str]) -> Why | None:
    """Explain a figure; None where there is none such.

    Parameters
    ----------
    live, board, prices
        The project, its totals, the prices in force (`PRICES`).
    asked
        ``of`` = thing, line, work, method or pipe, and its names as `totals_views` writes them.
    """
    board.sums()
    item = asked.get("item", "")
    if asked.get("of") == "thing":
        return _thing(live, board, Thing(asked.get("kind", ""), item, asked.get("unit", "")))
    if asked.get("of") == "line":
        names = (asked.get(name, "") for name in ("system", "price_id", "note"))
        return _line(board, prices, LineKind(item, *names))
    if asked.get("of") == "work":
        return _work(board, item)
    if asked.get("of") == "method" and item in METHODS:
        return _method(board, item)
    if asked.get("of") == "pipe":
        return _pipe(live, board, item)
    return None


def _thing(live: Live, board: Board, thing: Thing) -> Why | None:
    found = board.pipes_of(thing)
    if board.taker.things.find(thing) < 0:
        return None
    found.sort(key=lambda one: (one[1], -one[2], one[0]))
    rows = [
        [pipe, STATE_WORDS[STATES[state]], str(figure(amount, thing.unit))]
        for pipe, state, amount in found
    ]
    columns = [("Pipe", False), ("State", False), ("Amount", True)]
    total = figure(sum(amount for *_, amount in found), thing.unit)
    said = [_RULES.get(thing.kind, ""), "Net, by design: what is ordered beyond it stands apart."]
    facts = _facts_of(live.inputs, thing)
    return Why(thing.item, str(total), said, facts, columns, *_cut(rows))


def _facts_of(inputs: Inputs, thing: Thing) -> list[tuple[str, str]]:
    """Give figures and sources of the system behind a thing."""
    facts: list[tuple[str, str]] = []
    for row in inputs.systems.to_dict("records"):
        name = str(row["system"])
        if not (thing.item.endswith(f" {name}") or f" {name}, part" in thing.item):
            continue
        facts.append((f"system {name}", str(row["source"]) or "no source given"))
        if thing.kind in ("resin", "part"):
            sizes = inputs.system_sizes[(inputs.system_sizes["system"] == name).to_numpy(bool)]
            facts += [
                (f"DN {one['dn_from_mm']:g} to {one['dn_to_mm']:g}",
                 f"wall {one['wall_mm']:g} mm, {one['resin_kg_per_l']:g} kg of resin a litre")
                for one in sizes.to_dict("records")
            ]  # fmt: skip
        if thing.kind == "part":
            own = inputs.parts[(inputs.parts["system"] == name).to_numpy(bool)]
            facts += [
                (f"part {one['part']}",
                 f"share {one['share']:g} by {one['share_by']}, {one['density_kg_per_l']:g} kg/l; "
                 f"{one['source'] or 'no source given'}")
                for one in own.to_dict("records")
            ]  # fmt: skip
        if thing.kind == "material" and thing.item != item_of(ROLL, name):
            facts += _material_facts(inputs.materials, name, thing.item)
    return facts


def _material_facts(materials: pd.DataFrame, system: str, item: str) -> list[tuple[str, str]]:
    facts = []
    for row in materials[(materials["system"] == system).to_numpy(bool)].to_dict("records"):
        if item_of(str(row["material"]), system) == item:
            names = ("width_mm", "lap_ratio", "turns_count", "seam_mm", "extra_m", "pieces_count")
            told = [f"{name} {row[name]:g}" for name in names if not pd.isna(row[name])]
            source = str(row["source"]) or "no source given"
            facts.append((f"form {row['form']}", "; ".join([*told, source])))
    return facts


def _line(board: Board, prices: pd.DataFrame, kind: LineKind) -> Why | None:
    if board.taker.kinds.find(kind) < 0:
        return None
    found = board.lines_of(kind)
    found.sort(key=lambda one: (one[1], one[0]))
    rows = [
        [pipe, STATE_WORDS[STATES[state]], str(times), f"{length / NM_PER_M:.2f}" if length else "",
         "no price" if cents == NO_PRICE else money(cents),
         "" if cents == NO_PRICE else money(times * cents)]
        for pipe, state, times, length, cents in found
    ]  # fmt: skip
    columns = [("Pipe", False), ("State", False), ("Times", True), ("Length of one, m", True),
               ("One", True), ("Sum", True)]  # fmt: skip
    total = sum(times * cents for *_, times, _, cents in found if cents != NO_PRICE)
    own = prices[(prices["price_id"] == kind.price_id).to_numpy(bool)]
    said, facts = [kind.note] if kind.note else [], list[tuple[str, str]]()
    if len(own):
        row = {str(k): v for k, v in own.iloc[0].to_dict().items()}
        said.append(line_formula(row))
        facts = price_facts(row)
    name = f"{kind.item} {kind.system}".replace("_", " ").strip()
    return Why(name, money(total), said, facts, columns, *_cut(rows))


def _work(board: Board, item: str) -> Why | None:
    """Explain how many of an item are priced, and their metres, whatever price they come from."""
    kinds = [kind for kind in list(board.taker.kinds.all) if kind.item == item]
    found = [(kind, *one) for kind in kinds for one in board.lines_of(kind)]
    if not found:
        return None
    found.sort(key=lambda one: (one[2], one[1]))
    rows = [
        [pipe, STATE_WORDS[STATES[state]], str(times), f"{length / NM_PER_M:.2f}" if length else "",
         kind.price_id or kind.note]
        for kind, pipe, state, times, length, _ in found
    ]  # fmt: skip
    columns = [("Pipe", False), ("State", False), ("Times", True), ("Length of one, m", True),
               ("Price", False)]  # fmt: skip
    total = figure(sum(times for *_, times, _, _ in found), "pieces")
    metres_mm = round(sum(times * length for *_, times, length, _ in found) / NM_PER_MM)
    both = f"{total}, {figure(metres_mm, 'mm')}" if metres_mm else str(total)
    said = ["The lines of the ways chosen: the step's own stretch, as it is priced."]
    return Why(item.replace("_", " "), both, said, [], columns, *_cut(rows))


def line_formula(row: Mapping[str, object]) -> str:
    """Say how a price makes a sum."""
    each, extra = int(str(row["each_cents"])), int(str(row["extra_cents_per_m"]))
    said = f"One costs {money(each)}"
    if extra:
        within = metres(float(str(row["included_m"])))
        said += f", with {within} m in it, and {money(extra)} for each metre beyond"
    if not pd.isna(row["least_m"]):  # type: ignore[call-overload]
        said += f"; at least {metres(float(str(row['least_m'])))} m are charged"
    if not pd.isna(row["least_cents"]):  # type: ignore[call-overload]
        said += f"; one piece or run costs at least {money(int(str(row['least_cents'])))}"
    return said + ". Each line is rounded to the cent by itself."


def price_facts(row: Mapping[str, object]) -> list[tuple[str, str]]:
    """Give id, sizes, year, place and source of a price."""
    year = "" if pd.isna(row["year"]) else str(row["year"])  # type: ignore[call-overload]
    return [
        ("price", str(row["price_id"])),
        ("sizes", f"DN {row['dn_from_mm']:g} to {row['dn_to_mm']:g}"),
        ("year", year or "not stated"),
        ("place", str(row["place"]) or "not stated"),
        ("source", str(row["source"]) or "no source given"),
    ]


def _method(board: Board, method: str) -> Why:
    found = board.pipe_money()
    own = np.flatnonzero((found.method == METHODS.index(method)) & (found.state >= 0))
    order = sorted(own.tolist(), key=lambda at: (found.state[at], -found.cents[at]))
    rows = [
        [str(found.pipe_ids[at]), STATE_WORDS[STATES[found.state[at]]], money(int(found.cents[at]))]
        for at in order
    ]
    columns = [("Pipe", False), ("State", False), ("Sum", True)]
    total = money(int(found.cents[own].sum()))
    said = ["The lines of the way chosen on each pipe, at the prices in force now."]
    return Why(WAY_WORDS.get(method, method), total, said, [], columns, *_cut(rows))


def _pipe(live: Live, board: Board, pipe_id: str) -> Why | None:
    kinds = [
        (kind, *one)
        for kind in list(board.taker.kinds.all)
        for one in board.lines_of(kind)
        if one[0] == pipe_id
    ]
    if not kinds:
        return None
    choice = live.rows_of(pipe_id, "choices")["choices"].iloc[0]
    rows = [
        [f"{kind.item} {kind.system}".replace("_", " ").strip(), str(times),
         f"{length / NM_PER_M:.2f}" if length else "",
         "" if cents == NO_PRICE else money(cents),
         "" if cents == NO_PRICE else money(times * cents),
         kind.price_id or kind.note]
        for kind, _, _, times, length, cents in kinds
    ]  # fmt: skip
    columns = [("Item", False), ("Times", True), ("Length of one, m", True), ("One", True),
               ("Sum", True), ("Price", False)]  # fmt: skip
    total = sum(times * cents for *_, times, _, cents in kinds if cents != NO_PRICE)
    method = WAY_WORDS.get(str(choice["method"]), str(choice["method"]))
    said = [f"{method}: {choice['state']}. {choice['reason']}"]
    return Why(f"Pipe {pipe_id}", money(total), said, [], columns, *_cut(rows))


def _cut(rows: list[list[str]]) -> tuple[list[list[str]], str]:
    left = len(rows) - MOST_ROWS
    return rows[:MOST_ROWS], f"and {left} more; the export holds all" if left > 0 else ""
