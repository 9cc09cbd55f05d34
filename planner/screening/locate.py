"""Coded rows onto the pipe's own axis: which pipe, from which manhole, where, how long.

In come pipes, camera runs, coded rows and listed laterals; out come the same with their
places, and a second table of whatever could not be placed, with the reason. Nothing is
dropped and nothing is guessed: a row is a defect, the end of one, or left over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import (
    DEFECTS,
    FLAGS,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    NODES,
    OBSERVATIONS,
    PIPES,
)
from planner.distinct import numbers_at, places_in, texts_at
from planner.screening.align import align
from planner.screening.axis import (
    Listed,
    beyond,
    net_lengths,
    set_lengths,
    wall_part,
    wall_to_wall,
    why_not,
)
from planner.screening.coverage import flag_unseen, overtaken_by, seen_parts, with_rows
from planner.screening.doubles import doubled_runs
from planner.screening.doubts import flag_drawings, flag_runs
from planner.screening.gone import flag_gone
from planner.screening.growth import growth_between
from planner.screening.laterals import find_laterals, known_parts
from planner.screening.match import Flags, Matched, join_notes, match_inspections
from planner.screening.pairs import pair_stretches
from planner.screening.position import Spots, place
from planner.screening.stretches import make_defects
from planner.settings import Survey
from planner.tables import check, conform, rows_in

STEP = "locate"

Texts = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Located:
    """What `locate` gives: each table by its contract's name."""

    pipes: pd.DataFrame
    inspections: pd.DataFrame
    defects: pd.DataFrame
    laterals: pd.DataFrame
    growth: pd.DataFrame
    flags: pd.DataFrame
    left_over: pd.DataFrame


