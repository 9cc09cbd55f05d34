"""The cure of each sleeve: temperatures, times, pot life, light; what sheet and explain say."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest
from crew_town import sleeve, sleeve_works, town
from test_durations import job, timer

from planner.contracts import CONDITIONS, CURES, PRESSURE_STEPS, PROCESS, SYSTEMS
from planner.ground.light import Lamp
from planner.outputs.curing import CureWords, Curing, cure_words
from planner.repairs.cure import find_cures
from planner.screening.explain import explain_lines
from planner.tables import check, conform

SPLIT = {"mix_s": 180.0, "wet_out_s": 420.0, "pull_s": 480.0, "inflate_s": 120.0}


def times(wall_c: float, cure_s: float | None = 3600.0, **more: Any) -> dict[str, Any]:
    row = {"system": "felt", "dn_to_mm": 300.0, "wall_c": wall_c, "prepare_s": 1800.0}
    return {**row, "cure_s": cure_s, "finish_s": 600.0, **more}


def tables_of(
    process: list[dict[str, Any]],
    days: list[dict[str, Any]] | None = None,
    cure: str = "ambient",
    steps: list[dict[str, Any]] | None = None,
    **of_sleeve: Any,
) -> dict[str, pd.DataFrame]:
    system = {"system": "felt", "cure": cure, "supply": "mix_on_site", "carrier": "felt"}
    own = sleeve("S1", **of_sleeve)
    tables = town(sleeve_works(own), (), [own], process=process)
    tables["systems"] = conform([{**system, "source": "invented"}], SYSTEMS)
    if days is not None:
        dated = [{"date": f"2026-03-0{n}", "period": "03", **day} for n, day in enumerate(days, 2)]
        tables["conditions"] = conform(dated, CONDITIONS)
    tables["pressure_steps"] = conform(steps or [], PRESSURE_STEPS)
    return tables


def cured(*args: Any, wall_c: float | None = None, **more: Any) -> pd.Series:
    return check(find_cures(tables_of(*args, **more), wall_c), CURES).iloc[0]


POTS = [
    times(5.0, 7200.0, pot_life_s=3600.0, **SPLIT),
    times(25.0, 1800.0, pot_life_s=900.0, **SPLIT),
]


def test_cure_at_the_coldest_pot_life_at_the_warmest_of_all_days():
    """Coldest 5 (wall, second day), warmest 15 (resin, first): cure 7200 s; pot life
    sqrt(3600 x 900) = 1800 s at half way; batch 180 + 420 + 480 + 120 = 1200 s."""
    days = [{"wall_c": 9.0, "resin_c": 15.0}, {"wall_c": 5.0, "air_c": 8.0}]
    row = cured(POTS, days)
    assert (row["cold_c"], row["cold_from"]) == (5.0, "wall of 03")
    assert (row["warm_c"], row["warm_from"]) == (15.0, "resin of 03")
    assert (row["cure_s"], row["batch_s"]) == (7200.0, 1200.0)
    assert (row["pot_life_s_low"], row["pot_life_s_high"]) == (1800.0, 1800.0)
    assert row["pot_life_held"] == "yes"
    assert row["light_held"] == ""
    assert row["source"] == "invented"


def test_where_nothing_is_stated_the_worst_columns_count_and_it_is_said():
    """Cure of 5 degC, 7200 s; pot life of 25 degC, 900 s, which 1200 s of batch do not hold."""
    row = cured(POTS)
    assert (row["cold_c"], row["cure_s"]) == (5.0, 7200.0)
    assert (row["warm_c"], row["pot_life_s_high"]) == (25.0, 900.0)
    assert row["cold_from"] == "none stated: worst column of the process table"
    assert row["warm_from"].endswith("worst column of the process table")
    assert row["pot_life_held"] == "no"
    assert "pot life does not hold: batch 1200 s" in row["why"]
    assert "worst column" in row["why"]


def test_an_unsplit_preparation_counts_whole():
    """1800 s against 1500: not held, where its parts of 1200 s would be."""
    rows = [times(5.0, pot_life_s=1500.0), times(25.0, pot_life_s=1500.0)]
    row = cured(rows)
    assert (row["batch_s"], row["pot_life_held"]) == (1800.0, "no")
    assert "all of prepare_s, as it is not split" in row["why"]
    assert cured([one | SPLIT for one in rows])["pot_life_held"] == "yes"


def test_outside_the_table_nothing_is_known_and_the_range_is_named():
    """4 degC against 5 to 25: no time, and the work waits for that reason."""
    days = [{"wall_c": 4.0, "air_c": 10.0}]
    row = cured(POTS, days)
    assert math.isnan(row["cure_s"])
    assert "covers 5 to 25 degC, asked 4" in row["why"]
    found = timer(tables_of(POTS, days))
    seconds, why = found.seconds(job("sleeve", "S1"))
    assert seconds == 0
    assert "covers 5 to 25 degC" in why


def test_a_pot_life_nobody_states_stays_undecided():
    """Never taken as held."""
    row = cured([times(5.0), times(25.0)])
    assert row["pot_life_held"] == "undecided"
    assert "states no pot life" in row["why"]


def test_the_week_counts_cool_down_and_vacuum():
    """1800 + 3600 + 900 + 300 + 600 = 7200 s; without them 6000 s."""
    more = [times(c, cooldown_s=900.0, drawdown_s=300.0) for c in (5.0, 25.0)]
    assert timer(tables_of(more)).seconds(job("sleeve", "S1")) == (7200, "")
    assert timer(tables_of([times(5.0), times(25.0)])).seconds(job("sleeve", "S1")) == (6000, "")
    row = cured(more)
    assert (row["cooldown_s"], row["drawdown_s"]) == (900.0, 300.0)


LAMP = {"irradiance_mw_cm2": 100.0, "lit_m": 0.6, "energy_mj_cm2": 6000.0, "pot_life_s": 0.0}


def lit(wall: float = 10.0, cure_s: float | None = None, **more: Any) -> list[dict[str, Any]]:
    return [times(wall, cure_s, **{**LAMP, **more})]


def test_a_lamp_shorter_than_the_sleeve_moves_no_faster_than_its_energy_allows():
    """v = 100 x 0.6 / 6000 = 0.01 m/s = 0.6 m/min; 1.0 + 0.6 m of way take 160 s."""
    row = cured(lit(), cure="light")
    assert row["lamp_m_per_min"] == pytest.approx(0.6)
    assert row["cure_s"] == 160.0
    assert row["energy_mj_cm2"] == pytest.approx(6000.0)
    assert (row["light_held"], row["pot_life_held"]) == ("yes", "yes")


def test_a_lamp_as_long_as_the_sleeve_stands():
    """6000 / 100 = 60 s."""
    row = cured(lit(lit_m=1.0), cure="light")
    assert math.isnan(row["lamp_m_per_min"])
    assert (row["cure_s"], row["light_held"]) == (60.0, "yes")


@pytest.mark.parametrize(("speed", "held"), [(0.6, "yes"), (0.61, "no"), (0.3, "yes")])
def test_a_stated_speed_is_held_against_the_energy(speed, held):
    """At most 0.6 m/min; the table's own speed is never altered."""
    row = cured(lit(lamp_m_per_min=speed), cure="light")
    assert (row["lamp_m_per_min"], row["light_held"]) == (speed, held)
    assert row["cure_s"] == math.ceil(round(1.6 / speed * 60, 6))


