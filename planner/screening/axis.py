"""The pipe's own axis: how long it is from wall to wall, and whether things may be put on it.

The length comes from the best complete survey, else from the list, else from the
drawing. A drawing that differs too far from it stops the pipe: a wrong pipe, a wrong
unit or a slipped counter would put every sleeve in the wrong place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, Columns
from planner.distinct import places_in
from planner.screening.match import Flags, Matched
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

# Lengths that differ by less than this are equal: no verdict hangs on float noise [m].
SAME_M = 1e-6
# A manhole reaches so far from its centre to the wall of the pipe, at least and most [m];
# practice: inside widths of 0.4 to 2.4 m.
LEAST_PART_M, MOST_PART_M = 0.2, 1.2
# Lists that run from centre to centre exceed surveys by the same length, within this [m].
_ALIKE_M = 0.3
_MOST_ALIKE = 0.8
_ORIGINS = Coded.of(["survey", "stated", "drawn", "none"])
# From so many pipes on their spread is the doubt; assumed.
ENOUGH = 3


def beyond(one_m: Numbers, other_m: Numbers, least_m: float, ratio: float) -> Marks:
    """Mark where two lengths differ by more than `least_m` or `ratio`, whichever is larger.

    The ratio is of `one_m`; an unknown length differs from nothing.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(
            np.abs(one_m - other_m) > np.maximum(least_m, ratio * one_m) + SAME_M, dtype=bool
        )


def wall_part(inspections: pd.DataFrame, settings: Survey) -> Numbers:
    """Give what each run's counter reads at the wall of its start manhole [m].

    A whole run from centre to centre beside a whole one from wall to wall of the same pipe
    shows both half manholes together; else the setting holds.
    """
    centre = np.asarray(inspections["zero_at"].array == "centre", dtype=bool)
    part: Numbers = np.where(centre, settings.manhole_part_m, 0.0)
    if not centre.any():
        return part
    whole = _true(inspections["complete"]) & (inspections["pipe_id"] != "").to_numpy()
    if not (centre & whole).any():
        return part
    walls = inspections[whole & (inspections["zero_at"] == "wall").to_numpy()]
    if walls.empty:
        return part
    net = walls.groupby("pipe_id")["surveyed_m"].median().reindex(inspections["pipe_id"])
    both = inspections["surveyed_m"].to_numpy(dtype=float) - net.to_numpy(dtype=float)
    with np.errstate(invalid="ignore"):
        shown = centre & whole & (both >= 2 * LEAST_PART_M) & (both <= 2 * MOST_PART_M)
    return np.where(shown, both / 2.0, part)


def part_of(rows: Columns, settings: Survey) -> Numbers:
    """Give for each coded row what its counter reads at the wall of the start manhole [m]."""
    if "wall_part_m" in rows:
        told: Numbers = rows["wall_part_m"]
        return told
    part: Numbers = np.where(rows["zero_at"].holds("centre"), settings.manhole_part_m, 0.0)
    return part


def net_lengths(inspections: pd.DataFrame, settings: Survey) -> Numbers:
    """Give how far each run came from the wall of its start manhole, to the far wall at most [m].

    A run that counts from a manhole's centre to the next one's is longer by both halves.
    """
    part = wall_part(inspections, settings)
    parts = np.where(_true(inspections["complete"]), 2.0 * part, part)
    net: Numbers = np.maximum(inspections["surveyed_m"].to_numpy(dtype=float) - parts, 0.0)
    return net


def wall_to_wall(drawn_m: pd.Series, settings: Survey) -> Numbers:
    """Take the manholes off drawn lengths that run from centre to centre [m]."""
    drawn = drawn_m.to_numpy(dtype=float)
    if settings.drawn_to == "wall":
        return drawn
    inside = drawn - 2.0 * settings.manhole_part_m
    return np.where(inside > 0.0, inside, drawn)


