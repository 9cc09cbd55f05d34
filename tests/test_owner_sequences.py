"""An owner's answer "line after spot repair": sleeves first, then the liner, is a way with a price.

The wording is a real owner's (answers to the film before lining, a public-works contract of
2023, inputs.md 2); the row here is invented, the real table is read where it is present.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest
from one_pipe import felt, lateral, price, prices, sleeve, span, town, verdict

from planner.contracts.repairs import WAYS
from planner.repairs.chain import steps_of
from planner.repairs.jobs import jobs_of
from planner.repairs.options import price_options
from planner.settings import load_settings

ROW = {"asset_id": "P-1", "scope": "Line (E) 12in", "pre_response": "MCN - Line after Spot Repair"}
STEP_OF = {"line": "liner", "spot repair": "sleeve"}
BOOK = prices(
    price("sleeve", 1_000_00),
    price("liner", 500_00, per_m=100_00),
    price("dig", 9_000_00),
    price("reopen", 150_00),
    price("setup", 300_00),
)


def order_of(answer: str) -> list[str]:
    """The steps that an answer "X after Y" names, first to last: Y, then X."""
    later, first = answer.casefold().rpartition(" - ")[2].split(" after ")
    return [STEP_OF[first.strip()], STEP_OF[later.strip()]]


def two_holes(**system: object) -> dict[str, pd.DataFrame]:
    """D-1 and D-2 are gone under a liner alone, D-3 is lined; no place is dug."""
    return town(
        [span("D-1", 5, 5.5), span("D-2", 20, 20.5), span("D-3", 30, 31)],
        [
            verdict("D-1", liner="closed", dig="closed"),
            verdict("D-2", liner="closed", dig="closed"),
            verdict("D-3", sleeve="closed", dig="closed"),
        ],
        [
            sleeve("S-1", 4.75, 5.75, cost_cents=1_000_00),
            sleeve("S-2", 19.75, 20.75, cost_cents=1_000_00),
        ],
        [("S-1", "D-1"), ("S-2", "D-2")],
        laterals=[lateral(12), lateral(34)],
        systems=[felt(**system)],
    )


def test_the_order_of_the_owner_is_a_way_with_a_price() -> None:
    """Moves 2 x 300, sleeves 2 x 1 000, liner 500 + 40 x 100, reopenings 2 x 150: 7 400.00."""
    tables = two_holes(flat_ends=True)
    options = price_options(tables, BOOK, load_settings({}).sleeving).options.set_index("method")
    assert list(options.index[options["possible"]]) == ["sleeve_liner"]
    assert options.loc["sleeve_liner", "cost_cents"] == 7_400_00
    (job,) = jobs_of(tables).values()
    steps = [one.step for one in steps_of(job, "sleeve_liner")]
    asked = order_of(ROW["pre_response"])
    assert asked == ["sleeve", "liner"]
    assert [step for step in steps if step in asked] == ["sleeve", "sleeve", "liner"]


@pytest.mark.parametrize("flat_ends", [False, None])
def test_both_sleeves_need_flat_ends_for_the_later_liner(flat_ends: bool | None) -> None:
    """Without, or unknown, no way is left for this pipe, and the reason says which it is."""
    made = price_options(two_holes(flat_ends=flat_ends), BOOK, load_settings({}).sleeving)
    options = made.options.set_index("method")
    assert not options["possible"].any()
    assert "flat ends" in options.loc["sleeve_liner", "why"]


def test_one_system_without_flat_ends_among_two_bars_the_liner() -> None:
    """S-1 is of felt with flat ends, S-2 of a system without."""
    tables = two_holes(flat_ends=True)
    tables["sleeves"].loc[1, "system"] = "steel"
    steel = felt(system="steel", flat_ends=False)
    tables["systems"] = town([], [], systems=[felt(flat_ends=True), steel])["systems"]
    made = price_options(tables, BOOK, load_settings({}).sleeving)
    row = made.options.set_index("method").loc["sleeve_liner"]
    assert not row["possible"]
    assert row["why"] == "sleeves of steel have no flat ends, so no liner passes them"


def test_each_sequence_of_a_real_owner_is_one_of_the_ways(samples: Path) -> None:
    """The answers with "after" in the owner's own table: each order is that of a known way."""
    path = samples / "networks" / "sf_sewer_works" / "cctv_responses_1164I.csv"
    with path.open(newline="", encoding="utf-8") as file:
        answers = [row["pre_response"] for row in csv.DictReader(file)]
    told = [answer for answer in answers if " after " in answer.casefold()]
    assert told
    assert {"_".join(order_of(answer)) for answer in told} <= set(WAYS)
