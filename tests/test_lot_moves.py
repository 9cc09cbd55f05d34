"""What the journal moved of a lot changes what the lot holds, and what is picked of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from reported import events
from small_project import write_project
from test_lots import DAYS, PIECE, TAKEOFF, lot, taken, week

from planner.contracts import LOTS, STOCK_MOVES
from planner.inputs.lot_moves import moved_lots
from planner.inputs.project import read_project
from planner.tables import conform
from planner.takeoff.lots import pick_lots

LAST = "2026-05-01"


def move(n: int, way: str, lot_: str, pieces: int, **more: Any) -> dict[str, Any]:
    row = {"event_id": f"E-{n:06d}", "move": way, "at": f"2026-03-01T{8 + n % 12:02d}:00"}
    size = {"item": "sleeve", "system": "felt", "dn_mm": 200.0, "length_m": 1.0}
    return {**row, **size, "lot": lot_, "pieces_count": pieces, "why": "reported", **more}


def left(lots: list[dict[str, Any]], *moves: dict[str, Any]) -> tuple[list[float], list[str]]:
    table, told = moved_lots(conform(lots, LOTS), conform(moves, STOCK_MOVES))
    kept = []
    for row in table.to_dict("records"):
        figure = {"sleeve": "pieces_count", "resin": "mass_kg", "roll": "length_m"}[row["item"]]
        kept.append(float(row[figure]))
    return kept, [what for _, what in told]


def test_used_received_and_returned() -> None:
    """Five, two used, four received, one back: 5 - 2 + 4 + 1 = 8; the other lot keeps its 9."""
    kept, told = left([lot("A", 5, LAST), lot("B", 9, LAST)], move(1, "used", "A", 2),
                      move(2, "received", "A", 4), move(3, "returned", "A", 1))  # fmt: skip
    assert (kept, told) == ([8, 9], [])


def test_a_lot_that_is_used_up_is_not_picked_again() -> None:
    """A expires first and held two: both are used, so Monday takes B."""
    t = week([lot("A", 2, "2026-03-05"), lot("B", 9, LAST)], counts=(2,))
    before = pick_lots(t, TAKEOFF)
    assert taken(before.picks) == [(DAYS[0], "A", 2)]
    t["lots"], told = moved_lots(t["lots"], conform([move(1, "used", "A", 2)], STOCK_MOVES))
    after = pick_lots(t, TAKEOFF)
    assert (taken(after.picks), told) == ([(DAYS[0], "B", 2)], [])
    assert after.shortages.empty
    assert set(after.picks["item"]) == {PIECE}


def test_less_than_nothing_is_one_line_and_none() -> None:
    kept, told = left([lot("A", 1, LAST)], move(1, "used", "A", 2), move(2, "used", "A", 1))
    assert kept == [0]
    assert told == ["lot A would hold 2 pieces less than nothing: taken as none; "
                    "count it and correct lots.csv"]  # fmt: skip


def test_moves_up_to_the_count_are_in_it() -> None:
    counted = lot("A", 5, LAST, counted_on="2026-03-01")
    later = move(2, "used", "A", 1, at="2026-03-02T08:00")
    assert left([counted], move(1, "used", "A", 2), later) == ([4], [])


def test_resin_by_mass_and_a_sleeve_from_a_roll_by_its_length() -> None:
    """A roll of 30 m less two sleeves of 1.5 m; 20 kg less 2.7."""
    resin = {"lot": "R", "item": "resin", "system": "felt", "mass_kg": 20.0, "use_by": LAST}
    roll = {"lot": "C", "item": "roll", "system": "glass", "length_m": 30.0, "use_by": LAST}
    used = move(1, "used", "R", 0, item="resin", dn_mm=None, length_m=None, pieces_count=None,
                mass_kg=2.7)  # fmt: skip
    cut = move(2, "used", "C", 2, system="glass", length_m=1.5)
    assert left([resin, roll], used, cut) == ([27.0, 17.3], [])


def test_a_move_of_no_lot_is_told_and_changes_none() -> None:
    """Of another system nothing is listed, so nothing is to be told of it."""
    kept, told = left([lot("A", 5, LAST)], move(1, "used", "", 2), move(2, "used", "Z", 1),
                      move(3, "used", "", 1, system="glass"))  # fmt: skip
    assert kept == [5]
    assert [("not reported" in what, "no such lot Z" in what) for what in told] == [
        (True, False), (False, True)]  # fmt: skip


def test_without_moves_or_lots_the_very_table_comes_back() -> None:
    lots, none = conform([lot("A", 5, LAST)], LOTS), conform([], STOCK_MOVES)
    assert moved_lots(lots, none)[0] is lots
    bare = conform([], LOTS)
    assert moved_lots(bare, conform([move(1, "used", "A", 2)], STOCK_MOVES)) == (bare, [])


def test_a_project_reads_its_lots_less_what_the_journal_used(tmp_path: Path) -> None:
    """Five in lots.csv, two used; the lot that is not listed is a flag of the project."""
    listed = (
        "lot,item,system,dn_mm,length_m,pieces_count,use_by\nA,sleeve,felt,200,1.0,5,2027-05-01\n"
    )
    folder = write_project(tmp_path, lots_csv=listed)
    stock = {"kind": "used", "item": "sleeve", "system": "felt", "dn_mm": 200.0, "length_m": 1.0}
    happened = events(
        {**stock, "lot": "A", "pieces_count": 2}, {**stock, "lot": "Z", "pieces_count": 1}
    )
    got = read_project(folder, {}, happened)
    assert got.lots["pieces_count"].tolist() == [3]
    assert [what for what in got.flags["what"] if "no such lot Z" in what]


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["used", "received", "returned"]), st.sampled_from("AB"),
                  st.integers(0, 5)), max_size=8),
    st.tuples(st.integers(0, 9), st.integers(0, 9)),
)  # fmt: skip
def test_a_lot_holds_what_it_held_and_came_less_what_went(
    moves: list[tuple[str, str, int]], held: tuple[int, int]
) -> None:
    """Never below nothing; told exactly where more went than there was."""
    rows = [move(n, way, name, count) for n, (way, name, count) in enumerate(moves, 1)]
    kept, told = left([lot(n, h, LAST) for n, h in zip("AB", held, strict=True)], *rows)
    sums = [
        have + sum(-n if way == "used" else n for way, own, n in moves if own == name)
        for name, have in zip("AB", held, strict=True)
    ]
    assert kept == [max(0, one) for one in sums]
    assert len(told) == sum(one < 0 for one in sums)