def set_lengths(
    pipes: pd.DataFrame,
    matched: Matched,
    settings: Survey,
    flags: Flags,
    listed: Listed | None = None,
) -> pd.DataFrame:
    """Set length_m, length_from, length_doubt_m and placing of each pipe.

    Parameters
    ----------
    pipes
        Obeys `PIPES`.
    matched
        Camera runs on these pipes.
    settings
        How much lengths may differ.
    flags
        Doubts are added here.
    listed
        By how much listed lengths are too long; None = told by these pipes themselves.

    Returns
    -------
    pipes
        A copy, a plain frame. Doubt of a survey: the counter's own, or what two complete runs
        differ by; of a listed or drawn length: the manholes at both ends.

    References
    ----------
    Counter: City of Sunny Isles Beach FL, sec. 02762 (0.5 % or 1 ft). Limits of
    mismatch: 32 real runs, drawn against paid length.
    """
    out = pd.DataFrame(pipes, copy=False).copy(deep=False)
    inside = wall_to_wall(pipes["drawn_m"], settings)
    best, spread = _by_survey(pipes, matched, inside, settings)
    stated = _stated(pipes)
    listed = listed or listed_of(stated, best)
    stated = stated - listed.both_m
    drawn = np.where(inside > 0.0, inside, np.nan)
    length = np.where(~np.isnan(best), best, np.where(~np.isnan(stated), stated, drawn))
    known = [~np.isnan(one) for one in (best, stated, drawn)]
    origin = _ORIGINS[np.select(known, [0, 1, 2], 3)]
    counter = np.maximum(settings.find_least_m, settings.find_ratio * length)
    ends = np.maximum(settings.find_least_m, 2.0 * settings.manhole_part_m)
    doubt = np.where(origin.holds("survey"), np.fmax(counter, spread), ends)
    if listed.count >= ENOUGH:
        least = np.maximum(settings.find_least_m, listed.spread_m)
        doubt = np.where(origin.holds("stated"), least, doubt)
    stop = beyond(length, drawn, settings.length_stop_m, settings.length_stop_ratio)
    odd = beyond(length, drawn, settings.length_flag_m, settings.length_flag_ratio)
    stop |= np.isnan(length)
    out["length_m"], out["length_from"] = length, origin.column()
    out["length_doubt_m"] = np.where(np.isnan(length), np.nan, doubt)
    out["placing"] = Coded.where(stop, "stopped", Coded.where(odd, "flagged", "ok")).column()
    _flag_lengths(out, inside, settings, flags)
    if listed.count >= ENOUGH:
        flags.add("listed lengths", listed.told)
    for pipe in out["pipe_id"][out["length_from"] == "stated"] if listed.both_m else ():
        flags.add(pipe, f"{listed.both_m:.2f} m taken off its listed length: two half manholes")
    return out


@dataclass(frozen=True)
class Listed:
    """By how much listed lengths exceed those from wall to wall: two half manholes, or 0 [m]."""

    both_m: float = 0.0
    spread_m: float = 0.0
    count: int = 0

    @property
    def told(self) -> str:
        """What to say of lists that run so."""
        return (
            f"run from manhole centre to manhole centre: {self.both_m:.2f} m more than from wall "
            f"to wall, alike on {self.count} surveyed pipes"
        )


def listed_lengths(pipes: pd.DataFrame, matched: Matched, settings: Survey) -> Listed:
    """Tell by how much listed lengths are too long, before any length is set.

    Parameters
    ----------
    pipes, matched, settings
        As for `set_lengths`, of the whole project.
    """
    inside = wall_to_wall(pipes["drawn_m"], settings)
    best, _ = _by_survey(pipes, matched, inside, settings)
    return listed_of(_stated(pipes), best)


def lengths_of(pipes: pd.DataFrame) -> tuple[Numbers, Numbers]:
    """Give listed and surveyed lengths of located pipes [m], NaN where there is none."""
    surveyed = (pipes["length_from"] == "survey").to_numpy(dtype=bool)
    return _stated(pipes), np.where(surveyed, pipes["length_m"].to_numpy(dtype=float), np.nan)


def _stated(pipes: pd.DataFrame) -> Numbers:
    stated = pipes["stated_m"].to_numpy(dtype=float)
    return np.where(stated > 0.0, stated, np.nan)


