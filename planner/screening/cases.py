"""Cases of a rulebook, as an engineer writes them: one thing, and what the rules must say of it.

A case is TOML. Of the thing only what matters is written; the rest is a plain one: a crack at
10 to 11 m of a pipe DN 300 of vitrified clay, dry, surveyed three months ago, not lined.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from planner.contracts import DEFECTS, PIPE_TOTALS, PIPES, SETUPS, SLEEVES, SPANS, VISITS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.errors import RulebookError, TableError
from planner.screening.columns import visible
from planner.screening.rule_text import Clause, Limit, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.screen import screen, screen_sleeves, screen_visits
from planner.screening.wording import nearest, toml_of
from planner.tables import Table, conform

PIPE: dict[str, Any] = {
    "pipe_id": "P", "us_node": "N1", "ds_node": "N2", "shape": "circular", "dn_mm": 300.0,
    "material": "vitrified clay", "lined": False, "length_m": 40.0, "drawn_m": 40.8,
    "length_from": "survey", "water_over_crown_m": -1.0,
}  # fmt: skip
SPAN: dict[str, Any] = {
    "span_id": "D", "pipe_id": "P", "from_m": 10.0, "to_m": 11.0, "kind": "point",
    "role": "damage", "mechanisms": "crack", "extent_from": "assumed", "soil_visible": False,
    "void_visible": False, "at_joint": False, "at_lateral": False, "find_m": 0.3,
    "survey_age_months": 3.0, "counter_node": "N1",
}  # fmt: skip
SLEEVE: dict[str, Any] = {
    "sleeve_id": "S", "pipe_id": "P", "from_m": 10.0, "to_m": 12.0, "length_m": 2.0,
    "end": "pipe", "dn_mm": 300.0, "system": "any", "counter_node": "N1", "counter_m": 10.0,
    "laterals_count": 0, "bend_deg": 0.0, "laterals_unknown": False, "lateral_edge_m": 3.0,
}  # fmt: skip
TOTALS: dict[str, Any] = {"pipe_id": "P", "sleeves_count": 1, "sleeved_ratio": 0.05}
_BESIDE: dict[str, Any] = {
    "inspection_id": "I", "code": "x", "role": "place", "kind": "point", "extent_from": "coded",
    "counter_node": "N1", "counter_m": 0.0, "find_m": 0.3, "from_m": 10.0, "to_m": 10.5,
    "x_from_m": 10.0, "x_to_m": 10.5,
}  # fmt: skip
_THINGS = ("span", "sleeve", "totals", "visit")


class Case(BaseModel):
    """One case: the thing and its pipe, what is wanted of it, which rules speak, ask, are silent.

    `want` holds columns of `VERDICTS`. A rule `speaks` where it holds for certain; of an
    allowing rule that means that its limit is kept. It `asks` where it is undecided, or turns
    a blank into a look or a note. It is `silent` where it does not hold, or fails.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: Annotated[str, Field(min_length=1)]
    span: dict[str, Any] = {}
    sleeve: dict[str, Any] = {}
    totals: dict[str, Any] = {}
    visit: dict[str, Any] = {}
    pipe: dict[str, Any] = {}
    beside: list[dict[str, Any]] = []
    want: dict[str, Any] = {}
    speaks: list[str] = []
    asks: list[str] = []
    silent: list[str] = []

    @property
    def about(self) -> str:
        """What the case is about; a span where nothing is named."""
        return next((name for name in _THINGS[1:] if getattr(self, name)), "span")


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    case: list[Case]


@dataclass(frozen=True)
class Tried:
    """What came of one case: `faults` is empty where it holds."""

    case: Case
    faults: list[str] = field(default_factory=list)


def read_cases(path: Path) -> list[Case]:
    """Read a file of cases.

    Raises
    ------
    RulebookError
        One line that names file, case and key.
    """
    table = toml_of(path, "cases")
    try:
        cases = _File.model_validate(table).case
    except ValidationError as error:
        fault = error.errors()[0]
        where = [str(part + 1) if isinstance(part, int) else part for part in fault["loc"]]
        message = f"{path.name}: {' '.join(where)}: found {fault['input']!r}; {fault['msg']}"
        raise RulebookError(message) from error
    for number, case in enumerate(cases, 1):
        _check_columns(case, f"{path.name}: case {number} ({case.title})")
    return cases


