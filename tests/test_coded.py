"""A city's spans judged in numbers: the same bytes as the readable steps give."""

from __future__ import annotations

import random
import tomllib
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.contracts import SPANS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.distinct import places_in
from planner.ground.codes import mechanisms_of
from planner.plan import Plan
from planner.screening import column_codes, rule_bits
from planner.screening import parted_texts as parted_texts_step
from planner.screening import pipe_rows as pipe_rows_step
from planner.screening import screen as step
from planner.screening.because import fill, parse
from planner.screening.coded import screen_coded
from planner.screening.columns import view_of
from planner.screening.parted_texts import parted_together
from planner.screening.pipe_rows import pipe_rows
from planner.screening.rulebook import Rulebook, default_path, load_rulebook, make_rulebook
from planner.screening.spoken import sentences
from planner.screening.wording import LEVELS, METHODS, NEVER_SLEEVE
from planner.tables import conform
from tests.bench.rules import make_spans
from tests.filmed import row, town

NAMES = mechanisms_of("damage", "condition", "flag")
FIGURES = ["crack_mm", "gap_mm", "offset_mm", "offset_dn_ratio", "break_mm", "break_dn_ratio",
           "deposit_pct", "sag_pct", "leak_level"]  # fmt: skip
DEFAULT = [rule for rule in tomllib.loads(default_path().read_text("utf-8"))["rule"]
           if rule["about"] in ("span", "pipe")]  # fmt: skip
COMMON = ["crack", "joint_gap", "joint_offset", "break", "fracture", "deformation"]
TEXTS = {"root_kind": ["fine", "tap"], "material": ["pvc", "concrete"], "lent": ["sag", "roots"],
         "mechanisms": ["crack", "roots"]}  # fmt: skip