def locate(  # noqa: PLR0913, PLR0917  five tables, and what decides
    pipes: pd.DataFrame,
    nodes: pd.DataFrame,
    inspections: pd.DataFrame,
    observations: pd.DataFrame,
    laterals: pd.DataFrame,
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
        counter node; `DEFECTS`; one list of laterals; flags; `LEFT_OVER`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for frame, table in (
        (pipes, PIPES),
        (nodes, NODES),
        (inspections, INSPECTIONS),
        (observations, OBSERVATIONS),
        (laterals, LATERALS),
    ):
        check(frame, table)
    flags = Flags()
    if matched is None:
        matched = match_runs(pipes, inspections, observations, flags)
    axes = set_lengths(pipes, matched, settings, flags, listed)
    refused = _refused_runs(matched, axes, settings, flags)
    runs = matched.inspections
    used = refused == ""
    usable = runs if used.all() else runs.loc[used]
    flag_drawings(axes, nodes, usable, settings, flags)
    flag_runs(usable, axes, observations, first_day, flags)

    measured = runs.assign(wall_part_m=wall_part(runs, settings))
    good, reasons = _join(observations, measured, refused, axes)
    spots, far = _place(good, usable, settings, flags)
    reasons[np.flatnonzero(reasons == "")] = far
    fits = far == ""
    good, spots = _kept(good, fits), _pick(spots, fits)
    pairs = pair_stretches(good)
    reasons[np.flatnonzero(reasons == "")[pairs.lonely]] = "ends a stretch that does not start"
    rows = make_defects(good, spots, pairs, settings)

    seen = with_rows(seen_parts(axes, usable, settings), rows)
    newer = overtaken_by(rows, seen)
    _note_older(rows, newer, usable)
    flag_gone(rows, newer, usable, settings.touch_m, flags)
    defects = conform(rows, DEFECTS)
    axes = known_parts(axes, seen, flags)
    found = find_laterals(axes, defects, laterals, seen, settings, flags)
    flag_unseen(axes, seen, flags)
    return Located(
        pipes=conform(axes, PIPES),
        inspections=conform(runs, INSPECTIONS),
        defects=defects,
        laterals=found.laterals,
        growth=growth_between(rows, newer, settings.touch_m),
        flags=_flag_table(flags, defects),
        left_over=_left_over(observations, reasons, runs, refused, found.left_over),
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
    used = matched.refused.to_numpy(dtype=object) == ""
    usable = runs if used.all() else runs[used]
    doubles = doubled_runs(usable, observations)
    if not doubles:
        return matched
    told = [
        f"the same rows as {doubles[name]}, of the same day" if name in doubles else reason
        for name, reason in zip(runs["inspection_id"], matched.refused, strict=True)
    ]
    return replace(matched, refused=pd.Series(told, runs.index, dtype="str"))


def _refused_runs(matched: Matched, pipes: pd.DataFrame, settings: Survey, flags: Flags) -> Texts:
    """Say which runs cannot be used: no pipe, no counter, a stopped pipe, another length."""
    runs = matched.inspections
    reasons = matched.refused.to_numpy(dtype=object, copy=True)
    inside = wall_to_wall(pipes["drawn_m"], settings)
    at = places_in(runs["pipe_id"], pipes["pipe_id"])
    stopped = np.asarray(pipes["placing"].to_numpy(dtype=object) == "stopped", dtype=bool)
    for i in np.flatnonzero((reasons == "") & (at >= 0) & np.append(stopped, False)[at]):
        pipe = pipes.iloc[int(at[i])]
        reasons[i] = f"pipe {pipe['pipe_id']}: {why_not(pipe, float(inside[at[i]]), settings)}"
    net = net_lengths(runs, settings)
    whole = runs["complete"].array.to_numpy(dtype=bool, na_value=False)
    whole = whole & ~matched.through.to_numpy() & (reasons == "")
    axis = np.append(pipes["length_m"].to_numpy(dtype=float), np.nan)[at]
    net = np.where(whole, net, np.nan)
    stop = beyond(axis, net, settings.length_stop_m, settings.length_stop_ratio)
    odd = beyond(axis, net, settings.length_flag_m, settings.length_flag_ratio)
    for i in np.flatnonzero(odd):
        what = f"the run is {net[i]:.2f} m long from wall to wall, the pipe {axis[i]:.2f} m"
        if stop[i]:
            reasons[i] = f"{what}: its counter cannot be trusted"
        else:
            flags.add(runs["inspection_id"].iloc[i], what)
    return reasons


def _join(
    observations: pd.DataFrame, runs: pd.DataFrame, refused: Texts, pipes: pd.DataFrame
) -> tuple[pd.DataFrame, Texts]:
    """Put beside each row what its run and pipe say; leave out, and say why, what has no place.

    The reasons are those of all rows, "" for one that can be placed.
    """
    at = places_in(observations["inspection_id"], runs["inspection_id"])
    of_run = np.append(refused, "its inspection is not in the list")[at]
    reasons = np.where(of_run == "", "", "its inspection is not used: " + of_run).astype(object)
    reasons[at < 0] = "its inspection is not in the list"
    blank = (reasons == "") & observations["s_m"].isna().to_numpy()
    reasons[blank] = "no distance"
    data: dict[str, Any] = {name: observations[name].array for name in observations.columns}
    good = np.flatnonzero(reasons == "")
    if len(good) < len(at):
        data, at = {name: values.take(good) for name, values in data.items()}, at[good]
    for name in ("pipe_id", "counter_node", "zero_at", "surveyed_m", "date", "wall_part_m"):
        data[name] = _taken(runs[name], at)
    of_pipe = np.append(places_in(runs["pipe_id"], pipes["pipe_id"]), -1)[at]
    for name in ("us_node", "length_m", "length_doubt_m"):
        data[name] = _taken(pipes[name], of_pipe)
    return pd.DataFrame(data, index=range(len(good)), copy=False), reasons


def _taken(values: pd.Series, at: npt.NDArray[np.intp]) -> Any:  # noqa: ANN401 - any array
    numbers = values.dtype == "float64"
    return numbers_at(values, at) if numbers else texts_at(values, at).array


def _kept(rows: pd.DataFrame, wanted: npt.NDArray[np.bool_]) -> pd.DataFrame:
    return rows if wanted.all() else rows[wanted].reset_index(drop=True)


def _place(
    rows: pd.DataFrame, runs: pd.DataFrame, settings: Survey, flags: Flags
) -> tuple[Spots, Texts]:
    """Place rows, surveys of one pipe laid on each other; say which are too far out."""
    still = np.zeros(len(rows))
    first = place(rows, settings, still)
    at = np.flatnonzero((rows["mechanism"].to_numpy(dtype=object) == "lateral") & ~first.refused)
    names = rows["inspection_id"].array.take(at)
    seen = pd.DataFrame({"inspection_id": names, "x_m": first.x_m[at]})
    shifts = align(seen, runs, settings.touch_m, flags)
    spots = first
    if len(shifts):
        shift = rows["inspection_id"].map(shifts).fillna(0.0).to_numpy(dtype=float)
        spots = place(rows, settings, shift)
    far = np.full(len(rows), "", dtype=object)
    s, names = rows["s_m"].to_numpy(dtype=float), rows["pipe_id"].to_numpy(dtype=object)
    for i in np.flatnonzero(spots.refused):
        far[i] = (
            f"distance {s[i]:.2f} m lies {spots.past_m[i]:.2f} m past an end of pipe "
            f"{names[i]}, {spots.length_m[i]:.2f} m long; "
            f"at most {spots.allowed_m[i]:.2f} m is set to the end"
        )
    return spots, far


def _pick(spots: Spots, wanted: npt.NDArray[np.bool_]) -> Spots:
    return Spots(**{name: values[wanted] for name, values in vars(spots).items()})


def _note_older(rows: pd.DataFrame, newer: Texts, runs: pd.DataFrame) -> None:
    """Write into the rows' flags which newer survey has overtaken them."""
    old = newer != ""
    if not old.any():
        return
    days = runs.set_index("inspection_id")["date"]
    notes = np.full(len(rows), "", dtype=object)
    notes[old] = [
        f"older survey: {name} of {days[name]} saw the place again" for name in newer[old]
    ]
    rows["flags"] = join_notes(rows["flags"].to_numpy(dtype=object), notes)


def _flag_table(flags: Flags, defects: pd.DataFrame) -> pd.DataFrame:
    doubts = rows_in(defects, ["observation_id", "flags"])
    rows = [*flags.rows, *((name, what) for name, what in doubts if what)]
    return conform(
        [{"step": STEP, "key": key, "what": what} for key, what in dict.fromkeys(rows)], FLAGS
    )


def _left_over(
    observations: pd.DataFrame,
    reasons: Texts,
    runs: pd.DataFrame,
    refused: Texts,
    laterals: list[tuple[str, str]],
) -> pd.DataFrame:
    left: list[tuple[Any, ...]] = []
    for table, key, why in (
        (observations, "observation_id", reasons),
        (runs, "inspection_id", refused),
    ):
        at = np.flatnonzero(why != "")
        if len(at):
            rows = rows_in(table[[key, "file", "row"]].take(at), [key, "file", "row"])
            left += [(*row, reason) for row, reason in zip(rows, why[at], strict=True)]
    left += [(key, "", pd.NA, reason) for key, reason in laterals]
    names = ("key", "file", "row", "reason", "step")
    rows_left = [dict(zip(names, (*row, STEP), strict=True)) for row in dict.fromkeys(left)]
    return conform(rows_left, LEFT_OVER)
