"""Inverts of 0: a level at the datum, or what a list writes where nobody measured.

A level that is not known must not pass for one, for a slope is reckoned from it. So a 0 that
nothing near it bears out is taken as not stated, and every such step is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

# So far from the nearest other level a 0 is none [m], and so many zeros are too many to go
# unmentioned where they may be levels [share]: common practice, no source.
FAR_M = 10.0
_MANY_RATIO = 0.1
_MANY_COUNT = 3
_NAMED = 3
_ENDS = ("us_invert_m", "ds_invert_m")

Marks = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Levelled:
    """Pipes and nodes without the zeros that are no levels, and what is told: (file, text)."""

    pipes: pd.DataFrame
    nodes: pd.DataFrame
    told: list[tuple[str, str]]


def without_zeros(
    pipes: pd.DataFrame, nodes: pd.DataFrame, pipe_file: str, node_file: str
) -> Levelled:
    """Take zeros among the inverts as not stated where they can hardly be levels.

    Parameters
    ----------
    pipes
        pipe_id, us_invert_m, ds_invert_m [m].
    nodes
        node_id, invert_m [m].
    pipe_file, node_file
        The layers, as they are told of.

    Returns
    -------
    Levelled
        A 0 is not stated where all levels of the network are 0, where all of its column are
        (three or more), where the nearest other level of the network is `FAR_M` or more from
        it, or where the other end of its pipe is. Other zeros stay; many of them are told.
    """
    us, ds, own = (
        frame[name].to_numpy(dtype=float, na_value=np.nan)
        for frame, name in ((pipes, _ENDS[0]), (pipes, _ENDS[1]), (nodes, "invert_m"))
    )
    every = np.concatenate([us, ds, own])
    if not (every == 0.0).any():
        return Levelled(pipes, nodes, [])
    others = every[~np.isnan(every) & (every != 0.0)]
    nearest_m = float(np.abs(others).min()) if len(others) else np.inf
    none = np.full(len(nodes), np.nan)
    told: list[tuple[str, str]] = []
    for name, level_m, across_m in (
        (_ENDS[0], us, ds),
        (_ENDS[1], ds, us),
        ("invert_m", own, none),
    ):
        is_node = name == "invert_m"
        file, kind = (node_file, "manholes") if is_node else (pipe_file, "pipes")
        lost, line = _judged(level_m, across_m, nearest_m)
        if not line:
            continue
        ids = nodes["node_id"] if is_node else pipes["pipe_id"]
        known = int((~np.isnan(level_m)).sum())
        of = f"of {known} {kind} ({_named(ids, level_m)})"
        told.append((file, f"{name}: 0 in {int((level_m == 0.0).sum())} {of}: {line}"))
        if is_node:
            nodes = nodes.assign(invert_m=nodes["invert_m"].mask(lost))
        else:
            pipes = pipes.assign(**{name: pipes[name].mask(lost)})
    return Levelled(pipes, nodes, told)


def _judged(level_m: Numbers, across_m: Numbers, nearest_m: float) -> tuple[Marks, str]:
    """Say which zeros of a column are no levels, and how that is told; '' = nothing to tell."""
    zero, known = level_m == 0.0, int((~np.isnan(level_m)).sum())
    count = int(zero.sum())
    why = _why(nearest_m, alone=count == known and count >= _MANY_COUNT)
    lost = zero if why else zero & (np.abs(across_m) >= FAR_M)
    taken = int(lost.sum())
    if taken:
        some = "" if why or taken == count else f" in {taken} of them"
        said = why or f"the other end of the pipe lies {FAR_M:g} m or more from 0"
        return lost, f"taken as not stated{some}, for {said}; where 0 is meant, write 0.001"
    many = count >= _MANY_COUNT and count >= _MANY_RATIO * known
    return lost, "kept as levels, but may mean that nobody knows them" if many else ""


def _named(ids: pd.Series, level_m: Numbers) -> str:
    """Name the first things whose level is 0."""
    zero = ids[level_m == 0.0].astype(str).tolist()
    return ", ".join(zero[:_NAMED]) + (", ..." if len(zero) > _NAMED else "")


def _why(nearest_m: float, *, alone: bool) -> str:
    """Say why no 0 of a column is a level; '' where one may be."""
    if np.isinf(nearest_m):
        return "no level of the network is anything else"
    if nearest_m >= FAR_M:
        return f"the nearest other level is {nearest_m:.2f} m from it"
    return "the column holds nothing else" if alone else ""