def same_by_both(
    spans: pd.DataFrame, pipes: pd.DataFrame, book: Rulebook, defects: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Hold both engines against each other, byte for byte; gives the verdicts."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(step, "LEAST_CODED", len(spans) + 1)
        plain = step.screen(spans, pipes, book, defects=defects)
        patch.setattr(step, "LEAST_CODED", 1)
        patch.setattr(step, "CODED_FROM", 1)
        coded = step.screen(spans, pipes, book, defects=defects)
    pd.testing.assert_frame_equal(plain.verdicts, coded.verdicts, check_exact=True)
    pd.testing.assert_frame_equal(plain.findings, coded.findings, check_exact=True)
    return plain.verdicts


def nasty(spans: pd.DataFrame, draw: np.random.Generator) -> pd.DataFrame:
    """Spans with all that the invented city lacks: lent conditions, mended, whole pipes, ..."""
    count = len(spans)
    words: dict[str, list[str]] = {
        "kind": ["point", "stretch", "repeated"], "role": ["damage", "condition"],
        "extent_from": ["coded", "assumed"], "state": ["open", "mended", "failed_sleeve", ""],
        "lent": ["", "", "sag", "deposit_settled+roots"],
    }  # fmt: skip
    more: dict[str, Any] = {
        name: draw.choice(np.array(some, dtype=object), count) for name, some in words.items()
    }
    strange = draw.random(count) < 0.1
    often = draw.choice(np.array([*COMMON, "crack+joint_gap", "break+crack"], dtype=object), count)
    more["mechanisms"] = np.where(draw.random(count) < 0.6, often, spans["mechanisms"])
    more["mechanisms"] = np.where(strange, "crack+never_heard_of", more["mechanisms"])
    more["pipe_id"] = np.where(draw.random(count) < 0.1, "lost", spans["pipe_id"])
    for name, main in (("offset_dn_ratio", "offset_mm"), ("break_dn_ratio", "break_mm")):
        for end in ("low", "high"):  # the share of DN 200 where both are known
            share = spans[f"{main}_{end}"] / 200.0
            more[f"{name}_{end}"] = share.where(draw.random(count) < 0.7, spans[f"{name}_{end}"])
    for name in FIGURES:  # on the limits themselves, too
        whole = spans[f"{name}_low"].round(-1).where(spans[f"{name}_low"] > 1)
        at = draw.random(count) < 0.3
        for end in ("low", "high"):
            more[f"{name}_{end}"] = whole.where(
                at, more.get(f"{name}_{end}", spans[f"{name}_{end}"])
            )
    for name in FIGURES:  # "up to"
        least = np.where(draw.random(count) < 0.5, 0.0, np.nan)
        more[f"{name}_low"] = more[f"{name}_low"].where(draw.random(count) < 0.8, least)
    return conform(spans.assign(**more), SPANS)


def random_book(draw: random.Random) -> Rulebook:
    """A book of any words that may stand in one, sensible or not, often among sensible rules."""
    rules: list[dict[str, Any]] = []
    count = draw.randint(0, 90)
    if draw.random() < 0.7:
        count = draw.randint(0, 12)
        rules = [dict(rule) for rule in DEFAULT if draw.random() < 0.95]
        for rule in rules:
            if rule["effect"] in ("allows", "rules_out", "needs", "refer") and "when" in rule:
                rule["if_blank"] = draw.choice(["refer", "refer", "note", "look"])
    rules += [random_rule(draw, n) for n in range(count)]
    return make_rulebook({"book": {"name": "any", "version": "1"}, "rule": rules}, "any.toml")


def random_rule(draw: random.Random, number: int) -> dict[str, Any]:
    about = draw.choice(["span", "span", "span", "pipe"])
    effects = ["rules_out", "first", "refer"]
    if about == "span":
        effects += ["needs", "urgency", "allows"] * 2
    effect = draw.choice(effects)
    blanks = ["refer", "note"] + ["look"] * (effect not in ("first", "urgency"))
    rule: dict[str, Any] = {
        "id": f"rule-{draw.randint(0, 10**9)}-{number}", "title": "any", "about": about,
        "effect": effect, "source": "any", "because": because(draw, about),
        "standing": draw.choice(["cited", "practice", "assumed"]),
        "when": [clause(draw, about) for _ in range(draw.choice([0, 1, 1, 2]))],
        "if_blank": draw.choice(blanks),
    }  # fmt: skip
    if about == "span" and (effect == "allows" or draw.random() < 0.8):
        rule["mechanism"] = draw.sample(draw.choice([COMMON, NAMES]), draw.randint(1, 4))
    if effect in LEVELS:
        rule["level"] = draw.choice(LEVELS[effect])
    if effect == "first":
        rule["work"] = draw.choice(["clean", "look", "cut_roots", "grout"])
    if effect in ("allows", "rules_out") or (effect == "refer" and draw.random() < 0.5):
        rule["method"] = draw.sample(METHODS, draw.randint(1, 3))
    if effect == "allows":
        if NEVER_SLEEVE & set(rule["mechanism"]) and "sleeve" in rule["method"]:
            rule["mechanism"] = ["crack"]
        rule["limit"] = [limit(draw) for _ in range(draw.choice([0, 1, 2]))]
    return rule


def clause(draw: random.Random, about: str) -> dict[str, Any]:
    if about == "pipe" or draw.random() < 0.2:
        return draw.choice([
            {"column": "dn_mm", "op": draw.choice(["<", "<=", ">", ">=", "="]),
             "value": draw.choice([150.0, 200.0, 300.0]), "unit": "mm"},
            {"column": "lined", "op": "=", "value": draw.random() < 0.5},
            {"column": "material", "op": draw.choice(["=", "has"]), "value": "pvc"},
            {"column": "water_over_crown_m", "op": ">", "value": 0.0, "unit": "m"},
        ])  # fmt: skip
    if draw.random() < 0.25:
        name = draw.choice(sorted(TEXTS))
        ops = ["has", "has_none"] if name in ("lent", "mechanisms") else ["=", "in", "has"]
        return {"column": name, "op": draw.choice(ops), "value": draw.choice(TEXTS[name])}
    if draw.random() < 0.2:
        flag = draw.choice(["at_joint", "soil_visible", "at_repair"])
        return {"column": flag, "op": "=", "value": draw.random() < 0.5}
    name = draw.choice(FIGURES)
    if draw.random() < 0.1:
        return {"column": name, "op": "is_blank"}
    value = draw.choice([0.0, 10.0, 20.0, 30.0, 50.0]) * (0.01 if "ratio" in name else 1.0)
    return {"column": name, "op": draw.choice(["<", "<=", ">", ">=", "="]), "value": value,
            "unit": SPAN_QUANTITIES[name]}  # fmt: skip


def limit(draw: random.Random) -> dict[str, Any]:
    name = draw.choice(FIGURES)
    ok = draw.choice([0.0, 10.0, 20.0]) * (0.01 if "ratio" in name else 1.0)
    found: dict[str, Any] = {"column": name, "ok": ok, "unit": SPAN_QUANTITIES[name]}
    return found | ({"ask": 2.0 * ok + 10.0} if draw.random() < 0.7 else {})


def because(draw: random.Random, about: str) -> str:
    fields = ["{dn_mm}", "{material}", "{lined}", "{water_over_crown_m:.1f}"]
    if about == "span":
        fields += ["{crack_mm}", "{offset_dn_ratio:.2f}", "{lent}", "{at_joint}", "{mechanisms}"]
    return "any " + " ".join(draw.sample(fields, draw.randint(0, 3)))


@pytest.mark.parametrize("name", ["default", "strict"])
def test_both_engines_say_the_same_by_the_packaged_books(name: str) -> None:
    """Findings, verdicts, sentences and margins, of more spans than one thread takes at once."""
    spans, pipes = make_spans(4500)
    verdicts = same_by_both(nasty(spans, np.random.default_rng(1)), pipes, load_rulebook(name))
    assert len(set(verdicts["verdict"])) == 7
    assert verdicts["close_call"].sum() > 20
    assert (verdicts["flip_column"] != "").sum() > 100


@given(st.integers(0, 10**9))
@settings(max_examples=20, deadline=None)
def test_both_engines_say_the_same_by_any_book(seed: int) -> None:
    """Books of random rules, against spans that hold every doubt there is."""
    draw = random.Random(seed)
    spans, pipes = make_spans(150)
    same_by_both(nasty(spans, np.random.default_rng(seed)), pipes, random_book(draw))


def test_rows_that_do_not_lie_one_after_the_other_are_judged_as_well() -> None:
    """Each second span, and pipes from the last to the first: slices of a frame, none copied."""
    spans, pipes = make_spans(60)
    every = same_by_both(spans, pipes, load_rulebook())
    some = same_by_both(spans.iloc[::2], pipes.iloc[::-1], load_rulebook())
    own = every[every["span_id"].isin(spans["span_id"].iloc[::2])].reset_index(drop=True)
    pd.testing.assert_frame_equal(some, own, check_exact=True)


def test_both_engines_say_the_same_of_the_demo_town(demo_plan: Plan) -> None:
    """With what was placed beside: earlier repairs, linings, changes of size."""
    tables = demo_plan.tables
    book = load_rulebook()
    verdicts = same_by_both(tables["spans"], tables["pipes"], book, tables["defects"])
    assert len(verdicts) == len(tables["spans"]) > 0


def test_a_sentence_is_worded_for_any_row() -> None:
    """Asked for a few rows in any order, each has the sentence that the table gives it."""
    spans, pipes = make_spans(300)
    spans, book = nasty(spans, np.random.default_rng(2)), load_rulebook()
    whole = same_by_both(spans, pipes, book).set_index("span_id")["why"]
    coded = screen_coded(spans, pipes, book, None)
    assert coded is not None
    for rows in ([17], [299, 3, 40, 3], range(299, -1, -1)):
        some = np.array(rows)
        assert sentences(coded, some).to_pylist() == list(whole[spans["span_id"].iloc[some]])


def test_what_cannot_be_put_into_numbers_is_left_to_the_readable_steps() -> None:
    """An infinite figure, more mechanisms than a word has bits, no spans at all."""
    spans, pipes = make_spans(70)
    book = load_rulebook()
    endless = make_rulebook({"book": {"name": "endless", "version": "1"}, "rule": [
        {"id": "a", "title": "a", "about": "span", "effect": "refer", "because": "a",
         "source": "a", "standing": "assumed",
         "when": [{"column": "gap_mm", "op": "<", "value": float("inf"), "unit": "mm"}]}]},
        "endless.toml")  # fmt: skip
    many = conform(spans.assign(mechanisms=[f"strange-{n}" for n in range(70)]), SPANS)
    assert screen_coded(spans, pipes, endless, None) is None
    assert screen_coded(many, pipes, book, None) is None
    assert screen_coded(spans.head(0), pipes, book, None) is None
    same_by_both(many, pipes, book)


@given(
    st.lists(st.sampled_from(["", "a", "ab", "b", "ä", "é1", "z9", "zz"]), max_size=12),
    st.lists(st.sampled_from(["", "a", "ab", "b", "ä", "é1", "z9"]), max_size=7, unique=True),
    st.booleans(),
)
def test_rows_of_pipes_are_found_in_any_order(
    ids: list[str], pipes: list[str], ordered: bool
) -> None:
    """As a look-up finds them, whether both stand in order or not."""
    if ordered:
        ids, pipes = sorted(ids), sorted(pipes)
    both = [pd.Series(texts, dtype="str") for texts in (ids, pipes)]
    assert list(pipe_rows(*both)) == list(places_in(*both))


def test_the_spans_of_several_calls_count_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two calls of 600 spans and a limit of 1,000 the second is judged in numbers."""
    spans, pipes = make_spans(1_200)
    asked: list[int] = []

    def noted(some: pd.DataFrame, *more: Any) -> Any:
        asked.append(len(some))
        return screen_coded(some, *more)

    monkeypatch.setattr(step, "_asked", step._Asked())
    monkeypatch.setattr(step, "CODED_FROM", 1_000)
    monkeypatch.setattr(step, "screen_coded", noted)
    book = load_rulebook()
    step.screen(spans.head(100).reset_index(drop=True), pipes, book)  # few: never
    first = step.screen(spans.head(600).reset_index(drop=True), pipes, book)
    second = step.screen(spans.head(600).reset_index(drop=True), pipes, book)
    in_steps = first.verdicts, first.findings
    assert asked == [600]  # once for both tables, and at once: words alone wait
    pd.testing.assert_frame_equal(in_steps[0], second.verdicts, check_exact=True)
    pd.testing.assert_frame_equal(in_steps[1], second.findings, check_exact=True)
    assert asked == [600]


def test_many_sentences_are_filled_as_each_alone() -> None:
    """Rows that read alike share a text; one row alone shares none."""
    spans, pipes = make_spans(900)
    view = view_of("span", nasty(spans, np.random.default_rng(5)), pipes, None)
    seen = view.seen
    text = "{crack_mm:.1f} of {offset_mm}, {root_kind}, {at_joint}, {dn_mm} and {material} {lent}"
    for sentence in (parse(text, seen), parse("plain", seen), parse("", seen)):
        many = fill(sentence, view, np.arange(len(view)))
        alone = [fill(sentence, view, np.array([row]))[0] for row in range(len(view))]
        assert many.tolist() == alone
    assert fill(parse(text, seen), view, np.zeros(0, dtype=np.intp)).tolist() == []


@given(
    st.lists(
        st.one_of(
            st.sampled_from(
                ["", "crack", "crack+joint_gap", "crack+roots+joint_gap", "é", "ée"]
                + [start + "a" * 8 for start in ("a" * 8, "a" * 9, "a" * 8 + "b", "a" * 8 + "bc")]
            ),
            st.text(max_size=20),
        ),
        min_size=1, max_size=60,
    ),
    st.integers(0, 5),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_texts_are_parted_as_pandas_does(texts: list[str], first: int) -> None:
    """The unlike texts as they first appear, and which one each row has; also of a slice."""
    column = pd.Series([text.replace("\0", "") for text in texts], dtype="str").iloc[first:]
    where, unlike = pd.factorize(column)
    parted = parted_together({"": column})[""]
    assert parted.values(np.arange(len(parted.texts))).tolist() == where.tolist()
    assert parted.texts == unlike.tolist()


def test_more_texts_than_there_are_slots_are_parted_all_the_same() -> None:
    """10,000 unlike texts, each twice."""
    column = pd.Series([f"text {n // 2}" for n in range(20_000)], dtype="str")
    parted = parted_together({"": column})[""]
    assert parted.values(np.arange(10_000)).tolist() == [n // 2 for n in range(20_000)]


def test_columns_are_parted_alike_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into pieces for several cores, a text has one number in all of them."""
    names = ["b", "a", "c", "a", "d", "b", "e", "c", "", "e"]
    monkeypatch.setattr(parted_texts_step, "pieces", lambda _: [(0, 3), (3, 7), (7, 10)])
    parted = parted_together({"": pd.Series(names, dtype="str")})[""]
    assert parted.texts == ["b", "a", "c", "d", "e", ""]
    assert np.array(parted.texts, dtype=object)[parted.values(np.arange(6))].tolist() == names


@pytest.mark.parametrize("lent", ["", "sag"])
def test_columns_that_hold_one_value_throughout_are_judged_alike(lent: str) -> None:
    """What all spans say alike is said once; an assumed extent that lends it moves it still."""
    spans = nasty(make_spans(600)[0], np.random.default_rng(8))
    one = {"lent": lent, "extent_from": "assumed", "role": "damage", "kind": "repeated"}
    more = {"root_kind": "tap", "deposit_pct_low": 20.0, "deposit_pct_high": 20.0, "state": ""}
    same_by_both(conform(spans.assign(**one, **more), SPANS), make_spans(600)[1], load_rulebook())


def test_a_book_says_the_same_when_it_has_met_too_many_texts(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Texts that it met before, new ones, and all of them forgotten in between."""
    book = load_rulebook(overrides={"deformation-mend.deformation_pct.value": (5.5, "only here")})
    monkeypatch.setattr(column_codes, "MOST_KNOWN", 2)
    monkeypatch.setattr(rule_bits, "MOST_KNOWN", 2)
    for seed in range(3):
        spans, pipes = make_spans(400)
        same_by_both(nasty(spans, np.random.default_rng(seed)), pipes, book)


class _Lost(dict[Any, Any]):
    """What is kept is gone before it is read: another thread has put its own there."""

    def __setitem__(self, key: Any, value: Any) -> None:
        """Keep nothing."""


def test_another_thread_may_throw_away_what_a_book_has_just_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both things that a book keeps in mind are gone as soon as they are: verdicts are the same."""
    begin = rule_bits.Lines.__init__

    def overrun(self: rule_bits.Lines, *given: Any) -> None:
        begin(self, *given)
        self._mixed = _Lost()

    def put(self: rule_bits.Lines, name: str, value: Any) -> None:
        before = self.__dict__.get(name, value)
        self.__dict__[name] = before if name == "_sets" else value

    monkeypatch.setattr(rule_bits.Lines, "__init__", overrun)
    monkeypatch.setattr(rule_bits.Lines, "__setattr__", put)
    spans, pipes = make_spans(20)
    book = make_rulebook(tomllib.loads(default_path().read_text("utf-8")), "any.toml")
    same_by_both(spans, pipes, book)


def test_words_wait_until_somebody_reads_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Verdicts are read without findings; what was said once is not said again."""
    said: list[int] = []
    findings_of = step.findings_of
    monkeypatch.setattr(step, "findings_of", lambda parts: said.append(1) or findings_of(parts))
    spans, pipes = make_spans(50)
    found = step.screen(spans, pipes, load_rulebook())
    assert len(found.verdicts) == 50
    assert said == []
    assert found.findings is found.findings
    assert said == [1]


@pytest.mark.parametrize("least", [1, 10_000])
def test_words_are_of_the_tables_as_they_were_given(
    monkeypatch: pytest.MonkeyPatch, least: int
) -> None:
    """Written to after the question and before the answer, by either engine."""
    monkeypatch.setattr(step, "LEAST_CODED", least)
    monkeypatch.setattr(step, "CODED_FROM", 1)
    spans, pipes = make_spans(50)
    defects = town([row(1.0, "BAB")]).locate().defects
    at_once = step.screen(spans, pipes, load_rulebook(), defects=defects)
    expected = (at_once.verdicts, at_once.findings)
    found = step.screen(spans, pipes, load_rulebook(), defects=defects)
    spans["state"] = "mended"
    spans.loc[:, "mechanisms"] = "sag"
    pipes.loc[:, "material"] = "pvc"
    defects.loc[:, ["mechanism", "detail"]] = ["existing_repair", "local lining"]
    defects.loc[:, "pipe_id"] = pipes["pipe_id"].iloc[0]
    pd.testing.assert_frame_equal(found.verdicts, expected[0], check_exact=True)
    pd.testing.assert_frame_equal(found.findings, expected[1], check_exact=True)


@given(
    st.lists(st.integers(0, 30), min_size=1, max_size=40),
    st.sets(st.integers(0, 30), min_size=1),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_pipes_are_found_in_pieces_too(on: list[int], there: set[int], ordered: bool) -> None:
    """Three pieces, of texts in order or not, beside a look-up of all of them."""
    ids = pd.Series([f"P{n:02d}" for n in (sorted(on) if ordered else on)], dtype="str")
    known = pd.Series([f"P{n:02d}" for n in sorted(there)], dtype="str")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            pipe_rows_step,
            "pieces",
            lambda rows: [(0, rows // 3), (rows // 3, rows // 2), (rows // 2, rows)],
        )
        found = pipe_rows(ids, known)
    assert found.tolist() == places_in(ids, known).tolist()
