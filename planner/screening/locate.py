"""Coded rows onto the pipe's own axis: which pipe, from which manhole, where, how long.

In come pipes, camera runs, coded rows and listed laterals; out come the same with their
places, and a second table of whatever could not be placed, with the reason. Nothing is
dropped and nothing is guessed: a row is a defect, the end of one, or left over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import texts_of
from planner.coded_text import Columns
from planner.contracts import (
    FLAGS,
    GROWTH,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    NODES,
    OBSERVATIONS,
    PIPES,
)
from planner.held import Held, held, in_order
from planner.screening.align import align
from planner.screening.axis import (
    Counted,
    Lengths,
    Listed,
    beyond,
    count_runs,
    net_lengths,
    runs_from_us,
    set_lengths,
    wall_part,
)
from planner.screening.coverage import (
    flag_unseen,
    overtaken_by,
    reaches,
    seen_again,
    seen_by,
)
from planner.screening.doubles import doubled_runs
from planner.screening.doubts import (
    falls_of,
    flag_drawings,
    flag_falls,
    flag_filmed_twice,
    flag_materials,
    flag_runs,
)
from planner.screening.gone import flag_gone
from planner.screening.growth import growth_between
from planner.screening.laterals import find_laterals, known_parts, named
from planner.screening.match import Flags, Matched, match_inspections
from planner.screening.placed import FEW_WORDS as FEW_WORDS
from planner.screening.placed import Filmed, defects_of, flag_columns, left_columns, some_rows
from planner.screening.position import Walked, place
from planner.screening.row_kernel import Runs
from planner.screening.stretches import Defects, make_defects
from planner.settings import Survey
from planner.tables import conform

STEP = "locate"

Places = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Located:
    """Rows on their pipes: each table by its contract's name.

    `axes` holds `PIPES`, `heads` `INSPECTIONS`, and `rows` `DEFECTS`; `taps` the laterals of
    `LATERALS`, in any order and not all named; `doubts` holds `FLAGS` and `left` `LEFT_OVER`.
    `seen` is what the runs of these rows saw of these pipes, as `seen_parts` gives it, None
    where that is not known or lengths were set anew since.
    """

    axes: Held
    heads: Held
    rows: Held
    taps: Held
    growth: pd.DataFrame
    doubts: Held
    left: Held
    seen: Columns | None = None

    @property
    def pipes(self) -> pd.DataFrame:
        """`PIPES`, made once, for whoever reads the frame."""
        return self.axes.frame

    @property
    def inspections(self) -> pd.DataFrame:
        """`INSPECTIONS`, made once, for whoever reads the frame."""
        return self.heads.frame

    @property
    def defects(self) -> pd.DataFrame:
        """`DEFECTS`, made once, for whoever reads the frame."""
        return self.rows.frame

    @cached_property
    def laterals(self) -> pd.DataFrame:
        """`LATERALS`, made once, for whoever reads the frame."""
        return named(self.taps)

    @property
    def flags(self) -> pd.DataFrame:
        """`FLAGS`, made once, for whoever reads the frame."""
        return self.doubts.frame

    @property
    def left_over(self) -> pd.DataFrame:
        """`LEFT_OVER`, made once, for whoever reads the frame."""
        return self.left.frame


def locate(  # noqa: PLR0913, PLR0917  five tables, and what decides
    pipes: pd.DataFrame | Held,
    nodes: pd.DataFrame | Held,
    inspections: pd.DataFrame | Held,
    observations: pd.DataFrame | Held,
    laterals: pd.DataFrame | Held,
    settings: Survey,
    first_day: str,
    listed: Listed | None = None,
    matched: Matched | None = None,
) -> Located:
    """Put every coded row on its pipe, or say why not.

    Parameters
    ----------
    pipes, nodes
        Obey `PIPES` and `NODES`.
    inspections, observations
        Obey `INSPECTIONS` and `OBSERVATIONS`.
    laterals
        Obeys `LATERALS`; with source ``list`` x_m is real, else measured on the drawing.
    settings
        Lengths, tolerances and doubts.
    first_day
        YYYY-MM-DD or "": a survey of a later day is flagged.
    listed
        By how much listed lengths are too long, where `pipes` are a part of the project.
    matched
        What `match_runs` gave of these runs among all of the project; None = it is asked here.

    Returns
    -------
    Located
        Pipes with length, placing and where laterals are known; runs with pipe and
        counter node; `DEFECTS`; one list of laterals; flags; `LEFT_OVER`. Words of the last
        three are written for whoever reads them.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    # In the order of their names, pipes sort as their places do.
    network, flags = in_order(pipes, PIPES), Flags()
    rows, told = held(observations, OBSERVATIONS), held(inspections, INSPECTIONS)
    manholes, known_taps = held(nodes, NODES), held(laterals, LATERALS)
    if matched is None:
        matched = match_runs(network.frame, told.frame, rows.frame, flags)
    heads = matched.heads
    counted = count_runs(heads, network, settings)
    lengths = set_lengths(network, heads, counted, matched.fit, settings, flags, listed)
    refused = _refused_runs(matched, counted, lengths, heads, network, settings, flags)
    of_run = rows.coded("inspection_id").rows_in(heads.column("inspection_id"))
    runs = _runs_of(heads, network, counted, lengths, refused)
    part = Filmed(network, heads, rows, of_run, counted, lengths, runs, refused)
    walked = _place(part, settings, flags)
    _flag_doubts(part, walked, manholes, settings, first_day, flags)
    made = make_defects(rows, of_run, walked.placed, runs, heads)
    seen, of_pipe = _seen(part, made, settings)
    growth = _overtaken(part, made, seen, of_pipe, settings, flags)
    known = known_parts(network, seen, of_pipe, flags)
    axes = _with_lengths(network, lengths, *known)
    defects = defects_of(part, made)
    found = find_laterals(axes, defects, known_taps, seen, settings, flags)
    flag_unseen(seen, lengths.length_m[of_pipe], flags)
    return Located(
        axes=axes,
        heads=heads if heads.by_column else in_order(heads.frame, INSPECTIONS),
        rows=defects,
        taps=found.laterals,
        growth=growth,
        doubts=Held(FLAGS, lambda: flag_columns(STEP, flags.rows, defects)),
        left=Held(
            LEFT_OVER,
            lambda: left_columns(STEP, part, walked.left, made.lonely, found.left_over, settings),
        ),
        seen=seen,
    )


