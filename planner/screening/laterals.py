"""The connections of each pipe: those the camera saw, and those only the network knows.

Where laterals are not known a sleeve could close one unseen, so the stretch that was
filmed with connections coded is kept beside the list.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import texts_of
from planner.coded_text import Coded, Columns, beneath, columns_of, taken, written
from planner.contracts import LATERALS
from planner.distinct import any_of, first_rows, places_in
from planner.held import Held
from planner.order import order_by
from planner.screening.axis import SAME_M
from planner.screening.coverage import join_parts, overtaken_by, seen_again
from planner.screening.match import Flags
from planner.screening.position import LATERAL_MECHANISMS
from planner.settings import Survey
from planner.tables import conform, text

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]

# Two laterals at one station on different sides of the pipe are two [clock h]; assumed.
SAME_SIDE_H = 2.0
# What a connection can be, by number.
_STATES = {"open": 0, "closed": 1, "unknown": 2}
_UNKNOWN = 2
_TEXTS = ("pipe_id", "mechanism", "seen_on", "inspection_id", "detail")
_FIGURES = ("x_from_m", "x_to_m", "quantity_low", "quantity_high", "clock_h", "find_m")
# Of laterals that a camera saw: the row that codes them.
_ROW = "observation_id"
_NAMELESS = replace(
    LATERALS,
    key=(),
    columns=(*(replace(one, blank=True) for one in LATERALS.columns), text(_ROW, "")),
)


@dataclass(frozen=True)
class FoundLaterals:
    """Laterals, yet to be `named`, and (key, reason) of those that could not be placed."""

    laterals: Held
    left_over: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class _Lateral:
    x_m: float
    clock_h: float
    size_mm: float
    state: str
    source: str
    find_m: float
    lateral_id: str = ""
    twin: str = ""

    def meets(self, other: _Lateral) -> bool:
        """Say whether both may be one: near each other, and not on two sides of the pipe."""
        near = abs(self.x_m - other.x_m) <= max(self.find_m, other.find_m) + SAME_M
        apart = abs(self.clock_h - other.clock_h)
        return near and not min(apart, 12.0 - apart) > SAME_SIDE_H


def known_parts(
    pipes: Held, seen: Columns, of_pipe: Places, flags: Flags
) -> tuple[Numbers, Numbers]:
    """Tell the stretch of each pipe in which its laterals are known.

    Parameters
    ----------
    pipes
        Holds `PIPES`.
    seen
        As `coverage.seen_parts` gives it: runs that coded connections count.
    of_pipe
        The place among `pipes` of the pipe of each.
    flags
        A second known stretch, which has no column, is said here.

    Returns
    -------
    from_m, to_m
        Of all pipes [m]; where no such run is there, what the network says stays.
    """
    coded = _codes_laterals(seen)
    # Most pipes have one run: only the others need their parts joined.
    counts = np.bincount(of_pipe[coded], minlength=len(pipes))
    once = coded & (counts[of_pipe] == 1)
    starts, ends = (pipes.floats(f"laterals_known_{end}_m").copy() for end in ("from", "to"))
    for out, name in ((starts, "seen_from_m"), (ends, "seen_to_m")):
        out[of_pipe[once]] = seen[name][once]
    many = np.flatnonzero(coded & (counts[of_pipe] > 1))
    many = many[np.argsort(of_pipe[many], kind="stable")]
    for own in np.split(many, np.flatnonzero(np.diff(of_pipe[many])) + 1) if len(many) else ():
        pipe = int(of_pipe[own[0]])
        parts = join_parts(seen["seen_from_m"][own], seen["seen_to_m"][own])
        best = max(parts, key=lambda ends: (ends[1] - ends[0], -ends[0]))
        starts[pipe], ends[pipe] = best
        for other in parts:
            if other != best:
                flags.add(
                    pipes.column("pipe_id")[pipe],
                    f"laterals are known from {other[0]:.2f} to {other[1]:.2f} m as well; only "
                    f"{best[0]:.2f} to {best[1]:.2f} m is counted",
                )
    return starts, ends


def _codes_laterals(seen: Columns) -> Marks:
    """Mark the runs that coded connections."""
    found: Marks = seen["laterals_coded"].holds("yes")
    return found


def find_laterals(
    pipes: Held,
    defects: Held,
    listed: Held,
    seen: Columns,
    settings: Survey,
    flags: Flags,
) -> FoundLaterals:
    """List the laterals of all pipes once.

    Parameters
    ----------
    pipes
        Holds `PIPES`, with lengths and laterals_known set.
    defects
        Holds `DEFECTS`: connections, and damage at a connection that has no row itself.
    listed
        Holds `LATERALS`: from a list (x_m real) or the network (x_m along the drawing).
    seen
        As `coverage.seen_parts` gives it.
    settings
        Doubt of a listed place: that of a counter, or the manhole part of a drawing.
    flags
        Doubts are added here.

    Returns
    -------
    FoundLaterals
        A lateral of an older survey counts where no newer one coded laterals. A listed
        one within the doubt of a seen one, on the same side, is that one.
    """
    placed, left_over = _on_axis(listed, pipes, settings)
    filmed = _filmed(defects, seen)
    plain = _is_plain(filmed, {pipe_id for pipe_id, _ in placed})
    rows = {name: filmed[name] for name in LATERALS.names}
    if plain.all() and not placed:
        named_later = {_ROW: lambda: defects.texts(_ROW, filmed["at"])}
        return FoundLaterals(Held(_NAMELESS, rows | named_later), left_over)
    filmed[_ROW] = rows[_ROW] = Coded.by_row(defects.texts(_ROW, filmed["at"]))
    by_pipe: dict[str, list[_Lateral]] = {}
    known: dict[str, list[_Lateral]] = {}
    for pipe_id, lateral in _one_by_one(_newest_first(taken(filmed, ~plain))):
        by_pipe.setdefault(pipe_id, [])
        _add_filmed(by_pipe[pipe_id], lateral)
    for pipe_id, lateral in placed:
        known.setdefault(pipe_id, []).append(lateral)
    places = places_in(sorted(known), pipes.column("pipe_id"))
    ranges = [pipes.floats(f"laterals_known_{end}_m") for end in ("from", "to")]
    for pipe_id, place in zip(sorted(known), places, strict=True):
        found = by_pipe.setdefault(pipe_id, [])
        low, high = (end[place] for end in ranges)
        for lateral in _unseen(found, known[pipe_id]):
            found.append(lateral)
            if low <= lateral.x_m <= high:
                flags.add(
                    lateral.lateral_id,
                    f"lateral at {lateral.x_m:.2f} m of {pipe_id} is listed, but the camera did "
                    "not code it: kept",
                )
    mixed = [row for pipe_id, found in by_pipe.items() for row in _rows(pipe_id, found)]
    both = [taken(rows, plain), columns_of(conform(mixed, _NAMELESS))]
    return FoundLaterals(Held(_NAMELESS, beneath(both)), left_over)


def _filmed(defects: Held, seen: Columns) -> Columns:
    """Give what cameras saw: connections, and damage that only a connection can have.

    `at` is the place of each among the defects.
    """
    at = np.flatnonzero(defects.coded("mechanism").among(("lateral", *LATERAL_MECHANISMS)))
    rows = taken({name: defects.coded(name) for name in _TEXTS}, at)
    rows |= {name: defects.floats(name)[at] for name in _FIGURES}
    rows["at"] = at
    coded = np.flatnonzero(_codes_laterals(seen))
    if seen_again({"pipe_id": seen["pipe_id"][coded]}).any():
        newer = overtaken_by(pd.DataFrame(written(rows), copy=False), taken(seen, coded))
        rows = taken(rows, newer == "")
    own = rows["mechanism"].holds("lateral")
    low, high = rows["quantity_low"], rows["quantity_high"]
    state = np.array([_STATES.get(word, _UNKNOWN) for word in rows["detail"].listed()])
    return {
        "pipe_id": rows["pipe_id"],
        "x_m": rows["x_from_m"],
        "clock_h": rows["clock_h"],
        "size_mm": np.where(own, np.where(np.isnan(high), low, high), np.nan),
        "state": Coded.listing([*_STATES], np.where(own, state[rows["detail"].codes], _UNKNOWN)),
        "source": rows["inspection_id"],
        "find_m": rows["find_m"],
        "own": own,
        "lateral_id": Coded.one("", len(own)),
        "seen_on": rows["seen_on"],
        "at": rows["at"],
    }


def _newest_first(filmed: Columns) -> Columns:
    """Sort by pipe: connections first, then by day, place and name of the row."""
    keys = [filmed["pipe_id"].ordered().codes, ~filmed["own"], -filmed["seen_on"].ordered().codes,
            filmed["x_m"], filmed[_ROW].column()]  # fmt: skip
    return taken(filmed, order_by(keys)) if len(filmed["own"]) else filmed


def _is_plain(filmed: Columns, listed_on: set[str]) -> npt.NDArray[np.bool_]:
    """Tell the rows of pipes on which one run coded connections and nothing else tells of any."""
    pipe, source = filmed["pipe_id"], filmed["source"].codes
    count = len(pipe.words)
    first = first_rows(pipe.codes, count)
    other = ~filmed["own"] | (source != source[first[pipe.codes]])
    other |= pipe.among(listed_on) if listed_on else False
    return np.asarray(~any_of(pipe.codes, count, other)[pipe.codes], dtype=bool)


def _one_by_one(filmed: Columns) -> list[tuple[str, _Lateral]]:
    columns = ["x_m", "clock_h", "size_mm", "state", "source", "find_m"]
    twins = np.where(filmed["own"], "", "damage").tolist()
    values = [filmed[name].tolist() for name in columns]
    return [
        (pipe_id, _Lateral(x, clock, mm, state, source, find, twin=twin))
        for pipe_id, x, clock, mm, state, source, find, twin in zip(
            filmed["pipe_id"].tolist(), *values, twins, strict=True
        )
    ]


def _add_filmed(found: list[_Lateral], lateral: _Lateral) -> None:
    """Add one that a camera saw, unless it is one that another camera, or its own row, has."""
    for other in found:
        if other.meets(lateral) and (lateral.twin or other.source != lateral.source):
            return
    found.append(lateral)


def _on_axis(
    listed: Held, pipes: Held, settings: Survey
) -> tuple[list[tuple[str, _Lateral]], list[tuple[str, str]]]:
    """Put listed laterals on the pipe's own axis; along the drawing they are rescaled."""
    if not len(listed):
        return [], []
    at = places_in(listed.column("pipe_id"), pipes.column("pipe_id"))
    there = at >= 0
    length, drawn = (np.append(pipes.floats(name), np.nan)[at] for name in ("length_m", "drawn_m"))
    drawn = np.where(drawn > 0.0, drawn, np.nan)
    by_list = listed.coded("source").holds("list")
    x = listed.floats("x_m") * np.where(by_list, 1.0, length / drawn)
    stopped = np.append(pipes.coded("placing").holds("stopped"), False)[at]
    on_drawing = max(settings.find_least_m, settings.manhole_part_m)
    good: list[tuple[str, _Lateral]] = []
    bad: list[tuple[str, str]] = []
    for i, row in enumerate(listed.frame.to_dict("records")):
        key, pipe_id = str(row["lateral_id"]), str(row["pipe_id"])
        if not there[i]:
            bad.append((key, f"pipe '{pipe_id}' is not in the network"))
        elif stopped[i]:
            bad.append((key, f"nothing is placed on pipe {pipe_id}: its length is in doubt"))
        elif not x[i] <= length[i] + SAME_M:
            where = "place unknown" if np.isnan(x[i]) else f"{x[i]:.2f} m"
            bad.append((key, f"{where}, but pipe {pipe_id} is {length[i]:.2f} m long"))
        else:
            lateral = _Lateral(
                min(float(x[i]), float(length[i])),
                float(row["clock_h"]),
                float(row["size_mm"]),
                str(row["state"]),
                str(row["source"]),
                settings.find_least_m if by_list[i] else on_drawing,
                key,
            )
            good.append((pipe_id, lateral))
    return good, bad


