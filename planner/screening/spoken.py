"""What was judged in numbers, put into words: for the rows that somebody reads."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.arrays import column_of, texts_of
from planner.coded_text import Coded, Columns
from planner.contracts import VERDICTS
from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import NEEDS, URGENCY, VERDICT_WORDS
from planner.distinct import first_rows, groups_of
from planner.order import order_by, rises
from planner.screening.because import Worded, filled
from planner.screening.coded import JudgedSpans
from planner.screening.judge import AT_LINING, LINED, REPEATED, never_word
from planner.screening.reasons import FAILED, FAILED_HERE, MENDED, NO_RULE
from planner.screening.rule_bits import Owned
from planner.screening.rule_kernel import (
    OUT_ASSUMED,
    OUT_BARRED,
    OUT_MENDED,
    OUT_NEEDS,
    OUT_SLEEVE,
    OUT_URGENCY,
    OUT_VERDICT,
)
from planner.screening.rule_text import Rule
from planner.screening.ruling import NOT_SETTLED
from planner.screening.verdict import STATE_WORDS, no_rule_names, no_rule_settles
from planner.screening.wording import METHODS, NEVER_SLEEVE
from planner.tables import conform

Codes = npt.NDArray[np.int8]
Places = npt.NDArray[np.intp]
Texts = npt.NDArray[np.object_]

_NEEDS = ("", *NEEDS)
_BARRED = ("", REPEATED, AT_LINING, LINED, *(never_word(name) for name in sorted(NEVER_SLEEVE)))


def verdicts_of(coded: JudgedSpans, margins: Columns) -> pd.DataFrame:
    """Put all verdicts into words, `VERDICTS`; `margins` as `flips.margins_in_words` gives them."""
    things = coded.view.things
    span_id = texts_of(things["span_id"].str.strip().array)
    order = None if rises([span_id]) else order_by([span_id])

    def taken(values: Any) -> Any:  # noqa: ANN401 - any array
        return values if order is None else values[order]

    codes, rows = coded.told.codes, np.arange(len(coded)) if order is None else order
    table: dict[str, object] = {
        "span_id": span_id,
        "pipe_id": texts_of(things["pipe_id"].str.strip().array),
        "needs": Coded.listing(_NEEDS, codes[:, OUT_NEEDS]),
        "urgency": Coded.listing(URGENCY, codes[:, OUT_URGENCY]),
        **{
            method: Coded.listing(STATE_WORDS, codes[:, OUT_SLEEVE + k])
            for k, method in enumerate(METHODS)
        },
        "verdict": Coded.listing(VERDICT_WORDS, codes[:, OUT_VERDICT]),
        "first": Coded.listing(*works_of(coded)),
        "rules": Coded.listing(*rules_behind(coded)),
        "assumed": codes[:, OUT_ASSUMED] != 0,
        **margins,
    }
    table = {name: taken(values) for name, values in table.items()}
    return conform({**table, "why": column_of(sentences(coded, rows))}, VERDICTS)


def works_of(coded: JudgedSpans) -> tuple[list[str], Places]:
    """List the works of spans before anything else, in the order of `STEPS`, and whose they are."""
    where, unlike = pd.factorize(coded.told.first)
    steps = list(enumerate(STEPS))
    return ["+".join(step for n, step in steps if bits >> n & 1) for bits in unlike], where


def rules_behind(coded: JudgedSpans) -> tuple[list[str], Places]:
    """Name the rules behind referrals, '+' between, in order of id, and which each span has."""
    blamed = coded.told.blamed
    where, count = groups_of([np.ascontiguousarray(column) for column in blamed.T])
    ids = [rule.id for rule in coded.book.rules]
    words = []
    for some in blamed[first_rows(where, count)].tolist():
        bits = sum(word << 64 * w for w, word in enumerate(some))
        words.append("+".join(ids[n] for n in _ones(bits)))
    return words, where


def _ones(bits: int) -> list[int]:
    """Give the places of the bits that are set, in order."""
    found = []
    while bits:
        found.append((bits & -bits).bit_length() - 1)
        bits &= bits - 1
    return found


def sentences(coded: JudgedSpans, rows: Places) -> pa.Array:
    """Say of some spans in one sentence why their verdict is what it is; each text is made once."""
    why = coded.told.why[rows]
    texts, where = [MENDED, FAILED_HERE], np.zeros(len(rows), dtype=np.int64)

    def put(here: Places, said: Worded) -> None:
        where[here] = said[0] + len(texts)
        texts.extend(said[1])

    by_code = np.argsort(why, kind="stable")
    codes, starts = np.unique(why[by_code], return_index=True)
    for code, here in zip(codes.tolist(), np.split(by_code, starts[1:]), strict=True):
        if code >= 0:
            at, said = said_by(coded, coded.book.rules[code >> 1], rows[here])
            put(here, (at, [NOT_SETTLED + text for text in said] if code & 1 else said))
    here = np.flatnonzero((why < 0) & (coded.told.codes[rows, OUT_MENDED] == 0))
    at, unlike = pd.factorize(_unspoken(coded, rows[here]))
    put(here, (at, unlike.tolist()))
    where[(coded.view.things["state"].array.take(rows) == FAILED)] = 1
    return pa.array(texts, type=pa.large_string()).take(pa.array(where))


def said_by(coded: JudgedSpans, rule: Rule, rows: Places) -> Worded:
    """Write the sentences of a rule for some spans."""
    if rule.about == "span":
        return filled(rule.because, coded.view, rows)
    return filled(rule.because, coded.pipe_view, coded.at[rows])


def silence(coded: JudgedSpans, rows: Places) -> Texts:
    """Say of some spans which of their mechanisms no rule names, or settles the need of."""
    where, unlike = pd.factorize(coded.told.unsaid[rows])
    named = coded.book.bits.named
    words = [_silent(int(mask), int(named), coded.book.owned) for mask in unlike]
    return np.asarray([*words, ""], dtype=object)[where]


def _silent(mask: int, named: int, owned: Owned) -> str:
    parts = []
    for k, name in enumerate(owned.names):
        if mask >> k & 1:
            parts.append(no_rule_settles(name) if named >> k & 1 else no_rule_names(name))
    return "; ".join(parts)


def bars(coded: JudgedSpans, rows: Places) -> Texts:
    """Say of some spans why a sleeve is out of the question whatever the book holds."""
    words: Texts = np.asarray(_BARRED, dtype=object)[coded.told.codes[rows, OUT_BARRED]]
    return words


def _unspoken(coded: JudgedSpans, rows: Places) -> Texts:
    silent = silence(coded, rows)
    said = np.where(silent == "", bars(coded, rows), silent)
    return np.where(said == "", NO_RULE, said).astype(object)
