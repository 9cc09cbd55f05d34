"""Pay measurement: by hand on one pipe, and that sums are exact and nothing is paid unsaid."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import pipe, price, prices, shaped, sleeve
from reported import events
from test_workbook import last_figure, recalculated

from planner.contracts import (
    DONE,
    LATERALS,
    PAY,
    PIPES,
    PRICE_QUANTITIES,
    SLEEVES,
    STOCK,
    SYSTEM_SIZES,
)
from planner.inputs.journal import take_in
from planner.outputs.summary import summary_lines
from planner.outputs.workbook import write_workbook
from planner.plan import Plan
from planner.settings import load_settings
from planner.tables import conform, empty
from planner.takeoff.pay import Pay, measure_pay

# 1000 with 1 m in it and 200 for each metre more; cleaning 100 and 3 a metre; 50 an opening.
ALL = [price("sleeve", 1_000_00, per_m=200_00, included_m=1.0),
       price("clean", 100_00, per_m=3_00), price("reopen", 50_00)]  # fmt: skip
SIZE = {"dn_mm": 200.0, "length_m": 1.5, "system": "felt"}
SET = {"kind": "done", "step": "sleeve", "from_m": 2.0, "to_m": 3.5, **SIZE}
SAID = {"kind": "chargeable", "step": "sleeve", "from_m": 2.0, "to_m": 3.5}
LEAKS = {**SAID, "kind": "failed", "reason": "leaks", "spent": True, "in_pipe": True}


def at(hour: int) -> str:
    return f"2026-03-02T{hour:02d}:00"


def town(*rows: dict[str, Any], given: Any = ALL, form: Any = (), **more: Any) -> dict[str, Any]:
    """What the journal comes to on one pipe of 40 m with two connections, one closed."""
    sizes = empty(SYSTEM_SIZES)
    field = take_in(events(*rows), conform(form, DONE), empty(STOCK), sizes)
    laterals = [{"lateral_id": f"l{n}", "pipe_id": "p1", "x_m": 2.5 + n, "state": state}
                for n, state in enumerate(("open", "closed"))]  # fmt: skip
    return {"events": field.events, "as_built": field.as_built, "done": field.done,
         "pipes": shaped([pipe()], PIPES), "laterals": shaped(laterals, LATERALS),
         "sleeves": conform(more.get("sleeves", []), SLEEVES), "prices": prices(*given),
         "price_quantities": conform(more.get("counted", []), PRICE_QUANTITIES)}  # fmt: skip


def paid(*rows: dict[str, Any], ratio: float = 0.0, **more: Any) -> Pay:
    own = load_settings({"takeoff": {"retention_ratio": ratio}}).takeoff
    return measure_pay(town(*rows, **more), own)


def test_a_sleeve_said_to_be_chargeable_by_hand() -> None:
    """1.5 m: 1000 + 0.5 x 200 = 1100.00; 5 % of it, 55.00, is kept back: 1045.00 to pay."""
    out = paid({**SET, "at": at(9)}, {**SAID, "at": at(15)}, ratio=0.05)
    line, sums = out.lines.iloc[0], out.sums.iloc[0]
    assert (line["chargeable"], line["said_by"], line["times_count"]) == ("yes", "E-000002", 1)
    assert (line["one_cents"], line["sum_cents"], line["note"]) == (1_100_00, 1_100_00, "")
    assert (sums["installed_cents"], sums["chargeable_cents"]) == (1_100_00, 1_100_00)
    assert (sums["retention_cents"], sums["payable_cents"]) == (55_00, 1_045_00)
    assert sums["complete"]


def test_what_nobody_said_is_listed_and_not_paid() -> None:
    out = paid({**SET, "at": at(9)})
    assert out.lines["chargeable"].tolist() == ["unknown"]
    sums = out.sums.iloc[0]
    assert (sums["installed_cents"], sums["payable_cents"], sums["unknown_count"]) == (
        1_100_00, 0, 1)  # fmt: skip


@pytest.mark.parametrize(
    ("said_at", "word"),
    [(None, "no"), (10, "unknown"), (13, "yes")],
    ids=["never", "before", "after"],
)
def test_a_failed_sleeve_is_paid_only_if_that_is_said_afterwards(
    said_at: int | None, word: str
) -> None:
    """Set at nine, found leaking at twelve: it is installed whatever is said."""
    said = [{**SAID, "at": at(said_at)}] if said_at else []
    out = paid({**SET, "at": at(9)}, {**LEAKS, "at": at(12)}, *said)
    assert out.lines["chargeable"].tolist() == [word]
    assert out.sums["installed_cents"].tolist() == [1_100_00]
    assert out.sums["payable_cents"].tolist() == [1_100_00 if word == "yes" else 0]


def test_a_sleeve_that_never_stayed_in_the_pipe_is_not_paid_by_an_earlier_word() -> None:
    gone = {**LEAKS, "reason": "machine_failed", "in_pipe": False}
    out = paid({**SET, "at": at(9)}, {**SAID, "at": at(10)}, {**gone, "at": at(12)})
    assert "yes" not in set(out.lines["chargeable"])


def test_one_statement_pays_one_of_two_at_a_place() -> None:
    """The first failed and was cut out, the second holds: what is said at the end is of it."""
    out = paid({**SET, "at": at(8)}, {**LEAKS, "at": at(9)},
               {**SAID, "kind": "done", "step": "cut_out", "at": at(10)},
               {**SET, "at": at(11)}, {**SAID, "at": at(15)})  # fmt: skip
    sleeves = out.lines[out.lines["step"] == "sleeve"]
    assert dict(zip(sleeves["event_id"], sleeves["chargeable"], strict=True)) == {
        "E-000001": "no", "E-000004": "yes"}  # fmt: skip
    assert out.sums["payable_cents"].tolist() == [1_100_00]


def test_a_statement_before_the_work_counts_for_nothing() -> None:
    assert paid({**SAID, "at": at(8)}, {**SET, "at": at(9)}).lines["chargeable"].tolist() == [
        "unknown"]  # fmt: skip


def test_a_statement_that_is_taken_back_counts_for_nothing() -> None:
    back = {"kind": "taken_back", "about": "E-000002"}
    out = paid({**SET, "at": at(9)}, {**SAID, "at": at(10)}, {**back, "at": at(11)})
    assert out.lines["chargeable"].tolist() == ["unknown"]


def test_other_steps_count_their_stretch_and_their_connections() -> None:
    """Cleaning 40 m: 100 + 40 x 3 = 220; one of the two connections is live: 50; filming has
    no price and is within the main price, so that nothing is missing."""
    out = paid({"kind": "done", "step": "clean", "at": at(8)}, {**SET, "at": at(9)},
               {**SAID, "kind": "done", "step": "reopen", "at": at(10)},
               {**SAID, "kind": "done", "step": "verify", "at": at(11)},
               {"kind": "chargeable", "step": "clean", "at": at(12)})  # fmt: skip
    lines = out.lines.set_index("step")
    assert lines.loc["clean", ["length_m", "sum_cents", "chargeable"]].tolist() == [
        40.0, 220_00, "yes"]  # fmt: skip
    assert lines.loc["reopen", ["times_count", "sum_cents"]].tolist() == [1, 50_00]
    assert pd.isna(lines.loc["verify", "sum_cents"])
    assert out.sums["installed_cents"].tolist() == [220_00 + 1_100_00 + 50_00]
    assert out.sums["complete"].tolist() == [True]


def test_openings_where_no_connection_is_known_have_no_sum() -> None:
    out = paid({"kind": "done", "step": "reopen", "from_m": 20.0, "to_m": 21.0, "at": at(9)})
    assert pd.isna(out.lines["sum_cents"].iloc[0])
    assert out.sums[["complete", "unpriced"]].iloc[0].tolist() == [False, "reopen"]


def test_what_was_not_reported_is_as_planned_there_and_said() -> None:
    """Without a sleeve planned there size and system stay unknown, and the sum is missing."""
    bare = {**SET, "dn_mm": None, "system": "", "length_m": None, "at": at(9)}
    planned = sleeve("S-1", 2.0, 3.5, dn_mm=200.0, system="felt")
    known = paid(bare, sleeves=[planned]).lines.iloc[0]
    assert (known["sum_cents"], known["sleeve_id"]) == (1_100_00, "S-1")
    assert "dn_mm not reported: as planned there" in known["note"]
    unknown = paid(bare)
    assert pd.isna(unknown.lines["sum_cents"].iloc[0])
    assert unknown.sums["complete"].tolist() == [False]


def test_a_price_out_of_force_is_not_taken() -> None:
    """The price for a hundred or more is cheaper, and the project orders one."""
    cheap = {**price("sleeve", 500_00), "price_id": "many", "quantity_from": 100.0, "year": 2030}
    counted = [{"price_id": "many", "quantity": 1.0, "unit": "pieces", "in_force": False,
                "why": "w"}]  # fmt: skip
    out = paid({**SET, "at": at(9)}, given=[*ALL, cheap], counted=counted)
    assert out.lines["sum_cents"].tolist() == [1_100_00]


def test_without_events_there_is_nothing() -> None:
    """Rows of done.csv alone: as before there was a journal."""
    row = {"done_id": "d", "step": "clean", "pipe_id": "p1", "done_on": "2026-03-01", "by": "Ada"}
    out = paid(form=[row])
    assert out.lines.empty
    assert out.sums.empty


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 10**7), st.booleans(), st.integers(0, 3)), max_size=6),
    st.integers(0, 100),
)
def test_sums_are_exact_and_nothing_is_paid_unsaid(
    works: list[tuple[int, bool, int]], percent: int
) -> None:
    """Any sleeves at any price: sums are those of the lines, and what is kept back and what is
    due add up to what may be charged, to the cent; a sleeve without a word is never in it."""
    rows: list[dict[str, Any]] = []
    given = []
    for n, (each, said, fate) in enumerate(works):
        place = {"from_m": 4.0 * n, "to_m": 4.0 * n + 1.0}
        given.append({**price("sleeve", each), "price_id": f"x{n}", "system": f"s{n}"})
        rows.append({**SET, **place, "length_m": 1.0, "system": f"s{n}", "at": at(8)})
        rows += [{**LEAKS, **place, "at": at(9)}] if fate == 0 else []
        rows += [{**SAID, **place, "at": at(10)}] if said else []
    out = paid(*rows, given=given or ALL, ratio=percent / 100)
    if not works:
        assert out.sums.empty
        return
    due = sum(each for each, said, _ in works if said)
    kept = round(Fraction(percent, 100) * due)
    found = out.sums.iloc[0]
    assert found["installed_cents"] == sum(each for each, _, _ in works)
    assert (found["chargeable_cents"], found["retention_cents"]) == (due, kept)
    assert found["payable_cents"] == due - kept
    conform(out.lines, PAY)


# As ALL, with what goes with works: 300 a move, 80 an end, 500 to come, 250 a night.
BESIDE = [*ALL, price("setup", 300_00), price("end_seal", 80_00), price("mobilisation", 500_00),
          price("night", 250_00)]  # fmt: skip


def sums_of(pay: Pay) -> dict[str, list[Any]]:
    """Per item the sums of its lines, None where one has none."""
    found: dict[str, list[Any]] = {}
    for item, cents in zip(pay.lines["item"], pay.lines["sum_cents"], strict=True):
        found.setdefault(str(item), []).append(None if pd.isna(cents) else int(cents))
    return found


def test_what_goes_with_a_sleeve_by_hand() -> None:
    """Two sleeves on one pipe of 40 m, one to its lower end: one move, one sealed end, one coming.

    1100 + 1100 + 300 + 80 + 500 = 3080.00 installed. Only the first may be charged, and by its
    word the move and the coming: 1100 + 300 + 500 = 1900.00.
    """
    end = {"from_m": 38.5, "to_m": 40.0}
    out = paid({**SET, "at": at(9)}, {**SET, **end, "at": at(11)}, {**SAID, "at": at(15)},
               given=BESIDE)  # fmt: skip
    assert sums_of(out) == {"sleeve": [1_100_00] * 2, "setup": [300_00], "end_seal": [80_00],
                            "mobilisation": [500_00]}  # fmt: skip
    sums = out.sums.iloc[0]
    assert (sums["installed_cents"], sums["chargeable_cents"]) == (3_080_00, 1_900_00)
    assert (sums["lines_count"], sums["unknown_count"]) == (2, 1)
    said = dict(zip(out.lines["item"], out.lines["chargeable"], strict=True))
    assert (said["setup"], said["end_seal"], said["mobilisation"]) == ("yes", "unknown", "yes")


def test_the_ends_of_a_planned_sleeve_are_sealed_as_planned() -> None:
    """The plan says that it closes at both walls, whatever its place rounds to."""
    planned = {**sleeve("S-1", 2.0, 3.5, dn_mm=200.0, system="felt"), "end": "both"}
    out = paid({**SET, "at": at(9)}, given=BESIDE, sleeves=[planned])
    assert sums_of(out)["end_seal"] == [160_00]
    (note,) = out.lines.query("item == 'end_seal'")["note"]
    assert note.startswith("sealed ends not reported: as planned there")


def test_a_night_is_one_that_was_begun_at_night() -> None:
    """Night is from 20:00 to 06:00 (settings). Begun at 21:00: a night; at 19:00 and done at
    21:00: none; done at 21:00 and begun at no known hour: a line without a sum, named as such."""
    begun = {**SET, "kind": "started"}
    late = {**SET, "at": at(23)}
    assert sums_of(paid({**begun, "at": at(21)}, late, given=BESIDE))["night"] == [250_00]
    assert "night" not in sums_of(paid({**begun, "at": at(19)}, late, given=BESIDE))
    unknown = paid(late, given=BESIDE)
    assert sums_of(unknown)["night"] == [None]
    assert unknown.sums[["complete", "unpriced"]].iloc[0].tolist() == [False, "night"]
    assert "night" not in sums_of(paid({**SET, "at": at(12)}, given=BESIDE))


def test_two_works_of_one_night_are_one_night() -> None:
    there = {"from_m": 10.0, "to_m": 11.5}
    rows = [{**SET, **place, "kind": kind, "at": at(hour)}
            for kind, hour in (("started", 21), ("done", 22)) for place in ({}, there)]  # fmt: skip
    assert sums_of(paid(*rows, given=BESIDE))["night"] == [250_00]
    other = [{**row, "crew": "south"} for row in rows[1::2]]
    assert sums_of(paid(*rows[::2], *other, given=BESIDE))["night"] == [250_00] * 2


def reported(plan: Plan, pipes: list[str], night: bool) -> dict[str, Any]:
    """The works of some pipes, each done as planned and said to be chargeable."""
    tables = plan.tables
    sleeves = tables["sleeves"].set_index("sleeve_id")
    rows: list[dict[str, Any]] = []
    for n, work in enumerate(tables["works"].to_dict("records")):
        if work["pipe_id"] not in pipes:
            continue
        one = {name: work[name] for name in ("pipe_id", "step", "from_m", "to_m")}
        if work["step"] == "sleeve":
            own = sleeves.loc[work["sleeve_id"]]
            one |= {name: own[name] for name in ("dn_mm", "length_m", "system")}
        place = {name: one[name] for name in ("pipe_id", "step", "from_m", "to_m")}
        day = f"2026-03-{1 + n % 28:02d}"
        if night:
            rows.append({**place, "kind": "started", "at": f"{day}T20:30"})
        hour, minute = 22 if night else 9, n // 28
        rows.append({**one, "kind": "done", "at": f"{day}T{hour:02d}:{minute:02d}"})
        # Said at once: of two reports of one place a word is about the last.
        rows.append({**place, "kind": "chargeable", "at": f"{day}T{hour + 1:02d}:{minute:02d}"})
    field = take_in(events(*rows), empty(DONE), empty(STOCK), empty(SYSTEM_SIZES))
    return {**tables, "events": field.events, "as_built": field.as_built, "done": field.done}


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(0, 999), unique=True, min_size=1, max_size=8), st.booleans())
def test_what_is_done_as_planned_pays_what_the_bill_says(
    demo_plan: Plan, picked: list[int], night: bool
) -> None:
    """Any pipes of the town, all their works reported as planned: item by item the lines of the
    bill of these pipes, mobilisation once, and at night a night for each day with a work."""
    signed = sorted(set(demo_plan.tables["bill_lines"]["pipe_id"]))
    pipes = [signed[n % len(signed)] for n in picked]
    tables = reported(demo_plan, pipes, night)
    out = measure_pay(tables, demo_plan.inputs.settings.takeoff)
    assert set(out.lines["chargeable"]) == {"yes"}
    lines = demo_plan.tables["bill_lines"]
    lines = lines[lines["pipe_id"].isin(pipes) & lines["sum_cents"].notna()]
    wanted = lines.groupby("item")["sum_cents"].sum().astype(int).to_dict()
    bill = demo_plan.tables["bill"].query("level == 'project'").set_index("item")["each_cents"]
    prices_ = demo_plan.tables["prices"].set_index("item")["each_cents"]
    wanted["mobilisation"] = int(bill["mobilisation"])
    if night:
        wanted["night"] = int(prices_["night"]) * out.lines["installed_at"].str[:10].nunique()
    priced = out.lines[out.lines["sum_cents"].notna()]
    found = priced.groupby("item")["sum_cents"].sum().astype(int).to_dict()
    assert found == wanted
    assert out.sums["payable_cents"].tolist() == [sum(wanted.values())]


@pytest.fixture(scope="module")
def measured(demo_plan: Plan) -> dict[str, Any]:
    """The demo's tables with two sleeves set, of which one may be charged."""
    one = demo_plan.tables["sleeves"].iloc[0]
    two = demo_plan.tables["sleeves"].iloc[1]
    rows = []
    for own in (one, two):
        place = {"pipe_id": own["pipe_id"], "from_m": own["from_m"], "to_m": own["to_m"]}
        size = {"dn_mm": own["dn_mm"], "system": own["system"],
                "length_m": own["to_m"] - own["from_m"]}  # fmt: skip
        rows.append({**SET, **place, **size, "at": at(9)})
    place = {name: rows[0][name] for name in ("pipe_id", "from_m", "to_m")}
    rows.append({**SAID, **place, "at": at(10)})
    field = take_in(events(*rows), empty(DONE), empty(STOCK), empty(SYSTEM_SIZES))
    t = {**demo_plan.tables, "events": field.events, "as_built": field.as_built,
         "done": field.done}  # fmt: skip
    out = measure_pay(t, load_settings({"takeoff": {"retention_ratio": 0.05}}).takeoff)
    return {**demo_plan.tables, "pay": out.lines, "pay_sums": out.sums}


