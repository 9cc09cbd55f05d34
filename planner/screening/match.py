"""Which pipe a camera run belongs to, and from which of its manholes the counter ran.

A run finds its pipe by id, or else by its two manholes where these name one pipe only.
The start node proves the counter; a direction field proves nothing, it only raises a
flag where it says otherwise. A run that cannot be proved is left over with a reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

from planner.arrays import blanks_in, column_of, texts_of
from planner.contracts import INSPECTIONS
from planner.distinct import is_among, places_in
from planner.held import Held

Texts = npt.NDArray[np.object_]
Marks = npt.NDArray[np.bool_]
Doubt = tuple[str, str]

# What files write where a node has no name; none of these is a node.
NO_NODE = ("", "-")
# What a blank id becomes on its way through a spreadsheet or a database.
NO_ID = ("", "-", "nan", "none", "null", "<na>", "nat")
_BETWEEN = "\x1f"
# A name that could be none, or with spaces round it: all that does not begin and end plainly.
_PERHAPS_NOT = r"(?s)^$|^-$|^[^!-~]|[^!-~]$"
# What lists change in ids of plain letters, and what stands for it: spaces, .0, leading zeros.
_IN_LISTS = (
    (r"[\t-\r\x1c-\x20]+", ""),
    (r"\.0+$", ""),
    (r"^0+(.)", r"\1"),
)
_SAID = ("inspection_id", "pipe_ref", "pipe_id", "counter_node", "direction", "end_node")


class Flags:
    """Doubts gathered on the way: one (key, what) each."""

    def __init__(self) -> None:
        self._said: list[Doubt | Callable[[], Iterable[Doubt]]] = []

    def add(self, key: object, what: str) -> None:
        """Note one doubt about the thing `key`."""
        self._said.append((str(key), what))

    def later(self, say: Callable[[], Iterable[Doubt]]) -> None:
        """Note doubts that are put into words for whoever reads them."""
        self._said.append(say)

    @property
    def rows(self) -> list[Doubt]:
        """All doubts, in the order in which they were noted."""
        rows = [one for said in self._said for one in (said() if callable(said) else (said,))]
        self._said = [*rows]
        return rows


@dataclass(frozen=True)
class Matched:
    """Camera runs with pipe_id, matched_by and counter_node set.

    `heads` holds `INSPECTIONS`; row for row `refused`, a text column, tells why a run cannot be
    used, "" if it can, and `through` marks runs that name another far end than their pipe has.
    """

    heads: Held
    refused: Any
    through: Marks

    @property
    def inspections(self) -> pd.DataFrame:
        """The runs, by `INSPECTIONS`, made once, for whoever reads the frame."""
        return self.heads.frame

    @cached_property
    def usable(self) -> Marks:
        """Runs that are not refused."""
        return blanks_in(self.refused)

    @property
    def fit(self) -> Marks:
        """Runs that may tell how long their pipe is."""
        return self.usable & ~self.through


def match_inspections(pipes: pd.DataFrame, inspections: pd.DataFrame, flags: Flags) -> Matched:
    """Find the pipe of each camera run and the node from which its counter ran.

    Parameters
    ----------
    pipes
        Obeys `PIPES`.
    inspections
        Obeys `INSPECTIONS`.
    flags
        Doubts are added here.

    Returns
    -------
    Matched
        A run whose start node is no end of its pipe is refused, never guessed.
    """
    at, by = _pipe_of(pipes, inspections)
    runs = inspections.copy()
    runs["pipe_id"] = texts_of(_take(pipes["pipe_id"], at))
    runs["matched_by"] = texts_of(by)
    ends = _Ends(
        us=_take(pipes["us_node"], at),
        ds=_take(pipes["ds_node"], at),
        start=_named(inspections["start_node"]),
        end=_named(inspections["end_node"]),
    )
    from_us, from_ds, how = _counter(ends, _texts(inspections["direction"]))
    counter = np.where(from_us, ends.us, np.where(from_ds, ends.ds, "")).astype(object)
    runs["counter_node"] = texts_of(counter)
    refused = _refusals(runs, ends, pipes, at)
    through = (ends.end != "") & (refused == "") & (ends.end != np.where(from_us, ends.ds, ends.us))
    _add_flags(runs, refused, how, through, flags)
    return Matched(Held.of(runs, INSPECTIONS), texts_of(refused), through.astype(bool))


@dataclass(frozen=True)
class _Ends:
    """Nodes of the pipe and nodes that the run names, "" where none."""

    us: Texts
    ds: Texts
    start: Texts
    end: Texts


def _texts(values: pd.Series) -> Texts:
    return values.to_numpy(dtype=object)


def _named(values: pd.Series) -> Texts:
    texts = values.to_numpy(dtype=object, copy=True)
    held = pa.array(values.array, type=pa.large_string())
    for at in np.flatnonzero(compute.match_substring_regex(held, _PERHAPS_NOT)).tolist():
        text = texts[at].strip()
        texts[at] = "" if text in NO_NODE else text
    return texts


def _take(values: pd.Series, at: npt.NDArray[np.intp]) -> Texts:
    """Take values by row, "" where the row is -1."""
    if len(values) == 0:
        return np.full(len(at), "", dtype=object)
    return np.where(at >= 0, _texts(values)[at], "").astype(object)


def _pipe_of(pipes: pd.DataFrame, inspections: pd.DataFrame) -> tuple[npt.NDArray[np.intp], Texts]:
    """Give the row of each run's pipe (-1 for none) and the tier of the match."""
    refs = inspections["pipe_ref"]
    at = places_in(refs, pipes["pipe_id"])
    by = np.where(at >= 0, "exact", "none").astype(object)
    unmatched = np.flatnonzero(at < 0)
    if not len(unmatched):
        return at.astype(np.intp), by
    near = _near_ids(pipes, refs.iloc[unmatched])
    single = np.full(len(refs), -1, dtype=np.intp)
    single[unmatched] = [places[0] if len(places) == 1 else -1 for places in near]
    # Where several ids are alike but for their form, the nodes may not settle it in silence.
    several = np.zeros(len(refs), dtype=bool)
    several[unmatched] = [len(places) > 1 for places in near]
    by_form = (at < 0) & (single >= 0)
    at, by = np.where(by_form, single, at), np.where(by_form, "normalised", by).astype(object)
    pairs = pd.Series(_pairs(_named(pipes["us_node"]), _named(pipes["ds_node"])))
    once = pairs[(pairs != "") & ~pairs.duplicated(keep=False)]
    wanted = _pairs(_named(inspections["start_node"]), _named(inspections["end_node"]))
    found = places_in(wanted, once)
    by_nodes = (at < 0) & (found >= 0) & (wanted != "") & ~several
    if by_nodes.any():
        at = np.where(by_nodes, once.index.to_numpy()[found], at)
        by[by_nodes] = "nodes"
    return at.astype(np.intp), by


