"""Spans, verdicts, laterals and repairs of each pipe, gathered for placement."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import AS_BUILT, DEFECTS, LATERALS, PIPES, SPANS, VERDICTS
from planner.contracts.facts import Tables
from planner.distinct import Codes, is_among, places_in
from planner.ground.event_places import overlap_by_half
from planner.order import order_by
from planner.repairs.spots import Floats, Marks, SpotColumns, Spots
from planner.repairs.way import bars_of
from planner.repairs.zones import Line, Spot, Tap
from planner.settings import Sleeving
from planner.tables import check, records_in, rows_in

Left = list[tuple[str, str]]
"""Pairs of span_id and the reason why no sleeve serves it."""

# Doubt of finding a sleeve as built again by the counter: its least [m].
_LYING_FIND_M = 0.3
_SPAN = ["span_id", "find_m", "role", "kind", "state", "extent_from", "counter_node"]
_PIPE = ["pipe_id", "us_node", "length_m", "dn_mm", "placing"]
_PIPE += ["laterals_known_from_m", "laterals_known_to_m"]


def gather(tables: Tables, settings: Sleeving) -> tuple[list[Line], Left]:
    """Gather each pipe with a span that a sleeve shall serve, in order of pipe_id.

    A sleeve is asked for where the span needs mending, its sleeve is open and it is not
    mended already. Every damage span, and every earlier repair, is unsound pipe; a span
    whose sleeve is not open, and an earlier repair, may not lie inside a sleeve. A
    condition bars sleeves only where it must be mended or cannot be judged: deposits
    that are to be cleaned do not.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, laterals; and defects and as_built, where earlier
        repairs and sleeves set since are looked up, if they are there.
    settings
        Size taken for a lateral whose size is unknown.

    Returns
    -------
    lines, left
        Pipes in metres; wanted spans that lie where nothing can be placed.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (PIPES, SPANS, VERDICTS, LATERALS):
        check(tables[table.name], table)
    pipes = pd.DataFrame(tables["pipes"])
    asked = _asked_of(tables, pipes)
    names = pipes["pipe_id"].array.take(asked.pipes).tolist()
    spots, bounds = _with_bars(asked, names, (_repairs(tables), _lying(tables)))
    taps, bars = _taps(tables["laterals"], settings), bars_of(tables)
    lines: list[Line] = []
    left = asked.refused
    rows = zip(asked.wanted.tolist(), _taken(pipes, _PIPE, asked.pipes), strict=True)
    for (first, last), (wanted, row) in zip(pairwise(bounds), rows, strict=True):
        if not wanted:
            continue
        pipe_id, us_node, length, dn, placing, known_from, known_to = row
        own = Spots(spots, range(first, last))
        if placing == "stopped" or not length > 0.0:
            why = "nothing is placed: surveyed and drawn length differ too much"
            why = why if placing == "stopped" else "the length of the pipe is not known"
            left += [(spot.span_id, why) for spot in own if spot.wanted]
            continue
        figures = (float(length), float(dn), float(known_from), float(known_to))
        beside = (tuple(taps.get(pipe_id, ())), tuple(bars.get(pipe_id, ())))
        lines.append(Line(pipe_id, us_node, *figures, own, *beside))
    return lines, left


@dataclass(frozen=True)
class _Asked:
    """Pipes with a span that asks for a sleeve, by their rows in order of pipe_id.

    `spots` are all spans on them by pipe and place, `of` the place of each one's pipe among
    `pipes`, `wanted` marks those pipes on which a sleeve shall serve one, and `refused` says
    which spans ask in vain.
    """

    pipes: Codes
    spots: SpotColumns
    of: Codes
    wanted: Marks
    refused: Left


def _asked_of(tables: Tables, pipes: pd.DataFrame) -> _Asked:
    spans, verdicts = tables["spans"], tables["verdicts"]
    at, of = (
        places_in(spans["span_id"], verdicts["span_id"]),
        places_in(spans["pipe_id"], pipes["pipe_id"]),
    )
    mend, unclear, open_ = (
        np.append(is_among(verdicts[name], [word]), False)[at]
        for name, word in (("needs", "mend"), ("needs", "unknown"), ("sleeve", "open"))
    )
    asks = mend & open_ & is_among(spans["state"], ["open"])
    here = np.flatnonzero(np.bincount(of[asks & (of >= 0)], minlength=len(pipes)))
    here = here[order_by([pipes["pipe_id"].array.take(here)])] if len(here) else here
    place = np.full(len(pipes) + 1, -1)
    place[here] = np.arange(len(here))
    rows = np.flatnonzero((at >= 0) & (place[of] >= 0))
    ends = [spans[name].to_numpy(dtype=float)[rows] for name in ("from_m", "to_m")]
    if len(rows):
        order = order_by([place[of[rows]], *ends, spans["span_id"].array.take(rows)])
        rows, ends = rows[order], [end[order] for end in ends]
    asks, own = asks[rows], {name: spans[name].array.take(rows) for name in _SPAN}
    repeats = asks & is_among(own["kind"], ["repeated"])
    wanted, damage = asks & ~repeats, is_among(own["role"], ["damage"])
    closed = is_among(own["state"], ["mended"])
    closed |= (damage | mend[rows] | unclear[rows]) & ~open_[rows]
    flags = np.column_stack([wanted, damage | wanted, closed])
    nodes = pipes["us_node"].array.take(of[rows])
    columns = SpotColumns(
        own["span_id"].tolist(),
        np.column_stack([*ends, own["find_m"], *_bare(own, ends, nodes)]),
        flags,
        own["counter_node"].tolist(),
    )
    vain = [columns.spot(row) for row in np.flatnonzero(repeats).tolist()]
    refused = [(spot.span_id, _in_vain(spot)) for spot in vain]
    owner = place[of[rows]]
    serves = np.bincount(owner[wanted], minlength=len(here)) > 0
    return _Asked(here, columns, owner, serves, refused)


