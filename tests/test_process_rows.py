"""Each bad row of systems.toml and [conditions]: one clear line before anything is planned."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from small_project import PROJECT, SYSTEMS, write_project
from test_report import read as read_all

from planner.errors import Fault, SettingsError
from planner.ground.temperatures import temperatures
from planner.inputs.project import read_project
from planner.inputs.report import balance
from planner.inputs.sections import read_sections
from planner.inputs.systems import SystemTables, read_systems

STEPS = ((0, 0.5), (5, 1.0), (10, 1.4))


def process(dn: float = 300, wall_c: float = 10, **more: Any) -> dict[str, Any]:
    row = {"dn_to_mm": dn, "wall_c": wall_c, "prepare_s": 1200, "cure_s": 7200, "finish_s": 600}
    return {k: v for k, v in {**row, **more}.items() if v is not None}


def read(
    rows: list[dict[str, Any]] | None = None,
    steps: tuple[tuple[float, float], ...] = STEPS,
    packer: dict[str, Any] | None = None,
    **system: Any,
) -> SystemTables:
    raw = tomllib.loads(SYSTEMS)
    own = raw["system"][0] | system
    own["process"] = rows or [process()]
    own["pressure"] = [{"dn_to_mm": 300, "at_min": at, "pressure_bar": bar} for at, bar in steps]
    raw["system"], raw["packer"] = [own], [raw["packer"][0] | (packer or {})]
    return read_systems(raw)


def only(found: SystemTables) -> Fault:
    assert len(found.faults) == 1, [str(fault) for fault in found.faults]
    (fault,) = found.faults
    assert fault.file == "systems.toml"
    assert "\n" not in str(fault)
    return fault


def test_a_file_from_before_is_read_as_it_was():
    """No new key is needed and nothing is told."""
    found = read_systems(tomllib.loads(SYSTEMS))
    assert found.faults == []
    assert found.pressure_steps.empty
    assert found.process["cooldown_s"].isna().all()


def test_steps_stand_as_given():
    """Order, minutes and pressures of the file; counted among the rows read."""
    found = read()
    assert found.faults == []
    rows = found.pressure_steps[["seq", "at_min", "pressure_bar"]].to_numpy(dtype=float).tolist()
    assert rows == [[1.0, 0.0, 0.5], [2.0, 5.0, 1.0], [3.0, 10.0, 1.4]]
    assert set(found.pressure_steps["refused"]) == {""}
    assert found.read_count == 1 + 1 + 1 + 3 + 1


def test_a_hole_in_the_table():
    """Of two sizes one lacks 20 degC, which the other has."""
    rows = [process(200, 5), process(200, 20), process(300, 5)]
    fault = only(read(rows))
    assert (fault.column, fault.lost) == ("system.process.wall_c", False)
    assert fault.found == "felt up to DN 300 without 20 degC"
    assert fault.wanted == "a row for each temperature of its other sizes: 5, 20 degC"


def test_a_table_that_ends_before_the_sizes_do():
    """Sizes serve up to DN 300, the table up to DN 200."""
    fault = only(read([process(200)], steps=()))
    assert (fault.column, fault.found) == ("system.process.dn_to_mm", "felt up to DN 200")
    assert "up to DN 300" in fault.wanted


def test_packers_with_a_gap():
    """The system serves DN 100 to 300; packers for 100 to 150 and for 250 to 300."""
    raw = tomllib.loads(SYSTEMS)
    small = raw["packer"][0] | {"dn_to_mm": 150}
    large = small | {"packer": "P2", "dn_from_mm": 250, "dn_to_mm": 300}
    fault = only(read_systems(raw | {"packer": [small, large]}))
    assert (fault.column, fault.lost) == ("packer.dn_from_mm", False)
    assert fault.found == "none for felt at DN 200, 225"
    light = small | {"packer": "P3", "cures": ["light"], "dn_from_mm": 150, "dn_to_mm": 250}
    assert only(read_systems(raw | {"packer": [small, large, light]})) == fault
    closed = light | {"cures": ["ambient"]}
    assert read_systems(raw | {"packer": [small, large, closed]}).faults == []
    assert read_systems(raw | {"packer": [small]}).faults == []


@pytest.mark.parametrize(
    ("system", "packer", "whose"),
    [
        ({"pressure_max_bar": 1.3}, {}, "1.3 bar, the maximum of the system"),
        ({"pressure_max_bar": 1.5}, {"pressure_max_bar": 1.2}, "1.2 bar, the maximum of packer P1"),
        ({}, {"pressure_max_bar": 1.39}, "1.39 bar, the maximum of packer P1"),
    ],
)
def test_a_step_above_a_maximum_is_refused(system, packer, whose):
    """1.4 bar against the system's and the packer's; none of the size's steps is printed then."""
    found = read(packer=packer, **system)
    fault = only(found)
    assert (fault.row, fault.column, fault.lost) == (3, "system.pressure.pressure_bar", True)
    assert fault.found == "felt up to DN 300: 1.4 bar"
    assert fault.wanted == f"at most {whose}"
    assert found.pressure_steps["refused"].str.contains(re.escape(whose)).all()
    assert found.pressure_steps["pressure_bar"].tolist() == [0.5, 1.0, 1.4]


