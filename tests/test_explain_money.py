"""What a way costs, as `explain` prints it: price, year, place and source of each line."""

from __future__ import annotations

from one_pipe import price, prices, sleeve, span, town, verdict

from planner.repairs.break_even import break_even
from planner.repairs.options import price_options
from planner.repairs.quantity_bands import count_quantities
from planner.screening.explain_money import way_lines
from planner.settings import load_settings

SLEEVING = load_settings({}).sleeving


def test_each_figure_has_its_origin():
    """Two sleeves of 2 000, a liner of 40 x 100 without year or place, no price of a dig."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")], [sleeve("S-1", 4, 6)], [("S-1", "D-1")])
    told = {"year": 2024, "place": "Quillhaven", "source": "invented"}
    many = {**price("sleeve", 2_000_00), **told, "quantity_to": 5.0}
    book = prices(many, price("liner", 0, per_m=100_00), price("reopen", 1))
    made = price_options(tables, book, SLEEVING)
    tables |= {"options": made.options, "option_lines": made.option_lines}
    tables["break_even"] = break_even(made.options, made.option_lines, SLEEVING)
    tables["price_quantities"] = count_quantities(tables, book)
    lines = way_lines("p1", tables)
    assert lines[0] == "Ways to mend pipe p1:"
    (own,) = [line for line in lines if line.startswith("    1 x sleeve")]
    assert own.startswith(
        "    1 x sleeve DN 200 x 2.00 m: 2,000.00 | sleeve, 2024, Quillhaven, invented; 1 spans"
    )
    (liner,) = [line for line in lines if line.startswith("    1 x liner")]
    assert liner.endswith("4,000.00 | liner, no year stated, no place stated, no source stated")
    (dig,) = [line for line in lines if line.startswith("    1 x dig")]
    assert dig.endswith(": no price at DN 200")
    assert any("not costed: no price for dig at DN 200" in line for line in lines)
    assert lines[-1].startswith("  Break-even: 0.00 + 2,000.00 a sleeve against liner 4,000.00")


def test_what_a_run_did_not_make_is_passed_over():
    """No options, no lines."""
    assert way_lines("p1", {}) == []
