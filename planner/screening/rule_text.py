"""One rule of a rulebook: from its text to a checked rule, every key in the closed vocabulary."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from planner.ground.codes import mechanisms_of
from planner.screening.because import Sentence, parse
from planner.screening.columns import About, Seen, visible
from planner.screening.wording import (
    ALLOWED_EFFECTS,
    ID,
    LEVELS,
    METHODS,
    NEVER_SLEEVE,
    OPS,
    ClauseText,
    LimitText,
    RuleText,
    nearest,
)

Value = float | str | bool | tuple[str, ...]


@dataclass(frozen=True)
class Clause:
    """One condition: a column held against a value; text is compared without case."""

    column: str
    op: str
    value: Value | None
    unit: str


@dataclass(frozen=True)
class Limit:
    """Open up to `ok`, asked up to `ask`, closed above; `ask` is infinite where none is set."""

    column: str
    ok: float
    ask: float
    unit: str


@dataclass(frozen=True)
class Rule:
    """One checked rule; `level` is the need or urgency it sets, `work` the step it asks for."""

    id: str
    title: str
    about: About
    mechanism: tuple[str, ...]
    when: tuple[Clause, ...]
    effect: str
    level: str
    method: tuple[str, ...]
    work: str
    limit: tuple[Limit, ...]
    if_blank: str
    because: Sentence
    source: str
    standing: str
    since: str
    until: str = ""


class WrongKeyError(ValueError):
    """What is wrong with one key of a rule."""

    def __init__(self, key: str, what: str) -> None:
        super().__init__(what)
        self.key = key


def checked_rule(text: RuleText) -> Rule:
    """Check one rule as it is written.

    Raises
    ------
    WrongKeyError
        For whatever pydantic could not see: columns, units, methods, mechanisms.
    """
    if not re.fullmatch(ID, text.id):
        raise WrongKeyError("id", "wants letters, digits, '-' and '_'")
    if text.until and text.until <= text.since:
        raise WrongKeyError("until", f"{text.until} does not lie after since, {text.since}")
    seen = visible(text.about)
    _check_effect(text)
    _check_mechanisms(text)
    methods = (text.method,) if isinstance(text.method, str) else tuple(text.method)
    if "sleeve" in methods and text.effect == "allows":
        never = sorted(NEVER_SLEEVE & set(text.mechanism))
        if never:
            raise WrongKeyError("mechanism", f"{never[0]} is never served by a sleeve")
    try:
        because = parse(text.because, seen)
    except ValueError as error:
        raise WrongKeyError("because", str(error)) from error
    return Rule(
        text.id,
        text.title,
        text.about,
        tuple(sorted(set(text.mechanism))),
        tuple(_clause(one, seen) for one in text.when),
        text.effect,
        text.level,
        methods,
        text.work,
        tuple(_limit(one, seen) for one in text.limit),
        text.if_blank,
        because,
        text.source,
        text.standing,
        text.since,
        text.until,
    )


def _check_effect(text: RuleText) -> None:
    """See that the effect may be had by such a thing, and that its keys fit it."""
    if text.effect not in ALLOWED_EFFECTS[text.about]:
        words = ", ".join(ALLOWED_EFFECTS[text.about])
        raise WrongKeyError("effect", f"'{text.effect}' of a {text.about}; wants {words}")
    levels = LEVELS.get(text.effect, ())
    if bool(levels) != bool(text.level) or (levels and text.level not in levels):
        wanted = " | ".join(levels) or "none with this effect"
        raise WrongKeyError("level", f"found '{text.level}'; wants {wanted}")
    if (text.effect == "first") != bool(text.work):
        raise WrongKeyError("work", "wanted with effect 'first' and with no other")
    _check_method(text)
    if text.limit and text.effect != "allows":
        raise WrongKeyError("limit", "only with effect 'allows'")
    if text.if_blank == "look" and (
        text.effect in ("urgency", "first") or text.about not in ("span", "pipe")
    ):
        raise WrongKeyError("if_blank", "'look' only where a method or a need hangs on the figure")


def _check_method(text: RuleText) -> None:
    about_method = text.effect in ("allows", "rules_out", "refer") and text.about in (
        "span",
        "pipe",
    )
    if text.method and not about_method:
        raise WrongKeyError("method", "has no meaning with this effect")
    if about_method and not text.method and text.effect != "refer":
        raise WrongKeyError("method", f"wants {' | '.join(METHODS)}")


def _check_mechanisms(text: RuleText) -> None:
    if text.mechanism and text.about != "span":
        raise WrongKeyError("mechanism", "only in rules about a span")
    if text.effect == "allows" and not text.mechanism:
        raise WrongKeyError("mechanism", "a method is only allowed for mechanisms that are named")
    known = mechanisms_of("damage", "condition", "flag")
    for name in text.mechanism:
        if name not in known:
            raise WrongKeyError("mechanism", f"unknown mechanism '{name}'{nearest(name, known)}")


def _clause(text: ClauseText, seen: Mapping[str, Seen]) -> Clause:
    column = _seen(text.column, seen, "when")
    ops = OPS[column.kind]
    if text.op not in ops:
        raise WrongKeyError("when", f"{text.column} takes {' '.join(ops)}, found '{text.op}'")
    if text.op == "is_blank":
        if text.value is not None or text.unit:
            raise WrongKeyError("when", f"{text.column} is_blank takes no value and no unit")
        return Clause(text.column, text.op, None, "")
    return Clause(text.column, text.op, _value(text, column), _unit(text, column, "when"))


def _value(text: ClauseText, column: Seen) -> Value:
    value = text.value
    if column.kind in ("interval", "number"):
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise WrongKeyError("when", f"{text.column} wants a number, found {value!r}")
        return float(value)
    if column.kind == "flag":
        if not isinstance(value, bool):
            raise WrongKeyError("when", f"{text.column} wants true or false, found {value!r}")
        return value
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, list) or not words or (text.op == "=" and len(words) > 1):
        raise WrongKeyError("when", f"{text.column} {text.op} wants text, found {value!r}")
    return tuple(sorted(word.strip().casefold() for word in words))


def _limit(text: LimitText, seen: Mapping[str, Seen]) -> Limit:
    column = _seen(text.column, seen, "limit")
    if column.kind not in ("interval", "number"):
        raise WrongKeyError("limit", f"{text.column} is no figure")
    if text.ask is not None and text.ask < text.ok:
        raise WrongKeyError("limit", f"{text.column}: ask {text.ask:g} is below ok {text.ok:g}")
    ask = float("inf") if text.ask is None else float(text.ask)
    return Limit(text.column, float(text.ok), ask, _unit(text, column, "limit"))


def _seen(name: str, seen: Mapping[str, Seen], key: str) -> Seen:
    if name not in seen:
        raise WrongKeyError(key, f"unknown column '{name}'{nearest(name, seen)}")
    return seen[name]


def _unit(text: ClauseText | LimitText, column: Seen, key: str) -> str:
    wanted = "" if column.unit == "-" else column.unit
    if text.unit not in (wanted, column.unit):
        raise WrongKeyError(key, f"{text.column} is in {wanted or 'no unit'}, found '{text.unit}'")
    return column.unit
