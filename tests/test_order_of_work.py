"""The order of work: lines of the owner or ours, parsed at load, filled from the plan."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sheet_town import sheet_week
from small_project import SYSTEMS
from test_report import read as read_all
from test_sheets import FACTS

from planner.contracts import ORDER_OF_WORK
from planner.contracts import SYSTEMS as SYSTEM_TABLE
from planner.contracts.repairs import CURE_KINDS
from planner.errors import Fault
from planner.ground.order_of_work import (
    FIGURES,
    NOT_IN_PLAN,
    WORDS,
    Figure,
    fill_line,
    parse_line,
)
from planner.inputs.order_of_work import PACKAGED, read_order
from planner.inputs.report import balance
from planner.inputs.systems import read_systems
from planner.outputs.sheets import sheet_data
from planner.tables import check, conform


def lines_of(says: list[object], cure: str = "light") -> tuple[pd.DataFrame, list[Fault]]:
    systems = conform(
        [{"system": "s", "cure": cure, "supply": "made_before", "carrier": "glass"}], SYSTEM_TABLE
    )
    records: list[object] = [{"system": "s", "say": say} for say in says]
    return read_order(records, systems, "systems.toml")


def printed(says: list[object], units: str = "metric", **changes: Any) -> list[str]:
    """Give the lines that the sheet prints for the first sleeve of the week's town."""
    tables = sheet_week(1)
    records: list[object] = [{"system": "light", "say": say} for say in says]
    tables["order_of_work"], _ = read_order(records, tables["systems"], "systems.toml")
    for name, columns in changes.items():
        tables[name] = tables[name].assign(**columns)
    visits = tables["visits"]
    day = sheet_data("Crew", "2026-01-12", visits, tables, replace(FACTS, units=units))
    return list(day["stops"][0]["sleeves"][0]["order"])


def test_a_line_is_split_once() -> None:
    """Text, a name with decimals, text; what is filled in may hold braces itself."""
    line = parse_line("cut to {sleeve:.1f} for {size}")
    values: dict[str, Figure | str] = {"sleeve": Figure(1.26, "m", 2), "size": "{lit}"}
    assert fill_line(line, values) == "cut to 1.3 m for {lit}"


@pytest.mark.parametrize(
    ("say", "wanted"),
    [
        ("cut to {sleve}", "unknown name {sleve}"),
        ("{size:.1f}", "{size} is no figure"),
        ("{sleeve:.7f}", "a brace may only hold"),
        ("{{7*7}}", "a brace may only hold"),
        ("{sleeve", "a brace may only hold"),
        ("{sleeve.__class__}", "a brace may only hold"),
        ("{sleeve!r}", "a brace may only hold"),
        (5, "text"),
        ("", "text"),
    ],
)
def test_a_wrong_line_is_one_fault_and_refuses_the_list(say: object, wanted: str) -> None:
    """Its place, what was found, what was wanted; the good line beside it is not printed alone."""
    frame, faults = lines_of(["good", say])
    (fault,) = faults
    assert (fault.file, fault.row, fault.column) == ("systems.toml", 2, "system.order.say")
    assert wanted in fault.wanted
    assert "\n" not in str(fault)
    assert set(frame["refused"]) == {"line 2 of [[system.order]] could not be read"}
    assert set(frame["source"]) == {"systems.toml"}


def test_the_sheet_says_that_a_list_was_refused() -> None:
    """Neither half a list nor ours in its place."""
    tables = sheet_week(1)
    records: list[object] = [{"system": "light", "say": "{x}"}]
    tables["order_of_work"], _ = read_order(records, tables["systems"], "systems.toml")
    day = sheet_data("Crew", "2026-01-12", tables["visits"], tables, FACTS)
    sleeve = day["stops"][0]["sleeves"][0]
    assert sleeve["order"] == []
    assert sleeve["order_refused"] == (
        "Order of work not printed: systems.toml, line 1 of [[system.order]] could not be read"
    )


def test_a_line_of_a_system_that_is_not_there() -> None:
    """The line is told; the system that is there takes the packaged list."""
    systems = lines_of([])[0]
    frame, faults = read_order(
        [{"system": "other", "say": "x"}],
        conform([{"system": "s", "cure": "heat", "supply": "made_before", "carrier": "felt"}],
                SYSTEM_TABLE),
        "systems.toml",
    )  # fmt: skip
    assert [fault.column for fault in faults] == ["system.order.system"]
    assert set(frame["source"]) == set(systems["source"]) == {PACKAGED}


@pytest.mark.parametrize("cure", CURE_KINDS)
def test_each_cure_has_a_packaged_list(cure: str) -> None:
    """It obeys the contract, each line parses, and it tells the whole way from test to film."""
    frame, faults = lines_of([], cure)
    assert faults == []
    assert check(frame, ORDER_OF_WORK)["seq"].tolist() == list(range(1, len(frame) + 1))
    says = frame["say"].tolist()
    assert [parse_line(say) for say in says]
    whole = " ".join(says).lower()
    order = ("test the kit above ground", "wrap the packer", "centre it", "pull in",
             "air up in steps", "cool down", "by vacuum", "disconnect",
             "film the sleeve")  # fmt: skip
    places = [whole.index(part) for part in order]
    assert places == sorted(places)
    for name in ("{sleeve}", "{mark}", "{steps}", "{cure}"):
        assert name in whole