def listed_of(stated: Numbers, surveyed: Numbers) -> Listed:
    """Tell whether lists run from centre to centre, from pipes with a whole survey as well."""
    more = (stated - surveyed)[~np.isnan(stated) & ~np.isnan(surveyed)]
    if not len(more):
        return Listed()
    middle = float(np.median(more))
    alike = np.abs(more - middle) <= _ALIKE_M
    if not 2 * LEAST_PART_M <= middle <= 2 * MOST_PART_M or alike.mean() < _MOST_ALIKE:
        return Listed()
    return Listed(middle, float(np.ptp(more[alike])), int(alike.sum()))


def _true(values: pd.Series) -> Marks:
    return np.asarray(values.array.to_numpy(dtype=bool, na_value=False), dtype=bool)


def _by_survey(
    pipes: pd.DataFrame, matched: Matched, inside: Numbers, settings: Survey
) -> tuple[Numbers, Numbers]:
    """Give the length of the best complete run of each pipe, and by how much others differ."""
    runs = matched.inspections
    net = net_lengths(runs, settings)
    whole = _true(runs["complete"]) & (matched.refused == "").to_numpy() & (net > 0.0)
    whole = whole & ~matched.through.to_numpy()
    of_pipe, net = places_in(runs["pipe_id"], pipes["pipe_id"])[whole], net[whole]
    drawn = np.append(inside, np.nan)[of_pipe]
    odd = beyond(net, drawn, settings.length_stop_m, settings.length_stop_ratio)
    # Best: one that fits the drawing, then the newest; the id settles a tie.
    if len(np.unique(of_pipe)) < len(of_pipe):
        names = ["date", "inspection_id"]
        full = runs.loc[whole, names].assign(of_pipe=of_pipe, odd=odd).reset_index(drop=True)
        order = full.sort_values(
            ["of_pipe", "odd", *names], ascending=[True, True, False, True], kind="stable"
        ).index
        of_pipe, net, odd = of_pipe[order], net[order], odd[order]
    best, least, most = (np.full(len(pipes) + 1, value) for value in (np.nan, np.inf, -np.inf))
    best[of_pipe[::-1]] = net[::-1]
    fits = ~odd
    np.minimum.at(least, of_pipe[fits], net[fits])
    np.maximum.at(most, of_pipe[fits], net[fits])
    spread = np.where(most >= least, most - least, np.nan)
    return best[:-1], spread[:-1]


def _flag_lengths(pipes: pd.DataFrame, inside: Numbers, settings: Survey, flags: Flags) -> None:
    length = pipes["length_m"].to_numpy(dtype=float)
    for i in np.flatnonzero((pipes["placing"] != "ok").to_numpy()):
        flags.add(pipes["pipe_id"].iloc[i], why_not(pipes.iloc[i], float(inside[i]), settings))
    stated = pipes["stated_m"].to_numpy(dtype=float)
    # A listed length may run from centre to centre as well: the reading that fits counts.
    odd = beyond(length, stated, settings.length_flag_m, settings.length_flag_ratio)
    odd &= beyond(
        length,
        stated - 2.0 * settings.manhole_part_m,
        settings.length_flag_m,
        settings.length_flag_ratio,
    )
    for i in np.flatnonzero(odd & (pipes["length_from"] == "survey").to_numpy()):
        what = f"surveyed {length[i]:.2f} m, but the list says {stated[i]:.2f} m"
        flags.add(pipes["pipe_id"].iloc[i], what)


def why_not(pipe: pd.Series, inside_m: float, settings: Survey) -> str:
    """Say what is wrong with the length of a pipe that is flagged or stopped."""
    if pipe["length_from"] == "none":
        return "no complete survey, no listed length and no drawing: its length is unknown"
    stopped = pipe["placing"] == "stopped"
    least = settings.length_stop_m if stopped else settings.length_flag_m
    ratio = settings.length_stop_ratio if stopped else settings.length_flag_ratio
    word = {"survey": "surveyed", "stated": "listed"}[str(pipe["length_from"])]
    limit = max(least, ratio * float(pipe["length_m"]))
    tail = "nothing is placed on it" if stopped else "places are doubtful"
    return (
        f"{word} {pipe['length_m']:.2f} m, drawn {inside_m:.2f} m from wall to wall: they differ "
        f"by {abs(pipe['length_m'] - inside_m):.2f} m, more than {limit:.2f} m; {tail}"
    )
