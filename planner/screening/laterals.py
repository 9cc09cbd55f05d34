"""The connections of each pipe: those the camera saw, and those only the network knows.

Where laterals are not known a sleeve could close one unseen, so the stretch that was
filmed with connections coded is kept beside the list.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import LATERALS
from planner.screening.axis import SAME_M
from planner.screening.coverage import join_parts, overtaken_by
from planner.screening.match import Flags
from planner.screening.position import LATERAL_MECHANISMS
from planner.settings import Survey
from planner.tables import conform

Numbers = npt.NDArray[np.float64]

# Two laterals at one station on different sides of the pipe are two [clock h]; assumed.
SAME_SIDE_H = 2.0
_STATES = ("open", "closed")


@dataclass(frozen=True)
class FoundLaterals:
    """Laterals (`LATERALS`), and (key, reason) of those that could not be placed."""

    laterals: pd.DataFrame
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


def known_parts(pipes: pd.DataFrame, seen: pd.DataFrame, flags: Flags) -> pd.DataFrame:
    """Set on each pipe the stretch in which its laterals are known.

    Parameters
    ----------
    pipes
        Obeys `PIPES`, with lengths set.
    seen
        As `coverage.seen_parts` gives it: runs that coded connections count.
    flags
        A second known stretch, which has no column, is said here.

    Returns
    -------
    pipes
        A copy; where no such run is there, what the network says stays.
    """
    out = pipes.copy()
    coded = seen[seen["laterals_coded"] == "yes"]
    # Most pipes have one run: only the others need their parts joined.
    many = coded["pipe_id"].duplicated(keep=False)
    once = coded[~many].set_index("pipe_id")
    starts, ends = once["seen_from_m"].to_dict(), once["seen_to_m"].to_dict()
    for pipe_id, part in coded[many].groupby("pipe_id", sort=True):
        parts = join_parts(part["seen_from_m"].to_numpy(), part["seen_to_m"].to_numpy())
        best = max(parts, key=lambda ends: (ends[1] - ends[0], -ends[0]))
        starts[pipe_id], ends[pipe_id] = best
        for other in parts:
            if other != best:
                flags.add(
                    pipe_id,
                    f"laterals are known from {other[0]:.2f} to {other[1]:.2f} m as well; only "
                    f"{best[0]:.2f} to {best[1]:.2f} m is counted",
                )
    for name, values in (("laterals_known_from_m", starts), ("laterals_known_to_m", ends)):
        new = out["pipe_id"].map(pd.Series(values, dtype=float)).astype("float64")
        out[name] = new.where(new.notna(), out[name])
    return out


def find_laterals(
    pipes: pd.DataFrame,
    defects: pd.DataFrame,
    listed: pd.DataFrame,
    seen: pd.DataFrame,
    settings: Survey,
    flags: Flags,
) -> FoundLaterals:
    """List the laterals of all pipes once.

    Parameters
    ----------
    pipes
        Obeys `PIPES`, with lengths and laterals_known set.
    defects
        Obeys `DEFECTS`: connections, and damage at a connection that has no row itself.
    listed
        Obeys `LATERALS`: from a list (x_m real) or the network (x_m along the drawing).
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
    by_pipe: dict[str, list[_Lateral]] = {}
    known: dict[str, list[_Lateral]] = {}
    for pipe_id, lateral in filmed:
        by_pipe.setdefault(pipe_id, [])
        _add_filmed(by_pipe[pipe_id], lateral)
    for pipe_id, lateral in placed:
        known.setdefault(pipe_id, []).append(lateral)
    on = pipes.set_index("pipe_id")
    ranges = [on["laterals_known_from_m"], on["laterals_known_to_m"]]
    for pipe_id in sorted(known):
        found = by_pipe.setdefault(pipe_id, [])
        low, high = (float(values[pipe_id]) for values in ranges)
        for lateral in _unseen(found, known[pipe_id]):
            found.append(lateral)
            if low <= lateral.x_m <= high:
                flags.add(
                    lateral.lateral_id,
                    f"lateral at {lateral.x_m:.2f} m of {pipe_id} is listed, but the camera did "
                    "not code it: kept",
                )
    rows = [row for pipe_id in sorted(by_pipe) for row in _rows(pipe_id, by_pipe[pipe_id])]
    return FoundLaterals(conform(_with_ids(rows), LATERALS), left_over)