def test_a_light_cured_sleeve_goes_by_its_lit_length() -> None:
    """What the light asks: mark the lit length, cut to it, keep from daylight, lights off."""
    whole = " ".join(lines_of([], "light")[0]["say"]).lower()
    order = ("mark on the packer where the lit length", "cut the sleeve to {sleeve}", "band it",
             "cover it wherever daylight", "lubricate", "connect power and air again",
             "air up in steps", "lights off", "by vacuum", "before pulling")  # fmt: skip
    places = [whole.index(part) for part in order]
    assert places == sorted(places)
    assert "{lit}" in whole


def test_packaged_file_holds_nothing_else() -> None:
    """A list for each way of curing, no other key."""
    text = resources.files("planner").joinpath("data/order_of_work.toml").read_text("utf-8")
    assert set(tomllib.loads(text)) == set(CURE_KINDS)


def test_figures_of_the_plan_by_hand() -> None:
    """The sleeve lies at 5 to 6 m of 50 m; the packer goes in at the lower end: 44 and 45 m.

    Wall volume pi (200 - 4) 4 mm2 x 1 m = 2.463 l at 0.8 kg a litre: 1.97 kg. Steps of the
    town: 0.4, 0.6 and 0.8 bar at 2, 4 and 6 minutes. Times 1800, 900, 300 and 120 s.
    """
    assert printed([
        "{sleeve} {lit} {mark} {mark_far} {wall} {resin} {temperature}",
        "{size} {stand} {other} {counter} {packer} {plies} {reopen}",
        "{steps}",
        "{batch} {cure} {cooldown} {drawdown} {finish} {lamp_speed} {lamp_power}",
        "{mark:.0f} {pot_life}",
    ]) == [
        "1.00 m 2.20 m 44.00 m 45.00 m 4.0 mm 1.97 kg 10 \u00b0C",
        "DN 200 B0 A0 44.00 m to 45.00 m from B0 L2 3 1 connection",
        "at 2 min 0.4 bar, at 4 min 0.6 bar, at 6 min 0.8 bar",
        "30 min 15 min 5 min 2 min 10 min stands still 1200 W",
        f"44 m {NOT_IN_PLAN}",
    ]  # fmt: skip


def test_figures_in_us_units() -> None:
    """44 m = 144.4 ft; 1.97 kg = 4.3 lb; 4 mm = 0.16 in; 10 degC = 50 degF (0.3048, 0.45359)."""
    (line,) = printed(["{mark} {resin} {wall} {temperature}"], units="us")
    assert line == "144.4 ft 4.3 lb 0.16 in 50 \u00b0F"


def test_the_mark_counts_from_where_the_packer_goes_in() -> None:
    """From the upper manhole the same sleeve begins at 5 m, whatever the counter's zero is."""
    (line,) = printed(["{mark} {counter}"], setups={"node_id": "A0", "other_node_id": "B0"})
    assert line == "5.00 m 44.00 m to 45.00 m from B0"


def test_what_is_not_known_is_said() -> None:
    """Without cures no time, no lit length and no temperature is made up."""
    names = ("lit", "cure", "cooldown", "steps", "temperature", "lamp_speed", "batch")
    (line,) = printed([" ".join(f"{{{name}}}" for name in names)], cures={"sleeve_id": "other"})
    assert line == " ".join([NOT_IN_PLAN] * len(names))


def test_every_name_can_be_filled_in() -> None:
    """The closed list and what the sheet fills in are the same names."""
    (line,) = printed([" | ".join(f"{{{name}}}" for name in [*FIGURES, *WORDS])])
    assert "{" not in line
    assert line.count("|") == len(FIGURES) + len(WORDS) - 1


def test_the_handbook_lists_every_name() -> None:
    """docs/order_of_work.md names each one."""
    text = (Path(__file__).parents[1] / "docs/order_of_work.md").read_text("utf-8")
    listed = set(re.findall(r"^\| `\{([a-z_]+)\}`", text, re.MULTILINE))
    assert listed == set(FIGURES) | set(WORDS)


OWN = '[[system.order]]\nsay = "first {lit}"\n[[system.order]]\nsay = "then {x}"\n'


def test_it_is_read_from_systems_toml_and_balances(tmp_path: Path) -> None:
    """One system, size, process row and packer, two lines: six rows, one of them refused."""
    toml = SYSTEMS.replace("[[packer]]", f"{OWN}[[packer]]")
    read = read_systems(tomllib.loads(toml))
    assert read.read_count == 6
    assert [str(fault) for fault in read.faults if "order" in fault.column]
    inputs, at = read_all(tmp_path, systems_toml=toml)
    book = {b.file: b for b in balance(inputs, at.flags, at.left_over, at.defects)}["systems.toml"]
    assert (book.read, book.refused, book.lost) == (6, 1, 0)
    own = inputs.order_of_work
    assert own["say"].tolist() == ["first {lit}", ""]
    assert (own["refused"] != "").all()
