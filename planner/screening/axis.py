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

from planner.arrays import alike_at
from planner.coded_text import Coded
from planner.contracts import PIPES
from planner.distinct import places_in
from planner.held import Held
from planner.screening.match import Flags, Matched
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]

# Lengths that differ by less than this are equal: no verdict hangs on float noise [m].
SAME_M = 1e-6
# A manhole reaches so far from its centre to the wall of the pipe, at least and most [m];
# practice: inside widths of 0.4 to 2.4 m.
LEAST_PART_M, MOST_PART_M = 0.2, 1.2
# Lists that run from centre to centre exceed surveys by the same length, within this [m].
_ALIKE_M = 0.3
_MOST_ALIKE = 0.8
_ORIGINS = Coded.of(["survey", "stated", "drawn", "none"])
_SURVEY, _STATED, _DRAWN, _NONE = range(4)
_PLACING = Coded.of(["ok", "flagged", "stopped"])
_OK, _FLAGGED, _STOPPED = range(3)
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


@dataclass(frozen=True)
class Counted:
    """What the counters of camera runs say, one entry for each run.

    `pipe` is the place of its pipe, -1 where it has none, and `whole` marks runs that reached the
    far node. `part_m` is what the counter reads at the wall of its start manhole, `net_m` how far
    the camera came from there, to the far wall at most [m].
    """

    pipe: Places
    whole: Marks
    part_m: Numbers
    net_m: Numbers


def count_runs(runs: Held, pipes: Held, settings: Survey) -> Counted:
    """Ask the counters of all runs.

    Parameters
    ----------
    runs
        Holds `INSPECTIONS`, with pipe_id set.
    pipes
        Holds `PIPES`.
    settings
        Where the zero of the counter lies.
    """
    pipe = places_in(runs.column("pipe_id"), pipes.column("pipe_id"))
    part = wall_part(runs, settings)
    return Counted(pipe, runs.marks("complete"), part, net_lengths(runs, part))


def runs_from_us(runs: Held, pipes: Held, of_pipe: Places) -> Marks:
    """Tell which counters ran from us_node of their pipe; `of_pipe` as in `Counted`."""
    there = np.flatnonzero(of_pipe >= 0)
    out = np.zeros(len(of_pipe), dtype=bool)
    counter, us_node = runs.column("counter_node"), pipes.column("us_node")
    out[there] = alike_at(counter, there, us_node, of_pipe[there])
    return out


def wall_part(runs: Held, settings: Survey, used: Marks | None = None) -> Numbers:
    """Give what each run's counter reads at the wall of its start manhole [m].

    A whole run from centre to centre beside a whole one from wall to wall of the same pipe
    shows both half manholes together; else the setting holds. Only runs that are `used` show
    anything; None = all are.
    """
    zero = runs.coded("zero_at")
    centre = zero.holds("centre")
    part: Numbers = np.where(centre, settings.manhole_part_m, 0.0)
    if not centre.any():
        return part
    pipe = runs.coded("pipe_id")
    whole = runs.marks("complete") & ~pipe.holds("")
    whole = whole if used is None else whole & used
    walls = np.flatnonzero(whole & zero.holds("wall"))
    if not len(walls) or not (centre & whole).any():
        return part
    surveyed = runs.floats("surveyed_m")
    net = pd.Series(surveyed[walls]).groupby(pipe.codes[walls]).median().reindex(pipe.codes)
    both = surveyed - net.to_numpy(dtype=float)
    with np.errstate(invalid="ignore"):
        shown = centre & whole & (both >= 2 * LEAST_PART_M) & (both <= 2 * MOST_PART_M)
    return np.where(shown, both / 2.0, part)


def net_lengths(runs: Held, part_m: Numbers) -> Numbers:
    """Give how far each run came from the wall of its start manhole, to the far wall at most [m].

    A run that counts from a manhole's centre to the next one's is longer by both halves;
    `part_m` as `wall_part` gives it.
    """
    parts = np.where(runs.marks("complete"), 2.0 * part_m, part_m)
    net: Numbers = np.maximum(runs.floats("surveyed_m") - parts, 0.0)
    return net


