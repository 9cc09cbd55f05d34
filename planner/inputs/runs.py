"""Rows of a file told apart into camera runs, and what each run's rows say of it together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.distinct import Codes, any_of, first_rows, groups_of, is_among, values_at
from planner.ground.codes import PACP

# What makes two rows of one file belong to two runs, though their inspection_id be the same.
_APART = ("inspection_id", "pipe_id", "start_node", "date")
_HEAD = (
    "pipe_id",
    "start_node",
    "end_node",
    "direction",
    "date",
    "zero_at",
    "surveyed_m",
    "complete",
    "laterals_coded",
    "size_mm",
    "width_mm",
    "shape",
    "material",
    "stated_m",
    "joint_every_m",
    "edition",
)
_FINISH, _ABANDONED, _LATERAL = "node_end", "abandoned", "lateral"
_LATERALS = (_LATERAL, "lateral_intruding", "lateral_defective")


def name_runs(
    frame: pd.DataFrame, taken: dict[str, str]
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Give every row the id of its run.

    Parameters
    ----------
    frame
        Rows of one file, or of files that belong together, with ``file``. Within one
        inspection_id a blank pipe, node or day takes what another row of the id says.
    taken
        Ids of earlier files and the file each came from; it grows.

    Returns
    -------
    frame, flags
        With ``inspection_id`` never blank and unique over all files: an id that stands for
        two pipes, nodes or days, or that an earlier file used, is told apart by ``~2``.
    """
    filled = frame.copy()
    given = (filled["inspection_id"] != "").to_numpy(dtype=bool)
    for column in ("pipe_id", "start_node", "end_node", "date"):
        blank = (filled[column] == "").to_numpy(dtype=bool)
        if (blank & given).any() and not blank.all():
            by_id, count = groups_of([filled["inspection_id"]])
            first = first_rows(by_id, count, ~blank)[by_id]
            at = np.where(blank & given & (first >= 0), first, np.arange(len(filled)))
            filled[column] = filled[column].array.take(at)
    end = filled["end_node"].mask(given | (filled["pipe_id"] != ""), "")
    number, count = groups_of([*(filled[name] for name in _APART), end])
    heads = first_rows(number, count)
    key = filled[list(_APART)].iloc[heads].assign(end=end.iloc[heads])
    files = filled["file"].iloc[heads]
    wanted_names = [
        own or "/".join(part for part in (pipe or other, start, day) if part)
        for own, pipe, start, day, other in zip(
            *(key[name].tolist() for name in (*_APART, "end")), strict=True
        )
    ]
    names: list[str] = []
    flags: list[tuple[str, str]] = []
    for wanted, file in zip(wanted_names, files.tolist(), strict=True):
        name, more = wanted, 2
        while name in taken:
            name, more = f"{wanted}~{more}", more + 1
        if name != wanted:
            what = f"{file}: {wanted} names another run too (in {taken[wanted]}); kept as {name}"
            flags.append((name, what))
        taken[name] = file
        names.append(name)
    ids = values_at(names, number, "str").set_axis(frame.index)
    return filled.assign(inspection_id=ids), flags


def access_points(rows: pd.DataFrame) -> pd.DataFrame:
    """Tell start, end and what lies between, where one code stands for any access point.

    In the PACP family the first access point of a run is its start and the last its end if
    no row lies beyond it; others are nodes in between.
    """
    point = ((rows["mechanism"] == "node_start") & (rows["scheme"] == PACP)).to_numpy()
    if not point.any():
        return rows
    some = rows[point].sort_values(["inspection_id", "s_m", "row"])
    order = some.groupby("inspection_id").cumcount()
    back = some.groupby("inspection_id").cumcount(ascending=False)
    farthest = rows.groupby("inspection_id")["s_m"].transform("max").loc[some.index]
    ends = (order > 0) & (back == 0) & (some["s_m"] >= farthest)
    word = np.where(order == 0, "node_start", np.where(ends, "node_end", "intermediate_node"))
    role = np.where(word == "intermediate_node", "place", "record")
    told = pd.DataFrame({"mechanism": word, "role": role}, some.index)
    out = rows.copy()
    out.loc[told.index, ["mechanism", "role"]] = told
    return out.astype({"mechanism": "str", "role": "str"})


