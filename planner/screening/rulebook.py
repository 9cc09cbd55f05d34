"""A rulebook: TOML in, checked rules out. A closed vocabulary, no expressions, no eval.

Whatever is not understood stops the load with one line that names file, rule and key:
a rule that is misread in silence would open or close a method for a whole town. A book
may rest on a packaged one and change single figures of it, each with its own source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from planner.contracts.verdicts import PACKAGED_BOOKS, STANDING
from planner.errors import RulebookError
from planner.screening.because import without_age
from planner.screening.columns import About
from planner.screening.rule_text import Clause, Limit, Rule, WrongKeyError, checked_rule
from planner.screening.wording import BookText, ChangeText, RuleText, first_fault, nearest, toml_of
from planner.toml_text import MAX_BYTES

Overrides = Mapping[str, tuple[float, str]]
Part = TypeVar("Part", Clause, Limit)
Made = TypeVar("Made")


@dataclass(frozen=True)
class Rulebook:
    """Rules in order of id, so that their order in the file cannot matter.

    `idle` are those that are not in force on the day of the plan.
    """

    name: str
    version: str
    file: str
    rules: tuple[Rule, ...]
    idle: tuple[Rule, ...] = ()

    def about(self, what: About) -> tuple[Rule, ...]:
        """Give the rules about one kind of thing."""
        return self._by_thing.get(what, ())

    @cached_property
    def _by_thing(self) -> Mapping[str, tuple[Rule, ...]]:
        found: dict[str, tuple[Rule, ...]] = {}
        for rule in self.rules:
            found[rule.about] = (*found.get(rule.about, ()), rule)
        return found

    def made(self, what: Hashable, make: Callable[[], Made]) -> Made:
        """Give what `make` gives of this book alone, made the first time only."""
        if what not in self._made:
            self._made[what] = make()
        found: Made = self._made[what]
        return found

    @cached_property
    def _made(self) -> dict[Hashable, Any]:
        return {}

    def undated(self) -> Rulebook:
        """Give the book for a plan without a first day: its sentences say why no age is known."""
        return self._undated

    @cached_property
    def _undated(self) -> Rulebook:
        rules = (replace(rule, because=without_age(rule.because)) for rule in self.rules)
        return replace(self, rules=tuple(rules))

    def named(self) -> frozenset[str]:
        """Give the mechanisms that some rule about spans names."""
        return frozenset(name for rule in self.about("span") for name in rule.mechanism)


def default_path() -> Path:
    """Give the path of the rulebook that is used where the project names none."""
    return packaged_path("default")


def packaged_path(name: str) -> Path:
    """Give the path of a rulebook that ships with the package, one of `PACKAGED_BOOKS`."""
    return Path(str(resources.files("planner").joinpath(f"data/rulebooks/{name}.toml")))


def load_rulebook(
    book: str | Path = "default", overrides: Overrides | None = None, *, day: str = ""
) -> Rulebook:
    """Read and check a rulebook, with the book that it rests on.

    Parameters
    ----------
    book
        The name of a packaged one (`PACKAGED_BOOKS`), else the path of a TOML file.
    overrides
        ``{"rule-id.column.ok": (20.0, "reason")}``; the last part is ``ok`` or ``ask``
        of a limit, or ``value`` of a condition, in the unit that the book states.
    day
        YYYY-MM-DD: rules and changes with ``since`` after it, or ``until`` on or before
        it, are not in force. Blank = whatever has no ``until`` is.

    Raises
    ------
    RulebookError
        One line naming file, rule and key, for whatever is not understood.
    """
    path = packaged_path(str(book)) if str(book) in PACKAGED_BOOKS else Path(book)
    try:
        written = path.read_bytes() if path.stat().st_size <= MAX_BYTES else b""
    except OSError:
        written = b""  # said below, in one line
    given = ((key, float(value), why) for key, (value, why) in (overrides or {}).items())
    return _loaded(path, written, tuple(sorted(given)), day)


@lru_cache(maxsize=8)
def _loaded(
    path: Path, _: bytes, overrides: tuple[tuple[str, float, str], ...], day: str
) -> Rulebook:
    """Read a rulebook whose file holds these bytes: the parts of a city have the same one."""
    given = {key: (value, why) for key, value, why in overrides}
    return make_rulebook(toml_of(path, "rulebook"), path.name, given, day=day)


def make_rulebook(
    table: Mapping[str, Any], file: str, overrides: Overrides | None = None, *, day: str = ""
) -> Rulebook:
    """Check a parsed rulebook; `file` is its name in messages.

    Raises
    ------
    RulebookError
        As `load_rulebook`.
    """
    try:
        text = BookText.model_validate(table)
    except ValidationError as error:
        message = f"{file}: {first_fault(error, table)}"
        raise RulebookError(message) from error
    rules, idle = _based_on(text, file, day)
    for one in _own_rules(text, file):
        if in_force(one.since, one.until, day):
            rules[one.id] = one
            idle.pop(one.id, None)
        else:
            idle[one.id] = one
    for key, (value, why) in sorted((overrides or {}).items()):
        _override(rules, key, float(value), why.strip() and f"project: {why.strip()}", file)
    ordered = tuple(rules[name] for name in sorted(rules))
    return Rulebook(
        text.book.name,
        text.book.version,
        file,
        ordered,
        tuple(idle[name] for name in sorted(idle)),
    )


def with_limits(book: Rulebook, limits: Overrides) -> Rulebook:
    """Give a book with other figures, each with who set it and why.

    Raises
    ------
    RulebookError
        If a key names no figure of the book.
    """
    rules = {rule.id: rule for rule in book.rules}
    for key, (value, why) in sorted(limits.items()):
        _override(rules, key, float(value), why, book.file)
    return replace(book, rules=tuple(rules[name] for name in sorted(rules)))


def _own_rules(text: BookText, file: str) -> list[Rule]:
    """Check the rules that the book itself holds; each id may stand once on each day."""
    rules: list[Rule] = []
    for one in text.rule:
        rule = _rule(one, file)
        if any(rule.id == other.id and _meet(rule, other) for other in rules):
            raise _error(file, one.id, "id", "two rules have it on the same days")
        rules.append(rule)
    return rules


def _meet(one: Rule, other: Rule) -> bool:
    """Say whether two rules are in force on some same day."""
    ends = (one.until or "9999-12-31", other.until or "9999-12-31")
    return max(one.since, other.since) < min(ends)


def in_force(since: str, until: str, day: str) -> bool:
    """Say whether something holds on a day; on an unknown day whatever does not end does."""
    if not day:
        return not until
    return since <= day and (not until or day < until)


def _based_on(text: BookText, file: str, day: str) -> tuple[dict[str, Rule], dict[str, Rule]]:
    """Give the rules of the base book with this book's changes, and those not in force."""
    base = text.book.base
    if not base:
        if text.change or text.without:
            message = f"{file}: book.base: wanted where rules of another book are changed"
            raise RulebookError(message)
        return {}, {}
    if base not in PACKAGED_BOOKS or packaged_path(base).name == file:
        message = f"{file}: book.base: found '{base}'; wants {' | '.join(PACKAGED_BOOKS)}"
        raise RulebookError(message)
    under = load_rulebook(base, day=day)
    rules = {rule.id: rule for rule in under.rules}
    for gone in text.without:
        if gone.rule not in rules:
            raise _error(file, gone.rule, "without", f"no such rule{nearest(gone.rule, rules)}")
        del rules[gone.rule]
    changes: dict[str, list[ChangeText]] = {}
    for change in text.change:
        if change.rule not in rules:
            raise _error(file, change.rule, "change", f"no such rule{nearest(change.rule, rules)}")
        _check_unit(rules[change.rule], change, file)
        if in_force(change.since, change.until, day):
            changes.setdefault(change.rule, []).append(change)
    for name, some in changes.items():
        rules[name] = _changed(rules[name], some, base, file)
    return rules, {rule.id: rule for rule in under.idle}