def _bare(own: Mapping[str, Any], ends: list[Floats], us_nodes: Any) -> tuple[Floats, Floats]:  # noqa: ANN401 - texts
    """Give where the coded part of each span begins and ends [m].

    With an assumed extent only its first edge, as the camera came to it, is coded.
    """
    assumed = is_among(own["extent_from"], ["assumed"])
    from_us = np.asarray(own["counter_node"] == us_nodes, dtype=bool)
    start, end = ends
    return np.where(assumed & ~from_us, end, start), np.where(assumed & from_us, start, end)


def _in_vain(spot: Spot) -> str:
    why = f"it repeats from {spot.from_m:.2f} to {spot.to_m:.2f} m: a matter for the whole pipe"
    return f"{why}, never a sleeve"


def _with_bars(
    asked: _Asked, names: list[str], bars: Sequence[Mapping[str, list[Spot]]]
) -> tuple[SpotColumns, list[int]]:
    """Put what bars sleeves on each pipe below its spans; and give where those of each begin."""
    more = [
        (place, spot)
        for by_pipe in bars
        if by_pipe
        for place, name in enumerate(names)
        for spot in by_pipe.get(name, ())
    ]
    of, spots = asked.of, asked.spots
    if more:
        of = np.concatenate([of, np.array([place for place, _ in more], dtype=np.intp)])
        order = np.argsort(of, kind="stable")
        of, spots = of[order], spots.under(SpotColumns.of(spot for _, spot in more), order)
    return spots, np.searchsorted(of, np.arange(len(names) + 1)).tolist()


def _taken(frame: pd.DataFrame, names: list[str], at: Codes) -> Iterator[tuple[Any, ...]]:
    """Give the rows at these places as tuples of the columns `names`."""
    return zip(*(frame[name].array.take(at).tolist() for name in names), strict=True)


def _repairs(tables: Tables) -> defaultdict[str, list[Spot]]:
    """Find earlier repairs; their extent is the coded one."""
    found: defaultdict[str, list[Spot]] = defaultdict(list)
    if "defects" not in tables:
        return found
    defects = check(tables["defects"], DEFECTS)
    at = np.flatnonzero(is_among(defects["mechanism"], ["existing_repair"]))
    if not len(at):
        return found
    columns = ["pipe_id", "from_m", "to_m", "find_m", "counter_node"]
    for pipe_id, start, end, find, counter in _taken(defects, columns, at):
        found[str(pipe_id)].append(_bar(start, end, find, counter))
    return found


def _bar(from_m: float, to_m: float, find_m: float, counter_node: str) -> Spot:
    return Spot(
        span_id="",
        from_m=from_m,
        to_m=to_m,
        find_m=find_m,
        wanted=False,
        unsound=True,
        closed=True,
        bare_from_m=from_m,
        bare_to_m=to_m,
        counter_node=counter_node,
    )


def _lying(tables: Tables) -> defaultdict[str, list[Spot]]:
    """Find sleeves that bar others: those that failed, and those whose damage is mended.

    One that is set and not filmed yet stays in the plan as the sleeve that it is.
    """
    found: defaultdict[str, list[Spot]] = defaultdict(list)
    if "as_built" not in tables:
        return found
    as_built, spans = check(tables["as_built"], AS_BUILT), tables["spans"]
    if as_built.empty:
        return found
    mended: dict[str, list[dict[str, Any]]] = {}
    for span in records_in(spans[(spans["state"] == "mended").to_numpy(dtype=bool)]):
        mended.setdefault(str(span["pipe_id"]), []).append(span)
    for sleeve in records_in(as_built):
        own = mended.get(str(sleeve["pipe_id"]), [])
        done = any(overlap_by_half(sleeve, span) for span in own) and sleeve["verified_at"]
        if not sleeve["removed_at"] and (sleeve["failed"] or done):
            bar = _bar(float(sleeve["from_m"]), float(sleeve["to_m"]), _LYING_FIND_M, "")
            found[str(sleeve["pipe_id"])].append(bar)
    return found


def _taps(laterals: pd.DataFrame, settings: Sleeving) -> defaultdict[str, list[Tap]]:
    found: defaultdict[str, list[Tap]] = defaultdict(list)
    columns = ["pipe_id", "lateral_id", "x_m", "size_mm", "state"]
    rows = sorted(rows_in(laterals, columns), key=itemgetter(0, 2, 1))
    for pipe_id, lateral_id, x_m, size, state in rows:
        half = (settings.lateral_size_mm if pd.isna(size) else float(size)) / 2000.0
        found[str(pipe_id)].append(Tap(str(lateral_id), float(x_m), half, state != "closed"))
    return found
