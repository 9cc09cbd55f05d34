"""Decisions of people: on spans, on choices, held when what was accepted has changed."""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import decisions, refer, verdict

from planner.contracts import CHOICES, FLAGS, LEFT_OVER, ORPHANS, VERDICTS
from planner.repairs.accept import accept_choices, find_orphans, sift_decisions, stamp
from planner.repairs.decide_spans import apply_span_decisions, decided_spans, own_limits
from planner.tables import check, conform
from tests.screening_rows import spans_of

VERDICT = conform(
    [refer("D-1", needs="unknown", urgency="", sleeve="closed", liner="asked"), verdict("D-2")],
    VERDICTS,
)
STATES = ["sleeve", "liner", "dig"]


def on_span(word: str, span_id: str = "D-1", **more: object) -> dict[str, object]:
    return {"span_id": span_id, "decision": word, **more}


def decided(*rows: dict[str, object]) -> tuple[dict, pd.DataFrame]:
    verdicts, flags = apply_span_decisions(VERDICT, decisions(*rows))
    check(verdicts, VERDICTS)
    check(flags, FLAGS)
    return verdicts.set_index("span_id").loc["D-1"].to_dict(), flags


@pytest.mark.parametrize(
    ("word", "needs", "verdict_word", "states"),
    [
        ("liner", "mend", "liner", ["closed", "open", "closed"]),
        ("dig", "mend", "dig", ["closed", "closed", "open"]),
        ("watch", "watch", "watch", ["closed", "asked", "open"]),
        ("nothing", "nothing", "none", ["closed", "asked", "open"]),
    ],
)
def test_a_decision_names_what_is_done_there(word, needs, verdict_word, states):
    """The named method is open and the others closed; who and why stand in the verdict."""
    row, flags = decided(on_span(word))
    assert flags.empty
    assert (row["needs"], row["verdict"]) == (needs, verdict_word)
    assert [row[name] for name in STATES] == states
    assert row["why"] == f"decided by a person: '{word}' by A. Berg on 2026-03-02: seen on video"


def test_a_need_without_urgency_goes_with_the_programme():
    """What a rule left blank gets the ordinary urgency once it must be mended."""
    assert decided(on_span("dig"))[0]["urgency"] == "programme"
    assert decided(on_span("watch"))[0]["urgency"] == ""


def test_a_method_closed_by_a_rule_cannot_be_named():
    """The sleeve is closed there: the span stays referred, and a flag says so."""
    row, flags = decided(on_span("sleeve"))
    assert row["verdict"] == "refer"
    assert [row[name] for name in STATES] == ["closed", "asked", "open"]
    assert "a rule closes sleeve there" in flags["what"].iloc[0]


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (on_span("dig", "D-9"), "there is no span D-9"),
        (on_span("dig", pipe_id="p2"), "lies on pipe p1"),
        (on_span("accept"), "of a span one says sleeve, liner, dig, watch, nothing"),
    ],
)
def test_what_cannot_be_decided_is_flagged_and_changes_nothing(row: dict, why: str):
    """Wrong span, wrong pipe, wrong word."""
    verdicts, flags = apply_span_decisions(VERDICT, decisions(row))
    pd.testing.assert_frame_equal(verdicts, VERDICT)
    assert why in flags["what"].iloc[0]


def test_a_form_decides_only_what_is_referred_and_a_stored_decision_holds_on():
    """D-2 is a sleeve by the rules: a form cannot decide it; once stored (a rule had referred
    its sleeve after placement) the decision is applied before placement too."""
    form = decisions(on_span("dig", "D-2"))
    kept, left = sift_decisions(form, VERDICT, choices())
    assert kept.empty
    assert "the span is not referred" in left["reason"].iloc[0]
    verdicts, flags = apply_span_decisions(VERDICT, form)
    assert flags.empty
    assert verdicts.set_index("span_id").loc["D-2", "verdict"] == "dig"


def test_the_latest_decision_on_a_span_counts():
    """By number in the store; one that is not stored yet comes last."""
    assert decided(on_span("dig"), on_span("watch"))[0]["verdict"] == "watch"
    rows = decisions(on_span("dig"), on_span("watch"), on_span("liner")).iloc[::-1]
    assert apply_span_decisions(VERDICT, rows)[0]["verdict"].tolist()[0] == "liner"
    fresh = rows.assign(version=rows["version"].where(rows["decision"] != "dig", 0))
    assert apply_span_decisions(VERDICT, fresh)[0]["verdict"].tolist()[0] == "dig"


def choices(*rows: dict[str, object]) -> pd.DataFrame:
    base = {"pipe_id": "p1", "method": "sleeve", "state": "proposed", "reason": "is least"}
    tail = {"fingerprint": "aa sleeve; 4.50-6.50 m", "assumed_accepted": False}
    return conform([{**base, **tail, **row} for row in rows], CHOICES)


def judged(choice: dict[str, object], *rows: dict[str, object], assume: bool = False) -> dict:
    found = accept_choices(choices(choice), decisions(*rows), assume_accepted=assume)
    return check(found, CHOICES).to_dict("records")[0]