def match_runs(
    pipes: pd.DataFrame, inspections: pd.DataFrame, observations: pd.DataFrame, flags: Flags
) -> Matched:
    """Find the pipe of each run; refuse one that cannot be proved, or that stands twice.

    Parameters
    ----------
    pipes, inspections, observations
        Obey `PIPES`, `INSPECTIONS` and `OBSERVATIONS`: all of the project, as which pipe a
        run means hangs on what other pipes are called.
    flags
        Doubts are added here.
    """
    return _without_doubles(match_inspections(pipes, inspections, flags), observations)


def _without_doubles(matched: Matched, observations: pd.DataFrame) -> Matched:
    """Refuse a run whose rows are those of another run of the same pipe and day."""
    runs = matched.inspections
    used = matched.usable
    usable = runs if used.all() else runs[used]
    doubles = doubled_runs(usable, observations)
    if not doubles:
        return matched
    told = [
        f"the same rows as {doubles[name]}, of the same day" if name in doubles else reason
        for name, reason in zip(runs["inspection_id"], matched.refused, strict=True)
    ]
    return replace(matched, refused=texts_of(told))


def _refused_runs(  # noqa: PLR0913, PLR0917  what is read of runs and pipes
    matched: Matched,
    counted: Counted,
    lengths: Lengths,
    heads: Held,
    pipes: Held,
    settings: Survey,
    flags: Flags,
) -> dict[int, str]:
    """Say which runs cannot be used: no pipe, no counter, a stopped pipe, another length."""
    used, pipe = matched.usable, counted.pipe
    at = np.flatnonzero(~used)
    reasons: dict[int, str] = dict(zip(at.tolist(), matched.refused[at].tolist(), strict=True))
    stopped = np.append(lengths.stopped, False)[pipe] & used
    for i in np.flatnonzero(stopped).tolist():
        name = pipes.column("pipe_id")[pipe[i]]
        reasons[i] = f"pipe {name}: {lengths.why_not(int(pipe[i]), settings)}"
    whole = counted.whole & ~matched.through & used & ~stopped
    axis = np.append(lengths.length_m, np.nan)[pipe]
    net = np.where(whole, counted.net_m, np.nan)
    odd = beyond(axis, net, settings.length_flag_m, settings.length_flag_ratio)
    stop = beyond(axis, net, settings.length_stop_m, settings.length_stop_ratio)
    for i in np.flatnonzero(odd).tolist():
        what = f"the run is {net[i]:.2f} m long from wall to wall, the pipe {axis[i]:.2f} m"
        if stop[i]:
            reasons[i] = f"{what}: its counter cannot be trusted"
        else:
            flags.add(heads.column("inspection_id")[i], what)
    return reasons


def _runs_of(
    heads: Held, pipes: Held, counted: Counted, lengths: Lengths, refused: dict[int, str]
) -> Runs:
    """Give what placing takes of the runs."""
    used = np.ones(len(heads), dtype=bool)
    used[[*refused]] = False
    length, doubt = (
        np.append(values, np.nan)[counted.pipe] for values in (lengths.length_m, lengths.doubt_m)
    )
    return Runs(
        used=used,
        from_us=runs_from_us(heads, pipes, counted.pipe),
        part_m=counted.part_m,
        length_m=length,
        doubt_m=doubt,
        shift_m=np.zeros(len(heads)),
    )