def runs_of(
    frame: pd.DataFrame, zero_at: str, direction: str = "unknown"
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Say of each run what its rows say together; see `observations.read_observations`.

    Parameters
    ----------
    frame
        Rows with the ids of `name_runs` and the mechanisms of the code tables.
    zero_at
        Zero of the counter where neither a row nor the file says it.
    direction
        Direction of a run where no row says it.

    Returns
    -------
    runs, flags
        Columns of `INSPECTIONS`; runs whose rows disagree.
    """
    if not frame["row"].is_monotonic_increasing:
        frame = frame.sort_values("row", kind="stable")
    # Numbered in the order of their ids, so that runs come out sorted.
    by, ids = pd.factorize(frame["inspection_id"], sort=True)
    first, flags = _heads(frame, by, ids)
    what = frame["mechanism"].mask(frame["bare"], "")
    has = {
        _FINISH: (what == _FINISH).to_numpy(dtype=bool),
        _ABANDONED: (what == _ABANDONED).to_numpy(dtype=bool),
        _LATERAL: is_among(what, _LATERALS),
    }
    seen = pd.DataFrame(
        {name: any_of(by, len(ids), rows) for name, rows in has.items()}, index=first.index
    )
    origin = frame.iloc[first_rows(by, len(ids))].set_axis(first.index)
    runs = first.rename(columns={"pipe_id": "pipe_ref"}).assign(
        inspection_id=first.index,
        zero_at=first["zero_at"].fillna(_said(origin["zero_given"])).fillna(zero_at),
        direction=first["direction"].fillna(direction),
        complete=_complete(first["complete"], seen),
        surveyed_m=_surveyed(first["surveyed_m"], frame["s_m"], by, has[_FINISH]),
        laterals_coded=_laterals_coded(first["laterals_coded"], seen),
        scheme=origin["scheme"],
        file=origin["file"],
        row=origin["row"],
    )
    abandoned = seen[_ABANDONED] & first["complete"].astype("boolean").fillna(value=False)
    flags += [
        (str(i), "said to be complete, yet coded as abandoned") for i in runs.index[abandoned]
    ]
    return runs.reset_index(drop=True), flags


def _heads(
    frame: pd.DataFrame, by: Codes, ids: pd.Index
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Give of each run the first value of each column of its head; tell where rows disagree."""
    first = pd.DataFrame(index=pd.Index(ids, dtype="str"))
    files = frame["file"].iloc[first_rows(by, len(ids))].to_numpy()
    flags = []
    for column in _HEAD:
        values = frame[column]
        blank = values.isna().to_numpy(dtype=bool)
        if values.dtype == "str":
            blank = blank | is_among(values, ("", "unknown"))
        at = first_rows(by, len(ids), ~blank)
        first[column] = values.array.take(at, allow_fill=True)
        if blank.all():
            continue
        codes, _ = pd.factorize(values)
        unlike = ~blank & (codes != codes[at[by]])
        for run in np.flatnonzero(any_of(by, len(ids), unlike)).tolist():
            used = first[column].iloc[run]
            what = f"{files[run]}: rows disagree on {column}; the first, {used}, holds"
            flags.append((str(ids[run]), what))
    return first, flags


def _said(texts: pd.Series) -> pd.Series:
    return texts.mask(texts == "")


def _complete(given: pd.Series, seen: pd.DataFrame) -> pd.Series:
    derived = pd.Series(pd.NA, seen.index, dtype="boolean")
    derived = derived.mask(seen[_FINISH], other=True).mask(seen[_ABANDONED], other=False)
    return given.astype("boolean").fillna(derived)


def _surveyed(
    given: pd.Series, s_m: pd.Series, by: Codes, finish: npt.NDArray[np.bool_]
) -> pd.Series:
    at_finish = s_m.where(finish).groupby(by).max().set_axis(given.index)
    largest = s_m.groupby(by).max().set_axis(given.index)
    derived = at_finish.fillna(largest)
    # A counter that only ever read below zero has not measured a length.
    return given.astype("float64").fillna(derived.mask(derived < 0))


def _laterals_coded(given: pd.Series, seen: pd.DataFrame) -> pd.Series:
    derived = pd.Series(np.where(seen[_LATERAL], "yes", "unknown"), seen.index, dtype="str")
    return given.fillna(derived)