@pytest.mark.parametrize("packer", [{"cures": ["light"]}, {"dn_from_mm": 301, "dn_to_mm": 400}])
def test_the_maximum_of_a_packer_that_serves_another_cure_or_size_is_not_asked(packer):
    """It never carries this sleeve."""
    found = read(packer={"pressure_max_bar": 0.5, **packer})
    assert [fault for fault in found.faults if "pressure" in fault.column] == []


def test_at_the_maximum_a_step_stands():
    """A maximum may be used."""
    assert read(packer={"pressure_max_bar": 1.4}, pressure_max_bar=1.4).faults == []


def test_minutes_that_do_not_rise_are_refused():
    """5 after 5; the whole size is refused, nothing is put in order."""
    found = read(steps=((0, 0.5), (5, 1.0), (5, 1.4)))
    fault = only(found)
    assert (fault.row, fault.found) == (3, "felt up to DN 300: 5 min after 5 min")
    assert (found.pressure_steps["refused"] != "").all()
    assert found.pressure_steps["at_min"].tolist() == [0.0, 5.0, 5.0]


def test_a_step_that_cannot_be_read_takes_the_others_of_its_size_along():
    """A table with a step left out would be another table."""
    raw = tomllib.loads(SYSTEMS)
    steps = [{"dn_to_mm": dn, "at_min": 0, "pressure_bar": 0.4} for dn in (200, 300)]
    raw["system"][0]["pressure"] = [*steps, {"dn_to_mm": 300, "at_min": 5, "pressure_bar": "x"}]
    found = read_systems(raw)
    assert [fault.row for fault in found.faults] == [3]
    assert found.pressure_steps["refused"].tolist() == ["", "row 3 is unreadable"]


def test_a_table_without_a_low_first_step_is_told_and_kept():
    """Common practice, no source: about 0.69 bar first; the tool never adds a step."""
    found = read(steps=((0, 1.0), (5, 1.4)))
    fault = only(found)
    assert (fault.lost, fault.found) == (False, "felt up to DN 300 begins at 1 bar")
    assert "0.69 bar (10 psi), common practice" in fault.wanted
    assert len(found.pressure_steps) == 2
    assert set(found.pressure_steps["refused"]) == {""}
    assert read(steps=((0, 0.69), (5, 1.4))).faults == []


@pytest.mark.parametrize(
    ("rows", "column"),
    [
        ([process(wall_c=5, cure_s=3600), process(wall_c=20, cure_s=7200)], "cure_s"),
        ([process(wall_c=5, pot_life_s=900), process(wall_c=20, pot_life_s=901)], "pot_life_s"),
    ],
)
def test_a_time_that_rises_with_the_temperature_is_told(rows, column):
    """Kept as it stands: the figures are the maker's."""
    found = read(rows)
    fault = only(found)
    assert (fault.column, fault.lost) == (f"system.process.{column}", False)
    assert fault.found.startswith("felt up to DN 300: ")
    assert "at 5 degC" in fault.found
    assert len(found.process) == 2


def test_a_pot_life_with_a_hole_is_told():
    """Stated at 5 degC and blank at 20."""
    fault = only(read([process(wall_c=5, pot_life_s=900), process(wall_c=20)]))
    assert fault.found == "felt up to DN 300 without a figure at 20 degC"


def test_parts_longer_than_the_preparation_are_refused():
    """600 + 601 s are no part of 1200 s."""
    found = read([process(mix_s=600, pull_s=601)])
    fault = only(found)
    assert (fault.column, fault.found) == ("system.process.prepare_s", "1200.0")
    assert fault.wanted.startswith("1201 s or more")
    assert found.process.empty


def test_a_row_without_a_time_needs_a_lamp():
    """An ambient system states its cure; a light one may state lamp and energy."""
    lamp = {"irradiance_mw_cm2": 12, "lit_m": 0.6, "energy_mj_cm2": 9000}
    fault = only(read([process(cure_s=None, **lamp)]))
    assert fault.column == "system.process.cure_s"
    light = {"cure": "light", "packer": {"cures": ["light"]}}
    assert only(read([process(cure_s=None, lit_m=0.6)], **light)).lost
    assert read([process(cure_s=None, **lamp)], **light).faults == []
    assert read([process(cure_s=None, lit_m=0.6, lamp_m_per_min=0.3)], **light).faults == []


