"""Lots onto visits: what expires first goes first, a refused lot re-opens its own days alone."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import sleeve
from sleeve_supply import size, system
from test_orders import TAKEOFF, town
from test_totals import visit, work

from planner.contracts import CONDITIONS, LOTS
from planner.inputs.lots import read_lots
from planner.tables import conform
from planner.takeoff.lots import pick_lots
from planner.takeoff.orders import make_orders
from planner.takeoff.totals import take_off

PIECE = "sleeve DN 200 x 1.00 m felt"
DAYS = ("2026-03-02", "2026-03-03", "2026-03-04")


def lot(name: str, pieces: int, use_by: str, **more) -> dict:
    row = {"lot": name, "item": "sleeve", "system": "felt", "dn_mm": 200.0, "length_m": 1.0}
    return {**row, "pieces_count": pieces, "use_by": use_by, **more}


def week(lots: list[dict], counts: tuple[int, ...] = (2, 1, 2), **more):
    """So many made sleeves of 1 m on each of the days, one visit a day."""
    rows, works, held, visits = [], [], [], []
    for day, count in enumerate(counts):
        visits.append(visit(1, f"U-{day}", "a", DAYS[day]))
        for _ in range(count):
            at = len(rows)
            rows.append(sleeve(f"S-{at}", 3.0 * at, 3.0 * at + 1.0, wall_mm=6.0, plies=3))
            works.append(work(f"W-{at}", "sleeve", f"S-{at}"))
            held.append((f"U-{day}", f"W-{at}"))
    made = more.get("systems", [system(supply="made_before", cure="light")])
    t = town(rows, visits, held, works, systems=made, sizes=[size()], materials=[], parts=[])
    t["quantities"], _ = take_off(t, TAKEOFF, first_day=DAYS[0])
    t["orders"] = make_orders(t, TAKEOFF, first_day=DAYS[0])
    t["lots"] = conform(lots, LOTS)
    t["conditions"] = conform(more.get("conditions", []), CONDITIONS)
    return t


def taken(frame: pd.DataFrame) -> list[tuple[str, str, int]]:
    rows = zip(frame["date"], frame["lot"], frame["amount"].astype(int), strict=True)
    return sorted(rows)


def test_what_expires_first_goes_first():
    """A ends on Tuesday with 3, B in May with 9: Monday and Tuesday use up A, Wednesday takes B."""
    found = pick_lots(week([lot("B", 9, "2026-05-01"), lot("A", 3, "2026-03-03")]), TAKEOFF)
    assert taken(found.picks) == [(DAYS[0], "A", 2), (DAYS[1], "A", 1), (DAYS[2], "B", 2)]
    assert found.shortages.empty


def test_a_lot_past_its_date_is_left():
    """A would still hold one on Wednesday, a day too late."""
    found = pick_lots(week([lot("B", 9, "2026-05-01"), lot("A", 4, "2026-03-03")]), TAKEOFF)
    assert taken(found.picks)[-1] == (DAYS[2], "B", 2)


def test_a_refused_lot_reopens_its_own_days_alone():
    """Lots of 2, 1 and 9: one a day. The second is refused on Tuesday: Tuesday takes of the third,
    Monday and Wednesday keep theirs."""
    lots = [lot("A", 2, "2026-03-10"), lot("B", 1, "2026-03-11"), lot("C", 9, "2026-03-12")]
    before = taken(pick_lots(week(lots), TAKEOFF).picks)
    assert before == [(DAYS[0], "A", 2), (DAYS[1], "B", 1), (DAYS[2], "C", 2)]
    lots[1]["refused_on"] = DAYS[1]
    after = taken(pick_lots(week(lots), TAKEOFF).picks)
    assert after == [(DAYS[0], "A", 2), (DAYS[1], "C", 1), (DAYS[2], "C", 2)]
    lots[0]["refused_on"] = DAYS[2]  # refused after it was used: nothing moves
    assert taken(pick_lots(week(lots), TAKEOFF).picks) == after


def test_what_is_short_has_the_day_of_its_order():
    """Wednesday lacks one. Ten working days before 4 March 2026 is 18 February (by a calendar)."""
    found = pick_lots(week([lot("A", 4, "2026-05-01")]), TAKEOFF)
    assert taken(found.picks)[-2:] == [(DAYS[2], "", 1), (DAYS[2], "A", 1)]
    row = found.shortages.iloc[0]
    assert (row["item"], row["missing"], row["needed_on"]) == (PIECE, 1, DAYS[2])
    assert row["order_by"] == "2026-02-18"


def test_without_lots_nothing_is_called_short():
    """What is on the shelf is not known; the list still says what to load."""
    found = pick_lots(week([]), TAKEOFF)
    assert taken(found.picks) == [(DAYS[0], "", 2), (DAYS[1], "", 1), (DAYS[2], "", 2)]
    assert set(found.picks["note"]) == {"no lots are stated"}
    assert found.shortages.empty


def test_resin_is_taken_in_whole_kits():
    """3840 g net in a kit of 5 kg for each sleeve: Monday takes two kits of a lot of 12 kg, Tuesday
    what is left of it, 2 kg, and 3 kg of the next."""
    mixed = [system(kit_kg=5.0, kit_per="sleeve")]
    kg = {"item": "resin", "dn_mm": None, "length_m": None, "pieces_count": None}
    lots = [
        lot("K1", 0, "2026-04-01", **kg, mass_kg=12.0),
        lot("K2", 0, "2026-05-01", **kg, mass_kg=60.0),
    ]
    found = pick_lots(week(lots, systems=mixed), TAKEOFF)
    assert taken(found.picks) == [
        (DAYS[0], "K1", 10_000), (DAYS[1], "K1", 2_000), (DAYS[1], "K2", 3_000),
        (DAYS[2], "K2", 10_000),
    ]  # fmt: skip


def test_a_stated_temperature_outside_the_lots_is_told():
    """3 degC on Monday, the lot asks 8."""
    cold = [{"date": DAYS[0], "period": DAYS[0], "resin_c": 3.0}]
    found = pick_lots(week([lot("A", 9, "2026-05-01", min_c=8.0)], conditions=cold), TAKEOFF)
    notes = dict(zip(found.picks["date"], found.picks["note"], strict=True))
    assert notes == {DAYS[0]: "3 degC is stated, the lot asks 8 at least", DAYS[1]: "", DAYS[2]: ""}


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_lots_hold_what_is_taken_of_them(seed: int):
    """No lot gives more than it holds, nor outside its days; all that is needed is taken or told;
    no later lot is used while an earlier good one still holds something."""
    random = Random(seed)
    lots = [
        lot(f"L{at}", random.randint(0, 4), f"2026-03-0{random.randint(1, 9)}",
            made_on=random.choice(["", "2026-02-01", DAYS[1]]),
            refused_on=random.choice(["", "", DAYS[1]]))
        for at in range(random.randint(1, 5))
    ]  # fmt: skip
    counts = tuple(random.randint(0, 4) for _ in DAYS)
    found = pick_lots(week(lots, counts), TAKEOFF)
    by_lot = {one["lot"]: one for one in lots}
    picks = found.picks[found.picks["lot"] != ""]
    for name, amount in picks.groupby("lot")["amount"].sum().items():
        assert amount <= by_lot[name]["pieces_count"]
    for row in picks.to_dict("records"):
        one = by_lot[row["lot"]]
        assert one["made_on"] <= row["date"] <= one["use_by"]
        assert not (one["refused_on"] and row["date"] >= one["refused_on"])
    assert found.picks.groupby("date")["amount"].sum().to_dict() == {
        day: count for day, count in zip(DAYS, counts, strict=True) if count
    }
    missing = int(found.picks.loc[found.picks["lot"] == "", "amount"].sum())
    assert int(found.shortages["missing"].sum()) == missing
    if not any(one["refused_on"] for one in lots):
        left = {one["lot"]: one["pieces_count"] for one in lots}
        for row in picks.sort_values(["date", "use_by"]).to_dict("records"):
            earlier = [
                one for one in lots
                if one["made_on"] <= row["date"] <= one["use_by"] and one["use_by"] < row["use_by"]
            ]  # fmt: skip
            assert not any(left[one["lot"]] for one in earlier)
            left[row["lot"]] -= int(row["amount"])


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("A,sleeve,felt,200,1.0,3,,2025-01-01,,,,,,", "use_by"),
        ("A,sleeve,felt,200,1.0,3,,2026-05-01,2026-04-01,,,,,", "made_on"),
        ("A,sleeve,felt,,1.0,3,,,2026-04-01,,,,,", "dn_mm"),
        ("A,resin,felt,,,,,,2026-04-01,,,,,", "mass_kg"),
        ("A,resin,felt,,,,-4,,2026-04-01,,,,,", "mass_kg"),
        ("A,resin,felt,,,,4,,2026-04-01,20,5,,,", "min_c"),
        ("A,tub,felt,,,,4,,2026-04-01,,,,,", "item"),
    ],
)
def test_a_lot_that_cannot_be_used_is_named(tmp_path: Path, row: str, column: str):
    """One line with file, row and column; the good lot goes on."""
    path = tmp_path / "lots.csv"
    head = ",".join(name for name in LOTS.names if name != "row")
    path.write_text(f"{head}\n{row}\nB,resin,felt,,,,4,,2026-04-01,,,,,\n")
    frame, faults = read_lots(path)
    assert frame["lot"].tolist() == ["B"]
    assert [(fault.row, fault.column) for fault in faults] == [(2, column)]
