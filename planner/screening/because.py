"""Sentences with figures in them: ``{name}`` or ``{name:.Nf}``, and nothing else.

The text of a rule is split once, at load. What is filled in is never read again, so a
brace in a file's text stays a brace.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.distinct import first_rows, groups_of
from planner.order import FEW
from planner.screening.columns import Seen, View

_FIELD = re.compile(r"\{([a-z_][a-z0-9_]*)(?::\.([0-4])f)?\}")
NOT_KNOWN = "not known"
_AGE, _OLD = "survey_age_months", " months old"
_NOT_RECKONED = "of an age not reckoned (set first_day in planner.toml)"
# Where a person would state what is not known, for what is asked of most projects.
_STATED_IN = {"dn_mm": f"{NOT_KNOWN} (pipe layer)"}

Texts = npt.NDArray[np.object_]
Places = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Field:
    """One column to be filled in; `decimals` None prints the figure as short as it is."""

    column: str
    decimals: int | None


@dataclass(frozen=True)
class Sentence:
    """A text in pieces: plain text and fields in turn."""

    pieces: tuple[str | Field, ...]


def parse(text: str, seen: Mapping[str, Seen]) -> Sentence:
    """Split `text` into plain text and fields.

    Raises
    ------
    ValueError
        For a column that is not to be seen, decimals of a text, or any other brace.
    """
    pieces: list[str | Field] = []
    at = 0
    for found in _FIELD.finditer(text):
        pieces += [text[at : found.start()], _field(found[1], found[2], seen)]
        at = found.end()
    pieces.append(text[at:])
    if any("{" in piece or "}" in piece for piece in pieces if isinstance(piece, str)):
        message = "a brace may only hold {column} or {column:.Nf} with N from 0 to 4"
        raise ValueError(message)
    return Sentence(tuple(piece for piece in pieces if piece))


def _field(column: str, decimals: str | None, seen: Mapping[str, Seen]) -> Field:
    if column not in seen:
        message = f"unknown column {{{column}}}"
        raise ValueError(message)
    if decimals is not None and seen[column].kind not in ("interval", "number"):
        message = f"{{{column}}} is no figure and has no decimals"
        raise ValueError(message)
    return Field(column, None if decimals is None else int(decimals))


def without_age(sentence: Sentence) -> Sentence:
    """Give the sentence as it reads where no first day is set, so that no age is reckoned."""
    out: list[str | Field] = []
    for piece in sentence.pieces:
        before = out[-1] if out else ""
        aged = isinstance(before, Field) and before.column == _AGE
        if aged and isinstance(piece, str) and piece.startswith(_OLD):
            out[-1:] = [_NOT_RECKONED, piece.removeprefix(_OLD)]
        else:
            out.append(piece)
    return Sentence(tuple(piece for piece in out if piece))


def fill(sentence: Sentence, view: View, rows: Places) -> Texts:
    """Write the sentence for each of `rows` of the view."""
    out = np.full(len(rows), "", dtype=object)
    for piece in sentence.pieces:
        out = out + (piece if isinstance(piece, str) else _values(piece, view, rows))
    return out


def _values(piece: Field, view: View, rows: Places) -> Texts:
    kind = view.seen[piece.column].kind
    blank = view.blank(piece.column)[rows]
    not_known = _STATED_IN.get(piece.column, NOT_KNOWN)
    if kind in ("interval", "number"):
        low, high = (ends[rows] for ends in view.interval(piece.column))
        return np.where(blank, not_known, _figures(low, high, blank, piece.decimals))
    if kind == "flag":
        values = np.where(view.flags(piece.column)[rows], "yes", "no").astype(object)
    else:
        unlike, where = view.coded(piece.column)
        values = unlike[where[rows]]
    return np.where(blank, not_known, values)


def _figures(
    low: npt.NDArray[np.float64],
    high: npt.NDArray[np.float64],
    blank: npt.NDArray[np.bool_],
    decimals: int | None,
) -> Texts:
    """Write intervals; of many each that occurs is written once."""
    low, high = low + 0.0, high + 0.0  # of both noughts one: which came first must not show
    where = first = np.arange(len(low))
    if len(low) > FEW:
        where, count = groups_of([pd.Series(low), pd.Series(high), pd.Series(blank)])
        first = first_rows(where, count)
    unlike = zip(low[first].tolist(), high[first].tolist(), blank[first].tolist(), strict=True)
    words = [_figure(least, most, decimals) if not no else NOT_KNOWN for least, most, no in unlike]
    return np.asarray(words, dtype=object)[where]


def _figure(low: float, high: float, decimals: int | None) -> str:
    def write(value: float) -> str:
        return f"{value:g}" if decimals is None else f"{value:.{decimals}f}"

    if low == high:
        return write(low)
    if np.isinf(high):
        return f"{write(low)} or more"
    return f"up to {write(high)}" if low <= 0 else f"{write(low)} to {write(high)}"