def _unseen(seen: list[_Lateral], listed: list[_Lateral]) -> list[_Lateral]:
    """Match listed laterals with seen ones, one to one, nearest first; give the rest."""
    pairs = sorted(
        (abs(a.x_m - b.x_m), i, j)
        for i, a in enumerate(listed)
        for j, b in enumerate(seen)
        if a.meets(b)
    )
    used_listed: set[int] = set()
    used_seen: set[int] = set()
    for _, i, j in pairs:
        if i in used_listed or j in used_seen:
            continue
        used_listed.add(i)
        used_seen.add(j)
        one, twin = seen[j], listed[i]
        one.twin = twin.source or "list"
        one.size_mm = one.size_mm if not np.isnan(one.size_mm) else twin.size_mm
        one.clock_h = one.clock_h if not np.isnan(one.clock_h) else twin.clock_h
        one.state = one.state if one.state != "unknown" else twin.state
    return [lateral for i, lateral in enumerate(listed) if i not in used_listed]


def _rows(pipe_id: str, laterals: list[_Lateral]) -> list[dict[str, object]]:
    return [
        {
            "lateral_id": lateral.lateral_id,
            "pipe_id": pipe_id,
            "x_m": lateral.x_m,
            "clock_h": lateral.clock_h,
            "size_mm": lateral.size_mm,
            "state": lateral.state,
            "source": "+".join(n for n in (lateral.source, lateral.twin) if n and n != "damage"),
        }
        for lateral in laterals
    ]