def on_pipe(word: str, fingerprint: str = "aa sleeve; 4.50-6.50 m", **more: object) -> dict:
    return {"decision": word, "fingerprint": fingerprint, **more}


def test_an_acceptance_of_the_same_thing_holds():
    """State, name, day and reason come from the decision."""
    row = judged({}, on_pipe("accept"))
    assert (row["state"], row["by"], row["on"]) == ("accepted", "A. Berg", "2026-03-02")
    assert row["reason"] == "seen on video"
    assert not row["assumed_accepted"]


def test_what_changed_since_it_was_accepted_is_held_with_both_versions():
    """The old content and the new stand in the reason."""
    row = judged({}, on_pipe("accept", "bb sleeve; 4.00-6.00 m"))
    assert row["state"] == "held"
    assert row["reason"] == (
        "changed since accepted by A. Berg on 2026-03-02: accepted was [sleeve; 4.00-6.00 m], "
        "now it is [sleeve; 4.50-6.50 m]"
    )
    assert judged({}, on_pipe("accept", "bb x"), assume=True)["state"] == "held"


def test_it_can_be_accepted_anew():
    """A later acceptance of what stands there now frees it."""
    old, new = on_pipe("accept", "bb x"), on_pipe("accept", reason="moved, fine")
    row = judged({}, old, new)
    assert (row["state"], row["reason"]) == ("accepted", "moved, fine")
    held = accept_choices(choices({}), decisions(old))
    kept, left = sift_decisions(decisions(on_pipe("accept")), VERDICT, held)
    assert len(kept) == 1
    assert left.empty


def test_an_acceptance_of_nobody_knows_what_holds_nothing():
    """Without a fingerprint it accepts nothing."""
    row = judged({}, on_pipe("accept", ""))
    assert row["state"] == "held"
    assert "accepted was [not recorded]" in row["reason"]


def test_the_latest_word_on_a_pipe_counts_and_a_refusal_outlasts_a_change():
    """Refused stays refused, and says if what is proposed is another thing by now."""
    row = judged({}, on_pipe("accept"), on_pipe("refuse", reason="street is rebuilt"))
    assert (row["state"], row["reason"]) == ("refused", "street is rebuilt")
    row = judged({}, on_pipe("refuse", "bb x", reason="street is rebuilt"), assume=True)
    assert row["state"] == "refused"
    assert row["reason"].startswith("street is rebuilt (what is proposed has changed since")


@pytest.mark.parametrize("fingerprint", ["aa sleeve; 4.50-6.50 m", "bb x"])
@pytest.mark.parametrize("assume", [False, True])
def test_a_held_pipe_stays_held_whatever_was_accepted(fingerprint: str, assume: bool):
    """An undecided span outranks an acceptance; what waits for a decision says so first."""
    choice = {"state": "held", "reason": "D-1: an engineer must decide"}
    row = judged(choice, on_pipe("accept", fingerprint), assume=assume)
    assert row["state"] == "held"
    assert "D-1: an engineer must decide" in row["reason"]
    assert not row["reason"].startswith("changed since")
    assert judged(choice, assume=assume) == judged(choice)


def test_assume_accepted_takes_what_is_proposed_and_marks_it():
    """Nobody signed: no name, no day, and the mark that outputs print across."""
    row = judged({}, assume=True)
    assert (row["state"], row["assumed_accepted"], row["by"]) == ("accepted", True, "")
    assert row["reason"] == "taken as accepted by --assume-accepted; is least"
    signed = judged({}, on_pipe("accept"), assume=True)
    assert not signed["assumed_accepted"]


def test_a_decision_on_a_span_is_none_on_the_pipe():
    """Naming what is done at a span accepts nothing."""
    assert judged({}, on_span("dig"))["state"] == "proposed"


def test_stamping_gives_pipes_the_fingerprint_of_now_and_spans_none():
    """What is accepted is what stands there when the form is taken in."""
    rows = decisions({"decision": "accept"}, on_span("dig"), {"decision": "accept", "pipe_id": "x"})
    stamped = stamp(rows, choices({}))
    assert stamped["fingerprint"].tolist() == ["aa sleeve; 4.50-6.50 m", "", ""]
    assert judged({}, *stamped.to_dict("records")[:1])["state"] == "accepted"


def test_sifting_refuses_row_by_row_with_a_reason():
    """What can be taken is kept in its order; each other row is named by its place."""
    rows = decisions(
        on_span("dig"),
        on_span("sleeve"),
        {"decision": "accept"},
        {"decision": "accept", "pipe_id": "p9"},
        {"decision": "liner"},
        {"decision": "accept", "pipe_id": "p2"},
        {"decision": "refuse", "pipe_id": "p2"},
    )
    held = {"pipe_id": "p2", "state": "held", "reason": "D-5: an engineer must decide"}
    kept, left = sift_decisions(rows, VERDICT, choices({}, held))
    assert kept["version"].tolist() == [1, 3, 7]
    check(left, LEFT_OVER)
    reasons = dict(zip(left["key"], left["reason"], strict=True))
    assert "a rule closes sleeve" in reasons["pipe p1, span D-1, row 2 of the form"]
    assert reasons["pipe p9, row 4 of the form"].endswith("nothing is proposed for this pipe")
    assert "liner is not possible there" in reasons["pipe p1, row 5 of the form"]
    assert "the pipe is held: D-5" in reasons["pipe p2, row 6 of the form"]
    assert len(left) == 4