def test_a_stated_time_stands_and_is_held_against_energy_and_lit_length():
    """59 s give 5900 of 6000 mJ/cm2; 60 s suffice; a sleeve longer than the lit length does not."""
    assert cured(lit(cure_s=59.0, lit_m=1.0), cure="light")["light_held"] == "no"
    row = cured(lit(cure_s=60.0, lit_m=1.0), cure="light")
    assert (row["cure_s"], row["light_held"]) == (60.0, "yes")
    short = cured(lit(cure_s=60.0, lit_m=0.9), cure="light")
    assert short["light_held"] == "no"
    assert "lit 0.9 m for a sleeve of 1 m" in short["why"]


def test_a_lamp_that_needs_longer_than_the_stated_time_makes_it_longer():
    """100 s stated, 160 s of way; 900 s stated stand."""
    assert cured(lit(cure_s=100.0, lamp_m_per_min=0.6), cure="light")["cure_s"] == 160.0
    assert cured(lit(cure_s=900.0, lamp_m_per_min=0.6), cure="light")["cure_s"] == 900.0


def test_light_without_figures_is_undecided():
    """A time alone cannot be held against anything."""
    row = cured([times(10.0, 900.0, pot_life_s=0.0)], cure="light")
    assert (row["cure_s"], row["light_held"]) == (900.0, "undecided")
    assert "not stated" in row["why"]
    assert Lamp(100.0, math.nan, 6000.0).held(1.0, 60.0) == "undecided"


