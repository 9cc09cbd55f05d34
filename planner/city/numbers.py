"""Ids as a whole run gives them, though each part is proposed alone.

A part numbers what is new on it from a base that no real id reaches. Fresh ids are given in
order of pipe_id first, and a pipe lies in one part: so the number of new things on each pipe
is all that is needed to say what number each one has in the whole city.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.arrays import column_of
from planner.city.filing import CityError
from planner.city.texts import Whole, flat_of, held_of, ids_in, numbers_at, with_numbers
from planner.ground.ids import PREFIX
from planner.inputs.inputs import HELD, Inputs
from planner.once import made_once
from planner.order import ranked, ranks_of
from planner.propose import Proposal
from planner.repairs.decide_spans import content_of, digest_of

KINDS = ("span", "sleeve")
OWN = (*HELD, "as_built", "measured")
"""Tables of `Inputs` that are a part's own rows."""
_BASES = tuple(n * 100_000_000 for n in range(9, 1, -1))


_MARKS = "".join(PREFIX[kind] for kind in KINDS)


def free_base(inputs: Inputs, decisions: pd.DataFrame, free: int = 0) -> int:
    """Give a number above which no id stands in any text of a part.

    Parameters
    ----------
    inputs, decisions
        Of the part.
    free
        What `free_in` gave of the part's own rows and decisions; 0 = they are looked at here.

    Raises
    ------
    CityError
        If texts are full of such numbers.
    """
    named = {one.name: getattr(inputs, one.name) for one in fields(inputs)}
    told = [f for name, f in named.items() if isinstance(f, pd.DataFrame) and name not in OWN]
    if free and free_in(told, (free,)):
        return free
    own = [*(getattr(inputs, name) for name in OWN), decisions]
    if found := free_in([*told, *own]):
        return found
    message = "the texts of a part name ids of nine digits of every kind: no number is free"
    raise CityError(message)


def free_in(frames: Iterable[pd.DataFrame], bases: Sequence[int] = _BASES) -> int:
    """Give the first of some numbers above which no id stands in any text; 0 = none is."""
    filled = [frame for frame in frames if len(frame)]
    return next((base for base in bases if not any(_is_taken(f, base) for f in filled)), 0)


def _is_taken(frame: pd.DataFrame, base: int) -> bool:
    """Tell whether a text names an id from `base` on; of a table that stays it is asked once."""

    def look() -> bool:
        plain = pd.DataFrame(frame)
        return any(
            len(ids_in(flat_of(plain[name].array), _MARKS, _first(base)))
            for name, kind in plain.dtypes.items()
            if kind == "str"
        )

    return made_once((frame,), ("taken", base), look)


def fresh_of(made: Proposal, base: int) -> pd.DataFrame:
    """Count the new ids of each pipe of a part: pipe_id, span, sleeve; in order of pipe_id."""
    spans, sleeves = made.tables["spans"], made.given
    given = {
        "span": (spans["pipe_id"], spans["span_id"]),
        "sleeve": (sleeves["pipe_id"], sleeves["id"]),
    }
    new = [pipes[_are_new(ids.array, base)] for pipes, ids in (given[kind] for kind in KINDS)]
    rank, pipes = ranked(pd.concat(new).array)
    first = len(new[0])
    of_kind = zip(KINDS, (rank[:first], rank[first:]), strict=True)
    counts = {kind: np.bincount(own, minlength=len(pipes)) for kind, own in of_kind}
    return pd.DataFrame({"pipe_id": column_of(pipes), **counts})


def _are_new(ids: Any, base: int) -> npt.NDArray[np.bool_]:  # noqa: ANN401 - any text column
    """Tell which ids of one kind were given above `base`."""
    flat = flat_of(ids)
    at = ids_in(flat, _MARKS, _first(base))
    at = at[numbers_at(flat, at) > base]
    new = np.zeros(len(flat.starts) - 1, dtype=bool)
    new[np.searchsorted(flat.starts, at, side="right") - 1] = True
    return new


