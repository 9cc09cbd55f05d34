"""Times of each step, by hand from the packaged settings and a process table."""

from __future__ import annotations

import pandas as pd
import pytest
from crew_town import settings, sleeve, town

from planner.crews.durations import Timer, Work, sleeves_of
from planner.ground.quantities import items_of


def timer(tables: dict[str, pd.DataFrame], **week) -> Timer:
    chosen = settings(**week)
    items = items_of(tables["sleeves"], tables["system_sizes"])
    return Timer.of(tables, sleeves_of(tables, items), chosen.week, chosen.sleeving)


def job(step: str, sleeve_id: str = "", from_m: float = 0.0, to_m: float = 40.0) -> Work:
    return Work("W", step, "p1", sleeve_id, from_m, to_m, "", done=False)


@pytest.mark.parametrize(
    ("work", "seconds"),
    [
        (job("check_access"), 900),
        (job("clean", to_m=40.5), 2430),
        (job("clean_again", from_m=10.0, to_m=20.0), 1800),
        (job("cut_roots"), 2700),
        (job("descale"), 2700),
        (job("cut_intrusion"), 2100),
        (job("prove_laterals"), 900),
        (job("look"), 1500),
        (job("grout"), 3600),
        (job("flow_control"), 900),
        (job("verify"), 900),
        (job("watch"), 1500),
    ],
)
def test_steps_with_a_time_of_their_own(work, seconds):
    """Cleaning by the metre, 60 s each and 30 min at least; the rest as the settings say."""
    assert timer(town([])).seconds(work) == (seconds, "")


@pytest.mark.parametrize("step", ["dig", "liner"])
def test_digs_and_liners_have_no_time_here(step):
    """They are no work of some hours."""
    seconds, why = timer(town([])).seconds(job(step))
    assert seconds == 0
    assert step in why


def test_a_sleeve_takes_the_times_of_its_process_table():
    """1800 + 3600 + 600 s; at 10 degC between equal rows of 5 and 20 nothing changes."""
    found = timer(town([], sleeves=[sleeve("S1")]))
    assert found.seconds(job("sleeve", "S1")) == (6000, "")


def test_a_sleeve_at_another_temperature_lies_between_on_a_logarithm():
    """4000 s at 5 degC and 1000 s at 25: at 15 the geometric mean, 2000 s; 0 + 2000 + 0."""
    rows = [
        {"system": "felt", "dn_to_mm": 300.0, "wall_c": wall, "prepare_s": 0.0, "finish_s": 0.0}
        | {"cure_s": cure, "pot_life_s": 0.0}
        for wall, cure in ((5.0, 4000.0), (25.0, 1000.0))
    ]
    found = timer(town([], sleeves=[sleeve("S1")], process=rows), wall_c=15.0)
    assert found.seconds(job("sleeve", "S1")) == (2000, "")


def test_what_the_table_does_not_say_is_a_reason():
    """No row for the system; no such sleeve."""
    found = timer(town([], sleeves=[sleeve("S1", system="glass")]))
    assert found.seconds(job("sleeve", "S1")) == (0, "the process table has no row for glass")
    assert found.seconds(job("sleeve", "S2")) == (0, "there is no sleeve S2")


def batch(pot_life_s: float, **parts: float) -> list[dict]:
    """One size at 5 and 20 degC: 240 + 540 + 480 + 180 = 1440 s from mixing to pressure."""
    split = {"mix_s": 240.0, "wet_out_s": 540.0, "pull_s": 480.0, "inflate_s": 180.0, **parts}
    row = {"system": "felt", "dn_to_mm": 300.0, "prepare_s": 1800.0, "cure_s": 3600.0, **split}
    rest = {"finish_s": 600.0, "pot_life_s": pot_life_s}
    return [{**row, **rest, "wall_c": wall} for wall in (5.0, 20.0)]


def test_a_batch_that_sets_too_early_is_not_planned():
    """1440 s against 1440 s holds; against 1439 s it does not, and both times are named.

    Mix, wet-out, insertion and inflation within the pot life: formulas.md 4.10, TTP p. 288.
    """
    sleeves = [sleeve("S1")]
    held = timer(town([], sleeves=sleeves, process=batch(1440.0)))
    assert held.seconds(job("sleeve", "S1")) == (6000, "")
    seconds, why = timer(town([], sleeves=sleeves, process=batch(1439.0))).seconds(
        job("sleeve", "S1")
    )
    assert seconds == 0
    assert "1440 s" in why
    assert "at most 1439 s at 20 degC" in why


def test_a_pot_life_without_limit_or_not_stated_refuses_nothing():
    """0 is no limit (made before); blank is not known: told, but nobody can refuse by it."""
    for pot_life_s in (0.0, None):
        found = timer(town([], sleeves=[sleeve("S1")], process=batch(pot_life_s)))
        assert found.seconds(job("sleeve", "S1")) == (6000, "")


def test_reopening_counts_the_laterals_under_the_sleeve():
    """Two covered laterals: 2 x 2100 s; shut from pressure on: 3600 + 600 + 4200 s."""
    tables = town([], sleeves=[sleeve("S1"), sleeve("S2", 20.0)], covers=[("S1", "x"), ("S1", "y")])
    found = timer(tables)
    assert found.seconds(job("reopen", "S1")) == (4200, "")
    assert found.shut_s(job("sleeve", "S1")) == 8400
    assert found.shut_s(job("sleeve", "S2")) == 0


def test_a_liner_reopens_every_live_lateral_of_its_pipe():
    """Open and unknown count as live, closed does not."""
    laterals = [
        {"lateral_id": state, "pipe_id": "p1", "x_m": 5.0, "state": state}
        for state in ("open", "unknown", "closed")
    ]
    assert timer(town([], laterals=laterals)).seconds(job("reopen")) == (4200, "")
