"""Prices that hold for a range of quantity: counted once, told, and doubted afterwards."""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import pipe, price, prices, sleeve, span, town, verdict

from planner.contracts import CHOICES
from planner.ground.money import price_cents
from planner.inputs.prices import read_prices
from planner.repairs.options import price_options
from planner.repairs.quantity_bands import count_quantities, doubt_quantities, in_force
from planner.settings import load_settings
from planner.tables import conform

SLEEVING = load_settings({}).sleeving


def band(price_id: str, item: str, each: int, low: object, high: object, **more: object) -> dict:
    row = price(item, each, **{key: more.pop(key) for key in ("per_m",) if key in more})
    return {**row, "price_id": price_id, "quantity_from": low, "quantity_to": high, **more}


FEW_MANY = prices(
    band("few", "sleeve", 2_500_00, None, 2), band("many", "sleeve", 1_800_00, 3, None)
)


def streets(spans: int, **more: object) -> dict[str, pd.DataFrame]:
    """So many spans to mend on pipe p1, and one that is only watched."""
    ids = [f"D-{at}" for at in range(spans)]
    rows = [span(one, 3 * at, 3 * at + 1) for at, one in enumerate(ids)]
    said = [verdict(one, **more) for one in ids]
    return town(
        [*rows, span("D-w", 38, 39)], [*said, verdict("D-w", needs="watch", verdict="watch")]
    )


@pytest.mark.parametrize(
    ("spans", "cents"), [(1, 2_500_00), (2, 2_500_00), (3, 1_800_00), (9, 1_800_00)]
)
def test_the_number_in_the_project_picks_the_price(spans: int, cents: int):
    """Up to 2 sleeves the dearer price, from 3 on the cheaper; a watched span is none."""
    found = count_quantities(streets(spans), FEW_MANY)
    assert found["quantity"].tolist() == [spans, spans]
    assert price_cents(in_force(FEW_MANY, found), "sleeve", 200, 1) == cents


def test_a_gap_between_the_ranges_leaves_no_price():
    """From 5 on only, and 3 wanted: not costed, and what was counted is told."""
    book = prices(band("many", "sleeve", 1, 5, None))
    found = count_quantities(streets(3), book)
    assert price_cents(in_force(book, found), "sleeve", 200, 1) is None
    said = "3 spans to mend where a sleeve is open, DN 100-300; the price is for 5 pieces or more"
    assert found["why"].tolist() == [said]
    tables = {**streets(3), "choices": conform([], CHOICES)}
    (flag,) = doubt_quantities(tables, book, found).to_dict("records")
    assert (flag["key"], flag["what"]) == ("many", f"not in force, so not costed: {said}")
    # Another price of the item is left: then nothing lacks.
    more = pd.concat([book, prices(price("sleeve", 9))])
    assert doubt_quantities(tables, more, count_quantities(tables, more)).empty


def test_what_is_counted_of_each_item():
    """Sleeves and digs by open spans, liners by pipe or by its metres; sizes count apart."""
    tables = town(
        [span("D-1", 1, 2), span("D-2", 5, 6), span("D-3", 1, 3, "p2"), span("D-4", 1, 2, "p3")],
        [
            verdict("D-1", dig="closed"),
            verdict("D-2", sleeve="asked"),
            verdict("D-3", "p2", liner="closed"),
            verdict("D-4", "p3"),
        ],
        pipes=[pipe(), pipe("p2"), pipe("p3", dn_mm=400.0)],
    )
    book = prices(
        band("s", "sleeve", 1, 0, 9),
        band("d", "dig", 1, 0, 9),
        band("dm", "dig", 1, 0, 9, quantity_unit="m"),
        band("l", "liner", 1, 0, 9),
        band("lm", "liner", 1, 0, 9, quantity_unit="m"),
        price("reopen", 1),
    )
    found = count_quantities(tables, book).set_index("price_id")["quantity"].to_dict()
    # p3 is larger than DN 300. Digs: D-2 of 1 m, D-3 of 2 m. One lined pipe of 40 m.
    assert found == {"s": 2, "d": 2, "dm": 3, "l": 1, "lm": 40}