def _check_columns(case: Case, where: str) -> None:
    known = {"span": (SPANS, PIPES), "sleeve": (SLEEVES,), "totals": (PIPE_TOTALS,),
             "visit": (VISITS, SETUPS), "pipe": (PIPES,)}  # fmt: skip
    for part, tables in known.items():
        names = {name for table in tables for name in table.names}
        names |= set(SPAN_QUANTITIES) if part == "span" else set()
        for name in getattr(case, part):
            if name not in names:
                message = f"{where}: {part}.{name}: unknown column{nearest(name, names)}"
                raise RulebookError(message)


def try_cases(cases: Sequence[Case], rulebook: Rulebook) -> list[Tried]:
    """Hold cases against a rulebook, each on a pipe of its own.

    Parameters
    ----------
    cases
        As `read_cases` gave them.
    rulebook
        The book that they are about.

    Raises
    ------
    RulebookError
        If a case holds a value that its column cannot have.
    """
    try:
        return _all_tried(cases, rulebook)
    except TableError:
        for case in cases:
            try:
                _all_tried([case], rulebook)
            except TableError as error:
                message = f"case '{case.title}': {error}"
                raise RulebookError(message) from error
        raise


def _all_tried(cases: Sequence[Case], rulebook: Rulebook) -> list[Tried]:
    pipes = conform(
        [PIPE | _blanks(case.pipe) | {"pipe_id": _key("P", n)} for n, case in enumerate(cases)],
        PIPES,
        crs="EPSG:32633",
    )
    beside = conform(
        [
            _BESIDE | row | {"pipe_id": _key("P", n), "observation_id": f"B-{n:05d}-{k}"}
            for n, case in enumerate(cases)
            for k, row in enumerate(case.beside)
        ],
        DEFECTS,
    )
    spans = conform(_rows(cases, "span", SPAN, "span_id", "D"), SPANS)
    screened = screen(spans, pipes, rulebook, defects=beside)
    sleeves = conform(_rows(cases, "sleeve", SLEEVE, "sleeve_id", "S"), SLEEVES)
    totals = conform(_rows(cases, "totals", TOTALS, "", ""), PIPE_TOTALS)
    placed = screen_sleeves(sleeves, pipes, totals, rulebook, defects=beside)
    visits, setups = _visits(cases)
    week = screen_visits(visits, setups, pipes, rulebook)
    said = pd.concat([screened.findings, placed.findings, week])
    by_key = {str(key): part for key, part in said.groupby("key")}
    verdicts = screened.verdicts.set_index("span_id")
    return [_tried(case, n, by_key, verdicts, rulebook) for n, case in enumerate(cases)]


def _key(letter: str, number: int) -> str:
    return f"{letter}-{number:05d}"


def _blanks(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: None if value == "blank" else value for name, value in row.items()}


def _rows(
    cases: Sequence[Case], about: str, plain: Mapping[str, Any], key: str, letter: str
) -> list[dict[str, Any]]:
    rows = []
    for n, case in enumerate(cases):
        if case.about == about:
            dn_mm = case.pipe.get("dn_mm", plain.get("dn_mm"))
            own = _intervals(getattr(case, about))
            row = {
                **plain,
                **({"dn_mm": dn_mm} if about == "sleeve" else {}),
                **own,
                "pipe_id": _key("P", n),
            }
            rows.append(row | ({key: _key(letter, n)} if key else {}))
    return rows


def _intervals(values: Mapping[str, Any]) -> dict[str, Any]:
    """Write a figure as its two ends: a number is measured, a pair a class, "inf" open."""
    row: dict[str, Any] = {}
    for name, value in _blanks(values).items():
        if name not in SPAN_QUANTITIES:
            row[name] = value
        elif value is not None:
            low, high = value if isinstance(value, list) else (value, value)
            row[f"{name}_low"] = float(low)
            row[f"{name}_high"] = None if high == "inf" else float(high)
    return row


def _visits(cases: Sequence[Case]) -> tuple[pd.DataFrame, pd.DataFrame]:
    visits, setups = [], []
    for n, case in enumerate(cases):
        if case.about == "visit":
            row = _blanks(case.visit)
            ids = {"visit_id": _key("V", n), "setup_id": _key("U", n), "crew": _key("C", n)}
            visits.append(
                _least(VISITS) | ids | {k: v for k, v in row.items() if k in VISITS.names}
            )
            of_setup = {k: v for k, v in row.items() if k not in VISITS.names}
            setups.append(_least(SETUPS) | of_setup | ids | {"pipe_id": _key("P", n)})
    return conform(visits, VISITS), conform(setups, SETUPS)


