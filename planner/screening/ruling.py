"""One rule held against many things at once: what it says of each, and on which figure.

A ruling is flat arrays over the things the rule speaks of; the things it passes over
are not in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.screening.because import fill
from planner.screening.columns import View
from planner.screening.intervals import NO, UNKNOWN, YES, Answers, Marks, answers, compare, within
from planner.screening.rule_text import Clause, Limit, Rule

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]
Texts = npt.NDArray[np.object_]


NOT_SETTLED = "not settled: "
NOT_STATED = "not stated, taken as not so: "


@dataclass(frozen=True)
class Figures:
    """The figure that decides, row by row: its column and unit, interval [unit] and limit.

    `named` has each column that may decide with its unit, and `at` which of them does.
    """

    named: tuple[tuple[str, str], ...]
    at: npt.NDArray[np.int16]
    low: Numbers
    high: Numbers
    limit: Numbers


@dataclass(frozen=True)
class Ruling:
    """What one rule says: `rows` of the view, one answer each, why, and the figure behind it.

    ``answer`` yes means that the effect holds; no occurs for ``allows`` alone, where a
    limit is passed for certain. `blank` marks an unknown that a blank alone makes.
    """

    rule: Rule
    effect: str
    methods: tuple[str, ...]
    rows: Places
    answer: Answers
    blank: Marks
    why: Texts
    figures: Figures

    def pick(self, keep: Marks) -> Ruling:
        """Give the ruling of the marked rows alone."""
        return self._take(np.flatnonzero(keep))

    def spread(self, onto: Places, where: Places) -> Ruling:
        """Give the ruling on the rows `onto` of another view, each as its own row `where`."""
        return replace(self._take(where), rows=onto)

    def _take(self, where: Places) -> Ruling:
        old = self.figures
        figures = Figures(
            old.named, old.at[where], old.low[where], old.high[where], old.limit[where]
        )
        return replace(
            self,
            rows=self.rows[where],
            answer=self.answer[where],
            blank=self.blank[where],
            why=self.why[where],
            figures=figures,
        )


def rule_on(rule: Rule, view: View, applies: Marks, *, in_words: bool = True) -> list[Ruling]:
    """Hold `rule` against the things that it `applies` to.

    Returns
    -------
    rulings
        The rule's own effect, and for blanks that ``if_blank`` turns into something else
        a ruling with effect ``first`` (a look) or ``note``.
    """
    if not applies.any():
        return []
    when, blank = _all_hold(rule.when, view)
    if not (applies & (when != NO)).any():
        return []
    limit, limit_blank = _within_all(rule.limit, view)
    answer = np.minimum(when, limit)
    # Under a limit the rule still speaks (it says no), so long as its conditions may hold.
    speaks = applies & ((when != NO) if rule.limit else (answer != NO))
    rows = np.flatnonzero(speaks)
    if not len(rows):
        return []
    blanks = ((when != UNKNOWN) | blank) & ((limit != UNKNOWN) | limit_blank)
    whole = Ruling(
        rule,
        rule.effect,
        rule.method,
        rows,
        answer[rows],
        ((answer == UNKNOWN) & blanks)[rows],
        _said(rule, fill(rule.because, view, rows), answer[rows]) if in_words else _silence(rows),
        _figures(rule, view, rows) if in_words else no_figures(len(rows)),
    )
    return _with_blanks(whole)


def _silence(rows: Places) -> Texts:
    return np.full(len(rows), "", dtype=object)


def _said(rule: Rule, texts: Texts, answer: Answers) -> Texts:
    """Mark what would close a way, or ask a person, and cannot be told: it is not so for sure."""
    if rule.effect not in ("rules_out", "refer"):
        return texts
    return np.where(answer == UNKNOWN, NOT_SETTLED + texts, texts).astype(object)


def _with_blanks(whole: Ruling) -> list[Ruling]:
    """Do with blanks what the rule asks for; an unknown of a measured figure stays one."""
    if whole.rule.if_blank == "refer" or not whole.blank.any():
        return [whole]
    open_ways = whole.effect in ("allows", "needs")
    looks = whole.rule.if_blank == "look"
    extra = replace(whole.pick(whole.blank), effect="first" if looks else "note", methods=())
    why = extra.why
    if not looks:  # A note on a blank that stops nothing must not read as if it did.
        why = np.array([text.replace(NOT_SETTLED, NOT_STATED, 1) for text in why], dtype=object)
    extra = replace(extra, answer=np.full(len(extra.rows), YES, dtype=np.int8), why=why)
    if open_ways and (looks or whole.effect == "allows"):
        # Taken as the way that leads on, with the look (or the note) before it.
        answer = np.where(whole.blank, YES, whole.answer).astype(np.int8)
        return [replace(whole, answer=answer), extra]
    return [whole.pick(~whole.blank), extra]


def _all_hold(clauses: tuple[Clause, ...], view: View) -> tuple[Answers, Marks]:
    """Answer whether all clauses hold, and whether only blanks make that unknown."""
    answer = np.full(len(view), YES, dtype=np.int8)
    blank = np.ones(len(view), dtype=bool)
    for clause in clauses:
        one = hold(clause, view)
        answer = np.minimum(answer, one)
        blank &= (one != UNKNOWN) | view.blank(clause.column)
        if not (answer != NO).any():
            break  # no thing is left that a further clause could tip
    return answer, blank


def hold(clause: Clause, view: View) -> Answers:
    """Answer one clause for each thing of the view."""
    blank = view.blank(clause.column)
    if clause.op == "is_blank":
        return answers(blank, ~blank)
    if isinstance(clause.value, bool):
        yes = view.flags(clause.column) == clause.value
        return answers(yes & ~blank, ~yes & ~blank)
    if isinstance(clause.value, float):
        low, high = view.interval(clause.column)
        return compare(clause.op, low, high, clause.value)
    return _text_holds(clause, view, blank)


def _text_holds(clause: Clause, view: View, blank: Marks) -> Answers:
    """Compare texts without case; ``has`` looks into what '+' joins. Each text once."""
    wanted = set(clause.value if isinstance(clause.value, tuple) else ())
    texts, where = view.coded(clause.column)
    if clause.op in ("=", "in"):
        found = [text.casefold() in wanted for text in texts]
    else:
        held = [{part.strip() for part in text.casefold().split("+")} for text in texts]
        found = [bool(wanted & parts) != (clause.op == "has_none") for parts in held]
    yes = np.asarray(found, dtype=bool)[where]
    return answers(yes & ~blank, ~yes & ~blank)


def _within_all(limits: tuple[Limit, ...], view: View) -> tuple[Answers, Marks]:
    answer = np.full(len(view), YES, dtype=np.int8)
    blank = np.ones(len(view), dtype=bool)
    for limit in limits:
        low, high = view.interval(limit.column)
        one = within(low, high, limit.ok, limit.ask)
        answer = np.minimum(answer, one)
        blank &= (one != UNKNOWN) | view.blank(limit.column)
    return answer, blank


def _figures(rule: Rule, view: View, rows: Places) -> Figures:
    """Pick the figure that decides each row: what fails, else what is unknown, else the last."""
    parts: list[Clause | Limit] = [one for one in rule.when if _is_figure(one)]
    parts += list(rule.limit)
    others = [clause for clause in rule.when if not _is_figure(clause)]
    named = [(part.column, part.unit) for part in parts] + [(one.column, "") for one in others]
    out = replace(no_figures(len(rows)), named=(_NO_COLUMN, *named))
    settled = np.full(len(rows), 3, dtype=np.int8)
    for at, part in enumerate(parts):
        low, high = (ends[rows] for ends in view.interval(part.column))
        answer, limit = _held_against(part, low, high)
        better = (answer < settled) | ((answer == YES) & (settled == YES))
        out.at[better] = 1 + at
        out.low[better] = np.where(np.isfinite(low), low, np.nan)[better]
        out.high[better] = np.where(np.isfinite(high), high, np.nan)[better]
        out.limit[better] = limit[better]
        settled[better] = answer[better]
    for at, clause in enumerate(others):
        # A blank text or flag is what decides, where one leaves it open.
        unknown = (hold(clause, view) == UNKNOWN)[rows]
        out.at[unknown] = 1 + len(parts) + at
        for ends in (out.low, out.high, out.limit):
            ends[unknown] = np.nan
    return out


_NO_COLUMN = ("", "")


def no_figures(count: int) -> Figures:
    """Give figures of rows that none decides."""
    low, high, limit = (np.full(count, np.nan) for _ in range(3))
    return Figures((_NO_COLUMN,), np.zeros(count, dtype=np.int16), low, high, limit)


def _is_figure(clause: Clause) -> bool:
    return isinstance(clause.value, float) and not isinstance(clause.value, bool)


def _held_against(part: Clause | Limit, low: Numbers, high: Numbers) -> tuple[Answers, Numbers]:
    if isinstance(part, Limit):
        answer = within(low, high, part.ok, part.ask)
        return answer, np.where(answer == NO, part.ask, part.ok)
    value = part.value if isinstance(part.value, float) else np.nan
    return compare(part.op, low, high, value), np.full(len(low), value)
