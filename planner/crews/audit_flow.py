"""Audit of what is open at the same time: one pipe, a plugged manhole, a jet or plug above."""

from __future__ import annotations

import math
from collections.abc import Iterator

from planner.crews.audit_rows import Book, Broken, Row, moment

_JETS = {"clean", "clean_again", "cut_roots", "cut_intrusion", "descale"}
_OPEN = {"sleeve", "liner", "grout"}


def flow_broken(book: Book) -> Iterator[Broken]:
    """Give every pair of visits that are open at once and disturb each other.

    Parameters
    ----------
    book
        The week.
    """
    plugs = _plugs(book)
    # On one clock: work of a night may still be open on the next day.
    rows = [(moment(one, "start_s"), moment(one, "end_s"), one) for one in book.visits]
    rows.sort(key=lambda row: (row[0], row[2]["visit_id"]))
    for n, (_, end, one) in enumerate(rows):
        for start, _, other in rows[n + 1 :]:
            if start >= end:
                break
            if book.past(one) and book.past(other):
                continue
            yield from _pair(book, one, other, plugs)
            yield from _pair(book, other, one, plugs)


def _pair(book: Book, one: Row, other: Row, plugs: dict[str, str]) -> Iterator[Broken]:
    """Hold the first of two visits that are open together against the second."""
    key = one["visit_id"]
    here, there = _pipe(book, one), _pipe(book, other)
    if here == there:
        if one["crew"] != other["crew"]:
            found = f"{other['crew']} works on {here} then"
            yield key, "pipe", found, "one crew on a pipe at a time"
        return
    how = plugs.get(one["setup_id"])
    shared = set(_ends(book, here)) & set(_ends(book, there)) - {""}
    if how and shared:
        found = f"{how} at {min(shared)}, {other['visit_id']} works on {there} then"
        yield key, "flow", found, "nothing at that manhole then"
    if not _steps(book, one) & _OPEN:
        return
    jets = _steps(book, other) & _JETS
    if (jets or plugs.get(other["setup_id"]) == "plug") and there in _above(book, here):
        what = "jetting" if jets else "a plug"
        found = f"{what} on {there} above {here}, which is open then"
        yield key, "flow", found, f"none within {book.week.flow_guard_m:g} m along the flow"


def _pipe(book: Book, visit: Row) -> str:
    return str(book.setups.get(visit["setup_id"], {}).get("pipe_id", ""))


def _ends(book: Book, pipe_id: str) -> tuple[str, str]:
    pipe = book.pipes.get(pipe_id, {})
    return str(pipe.get("us_node", "")), str(pipe.get("ds_node", ""))


def _steps(book: Book, visit: Row) -> set[str]:
    return {str(work["step"]) for work in book.works_at(visit)}


def _above(book: Book, pipe_id: str) -> set[str]:
    """Walk up the sewer from a pipe's upper node, pipe by pipe, as far as the guard reaches."""
    guard_m = book.week.flow_guard_m
    into: dict[str, list[tuple[str, str, float]]] = {}
    for key, pipe in book.pipes.items():
        length = float(pipe.get("length_m", math.nan))
        length = 0.0 if math.isnan(length) else length
        if pipe.get("us_node") and pipe.get("ds_node"):
            into.setdefault(pipe["ds_node"], []).append((key, pipe["us_node"], length))
    least = {_ends(book, pipe_id)[0]: 0.0}
    reached: set[str] = set()
    todo = list(least)
    while todo:
        node = todo.pop()
        for key, upper, length in into.get(node, []):
            reached.add(key)
            far = least[node] + length
            if far <= guard_m and far < least.get(upper, math.inf):
                least[upper] = far
                todo.append(upper)
    return reached


def _plugs(book: Book) -> dict[str, str]:
    """Say which set-ups stop the flow; what is not known of a sleeve counts as a bypass."""
    control: dict[str, str] = {}
    if "flows" in book.tables:
        flows = book.tables["flows"]
        control = dict(zip(flows["sleeve_id"], flows["control"], strict=True))
    found: dict[str, str] = {}
    for setup_id, work_ids in book.setup_works.items():
        works = [book.works[one] for one in work_ids if one in book.works]
        hows = {control.get(w["sleeve_id"], "bypass") for w in works if w["step"] == "flow_control"}
        if hows & {"plug", "bypass"}:
            found[setup_id] = "plug" if "plug" in hows else "bypass"
    return found