def number_pipes(parts: Sequence[pd.DataFrame], highest: dict[str, int]) -> list[pd.DataFrame]:
    """Give for each pipe with new things how many were numbered before its own, part by part.

    Parameters
    ----------
    parts
        What `fresh_of` gave for each part; a pipe lies in one.
    highest
        The highest number ever given, by kind.

    Raises
    ------
    CityError
        If the city's numbers reach those that parts give what is new on them.
    """
    if not parts:
        return []
    sizes = np.array([len(part) for part in parts])
    fresh = pd.concat(list(parts), ignore_index=True)
    order = np.argsort(ranks_of(fresh["pipe_id"].array), kind="stable")
    fresh = fresh.iloc[order]
    out = {"pipe_id": fresh["pipe_id"].array}
    for kind in KINDS:
        given = highest[kind] + fresh[kind].cumsum().to_numpy()
        last = int(given.max(initial=highest[kind]))
        if last >= _BASES[-1]:
            message = (
                f"the ids of {kind}s run up to {last}, a city's must stay below {_BASES[-1]}; "
                "plan this project with: sleeveplan plan"
            )
            raise CityError(message)
        out[kind] = given - fresh[kind].to_numpy()
    numbers = pd.DataFrame(out)
    by_part = np.argsort(np.repeat(np.arange(len(parts)), sizes)[order], kind="stable")
    return [numbers.iloc[rows] for rows in np.split(by_part, np.cumsum(sizes)[:-1])]


@dataclass(frozen=True)
class Renumbering:
    """The ids of one part by the number that holds in the city.

    `numbers` has by mark the city's number of each id of the part, from ``base + 1`` on.
    """

    base: int
    numbers: Mapping[str, Whole]

    def texts(self, texts: Any) -> pa.Array | None:  # noqa: ANN401 - any text column
        """Put the city's ids into a text column; None where it names none of the part's."""
        flat = flat_of(texts)
        at = ids_in(flat, _MARKS, _first(self.base))
        if not len(at):
            return None
        own = numbers_at(flat, at) - self.base - 1
        city = np.full(len(at), -1, dtype=np.int64)
        for mark, numbers in self.numbers.items():
            of_mark = (flat.data[at] == ord(mark)) & (own >= 0) & (own < len(numbers))
            city[of_mark] = numbers[own[of_mark]]
        there = city >= 0
        if not there.any():
            return None
        return held_of(with_numbers(flat, at[there], city[there]))

    def table(self, held: pa.Table) -> pa.Table:
        """Put the city's ids into all texts of a table; its rows stay in their order."""
        for at, one in enumerate(held.schema):
            if not pa.types.is_large_string(one.type):
                continue
            texts = self._prints if one.name == "fingerprint" else self.texts
            found = texts(held[at])
            if found is not None:
                held = held.set_column(at, one, found)
        return held

    def _prints(self, prints: pa.ChunkedArray) -> pa.Array | None:
        """Put them into fingerprints, each of which has the digest of its text before it."""
        found = self.texts(prints)
        if found is None:
            return None
        pairs = zip(prints.to_pylist(), found.to_pylist(), strict=True)
        texts = [new if new == old else digest_of(content_of(new)) for old, new in pairs]
        return pa.array(texts, type=pa.large_string())


def renumbered(fresh: pd.DataFrame, first: pd.DataFrame, base: int) -> Renumbering:
    """Say which id of a part is which of the city.

    Parameters
    ----------
    fresh
        What `fresh_of` gave for the part.
    first
        The rows of these pipes from `number_pipes`.
    base
        As `free_base` gave it.
    """
    starts = first.set_index("pipe_id").loc[fresh["pipe_id"]]
    numbers = {}
    for kind in KINDS:
        counts = fresh[kind].to_numpy()
        before = np.cumsum(counts) - counts
        within = np.arange(int(counts.sum())) - np.repeat(before, counts)
        numbers[PREFIX[kind]] = np.repeat(starts[kind].to_numpy(), counts) + 1 + within
    return Renumbering(base, numbers)


def _first(base: int) -> int:
    return int(str(base)[0])