def normalised(ids: pd.Series) -> pd.Series:
    """Give ids without what lists change in them: case, spaces, a trailing .0, leading zeros.

    ``nan`` and its kin, which a spreadsheet leaves of a blank, become "" and match nothing.
    """
    texts = ids.astype("str")
    held = pa.array(texts.array, type=pa.large_string())
    plain = compute.utf8_lower(held)
    for wrong, right in _IN_LISTS:
        plain = compute.replace_substring_regex(plain, wrong, right)
    odd = np.flatnonzero(~np.asarray(compute.string_is_ascii(held), dtype=bool))
    found = pd.Series(column_of(plain), texts.index)
    if len(odd):
        found.iloc[odd] = _plain_letters(texts.iloc[odd])
    return found.mask(found.isin(NO_ID), "")


def _plain_letters(texts: pd.Series) -> pd.Series:
    """Give ids as `normalised` does, whatever their letters and spaces are."""
    plain = texts.str.casefold().str.replace(r"\s+", "", regex=True)
    plain = plain.str.replace(r"\.0+$", "", regex=True)
    return plain.str.replace(r"^0+(?=.)", "", regex=True)


def _near_ids(pipes: pd.DataFrame, refs: pd.Series) -> list[list[int]]:
    """Give for each run the rows of the pipes whose ids are the same but for their form."""
    keys = normalised(refs).tolist()
    wanted = sorted(set(keys) - {""})
    places = _rows_by_word(normalised(pipes["pipe_id"]), wanted)
    return [places.get(key, []) for key in keys]


def _rows_by_word(texts: pd.Series | Texts, words: Sequence[str]) -> dict[str, list[int]]:
    """Give the rows that hold each of a few words."""
    found: dict[str, list[int]] = {}
    at = places_in(texts, words)
    for row in np.flatnonzero(at >= 0).tolist():
        found.setdefault(words[at[row]], []).append(row)
    return found


def _pairs(one: Texts, other: Texts) -> Texts:
    """Name each pair of nodes alike from either side; "" where a node is missing."""
    first, last = np.where(one <= other, one, other), np.where(one <= other, other, one)
    return np.where((one != "") & (other != ""), first + _BETWEEN + last, "").astype(object)


def _counter(ends: _Ends, direction: Texts) -> tuple[Marks, Marks, Texts]:
    """Say from which end the counter ran: by start node, else end node, else direction."""
    # A loop has one manhole: no counter node can tell its two ends apart.
    loop = (ends.us == ends.ds) & (ends.us != "")
    named_us, named_ds = ends.us != "", ends.ds != ""
    from_us = (ends.start != "") & (ends.start == ends.us) & ~loop
    from_ds = (ends.start != "") & (ends.start == ends.ds) & ~loop
    how = np.where(from_us | from_ds, "start", "").astype(object)
    open_start = (ends.start == "") & ~loop & named_us & named_ds
    by_end = open_start & (ends.end != "") & ((ends.end == ends.us) | (ends.end == ends.ds))
    from_us |= by_end & (ends.end == ends.ds)
    from_ds |= by_end & (ends.end == ends.us)
    how[by_end] = "end"
    by_way = open_start & (ends.end == "") & np.isin(direction, ["down", "up"])
    from_us |= by_way & (direction == "down")
    from_ds |= by_way & (direction == "up")
    how[by_way] = "direction"
    against = (how == "start") | (how == "end")
    against &= (from_us & (direction == "up")) | (from_ds & (direction == "down"))
    how = np.where(against, how + " against direction", how).astype(object)
    return from_us, from_ds, how


