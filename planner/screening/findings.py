"""Rulings as rows of FINDINGS: one row for each rule, thing and subject.

What all rows of a ruling have in common is kept once and numbered; texts are written out
when the table is put together, in its order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

from planner.arrays import arrow_of, column_of, texts_of, worded
from planner.contracts import FINDINGS
from planner.order import ranks_of
from planner.screening.intervals import WORDS, YES, Answers
from planner.screening.ruling import Figures, Ruling, no_figures
from planner.tables import conform

Keys = npt.NDArray[np.object_]
Places = npt.NDArray[np.intp]
_BAR = pa.scalar("|", type=pa.large_string())


@dataclass(frozen=True)
class Rows:
    """What one ruling says of some things, as rows of `FINDINGS`.

    `keys` are the ids of all things of the view, `at` the places of those spoken of; `state`,
    `why` and `figures` have an entry for each of them.
    """

    about: str
    keys: Keys
    at: Places
    rule_id: str
    effect: str
    subject: str
    source: str
    standing: str
    state: Answers
    why: Keys
    figures: Figures

    @property
    def rest(self) -> str:
        """What the id of a row says after its thing."""
        return f"{self.rule_id}|{f'{self.effect} {self.subject}'.strip()}"


def rows_of(about: str, keys: Keys, rulings: Sequence[Ruling]) -> list[Rows]:
    """Write rulings as rows; `keys` are the ids of the things in the order of the view."""
    return [
        Rows(
            about,
            keys,
            one.rows,
            one.rule.id,
            one.effect,
            subject,
            one.rule.source,
            one.rule.standing,
            one.answer,
            one.why,
            one.figures,
        )
        for one in rulings
        for subject in _subjects(one)
    ]


def silent_rows(about: str, keys: Keys, effect: str, subject: str, why: Keys) -> list[Rows]:
    """Write what follows although no rule says it: `why` is '' where nothing does."""
    at = np.flatnonzero(why != "")
    if not len(at):
        return []
    sure, none = np.full(len(at), YES), no_figures(len(at))
    return [Rows(about, keys, at, "", effect, subject, "", "", sure, why[at], none)]


def findings_of(parts: Sequence[Rows]) -> pd.DataFrame:
    """Put the rows together as FINDINGS."""
    if not sum(len(part.at) for part in parts):
        return conform([], FINDINGS)
    of_part = np.repeat(np.arange(len(parts)), [len(part.at) for part in parts])
    keys, key = _keys(parts)
    order = _order(parts, of_part, keys, key)
    of_part, key = of_part[order], key[order]
    said: dict[str, pd.api.extensions.ExtensionArray] = {
        name: worded([getattr(part, name) for part in parts], of_part)
        for name in ("about", "rule_id", "effect", "subject", "source", "standing", "rest")
    }
    said["key"] = column_of(keys.take(pa.array(key)))
    said["state"] = worded(WORDS, np.concatenate([part.state for part in parts])[order])
    said["why"] = texts_of(np.concatenate([part.why for part in parts])[order])
    said["finding_id"] = column_of(
        compute.binary_join_element_wise(
            *(arrow_of(said[name]) for name in ("about", "key", "rest")), _BAR
        )
    )
    figures = [part.figures for part in parts]
    starts = np.cumsum([0, *(len(one.named) for one in figures)])[:-1]
    named = [column for one in figures for column in one.named]
    at = np.concatenate([one.at for one in figures])[order] + starts[of_part]
    said["column"] = worded([column for column, _ in named], at)
    said["unit"] = worded([unit for _, unit in named], at)
    ends = {
        name: np.concatenate([getattr(one, name) for one in figures])[order]
        for name in ("low", "high", "limit")
    }
    ends["limit"] = np.where(np.isfinite(ends["limit"]), ends["limit"], np.nan)
    return conform({**said, **ends}, FINDINGS)


def _keys(parts: Sequence[Rows]) -> tuple[pa.Array, Places]:
    """Give the ids of the things of all views once, and for each row which one it has."""
    views = list({id(part.keys): part.keys for part in parts}.values())
    starts = dict(zip(map(id, views), np.cumsum([0, *map(len, views)]), strict=False))
    keys = pa.array(np.concatenate(views), type=pa.large_string())
    return keys, np.concatenate([part.at + starts[id(part.keys)] for part in parts])


def _order(parts: Sequence[Rows], of_part: Places, keys: pa.Array, key: Places) -> Places:
    """Give the order of the table: by thing, then by what is said of it."""
    about = ranks_of([part.about for part in parts])
    rest = ranks_of([part.rest for part in parts])
    thing = about[of_part] * len(keys) + ranks_of(keys)[key]
    return np.argsort(thing * len(parts) + rest[of_part], kind="stable")


def _subjects(ruling: Ruling) -> tuple[str, ...]:
    if ruling.methods:
        return ruling.methods
    if ruling.effect == "first":
        return (ruling.rule.work or "look",)
    return (ruling.rule.level if ruling.effect in ("needs", "urgency") else "",)