def conditions(text: str, first_day: str = "2026-01-12", days: int = 3):
    raw = tomllib.loads(PROJECT.replace("2026-01-12", first_day) + text)
    return read_sections(raw, {"week.days": str(days)}).conditions


def test_a_date_goes_before_its_month_and_a_year_before_any_year():
    """12 and 13 January by the month, the 14th by its own date; another month says nothing."""
    text = (
        "[conditions.2026-01-14]\nair_c = 1\n[conditions.2026-01]\nair_c = 5\n"
        "[conditions.01]\nair_c = 7\n[conditions.2026-02]\nair_c = 9\n"
    )
    found = conditions(text)
    assert found["date"].tolist() == ["2026-01-12", "2026-01-13", "2026-01-14"]
    assert found["air_c"].tolist() == [5.0, 5.0, 1.0]
    assert conditions(text, "2027-01-11")["air_c"].tolist() == [7.0] * 3


def test_the_coldest_cures_and_the_warmest_sets_the_pot_life():
    """Wall 8, air 3, resin 18: 3 degC and 18 degC, each with its origin."""
    found = temperatures(
        conditions("[conditions.01]\nair_c = 3\nwall_c = 8\nresin_c = 18\nsource = 'met'"), None
    )
    assert (found.cold_c, found.cold_from) == (3.0, "air of 01, met")
    assert (found.warm_c, found.warm_from) == (18.0, "resin of 01, met")


def test_what_no_one_stated_is_never_taken_as_mild():
    """No wall: the coldest column; no air nor resin: the warmest; one day without: the same."""
    air = temperatures(conditions("[conditions.01]\nair_c = 20"), None)
    assert (air.cold_c, air.warm_c) == (None, 20.0)
    assert air.cold_from == "none stated for the wall on 2026-01-12"
    wall = temperatures(conditions("[conditions.01]\nwall_c = 8"), None)
    assert (wall.cold_c, wall.warm_c) == (8.0, None)
    one = temperatures(conditions("[conditions.2026-01-12]\nwall_c = 8\nair_c = 9"), None)
    assert (one.cold_c, one.warm_c) == (None, None)
    assert "2026-01-13" in one.cold_from
    none = temperatures(conditions(""), None)
    assert (none.cold_c, none.warm_c) == (None, None)


def test_the_wall_of_the_week_stands_in_on_days_that_state_none():
    """8 degC by [week] wall_c beside air of 12."""
    found = temperatures(conditions("[conditions.01]\nair_c = 12"), 8.0)
    assert (found.cold_c, found.cold_from) == (8.0, "wall by [week] wall_c")
    assert (found.warm_c, found.warm_from) == (12.0, "air of 01")
    assert temperatures(None, 8.0).cold_c == 8.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[conditions.2026-13]\nair_c = 1", "2026-13 is no date or month"),
        ("[conditions.2026-02-30]\nair_c = 1", "2026-02-30 is no date or month"),
        ("[conditions.01]\nair = 1", "unknown key air"),
        ("[conditions.01]\nair_c = 90", "air_c"),
        ("[conditions.01]\nwall_c = nan", "wall_c"),
        ("[conditions]\nair_c = 1", "air_c is no date or month"),
    ],
)
def test_conditions_that_cannot_be_read_stop_the_run(text, said):
    """One line with file and section, as for each key of planner.toml."""
    with pytest.raises(SettingsError, match=r"planner\.toml") as error:
        conditions(text)
    assert said in str(error.value)
    assert "\n" not in str(error.value)


def test_a_project_carries_them(tmp_path: Path):
    """Steps and conditions are among what was read; the line stands in the faults."""
    toml = SYSTEMS + (
        "[[system]]\nsystem = 'glass'\ncure = 'light'\nsupply = 'made_before'\ncarrier = 'glass'\n"
        "pressure_max_bar = 1.0\n[[system.pressure]]\ndn_to_mm = 300\nat_min = 0\n"
        "pressure_bar = 1.1\n"
    )
    text = PROJECT + "[conditions.01]\nwall_c = 9\n"
    got = read_project(write_project(tmp_path, systems_toml=toml, planner_toml=text), {})
    assert got.conditions["wall_c"].unique().tolist() == [9.0]
    assert got.pressure_steps["refused"].tolist() != [""]
    assert (got.faults["column"] == "system.pressure.pressure_bar").sum() == 1
    unread = toml + "[[system.pressure]]\ndn_to_mm = 300\nat_min = 3\npressure_bar = 'x'\n"
    for number, one in enumerate((toml, unread)):
        inputs, at = read_all(tmp_path / str(number), systems_toml=one)
        books = {b.file: b for b in balance(inputs, at.flags, at.left_over, at.defects)}
        assert books["systems.toml"].refused == number + 1
        assert books["systems.toml"].lost == 0
