"""What one more crew-day or packer would bring, by hand; what is spare of each day."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    chained,
    crew,
    node,
    packer,
    pipe,
    setter,
    settings,
    shifts,
    sleeve,
    sleeve_works,
    stop,
    stop_town,
    town,
    ways_of,
)
from typer.testing import CliRunner

from planner.cli import app
from planner.crews.apart import find_apart
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.spare import spare_days
from planner.crews.week import Days, plan_week
from planner.crews.what_if import what_if
from planner.errors import FileError
from planner.ground.ids import NOTHING_KNOWN
from planner.settings import Settings, load_settings


def chosen(**week) -> Settings:
    project = {"first_day": FIRST_DAY, "seed": 1}
    return load_settings({"week": {"iterations": 200, **week}, "project": project})


def planned(tables: dict[str, pd.DataFrame], own: Settings) -> tuple[dict, Days]:
    ways = ways_of(tables, own.week)
    days = plan_week(tables, ways, own.week, first_day=FIRST_DAY, seed=1)
    return tables | {"visits": days.visits, "unserved": days.unserved}, days


def asked(tables: dict[str, pd.DataFrame], own: Settings) -> pd.DataFrame:
    tables, days = planned(tables, own)
    return what_if(tables, days, NOTHING_KNOWN, own, "")


def test_one_more_day_serves_the_one_set_up_that_found_none():
    """Six set-ups of five hours at the yard, one a day, five days: the sixth is worth 2000 s."""
    rows = [stop(f"U{n}", work_s=18_000, close_s=43_200) for n in range(6)]
    rows[3]["value_s"] = 2000
    crews = [crew("Cleaning", CLEANERS), crew("Other", "look")]
    found = asked(stop_town(rows, crews, packers=()), chosen())
    row = found[found["crew"] == "Cleaning"].iloc[0]
    assert (row["kind"], row["date"]) == ("crew-day", FIRST_DAY)
    assert (row["visits_count"], row["sleeves_count"]) == (1, 0)
    assert (row["value_s"], row["spent_s"]) == (2000, 0)
    other = found[found["crew"] == "Other"].iloc[0]
    assert (other["visits_count"], other["value_s"]) == (0, 0)
    assert other["why"].endswith("serves nothing more")


def two_sizes() -> dict[str, pd.DataFrame]:
    """A pipe of DN 200 and one of DN 500, each with a sleeve ready to be set; one small packer."""
    sleeves = [sleeve("S0", 10.0, "p0", counter_node="a0"),
               sleeve("S1", 10.0, "p1", counter_node="a1", dn_mm=500.0)]  # fmt: skip
    works = [sleeve_works(one) for one in sleeves]
    return town(
        [row for own in works for row in own],
        [pair for own in works for pair in chained(own)],
        sleeves,
        [setter()],
        pipes=[pipe("p0", "a0", "b0"), pipe("p1", "a1", "b1", dn_mm=500.0)],
        nodes=[node("a0"), node("b0", 40.0), node("a1", 600.0, 800.0), node("b1", 640.0, 800.0)],
        packers=[packer(), packer("big", dn_from_mm=301.0, dn_to_mm=600.0)],
    )


def test_a_bigger_packer_serves_the_bigger_pipe():
    """The big packer on the van: one set-up and one sleeve more, 1 km away: 2 x 168 s."""
    own = chosen()
    tables = two_sizes()
    made = make_setups(tables, NOTHING_KNOWN, own.week, own.sleeving, first_day=FIRST_DAY)
    tables |= {"setups": made.setups, "setup_works": made.setup_works}
    tables |= {"setup_after": made.setup_after}
    tables |= {"setup_apart": find_apart(tables, guard_m=own.week.flow_guard_m)}
    tables |= {"setup_hours": find_hours(tables, own.week, FIRST_DAY)}
    found = asked(tables, own).set_index(["kind", "name"])
    big = found.loc[("packer", "big")]
    value_s = own.week.value_programme_s
    assert (big["visits_count"], big["sleeves_count"]) == (1, 1)
    assert (big["value_s"], big["spent_s"]) == (value_s, 336)
    assert big["why"].startswith("one more packer big on the van of Sleeve 1: set-ups +1")
    assert found.loc[("packer", "small")]["visits_count"] == 0
    assert found.loc[("crew-day", "Sleeve 1")]["visits_count"] == 0


def test_spare_hours_by_hand():
    """8.5 of 10 h are planned; one stop takes 168 + 600 + 3600 + 168 = 4536 s of one day."""
    rows = [stop("U1", 600.0, 800.0)]
    _, days = planned(stop_town(rows), chosen(days=2))
    spare = spare_days(days.board)
    most = int(0.85 * 36_000)
    assert spare["most_s"].tolist() == [most, most]
    assert sorted(spare["spare_s"]) == [most - 4536, most]
    assert spare["van_sleeves_left_count"].isna().all()
    assert spare["sleeves_left_ratio"].tolist() == [1.0, 1.0]


def test_a_van_and_a_day_with_sleeves_hold_what_is_left():
    """Two small sleeves of three a day: a third is left; a van of 8 holds 6 more."""
    own = settings(days=1)
    crews = [setter(van_sleeves_count=8, van_resin_kg=50.0)]
    rows = [
        stop(f"U{n}", steps="sleeve", system="felt", packer_dn="200", longest_m=1.0, reach_m=10.0,
             sleeves_count=1, resin_g=2500)
        for n in range(2)
    ]  # fmt: skip
    tables = stop_town(rows, crews, shifts=shifts(crews))
    days = plan_week(tables, ways_of(tables, own.week), own.week, first_day=FIRST_DAY, seed=1)
    (row,) = spare_days(days.board).to_dict("records")
    assert len(days.visits) == 2
    assert (row["van_sleeves_left_count"], row["van_resin_left_g"]) == (6, 45_000)
    assert row["sleeves_left_ratio"] == 1 - 4 / 6


def test_the_command_asks_only_when_told(monkeypatch, tmp_path):
    """`plan` alone asks for no second week, `plan --what-if` does."""
    asked_for: list[bool] = []

    def run(folder: Path, sets: dict, *, ask_what_if: bool, **_: object) -> None:
        asked_for.append(ask_what_if)
        message = "far enough"
        raise FileError(message)

    monkeypatch.setattr("planner.folder.run_project", run)
    for words in (["plan", str(tmp_path)], ["plan", str(tmp_path), "--what-if"]):
        CliRunner().invoke(app, words)
    assert asked_for == [False, True]