def _place(part: Filmed, settings: Survey, flags: Flags) -> Walked:
    """Place rows, surveys of one pipe laid on each other."""
    walked = place(part.rows, part.of_run, part.runs, settings)
    again = part.again
    if not again.any():
        return walked
    placed, ids = walked.placed, part.heads.column("inspection_id")
    run = part.of_run[placed.at]
    at = np.flatnonzero(part.rows.coded("mechanism").holds("lateral")[placed.at] & again[run])
    seen = pd.DataFrame({"inspection_id": ids.take(run[at]), "x_m": placed.x_from_m[at]})
    shifts = align(seen, part.heads.frame[again], settings.touch_m, flags)
    if not len(shifts):
        return walked
    shift = np.array([shifts.get(name, 0.0) for name in ids.tolist()], dtype=float)
    return place(part.rows, part.of_run, part.runs._replace(shift_m=shift), settings)


def _flag_doubts(
    part: Filmed, walked: Walked, nodes: Held, settings: Survey, first_day: str,
    flags: Flags,
) -> None:  # fmt: skip
    """Flag what is doubtful about the runs that are used, and the drawings of their pipes."""
    used, heads, pipe = part.runs.used, part.heads, part.counted.pipe
    filmed = np.zeros(len(part.pipes) + 1, dtype=bool)
    filmed[pipe[used]] = True
    flag_drawings(part.pipes, np.flatnonzero(filmed[:-1]), nodes, settings, flags)
    sizes = np.append(part.pipes.floats("height_mm"), np.nan)[pipe]
    flag_runs(heads, used, walked.told, sizes, first_day, flags)
    if part.again.any():
        flag_filmed_twice(heads, used, flags)
    flag_materials(heads, used, part.pipes.coded("material").at(pipe), flags)
    falls = walked.falls
    if falls is None:
        falls = falls_of(part.rows, part.of_run, used)
    flag_falls(heads, part.rows, falls, flags)


def _seen(part: Filmed, made: Defects, settings: Survey) -> tuple[Columns, Places]:
    """Give what the runs that have defects saw, as `seen_parts`, and the pipe of each.

    A run without one proves no pipe sound.
    """
    heads, runs = part.heads, part.runs
    told = np.zeros(len(heads), dtype=bool)
    told[part.of_run[made.placed.at]] = True
    pipe = part.counted.pipe
    used = runs.used & ~heads.blanks("counter_node") & (pipe >= 0)
    net = part.counted.net_m
    if heads.coded("zero_at").holds("centre").any():
        net = net_lengths(heads, wall_part(heads, settings, used))
    reach = reaches(heads, runs.length_m, net)
    at = np.flatnonzero(used & told & ~np.isnan(reach))
    seen = seen_by(heads, part.pipes, at, pipe, runs.from_us, runs.length_m, reach)
    return seen, pipe[at]


def _with_lengths(
    pipes: Held, lengths: Lengths, known_from_m: Numbers, known_to_m: Numbers
) -> Held:
    """Set what is told of lengths and of known laterals on the pipes."""
    return pipes.renewed(
        {
            "length_m": lengths.length_m,
            "length_from": lengths.origin,
            "length_doubt_m": lengths.doubt_m,
            "placing": lengths.placing,
            "laterals_known_from_m": known_from_m,
            "laterals_known_to_m": known_to_m,
        }
    )


_TOLD = ("observation_id", "inspection_id", "pipe_id", "mechanism", "role", "quantity",
         "quantity_low", "quantity_high", "x_from_m", "x_to_m", "find_m", "seen_on", "file",
         "row")  # fmt: skip


def _overtaken(
    part: Filmed, made: Defects, seen: Columns, of_pipe: Places, settings: Survey, flags: Flags
) -> pd.DataFrame:
    """Note which rows a newer survey has overtaken, flag what is gone, and give the growth."""
    again = seen_again(seen)
    if not again.any():
        return conform([], GROWTH)
    on = np.zeros(len(part.pipes), dtype=bool)
    on[of_pipe[again]] = True
    # Only pipes that were filmed again are looked at.
    at = np.flatnonzero(on[part.pipe_of(made)])
    rows = some_rows(part, made, at)
    frame = pd.DataFrame({name: rows.column(name) for name in _TOLD})
    newer = overtaken_by(frame, seen)
    runs = part.heads.frame
    old = np.flatnonzero(newer != "")
    days = dict(zip(runs["inspection_id"], runs["date"], strict=True)) if len(old) else {}
    for row, name in zip(at[old].tolist(), newer[old].tolist(), strict=True):
        made.note(row, f"older survey: {name} of {days[name]} saw the place again")
    flag_gone(frame, newer, runs, settings.touch_m, flags)
    return growth_between(frame, newer, settings.touch_m)