def test_between_two_rows_the_worse_lamp_counts():
    """Of 0.6 and 0.4 m/min the slower; of 6000 and 8000 mJ/cm2 the more."""
    rows = lit(5.0, lamp_m_per_min=0.4, energy_mj_cm2=8000.0) + lit(15.0, lamp_m_per_min=0.6)
    row = cured(rows, [{"wall_c": 10.0, "air_c": 10.0}], cure="light")
    assert (row["lamp_m_per_min"], row["energy_asked_mj_cm2"]) == (0.4, 8000.0)
    # at most 100 x 0.6 / 8000 x 60 = 0.45 m/min
    assert row["lamp_most_m_per_min"] == pytest.approx(0.45)


def test_each_sleeve_has_a_row_of_its_own_length():
    """Two lengths under one moving lamp: 1.6 and 2.6 m of way at 0.6 m/min."""
    tables = tables_of(lit(), cure="light")
    extra = sleeve("S2", 20.0, length_m=2.0, to_m=22.0)
    tables["sleeves"] = pd.concat(
        [tables["sleeves"], town([], (), [extra])["sleeves"]], ignore_index=True
    )
    found = find_cures(tables, None).set_index("sleeve_id")
    assert found["cure_s"].to_dict() == {"S1": 160.0, "S2": 260.0}


def test_no_sleeve_no_row():
    """Nothing to tell of nothing."""
    tables = town([], process=POTS)
    assert find_cures(tables, None).empty


STEPS = [
    {"system": "felt", "dn_to_mm": 300.0, "seq": n, "at_min": at, "pressure_bar": bar}
    for n, (at, bar) in enumerate(((0.0, 0.5), (5.0, 1.0), (12.5, 1.4)), 1)
]


def words(units: str = "metric", **more: Any) -> CureWords:
    tables = tables_of(POTS, **more)
    tables["cures"] = find_cures(tables, None)
    own = tables["sleeves"].iloc[0].to_dict()
    return cure_words(own, Curing.of(tables), units)


def test_the_sheet_prints_the_steps_as_given():
    """0 min 0.5 bar, 5 min 1 bar, 12.5 min 1.4 bar; in US units psi beside them."""
    days = [{"wall_c": 5.0, "air_c": 15.0}]
    said = words(days=days, steps=STEPS)
    assert (said.faults, said.notes, said.at) == ((), (), "5 \u00b0C (wall of 03)")
    assert said.times == (
        ("prepare", "30 min"), ("cure", "120 min"), ("withdraw and film", "10 min")
    )  # fmt: skip
    assert said.steps == (("0 min", "0.5 bar"), ("5 min", "1 bar"), ("12.5 min", "1.4 bar"))
    assert said.steps_said == "at 0 min 0.5 bar, at 5 min 1 bar, at 12.5 min 1.4 bar"
    # 0.5 bar / 0.06894757 = 7.252 psi, NIST SP 811 app. B.8 (from memory)
    us = words("us", days=days, steps=STEPS)
    assert us.steps[0] == ("0 min", "0.5 bar (7.3 psi)")
    assert us.at.startswith("41 \u00b0F")  # 5 x 9 / 5 + 32