def _refusals(
    runs: pd.DataFrame, ends: _Ends, pipes: pd.DataFrame, at: npt.NDArray[np.intp]
) -> Texts:
    """Say why a run cannot be used; only the few refused ones are looked at one by one."""
    reasons = np.full(len(runs), "", dtype=object)
    unmatched, unproved = at < 0, (at >= 0) & (runs["counter_node"].to_numpy() == "")
    if not (unmatched | unproved).any():
        return reasons
    wanted = _pairs(ends.start, ends.end)
    keys = _pairs(_named(pipes["us_node"]), _named(pipes["ds_node"]))
    ids = _texts(pipes["pipe_id"])
    asked = sorted(set(wanted[unmatched | unproved].tolist()) - {""})
    others = {pair: [str(ids[row]) for row in rows]
              for pair, rows in _rows_by_word(keys, asked).items()}  # fmt: skip
    nameless = np.flatnonzero(unmatched)
    alike = _near_ids(pipes, runs["pipe_ref"].iloc[nameless])
    for i, places in zip(nameless, alike, strict=True):
        near = others.get(str(wanted[i]), []) if wanted[i] else []
        same = [str(ids[place]) for place in places]
        reasons[i] = _no_pipe(str(runs["pipe_ref"].iloc[i]), ends, int(i), near, same)
    for i in np.flatnonzero(unproved):
        near = [p for p in others.get(str(wanted[i]), []) if wanted[i]]
        reasons[i] = _no_counter(str(runs["pipe_id"].iloc[i]), ends, int(i), near)
    return reasons


def _no_pipe(ref: str, ends: _Ends, i: int, near: list[str], same: list[str]) -> str:
    ref = "" if ref.strip().casefold() in NO_ID else ref
    name = f"pipe '{ref}' is not in the network" if ref else "the run names no pipe"
    if same:
        return f"{name}; {', '.join(same)} are all the same but for zeros, spaces or case"
    if near:
        return f"{name}, and its manholes are joined by {len(near)} pipes: {', '.join(near)}"
    if ends.start[i] and ends.end[i]:
        return f"{name}, and no pipe joins {ends.start[i]} and {ends.end[i]}"
    return f"{name}, and it does not name both manholes"


def _no_counter(pipe_id: str, ends: _Ends, i: int, near: list[str]) -> str:
    us, ds = ends.us[i] or "no name", ends.ds[i] or "no name"
    if us == ds != "no name":
        return f"pipe {pipe_id} starts and ends at {us}: its ends cannot be told apart"
    if ends.start[i] and not ends.us[i] and not ends.ds[i]:
        return (
            "its pipe names no node, so at which end the run starts is not known; wanted us_node "
            "and ds_node of [pipes]"
        )
    if ends.start[i]:
        tail = f"; its manholes are those of {', '.join(near)}" if near else ""
        return f"the run starts at {ends.start[i]}, no end of pipe {pipe_id} ({us} to {ds}){tail}"
    return f"no start node and no direction: from which end of {pipe_id} the counter ran is unknown"


def _add_flags(
    runs: pd.DataFrame, refused: Texts, how: Texts, through: Marks, flags: Flags
) -> None:
    used = refused == ""
    tier = runs["matched_by"].to_numpy(dtype=object)
    for run in _rows(runs, used & (tier == "normalised")):
        what = (
            f"pipe '{run.pipe_ref}' taken as {run.pipe_id}: the same but for zeros, spaces or case"
        )
        flags.add(run.inspection_id, what)
    by_nodes = used & (tier == "nodes")
    for run in _rows(runs, by_nodes):
        ref = f"pipe '{run.pipe_ref}' is not in the network" if run.pipe_ref else "no pipe named"
        flags.add(run.inspection_id, f"{ref}: taken as {run.pipe_id} by its two manholes")
    for run in _rows(runs, used & is_among(how, ("end", "end against direction"))):
        flags.add(
            run.inspection_id,
            f"start node not named: the counter is taken from {run.counter_node}, "
            f"as the run ends at {run.end_node}",
        )
    for run in _rows(runs, used & (how == "direction")):
        flags.add(
            run.inspection_id,
            f"start node not proved: the counter is taken from {run.counter_node} by the "
            f"direction '{run.direction}'",
        )
    against = ("start against direction", "end against direction")
    for run in _rows(runs, used & is_among(how, against)):
        flags.add(
            run.inspection_id,
            f"direction '{run.direction}' contradicts the nodes: the counter ran from "
            f"{run.counter_node}, which counts",
        )
    for run in _rows(runs, through):
        flags.add(
            run.inspection_id,
            f"it runs towards {run.end_node}, which is not the other end of {run.pipe_id}: "
            "its length is not taken for the pipe's",
        )


def _rows(runs: pd.DataFrame, wanted: Marks) -> Iterator[Any]:
    return runs[list(_SAID)].iloc[np.flatnonzero(wanted)].itertuples(index=False)
