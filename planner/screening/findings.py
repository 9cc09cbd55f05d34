"""Rulings as rows of FINDINGS: one row for each rule, thing and subject."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import FINDINGS
from planner.screening.intervals import WORDS
from planner.screening.ruling import Ruling
from planner.tables import conform

Keys = npt.NDArray[np.object_]
_WORDS = np.asarray(WORDS, dtype=object)


Rows = dict[str, Any]
"""Some rows of `FINDINGS`: a column is an array, or one value for all of them."""


def rows_of(about: str, keys: Keys, rulings: Sequence[Ruling]) -> list[Rows]:
    """Write rulings as rows; `keys` are the ids of the things in the order of the view."""
    parts = []
    for ruling in rulings:
        rule = ruling.rule
        named = keys[ruling.rows]
        for subject in _subjects(ruling):
            figures = ruling.figures
            parts.append(
                {
                    "finding_id": _ids(about, named, rule.id, f"{ruling.effect} {subject}"),
                    "about": about,
                    "key": named,
                    "rule_id": rule.id,
                    "effect": ruling.effect,
                    "subject": subject,
                    "state": _WORDS[ruling.answer],
                    "column": figures.column,
                    "low": figures.low,
                    "high": figures.high,
                    "limit": np.where(np.isfinite(figures.limit), figures.limit, np.nan),
                    "unit": figures.unit,
                    "why": ruling.why,
                    "source": rule.source,
                    "standing": rule.standing,
                }
            )
    return parts


def silent_rows(about: str, keys: Keys, effect: str, subject: str, why: Keys) -> list[Rows]:
    """Write what follows although no rule says it: `why` is '' where nothing does."""
    said = why != ""
    if not said.any():
        return []
    return [
        {
            "finding_id": _ids(about, keys[said], "", f"{effect} {subject}"),
            "about": about,
            "key": keys[said],
            "effect": effect,
            "subject": subject,
            "state": "yes",
            "why": why[said],
        }
    ]


def findings_of(parts: Sequence[Rows]) -> pd.DataFrame:
    """Put the rows together as FINDINGS."""
    if not parts:
        return conform([], FINDINGS)
    counts = [len(part["key"]) for part in parts]
    data = {}
    for column in FINDINGS.columns:
        unknown = np.nan if column.kind == "number" else ""
        data[column.name] = np.concatenate(
            [
                _column(part.get(column.name, unknown), count, column.kind)
                for part, count in zip(parts, counts, strict=True)
            ]
        )
    return conform(data, FINDINGS)


def _column(values: Any, count: int, kind: str) -> npt.NDArray[Any]:  # noqa: ANN401
    if isinstance(values, np.ndarray):
        return values
    return np.full(count, values, dtype=np.float64 if kind == "number" else object)


def _subjects(ruling: Ruling) -> tuple[str, ...]:
    if ruling.methods:
        return ruling.methods
    if ruling.effect == "first":
        return (ruling.rule.work or "look",)
    return (ruling.rule.level if ruling.effect in ("needs", "urgency") else "",)


def _ids(about: str, keys: Keys, rule: str, subject: str) -> Keys:
    ids: Keys = f"{about}|" + keys + f"|{rule}|{subject.strip()}"
    return ids