def test_an_installed_sleeve_costs_what_its_line_of_the_bill_says(
    measured: dict[str, Any], demo_plan: Plan
) -> None:
    """As planned, so as priced: by the line that placement reckoned on its own."""
    lines = demo_plan.tables["option_lines"]
    own = lines[lines["item"] == "sleeve"].drop_duplicates("sleeve_id").set_index("sleeve_id")
    sleeves = measured["pay"].query("item == 'sleeve'")
    assert len(sleeves) == 2
    for row in sleeves.itertuples():
        assert row.sum_cents == own.loc[row.sleeve_id, "one_cents"]


def test_the_page_of_pay_shows_the_planners_sums(
    measured: dict[str, Any], demo_plan: Plan, tmp_path: Path
) -> None:
    path = write_workbook(measured, demo_plan.facts, 0.0, tmp_path)
    sheet = openpyxl.load_workbook(path, data_only=True)["Pay"]
    sums = measured["pay_sums"].iloc[0]
    assert last_figure(sheet, 13) == pytest.approx(sums["payable_cents"] / 100, abs=1e-9)
    assert sums["payable_cents"] > 0
    assert last_figure(sheet, 12) == pytest.approx(sums["installed_cents"] / 100, abs=1e-9)


@pytest.mark.office
def test_libreoffice_comes_to_the_same_pay(
    measured: dict[str, Any], demo_plan: Plan, tmp_path: Path, soffice: str
) -> None:
    """Stored results are taken away first, so that every figure is LibreOffice's own."""
    path = write_workbook(measured, demo_plan.facts, 0.0, tmp_path)
    bare = openpyxl.load_workbook(path)
    bare.save(tmp_path / "bare.xlsx")
    again = recalculated(soffice, tmp_path / "bare.xlsx", tmp_path / "again")
    sheet = openpyxl.load_workbook(again, data_only=True)["Pay"]
    found = [row[13].value for row in sheet.iter_rows()][-3:]
    sums = measured["pay_sums"].iloc[0]
    names = ("chargeable_cents", "retention_cents", "payable_cents")
    assert found == pytest.approx([sums[name] / 100 for name in names], abs=1e-9)


def test_the_summary_tells_it_only_where_something_is_done(
    measured: dict[str, Any], demo_plan: Plan
) -> None:
    def told(tables: dict[str, Any]) -> list[str]:
        return [line for line in summary_lines(tables, demo_plan.facts) if line.startswith("Pay:")]

    assert told(demo_plan.tables) == []
    assert "; 1 not said to be chargeable" in told(measured)[0]