def _least(table: Table) -> dict[str, Any]:
    """Fill what a row may not leave blank with the least that its contract takes."""
    plain = {"text": "x", "date": "2026-01-12", "flag": False}
    return {
        column.name: column.one_of[0] if column.one_of else plain.get(column.kind, column.low or 0)
        for column in table.columns
        if not column.blank
    }


def _tried(
    case: Case,
    n: int,
    by_key: Mapping[str, pd.DataFrame],
    verdicts: pd.DataFrame,
    rulebook: Rulebook,
) -> Tried:
    letter = {"span": "D", "sleeve": "S", "totals": "P", "visit": "V"}[case.about]
    keys = dict.fromkeys((_key(letter, n), _key("P", n)))
    rows = [by_key[key] for key in keys if key in by_key]
    said = pd.concat(rows) if rows else pd.DataFrame(columns=["rule_id", "state", "effect"])
    faults = []
    if case.about == "span":
        verdict = verdicts.loc[_key("D", n)]
        for name, wanted in case.want.items():
            found = verdict.get(name, "no such column")
            if found != wanted:
                faults.append(f"{name}: found {found!r}, wanted {wanted!r}")
    rules = {rule.id: rule for rule in rulebook.rules}
    for wanted, names in (("yes", case.speaks), ("undecided", case.asks), ("no", case.silent)):
        for name in names:
            faults += _faults_of(rules.get(name), name, said, wanted, rules)
    return Tried(case, faults)


def _faults_of(
    rule: Rule | None, name: str, said: pd.DataFrame, wanted: str, rules: Mapping[str, Rule]
) -> list[str]:
    if rule is None:
        return [f"rule {name}: not in the book{nearest(name, rules)}"]
    rows = said[said["rule_id"] == name]
    own, turned = rows[rows["effect"] == rule.effect], rows[rows["effect"] != rule.effect]
    states = set(own["state"])
    found = " and ".join(sorted(states)) or "silent"
    if wanted == "yes" and states != {"yes"}:
        return [f"rule {name}: {found}, wanted to hold"]
    # A blank may be turned into a look or a note: the rule then says that instead.
    if wanted == "undecided" and states != {"undecided"} and not len(turned):
        return [f"rule {name}: {found}, wanted undecided, a look or a note"]
    if wanted == "no" and (states - {"no"} or len(turned)):
        return [f"rule {name}: {found}, wanted silent"]
    return []


def uncovered(cases: Sequence[Case], rulebook: Rulebook) -> list[str]:
    """Say of each rule which case it lacks: one where it holds, one where not, one on a blank.

    A rule of mechanisms alone has nothing that could be blank.
    """
    spoken = {name for case in cases for name in case.speaks}
    asked = {name for case in cases for name in case.asks}
    silent = {name for case in cases for name in case.silent}
    lines = []
    for rule in rulebook.rules:
        lacks = [
            word
            for word, names, needed in (
                ("holds", spoken, True),
                ("is silent", silent, True),
                ("meets a blank", asked, can_be_blank(rule)),
            )
            if needed and rule.id not in names
        ]
        if lacks:
            lines.append(f"rule {rule.id}: no case in which it {', or in which it '.join(lacks)}")
    return lines


def case_lines(tried: Sequence[Tried], lacking: Sequence[str], rules_count: int) -> list[str]:
    """Print what came of cases: those that do not hold, rules without their cases, the sum."""
    failed = [one for one in tried if one.faults]
    lines = []
    for one in failed:
        lines += [f"case '{one.case.title}':", *(f"  {fault}" for fault in one.faults)]
    return [
        *lines,
        *lacking,
        f"{len(tried)} cases, {len(failed)} do not hold; of {rules_count} rules "
        f"{rules_count - len(lacking)} have all their cases",
    ]


def can_be_blank(rule: Rule) -> bool:
    """Tell whether a figure, text or flag that a rule looks at may be unknown."""
    parts: list[Clause | Limit] = [*rule.when, *rule.limit]
    seen = visible(rule.about)
    blank = {
        part.column
        for part in parts
        if seen[part.column].kind != "list"
        and not (isinstance(part, Clause) and part.op == "is_blank")
    }
    tables: tuple[Table, ...] = (SPANS, SLEEVES, PIPE_TOTALS, VISITS, SETUPS)
    never = {c.name for table in tables for c in table.columns if not c.blank}
    never |= {"at_repair", "at_lining", "repair_touched", "size_change_inside"}
    never |= {"size_changes", "lining_changes"}
    return bool(blank - never)