def wall_to_wall(drawn_m: Numbers, settings: Survey) -> Numbers:
    """Take the manholes off drawn lengths that run from centre to centre [m]."""
    if settings.drawn_to == "wall":
        return drawn_m
    inside = drawn_m - 2.0 * settings.manhole_part_m
    return np.where(inside > 0.0, inside, drawn_m)


@dataclass(frozen=True)
class Lengths:
    """Length_m, length_from, length_doubt_m and placing of each pipe; `inside_m` as drawn."""

    length_m: Numbers
    origin: Coded
    doubt_m: Numbers
    placing: Coded
    inside_m: Numbers

    @property
    def stopped(self) -> Marks:
        """Pipes on which nothing is placed."""
        return self.placing.holds("stopped")

    def why_not(self, pipe: int, settings: Survey) -> str:
        """Say what is wrong with the length of a pipe that is flagged or stopped."""
        length, inside = float(self.length_m[pipe]), float(self.inside_m[pipe])
        origin, placing = (
            one.words[one.codes[pipe]].as_py() for one in (self.origin, self.placing)
        )
        if origin == "none":
            return "no complete survey, no listed length and no drawing: its length is unknown"
        stopped = placing == "stopped"
        least = settings.length_stop_m if stopped else settings.length_flag_m
        ratio = settings.length_stop_ratio if stopped else settings.length_flag_ratio
        word = {"survey": "surveyed", "stated": "listed"}[origin]
        limit = max(least, ratio * length)
        tail = "nothing is placed on it" if stopped else "places are doubtful"
        return (
            f"{word} {length:.2f} m, drawn {inside:.2f} m from wall to wall: they differ "
            f"by {abs(length - inside):.2f} m, more than {limit:.2f} m; {tail}"
        )


