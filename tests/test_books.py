"""A rulebook in words, two side by side, and cases an engineer writes: the commands for them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.contracts import DECISIONS
from planner.errors import RulebookError
from planner.folder import book_of
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.project import read_project
from planner.propose import propose
from planner.screening.books import book_lines
from planner.screening.cases import read_cases, try_cases, uncovered
from planner.screening.rulebook import load_rulebook
from planner.tables import empty
from tests.small_project import write_project

DOCS = Path(__file__).resolve().parents[1] / "docs" / "rules.md"
RUN = CliRunner()


def test_every_rule_is_printed_with_limits_source_and_standing() -> None:
    """Nothing of the book is left out of its printing."""
    book = load_rulebook("strict", day="2026-01-12")
    text = "\n".join(book_lines(book))
    for rule in book.rules:
        assert f"\n{rule.id}: {rule.title}" in text
        assert f"{rule.source} ({rule.standing})" in text
        for limit in rule.limit:
            assert f"open up to {limit.column} {limit.ok:g}" in text
    with pytest.raises(RulebookError, match="no rule 'allow-gaps' is in force; did you mean allow"):
        book_lines(book, "allow-gaps")


def test_the_page_on_rules_is_true(tmp_path: Path) -> None:
    """The book and the cases printed in docs/rules.md load, and its cases hold."""
    own, book_text, rule_text, cases_text = re.findall(r"```toml\n(.*?)```", DOCS.read_text(), re.S)
    town = write_project(tmp_path / "town")
    with (town / "planner.toml").open("a") as file:
        file.write(own)
    gap = next(rule for rule in book_of(town).rules if rule.id == "allow-gap")
    assert (gap.limit[0].ok, gap.limit[0].ask) == (20.0, 40.0)
    (tmp_path / "ours.toml").write_text(book_text + rule_text)
    (tmp_path / "cases.toml").write_text(cases_text)
    book = load_rulebook(tmp_path / "ours.toml", day="2026-04-01")
    gap = next(rule for rule in book.rules if rule.id == "allow-gap")
    assert (gap.limit[0].ok, gap.limit[0].ask) == (20.0, 60.0)
    early = load_rulebook(tmp_path / "ours.toml", day="2026-03-31")
    assert next(rule for rule in early.rules if rule.id == "allow-gap").limit[0].ok == 30.0
    assert "first-look-old" not in {rule.id for rule in book.rules}
    cases = read_cases(tmp_path / "cases.toml")
    assert [tried.faults for tried in try_cases(cases, book)] == [[], [], []]
    assert not [line for line in uncovered(cases, book) if line.startswith("rule gap-at-bend")]


def test_a_case_that_does_not_hold_is_told_and_exits_with_1(tmp_path: Path) -> None:
    """Found and wanted stand side by side; rules that are not in the book are named."""
    (tmp_path / "c.toml").write_text(
        '[[case]]\ntitle = "wrong"\nspan = { mechanisms = "crack", crack_mm = 3.0 }\n'
        'want = { verdict = "dig" }\nspeaks = ["crack-mends", "crack-urgency-now"]\n'
        'silent = ["crack-mend"]\nasks = ["crack-watch"]\n'
    )
    done = RUN.invoke(app, ["rules", "try", str(tmp_path / "c.toml")])
    assert done.exit_code == 1
    for line in (
        "case 'wrong':",
        "  verdict: found 'sleeve', wanted 'dig'",
        "  rule crack-mends: not in the book; did you mean crack-mend?",
        "  rule crack-urgency-now: silent, wanted to hold",
        "  rule crack-mend: yes, wanted silent",
        "  rule crack-watch: yes, wanted undecided, a look or a note",
        "1 cases, 1 do not hold; of 136 rules 0 have all their cases",
    ):
        assert line in done.output.splitlines()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[case]]\n", "case 1 title"),
        ('[[case]]\ntitle = "x"\nspam = 1\n', "spam"),
        ('[[case]]\ntitle = "x"\nspan = { crack = 1.0 }\n', "span.crack: unknown column"),
        ('[[case]]\ntitle = "x"\nspan = { kind = "odd" }\n', "case 'x': spans: kind"),
        ("case = 1\n", "case: found 1"),
        ("[[case\n", "not valid TOML"),
    ],
)
def test_cases_that_are_not_understood(tmp_path: Path, text: str, words: str) -> None:
    """One line that names the case and what is wrong with it."""
    path = tmp_path / "c.toml"
    path.write_text(text)
    with pytest.raises(RulebookError) as caught:
        try_cases(read_cases(path), load_rulebook())
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_two_books_on_a_project_differ_where_their_limits_do(tmp_path: Path) -> None:
    """A gap of 20 mm: a sleeve by the default book (30), a person by the stricter one (15)."""
    rows = (
        "inspection_id;pipe_id;start_node;date;s_m;code;char1;char2;q1;surveyed_m;complete\n"
        "I;0017;A;01.10.2025;10,0;BAJ;A;;20;39;yes\n"
    )
    folder = write_project(tmp_path / "town", surveys_csv=rows)
    done = RUN.invoke(app, ["rules", "compare", "strict", "--dir", str(folder)])
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    inputs = read_project(folder)
    verdicts = propose(inputs, NOTHING_KNOWN, empty(DECISIONS)).tables["verdicts"]
    assert verdicts["verdict"].tolist() == ["sleeve"]
    assert "1 of 1 verdicts change" in lines
    assert "  1 sleeve -> refer" in lines
    assert any("joint open by 20 mm [allow-gap]" in line for line in lines)
    with (folder / "planner.toml").open("a") as file:
        file.write('[rules]\nbook = "strict"\n')
    assert book_of(folder).name == "strict"
    back = RUN.invoke(app, ["rules", "compare", "default", "--dir", str(folder)])
    assert "  1 refer -> sleeve" in back.output.splitlines()
    same = RUN.invoke(app, ["rules", "compare", "strict", "--dir", str(folder)])
    assert "  the rules are the same" in same.output.splitlines()
    assert "0 of 1 verdicts change" in same.output.splitlines()
