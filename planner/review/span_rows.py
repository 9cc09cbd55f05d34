"""All spans as flat rows, one look at each pipe's proposal: what a list of them shows and sifts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.repairs.accept import CHANGED
from planner.rule_spans import Tables

TEXTS = (
    "span_id", "pipe_id", "mechanisms", "lent", "mended", "counter_node", "needs", "urgency",
    "verdict", "first", "why", "standing", "state", "method", "system", "us_node", "ds_node",
    "area", "street",
)  # fmt: skip
NUMBERS = ("from_m", "to_m", "length_m", "cost_cents")
MARKS = ("close", "assumed", "look_first", "photo", "acceptable")
NO_CHOICE = "none"
"""State of a span on a pipe for which nothing is proposed."""
READ = ("pipes", "spans", "verdicts", "choices", "findings", "span_rows", "defects")
"""Tables that the list is laid out from."""
# What a verdict rests on; an urgency or a note makes none.
_BEHIND = ("needs", "allows", "rules_out", "refer")

Columns = dict[str, npt.NDArray[Any]]


def flat_columns(tables: Tables, streets: Mapping[str, str]) -> Columns:
    """Lay out the spans of some pipes as columns of equal length.

    Parameters
    ----------
    tables
        Of those pipes: pipes, spans, verdicts, choices, findings, span_rows, defects.
    streets
        Name of the street of each node that has one.

    Returns
    -------
    columns
        Those of `TEXTS` as texts, of `NUMBERS` as floats (NaN = not known), of `MARKS` as
        yes or no; in order of pipe, place and span.
    """
    spans = tables["spans"].sort_values(["pipe_id", "from_m", "span_id"], kind="stable")
    ids = spans["span_id"]
    verdicts = _lined_up(tables["verdicts"], "span_id", ids)
    choices = _lined_up(tables["choices"], "pipe_id", spans["pipe_id"])
    pipes = _lined_up(tables["pipes"], "pipe_id", spans["pipe_id"])
    columns: Columns = {name: _text(spans[name]) for name in ("span_id", "pipe_id", "mechanisms",
                                                              "lent", "counter_node")}  # fmt: skip
    columns["mended"] = _text(spans["state"])
    for name in ("needs", "urgency", "verdict", "first", "why"):
        columns[name] = _text(verdicts[name])
    for name in ("us_node", "ds_node", "area"):
        columns[name] = _text(pipes[name])
    columns |= _choice_columns(choices)
    columns["street"] = _streets(columns, streets)
    columns["from_m"], columns["to_m"] = _number(spans["from_m"]), _number(spans["to_m"])
    columns["length_m"] = _number(pipes["length_m"])
    columns["close"], columns["assumed"] = _mark(verdicts["close_call"]), _mark(verdicts["assumed"])
    columns["look_first"] = _holds(columns["first"], "look")
    columns["photo"] = _among(ids, _spans_with_photo(tables))
    columns["standing"] = _standing(tables["findings"], ids, columns["assumed"])
    return columns


def choice_columns(choices: pd.DataFrame, pipe_id: str) -> Columns:
    """Give, in one row, the columns of `flat_columns` that hang on a pipe's choice alone.

    Parameters
    ----------
    choices
        Obeys `CHOICES`, of that pipe: one row or none.
    pipe_id
        The pipe.
    """
    return _choice_columns(_lined_up(choices, "pipe_id", pd.Series([pipe_id], dtype="str")))


def _choice_columns(choices: pd.DataFrame) -> Columns:
    columns: Columns = {name: _text(choices[name]) for name in ("method", "system")}
    state = _text(choices["state"])
    columns["state"] = np.where(state == "", NO_CHOICE, state)
    columns["cost_cents"] = _number(choices["cost_cents"])
    # Of a person's own word the latest counts; what the rules hold waits for another decision.
    reasons = _text(choices["reason"])
    by_person = _starts(reasons, CHANGED) | _starts(reasons, "held by ")
    columns["acceptable"] = np.isin(columns["state"], ("proposed", "refused")) | (
        (columns["state"] == "held") & by_person
    )
    return columns


def _lined_up(frame: pd.DataFrame, key: str, wanted: pd.Series) -> pd.DataFrame:
    """Give the row of `frame` for each wanted key, a row of nothing where there is none."""
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
    return plain.drop_duplicates(key).set_index(key).reindex(wanted)


def _text(column: pd.Series) -> npt.NDArray[Any]:
    return column.astype(object).where(column.notna(), "").to_numpy(object)


def _number(column: pd.Series) -> npt.NDArray[Any]:
    return column.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan)


def _mark(column: pd.Series) -> npt.NDArray[Any]:
    return column.astype("boolean").to_numpy(dtype=bool, na_value=False)


def _holds(texts: npt.NDArray[Any], word: str) -> npt.NDArray[Any]:
    """Mark the texts of names joined by '+' that hold one name; asked once for each text."""
    codes, words = pd.factorize(texts)
    answers = np.array([word in str(one).split("+") for one in words], dtype=bool)
    return answers[codes] if len(answers) else np.zeros(len(texts), dtype=bool)


def _starts(texts: npt.NDArray[Any], words: str) -> npt.NDArray[Any]:
    codes, known = pd.factorize(texts)
    answers = np.array([str(one).startswith(words) for one in known], dtype=bool)
    return answers[codes] if len(answers) else np.zeros(len(texts), dtype=bool)


def _streets(columns: Columns, streets: Mapping[str, str]) -> npt.NDArray[Any]:
    first, last = (
        np.array([streets.get(node, "") for node in columns[name].tolist()], dtype=object)
        for name in ("us_node", "ds_node")
    )
    both = (first != "") & (last != "") & (first != last)
    named: npt.NDArray[Any] = np.where(first == "", last, first)
    named[both] = first[both] + " / " + last[both]
    return named


def _spans_with_photo(tables: Tables) -> pd.Series:
    defects, links = tables["defects"], tables["span_rows"]
    filmed = defects.loc[(defects["photo"] != "").to_numpy(bool), "observation_id"]
    return links.loc[_among(links["observation_id"], filmed), "span_id"]


def _among(names: pd.Series, some: pd.Series) -> npt.NDArray[np.bool_]:
    """Mark the names that are among some; of many texts a set is quicker than `isin`."""
    wanted = set(some.tolist())
    return np.fromiter((name in wanted for name in names.tolist()), bool, len(names))


def _standing(
    findings: pd.DataFrame, ids: pd.Series, assumed: npt.NDArray[Any]
) -> npt.NDArray[Any]:
    """Say on what the verdict of each span rests at its weakest; '' where no rule speaks."""
    speaks = (findings["about"] == "span") & findings["effect"].isin(_BEHIND)
    part = findings[(speaks & (findings["state"] != "no")).to_numpy(bool)]
    said, practised = part["key"], part.loc[(part["standing"] == "practice").to_numpy(bool), "key"]
    out = np.where(_among(ids, said), "cited", "").astype(object)
    out[_among(ids, practised)] = "practice"
    out[assumed] = "assumed"
    return out
