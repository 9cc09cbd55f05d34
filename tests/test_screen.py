"""Screening by the default book: cases an engineer can read, and what must always hold."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from planner.contracts import (
    DEFECTS,
    FINDINGS,
    PIPE_TOTALS,
    SETUPS,
    SLEEVES,
    VERDICTS,
    VISITS,
)
from planner.errors import TableError
from planner.ground.codes import mechanisms_of
from planner.screening.cases import Tried, read_cases, try_cases, uncovered
from planner.screening.rulebook import Rulebook, load_rulebook, make_rulebook
from planner.screening.screen import screen, screen_sleeves, screen_visits
from planner.tables import check, conform, empty
from tests.bench.rules import make_spans, rows_of
from tests.plain_rules import METHODS, judge
from tests.screening_rows import (
    pipes_of,
    said_of,
    screen_many,
    screen_one,
    spans_of,
    verdict_one,
)

FOLDER = Path(__file__).parent / "cases"
ALL = [case for path in sorted(FOLDER.glob("*.toml")) for case in read_cases(path)]
CASES = tomllib.loads((FOLDER / "default_book.toml").read_text("utf-8"))["case"]


@pytest.fixture(scope="module")
def book() -> Rulebook:
    """The default rulebook."""
    return load_rulebook()


@pytest.fixture(scope="module")
def tried(book: Rulebook) -> list[Tried]:
    """All cases of tests/cases, each on its own pipe."""
    return try_cases(ALL, book)


@pytest.mark.parametrize("n", range(len(ALL)), ids=lambda n: ALL[n].title)
def test_case(n: int, tried: list[Tried]) -> None:
    """The verdict and the rules behind it are those the case states."""
    assert tried[n].faults == []


def test_every_rule_has_a_case_that_holds_one_that_does_not_and_one_on_a_blank(
    book: Rulebook,
) -> None:
    """Add a rule, get a test: none of the book stands without its cases."""
    assert uncovered(ALL, book) == []


def test_each_rule_on_a_figure_is_undecided_once_the_figure_is_gone(book: Rulebook) -> None:
    """Blank the figure of a rule that spoke: it never speaks for certain any more.

    It is undecided, or turns into the look or the note that it asks for.
    """
    rules = {rule.id: rule for rule in book.rules}
    blanked = []
    for case in CASES:
        for name in case.get("speaks", []):
            columns = {one.column for one in (*rules[name].when, *rules[name].limit)}
            columns -= {"mechanisms", "lent", "soil_visible", "void_visible"}
            for column in sorted(columns & set(case["span"])):
                span = {key: value for key, value in case["span"].items() if key != column}
                span |= {column: "blank"} if column.startswith(("at_", "survey")) else {}
                blanked.append((rules[name], column, (span, case.get("pipe", {}))))
    found = screen_many([case for _, _, case in blanked], book)
    assert len(blanked) > 40
    for n, (rule, column, _) in enumerate(blanked):
        said = said_of(found, n)
        said = said[said["rule_id"] == rule.id]
        if rule.if_blank == "look":
            assert "look" in set(said["subject"]), (rule.id, column)
        else:
            certain = (said["state"] == "yes") & (said["effect"] == rule.effect)
            assert not certain.any(), (rule.id, column)


def test_an_empty_book_yields_no_sleeve() -> None:
    """Closed by default: without rules every span is referred and no method is open."""
    nothing = make_rulebook({"book": {"name": "empty", "version": "1"}}, "empty.toml")
    spans = spans_of(*(case["span"] | {"span_id": f"D-{n}"} for n, case in enumerate(CASES)))
    found = screen(spans, pipes_of({}), nothing)
    verdicts = found.verdicts[spans["state"].to_numpy() != "mended"]
    assert set(verdicts["verdict"]) == {"refer"}
    assert not (found.verdicts[["sleeve", "liner", "dig"]] == "open").any(axis=None)
    assert verdicts["why"].str.startswith("no rule names").all()


def without(book: Rulebook, mechanism: str) -> Rulebook:
    """The book with every mention of a mechanism struck out."""
    kept = []
    for rule in book.rules:
        left = tuple(name for name in rule.mechanism if name != mechanism)
        if left or not rule.mechanism:
            kept.append(type(rule)(**(vars(rule) | {"mechanism": left})))
    return Rulebook(book.name, book.version, book.file, tuple(kept))


@pytest.mark.parametrize("mechanism", mechanisms_of("damage", "condition", "flag"))
def test_without_its_rules_a_mechanism_is_referred(mechanism: str, book: Rulebook) -> None:
    """Strike a mechanism out of the book: its spans go to a person, alone and in company."""
    poorer = without(book, mechanism)
    alone = {"mechanisms": mechanism, "crack_mm": 3.0, "leak_level": 2.0, "gap_mm": 20.0,
             "deformation_pct": 5.0, "offset_mm": 22.0, "offset_dn_ratio": 0.07,
             "missing_dn_ratio": 0.1, "break_dn_ratio": 0.1, "sag_pct": 5.0}  # fmt: skip
    other = "fracture" if mechanism == "crack" else "crack"
    pair = alone | {"mechanisms": "+".join(sorted((mechanism, other)))}
    verdicts = screen_many([(alone, {}), (pair, {})], poorer).verdicts
    assert list(verdicts["verdict"]) == ["refer", "refer"]
    assert not (verdicts["sleeve"] == "open").any()
    assert verdicts["why"].str.contains(f"no rule names {mechanism}").any()


def test_the_default_book_names_every_mechanism(book: Rulebook) -> None:
    """Nothing is referred for want of a rule."""
    names = mechanisms_of("damage", "condition", "flag")
    assert set(names) <= book.named()
    found = screen_many([({"mechanisms": name}, {}) for name in names], book).findings
    assert not found["why"].str.contains("no rule").any()


def test_the_order_of_rules_cannot_matter(book: Rulebook) -> None:
    """Shuffled books give the same verdicts and findings, to the byte."""
    spans = spans_of(*(case["span"] | {"span_id": f"D-{n:03d}"} for n, case in enumerate(CASES)))
    pipes = pipes_of({})
    first = screen(spans, pipes, book)
    table = tomllib.loads(default_text())
    for seed in range(3):
        order = np.random.default_rng(seed).permutation(len(table["rule"]))
        shuffled = table | {"rule": [table["rule"][n] for n in order]}
        again = screen(spans, pipes, make_rulebook(shuffled, "default.toml"))
        pd.testing.assert_frame_equal(again.verdicts, first.verdicts)
        pd.testing.assert_frame_equal(again.findings, first.findings)


def default_text() -> str:
    """The text of the packaged book."""
    path = Path(__file__).parents[1] / "planner" / "data" / "rulebooks" / "default.toml"
    return path.read_text("utf-8")


def test_the_order_of_rows_cannot_matter_and_spans_do_not_touch_each_other(
    book: Rulebook,
) -> None:
    """Each span alone gets the verdict that it gets among all others, in any order."""
    rows = [case["span"] | {"span_id": f"D-{n:03d}"} for n, case in enumerate(CASES)]
    pipes = pipes_of({})
    spans = spans_of(*rows)
    together = screen(spans, pipes, book).verdicts
    shuffled = spans.sample(frac=1.0, random_state=3)
    pd.testing.assert_frame_equal(screen(shuffled, pipes, book).verdicts, together)
    for n in range(0, len(rows), 20):
        alone = screen(spans_of(rows[n]), pipes, book).verdicts
        expected = together[together["span_id"] == rows[n]["span_id"]].reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, expected)


def test_more_knowledge_never_turns_a_refusal_into_an_opening_that_it_forbids(
    book: Rulebook,
) -> None:
    """Narrow an interval: a closed method stays closed and an open one stays open.

    What holds for a whole class holds for each figure in it (soundness of the intervals).
    """
    rng = np.random.default_rng(11)
    kinds = [("crack", "crack_mm", 8.0), ("deformation", "deformation_pct", 15.0),
             ("joint_gap", "gap_mm", 80.0), ("infiltration", "leak_level", 5.0)]  # fmt: skip
    wide, narrow = [], []
    for n in range(400):
        mechanism, column, top = kinds[n % 4]
        low, high = sorted(rng.uniform(0.0, top, 2))
        wide.append(({"mechanisms": mechanism, column: [low, high]}, {}))
        narrow.append(({"mechanisms": mechanism, column: rng.uniform(low, high)}, {}))
    known = screen_many(wide, book).verdicts
    better = screen_many(narrow, book).verdicts
    checked = 0
    for method in ("sleeve", "liner", "dig"):
        sure = known[method] != "asked"
        assert (known.loc[sure, method] == better.loc[sure, method]).all()
        checked += int(sure.sum())
    mend = known["needs"] == "mend"
    assert (better.loc[mend, "needs"] == "mend").all()
    assert checked > 400
    assert 0 < mend.sum() < 400


def test_input_stays_as_it_was_and_output_keeps_the_contracts(book: Rulebook) -> None:
    """Tables in are not touched; tables out obey their contracts."""
    spans, pipes = spans_of({"crack_mm": 3.0}), pipes_of({})
    before = spans.copy(deep=True), pipes.copy(deep=True)
    found = screen(spans, pipes, book)
    check(found.findings, FINDINGS)
    check(found.verdicts, VERDICTS)
    pd.testing.assert_frame_equal(spans, before[0])
    pd.testing.assert_frame_equal(pipes, before[1])


def test_no_spans_give_no_verdicts(book: Rulebook) -> None:
    """An empty survey is screened as an empty table."""
    found = screen(spans_of(), pipes_of({}), book)
    assert found.verdicts.empty
    assert found.findings.empty


def test_a_broken_table_is_refused(book: Rulebook) -> None:
    """A missing column stops the step with its name."""
    with pytest.raises(TableError, match="mechanisms"):
        screen(spans_of({}).drop(columns="mechanisms"), pipes_of({}), book)


def test_a_span_on_a_pipe_that_is_not_there_is_referred(book: Rulebook) -> None:
    """Nothing of the pipe is known, so its size might bar any sleeve."""
    verdict = verdict_one({"pipe_id": "P9", "mechanisms": "crack", "crack_mm": 3.0}, None, book)
    assert (verdict["verdict"], verdict["rules"]) == ("refer", "pipe-large+pipe-small")


# ---------------------------------------------------------------- what lies beside a span


def placed(*rows: dict[str, Any]) -> pd.DataFrame:
    """DEFECTS of place rows: mechanism, detail, from_m, to_m."""
    table = [
        {"observation_id": f"i:{n}", "inspection_id": "i", "code": "BCB", "role": "place",
         "pipe_id": "P1", "x_from_m": row["from_m"], "x_to_m": row["to_m"], "kind": "point",
         "extent_from": "coded", "counter_node": "N1", "counter_m": row["from_m"], "find_m": 0.3}
        | row
        for n, row in enumerate(rows)
    ]  # fmt: skip
    return conform(table, DEFECTS)


def test_damage_at_an_earlier_repair_is_never_sleeved(book: Rulebook) -> None:
    """A repair that touches the span [10, 11] closes the sleeve; one at 12 m does not."""
    crack = {"mechanisms": "crack", "crack_mm": 3.0}
    near = placed({"mechanism": "existing_repair", "detail": "", "from_m": 10.9, "to_m": 11.4})
    far = placed({"mechanism": "existing_repair", "detail": "", "from_m": 12.0, "to_m": 12.5})
    verdict = verdict_one(crack, None, book, near)
    assert (verdict["sleeve"], verdict["verdict"]) == ("closed", "refer")
    assert "refer-at-repair" in verdict["rules"]
    assert verdict_one(crack, None, book, far)["verdict"] == "sleeve"


def test_no_book_opens_a_lining_or_a_collapse_to_a_sleeve() -> None:
    """Even a book that refers nothing cannot sleeve a lined place."""
    book = make_rulebook(generous(), "generous.toml")
    crack = {"mechanisms": "crack", "crack_mm": 3.0}
    assert verdict_one(crack, None, book)["verdict"] == "sleeve"
    lining = placed(
        {"mechanism": "existing_repair", "detail": "local lining", "from_m": 10.2, "to_m": 10.6}
    )
    for found in (
        screen_one(crack, None, book, lining),
        screen_one(crack, {"lined": True}, book),
    ):
        assert found.verdicts.iloc[0]["sleeve"] == "closed"
        assert found.findings["why"].str.contains("never a sleeve").any()
    both = {"mechanisms": "collapse+crack", "crack_mm": 3.0}
    assert verdict_one(both, None, book)["sleeve"] == "closed"


def generous() -> dict[str, Any]:
    """A book that mends and sleeves cracks, and digs and lines everything else it names."""
    common = {"about": "span", "because": "so", "source": "test", "standing": "assumed"}
    names = ["crack", "collapse"]
    return {
        "book": {"name": "generous", "version": "1"},
        "rule": [
            common | {"id": "a", "title": "a", "mechanism": names, "effect": "needs",
                      "level": "mend"},
            common | {"id": "b", "title": "b", "mechanism": ["crack"], "effect": "allows",
                      "method": "sleeve"},
            common | {"id": "c", "title": "c", "mechanism": names, "effect": "allows",
                      "method": ["liner", "dig"]},
        ],
    }  # fmt: skip


def test_a_rules_out_is_never_undone() -> None:
    """However many rules allow a method, one that rules it out for certain closes it."""
    table = generous()
    table["rule"].append(
        {"id": "z", "title": "z", "about": "span", "effect": "rules_out", "method": "sleeve",
         "when": [{"column": "crack_mm", "op": ">", "value": 2.0, "unit": "mm"}],
         "because": "too wide", "source": "test", "standing": "assumed"}
    )  # fmt: skip
    book = make_rulebook(table, "book.toml")
    wide, narrow, blank, klass = (
        verdict_one({"mechanisms": "crack"} | figure, None, book)
        for figure in ({"crack_mm": 3.0}, {"crack_mm": 1.0}, {}, {"crack_mm": [1.0, 3.0]})
    )
    assert (wide["sleeve"], wide["verdict"]) == ("closed", "liner")
    assert (narrow["sleeve"], narrow["verdict"]) == ("open", "sleeve")
    for doubtful in (blank, klass):
        assert (doubtful["sleeve"], doubtful["verdict"]) == ("asked", "refer")
        assert doubtful["rules"] == "z"


def test_a_method_needs_a_passing_allows_for_each_mechanism() -> None:
    """The liner is allowed for both, the sleeve for the crack alone: the liner it is."""
    table = generous()
    table["rule"][0]["mechanism"] = table["rule"][2]["mechanism"] = ["crack", "joint_gap"]
    book = make_rulebook(table, "book.toml")
    verdict = verdict_one({"mechanisms": "crack+joint_gap"}, None, book)
    assert (verdict["sleeve"], verdict["liner"], verdict["verdict"]) == ("closed", "open", "liner")


def test_an_open_question_that_cannot_tip_is_passed_over() -> None:
    """A second allows with an undecided limit changes nothing where the first one passes."""
    table = generous()
    table["rule"].append(
        {"id": "z", "title": "z", "about": "span", "mechanism": ["crack"], "effect": "allows",
         "method": "sleeve", "limit": [{"column": "crack_mm", "ok": 2.0, "unit": "mm"}],
         "because": "narrow", "source": "test", "standing": "assumed"}
    )  # fmt: skip
    book = make_rulebook(table, "book.toml")
    assert verdict_one({"mechanisms": "crack"}, None, book)["sleeve"] == "open"


def test_the_finding_names_figure_limit_and_source(book: Rulebook) -> None:
    """8 % against 5 %: the finding carries all that a person needs to check it."""
    found = screen_one({"mechanisms": "deformation", "deformation_pct": 8.0}, None, book).findings
    row = found[
        (found["rule_id"] == "allow-deformation-sleeve") & (found["subject"] == "sleeve")
    ].iloc[0]
    assert (row["column"], row["low"], row["high"], row["limit"], row["unit"]) == (
        "deformation_pct", 8.0, 8.0, 5.0, "%",
    )  # fmt: skip
    assert row["why"] == "deformed by 8 %"
    assert row["standing"] == "practice"
    assert "F1216" in row["source"]


def test_verdicts_say_whether_they_rest_on_an_assumption(book: Rulebook) -> None:
    """A crack rests on cited rules; a joint gap on an assumed one."""
    assert not verdict_one({"mechanisms": "crack", "crack_mm": 3.0}, None, book)["assumed"]
    assert verdict_one({"mechanisms": "joint_gap", "gap_mm": 20.0}, None, book)["assumed"]
    assert verdict_one({"mechanisms": "weld_defect"}, None, book)["assumed"]
    assert not verdict_one({"mechanisms": "collapse"}, None, book)["assumed"]


def test_every_referral_names_its_rule(book: Rulebook) -> None:
    """No case is referred by the default book without the rules that did it."""
    rows = [case["span"] | {"span_id": f"D-{n:03d}"} for n, case in enumerate(CASES)]
    verdicts = screen(spans_of(*rows), pipes_of({}), book).verdicts
    referred = verdicts[verdicts["verdict"] == "refer"]
    assert len(referred) > 20
    assert (referred["rules"] != "").all()
    assert (verdicts.loc[verdicts["verdict"] != "refer", "rules"] == "").all()
    assert (verdicts["why"] != "").all()


# ---------------------------------------------------------------- sleeves, totals, visits


def sleeves_of(*rows: dict[str, Any]) -> pd.DataFrame:
    """SLEEVES of such rows."""
    plain = {"pipe_id": "P1", "from_m": 10.0, "to_m": 11.0, "length_m": 1.0, "end": "pipe",
             "dn_mm": 300.0, "system": "felt", "counter_node": "N1", "counter_m": 10.0,
             "laterals_count": 0, "laterals_unknown": False}  # fmt: skip
    return conform([plain | {"sleeve_id": f"S-{n}"} | row for n, row in enumerate(rows)], SLEEVES)


def test_rules_about_sleeves(book: Rulebook) -> None:
    """Two laterals and 4 m are referred; 6 m, a lateral at DN 100 and a repair are barred."""
    sleeves = sleeves_of(
        {},
        {"laterals_count": 2},
        {"length_m": 4.0, "to_m": 14.0},
        {"length_m": 6.0, "to_m": 16.0},
        {"laterals_count": 1, "dn_mm": 100.0},
        {"from_m": 20.0, "to_m": 21.0},
        {"from_m": 30.0, "to_m": 31.0},
    )
    beside = placed(
        {"mechanism": "existing_repair", "detail": "", "from_m": 20.5, "to_m": 20.6},
        {"mechanism": "size_change", "detail": "", "from_m": 30.4, "to_m": 30.5},
    )
    found = screen_sleeves(sleeves, pipes_of({}), empty(PIPE_TOTALS), book, defects=beside)
    assert dict(zip(found.barred["sleeve_id"], found.barred["rules"], strict=True)) == {
        "S-3": "sleeve-too-long",
        "S-4": "sleeve-small-connection",
        "S-5": "sleeve-on-repair",
        "S-6": "sleeve-size-change",
    }
    assert dict(zip(found.referred["sleeve_id"], found.referred["rules"], strict=True)) == {
        "S-1": "sleeve-connections",
        "S-2": "sleeve-long",
    }
    assert list(found.barred.columns) == [
        "sleeve_id", "pipe_id", "from_m", "to_m", "rules", "why",
    ]  # fmt: skip
    check(found.findings, FINDINGS)
    # without placed rows nothing is known to lie beside, and nothing is barred for it
    alone = screen_sleeves(sleeves, pipes_of({}), empty(PIPE_TOTALS), book)
    assert set(alone.barred["sleeve_id"]) == {"S-3", "S-4"}


def test_a_note_on_what_is_not_stated_does_not_speak_against_the_verdict(book: Rulebook) -> None:
    """Not known whether lined: taken as not, and said so; the crack is for a sleeve."""
    crack = {"mechanisms": "crack", "crack_mm": 3.0}
    for lined, begins in ((None, "not stated, taken as not so: "), (True, "")):
        found = screen_one(crack, {"lined": lined}, book)
        rows = found.findings[found.findings["rule_id"] == "pipe-lined-refer"]
        (why,) = rows["why"]
        assert why.startswith(f"{begins}the pipe is lined already, so no sleeve can be set")
        wanted = "refer" if lined else "sleeve"
        assert found.verdicts["verdict"].tolist() == [wanted]


def test_a_size_that_is_not_known_is_not_said_to_be_too_large(book: Rulebook) -> None:
    """Packers may serve it or not: the sentence says what is missing and where it is stated."""
    crack = {"mechanisms": "crack", "crack_mm": 3.0}
    found = screen_one(crack, {"dn_mm": None}, book).findings
    (why,) = found[found["rule_id"] == "pipe-large"]["why"]
    assert why == "not settled: above what packers serve: size not known (pipe layer)"
    (why,) = screen_one(crack, {"dn_mm": 900.0}, book).findings.query("rule_id == 'pipe-large'").why
    assert why == "above what packers serve: size 900"


def test_a_pipe_whose_size_or_lining_changes_is_referred(book: Rulebook) -> None:
    """The size at the damage is not proved where a change of size was coded on the way."""
    crack = {"mechanisms": "crack", "crack_mm": 3.0}
    for mechanism, rule in (
        ("size_change", "pipe-size-changes"),
        ("lining_change", "pipe-lining-changes"),
    ):
        beside = placed({"mechanism": mechanism, "detail": "", "from_m": 30.0, "to_m": 30.1})
        verdict = verdict_one(crack, None, book, beside)
        assert (verdict["verdict"], verdict["rules"]) == ("refer", rule)


def test_rules_about_totals_only_refer(book: Rulebook) -> None:
    """Three sleeves, or a quarter of the pipe sleeved, are for a person."""
    totals = conform(
        [
            {"pipe_id": "P1", "sleeves_count": 3, "sleeved_ratio": 0.1},
            {"pipe_id": "P2", "sleeves_count": 1, "sleeved_ratio": 0.25},
            {"pipe_id": "P3", "sleeves_count": 1, "sleeved_ratio": 0.05},
        ],
        PIPE_TOTALS,
    )
    pipes = pipes_of({}, {"pipe_id": "P2"}, {"pipe_id": "P3"})
    found = screen_sleeves(empty(SLEEVES), pipes, totals, book)
    assert found.barred.empty
    assert dict(
        zip(found.referred_pipes["pipe_id"], found.referred_pipes["rules"], strict=True)
    ) == {
        "P1": "totals-sleeves",
        "P2": "totals-share",
    }
    assert set(found.findings["about"]) == {"totals"}


def test_rules_about_visits_warn_of_pipes_that_can_be_entered(book: Rulebook) -> None:
    """DN 900 is warned of, DN 300 is not."""
    setup = {"node_id": "N1", "counter_node": "N1", "steps": "clean", "longest_m": 0.0,
             "reach_m": 9.0, "work_s": 60, "open_s": 0, "close_s": 9, "value_s": 1,
             "sleeves_count": 0, "resin_g": 0}  # fmt: skip
    setups = conform(
        [
            setup | {"setup_id": "U-1", "pipe_id": "P1"},
            setup | {"setup_id": "U-2", "pipe_id": "P2"},
        ],
        SETUPS,
        crs="EPSG:32633",
    )
    visit = {"crew": "A", "date": "2031-03-03", "arrive_s": 1, "start_s": 1, "end_s": 2,
             "drive_s": 1, "drive_m": 1.0, "pause_s": 0, "end_pause_s": 0,
             "back_s": 0, "back_m": 0.0, "by_air": False}  # fmt: skip
    visits = conform(
        [visit | {"visit_id": f"A-{n}", "setup_id": f"U-{n}", "seq": n} for n in (1, 2)], VISITS
    )
    pipes = pipes_of({}, {"pipe_id": "P2", "dn_mm": 900.0})
    found = screen_visits(visits, setups, pipes, book)
    assert list(found["key"]) == ["A-2"]
    assert found["rule_id"].iloc[0] == "visit-walkable"


def test_one_span_at_a_time_gives_the_same_verdicts(book: Rulebook) -> None:
    """Three thousand invented spans, against the rules written down the slow and plain way.

    To the letter: the sentence that matters most with its figures, and the rules behind it.
    """
    spans, pipes = make_spans(3000)
    found = screen(spans, pipes, book).verdicts.set_index("span_id").loc[spans["span_id"]]
    plain = pd.DataFrame([judge(row, book) for row in rows_of(spans, pipes, len(spans))])
    columns = ["needs", "urgency", *METHODS, "verdict", "first", "rules", "assumed", "why"]
    pd.testing.assert_frame_equal(
        found[columns].reset_index(drop=True).astype(object), plain[columns].astype(object)
    )
    assert len(set(plain["verdict"])) == 7