def named(laterals: Held) -> pd.DataFrame:
    """Give `LATERALS` of what was found: each without an id is named by pipe and place, once."""
    if laterals.table is LATERALS:
        return laterals.frame
    if not len(laterals):
        return conform([], LATERALS)
    rows: Columns = {one.name: laterals.coded(one.name) if one.kind == "text"
                     else laterals.floats(one.name) for one in LATERALS.columns}  # fmt: skip
    clock = rows["clock_h"]
    keys = [rows["pipe_id"].ordered().codes, rows["x_m"], rows["lateral_id"].ordered().codes,
            np.where(np.isnan(clock), np.inf, clock), laterals.column(_ROW)]  # fmt: skip
    rows = taken(rows, order_by(keys))
    given = rows["lateral_id"].tolist()
    names = [
        own or f"{pipe_id} at {x_m:.2f} m"
        for own, pipe_id, x_m in zip(
            given, rows["pipe_id"].tolist(), rows["x_m"].tolist(), strict=True
        )
    ]
    return conform(rows | {"lateral_id": texts_of(_each_once(names, given))}, LATERALS)


def _each_once(names: list[str], given: list[str]) -> list[str]:
    """Give names that stand twice a number, but for those that were given."""
    counts = Counter(names)
    if len(counts) == len(names):
        return names
    there = {name for name, times in counts.items() if times == 1} | set(given)
    for i in (i for i, name in enumerate(list(names)) if counts[name] > 1 and not given[i]):
        name, count = names[i], 1
        while name in there:
            count += 1
            name = f"{names[i]} ({count})"
        there.add(name)
        names[i] = name
    return names
