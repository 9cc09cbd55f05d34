"""What sleeves are made of in a week, and what is ordered of it: by hand, and by property."""

from __future__ import annotations

from random import Random

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import sleeve
from sleeve_supply import size, system
from test_totals import choice, tables, visit, work

from planner.contracts import MATERIALS, PARTS, SYSTEM_SIZES, SYSTEMS
from planner.settings import load_settings
from planner.tables import conform
from planner.takeoff.orders import make_orders
from planner.takeoff.totals import take_off

MONDAY = "2026-03-02"
TAKEOFF = load_settings({}).takeoff
WOUND = {"system": "felt", "material": "mat", "form": "wound", "seam_mm": 50.0, "pack_m2": 5.0}
WRAP = {"system": "felt", "material": "wrap", "form": "strip", "width_mm": 300.0, "pack_m": 20.0}
TAPE = {"system": "felt", "material": "tape", "form": "turns", "turns_count": 2.0}
FILM = {"system": "felt", "material": "film", "form": "along", "extra_m": 0.5}
TIES = {"system": "felt", "material": "tie", "form": "each", "pieces_count": 4, "pack_count": 50}
MIX = [
    {"system": "felt", "part": "A", "share": 2.0, "share_by": "volume", "density_kg_per_l": 1.16},
    {"system": "felt", "part": "B", "share": 1.0, "share_by": "volume", "density_kg_per_l": 1.0},
]


def town(sleeves, visits, held, works, **more):
    """Tables of a week whose sleeves are wound from `materials` and mixed of `parts`."""
    pairs = [("p1", row["sleeve_id"]) for row in sleeves]
    t = tables(visits, held, works, sleeves, [choice("p1")], pairs)
    t["systems"] = conform(more.get("systems", [system(kit_kg=5.0, kit_per="sleeve")]), SYSTEMS)
    t["system_sizes"] = conform(more.get("sizes", [size()]), SYSTEM_SIZES)
    t["materials"] = conform(more.get("materials", [WOUND, WRAP, TAPE, FILM, TIES]), MATERIALS)
    t["parts"] = conform(more.get("parts", MIX), PARTS)
    return t


def week(**more):
    """Two sleeves at one visit on Monday, one on Tuesday, one not this week; DN 200, 6 mm."""
    rows = [sleeve(f"S-{at}", 3.0 * at, 3.0 * at + 1.0, wall_mm=6.0, plies=3) for at in range(4)]
    works = [work(f"W-{at}", "sleeve", f"S-{at}") for at in range(4)]
    visits = [visit(1, "U-1", "a", MONDAY), visit(1, "U-2", "a", "2026-03-03")]
    return town(rows, visits, [("U-1", "W-0"), ("U-1", "W-1"), ("U-2", "W-2")], works, **more)


def single(row):
    """One sleeve at one visit."""
    visits = [visit(1, "U-1", "a", MONDAY)]
    return town([row], visits, [("U-1", "W-1")], [work("W-1", "sleeve", "S-1")])


def order(frame: pd.DataFrame, level: str, key: str, item: str) -> dict[str, int]:
    row = frame[(frame["level"] == level) & (frame["key"] == key) & (frame["item"] == item)]
    assert len(row) == 1, row
    found = row.iloc[0]
    names = ("net", "waste", "batch_loss", "rounding", "spare", "to_order")
    return {name: int(found[name]) for name in names if not pd.isna(found[name])}


def test_what_one_sleeve_is_made_of_by_hand():
    """DN 200, 6 mm in 3 plies, 1 m.

    Mat (3 pi (200 - 6) + 50) mm x 1 m = 1 878 407 mm2; wrap at half of 300 mm: 2 pi 200 1000 / 300
    = 4188.8 mm; tape 2 ends x 2 turns x pi 200 = 2513.3 mm; film 1500 mm; 4 ties. Resin 1.05 x
    pi 194 x 6 mm x 1 m = 3.8396 kg; A has 2.32 / 3.32 of it: 2683.1 g, 2313 ml; B the rest.
    """
    one = sleeve("S-1", 0.0, 1.0, wall_mm=6.0, plies=3)
    t = town(
        [one], [visit(1, "U-1", "a", MONDAY)], [("U-1", "W-1")], [work("W-1", "sleeve", "S-1")]
    )
    quantities, _ = take_off(t, TAKEOFF, first_day=MONDAY)
    net = dict(zip(quantities["item"], quantities["net"].astype(int), strict=True))
    assert net["mat felt"] == 1_878_407
    assert net["wrap felt"] == 4_189
    assert net["tape felt"] == 2_513
    assert net["film felt"] == 1_500
    assert net["tie felt"] == 4
    assert net["resin felt"] == 3_840
    assert net["resin felt, part A"] == 2_683
    assert net["resin felt, part B"] == 3_840 - 2_683
    assert net["resin felt, part A, volume"] == 2_313


