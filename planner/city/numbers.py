"""Ids as a whole run gives them, though each part is proposed alone.

A part numbers what is new on it from a base that no real id reaches. Fresh ids are given in
order of pipe_id first, and a pipe lies in one part: so the number of new things on each pipe
is all that is needed to say what number each one has in the whole city.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from planner.city.filing import CityError
from planner.ground.ids import PREFIX, number_of
from planner.inputs.project import Inputs
from planner.propose import Proposal
from planner.repairs.decide_spans import content_of, digest_of
from planner.tables import Table, conform

KINDS = ("span", "sleeve")
_BASES = tuple(n * 100_000_000 for n in range(9, 1, -1))


def _pattern(base: int) -> str:
    return rf"\b[{PREFIX['span']}{PREFIX['sleeve']}]-{str(base)[0]}\d{{8}}\b"


def free_base(inputs: Inputs, decisions: pd.DataFrame) -> int:
    """Give a number above which no id stands in any text of a part.

    Raises
    ------
    CityError
        If texts are full of such numbers.
    """
    frames = [getattr(inputs, one.name) for one in fields(inputs)] + [decisions]
    texts = [frame[name] for frame in frames if isinstance(frame, pd.DataFrame)
             for name in frame.columns if frame[name].dtype == "str" and len(frame)]  # fmt: skip
    for base in _BASES:
        pattern = _pattern(base)
        if not any(column.str.contains(pattern, regex=True).any() for column in texts):
            return base
    message = "the texts of a part name ids of nine digits of every kind: no number is free"
    raise CityError(message)


def fresh_of(made: Proposal, base: int) -> pd.DataFrame:
    """Count the new ids of each pipe of a part: pipe_id, span, sleeve; in order of pipe_id."""
    spans = made.tables["spans"][["span_id", "pipe_id"]].rename(columns={"span_id": "id"})
    given = {"span": spans, "sleeve": made.given}
    counts = {}
    for kind, rows in given.items():
        new = np.array([number_of(one) > base for one in rows["id"]], dtype=bool)
        counts[kind] = rows["pipe_id"][new].value_counts()
    out = pd.DataFrame(counts).fillna(0).astype("int64").sort_index()
    return out.rename_axis("pipe_id").reset_index().astype({"pipe_id": "str"})


def number_pipes(parts: Iterable[pd.DataFrame], highest: dict[str, int]) -> pd.DataFrame:
    """Give for each pipe with new things how many were numbered before its own.

    Parameters
    ----------
    parts
        What `fresh_of` gave for each part.
    highest
        The highest number ever given, by kind.
    """
    fresh = pd.concat(list(parts), ignore_index=True)
    fresh = fresh.iloc[np.argsort(fresh["pipe_id"].to_numpy(dtype=object), kind="stable")]
    out = {"pipe_id": fresh["pipe_id"].array}
    for kind in KINDS:
        out[kind] = highest[kind] + fresh[kind].cumsum().to_numpy() - fresh[kind].to_numpy()
    return pd.DataFrame(out)


@dataclass(frozen=True)
class Renumbering:
    """The ids of one part by the number that holds in the city."""

    ids: dict[str, str]
    pattern: re.Pattern[str]

    def text(self, text: str) -> str:
        """Put the city's ids into a text."""
        return self.pattern.sub(lambda found: self.ids.get(found[0], found[0]), text)

    def frame(self, frame: pd.DataFrame, table: Table) -> pd.DataFrame:
        """Put the city's ids into all texts of a table."""
        changed: dict[str, Any] = {}
        for name in frame.columns if self.ids and len(frame) else ():
            if frame[name].dtype != "str":
                continue
            values = frame[name].to_numpy(dtype=object)
            at = np.flatnonzero(
                frame[name].str.contains(self.pattern.pattern, regex=True).to_numpy(dtype=bool)
            )
            if len(at):
                one = self._print if name == "fingerprint" else self.text
                values = values.copy()
                values[at] = [one(text) for text in values[at]]
                changed[name] = pd.Series(values, frame.index, dtype="str")
        return conform(frame.assign(**changed), table) if changed else frame

    def _print(self, print_: str) -> str:
        """Put them into a fingerprint, which has the digest of its text before it."""
        return digest_of(self.text(content_of(print_)))


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
    ids: dict[str, str] = {}
    for kind in KINDS:
        counts = fresh[kind].to_numpy()
        own = base + 1 + np.arange(int(counts.sum()))
        before = np.cumsum(counts) - counts
        within = np.arange(int(counts.sum())) - np.repeat(before, counts)
        city = np.repeat(starts[kind].to_numpy(), counts) + 1 + within
        mark = PREFIX[kind]
        ids |= {f"{mark}-{a:06d}": f"{mark}-{b:06d}"
                for a, b in zip(own.tolist(), city.tolist(), strict=True)}  # fmt: skip
    return Renumbering(ids, re.compile(_pattern(base)))
