"""A rulebook: TOML in, checked rules out. A closed vocabulary, no expressions, no eval.

Whatever is not understood stops the load with one line that names file, rule and key:
a rule that is misread in silence would open or close a method for a whole town.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from planner.errors import RulebookError
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
    BookText,
    ClauseText,
    LimitText,
    RuleText,
    first_fault,
    nearest,
)

Value = float | str | bool | tuple[str, ...]
Overrides = Mapping[str, tuple[float, str]]


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


Part = TypeVar("Part", Clause, Limit)


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


@dataclass(frozen=True)
class Rulebook:
    """Rules in order of id, so that their order in the file cannot matter."""

    name: str
    version: str
    file: str
    rules: tuple[Rule, ...]

    def about(self, what: About) -> tuple[Rule, ...]:
        """Give the rules about one kind of thing."""
        return tuple(rule for rule in self.rules if rule.about == what)

    def named(self) -> frozenset[str]:
        """Give the mechanisms that some rule about spans names."""
        return frozenset(name for rule in self.about("span") for name in rule.mechanism)


def default_path() -> Path:
    """Give the path of the rulebook that ships with the package."""
    return Path(str(resources.files("planner").joinpath("data/rulebooks/default.toml")))


def load_rulebook(book: str | Path = "default", overrides: Overrides | None = None) -> Rulebook:
    """Read and check a rulebook.

    Parameters
    ----------
    book
        ``default`` for the packaged one, else the path of a TOML file.
    overrides
        ``{"rule-id.column.ok": (20.0, "reason")}``; the last part is ``ok`` or ``ask``
        of a limit, or ``value`` of a condition, in the unit that the book states.

    Raises
    ------
    RulebookError
        One line naming file, rule and key, for whatever is not understood.
    """
    path = default_path() if book == "default" else Path(book)
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        message = f"{path.name}: rulebook cannot be read: {error.strerror}"
        raise RulebookError(message) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        message = f"{path.name}: not valid TOML: {error}"
        raise RulebookError(message) from error
    return make_rulebook(table, path.name, overrides)


def make_rulebook(
    table: Mapping[str, Any], file: str, overrides: Overrides | None = None
) -> Rulebook:
    """Check a parsed rulebook; `file` is its name in messages.

    Raises
    ------
    RulebookError
        As `load_rulebook`.
    """
    try:
        book = BookText.model_validate(table)
    except ValidationError as error:
        message = f"{file}: {first_fault(error, table)}"
        raise RulebookError(message) from error
    rules: dict[str, Rule] = {}
    for text in book.rule:
        if text.id in rules:
            raise _error(file, text.id, "id", "two rules have it")
        rules[text.id] = _rule(text, file)
    for key, (value, why) in sorted((overrides or {}).items()):
        _override(rules, key, float(value), why, file)
    ordered = tuple(rules[name] for name in sorted(rules))
    return Rulebook(book.book.name, book.book.version, file, ordered)


def _error(file: str, rule: str, key: str, what: str) -> RulebookError:
    return RulebookError(f"{file}: rule {rule}: {key}: {what}")


class _WrongKeyError(ValueError):
    """What is wrong with one key of a rule."""

    def __init__(self, key: str, what: str) -> None:
        super().__init__(what)
        self.key = key


def _rule(text: RuleText, file: str) -> Rule:
    try:
        return _checked(text)
    except _WrongKeyError as error:
        raise _error(file, text.id, error.key, str(error)) from error


def _checked(text: RuleText) -> Rule:
    if not re.fullmatch(ID, text.id):
        raise _WrongKeyError("id", "wants letters, digits, '-' and '_'")
    seen = visible(text.about)
    _check_effect(text)
    _check_mechanisms(text)
    methods = (text.method,) if isinstance(text.method, str) else tuple(text.method)
    if "sleeve" in methods and text.effect == "allows":
        never = sorted(NEVER_SLEEVE & set(text.mechanism))
        if never:
            raise _WrongKeyError("mechanism", f"{never[0]} is never served by a sleeve")
    try:
        because = parse(text.because, seen)
    except ValueError as error:
        raise _WrongKeyError("because", str(error)) from error
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
    )


def _check_effect(text: RuleText) -> None:
    """See that the effect may be had by such a thing, and that its keys fit it."""
    if text.effect not in ALLOWED_EFFECTS[text.about]:
        words = ", ".join(ALLOWED_EFFECTS[text.about])
        raise _WrongKeyError("effect", f"'{text.effect}' of a {text.about}; wants {words}")
    levels = LEVELS.get(text.effect, ())
    if bool(levels) != bool(text.level) or (levels and text.level not in levels):
        wanted = " | ".join(levels) or "none with this effect"
        raise _WrongKeyError("level", f"found '{text.level}'; wants {wanted}")
    if (text.effect == "first") != bool(text.work):
        raise _WrongKeyError("work", "wanted with effect 'first' and with no other")
    _check_method(text)
    if text.limit and text.effect != "allows":
        raise _WrongKeyError("limit", "only with effect 'allows'")
    if text.if_blank == "look" and (
        text.effect in ("urgency", "first") or text.about not in ("span", "pipe")
    ):
        raise _WrongKeyError("if_blank", "'look' only where a method or a need hangs on the figure")


def _check_method(text: RuleText) -> None:
    about_method = text.effect in ("allows", "rules_out", "refer") and text.about in (
        "span",
        "pipe",
    )
    if text.method and not about_method:
        raise _WrongKeyError("method", "has no meaning with this effect")
    if about_method and not text.method and text.effect != "refer":
        raise _WrongKeyError("method", f"wants {' | '.join(METHODS)}")


def _check_mechanisms(text: RuleText) -> None:
    if text.mechanism and text.about != "span":
        raise _WrongKeyError("mechanism", "only in rules about a span")
    if text.effect == "allows" and not text.mechanism:
        raise _WrongKeyError("mechanism", "a method is only allowed for mechanisms that are named")
    known = mechanisms_of("damage", "condition", "flag")
    for name in text.mechanism:
        if name not in known:
            raise _WrongKeyError("mechanism", f"unknown mechanism '{name}'{nearest(name, known)}")


def _clause(text: ClauseText, seen: Mapping[str, Seen]) -> Clause:
    column = _seen(text.column, seen, "when")
    ops = OPS[column.kind]
    if text.op not in ops:
        raise _WrongKeyError("when", f"{text.column} takes {' '.join(ops)}, found '{text.op}'")
    if text.op == "is_blank":
        if text.value is not None or text.unit:
            raise _WrongKeyError("when", f"{text.column} is_blank takes no value and no unit")
        return Clause(text.column, text.op, None, "")
    return Clause(text.column, text.op, _value(text, column), _unit(text, column, "when"))


def _value(text: ClauseText, column: Seen) -> Value:
    value = text.value
    if column.kind in ("interval", "number"):
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise _WrongKeyError("when", f"{text.column} wants a number, found {value!r}")
        return float(value)
    if column.kind == "flag":
        if not isinstance(value, bool):
            raise _WrongKeyError("when", f"{text.column} wants true or false, found {value!r}")
        return value
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, list) or not words or (text.op == "=" and len(words) > 1):
        raise _WrongKeyError("when", f"{text.column} {text.op} wants text, found {value!r}")
    return tuple(sorted(word.strip().casefold() for word in words))


def _limit(text: LimitText, seen: Mapping[str, Seen]) -> Limit:
    column = _seen(text.column, seen, "limit")
    if column.kind not in ("interval", "number"):
        raise _WrongKeyError("limit", f"{text.column} is no figure")
    if text.ask is not None and text.ask < text.ok:
        raise _WrongKeyError("limit", f"{text.column}: ask {text.ask:g} is below ok {text.ok:g}")
    ask = float("inf") if text.ask is None else float(text.ask)
    return Limit(text.column, float(text.ok), ask, _unit(text, column, "limit"))


def _seen(name: str, seen: Mapping[str, Seen], key: str) -> Seen:
    if name not in seen:
        raise _WrongKeyError(key, f"unknown column '{name}'{nearest(name, seen)}")
    return seen[name]


def _unit(text: ClauseText | LimitText, column: Seen, key: str) -> str:
    wanted = "" if column.unit == "-" else column.unit
    if text.unit not in (wanted, column.unit):
        raise _WrongKeyError(key, f"{text.column} is in {wanted or 'no unit'}, found '{text.unit}'")
    return column.unit


def _override(rules: dict[str, Rule], key: str, value: float, why: str, file: str) -> None:
    """Put the project's figure in place of the book's, and say so in the rule's source."""
    parts = key.split(".")
    if len(parts) != 3 or parts[2] not in ("ok", "ask", "value"):
        message = f"{file}: override {key}: wants rule.column.ok, .ask or .value"
        raise RulebookError(message)
    name, column, end = parts
    if name not in rules:
        message = f"{file}: override {key}: no such rule{nearest(name, rules)}"
        raise RulebookError(message)
    if not why.strip() or not math.isfinite(value):
        raise _error(file, name, key, "an override wants a figure and a reason")
    rule = rules[name]
    old = [
        one.value if isinstance(one, Clause) else getattr(one, end)
        for one in (rule.when if end == "value" else rule.limit)
        if one.column == column and isinstance(getattr(one, end), float)
    ]
    if len(old) != 1:
        raise _error(file, name, key, f"the rule has {len(old)} such figures, one is wanted")
    changed = replace(
        rule,
        when=tuple(_set(one, column, end, value) for one in rule.when),
        limit=tuple(_set(one, column, end, value) for one in rule.limit),
        source=f"project: {why.strip()} (the book says {old[0]:g}: {rule.source})",
        standing="assumed",
    )
    if any(one.ask < one.ok for one in changed.limit):
        raise _error(file, name, key, "ask would lie below ok")
    rules[name] = changed


def _set(one: Part, column: str, end: str, value: float) -> Part:
    if one.column == column and isinstance(getattr(one, end, None), float):
        change: dict[str, Any] = {end: value}
        return replace(one, **change)
    return one
