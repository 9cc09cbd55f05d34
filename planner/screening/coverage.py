"""What each camera run saw of its pipe, and which rows a newer run has overtaken.

What no camera saw is unseen, not sound. A row of an older survey counts only where no
newer one came by.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, Columns, taken, written
from planner.distinct import Texts, any_of, is_among, numbers_at, texts_at
from planner.screening.axis import net_lengths
from planner.screening.match import Flags
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

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
    nodes, names = (inspections[name].array for name in ("counter_node", "pipe_id"))
    found = np.asarray((nodes != "") & (names != ""), dtype=bool)
    runs = inspections if found.all() else inspections[found]
    told: Columns = {name: Coded.of(runs[name]) for name in _RUN}
    told["inspection_id"] = Coded.by_row(runs["inspection_id"])
    at = told["pipe_id"].places_in(pipes["pipe_id"])
    length = numbers_at(pipes["length_m"], at)
    net = net_lengths(runs, settings)
    whole = runs["complete"].array.to_numpy(dtype=bool, na_value=False)
    reach = np.where(whole, length, np.fmin(net, length))
    us_node = texts_at(pipes["us_node"], at).array
    from_us = np.asarray(runs["counter_node"].array == us_node, dtype=bool)
    told["seen_from_m"] = np.where(from_us, 0.0, length - reach)
    told["seen_to_m"] = np.where(from_us, reach, length)
    stopped = np.asarray(pipes["placing"].array == "stopped", dtype=bool)
    usable = ~np.isnan(reach) & ~np.append(stopped, False)[at]
    return told if usable.all() else taken(told, usable)


_RUN = ("pipe_id", "date", "laterals_coded")


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


def flag_unseen(pipes: pd.DataFrame, seen: Columns, flags: Flags) -> None:
    """Flag what no run saw of each inspected pipe."""
    pipe = seen["pipe_id"]
    ends = numbers_at(pipes["length_m"], pipe.places_in(pipes["pipe_id"]))
    inside = (seen["seen_from_m"] > SEEN_GAP_M) | (seen["seen_to_m"] < ends - SEEN_GAP_M)
    if not inside.any():
        return
    partly = ~any_of(pipe.codes, len(pipe.words), ~inside)[pipe.codes]
    some = pd.DataFrame(written(taken({**seen, "end_m": ends}, partly)))
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
