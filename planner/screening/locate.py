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

from planner.coded_text import Coded, Columns, coded_in, marks_of, taken, written
from planner.contracts import (
    DEFECTS,
    FLAGS,
    GROWTH,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    NODES,
    OBSERVATIONS,
    PIPES,
)
from planner.distinct import numbers_at, places_among, places_in, unlike_in
from planner.held import Held, held
from planner.order import order_by
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
from planner.screening.coverage import (
    flag_unseen,
    overtaken_by,
    seen_again,
    seen_parts,
    with_rows,
)
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
from planner.tables import check, conform

STEP = "locate"

Texts = npt.NDArray[np.object_]
Places = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Located:
    """Rows on their pipes: each table by its contract's name.

    `rows` holds `DEFECTS`; `seen` what the runs of these rows saw of these pipes, as
    `seen_parts` gives it, None where that is not known or lengths were set anew since.
    """

    pipes: pd.DataFrame
    inspections: pd.DataFrame
    rows: Held
    laterals: pd.DataFrame
    growth: pd.DataFrame
    flags: pd.DataFrame
    left_over: pd.DataFrame
    seen: Columns | None = None

    @property
    def defects(self) -> pd.DataFrame:
        """`DEFECTS`, made once, for whoever reads the frame."""
        return self.rows.frame