def test_kits_for_each_sleeve_by_hand():
    """3840 g + 384 g of waste + 400 g in the tub = 4624 g: one kit of 5 kg, 376 g of rounding.

    The visit with two sleeves takes two kits, the week three and one spare, the fourth sleeve
    waits: a kit, no spare.
    """
    orders = make_orders(week(), TAKEOFF, first_day=MONDAY)
    one = {"net": 3_840, "waste": 384, "batch_loss": 400, "rounding": 376, "spare": 0}
    two = {name: 2 * figure for name, figure in one.items()}
    assert order(orders, "visit", f"a|{MONDAY}|1", "resin felt") == {**two, "to_order": 10_000}
    assert order(orders, "route", "a|2026-03-03", "resin felt") == {**one, "to_order": 5_000}
    three = {**{name: 3 * figure for name, figure in one.items()}, "spare": 5_000}
    assert order(orders, "week", MONDAY, "resin felt") == {**three, "to_order": 20_000}
    assert order(orders, "rest", "rest", "resin felt") == {**one, "to_order": 5_000}
    assert order(orders, "project", "project", "resin felt")["to_order"] == 25_000


def test_kits_for_the_day_are_another_total():
    """One batch on Monday: 7680 + 768 + 400 = 8848 g in 2 kits; its visit alone is not rounded."""
    mixed = [system(kit_kg=5.0, kit_per="route")]
    orders = make_orders(week(systems=mixed), TAKEOFF, first_day=MONDAY)
    monday = {"net": 7_680, "waste": 768, "batch_loss": 400, "rounding": 1_152, "spare": 0}
    assert order(orders, "route", f"a|{MONDAY}", "resin felt") == {**monday, "to_order": 10_000}
    assert order(orders, "visit", f"a|{MONDAY}|1", "resin felt") == {"net": 7_680}


def test_rolls_are_rounded_for_the_week():
    """Three mats of 1 878 407 mm2 and 10 % make 6 198 744 mm2 (upward): two rolls of 5 m2."""
    orders = make_orders(week(), TAKEOFF, first_day=MONDAY)
    found = order(orders, "week", MONDAY, "mat felt")
    assert found["net"] == 5_635_221
    assert found["waste"] == 563_523
    assert found["to_order"] == 10_000_000
    assert order(orders, "route", f"a|{MONDAY}", "mat felt") == {"net": 3_756_814}


def test_made_sleeves_are_pieces_and_have_no_kits():
    """Ready-impregnated: three pieces and one spare; no resin is ordered."""
    made = [system(supply="made_before", cure="light")]
    orders = make_orders(week(systems=made), TAKEOFF, first_day=MONDAY)
    assert not orders["item"].str.startswith("resin").any()
    piece = "sleeve DN 200 x 1.00 m felt"
    found = order(orders, "week", MONDAY, piece)
    assert (found["net"], found["spare"], found["to_order"]) == (3, 1, 4)


def test_a_roll_is_ordered_by_its_length():
    """Cut from a ready-impregnated roll: 3 m and 10 %, a tenth of that kept; no kit, no piece."""
    cut = [system(supply="from_roll", cure="light")]
    orders = make_orders(week(systems=cut), TAKEOFF, first_day=MONDAY)
    found = order(orders, "week", MONDAY, "roll cut felt")
    assert found == {"net": 3_000, "waste": 300, "batch_loss": 0, "rounding": 0, "spare": 330,
                     "to_order": 3_630}  # fmt: skip
    assert not orders["item"].str.startswith(("resin", "sleeve DN")).any()


