"""Signing off: a revision is frozen, differences are listed, orphans stop it."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.contracts import REVISION_CHOICES, REVISIONS
from planner.errors import StoreError
from planner.folder import accept_form, sign_project
from planner.repairs.revise import change_lines, changes_since
from planner.store.decisions import open_store
from planner.tables import conform
from tests.small_project import write_project

RUN = CliRunner()
HEAD = "pipe_id,span_id,decision,by,on,reason,value\n"
ROWS = """inspection_id,pipe_id,start_node,date,s_m,code,char1,char2,q1,surveyed_m,complete
I1,0017,A,2025-10-01,10.0,BAB,B,A,2,39,yes
I2,0018,B,2025-10-01,12.0,BAJ,A,,35,39,yes
"""


@pytest.fixture
def town(tmp_path: Path) -> Path:
    """A crack of 2 mm on 0017, an open joint of 35 mm on 0018: a person decides there."""
    return write_project(tmp_path / "town", surveys_csv=ROWS)


def accepted(town: Path, *rows: str) -> list[str]:
    form = town / "form.csv"
    form.write_text(HEAD + "".join(f"{row}\n" for row in rows))
    return accept_form(town, form)


def test_a_revision_is_frozen_and_the_next_lists_what_changed(town: Path) -> None:
    """All new at first; nothing the second time; then the pipes that people decided on."""
    out, lines = sign_project(town, "E. Noor", "2026-01-09", "first issue")
    assert (out / "revision_changes.csv").is_file()
    assert (out / "papers" / "revision_changes.pdf").is_file()
    listed = (out / "papers" / "papers.csv").read_text("utf-8").splitlines()
    assert "weekly_report.pdf" in listed[5]
    assert "whoever works by the last revision" in listed[-1]
    assert lines[0].startswith("revision 1 signed by E. Noor on 2026-01-09: 2 pipes")
    assert lines[1] == "differences to the last revision: 2 new"
    _, again = sign_project(town, "E. Noor", "2026-01-10", "unchanged")
    assert again[1:] == ["differences to the last revision: none"]
    said = accepted(
        town,
        "0018,D-000002,limit,E. Noor,2026-01-11,film seen,allow-gap.gap_mm.ok = 40",
        "0017,,accept,E. Noor,2026-01-11,seen,",
    )
    assert said == ["2 decisions taken, 0 refused or known"]
    _, third = sign_project(town, "E. Noor", "2026-01-12", "after the limit")
    assert third[1] == "differences to the last revision: 2 changed"
    assert "pipe 0017: changed: proposed: " in third[2]
    assert "-> accepted: " in third[2]
    assert "pipe 0018: changed: held: " in third[3]
    assert "-> proposed: " in third[3]
    version, frozen = open_store(town / "project.gpkg").read_last_revision()
    assert version == 3
    assert dict(zip(frozen["pipe_id"], frozen["state"], strict=True)) == {
        "0017": "accepted",
        "0018": "proposed",
    }


def test_a_limit_of_one_span_holds_for_it_alone(town: Path) -> None:
    """The figure, who set it and what the book says stand in the finding."""
    accepted(town, "0018,D-000002,limit,E. Noor,2026-01-11,film seen,allow-gap.gap_mm.ok = 40")
    done = RUN.invoke(app, ["explain", "D-000002", "--dir", str(town)])
    assert "verdict: sleeve" in done.output
    assert (
        "E. Noor on 2026-01-11: film seen (the book says 30: common practice, no source) (assumed)"
    ) in done.output


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("0018,D-000002,limit,E,2026-01-11,x,allow-gaps.gap_mm.ok = 40", "did you mean allow-gap?"),
        ("0018,D-000002,limit,E,2026-01-11,x,forty", "is no limit: wants rule.column.ok"),
        ("0018,D-000002,limit,E,2026-01-11,x,", "wanted a limit such as"),
        ("0018,D-000002,dig,E,2026-01-11,x,40", "wanted a blank value"),
        ("0018,D-000002,limit,E,2026-01-11,x,pipe-small.dn_mm.value = 90", "a rule about a pipe"),
        ("0017,,hold,E,2026-13-11,x,", "2026-13-11"),
        ("0017,D-000001,hold,E,2026-01-11,x,", "wanted a blank span_id"),
    ],
)
def test_decisions_that_cannot_be_taken(town: Path, row: str, words: str) -> None:
    """One line each, and the store is as it was."""
    said = accepted(town, row)
    assert any(words in line for line in said), said
    assert open_store(town / "project.gpkg").read_decisions().empty


def test_orphans_stop_the_sign_off(town: Path) -> None:
    """A decision whose span is no longer there is named; nothing is frozen."""
    accepted(town, "0018,D-000002,dig,E. Noor,2026-01-11,seen,")
    (town / "surveys.csv").write_text("\n".join(ROWS.splitlines()[:2]) + "\n")
    with pytest.raises(StoreError, match=r"D-000002 on pipe 0018: 'dig' by E\. Noor"):
        sign_project(town, "E. Noor", "2026-01-12", "x")
    assert open_store(town / "project.gpkg").read_last_revision()[0] == 0
    assert not (town / "out").exists()


def test_signing_wants_a_day(town: Path) -> None:
    """Wrong use is one line and exit 2."""
    wrong = ["sign", str(town), "--by", "E", "--reason", "x", "--on", "soon"]
    done = RUN.invoke(app, wrong)
    assert done.exit_code == 2
    assert "--on wants YYYY-MM-DD, found 'soon'" in done.output


def test_two_who_sign_at_once_do_not_share_a_number(town: Path) -> None:
    """The second is told; the first revision stands."""
    sign_project(town, "E. Noor", "2026-01-09", "first")
    store = open_store(town / "project.gpkg")
    row = {"version": 1, "by": "X", "on": "2026-01-09", "reason": "same", "run": "0001"}
    with pytest.raises(StoreError, match="revision 1 was signed meanwhile"):
        store.append_revision(conform([row], REVISIONS), conform([], REVISION_CHOICES))


def test_changes_by_hand() -> None:
    """New, gone, and each of state, content and cost changed; the same is left out."""
    base = {"version": 1, "method": "sleeve", "state": "proposed", "cost_cents": 100}
    old = [
        {**base, "pipe_id": "a", "fingerprint": "1 sleeve; 1.00-2.00 m"},
        {**base, "pipe_id": "b", "fingerprint": "1 sleeve"},
        {**base, "pipe_id": "c", "fingerprint": "1 sleeve"},
    ]
    new = [
        {**old[0], "fingerprint": "2 sleeve; 1.50-2.50 m", "version": 2},
        {**old[1], "version": 2},
        {**base, "version": 2, "pipe_id": "d", "fingerprint": "3 dig", "cost_cents": None},
    ]
    found = changes_since(conform(old, REVISION_CHOICES), conform(new, REVISION_CHOICES))
    assert found["change"].tolist() == ["changed", "gone", "new"]
    assert change_lines(found) == [
        "differences to the last revision: 1 new, 1 changed, 1 gone",
        "  pipe a: changed: proposed: sleeve; 1.00-2.00 m; 1.00 -> "
        "proposed: sleeve; 1.50-2.50 m; 1.00",
        "  pipe c: gone: was proposed: sleeve; 1.00",
        "  pipe d: new: proposed: dig; not costed",
    ]
