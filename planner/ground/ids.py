"""Ids that stay with a thing from run to run, given where each table is born.

A thing is known again by its place, never by its row: a decision on a span stays
attached when a file is read in another order or one observation more turns up.
The store keeps every id ever given; one that found no heir this time is kept as
well (``live`` is False), so a file left out by mistake takes no decision with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from operator import itemgetter
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

from planner.arrays import column_of, texts_of
from planner.coded_text import Coded, Columns
from planner.contracts.books import IDS, SETUP_IDS
from planner.distinct import is_among, matches
from planner.errors import TableError
from planner.order import order_by
from planner.tables import conform, empty

PREFIX: dict[str, str] = {"span": "D", "sleeve": "S", "work": "W", "setup": "U"}
LOST_COLUMNS = ("kind", "id", "pipe_id")
# Overlaps closer than a hundredth of a millimetre are ties: no id hangs on float noise.
_DECIMALS = 5
_BETWEEN = "\x1f"
_DIGITS = 6


@dataclass(frozen=True)
class KnownIds:
    """Ids given in earlier runs.

    `table` obeys `IDS`: kind, id, pipe_id, from_m, to_m [m], step, live. `highest` is
    the highest number ever given by kind. `setup_works` obeys `SETUP_IDS`: which
    works each earlier set-up held, and at which node.
    """

    table: pd.DataFrame
    highest: Mapping[str, int]
    setup_works: pd.DataFrame = field(default_factory=lambda: empty(SETUP_IDS))


NOTHING_KNOWN = KnownIds(empty(IDS), {})
"""What is known before the first run."""


def give_ids(
    rows: pd.DataFrame, known: KnownIds, kind: str, find_m: float | pd.Series
) -> tuple[pd.Series, pd.DataFrame]:
    """Give each of `rows` the id of its earlier self, or a fresh one.

    Pairs of one pipe, one kind and one step whose extents, widened by `find_m` at
    each end, overlap by half of the shorter are matched one to one: by largest
    overlap, then by the most similar extents (so a long condition over a short
    damage takes no id from it), then from_m, then old id. Ids that were live in the
    last run go first. Fresh ids are numbered in order of pipe_id, from_m, to_m, step.

    Parameters
    ----------
    rows
        pipe_id, from_m, to_m [m] and, where things of unlike nature may lie at one
        place, step: only equal steps are matched (for a span: its role, or a
        condition's mechanism).
    known
        What earlier runs gave.
    kind
        A key of `PREFIX`.
    find_m
        Doubt of finding a place again [m]; one figure, or one for each row.

    Returns
    -------
    ids, lost
        Ids on the index of `rows`; every earlier id without an heir (kind, id, pipe_id).

    Raises
    ------
    TableError
        If a row has no place, or two rows carry the same index.
    """
    given, lost = ids_of(_placed(rows, find_m), known, kind)
    return pd.Series(given, rows.index, name="id"), lost


def ids_of(
    new: Columns, known: KnownIds, kind: str
) -> tuple[pd.arrays.ArrowStringArray, pd.DataFrame]:
    """Give rows ids as `give_ids` does.

    Parameters
    ----------
    new
        pipe_id, from_m, to_m [m], find_m [m] and step, as `coded_text.Columns`.
    known, kind
        As for `give_ids`.

    Returns
    -------
    ids, lost
        A text column; every earlier id without an heir.

    Raises
    ------
    TableError
        If a row has no place.
    """
    _check_places(new)
    count = len(new["from_m"])
    of_kind = known.table["kind"].to_numpy(dtype=object) == kind
    old = {name: known.table[name].to_numpy()[of_kind] for name in IDS.names}
    taken: dict[int, str] = {}
    if len(old["id"]) and count:
        was_live = old["live"].astype(bool)
        for live in (True, False):
            part = {name: values[was_live == live] for name, values in old.items()}
            free = np.array([at not in taken for at in range(count)], dtype=bool)
            _match(new, np.flatnonzero(free), part, taken)
    open_ = np.ones(count, dtype=bool)
    open_[list(taken)] = False
    left = np.flatnonzero(open_)
    keys = [new["pipe_id"].ordered().codes, new["from_m"], new["to_m"], new["step"].ordered().codes]
    order = left[order_by([key[left] for key in keys])] if len(left) else left
    both = [_fresh(len(order), known, kind), pa.array(taken.values(), pa.large_string())]
    place = np.empty(count, dtype=np.int64)
    place[np.concatenate([order, np.array(list(taken), dtype=np.int64)])] = np.arange(count)
    given = column_of(pa.concat_arrays(both).take(pa.array(place)))
    return given, _lost(old, given.tolist() if len(old["id"]) else ())


@dataclass(frozen=True)
class Fresh:
    """New ids from `first` on, written for whoever asks; no earlier one was lost."""

    first: int
    count: int
    kind: str

    @property
    def lost(self) -> pd.DataFrame:
        """Earlier ids without an heir: none."""
        return _none_lost().copy(deep=False)

    def written(self) -> pd.arrays.ArrowStringArray:
        """Write them out, as a text column."""
        return column_of(_written(self.first, self.count, self.kind))


def fresh_ids(new: Columns, known: KnownIds, kind: str) -> Fresh | None:
    """Give what `ids_of` gives to rows that stand in order of pipe_id, from_m, to_m and step.

    Parameters
    ----------
    new
        from_m, to_m, find_m [m].
    known, kind
        As for `give_ids`.

    Returns
    -------
    fresh
        Ids that rise with the rows, as texts too; None where that is not so: something of this
        kind is known already, or the numbers grow a digit.

    Raises
    ------
    TableError
        If a row has no place.
    """
    if len(known.table) and (known.table["kind"].to_numpy(dtype=object) == kind).any():
        return None
    _check_places(new)
    first, count = highest_of(known, kind) + 1, len(new["from_m"])
    digits = {len(str(number).zfill(_DIGITS)) for number in (first, first + max(count - 1, 0))}
    return Fresh(first, count, kind) if len(digits) == 1 else None


def _check_places(new: Columns) -> None:
    """Raise where a row has no place."""
    good = [np.isfinite(new[name]) for name in ("from_m", "to_m", "find_m")]
    if not all(one.all() for one in good):
        bad = ~np.logical_and.reduce(good)
        message = f"give_ids: {int(bad.sum())} rows without a place, e.g. row {int(bad.argmax())}"
        raise TableError(message)


def _placed(rows: pd.DataFrame, find_m: float | pd.Series) -> Columns:
    """Lay out `rows` by position in columns of their own, checked."""
    if not rows.index.is_unique:
        message = "give_ids: two rows carry the same index"
        raise TableError(message)
    count = len(rows)
    stepped = "step" in rows.columns
    return {
        "pipe_id": Coded.of(texts_of(rows["pipe_id"].array)),
        "from_m": rows["from_m"].to_numpy(dtype=float),
        "to_m": rows["to_m"].to_numpy(dtype=float),
        "step": Coded.of(texts_of(rows["step"].array)) if stepped else Coded.one("", count),
        "find_m": find_m.loc[rows.index].to_numpy(float)
        if isinstance(find_m, pd.Series)
        else np.full(count, float(find_m)),
    }


def _match(
    new: Columns, free: npt.NDArray[np.intp], old: dict[str, Any], taken: dict[int, str]
) -> None:
    """Pair the `free` rows of `new` with `old` one to one and note the pairs in `taken`."""
    if not len(free) or not len(old["id"]):
        return
    both = [new["pipe_id"][free].tolist(), new["step"][free].tolist()]
    names = [pipe + _BETWEEN + step for pipe, step in zip(*both, strict=True)]
    some, was = matches(names, old["pipe_id"] + _BETWEEN + old["step"])
    at = free[some]
    wide = 2.0 * new["find_m"][at]
    start, end, start_old, end_old = (
        part[name][rows] for part, rows in ((new, at), (old, was)) for name in ("from_m", "to_m")
    )
    shared = wide + np.minimum(end, end_old)
    shared -= np.maximum(start, start_old)
    size, size_old = end - start + wide, end_old - start_old + wide
    # As both are widened alike, the length outside the shared part says how unlike they are.
    unlike = (size + size_old - 2.0 * shared).round(_DECIMALS)
    shared = shared.round(_DECIMALS)
    enough = shared >= (0.5 * np.minimum(size, size_old)).round(_DECIMALS)
    keep = np.flatnonzero(enough & (shared >= 0.0))
    if not len(keep):
        return
    ids = old["id"][was]
    order = keep[order_by([one[keep] for one in (-shared, unlike, start, ids, end, at)])]
    used: set[str] = set()
    for place, old_id in zip(at[order].tolist(), ids[order], strict=True):
        if place not in taken and old_id not in used:
            taken[place] = str(old_id)
            used.add(old_id)


def _fresh(count: int, known: KnownIds, kind: str) -> pa.Array:
    """Give the next `count` ids of `kind`, above the highest ever given."""
    return _written(highest_of(known, kind) + 1, count, kind)


def _written(first: int, count: int, kind: str) -> pa.Array:
    """Write `count` ids of `kind` from a number on."""
    numbers = pa.array(np.arange(first, first + count)).cast(pa.large_string())
    before, nothing = (pa.scalar(text, pa.large_string()) for text in (f"{PREFIX[kind]}-", ""))
    digits = compute.utf8_lpad(numbers, width=_DIGITS, padding="0")
    return compute.binary_join_element_wise(before, digits, nothing)


def highest_of(known: KnownIds, kind: str) -> int:
    """Give the highest number that was ever given to a thing of `kind`, 0 for none."""
    return highest_in(known, (kind,))[kind]


def highest_in(known: KnownIds, kinds: Iterable[str]) -> dict[str, int]:
    """Give the highest number that was ever given to a thing of each kind, 0 for none."""
    there = highest_by_kind(known.table) if len(known.table) else {}
    return {kind: max(known.highest.get(kind, 0), there.get(kind, 0)) for kind in kinds}


def highest_by_kind(table: pd.DataFrame) -> dict[str, int]:
    """Give the highest number among the ids of each kind in a table that obeys `IDS`.

    Raises
    ------
    ValueError
        If an id ends in no number.
    """
    ids, kinds = (pa.array(table[name].array, pa.large_string()) for name in ("id", "kind"))
    tails = compute.replace_substring_regex(ids, pattern="(?s)^.*-", replacement="")
    numbers = np.asarray(tails.cast(pa.int64()))
    coded = Coded.of(kinds)
    highest = np.zeros(len(coded.words), dtype=np.int64)
    np.maximum.at(highest, coded.codes, numbers)
    return dict(sorted(zip(coded.listed(), highest.tolist(), strict=True)))


def number_of(one_id: str) -> int:
    """Give the number within an id, e.g. 12 for ``S-000012``."""
    return int(one_id.rpartition("-")[2])


def _lost(old: Mapping[str, Any], heirs: Iterable[str]) -> pd.DataFrame:
    heirs = set(heirs)
    rows = zip(*(old[name].tolist() for name in LOST_COLUMNS), strict=True)
    gone = sorted((row for row in rows if row[1] not in heirs), key=itemgetter(1))
    if not gone:
        return _none_lost().copy(deep=False)
    columns = zip(*gone, strict=True)
    return pd.DataFrame(
        {name: texts_of(list(values)) for name, values in zip(LOST_COLUMNS, columns, strict=True)}
    )


@lru_cache(maxsize=1)
def _none_lost() -> pd.DataFrame:
    return pd.DataFrame({name: texts_of([]) for name in LOST_COLUMNS})


def give_setup_ids(
    setups: pd.DataFrame, known_setup_works: pd.DataFrame, known: KnownIds
) -> tuple[pd.Series, pd.DataFrame]:
    """Give each set-up the id of the earlier one of its node that shares most works with it.

    Parameters
    ----------
    setups
        node_id and works: ids of its works, '+' between.
    known_setup_works
        Obeys `SETUP_IDS`, e.g. ``known.setup_works``.
    known
        What earlier runs gave; for a set-up its pipe_id names the node.

    Returns
    -------
    ids, lost
        Ids on the index of `setups`; every earlier id without an heir.
    """
    frame = pd.DataFrame(
        {
            "at": np.arange(len(setups)),
            "node_id": setups["node_id"].to_numpy(dtype=object),
            "works": setups["works"].to_numpy(dtype=object),
        }
    )
    taken = _match_setups(frame, known_setup_works)
    order = frame[~frame["at"].isin(taken)].sort_values(["node_id", "works", "at"], kind="stable")
    taken.update(zip(order["at"], _fresh(len(order), known, "setup").to_pylist(), strict=True))
    ids = pd.Series([taken[at] for at in range(len(setups))], setups.index, "str", name="id")
    old = known.table[known.table["kind"] == "setup"]
    return ids, _lost({name: old[name] for name in LOST_COLUMNS}, taken.values())


def _match_setups(frame: pd.DataFrame, known_works: pd.DataFrame) -> dict[int, str]:
    """Pair set-ups of one node by the number of works they share."""
    one_each = frame.assign(work_id=frame["works"].str.split("+")).explode("work_id")
    both = one_each.merge(known_works.astype(object), on=["node_id", "work_id"])
    shared = both.groupby(["at", "setup_id"], sort=True).size().rename("shared").reset_index()
    shared = shared.merge(frame[["at", "works"]], on="at").sort_values(
        ["shared", "setup_id", "works", "at"], ascending=[False, True, True, True], kind="stable"
    )
    taken: dict[int, str] = {}
    used: set[str] = set()
    for at, old_id in zip(shared["at"], shared["setup_id"], strict=True):
        if at not in taken and old_id not in used:
            taken[int(at)] = str(old_id)
            used.add(old_id)
    return taken


def learn(known: KnownIds, kind: str, rows: pd.DataFrame, ids: pd.Series) -> KnownIds:
    """Give what is known after `rows` of `kind` got `ids`: the next run starts from it.

    Parameters
    ----------
    known
        What was known before.
    kind
        A key of `PREFIX`.
    rows
        What `give_ids` was given (for set-ups: node_id and works).
    ids
        Ids on the index of `rows`.

    Returns
    -------
    known
        Earlier ids without an heir stay, no longer live; `highest` never falls.
    """
    setup = kind == "setup"
    given = ids.loc[rows.index].to_numpy(dtype=object)
    count = len(given)
    now = {
        "kind": np.full(count, kind, dtype=object),
        "id": given,
        "pipe_id": rows["node_id" if setup else "pipe_id"].to_numpy(dtype=object),
        "from_m": np.zeros(count) if setup else rows["from_m"].to_numpy(dtype=float),
        "to_m": np.zeros(count) if setup else rows["to_m"].to_numpy(dtype=float),
        "step": rows["step"].to_numpy(dtype=object)
        if "step" in rows.columns and not setup
        else np.full(count, "", dtype=object),
        "live": np.ones(count, dtype=bool),
    }
    was = {name: known.table[name].to_numpy() for name in IDS.names}
    other = np.asarray(was["kind"] != kind, dtype=bool)
    kept = other | ~is_among(known.table["id"], given)
    was["live"] = other & was["live"].astype(bool)
    data = {name: np.concatenate([was[name][kept], now[name]]) for name in IDS.names}
    table = conform(data, IDS)
    highest = dict(known.highest)
    numbers = [number_of(one) for one in given]
    highest[kind] = max([highest_of(known, kind), *numbers])
    works = _learn_works(known, rows, ids) if setup else known.setup_works
    return KnownIds(table, highest, works)


def _learn_works(known: KnownIds, rows: pd.DataFrame, ids: pd.Series) -> pd.DataFrame:
    now = pd.DataFrame(
        {
            "setup_id": ids.loc[rows.index].to_numpy(dtype=object),
            "node_id": rows["node_id"].to_numpy(dtype=object),
            "work_id": rows["works"].str.split("+").to_numpy(dtype=object),
        }
    ).explode("work_id")
    kept = known.setup_works[~known.setup_works["setup_id"].isin(now["setup_id"])]
    parts = [part.astype(object) for part in (kept, now) if len(part)]
    return conform(pd.concat(parts) if parts else [], SETUP_IDS)
