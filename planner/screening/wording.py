"""The words of a rulebook: which keys a rule may have, which words they may hold."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from planner.contracts.verdicts import NEEDS, URGENCY
from planner.errors import RulebookError
from planner.screening.columns import About, Kind
from planner.toml_text import parse_toml_file

METHODS = ("sleeve", "liner", "dig")
EFFECTS = ("needs", "urgency", "allows", "rules_out", "first", "refer")
ALLOWED_EFFECTS: dict[About, tuple[str, ...]] = {
    "span": EFFECTS,
    "pipe": ("rules_out", "first", "refer"),
    "sleeve": ("rules_out", "refer"),
    "totals": ("refer",),
    "visit": ("rules_out", "refer"),
}
LEVELS: dict[str, tuple[str, ...]] = {
    "needs": tuple(word for word in NEEDS if word != "unknown"),
    "urgency": tuple(word for word in URGENCY if word),
}
OPS: dict[Kind, tuple[str, ...]] = {
    "interval": ("<", "<=", ">", ">=", "=", "is_blank"),
    "number": ("<", "<=", ">", ">=", "=", "is_blank"),
    "text": ("=", "in", "has", "has_none", "is_blank"),
    "list": ("has", "has_none"),
    "flag": ("=", "is_blank"),
}
# No book can open these: the pipe is gone, or a wall of another kind is in it.
NEVER_SLEEVE = frozenset({"collapse", "invert_drop", "lining_defect"})
ID = r"[A-Za-z0-9_-]+"

Work = Literal[
    "", "clean", "cut_roots", "cut_intrusion", "descale", "prove_laterals", "look", "grout", "dig",
    "flow_control",
]  # fmt: skip
Method = Literal["sleeve", "liner", "dig"]
Standing = Literal["cited", "practice", "assumed"]
Day = Annotated[str, Field(pattern=r"^(\d{4}-\d{2}-\d{2})?$")]
Effect = Literal["needs", "urgency", "allows", "rules_out", "first", "refer"]


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) and value else value or []


class _Text(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class ClauseText(_Text):
    """One condition as written."""

    column: str
    op: str
    value: bool | int | float | str | list[str] | None = None
    unit: str = ""


class LimitText(_Text):
    """One limit as written."""

    column: str
    ok: Annotated[float, Field(allow_inf_nan=False)]
    ask: Annotated[float, Field(allow_inf_nan=False)] | None = None
    unit: str = ""


class RuleText(_Text):
    """One rule as written."""

    id: Annotated[str, Field(min_length=1)]
    title: Annotated[str, Field(min_length=1)]
    about: About
    mechanism: list[str] = []
    when: list[ClauseText] = []
    effect: Effect
    level: str = ""
    method: Annotated[list[Method], BeforeValidator(_as_list)] = []
    work: Work = ""
    limit: list[LimitText] = []
    if_blank: Literal["refer", "look", "note"] = "refer"
    because: Annotated[str, Field(min_length=1)]
    source: Annotated[str, Field(min_length=1)]
    standing: Standing
    since: Day = ""
    until: Day = ""


class ChangeText(_Text):
    """One figure of the base book that this book sets otherwise."""

    rule: Annotated[str, Field(min_length=1)]
    column: Annotated[str, Field(min_length=1)]
    end: Literal["ok", "ask", "value"]
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: str = ""
    source: Annotated[str, Field(min_length=1)]
    standing: Standing
    since: Day = ""
    until: Day = ""


class WithoutText(_Text):
    """One rule of the base book that this book does not have."""

    rule: Annotated[str, Field(min_length=1)]
    source: Annotated[str, Field(min_length=1)]


class BookHead(_Text):
    """Name and version of a rulebook, what it is meant for, and the book it rests on."""

    name: Annotated[str, Field(min_length=1)]
    version: Annotated[str, Field(min_length=1)]
    covers: str = ""
    base: str = ""


class BookText(_Text):
    """A whole rulebook as written."""

    book: BookHead
    rule: list[RuleText] = []
    change: list[ChangeText] = []
    without: list[WithoutText] = []


_KEYS: dict[str, tuple[str, ...]] = {
    "": tuple(BookText.model_fields),
    "book": tuple(BookHead.model_fields),
    "rule": tuple(RuleText.model_fields),
    "when": tuple(ClauseText.model_fields),
    "limit": tuple(LimitText.model_fields),
    "change": tuple(ChangeText.model_fields),
    "without": tuple(WithoutText.model_fields),
}


def toml_of(path: Path, what: str) -> dict[str, Any]:
    """Read a TOML file; `what` is its name for a person.

    Raises
    ------
    RulebookError
        One line: the file cannot be read, or is not valid TOML.
    """
    try:
        return parse_toml_file(path)
    except OSError as error:
        message = f"{path.name}: {what} cannot be read: {error.strerror}"
        raise RulebookError(message) from error
    except ValueError as error:
        message = f"{path.name}: not valid TOML: {error}"
        raise RulebookError(message) from error


def nearest(word: str, known: Iterable[str]) -> str:
    """Give '; did you mean ...?' with the nearest known word, or nothing."""
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean {near[0]}?" if near else ""


def first_fault(error: ValidationError, table: Mapping[str, Any]) -> str:
    """Say in one line what pydantic found first: rule, key, what was found and wanted."""
    fault = error.errors()[0]
    where = [str(part) for part in fault["loc"]]
    rule, path = _rule_of(where, table)
    key = ".".join(part for part in path if not part.isdigit() and part not in _TYPES)
    if not rule and len(path) > 1 and path[1].isdigit():
        key = f"{path[0]} {int(path[1]) + 1}: " + key.partition(".")[2]
    place = f"rule {rule}: {key}" if rule else key or "book"
    if fault["type"] == "extra_forbidden":
        section = next((name for name in reversed(path[:-1]) if name in _KEYS), "")
        known = _KEYS["rule" if rule and not section else section]
        return f"{place}: unknown key{nearest(path[-1], known)}"
    if fault["type"] == "missing":
        return f"{place}: is missing"
    return f"{place}: found {fault['input']!r}; {fault['msg']}"


# Parts that pydantic adds to a path for the branch of a union.
_TYPES = frozenset({"bool", "int", "float", "str", "list[str]"})


def _rule_of(where: list[str], table: Mapping[str, Any]) -> tuple[str, list[str]]:
    """Split the path of a fault into the rule's id (or its place in the file) and the rest."""
    if len(where) < 2 or where[0] != "rule" or not where[1].isdigit():
        return "", where
    number = int(where[1])
    entry = table["rule"][number]
    named = entry.get("id") if isinstance(entry, Mapping) else None
    return str(named or f"number {number + 1}"), where[2:]
