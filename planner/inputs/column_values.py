"""Columns of coded rows that are told by what stands in them; only ever proposed.

A name that nobody foresaw hides a column from `column_names`, its values do not: names of
pipes that the network has, days, marks of stretches. Nothing is taken by its values.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd

from planner.errors import shown
from planner.inputs.cells import is_empty, read_date

# S01 and F01 start and finish a stretch in the PACP family; 1 and 01 are one number.
STRETCH_MARK = re.compile(r"([ABCSF])0*(\d{1,6})", re.IGNORECASE)
_SLASHED = re.compile(r"\d{1,2}/\d{1,2}/\d{4}(?:[ T]\d{1,2}:\d{2}.*)?")
# So much of a column must be of its kind; of names fewer will do, as some are misspelt.
_MOST, _SOME = 0.9, 0.5


@dataclass(frozen=True)
class Candidate:
    """A column that could be one of ours, and what in it says so."""

    ours: str
    theirs: str
    why: str

    def __str__(self) -> str:
        return f"{shown(self.theirs)} ({self.why})"

    @property
    def line(self) -> str:
        """The line of ``planner.toml`` that takes it."""
        return f"{self.ours} = {json.dumps(self.theirs, ensure_ascii=False)}"


def candidates_of(
    columns: dict[str, pd.Series], wanted: Collection[str], pipe_ids: Collection[str]
) -> list[Candidate]:
    """Find columns that could be ours by their values.

    Parameters
    ----------
    columns
        Cells by the name of the column, of those that none of ours is taken from.
    wanted
        Our columns that the file is not seen to have.
    pipe_ids
        Ids of the network.

    Returns
    -------
    candidates
        For pipe_id those in which half of the names and more are pipes, the best first; for
        date and stretch a column that alone is of its kind.
    """
    values = {
        name: [text.strip() for text in cells.unique().tolist() if not is_empty(text)]
        for name, cells in columns.items()
    }
    found: list[Candidate] = []
    if "pipe_id" in wanted:
        found += _pipe_columns(values, {one.casefold() for one in pipe_ids})
    named = {one.theirs for one in found}
    for ours, what, fits in (("date", "days", _days), ("stretch", "marks of stretches", _marks)):
        if ours not in wanted:
            continue
        count = {name: fits(texts) for name, texts in values.items() if texts and name not in named}
        fit = [name for name, good in count.items() if good >= _MOST * len(values[name])]
        if len(fit) == 1:
            why = f"{count[fit[0]]} of its {len(values[fit[0]])} values are {what}"
            found.append(Candidate(ours, fit[0], why))
    return found


def _pipe_columns(values: dict[str, list[str]], known: set[str]) -> list[Candidate]:
    fit = []
    for name, texts in values.items():
        met = sum(text.casefold() in known for text in texts)
        if met and met >= _SOME * len(texts):
            why = f"{met} of its {len(texts)} names are pipes of the network"
            fit.append((-met / len(texts), -met, Candidate("pipe_id", name, why)))
    return [one for _, _, one in sorted(fit, key=lambda each: each[:2])]


def _days(texts: list[str]) -> int:
    return sum(bool(read_date(text) or _SLASHED.fullmatch(text)) for text in texts)


def _marks(texts: list[str]) -> int:
    """Count marks of stretches that are both begun and ended; others prove nothing."""
    parts = [found for text in texts if (found := STRETCH_MARK.fullmatch(text))]
    begun = {found[2] for found in parts if found[1].upper() in "AS"}
    ended = {found[2] for found in parts if found[1].upper() in "BF"}
    return sum(found[2] in begun & ended for found in parts)
