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
Worded = tuple[Places, list[str]]
"""Which text each row has, and the texts."""


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
    where, texts = filled(sentence, view, rows)
    return np.asarray(texts, dtype=object)[where]


def filled(sentence: Sentence, view: View, rows: Places) -> Worded:
    """Write the sentence once for all of `rows` that read alike.

    Returns
    -------
    where, texts
        The number of each row's text, and the texts; of few rows equal ones may stand twice.
    """
    pieces = [
        piece if isinstance(piece, str) else _values(piece, view, rows) for piece in sentence.pieces
    ]
    where, first = _alike([piece[0] for piece in pieces if not isinstance(piece, str)], len(rows))
    parts = [
        [piece] * len(first)
        if isinstance(piece, str)
        else [piece[1][at] for at in piece[0][first].tolist()]
        for piece in pieces
    ]
    return where, list(map("".join, zip(*parts, strict=True))) if parts else [""] * len(first)


def _alike(fields: list[Places], count: int) -> tuple[Places, Places]:
    """Give rows a number by what they hold in all fields, and the first row of each number."""
    if not fields:
        return np.zeros(count, dtype=np.intp), np.arange(min(count, 1))
    if count <= FEW:
        return np.arange(count), np.arange(count)
    where, number = groups_of(fields)
    return where, first_rows(where, number)


def _values(piece: Field, view: View, rows: Places) -> Worded:
    """Give the words of one field, and which each row has."""
    kind = view.seen[piece.column].kind
    blank = view.blank(piece.column)[rows]
    not_known = _STATED_IN.get(piece.column, NOT_KNOWN)
    if kind in ("interval", "number"):
        low, high = (ends[rows] for ends in view.interval(piece.column))
        where, words = _figures(low, high, blank, piece.decimals)
    elif kind == "flag":
        where, words = view.flags(piece.column)[rows].astype(np.intp), ["no", "yes"]
    else:
        unlike, at = view.coded(piece.column)
        where, words = at[rows], unlike.tolist()
    if not blank.any():
        return where, words
    return np.where(blank, len(words), where), [*words, not_known]


def _figures(
    low: npt.NDArray[np.float64],
    high: npt.NDArray[np.float64],
    blank: npt.NDArray[np.bool_],
    decimals: int | None,
) -> Worded:
    """Write intervals; of many each that occurs is written once."""
    low, high = low + 0.0, high + 0.0  # of both noughts one: which came first must not show
    where = first = np.arange(len(low))
    if len(low) > FEW:
        ends = [low] if (blank | (low == high)).all() else [low, high]
        where, count = groups_of([np.where(blank, np.nan, one) for one in ends])
        first = first_rows(where, count)
    unlike = zip(low[first].tolist(), high[first].tolist(), blank[first].tolist(), strict=True)
    return where, [
        NOT_KNOWN if no else _figure(least, most, decimals) for least, most, no in unlike
    ]


def _figure(low: float, high: float, decimals: int | None) -> str:
    def write(value: float) -> str:
        return f"{value:g}" if decimals is None else f"{value:.{decimals}f}"

    if low == high:
        return write(low)
    if np.isinf(high):
        return f"{write(low)} or more"
    return f"up to {write(high)}" if low <= 0 else f"{write(low)} to {write(high)}"