def set_lengths(  # noqa: PLR0913, PLR0917  what is read, and what decides
    pipes: Held,
    runs: Held,
    counted: Counted,
    fit: Marks,
    settings: Survey,
    flags: Flags,
    listed: Listed | None = None,
) -> Lengths:
    """Tell how long each pipe is, and whether things may be put on it.

    Parameters
    ----------
    pipes
        Holds `PIPES`.
    runs, counted
        Camera runs on these pipes, `INSPECTIONS`, and what their counters say.
    fit
        Runs that are not refused and name no other far end than their pipe has.
    settings
        How much lengths may differ.
    flags
        Doubts are added here.
    listed
        By how much listed lengths are too long; None = told by these pipes themselves.

    Returns
    -------
    Lengths
        Doubt of a survey: the counter's own, or what two complete runs differ by; of a listed
        or drawn length: the manholes at both ends.

    References
    ----------
    Counter: City of Sunny Isles Beach FL, sec. 02762 (0.5 % or 1 ft). Limits of
    mismatch: 32 real runs, drawn against paid length.
    """
    inside = wall_to_wall(pipes.floats("drawn_m"), settings)
    best, spread = _by_survey(runs, counted, fit, inside, settings)
    stated = _stated(pipes.floats("stated_m"))
    listed = listed or listed_of(stated, best)
    short = np.flatnonzero((stated < listed.both_m) & np.isnan(best))
    for pipe in short.tolist():
        told = f"listed {stated[pipe]:.2f} m: shorter than its two half manholes, no length"
        flags.add(pipes.column("pipe_id")[pipe], told)
    stated = stated - listed.both_m
    stated[short] = np.nan
    drawn = np.where(inside > 0.0, inside, np.nan)
    surveyed, is_listed = ~np.isnan(best), ~np.isnan(stated)
    length = np.where(surveyed, best, np.where(is_listed, stated, drawn))
    last = np.where(is_listed, _STATED, np.where(np.isnan(drawn), _NONE, _DRAWN))
    origin = _ORIGINS[np.where(surveyed, _SURVEY, last)]
    counter = np.maximum(settings.find_least_m, settings.find_ratio * length)
    ends = np.maximum(settings.find_least_m, 2.0 * settings.manhole_part_m)
    doubt = np.where(surveyed, np.fmax(counter, spread), ends)
    if listed.count >= ENOUGH:
        least = np.maximum(settings.find_least_m, listed.spread_m)
        doubt = np.where(origin.holds("stated"), least, doubt)
    stop = beyond(length, drawn, settings.length_stop_m, settings.length_stop_ratio)
    odd = beyond(length, drawn, settings.length_flag_m, settings.length_flag_ratio)
    stop |= np.isnan(length)
    out = Lengths(
        length, origin, np.where(np.isnan(length), np.nan, doubt),
        _PLACING[np.where(stop, _STOPPED, np.where(odd, _FLAGGED, _OK))], inside,
    )  # fmt: skip
    _flag_lengths(pipes, out, settings, flags)
    if listed.count >= ENOUGH:
        flags.add("listed lengths", listed.told)
    if listed.both_m:
        what = f"{listed.both_m:.2f} m taken off its listed length: two half manholes"
        off = np.flatnonzero(origin.holds("stated"))
        flags.later(lambda: ((name, what) for name in pipes.texts("pipe_id", off).tolist()))
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
    pipes
        Obeys `PIPES`: all of the project.
    matched
        Camera runs on these pipes.
    settings
        How much lengths may differ.
    """
    network, runs = Held.of(pipes, PIPES), matched.heads
    inside = wall_to_wall(network.floats("drawn_m"), settings)
    counted = count_runs(runs, network, settings)
    best, _ = _by_survey(runs, counted, matched.fit, inside, settings)
    return listed_of(_stated(network.floats("stated_m")), best)


def lengths_of(pipes: pd.DataFrame) -> tuple[Numbers, Numbers]:
    """Give listed and surveyed lengths of located pipes [m], NaN where there is none."""
    surveyed = (pipes["length_from"] == "survey").to_numpy(dtype=bool)
    stated = _stated(pipes["stated_m"].to_numpy(dtype=float))
    return stated, np.where(surveyed, pipes["length_m"].to_numpy(dtype=float), np.nan)


def _stated(stated_m: Numbers) -> Numbers:
    return np.where(stated_m > 0.0, stated_m, np.nan)


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


def _by_survey(
    runs: Held, counted: Counted, fit: Marks, inside: Numbers, settings: Survey
) -> tuple[Numbers, Numbers]:
    """Give the length of the best complete run of each pipe, and by how much others differ."""
    whole = np.flatnonzero(counted.whole & fit & (counted.net_m > 0.0))
    of_pipe, net = counted.pipe[whole], counted.net_m[whole]
    drawn = np.append(inside, np.nan)[of_pipe]
    odd = beyond(net, drawn, settings.length_stop_m, settings.length_stop_ratio)
    # Best: one that fits the drawing, then the newest; the id settles a tie.
    count = len(inside) + 1
    if len(whole) and np.bincount(of_pipe + 1, minlength=count).max() > 1:
        date, name = (runs.coded(one).ordered().codes[whole] for one in ("date", "inspection_id"))
        order = np.lexsort((name, -date, odd, of_pipe))
        of_pipe, net, odd = of_pipe[order], net[order], odd[order]
    best, least, most = (np.full(count, value) for value in (np.nan, np.inf, -np.inf))
    best[of_pipe[::-1]] = net[::-1]
    fits = ~odd
    np.minimum.at(least, of_pipe[fits], net[fits])
    np.maximum.at(most, of_pipe[fits], net[fits])
    spread = np.where(most >= least, most - least, np.nan)
    return best[:-1], spread[:-1]


def _flag_lengths(pipes: Held, lengths: Lengths, settings: Survey, flags: Flags) -> None:
    length, names = lengths.length_m, pipes.column("pipe_id")
    for i in np.flatnonzero(~lengths.placing.holds("ok")).tolist():
        flags.add(names[i], lengths.why_not(i, settings))
    stated = pipes.floats("stated_m")
    # A listed length may run from centre to centre as well: the reading that fits counts.
    odd = beyond(length, stated, settings.length_flag_m, settings.length_flag_ratio)
    if not odd.any():
        return
    odd &= beyond(
        length,
        stated - 2.0 * settings.manhole_part_m,
        settings.length_flag_m,
        settings.length_flag_ratio,
    )
    for i in np.flatnonzero(odd & lengths.origin.holds("survey")).tolist():
        what = f"surveyed {length[i]:.2f} m, but the list says {stated[i]:.2f} m"
        flags.add(names[i], what)