def locate(  # noqa: PLR0913, PLR0917  five tables, and what decides
    pipes: pd.DataFrame,
    nodes: pd.DataFrame,
    inspections: pd.DataFrame,
    observations: pd.DataFrame | Held,
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
        (laterals, LATERALS),
    ):
        check(frame, table)
    observations = held(observations, OBSERVATIONS).frame
    flags = Flags()
    if matched is None:
        matched = match_runs(pipes, inspections, observations, flags)
    axes = set_lengths(pipes, matched, settings, flags, listed)
    refused = _refused_runs(matched, axes, settings, flags)
    runs = matched.inspections
    used = refused == ""
    usable = runs if used.all() else runs.loc[used]
    of_run = places_in(observations["inspection_id"], runs["inspection_id"])
    flag_drawings(axes, nodes, usable, settings, flags)
    flag_runs(usable, axes, observations, places_among(of_run, used), first_day, flags)

    measured = runs.assign(wall_part_m=wall_part(runs, settings))
    good, reasons = _join(observations, of_run, measured, refused, axes)
    spots, far = _place(good, usable, settings, flags)
    reasons |= {int(good["at"][place]): why for place, why in far.items()}
    if far:
        fits = np.delete(np.arange(len(spots.x_m)), list(far))
        good, spots = taken(good, fits), _pick(spots, fits)
    pairs = pair_stretches(good)
    lonely = "ends a stretch that does not start"
    reasons |= dict.fromkeys(good["at"][pairs.lonely].tolist(), lonely)
    rows = make_defects(good, spots, pairs, settings)
    seen = with_rows(seen_parts(axes, usable, settings), rows["inspection_id"].used())
    growth = _overtaken(rows, observations, seen, usable, settings, flags)
    defects = Held(DEFECTS, _said(_in_order(rows, observations), observations))
    axes = known_parts(axes, seen, flags)
    found = find_laterals(axes, defects, laterals, seen, settings, flags)
    flag_unseen(axes, seen, flags)
    return Located(
        pipes=conform(axes, PIPES),
        inspections=conform(runs, INSPECTIONS),
        rows=defects,
        laterals=found.laterals,
        growth=growth,
        flags=_flag_table(flags, defects),
        left_over=_left_over(observations, reasons, runs, refused, found.left_over),
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


_CODED = ("code", "mechanism", "role", "detail", "quantity")
_FIGURES = ("s_m", "quantity_low", "quantity_high", "clock_from_h", "clock_to_h")


def _join(
    observations: pd.DataFrame, of_run: Places, runs: pd.DataFrame, refused: Texts,
    pipes: pd.DataFrame,
) -> tuple[Columns, dict[int, str]]:  # fmt: skip
    """Put beside each row what its run and pipe say; leave out, and say why, what has no place.

    `of_run` is the run of each row, -1 where it is not in the list. The reasons are by the
    place of a row in its table; each row that is left knows that place as `at`.
    """
    no_place = observations["s_m"].isna().to_numpy()
    out = np.append(refused != "", True)[of_run] | no_place
    reasons: dict[int, str] = {}
    for row in np.flatnonzero(out).tolist():
        run = of_run[row]
        if run < 0:
            reasons[row] = "its inspection is not in the list"
        elif refused[run]:
            reasons[row] = f"its inspection is not used: {refused[run]}"
        else:
            reasons[row] = "no distance"
    good = np.flatnonzero(~out)
    run = of_run[good]
    pipe = np.append(places_in(runs["pipe_id"], pipes["pipe_id"]), -1)[run]
    rows: Columns = {"at": good, "inspection_id": Coded.by_row(runs["inspection_id"])[run]}
    rows |= {name: coded_in(observations, name)[good] for name in _CODED}
    rows |= {name: observations[name].to_numpy(dtype=float)[good] for name in _FIGURES}
    rows["stretch"] = Coded.notes(observations["stretch"].array)[good]
    rows |= {name: Coded.by_row(observations[name])[good] for name in ("observation_id", "q1")}
    rows["at_joint"] = marks_of(observations["at_joint"].array)[good]
    rows["row"] = observations["row"].array.to_numpy(dtype=np.int64, na_value=0)[good]
    rows |= {name: Coded.of(runs[name])[run] for name in ("counter_node", "zero_at", "date")}
    rows |= {name: runs[name].to_numpy(float)[run] for name in ("surveyed_m", "wall_part_m")}
    rows |= {
        "pipe_id": Coded.of(runs["pipe_id"])[run],
        "us_node": Coded.of(pipes["us_node"]).at(pipe),
    }
    rows |= {name: numbers_at(pipes[name], pipe) for name in ("length_m", "length_doubt_m")}
    return rows, reasons


def _place(
    rows: Columns, runs: pd.DataFrame, settings: Survey, flags: Flags
) -> tuple[Spots, dict[int, str]]:
    """Place rows, surveys of one pipe laid on each other; say which are too far out."""
    still = np.zeros(len(rows["at"]))
    spots = place(rows, settings, still)
    if len(unlike_in(runs["pipe_id"])) < len(runs):
        at = np.flatnonzero(rows["mechanism"].holds("lateral") & ~spots.refused)
        run = rows["inspection_id"]
        seen = pd.DataFrame({"inspection_id": run[at].column(), "x_m": spots.x_m[at]})
        shifts = align(seen, runs, settings.touch_m, flags)
        shift = np.array([shifts.get(name, 0.0) for name in run.listed()], dtype=float)
        spots = place(rows, settings, shift[run.codes]) if len(shifts) else spots
    past = np.flatnonzero(spots.refused)
    names = rows["pipe_id"][past].tolist()
    return spots, {
        int(i): f"distance {rows['s_m'][i]:.2f} m lies {spots.past_m[i]:.2f} m past an end of pipe "
        f"{name}, {spots.length_m[i]:.2f} m long; "
        f"at most {spots.allowed_m[i]:.2f} m is set to the end"
        for i, name in zip(past, names, strict=True)
    }


def _pick(spots: Spots, wanted: Places) -> Spots:
    return Spots(**{name: values[wanted] for name, values in vars(spots).items()})


FEW_WORDS = ("code", "char1", "char2", "mechanism", "role", "quantity", "detail", "shows", "file")
"""Texts of coded rows that are few and stand in many rows."""
_SAID = ("code", "mechanism", "role", "detail", "quantity", "quantity_low", "quantity_high")


def _own(rows: Columns) -> Columns:
    """Give the columns of `DEFECTS` that are at hand, and the place of each row's observation."""
    own: Columns = {name: rows[name] for name in ("at", "inspection_id", *_SAID)}
    own |= {name: rows[name] for name in DEFECTS.names if name not in OBSERVATIONS.names}
    own["flags"] = Coded.notes(own["flags"])
    return own


def _in_order(rows: Columns, observations: pd.DataFrame) -> Columns:
    """Give them in the order of `DEFECTS`."""
    own, ids = _own(rows), observations["observation_id"].array
    if len(own["at"]):
        keys = [own["pipe_id"].ordered().codes, own["from_m"], ids.take(own["at"])]
        own = taken(own, order_by(keys))
    return own


def _said(own: Columns, observations: pd.DataFrame) -> Columns:
    """Put beside rows what else their observations say."""
    at, missing = own["at"], [name for name in OBSERVATIONS.names if name not in own]
    said = {
        name: coded_in(observations, name)[at] if name in FEW_WORDS
        else observations[name].array.take(at)
        for name in missing
    }  # fmt: skip
    return said | {name: one for name, one in own.items() if name != "at"}


def _overtaken(
    rows: Columns,
    observations: pd.DataFrame,
    seen: Columns,
    runs: pd.DataFrame,
    settings: Survey,
    flags: Flags,
) -> pd.DataFrame:
    """Note which rows a newer survey has overtaken, flag what is gone, and give the growth."""
    if not seen_again(seen).any():
        return conform([], GROWTH)
    frame = pd.DataFrame(written(_said(_own(rows), observations)))
    newer = overtaken_by(frame, seen)
    _note_older(rows, newer, runs)
    flag_gone(frame, newer, runs, settings.touch_m, flags)
    return growth_between(frame, newer, settings.touch_m)


def _note_older(rows: Columns, newer: Texts, runs: pd.DataFrame) -> None:
    """Write into the rows' flags which newer survey has overtaken them."""
    old = newer != ""
    if not old.any():
        return
    days = runs.set_index("inspection_id")["date"]
    notes = np.full(len(newer), "", dtype=object)
    notes[old] = [
        f"older survey: {name} of {days[name]} saw the place again" for name in newer[old]
    ]
    rows["flags"] = join_notes(rows["flags"], notes)


def _flag_table(flags: Flags, defects: Held) -> pd.DataFrame:
    said = defects.coded("flags")
    at = np.flatnonzero(~said.holds(""))
    doubts = (defects.column("observation_id").take(at).tolist(), said[at].tolist())
    rows = [*flags.rows, *zip(*doubts, strict=True)]
    return conform(
        [{"step": STEP, "key": key, "what": what} for key, what in dict.fromkeys(rows)], FLAGS
    )


def _left_over(
    observations: pd.DataFrame,
    reasons: dict[int, str],
    runs: pd.DataFrame,
    refused: Texts,
    laterals: list[tuple[str, str]],
) -> pd.DataFrame:
    of_runs = {at: refused[at] for at in np.flatnonzero(refused != "").tolist()}
    left: list[tuple[Any, ...]] = []
    for table, key, told in (
        (observations, "observation_id", reasons),
        (runs, "inspection_id", of_runs),
    ):
        at = np.array(sorted(told), dtype=np.intp)
        columns = [table[name].array.take(at).tolist() for name in (key, "file", "row")]
        left += zip(*columns, (told[place] for place in at.tolist()), strict=True)
    left += [(key, "", pd.NA, reason) for key, reason in laterals]
    names = ("key", "file", "row", "reason")
    columns = list(zip(*dict.fromkeys(left), strict=True)) or [()] * len(names)
    return conform({"step": STEP, **dict(zip(names, map(list, columns), strict=True))}, LEFT_OVER)
