"""Rulebooks: a closed vocabulary, and one clear line for whatever is not in it."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import RulebookError
from planner.screening.because import parse
from planner.screening.columns import visible
from planner.screening.rulebook import Rulebook, default_path, load_rulebook, make_rulebook

SPAN_RULE: dict[str, Any] = {
    "id": "r1",
    "title": "A rule",
    "about": "span",
    "mechanism": ["crack"],
    "when": [{"column": "crack_mm", "op": ">", "value": 2, "unit": "mm"}],
    "effect": "needs",
    "level": "mend",
    "because": "crack {crack_mm:.1f} mm",
    "source": "test",
    "standing": "assumed",
}
ALLOW_RULE: dict[str, Any] = {
    "id": "r2",
    "title": "Another",
    "about": "span",
    "mechanism": ["crack"],
    "effect": "allows",
    "method": "sleeve",
    "limit": [{"column": "crack_mm", "ok": 5, "ask": 8, "unit": "mm"}],
    "because": "crack",
    "source": "test",
    "standing": "practice",
}


def book(*rules: dict[str, Any], **overrides: tuple[float, str]) -> Rulebook:
    table = {"book": {"name": "test", "version": "1"}, "rule": list(rules)}
    return make_rulebook(table, "mine.toml", overrides)


def changed(rule: dict[str, Any], **keys: Any) -> dict[str, Any]:
    out = copy.deepcopy(rule) | keys
    return {key: value for key, value in out.items() if value is not None}


def clause(**keys: Any) -> list[dict[str, Any]]:
    return [SPAN_RULE["when"][0] | keys]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (changed(SPAN_RULE, when=clause(column="crak_mm")), "when: unknown column 'crak_mm'"),
        (changed(SPAN_RULE, when=clause(column="crak_mm")), "did you mean crack_mm?"),
        (changed(SPAN_RULE, when=clause(column="cost_cents")), "unknown column 'cost_cents'"),
        (changed(SPAN_RULE, when=clause(op="~")), "when: crack_mm takes < <= > >= = is_blank"),
        (changed(SPAN_RULE, when=clause(op="has")), "found 'has'"),
        (changed(SPAN_RULE, when=clause(value="wide")), "crack_mm wants a number"),
        (changed(SPAN_RULE, when=clause(value=True)), "crack_mm wants a number"),
        (changed(SPAN_RULE, when=clause(unit="cm")), "crack_mm is in mm, found 'cm'"),
        (changed(SPAN_RULE, when=clause(unit="")), "crack_mm is in mm, found ''"),
        (changed(SPAN_RULE, when=clause(opp=">")), "unknown key; did you mean op?"),
        (changed(SPAN_RULE, effect="forbids"), "effect: found 'forbids'"),
        (changed(SPAN_RULE, effect="allow"), "effect: found 'allow'"),
        (changed(SPAN_RULE, level="repair"), "level: found 'repair'; wants nothing | maintain"),
        (changed(SPAN_RULE, level=None), "level: found ''"),
        (changed(SPAN_RULE, about="manhole"), "about: found 'manhole'"),
        (changed(SPAN_RULE, about="pipe", mechanism=None, when=[]), "effect: 'needs' of a pipe"),
        (changed(SPAN_RULE, mechanism=["creck"]), "unknown mechanism 'creck'; did you mean crack"),
        (changed(SPAN_RULE, mechanism=["lateral"]), "unknown mechanism 'lateral'"),
        (changed(SPAN_RULE, method="sleeve"), "method: has no meaning with this effect"),
        (changed(SPAN_RULE, work="clean"), "work: wanted with effect 'first'"),
        (changed(SPAN_RULE, limit=ALLOW_RULE["limit"]), "limit: only with effect 'allows'"),
        (changed(SPAN_RULE, if_blank="guess"), "if_blank: found 'guess'"),
        (changed(SPAN_RULE, effect="urgency", level="now", if_blank="look"), "if_blank: 'look'"),
        (changed(SPAN_RULE, standing="sure"), "standing: found 'sure'"),
        (changed(SPAN_RULE, source=None), "source: is missing"),
        (changed(SPAN_RULE, because=None), "because: is missing"),
        (changed(SPAN_RULE, since="last year"), "since: found 'last year'"),
        (changed(SPAN_RULE, weight=3), "weight: unknown key"),
        (changed(SPAN_RULE, mecanism=["crack"]), "unknown key; did you mean mechanism?"),
        (changed(SPAN_RULE, id="r.1"), "id: wants letters"),
        (changed(SPAN_RULE, because="{crack_mm:.9f}"), "because: a brace may only hold"),
        (changed(SPAN_RULE, because="{crack_mm!r}"), "because: a brace may only hold"),
        (changed(SPAN_RULE, because="{crack_mm.real}"), "because: a brace may only hold"),
        (changed(SPAN_RULE, because="{0}"), "because: a brace may only hold"),
        (changed(SPAN_RULE, because="{{crack_mm}}"), "because: a brace may only hold"),
        (changed(SPAN_RULE, because="{crack_mm"), "because: a brace may only hold"),
        (changed(SPAN_RULE, because="{width}"), "because: unknown column {width}"),
        (changed(SPAN_RULE, because="{material:.1f}"), "because: {material} is no figure"),
        (changed(ALLOW_RULE, method=None), "method: wants sleeve | liner | dig"),
        (changed(ALLOW_RULE, method="robot"), "'robot'"),
        (changed(ALLOW_RULE, mechanism=None), "mechanism: a method is only allowed"),
        (changed(ALLOW_RULE, mechanism=["collapse"]), "collapse is never served by a sleeve"),
        (changed(ALLOW_RULE, mechanism=["crack", "invert_drop"]), "invert_drop is never"),
        (changed(ALLOW_RULE, limit=[{"column": "crack_mm", "ok": 5, "ask": 2, "unit": "mm"}]),
         "limit: crack_mm: ask 2 is below ok 5"),
        (changed(ALLOW_RULE, limit=[{"column": "material", "ok": 5}]), "material is no figure"),
        (changed(ALLOW_RULE, limit=[{"column": "crack_mm", "ok": float("nan"), "unit": "mm"}]),
         "limit.ok"),
        (changed(ALLOW_RULE, effect="first", method=None, limit=None, work="paint"), "'paint'"),
        ("no table", "rule number 1"),
    ],
)  # fmt: skip
def test_what_is_not_in_the_vocabulary_is_refused_in_one_line(rule: Any, words: str) -> None:
    """The line names file, rule and key, and what was wanted."""
    with pytest.raises(RulebookError) as caught:
        book(rule)
    line = str(caught.value)
    assert line.startswith("mine.toml: ")
    assert "\n" not in line
    assert words in line
    if isinstance(rule, dict) and "id" in rule:
        assert f"rule {rule['id']}:" in line


def test_two_rules_of_one_id_are_refused() -> None:
    """An id must name one rule."""
    with pytest.raises(RulebookError, match=r"mine\.toml: rule r1: id: two rules have it"):
        book(SPAN_RULE, SPAN_RULE)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, "book: is missing"),
        ({"book": {"name": "x"}}, "book.version: is missing"),
        ({"book": {"name": "x", "version": "1"}, "rules": []}, "did you mean rule?"),
        ({"book": {"name": "x", "version": "1", "nam": 1}}, "did you mean name?"),
        ({"book": {"name": "x", "version": "1"}, "rule": {}}, "rule: found"),
    ],
)
def test_a_book_without_its_head_is_refused(table: dict[str, Any], words: str) -> None:
    """Name and version are wanted; unknown sections are not passed over."""
    with pytest.raises(RulebookError) as caught:
        make_rulebook(table, "mine.toml")
    assert words in str(caught.value)


def test_a_file_that_is_no_rulebook(tmp_path: Path) -> None:
    """A missing file, and one that is not TOML, are one line each."""
    with pytest.raises(RulebookError, match="cannot be read"):
        load_rulebook(tmp_path / "none.toml")
    for name, content in (("bad.toml", b"[book\n"), ("utf16.toml", b"\xff\xfe\x00")):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(RulebookError, match=f"{name}: not valid TOML"):
            load_rulebook(tmp_path / name)


def test_the_default_book_is_complete() -> None:
    """Every rule has a source and a standing; what is cited names more than own judgement."""
    found = load_rulebook()
    assert default_path().is_file()
    assert [rule.id for rule in found.rules] == sorted(rule.id for rule in found.rules)
    for rule in found.rules:
        assert rule.source
        if rule.standing == "cited":
            assert not rule.source.startswith(("own ", "common practice")), rule.id
        if rule.source.startswith("own "):
            assert rule.standing in ("assumed", "practice"), rule.id
    assert {rule.about for rule in found.rules} == {"span", "pipe", "sleeve", "totals", "visit"}


def test_overrides_change_one_figure_and_say_so() -> None:
    """The limit moves, the source keeps both figures and the reason."""
    found = load_rulebook(
        "default",
        {
            "allow-gap.gap_mm.ok": (40.0, "our packers bridge 40 mm"),
            "crack-mend.crack_mm.value": (1.0, "town council, 2030"),
        },
    )
    rules = {rule.id: rule for rule in found.rules}
    gap, crack = rules["allow-gap"], rules["crack-mend"]
    assert (gap.limit[0].ok, gap.limit[0].ask) == (40.0, 60.0)
    assert gap.source == (
        "project: our packers bridge 40 mm (the book says 30: common practice, no source)"
    )
    assert gap.standing == "assumed"
    assert crack.when[0].value == 1.0
    plain = {rule.id: rule for rule in load_rulebook().rules}
    changed_ids = {name for name, rule in rules.items() if rule != plain[name]}
    assert changed_ids == {"allow-gap", "crack-mend"}


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("r3.crack_mm.ok", (1.0, "why"), "no such rule"),
        ("r2.crack_mm", (1.0, "why"), "wants rule.column.ok"),
        ("r2.crack_mm.best", (1.0, "why"), "wants rule.column.ok"),
        ("r2.gap_mm.ok", (1.0, "why"), "has 0 such figures"),
        ("r2.crack_mm.ok", (1.0, " "), "wants a figure and a reason"),
        ("r2.crack_mm.ok", (float("nan"), "why"), "wants a figure and a reason"),
        ("r2.crack_mm.ok", (9.0, "why"), "ask would lie below ok"),
    ],
)
def test_an_override_that_hits_nothing_is_refused(
    key: str, value: tuple[float, str], words: str
) -> None:
    """A misspelt override must not be passed over in silence."""
    with pytest.raises(RulebookError) as caught:
        book(SPAN_RULE, ALLOW_RULE, **{key: value})
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_rules_may_see() -> None:
    """A span rule sees each figure as one column, and its pipe; file names are not to be seen."""
    seen = visible("span")
    assert seen["crack_mm"].kind == "interval"
    assert seen["crack_mm"].unit == "mm"
    assert seen["dn_mm"].kind == "number"
    assert seen["at_repair"].kind == "flag"
    assert seen["mechanisms"].kind == "list"
    assert not {"crack_mm_low", "crack_mm_high", "file", "row", "geometry"} & set(seen)
    assert "crack_mm" not in visible("pipe")
    assert "laterals_count" in visible("sleeve")


@given(st.text(alphabet="ab{}:.2f_crackmm ", max_size=30))
def test_any_sentence_is_parsed_whole_or_refused(text: str) -> None:
    """Property: what is parsed gives the text back; a stray brace never gets through."""
    seen = visible("span")
    try:
        sentence = parse(text, seen)
    except ValueError:
        assert "{" in text or "}" in text
        return
    back = ""
    for piece in sentence.pieces:
        if isinstance(piece, str):
            assert "{" not in piece
            assert "}" not in piece
            back += piece
        else:
            decimals = "" if piece.decimals is None else f":.{piece.decimals}f"
            back += "{" + piece.column + decimals + "}"
    assert back == text


DATED = {
    "book": {"name": "dated", "version": "1", "base": "default"},
    "change": [
        {"rule": "allow-gap", "column": "gap_mm", "end": "ok", "value": 20.0, "unit": "mm",
         "source": "council of 2027", "standing": "cited", "since": "2027-01-01"},
        {"rule": "allow-gap", "column": "gap_mm", "end": "ask", "value": 40.0, "unit": "mm",
         "source": "council of 2027", "standing": "cited", "since": "2027-01-01",
         "until": "2029-01-01"},
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("day", "bands"),
    [
        ("2026-12-31", (30.0, 60.0)),
        ("2027-01-01", (20.0, 40.0)),
        ("2028-12-31", (20.0, 40.0)),
        ("2029-01-01", (20.0, 60.0)),
        ("", (20.0, 60.0)),
    ],
)
def test_a_dated_limit_holds_on_its_days(day: str, bands: tuple[float, float]) -> None:
    """From ``since`` on, up to the day before ``until``; on an unknown day what does not end."""
    rule = next(r for r in make_rulebook(DATED, "d.toml", day=day).rules if r.id == "allow-gap")
    assert (rule.limit[0].ok, rule.limit[0].ask) == bands
    if bands == (20.0, 40.0):
        assert rule.source == (
            "council of 2027 (the default book says 30, 60: common practice, no source)"
        )


def test_a_dated_rule_gives_way_to_its_successor() -> None:
    """Two rules of one id on days that do not meet: the plan's day picks; the other is idle."""
    first = ALLOW_RULE | {"id": "x", "until": "2027-01-01"}
    then = ALLOW_RULE | {"id": "x", "title": "later", "since": "2027-01-01"}
    table = {"book": {"name": "b", "version": "1"}, "rule": [first, then]}
    early = make_rulebook(table, "b.toml", day="2026-06-01")
    assert [rule.title for rule in early.rules] == [ALLOW_RULE["title"]]
    assert [rule.title for rule in early.idle] == ["later"]
    assert [r.title for r in make_rulebook(table, "b.toml", day="2027-06-01").rules] == ["later"]
    table["rule"] = [first | {"until": "2027-01-02"}, then]
    with pytest.raises(RulebookError, match="two rules have it on the same days"):
        make_rulebook(table, "b.toml", day="2026-06-01")