def _filmed(defects: pd.DataFrame, seen: pd.DataFrame) -> list[tuple[str, _Lateral]]:
    """Give what cameras saw: connections first, then damage that only a connection can have."""
    is_own = (defects["mechanism"] == "lateral").to_numpy()
    rows = defects[is_own | defects["mechanism"].isin(LATERAL_MECHANISMS).to_numpy()]
    coded = seen[seen["laterals_coded"] == "yes"]
    rows = rows[overtaken_by(rows, coded) == ""]
    rows = rows.assign(own=rows["mechanism"] == "lateral").sort_values(
        ["pipe_id", "own", "seen_on", "x_from_m", "observation_id"],
        ascending=[True, False, False, True, True],
        kind="stable",
    )
    low, high = rows["quantity_low"], rows["quantity_high"]
    size = high.where(high.notna(), low).where(rows["own"])
    columns = (
        "pipe_id", "x_from_m", "clock_h", "detail", "inspection_id", "find_m", "own"
    )  # fmt: skip
    return [
        (
            str(pipe_id),
            _Lateral(
                float(x),
                float(clock),
                float(mm),
                str(detail) if own and detail in _STATES else "unknown",
                str(source),
                float(find),
                twin="" if own else "damage",
            ),
        )
        for (pipe_id, x, clock, detail, source, find, own), mm in zip(
            rows[list(columns)].itertuples(index=False), size, strict=True
        )
    ]


def _add_filmed(found: list[_Lateral], lateral: _Lateral) -> None:
    """Add one that a camera saw, unless it is one that another camera, or its own row, has."""
    for other in found:
        if other.meets(lateral) and (lateral.twin or other.source != lateral.source):
            return
    found.append(lateral)


def _on_axis(
    listed: pd.DataFrame, pipes: pd.DataFrame, settings: Survey
) -> tuple[list[tuple[str, _Lateral]], list[tuple[str, str]]]:
    """Put listed laterals on the pipe's own axis; along the drawing they are rescaled."""
    on = pipes.set_index("pipe_id")[["length_m", "drawn_m", "placing"]]
    there = listed["pipe_id"].isin(on.index).to_numpy()
    on = on.reindex(listed["pipe_id"])
    length, drawn = on["length_m"].to_numpy(dtype=float), on["drawn_m"].to_numpy(dtype=float)
    drawn = np.where(drawn > 0.0, drawn, np.nan)
    by_list = (listed["source"] == "list").to_numpy()
    x = listed["x_m"].to_numpy(dtype=float) * np.where(by_list, 1.0, length / drawn)
    stopped = (on["placing"] == "stopped").to_numpy()
    on_drawing = max(settings.find_least_m, settings.manhole_part_m)
    good: list[tuple[str, _Lateral]] = []
    bad: list[tuple[str, str]] = []
    for i, row in enumerate(listed.to_dict("records")):
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
        for lateral in sorted(laterals, key=lambda one: (one.x_m, one.lateral_id, one.clock_h))
    ]


def _with_ids(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    """Name laterals that have no id of their own by pipe and place, each once."""
    taken = {str(row["lateral_id"]) for row in rows if row["lateral_id"]}
    for row in rows:
        if row["lateral_id"]:
            continue
        name = base = f"{row['pipe_id']} at {row['x_m']:.2f} m"
        count = 1
        while name in taken:
            count += 1
            name = f"{base} ({count})"
        taken.add(name)
        row["lateral_id"] = name
    return rows