def test_a_range_goes_before_no_range():
    """The price for this quantity beats one for any, whatever its id."""
    book = prices(price("sleeve", 9), band("z", "sleeve", 5, 1, 9), band("y", "sleeve", 7, 1, None))
    assert price_cents(in_force(book, count_quantities(streets(3), book)), "sleeve", 200, 1) == 5


def test_fewer_chosen_than_the_price_is_for_is_told():
    """Three could be ordered, one is chosen: the cheap price is doubted by name."""
    tables = streets(3)
    found = count_quantities(tables, FEW_MANY)
    more = town([span("D-0", 0, 1)], [verdict("D-0")], [sleeve("S-1", 0, 1)], [("S-1", "D-0")])
    choice = {"pipe_id": "p1", "method": "sleeve", "state": "proposed", "reason": "x"}
    row = {**choice, "fingerprint": "f", "assumed_accepted": False}
    more["choices"] = conform([row], CHOICES)
    (flag,) = doubt_quantities(more, FEW_MANY, found).to_dict("records")
    assert flag["key"] == "many"
    assert "3 could be ordered, 1 pieces chosen" in flag["what"]
    more["choices"]["method"] = "dig"
    assert doubt_quantities(more, FEW_MANY, found).empty


def test_a_quantity_beats_a_diameter_in_the_options():
    """The same pipe, the same size: 40 m of liner cost what the quantity says."""
    book = prices(
        band("short", "liner", 0, None, 99, per_m=545_00, quantity_unit="m"),
        band("long", "liner", 0, 100, None, per_m=93_00, quantity_unit="m"),
        price("reopen", 1),
    )
    for count, per_m in ((1, 545), (3, 93)):
        names = [f"p{at}" for at in range(count)]
        tables = town(
            [span(f"D-{name}", 5, 6, name) for name in names],
            [verdict(f"D-{name}", name) for name in names],
            pipes=[pipe(name) for name in names],
        )
        priced = in_force(book, count_quantities(tables, book))
        made = price_options(tables, priced, SLEEVING).options
        assert set(made.query("method == 'liner'")["cost_cents"]) == {40 * per_m * 100}


def read(**more: object) -> tuple[list[dict], list[str]]:
    base = {"price_id": "p", "item": "liner", "dn_from_mm": 100, "dn_to_mm": 300, "each": 10.0}
    plain = {"included_m": 0, "extra_per_m": 1.5}
    made = read_prices({"price": [{**base, **plain, **more}]})
    return made.prices.to_dict("records"), [str(fault) for fault in made.faults]


def test_an_old_price_is_read_as_before():
    """No place, no least, no quantity: blank, and no fault."""
    (row,), faults = read()
    assert faults == []
    assert (row["place"], row["quantity_unit"]) == ("", "")
    assert pd.isna(row["least_cents"])


def test_a_full_price_is_read():
    """The least sum is in the currency like the others."""
    (row,), faults = read(place="Quillhaven", least=250.5, least_m=30, quantity_from=5)
    assert faults == []
    assert (row["least_cents"], row["least_m"], row["quantity_from"]) == (250_50, 30, 5)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"quantity_from": 9, "quantity_to": 3}, "quantity_to, which is no smaller"),
        ({"item": "clean", "quantity_to": 3}, "no quantity but for sleeve, liner, dig"),
        ({"least": 2.505}, "an amount in whole cents"),
        ({"quantity_unit": "ft"}, "quantity_unit"),
        ({"least_m": -1}, "least_m"),
    ],
)
def test_a_wrong_price_is_one_clear_line(more: dict, said: str):
    """What cannot hold is refused by key."""
    rows, faults = read(**more)
    assert rows == []
    assert len(faults) == 1
    assert said in faults[0]