def _changed(old: Rule, changes: list[ChangeText], base: str, file: str) -> Rule:
    """Put the figures of another book into a rule; its source keeps what the base book says."""
    new = old
    for one in changes:
        new = _with_figure(new, one.column, one.end, one.value, file)
    _check_bands(new, file)
    was = ", ".join(f"{_figure(old, one.column, one.end):g}" for one in changes)
    said = "; ".join(dict.fromkeys(one.source for one in changes))
    worst = max((one.standing for one in changes), key=STANDING.index)
    source = f"{said} (the {base} book says {was}: {old.source})"
    return replace(new, title=f"{old.title} (figures changed)", source=source, standing=worst)


def _check_unit(rule: Rule, change: ChangeText, file: str) -> None:
    parts: list[Clause | Limit] = [*rule.when, *rule.limit]
    unit = next((one.unit for one in parts if one.column == change.column), change.unit)
    if change.unit not in (unit, "" if unit == "-" else unit):
        what = f"{change.column} is in {unit}, found '{change.unit}'"
        raise _error(file, change.rule, "change", what)


def _error(file: str, rule: str, key: str, what: str) -> RulebookError:
    return RulebookError(f"{file}: rule {rule}: {key}: {what}")


def _rule(text: RuleText, file: str) -> Rule:
    try:
        return checked_rule(text)
    except WrongKeyError as error:
        raise _error(file, text.id, error.key, str(error)) from error


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
    changed = _with_figure(rule, column, end, value, file)
    _check_bands(changed, file)
    was = _figure(rule, column, end)
    source = f"{why.strip()} (the book says {was:g}: {rule.source})"
    title = f"{rule.title} (figures changed)"
    rules[name] = replace(changed, title=title, source=source, standing="assumed")


def _figure(rule: Rule, column: str, end: str) -> float:
    """Give the one figure of a rule that such a change means; NaN where it is not one."""
    parts: tuple[Clause | Limit, ...] = rule.when if end == "value" else rule.limit
    old = [
        float(getattr(one, end))
        for one in parts
        if one.column == column and isinstance(getattr(one, end), float)
    ]
    return old[0] if len(old) == 1 else math.nan


def _with_figure(rule: Rule, column: str, end: str, value: float, file: str) -> Rule:
    """Put another figure into a rule."""
    if math.isnan(_figure(rule, column, end)):
        parts: tuple[Clause | Limit, ...] = rule.when if end == "value" else rule.limit
        count = sum(one.column == column and isinstance(getattr(one, end), float) for one in parts)
        raise _error(file, rule.id, column, f"the rule has {count} such figures, one is wanted")
    return replace(
        rule,
        when=tuple(_set(one, column, end, value) for one in rule.when),
        limit=tuple(_set(one, column, end, value) for one in rule.limit),
    )


def _check_bands(rule: Rule, file: str) -> None:
    for one in rule.limit:
        if one.ask < one.ok:
            raise _error(file, rule.id, one.column, "ask would lie below ok")


def _set(one: Part, column: str, end: str, value: float) -> Part:
    if one.column == column and isinstance(getattr(one, end, None), float):
        change: dict[str, Any] = {end: value}
        return replace(one, **change)
    return one