def test_the_sheet_says_when_no_low_step_begins_and_when_pot_life_is_not_held():
    """1.0 bar first; batch of 1200 s against 900 s of the warmest column."""
    said = words(steps=[step for step in STEPS if step["seq"] > 1])
    assert said.notes == ("The table begins at 1 bar, without a low first step",)
    (fault,) = said.faults
    assert fault.startswith(
        "Pot life is not held: batch 20 min from mixing to pressure, at most 15"
    )


def test_refused_steps_are_not_printed():
    """Only the reason stands on the sheet."""
    refused = [{**step, "refused": "1.4 bar; wanted at most 1 bar"} for step in STEPS]
    said = words(steps=refused)
    assert (said.steps, said.steps_said) == ((), "")
    assert said.faults[0].startswith("Pressure steps refused, do not inflate by them: 1.4")


def test_a_size_above_the_last_step_table_has_none():
    """Steps up to DN 300 say nothing of DN 400."""
    said = words(steps=STEPS, dn_mm=400.0)
    assert any("no steps stated for this size" in line for line in said.notes)


def test_explain_writes_it_out():
    """Temperatures with origin, times, pot life, light, steps; figures from the tests above."""
    days = [{"wall_c": 9.0, "resin_c": 15.0}, {"wall_c": 5.0, "air_c": 8.0}]
    tables = tables_of(POTS, days, steps=STEPS)
    tables["cures"] = find_cures(tables, None)
    text = "\n".join(explain_lines("S1", tables))
    assert "prepare 1800, cure 7200, cooldown 0, drawdown 0, finish 600" in text
    assert "process table at 5 degC | wall of 03" in text
    assert "pot life held: yes; batch 1200 s, pot life 1800 to 1800 s at 15 degC" in text
    assert "0 min 0.5 bar, 5 min 1 bar, 12.5 min 1.4 bar" in text
    light = tables_of(lit(), cure="light")
    light["cures"] = find_cures(light, None)
    text = "\n".join(explain_lines("S1", light))
    assert "energy density 6000 against 6000 mJ/cm2" in text
    assert "lamp 0.6 m/min, at most 0.6 m/min | v = E l / H; lit length 0.6 m, sleeve 1 m" in text


def test_old_tables_explain_as_before():
    """Without cures nothing is said of them."""
    text = "\n".join(explain_lines("S1", tables_of(POTS)))
    assert "Cure of sleeve" not in text


def test_a_plan_holds_the_same_times_as_its_table(demo_plan: Any):
    """On the demo: each sleeve has its row, and each visit is no shorter than its sleeves ask."""
    tables = demo_plan.tables
    cures = check(tables["cures"], CURES)
    assert sorted(cures["sleeve_id"]) == sorted(tables["sleeves"]["sleeve_id"])
    assert set(cures["pot_life_held"]) == {"yes"}
    assert check(tables["process"], PROCESS)["cooldown_s"].isna().all()
    parts = ["prepare_s", "cure_s", "cooldown_s", "drawdown_s", "finish_s"]
    each = cures.set_index("sleeve_id")[parts].sum(axis=1)
    works = tables["works"].set_index("work_id")
    links = tables["setup_works"].assign(
        step=works.loc[tables["setup_works"]["work_id"], "step"].to_numpy(),
        sleeve_id=works.loc[tables["setup_works"]["work_id"], "sleeve_id"].to_numpy(),
    )
    own = links[links["step"] == "sleeve"]
    asked = own.assign(s=each.loc[own["sleeve_id"]].to_numpy()).groupby("setup_id")["s"].sum()
    work_s = tables["setups"].set_index("setup_id")["work_s"]
    assert len(asked)
    assert (work_s.loc[asked.index] >= asked).all()