def test_orphans_are_decisions_whose_span_or_choice_is_gone():
    """They carry the decision; an id that carries none is no orphan."""
    lost = pd.DataFrame({"kind": "span", "id": ["D-7", "D-8"], "pipe_id": "p1"})
    rows = decisions(
        on_span("dig", "D-7"), {"decision": "accept", "pipe_id": "p9"}, {"decision": "accept"}
    )
    found = check(find_orphans(rows, lost, choices({})), ORPHANS)
    assert found[["kind", "old_id"]].to_numpy().tolist() == [["pipe", "p9"], ["span", "D-7"]]
    assert found["what"].iloc[1].startswith("'dig' by A. Berg")


SPAN = spans_of({"span_id": "D-1", "pipe_id": "p1", "mechanisms": "joint_gap", "gap_mm": 35.0})


def test_what_was_decided_on_another_survey_is_not_applied_and_both_are_shown():
    """35 mm was seen; the newest survey says 55 mm: the span is as the rules leave it."""
    taken = stamp(decisions(on_span("dig")), choices({}), SPAN)
    assert taken["fingerprint"].iloc[0].endswith(" joint_gap; point; gap_mm 35 mm")
    same, flags = apply_span_decisions(VERDICT, taken, SPAN)
    assert (same["verdict"].iloc[0], len(flags)) == ("dig", 0)
    wider = spans_of({"span_id": "D-1", "pipe_id": "p1", "mechanisms": "joint_gap", "gap_mm": 55.0})
    after, flags = apply_span_decisions(VERDICT, taken, wider)
    assert after["verdict"].iloc[0] == "refer"
    assert (
        "the survey changed since; decided was [joint_gap; point; gap_mm 35 mm]"
        in (flags["what"].iloc[0])
    )
    assert "now it is [joint_gap; point; gap_mm 55 mm]" in flags["what"].iloc[0]


def test_a_decision_can_be_undone():
    """The latest word counts; undone, there is no decision."""
    assert decided(on_span("dig"), on_span("undo"))[0]["verdict"] == "refer"
    assert decided(on_span("dig"), on_span("undo"), on_span("liner"))[0]["verdict"] == "liner"
    assert judged({}, on_pipe("accept"), on_pipe("undo"))["state"] == "proposed"


def test_a_person_holds_a_pipe_and_names_another_method():
    """Held by name; a method other than the cheapest is signed as changed."""
    held = judged({}, on_pipe("hold"))
    assert (held["state"], held["by"]) == ("held", "A. Berg")
    assert held["reason"] == "held by A. Berg: seen on video"
    changed = judged({"method": "liner"}, on_pipe("liner", fingerprint=""))
    assert (changed["state"], changed["by"]) == ("changed", "A. Berg")
    gone = judged({"method": "sleeve"}, on_pipe("liner", fingerprint=""))
    assert gone["state"] == "held"
    assert "not possible now" in gone["reason"]


@pytest.mark.parametrize(
    ("rows", "limits", "flagged"),
    [
        ([{"value": "allow-gap.gap_mm.ok = 40"}], {"allow-gap.gap_mm.ok": 40.0}, 0),
        ([{"value": "allow-gap.gap_mm.ok=40 mm"}], {"allow-gap.gap_mm.ok": 40.0}, 0),
        ([{"value": "allow-gap.gap_mm.ok = 40"}, {"value": "allow-gap.gap_mm.ok = 45"}],
         {"allow-gap.gap_mm.ok": 45.0}, 0),
        ([{"value": "allow-gap.gap_mm.ok = 40"}, {"decision": "undo"}], {}, 0),
        ([{"value": "forty"}], {}, 1),
    ],
)  # fmt: skip
def test_limits_of_one_span(rows, limits, flagged):
    """The latest figure for a key counts; an undo takes all of them back."""
    taken = decisions(*({"span_id": "D-1", "decision": "limit", **row} for row in rows))
    found, flags = own_limits(taken, SPAN)
    assert {key: value for key, (value, _) in found.get("D-1", {}).items()} == limits
    assert len(flags) == flagged


def test_a_limit_or_an_undo_does_not_decide_a_span():
    """D-1 has a limit alone, D-3 is undone; D-4 keeps its dig beside a limit of its own."""
    limit = {"decision": "limit", "value": "allow-gap.gap_mm.ok = 35"}
    rows = decisions(
        {"span_id": "D-1", **limit},
        {"span_id": "D-2", "decision": "sleeve"},
        {"span_id": "D-3", "decision": "watch"},
        {"span_id": "D-3", "decision": "undo"},
        {"span_id": "D-4", "decision": "dig"},
        {"span_id": "D-4", **limit},
        {"span_id": "", "decision": "accept"},
    )
    assert decided_spans(rows) == {"D-2", "D-4"}
    assert decided_spans(decisions()) == set()
