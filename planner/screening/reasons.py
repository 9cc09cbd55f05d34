"""Which rules led to a verdict, the sentence that matters most, and whether it is assumed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.contracts.verdicts import NEEDS
from planner.screening.intervals import NO, UNKNOWN, YES, Marks
from planner.screening.ruling import Ruling
from planner.screening.verdict import (
    ASKED,
    CLOSED,
    MEND,
    NOT_KNOWN,
    Mechanisms,
    Needs,
    State,
    Texts,
    speaks_of,
)
from planner.screening.wording import METHODS

NO_RULE = "no rule speaks"
MENDED = "a sleeve that lies here already serves it"
FAILED = "failed_sleeve"
FAILED_HERE = "a sleeve lies here that failed, or under which damage was seen since it was set"
# Which sentence comes first: small goes before large.
_UNDECIDED_NEED, _REFER, _OPEN_QUESTION, _CLOSED, _SUPPORT = 0, 1, 2, 3, 4
_NOTHING_SAID = 9


@dataclass(frozen=True)
class Judged:
    """What the rules say of each span, as arrays in the order of the spans."""

    mechanisms: Mechanisms
    needs: Needs
    states: dict[str, State]
    verdict: Texts


@dataclass
class Reasons:
    """Per span: rules that led to a referral ('+' between), the main sentence, assumed or not."""

    rules: Texts
    why: Texts
    assumed: Marks


def reasons_of(judged: Judged, rulings: Sequence[Ruling], fallback: Texts) -> Reasons:
    """Gather the rules behind each verdict.

    Parameters
    ----------
    judged
        The verdicts.
    rulings
        In order of rule id; so is what is gathered.
    fallback
        Sentence for spans of which no rule speaks.

    Notes
    -----
    A need rests on an assumed rule when no cited or practised rule supports it; a
    method, or a referral, when any rule behind it is assumed.
    """
    count = len(judged.verdict)
    out = Reasons(np.full(count, "", dtype=object), fallback.copy(), np.zeros(count, dtype=bool))
    rank = np.full(count, _NOTHING_SAID, dtype=np.int8)
    sound, supported = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    refer = judged.verdict == "refer"
    for ruling in rulings:
        behind, order = _behind(ruling, judged)
        rows = ruling.rows[behind]
        blamed = rows[refer[rows]]
        _join(out.rules, blamed, ruling.rule.id)
        better = behind & (order < rank[ruling.rows])
        rank[ruling.rows[better]] = order[better]
        out.why[ruling.rows[better]] = ruling.why[better]
        if ruling.effect == "needs":
            supported[rows] = True
            sound[rows] |= ruling.rule.standing != "assumed"
        elif ruling.rule.standing == "assumed":
            out.assumed[rows] = True
    out.assumed |= supported & ~sound
    return out


def _join(texts: Texts, rows: npt.NDArray[np.intp], word: str) -> None:
    """Append `word` to the marked texts; a rule that speaks twice is named once."""
    last = np.asarray([text.rsplit("+", 1)[-1] for text in texts[rows]], dtype=object)
    rows = rows[last != word]
    texts[rows] = np.where(texts[rows] == "", word, texts[rows] + "+" + word)


def _behind(ruling: Ruling, judged: Judged) -> tuple[Marks, npt.NDArray[np.int8]]:
    """Mark the rows of a ruling whose verdict rests on it, and how much its sentence matters."""
    rows = ruling.rows
    verdict, code = judged.verdict[rows], judged.needs.code[rows]
    order = np.full(len(rows), _SUPPORT, dtype=np.int8)
    if ruling.effect == "needs":
        level = NEEDS.index(ruling.rule.level) + 1
        doubt = (code == NOT_KNOWN) & (ruling.answer == UNKNOWN) & (level == MEND)
        order[doubt] = _UNDECIDED_NEED
        settles = (code == level) & (verdict != "refer")
        return doubt | settles, order
    if ruling.effect not in ("allows", "rules_out", "refer"):
        return np.zeros(len(rows), dtype=bool), order
    order += 1  # the sentence of a need says more than that of the method which serves it
    behind = np.zeros(len(rows), dtype=bool)
    for method in METHODS:
        if speaks_of(ruling, method):
            one, rank = _behind_method(ruling, method, judged)
            order = np.where(one, np.minimum(order, rank), order).astype(np.int8)
            behind |= one
    if ruling.effect == "refer":
        unknown = (code == NOT_KNOWN) & (ruling.answer != NO)
        order[unknown] = _REFER
        behind |= unknown
    return behind, order


def _behind_method(
    ruling: Ruling, method: str, judged: Judged
) -> tuple[Marks, npt.NDArray[np.int8]]:
    """Mark the rows where the state of `method` matters to the verdict and hangs on the ruling."""
    rows = ruling.rows
    verdict, state = judged.verdict[rows], judged.states[method].code[rows]
    mend = judged.needs.code[rows] == MEND
    sleeve = judged.states["sleeve"].code[rows]
    # A referral hangs on the sleeve if it is asked, else on every method that is not open.
    counts = (verdict == "refer") & ((sleeve != ASKED) | (method == "sleeve"))
    counts |= np.isin(verdict, ["liner", "dig"]) & (method == "sleeve")
    asks = ruling.answer == UNKNOWN
    if ruling.effect == "refer":
        asks, closes = ruling.answer != NO, np.zeros(len(rows), dtype=bool)
    elif ruling.effect == "rules_out":
        closes = ruling.answer == YES
    else:
        lacking = judged.states[method].lacking[rows]
        columns = judged.mechanisms.columns(ruling.rule.mechanism)
        matters = lacking[:, columns].any(axis=1)
        asks, closes = asks & matters, (ruling.answer == NO) & matters
    asking = mend & counts & asks & (state == ASKED)
    closing = mend & counts & closes & (state == CLOSED)
    serving = mend & (verdict == method) & (ruling.answer == YES) & (ruling.effect == "allows")
    first = _REFER if ruling.effect == "refer" else _OPEN_QUESTION
    rank = np.select([asking, closing], [first, _CLOSED], _SUPPORT + 1).astype(np.int8)
    return asking | closing | serving, rank