def test_a_wall_that_is_not_known_takes_no_mat():
    """Without a wall mat and resin are unknown and no line says nothing; the tape is known."""
    t = single(sleeve("S-1", 0.0, 1.0))
    quantities, _ = take_off(t, TAKEOFF, first_day=MONDAY)
    items = set(quantities["item"])
    assert "tape felt" in items
    assert not items & {"mat felt", "resin felt", "resin felt, part A"}


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6))
def test_the_books_of_any_order_balance(seed: int):
    """net + waste + batch loss + rounding + spare = to order, whole packs at the item's own level
    and above; net at every level is what `take_off` says; above the rounding orders are sums."""
    random = Random(seed)
    many = random.randint(1, 20)
    rows = [
        sleeve(f"S-{at}", 4.0 * at, 4.0 * at + random.choice([0.6, 1.0, 2.0]), wall_mm=6.0, plies=3)
        for at in range(many)
    ]
    works = [work(f"W-{at}", "sleeve", f"S-{at}") for at in range(many)]
    held = [(f"U-{random.randint(0, 9)}", f"W-{at}") for at in range(many)]
    visits = [
        visit(at + 1, f"U-{at}", random.choice("ab"), f"2026-03-0{at % 5 + 2}") for at in range(8)
    ]
    kits = [
        system(kit_kg=random.choice([1.0, 4.5, 20.0]), kit_per=random.choice(["sleeve", "route"]))
    ]
    t = town(rows, visits, held, works, systems=kits)
    orders = make_orders(t, TAKEOFF, first_day=MONDAY)
    _, sums = take_off(t, TAKEOFF, first_day=MONDAY)
    known = orders.dropna(subset="to_order")
    parts = known[["net", "waste", "batch_loss", "rounding", "spare"]].sum(axis=1)
    assert (parts == known["to_order"]).all()
    whole = known.dropna(subset="pack")
    assert (whole["to_order"] % whole["pack"] == 0).all()
    assert (whole["rounding"] < whole["pack"] * whole["net"].clip(lower=1)).all()
    levels = orders[orders["level"].isin(["visit", "route", "week", "project"])]
    both = levels.merge(sums, on=["level", "key", "item"], suffixes=("", "_taken"))
    assert len(both) == len(levels)
    assert (both["net"] == both["net_taken"]).all()
    for item, own in known.groupby("item"):
        at = {name: frame["to_order"].sum() for name, frame in own.groupby("level")}
        week_spare = own.loc[own["level"] == "week", "spare"].sum()
        if "route" in at:
            assert at["week"] - week_spare == at["route"], item
        assert at["project"] == at.get("week", 0) + at.get("rest", 0)


def test_a_material_without_its_figures_is_refused_alone():
    """A strip without a width, a roll in metres for a mat, a third row over the first's sizes."""
    from planner.inputs.wound_from import read_materials

    records = [
        {"system": "felt", "material": "wrap", "form": "strip"},
        {"system": "felt", "material": "mat", "form": "wound", "pack_m": 10.0},
        {"system": "felt", "material": "tape", "form": "turns", "turns_count": 2},
        {
            "system": "felt",
            "material": "tape",
            "form": "turns",
            "turns_count": 3,
            "dn_from_mm": 300,
        },
        {"system": "none", "material": "tape", "form": "turns", "turns_count": 2},
    ]
    frame, faults = read_materials(records, ["felt"], "systems.toml")
    assert frame["material"].tolist() == ["tape"]
    assert [(fault.row, fault.column) for fault in faults] == [
        (5, "system.material.system"),
        (1, "system.material.width_mm"),
        (2, "system.material.pack_m"),
        (4, "system.material.dn_from_mm"),
    ]


@pytest.mark.parametrize(
    ("wrong", "column"),
    [
        ({"part": "B", "share": 1, "share_by": "volume"}, "density_kg_per_l"),
        ({"part": "B", "share": 1, "share_by": "mass"}, "share_by"),
        ({"part": "A", "share": 1, "share_by": "volume", "density_kg_per_l": 1.0}, "part"),
        ({"part": "B", "share": 0, "share_by": "volume", "density_kg_per_l": 1.0}, "share"),
    ],
)
def test_a_mix_with_a_part_that_cannot_be_used_is_no_mix(wrong, column):
    """One bad part takes the whole mix with it, each row with a line of its own."""
    from planner.inputs.wound_from import read_parts

    good = {"part": "A", "share": 2, "share_by": "volume", "density_kg_per_l": 1.16}
    records = [{"system": "felt", **good}, {"system": "felt", **wrong}]
    frame, faults = read_parts(records, ["felt"], "systems.toml")
    assert frame.empty
    assert {fault.row for fault in faults} == {1, 2}
    assert column in {fault.column.rpartition(".")[2] for fault in faults}
