"""What each camera run saw of its pipe, and which rows a newer run has overtaken.

What no camera saw is unseen, not sound. A row of an older survey counts only where no
newer one came by.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, Columns, taken, written
from planner.contracts import INSPECTIONS, PIPES
from planner.distinct import Texts, any_of, is_among
from planner.held import Held
from planner.screening.axis import count_runs, net_lengths, runs_from_us, wall_part
from planner.screening.match import Flags
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]

# Two stretches seen closer together than this leave nothing unseen between them [m].
SEEN_GAP_M = 0.01


def seen_parts(pipes: pd.DataFrame, inspections: pd.DataFrame, settings: Survey) -> Columns:
    """Give the stretch of its pipe that each usable run saw.

    Parameters
    ----------
    pipes
        Obeys `PIPES`, with lengths set; a stopped pipe was not usably seen.
    inspections
        Obeys `INSPECTIONS`, with pipe_id and counter_node set.
    settings
        Where the counter's zero lies.

    Returns
    -------
    seen
        pipe_id, inspection_id, date, laterals_coded, seen_from_m, seen_to_m [m from us_node],
        in the order of `inspections`.
    """
    network, runs = Held.of(pipes, PIPES), Held.of(inspections, INSPECTIONS)
    counted = count_runs(runs, network, settings)
    used = ~runs.blanks("counter_node") & (counted.pipe >= 0)
    net = net_lengths(runs, wall_part(runs, settings, used))
    length = np.append(network.floats("length_m"), np.nan)[counted.pipe]
    stopped = np.append(network.coded("placing").holds("stopped"), False)[counted.pipe]
    from_us = runs_from_us(runs, network, counted.pipe)
    reach = reaches(runs, length, net)
    at = np.flatnonzero(used & ~stopped & ~np.isnan(reach))
    return seen_by(runs, network, at, counted.pipe, from_us, length, reach)


def reaches(runs: Held, length_m: Numbers, net_m: Numbers) -> Numbers:
    """Give how far each run came on a pipe `length_m` long [m]; `net_m` as `net_lengths` has it."""
    return np.where(runs.marks("complete"), length_m, np.fmin(net_m, length_m))


def seen_by(  # noqa: PLR0913, PLR0917  what is known of runs
    runs: Held,
    pipes: Held,
    at: Places,
    of_pipe: Places,
    from_us: Marks,
    length_m: Numbers,
    reach_m: Numbers,
) -> Columns:
    """Give what `seen_parts` does, of the runs at some places.

    Parameters
    ----------
    runs, pipes
        Hold `INSPECTIONS` and `PIPES`.
    at
        Places of runs of pipes that are not stopped, with a counter node and a known reach.
    of_pipe, from_us, length_m, reach_m
        Of all runs: the place of its pipe, whether the counter ran from us_node, how long the
        pipe is, how far it came [m].
    """
    out: Columns = {name: runs.coded(name)[at] for name in ("date", "laterals_coded")}
    out["inspection_id"] = Coded.by_row(runs.column("inspection_id"))[at]
    out["pipe_id"] = Coded.by_row(pipes.column("pipe_id"))[of_pipe[at]]
    length, reach, down = length_m[at], reach_m[at], from_us[at]
    out["seen_from_m"] = np.where(down, 0.0, length - reach)
    out["seen_to_m"] = np.where(down, reach, length)
    return out


def seen_again(seen: Columns) -> Marks:
    """Tell of which runs another one saw the pipe too: of none, none is overtaken."""
    pipe = seen["pipe_id"].codes
    return np.asarray(np.bincount(pipe)[pipe] > 1, dtype=bool)


def overtaken_by(rows: pd.DataFrame, seen: Columns) -> npt.NDArray[np.object_]:
    """Name, for each row, the newest run of a later day that saw its whole place, else "".

    Parameters
    ----------
    rows
        pipe_id, seen_on, x_from_m, x_to_m [m].
    seen
        As `seen_parts` gives it. A run without a date is older than any with one.

    Returns
    -------
    names
        inspection_id of the newer run, by position in `rows`.
    """
    names = np.full(len(rows), "", dtype=object)
    again = seen_again(seen)
    if not again.any():
        return names
    many = pd.DataFrame(written(taken(seen, again)))
    own = pd.DataFrame(
        {
            "at": np.arange(len(rows)),
            "pipe_id": rows["pipe_id"].to_numpy(dtype=object),
            "x_from_m": rows["x_from_m"].to_numpy(dtype=float),
            "x_to_m": rows["x_to_m"].to_numpy(dtype=float),
            "own_date": rows["seen_on"].to_numpy(dtype=object),
        }
    )
    pairs = own[is_among(own["pipe_id"], many["pipe_id"].unique())].merge(
        many.astype({"pipe_id": object, "date": object, "inspection_id": object}), on="pipe_id"
    )
    newer = pairs["date"] > pairs["own_date"]
    newer &= (pairs["seen_from_m"] <= pairs["x_from_m"]) & (pairs["x_to_m"] <= pairs["seen_to_m"])
    last = pairs[newer].sort_values(["at", "date", "inspection_id"], kind="stable")
    last = last.drop_duplicates("at", keep="last")
    names[last["at"].to_numpy(dtype=int)] = last["inspection_id"].to_numpy(dtype=object)
    return names


def with_rows(seen: Columns, runs: Texts) -> Columns:
    """Keep the runs that have coded rows, named in `runs`: an empty one proves no pipe sound."""
    told = seen["inspection_id"].places_in(runs) >= 0
    return seen if told.all() else taken(seen, told)


def join_parts(from_m: Numbers, to_m: Numbers) -> list[tuple[float, float]]:
    """Join stretches that meet; the result is in order and apart."""
    parts: list[tuple[float, float]] = []
    for start, end in sorted(zip(from_m.tolist(), to_m.tolist(), strict=True)):
        if parts and start <= parts[-1][1] + SEEN_GAP_M:
            parts[-1] = (parts[-1][0], max(parts[-1][1], end))
        else:
            parts.append((start, end))
    return parts


def flag_unseen(seen: Columns, length_m: Numbers, flags: Flags) -> None:
    """Flag what no run saw of each inspected pipe; `length_m` is that of the pipe of each run."""
    pipe = seen["pipe_id"]
    inside = seen["seen_from_m"] > SEEN_GAP_M
    inside |= seen["seen_to_m"] < length_m - SEEN_GAP_M
    if not inside.any():
        return
    partly = ~any_of(pipe.codes, len(pipe.words), ~inside)[pipe.codes]
    some = pd.DataFrame(written(taken({**seen, "end_m": length_m}, partly)))
    for pipe_id, part in some.groupby("pipe_id", sort=True):
        length = float(part["end_m"].iloc[0])
        seen_to = 0.0
        parts = join_parts(part["seen_from_m"].to_numpy(), part["seen_to_m"].to_numpy())
        for start, end in [*parts, (length, length)]:
            if start > seen_to + SEEN_GAP_M:
                flags.add(
                    pipe_id,
                    f"no camera saw it from {seen_to:.2f} to {start:.2f} m: unseen, not sound",
                )
            seen_to = max(seen_to, end)
