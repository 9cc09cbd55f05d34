"""Spans of one pipe in plain Python: every pair of rows is looked at, nothing is sorted ahead.

What is repeated at joints is left out: `joints.split_repeated` has tests of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from planner.contracts import SPAN_QUANTITIES

Row = dict[str, Any]
SAME_M = 1e-6
DEPOSITS = ("deposit_attached", "deposit_settled")
SEEN = ("soil_visible", "void_visible")
COLUMNS = ("from_m", "to_m", "kind", "role", "mechanisms", "lent", "extent_from", "at_joint",
           "root_kind", "deposit_kind", "arc_h", "find_m", "counter_node", *SEEN)  # fmt: skip


def plain_spans(rows: Sequence[Row], touch_m: float) -> list[Row]:
    """Give the spans of the defects of one pipe, in any order."""
    wanted = [row for row in rows if row["role"] in ("damage", "condition")]
    own = places_of([{**row, "group": group_of(row)} for row in wanted], touch_m)
    flags = {id(place): list[Row]() for place in own}
    alone = []
    for row in (row for row in rows if row["role"] == "flag"):
        near = nearest([place for place in own if place[0]["group"] == "damage"], row, touch_m)
        (alone if near is None else flags[id(near)]).append({**row, "group": "flag"})
    every = [(place, flags[id(place)]) for place in own]
    every += [(place, []) for place in places_of(alone, touch_m)]
    bare = [stretch_of(place, seen) for place, seen in every]
    return [span_of(*both, lenders_of(at, every, bare), bare[at]) for at, both in enumerate(every)]


def group_of(row: Row) -> str:
    return "damage" if row["role"] == "damage" else str(row["mechanism"])


def core_of(row: Row) -> tuple[float, float]:
    coded = "" if row["extent_from"] == "quantity" else "x_"
    return row[f"{coded}from_m"], row[f"{coded}to_m"]


def places_of(rows: Iterable[Row], touch_m: float) -> list[list[Row]]:
    """Join each row with every other of its group that it touches, over and over."""
    places = [[row] for row in rows]
    while True:
        both = next(((a, b) for a in places for b in places if a is not b and touch(a, b, touch_m)),
                    None)  # fmt: skip
        if both is None:
            return places
        places = [place for place in places if place is not both[0] and place is not both[1]]
        places.append(both[0] + both[1])


def touch(one: Sequence[Row], other: Sequence[Row], touch_m: float) -> bool:
    within = touch_m + SAME_M
    return one[0]["group"] == other[0]["group"] and any(
        core_of(a)[0] <= core_of(b)[1] + within and core_of(b)[0] <= core_of(a)[1] + within
        for a in one for b in other
    )  # fmt: skip


def nearest(places: Sequence[list[Row]], flag: Row, touch_m: float) -> list[Row] | None:
    def key(place: list[Row]) -> tuple[float, float]:
        start = min(core_of(row)[0] for row in place)
        end = max(core_of(row)[1] for row in place)
        return round(max(start - flag["x_to_m"], flag["x_from_m"] - end, 0.0), 6), start

    best = min(places, key=key, default=None)
    return best if best is not None and key(best)[0] <= touch_m + SAME_M else None


def stretch_of(place: Sequence[Row], flags: Sequence[Row]) -> tuple[float, float]:
    ends = [(row["from_m"], row["to_m"]) for row in place]
    ends += [(row["x_from_m"], row["x_to_m"]) for row in flags]
    return min(start for start, _ in ends), max(end for _, end in ends)


def lenders_of(at: int, every: Sequence[tuple[list[Row], list[Row]]],
               stretches: Sequence[tuple[float, float]]) -> list[Row]:  # fmt: skip
    start, end = stretches[at]
    if every[at][0][0]["role"] == "condition":
        return []
    return [
        row for (place, _), (low, high) in zip(every, stretches, strict=True)
        if place[0]["role"] == "condition" and low <= end + SAME_M and high >= start - SAME_M
        for row in place
    ]  # fmt: skip


def span_of(place: list[Row], flags: list[Row], lent: list[Row], at: tuple[float, float]) -> Row:
    first = min(place, key=lambda row: (*core_of(row), row["observation_id"]))
    said, seen = [*place, *flags, *lent], [*place, *flags]
    marks = [row["at_joint"] for row in place]
    condition = place[0]["role"] == "condition"
    return {
        "from_m": at[0],
        "to_m": at[1],
        "kind": "stretch" if any(row["kind"] == "stretch" for row in place) else "point",
        "role": "condition" if condition else "damage",
        "mechanisms": words(row["mechanism"] for row in place),
        "lent": words(row["mechanism"] for row in lent),
        "extent_from": origin_of(place, flags, at),
        "at_joint": True if any(mark is True for mark in marks)
        else False if all(mark is False for mark in marks) else None,
        "root_kind": kinds(row for row in said if row["mechanism"] == "roots"),
        "deposit_kind": kinds(row for row in said if row["mechanism"] in DEPOSITS),
        "arc_h": largest(row["arc_h"] for row in place),
        "find_m": largest(row["find_m"] for row in place),
        "counter_node": first["counter_node"],
        **{what: any(what in (row["mechanism"], *row["shows"].split("+")) for row in seen)
           for what in SEEN},
        **figures_of(said),
    }  # fmt: skip


def origin_of(place: Sequence[Row], flags: Sequence[Row], at: tuple[float, float]) -> str:
    sure = [row["extent_from"] != "assumed" for row in place]
    ends = [(row["from_m"], row["to_m"]) if known else (row["x_from_m"], row["x_to_m"])
            for row, known in zip(place, sure, strict=True)]  # fmt: skip
    ends += [(row["x_from_m"], row["x_to_m"]) for row in flags]
    low, high = min(start for start, _ in ends), max(end for _, end in ends)
    if at[0] < low - SAME_M or at[1] > high + SAME_M:
        return "assumed"
    return "quantity" if any(row["extent_from"] == "quantity" for row in place) else "coded"


def figures_of(rows: Sequence[Row]) -> dict[str, float]:
    found = {}
    for name in (name for name in SPAN_QUANTITIES if not name.endswith("_ratio")):
        mine = [row for row in rows if row["quantity"] == name]
        highs = [row["quantity_high"] for row in mine]
        open_ = not mine or any(math.isnan(high) or math.isinf(high) for high in highs)
        found[f"{name}_low"] = largest(row["quantity_low"] for row in mine)
        found[f"{name}_high"] = math.nan if open_ else max(highs)
    return found


def largest(figures: Iterable[float]) -> float:
    return max((one for one in figures if not math.isnan(one)), default=math.nan)


def words(found: Iterable[str]) -> str:
    return "+".join(sorted(set(found)))


def kinds(rows: Iterable[Row]) -> str:
    found = words(row["detail"] or "unknown" for row in rows)
    return "" if found == "unknown" else found
