"""Rows of a file told apart into camera runs, and what each run's rows say of it together."""

from __future__ import annotations

import numpy as np
import pandas as pd

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
    given = filled["inspection_id"] != ""
    for column in ("pipe_id", "start_node", "end_node", "date"):
        values = filled[column].mask(filled[column] == "")
        first = values.groupby(filled["inspection_id"]).transform("first")
        filled[column] = values.where(values.notna() | ~given, first).fillna("").astype("str")
    end = filled["end_node"].mask(given | (filled["pipe_id"] != ""), "")
    key = filled[list(_APART)].assign(end=end)
    number = key.groupby(list(key.columns), sort=False).ngroup().to_numpy()
    _, firsts = np.unique(number, return_index=True)
    names: list[str] = []
    flags: list[tuple[str, str]] = []
    files = filled["file"].iloc[firsts]
    for row, file in zip(key.iloc[firsts].to_numpy(dtype=object), files, strict=True):
        given_id, pipe, start, day, other = (str(part) for part in row)
        wanted = given_id or "/".join(part for part in (pipe or other, start, day) if part)
        name, more = wanted, 2
        while name in taken:
            name, more = f"{wanted}~{more}", more + 1
        if name != wanted:
            what = f"{file}: {wanted} names another run too (in {taken[wanted]}); kept as {name}"
            flags.append((name, what))
        taken[name] = file
        names.append(name)
    ids = pd.Series(np.array(names, dtype=object)[number], frame.index, dtype="str")
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
    frame = frame.sort_values("row", kind="stable")
    by = frame["inspection_id"]
    heads = frame[list(_HEAD)].astype(object)
    blank = heads.isna() | heads.isin(["", "unknown"])
    heads = heads.mask(blank, None)
    first = heads.groupby(by, sort=True).first()
    origin = frame.groupby(by, sort=True)[["scheme", "zero_given", "file", "row"]].first()
    flags = _disagreeing(heads, by, first, origin["file"])
    what = frame["mechanism"].mask(frame["bare"], "")
    what = what.mask(what.isin(_LATERALS), _LATERAL)
    has = pd.DataFrame(
        {name: what == name for name in (_FINISH, _ABANDONED, _LATERAL)}, frame.index
    )
    seen = has.groupby(by, sort=True).any()
    runs = first.rename(columns={"pipe_id": "pipe_ref"}).assign(
        inspection_id=first.index,
        zero_at=first["zero_at"].fillna(_said(origin["zero_given"])).fillna(zero_at),
        direction=first["direction"].fillna(direction),
        complete=_complete(first["complete"], seen),
        surveyed_m=_surveyed(first["surveyed_m"], frame, has[_FINISH]),
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


def _disagreeing(
    heads: pd.DataFrame, by: pd.Series, first: pd.DataFrame, files: pd.Series
) -> list[tuple[str, str]]:
    counts = heads.groupby(by, sort=True).nunique()
    flags = []
    for column in _HEAD:
        for run in counts.index[counts[column] > 1]:
            used = str(first.loc[run, column])
            flags.append(
                (str(run), f"{files[run]}: rows disagree on {column}; the first, {used}, holds")
            )
    return flags


def _said(texts: pd.Series) -> pd.Series:
    return texts.mask(texts == "")


def _complete(given: pd.Series, seen: pd.DataFrame) -> pd.Series:
    derived = pd.Series(pd.NA, seen.index, dtype="boolean")
    derived = derived.mask(seen[_FINISH], other=True).mask(seen[_ABANDONED], other=False)
    return given.astype("boolean").fillna(derived)


def _surveyed(given: pd.Series, frame: pd.DataFrame, finish: pd.Series) -> pd.Series:
    by = frame["inspection_id"]
    at_finish = frame["s_m"].where(finish).groupby(by, sort=True).max()
    largest = frame["s_m"].groupby(by, sort=True).max()
    derived = at_finish.fillna(largest)
    # A counter that only ever read below zero has not measured a length.
    return given.astype("float64").fillna(derived.mask(derived < 0))


def _laterals_coded(given: pd.Series, seen: pd.DataFrame) -> pd.Series:
    derived = pd.Series(np.where(seen[_LATERAL], "yes", "unknown"), seen.index, dtype="str")
    return given.fillna(derived)