def test_the_stricter_book_only_narrows_the_default_one() -> None:
    """Each limit of it is at most that of the default book, and no rule of it is missing."""
    strict = {rule.id: rule for rule in load_rulebook("strict").rules}
    narrower = 0
    for rule in load_rulebook().rules:
        for ours, theirs in zip(strict[rule.id].limit, rule.limit, strict=True):
            assert ours.ok <= theirs.ok
            assert ours.ask <= theirs.ask
            narrower += ours != theirs
    assert narrower >= 6


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"book": {"name": "x", "version": "1", "base": "other"}}, "found 'other'; wants default"),
        ({"book": {"name": "x", "version": "1"}}, "book.base: wanted where rules"),
        ({"change": [DATED["change"][0] | {"rule": "allow-gaps"}]}, "did you mean allow-gap"),
        ({"change": [DATED["change"][0] | {"unit": "in"}]}, "gap_mm is in mm, found 'in'"),
        (
            {"change": [DATED["change"][0] | {"column": "crack_mm"}]},
            "allow-gap: crack_mm: the rule has 0",
        ),
        ({"change": [DATED["change"][0] | {"value": 90.0}]}, "ask would lie below ok"),
        ({"change": [DATED["change"][0] | {"end": "top"}]}, "change 1: end"),
        (
            {"without": [{"rule": "nothing", "source": "why"}]},
            "rule nothing: without: no such rule",
        ),
        ({"without": [{"rule": "allow-gap"}]}, "without 1: source: is missing"),
    ],
)
def test_a_book_on_another_that_is_not_understood(more: dict[str, Any], words: str) -> None:
    """One line that names the rule and the key."""
    with pytest.raises(RulebookError) as caught:
        make_rulebook(DATED | more, "d.toml")
    assert words in str(caught.value), str(caught.value)
    assert "\n" not in str(caught.value)
