"""What was judged in numbers, put into words: for the rows that somebody reads."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import VERDICTS
from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import NEEDS, URGENCY, VERDICT_WORDS
from planner.distinct import first_rows, groups_of
from planner.screening.because import fill
from planner.screening.coded import Coded
from planner.screening.judge import AT_LINING, LINED, REPEATED, never_word
from planner.screening.margins import Margins
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


def verdicts_of(coded: Coded, margins: Margins) -> pd.DataFrame:
    """Put all verdicts into words, `VERDICTS`."""
    codes, things = coded.told.codes, coded.view.things
    rows = np.arange(len(coded))
    table: dict[str, object] = {
        "span_id": things["span_id"].str.strip(),
        "pipe_id": things["pipe_id"].str.strip(),
        "needs": worded(_NEEDS, codes[:, OUT_NEEDS]),
        "urgency": worded(URGENCY, codes[:, OUT_URGENCY]),
        **{
            method: worded(STATE_WORDS, codes[:, OUT_SLEEVE + k])
            for k, method in enumerate(METHODS)
        },
        "verdict": worded(VERDICT_WORDS, codes[:, OUT_VERDICT]),
        "first": works_of(coded),
        "rules": rules_behind(coded),
        "assumed": codes[:, OUT_ASSUMED] != 0,
        "close_call": margins.close,
        "flip_column": margins.column,
        "flip_at": margins.at,
        "flip_by": margins.by,
        "flip_unit": margins.unit,
        "flip_to": margins.to,
        "why": sentences(coded, rows),
    }
    return conform(pd.DataFrame(table), VERDICTS)


def worded(words: Sequence[str] | Texts, codes: npt.NDArray[np.integer]) -> pd.Series:
    """Give each row the word of its number."""
    return pd.Series(pd.array(list(words), dtype="str").take(codes.astype(np.intp)))


def works_of(coded: Coded) -> pd.Series:
    """List the works of each span before anything else, in the order of `STEPS`."""
    where, unlike = pd.factorize(coded.told.first)
    words = ["+".join(step for n, step in enumerate(STEPS) if bits >> n & 1) for bits in unlike]
    return worded(words, where)


def rules_behind(coded: Coded) -> pd.Series:
    """Name the rules behind each referral, '+' between, in order of id."""
    blamed = coded.told.blamed
    where, count = groups_of([pd.Series(column) for column in blamed.T])
    words = []
    for some in blamed[first_rows(where, count)]:
        ids = [
            rule.id for n, rule in enumerate(coded.book.rules) if int(some[n >> 6]) >> (n & 63) & 1
        ]
        words.append("+".join(ids))
    return worded(words, where)


def sentences(coded: Coded, rows: Places) -> Texts:
    """Say of some spans in one sentence why their verdict is what it is."""
    why = coded.told.why[rows]
    out = np.full(len(rows), MENDED, dtype=object)
    for code in np.unique(why[why >= 0]):
        here = np.flatnonzero(why == code)
        rule = coded.book.rules[code >> 1]
        said = said_by(coded, rule, rows[here])
        out[here] = NOT_SETTLED + said if code & 1 else said
    here = np.flatnonzero((why < 0) & (coded.told.codes[rows, OUT_MENDED] == 0))
    out[here] = _unspoken(coded, rows[here])
    out[(coded.view.things["state"].take(rows) == FAILED).to_numpy()] = FAILED_HERE
    return out


def said_by(coded: Coded, rule: Rule, rows: Places) -> Texts:
    """Write the sentence of a rule for some spans."""
    if rule.about == "span":
        return fill(rule.because, coded.view, rows)
    return fill(rule.because, coded.pipe_view, coded.at[rows])


def silence(coded: Coded, rows: Places) -> Texts:
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


def bars(coded: Coded, rows: Places) -> Texts:
    """Say of some spans why a sleeve is out of the question whatever the book holds."""
    words: Texts = np.asarray(_BARRED, dtype=object)[coded.told.codes[rows, OUT_BARRED]]
    return words


def _unspoken(coded: Coded, rows: Places) -> Texts:
    silent = silence(coded, rows)
    said = np.where(silent == "", bars(coded, rows), silent)
    return np.where(said == "", NO_RULE, said).astype(object)
