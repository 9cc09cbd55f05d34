"""Spans, verdicts, laterals and repairs of each pipe, gathered for placement."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import AS_BUILT, DEFECTS, LATERALS, PIPES, SPANS, VERDICTS
from planner.contracts.facts import Tables
from planner.distinct import Codes, is_among, places_in, unlike_in
from planner.ground.event_places import overlap_by_half
from planner.repairs.way import bars_of
from planner.repairs.zones import Line, Spot, Tap
from planner.settings import Sleeving
from planner.tables import check, records_in, rows_in

Left = list[tuple[str, str]]
"""Pairs of span_id and the reason why no sleeve serves it."""

# Doubt of finding a sleeve as built again by the counter: its least [m].
_LYING_FIND_M = 0.3
_PIPE = ["pipe_id", "us_node", "length_m", "dn_mm", "placing"]
_PIPE += ["laterals_known_from_m", "laterals_known_to_m"]
_SPAN = ["pipe_id", "span_id", "from_m", "to_m", "find_m", "role", "kind", "state"]
_SPAN += ["extent_from", "counter_node"]


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
    by_pipe = _asked_of(tables["spans"], tables["verdicts"])
    repairs, lying, taps = _repairs(tables), _lying(tables), _taps(tables["laterals"], settings)
    bars = bars_of(tables)
    lines: list[Line] = []
    left: Left = []
    rows = pd.DataFrame(tables["pipes"])
    at = np.flatnonzero(is_among(rows["pipe_id"], list(by_pipe)))
    for pipe_id, us_node, length, dn, placing, known_from, known_to in sorted(
        _taken(rows, _PIPE, at), key=itemgetter(0)
    ):
        own = sorted(by_pipe[pipe_id], key=itemgetter(1, 2, 0))
        spots, refused = _spots(own, us_node)
        left += refused
        wanted = [spot.span_id for spot in spots if spot.wanted]
        if not wanted:
            continue
        if placing == "stopped" or not length > 0.0:
            why = "nothing is placed: surveyed and drawn length differ too much"
            why = why if placing == "stopped" else "the length of the pipe is not known"
            left += [(span_id, why) for span_id in wanted]
            continue
        lines.append(
            Line(
                str(pipe_id),
                str(us_node),
                float(length),
                float(dn),
                float(known_from),
                float(known_to),
                (*spots, *repairs[str(pipe_id)], *lying[str(pipe_id)]),
                tuple(taps[str(pipe_id)]),
                tuple(bars.get(str(pipe_id), ())),
            )
        )
    return lines, left


def _asked_of(spans: pd.DataFrame, verdicts: pd.DataFrame) -> dict[str, list[tuple[Any, ...]]]:
    """Give by pipe all spans, each with needs and sleeve of its verdict, where one asks for one."""
    at = places_in(spans["span_id"], verdicts["span_id"])
    asks = is_among(verdicts["needs"], ["mend"]) & is_among(verdicts["sleeve"], ["open"])
    wanted = np.append(asks, False)[at] & is_among(spans["state"], ["open"])
    beside = is_among(spans["pipe_id"], unlike_in(spans["pipe_id"][wanted]))
    rows = np.flatnonzero((at >= 0) & beside)
    said = _taken(verdicts, ["needs", "sleeve"], at[rows])
    found: dict[str, list[tuple[Any, ...]]] = {}
    for (pipe_id, *row), words in zip(_taken(spans, _SPAN, rows), said, strict=True):
        found.setdefault(pipe_id, []).append((*row, *words))
    return found


def _taken(frame: pd.DataFrame, names: list[str], at: Codes) -> Iterator[tuple[Any, ...]]:
    """Give the rows at these places as tuples of the columns `names`."""
    return zip(*(frame[name].array.take(at).tolist() for name in names), strict=True)


def _spots(rows: list[tuple[Any, ...]], us_node: str) -> tuple[list[Spot], Left]:
    spots: list[Spot] = []
    left: Left = []
    for span_id, from_m, to_m, find_m, role, kind, state, extent, counter, needs, sleeve in rows:
        wanted = needs == "mend" and sleeve == "open" and state == "open"
        start, end = from_m, to_m
        if wanted and kind == "repeated":
            wanted = False
            why = f"it repeats from {start:.2f} to {end:.2f} m: a matter for the whole pipe"
            left.append((span_id, f"{why}, never a sleeve"))
        # With an assumed extent only its first edge, as the camera came to it, is coded.
        bare_start = end if extent == "assumed" and counter != us_node else start
        bare_end = start if extent == "assumed" and counter == us_node else end
        bars = role == "damage" or needs in ("mend", "unknown")
        spots.append(
            Spot(
                span_id=span_id,
                from_m=start,
                to_m=end,
                find_m=find_m,
                wanted=wanted,
                unsound=role == "damage" or wanted,
                closed=state == "mended" or (bars and sleeve != "open"),
                bare_from_m=bare_start,
                bare_to_m=bare_end,
                counter_node=counter,
            )
        )
    return spots, left


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
