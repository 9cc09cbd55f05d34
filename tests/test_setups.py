"""Works as set-ups: what goes together, from where, how long, and what waits for what."""

from __future__ import annotations

import pandas as pd
import pytest
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
    town,
    work,
)

from planner.contracts import PASSAGES
from planner.crews.setups import Setups, make_setups, value_of
from planner.ground.ids import NOTHING_KNOWN, KnownIds, learn
from planner.tables import conform

PREPARED = [
    work("A", "check_access", state="done"),
    work("C", "clean", state="done"),
    work("L", "look", state="done"),
]


def made(tables: dict[str, pd.DataFrame], known: KnownIds = NOTHING_KNOWN, **week) -> Setups:
    chosen = settings(**week)
    return make_setups(tables, known, chosen.week, chosen.sleeving, first_day=FIRST_DAY)


def ready(*sleeves, prepared=PREPARED, reopen=False, **more):
    """One pipe that is prepared, with sleeves to set."""
    works, after = list(prepared), chained(prepared)
    for one in sleeves:
        own = sleeve_works(one, reopen=reopen)
        works += own
        after += [*chained(own), (own[0]["work_id"], prepared[-1]["work_id"])]
    return town(works, after, list(sleeves), **more)


def steps_of(found: Setups) -> list[str]:
    return list(found.setups["steps"])


def reasons(found: Setups) -> dict[str, str]:
    return dict(zip(found.waiting["work_id"], found.waiting["reason"], strict=True))


def test_a_prepared_sleeve_is_one_set_up_from_flow_control_to_film():
    """2100 set up + 900 flow + (1800 + 3600 + 600) sleeve + 900 film = 9900 s; S1 at 10-11 m."""
    found = made(ready(sleeve("S1")))
    one = found.setups.iloc[0]
    assert steps_of(found) == ["flow_control+sleeve+verify"]
    assert (one["work_s"], one["sleeves_count"], one["packer_dn"]) == (9900, 1, "200")
    assert (one["node_id"], one["other_node_id"], one["counter_node"]) == ("a", "b", "a")
    assert one["reach_m"] == pytest.approx(11.0)
    # Work must have ended at 17:00 = 61200 s, so it starts by 61200 - 9900.
    # pi (200 - 5) 5 mm2 x 1 m = 3.063 l, times 1.05 kg/l.
    assert one["resin_g"] == 3216
    assert len(found.waiting) == 0


def test_each_lateral_to_reopen_adds_its_time():
    """Two laterals under the sleeve: 9900 + 2 x 2100 s."""
    covers = [("S1", "x"), ("S1", "y")]
    found = made(ready(sleeve("S1"), reopen=True, covers=covers))
    assert found.setups["work_s"].tolist() == [9900 + 4200]
    assert steps_of(found) == ["flow_control+sleeve+reopen+verify"]


def test_connections_shut_for_too_long_are_refused_with_hours():
    """Cure 3600 + finish 600 + one reopening 2100 = 6300 s = 1.75 h shut, allowed 1.5 h."""
    tables = ready(sleeve("S1"), reopen=True, covers=[("S1", "x")])
    found = made(tables, outage_s=5400)
    assert len(found.setups) == 0
    assert reasons(found)["W-S1-sleeve"] == "connections would be shut for 1.8 h, allowed are 1.5 h"
    assert len(made(tables, outage_s=6300).setups) == 1


def test_two_sleeves_of_a_pipe_share_a_set_up_the_farthest_first():
    """One setting up for both: 2100 + 2 x 7800 s; no packer passes a fresh sleeve."""
    found = made(ready(sleeve("S1", 10.0), sleeve("S2", 25.0)))
    assert found.setups["work_s"].tolist() == [2100 + 2 * 7800]
    order = found.setup_works.sort_values("seq")["work_id"].tolist()
    assert order[:3] == ["W-S2-flow_control", "W-S2-sleeve", "W-S2-verify"]
    assert found.setups["reach_m"].tolist() == [26.0]
    assert found.setups["value_s"].tolist() == [2 * 2700]


def test_a_set_up_never_outgrows_a_day():
    """Three sleeves of 7800 s and 2100 s make 7.1 h; a 9 h shift filled to 85 % holds 6.65 h."""
    sleeves = [sleeve(f"S{n}", 5.0 + 10 * n) for n in range(3)]
    crews = [setter()]
    found = made(ready(*sleeves, crews=crews, shifts=shifts(crews, 25_200, 57_600)))
    assert sorted(found.setups["sleeves_count"]) == [1, 2]


def test_the_cap_of_sleeves_splits_a_set_up():
    """With two small sleeves a day, three sleeves make two set-ups."""
    sleeves = [sleeve(f"S{n}", 5.0 + 10 * n) for n in range(3)]
    found = made(ready(*sleeves), cap_small_count=2, setup_s=0, verify_s=0, flow_control_s=0)
    assert sorted(found.setups["sleeves_count"]) == [1, 2]


def test_sleeves_out_of_reach_are_set_from_the_other_manhole():
    """Reach 20 m in a pipe of 40 m: the one at 10 m from a, the one at 30 m from b."""
    tables = ready(sleeve("S1", 10.0), sleeve("S2", 30.0), packers=[packer(reach_m=20.0)])
    found = made(tables)
    assert sorted(zip(found.setups["node_id"], found.setups["reach_m"], strict=True)) == [
        ("a", 11.0),
        ("b", 10.0),
    ]


def test_a_barred_way_sends_the_crew_to_the_other_end():
    """No packer comes from a; from b one does. Where none comes from either the works wait."""
    no, yes = {"answer": "no", "why": "P does not pass"}, {"answer": "yes", "why": "P passes"}
    key = {"sleeve_id": "S1", "pipe_id": "p1"}
    tables = ready(sleeve("S1"))
    rows = [{**key, "node_id": "a", **no}, {**key, "node_id": "b", **yes}]
    one = made({**tables, "passages": conform(rows, PASSAGES)}).setups.iloc[0]
    assert one["node_id"] == "b"
    rows[1] |= no
    found = made({**tables, "passages": conform(rows, PASSAGES)})
    assert found.setups.empty
    assert set(found.waiting["reason"]) == {"P does not pass"}


def test_a_sleeve_whose_resin_sets_too_early_waits_with_all_that_goes_with_it():
    """1800 s of preparation, as it is not split, against a pot life of 1799 s: no set-up."""
    tables = ready(sleeve("S1"))
    found = made({**tables, "process": tables["process"].assign(pot_life_s=1799.0)})
    assert found.setups.empty
    (why,) = set(found.waiting["reason"])
    assert "the batch takes 1800 s" in why
    assert "keeps at most 1799 s" in why


def test_a_small_lid_sends_the_crew_to_the_other_end():
    """The lid at a is too small for the packer; b serves, 30 m away, and the counter stays at a."""
    nodes = [node("a", lid_mm=450.0), node("b", 40.0)]
    one = made(ready(sleeve("S1"), nodes=nodes)).setups.iloc[0]
    assert (one["node_id"], one["counter_node"], one["reach_m"]) == ("b", "a", 30.0)


def test_where_neither_end_serves_both_reasons_are_said():
    """A lid too small at one end, no turning at the other."""
    nodes = [node("a", lid_mm=450.0), node("b", 40.0, turn_ok=False)]
    found = made(ready(sleeve("S1"), nodes=nodes))
    assert len(found.setups) == 0
    why = reasons(found)["W-S1-sleeve"]
    assert "lid of 500 mm, a has 450 mm" in why
    assert "cannot be turned into the pipe at b" in why


def test_the_counter_node_is_preferred_among_ends_that_serve():
    """Both ends serve: the crew stands where the distances are measured from."""
    assert made(ready(sleeve("S1", counter_node="b"))).setups["node_id"].tolist() == ["b"]


@pytest.mark.parametrize(
    ("ends", "stands"),
    [
        (("open", "key"), "a"),
        (("private", "open"), "b"),
        (("key", "buried"), "a"),
        (("buried", "unknown"), ""),
    ],
)
def test_access_decides_where_to_stand_unless_it_was_checked(ends, stands):
    """Without a check of access only open and key serve; after it every end does."""
    nodes = [node("a", access=ends[0]), node("b", 40.0, access=ends[1])]
    unchecked = [one for one in PREPARED if one["step"] != "check_access"]
    found = made(ready(sleeve("S1"), prepared=unchecked, nodes=nodes))
    assert found.setups["node_id"].tolist() == ([stands] if stands else [])
    if not stands:
        assert "access of a is buried: check it first" in reasons(found)["W-S1-sleeve"]
    assert made(ready(sleeve("S1"), nodes=nodes)).setups["node_id"].tolist() == ["a"]


def test_check_access_comes_on_another_day_and_what_follows_waits():
    """Only the check is ready: 900 s for the one node that is not known to be open."""
    works = [work("A", "check_access"), work("C", "clean"), work("L", "look")]
    own = sleeve_works(sleeve("S1"))
    nodes = [node("a"), node("b", 40.0, access="unknown")]
    tables = town(works + own, chained(works + own), [sleeve("S1")], nodes=nodes)
    found = made(tables)
    assert steps_of(found) == ["check_access"]
    assert found.setups["node_id"].tolist() == ["b"]
    assert found.setups["work_s"].tolist() == [900]
    said = reasons(found)
    assert said["C"] == "waits for check_access"
    assert said["L"] == "waits for clean"
    assert said["W-S1-flow_control"] == said["W-S1-verify"] == "waits for look"


def test_cleaning_and_look_are_one_visit_from_the_lower_manhole():
    """2100 + 40 m x 60 s + 1500 s = 6000 s, from b, by the cleaning crew."""
    works = [work("A", "check_access", state="done"), work("C", "clean"), work("L", "look")]
    one = made(town(works, chained(works))).setups.iloc[0]
    assert (one["steps"], one["node_id"], one["work_s"]) == ("clean+look", "b", 6000)
    assert one["reach_m"] == 40.0


def test_a_short_pipe_takes_the_least_time_of_a_cleaning():
    """10 m x 60 s = 600 s is below the least of 1800 s."""
    tables = town([work("C", "clean", to_m=10.0)])
    assert made(tables).setups["work_s"].tolist() == [2100 + 1800]


def test_what_one_truck_cannot_do_is_left_to_another_that_follows():
    """The truck cleans; the camera crew films after it, within two working days."""
    works = [work("C", "clean"), work("L", "look")]
    crews = [crew("Truck", "clean"), crew("Camera", "look")]
    found = made(town(works, chained(works), crews=crews))
    assert sorted(steps_of(found)) == ["clean", "look"]
    steps = dict(zip(found.setups["setup_id"], found.setups["steps"], strict=True))
    (row,) = found.setup_after.to_dict("records")
    assert (steps[row["setup_id"]], steps[row["after_id"]]) == ("look", "clean")
    assert (row["valid_days"], row["why"]) == (2, "clean before look")
    works[0]["state"] = "done"
    assert made(town(works, chained(works), crews=crews)).setup_after.empty
    assert steps_of(made(town(works, chained(works), crews=crews))) == ["look"]


def test_roots_are_cut_and_the_pipe_cleaned_again_in_the_same_visit():
    """clean, cut, clean again, look: 2100 + 2400 + 2700 + 2400 + 1500 s."""
    works = [
        work("C", "clean"),
        work("R", "cut_roots", from_m=5.0, to_m=6.0),
        work("G", "clean_again"),
        work("L", "look"),
    ]
    one = made(town(works, chained(works))).setups.iloc[0]
    assert one["steps"] == "clean+cut_roots+clean_again+look"
    assert one["work_s"] == 2100 + 2400 + 2700 + 2400 + 1500


def test_a_long_row_of_works_is_cut_to_what_a_day_holds():
    """400 m of cleaning take 6.7 h: the look no longer fits beside it and follows."""
    works = [work("C", "clean", to_m=400.0), work("L", "look", to_m=400.0)]
    found = made(town(works, chained(works), pipes=[pipe(length_m=400.0)]))
    assert sorted(steps_of(found)) == ["clean", "look"]
    assert len(found.setup_after) == 1


def test_what_follows_a_look_or_a_check_of_access_waits_for_the_report():
    """Either may end otherwise than hoped: no sleeve is planned behind it."""
    one = sleeve("S")
    for step in ("look", "prove_laterals", "check_access"):
        works = [work("C", "clean"), work("L", step), *sleeve_works(one)]
        found = made(town(works, chained(works), [one]))
        assert reasons(found)["W-S-sleeve"] == f"waits for {step}"
    works = [work("C", "clean"), work("R", "cut_roots"), *sleeve_works(one)]
    found = made(town(works, chained(works), [one]))
    assert sorted(steps_of(found)) == ["clean+cut_roots", "flow_control+sleeve+verify"]


def test_a_work_longer_than_the_window_is_refused_with_hours():
    """600 m x 60 s + 2100 s = 10.6 h, the window from 8 to 17 is 9 h."""
    found = made(town([work("C", "clean", to_m=600.0)], pipes=[pipe(length_m=600.0)]))
    assert reasons(found)["C"] == "takes 10.6 h on site, the working window is 9.0 h"


@pytest.mark.parametrize("step", ["dig", "grout"])
def test_a_step_that_no_crew_does_says_so(step):
    """The cleaning and sleeve crews do neither."""
    assert reasons(made(town([work("X", step)])))["X"] == f"no crew does {step}"


@pytest.mark.parametrize("step", ["dig", "liner"])
def test_a_dig_or_liner_is_handed_out_even_where_a_crew_names_it(step):
    """Their time is not one of some hours on a route."""
    found = made(town([work("X", step)], crews=[crew("Gang", "dig+liner")]))
    assert "handed out, not routed" in reasons(found)["X"]


def test_grouting_is_a_set_up_of_its_own():
    """3600 s to stop the water and 2100 s to set up."""
    found = made(town([work("X", "grout", from_m=5.0, to_m=6.0)], crews=[crew("G", "grout")]))
    assert found.setups["work_s"].tolist() == [5700]


def test_film_is_left_to_another_crew_where_the_setters_do_not_film():
    """Flow control and sleeve go on; the film waits for the sleeve."""
    crews = [setter(steps="flow_control+sleeve+reopen")]
    found = made(ready(sleeve("S1"), crews=crews))
    assert steps_of(found) == ["flow_control+sleeve"]
    assert reasons(found) == {"W-S1-verify": "waits for sleeve"}


def test_a_sleeve_without_a_crew_to_reopen_is_not_set():
    """Setting it and leaving connections shut is no option."""
    crews = [setter(steps="flow_control+sleeve+verify")]
    found = made(ready(sleeve("S1"), reopen=True, covers=[("S1", "x")], crews=crews))
    assert len(found.setups) == 0
    assert reasons(found)["W-S1-sleeve"].startswith("no crew does reopen together with")


def test_what_is_set_already_is_only_reopened_and_filmed():
    """The sleeve is done: what follows needs no packer and takes 2100 + 2100 + 900 s."""
    works = sleeve_works(sleeve("S1"), reopen=True)
    for one in works[:2]:
        one["state"] = "done"
    tables = town(works, chained(works), [sleeve("S1")], covers=[("S1", "x")], packers=[])
    one = made(tables).setups.iloc[0]
    assert (one["steps"], one["work_s"], one["system"]) == ("reopen+verify", 5100, "")
    assert (one["sleeves_count"], one["resin_g"]) == (0, 0)


def test_a_wall_colder_than_the_process_table_is_refused():
    """The table starts at 5 degC; nothing is extrapolated."""
    found = made(ready(sleeve("S1")), wall_c=2.0)
    assert "covers 5 to 20 degC, asked 2" in reasons(found)["W-S1-sleeve"]


def test_a_system_without_a_size_row_is_set_but_its_resin_is_doubted():
    """Resin is not known, not nothing: the set-up says so."""
    one = made(ready(sleeve("S1"), system_sizes=[])).setups.iloc[0]
    assert one["resin_g"] == 0
    assert one["doubts"] == "resin of S1 not known"


def test_an_end_without_coordinates_is_no_place_to_stand():
    """a is not drawn, so the crew stands at b."""
    nodes = [{**node("a"), "geometry": None}, node("b", 40.0)]
    assert made(ready(sleeve("S1"), nodes=nodes)).setups["node_id"].tolist() == ["b"]


def test_ends_that_are_not_named_or_not_there_are_said():
    """One end has no name, the other is not among the nodes."""
    found = made(ready(sleeve("S1"), pipes=[pipe(us="", ds="z")], nodes=[node("a")]))
    why = reasons(found)["W-S1-sleeve"]
    assert "an end of the pipe has no name" in why
    assert "there is no manhole z" in why


def test_every_work_to_do_is_in_one_set_up_or_waits_with_a_reason():
    """Nothing is lost and nothing is in two places, over many mixtures of done and to do."""
    works = [work("A", "check_access"), work("C", "clean"), work("L", "look"), work("D", "dig")]
    works += sleeve_works(sleeve("S1"), reopen=True)
    for mask in range(0, 2 ** len(works), 29):
        rows = [{**w, "state": "done" if mask >> n & 1 else "todo"} for n, w in enumerate(works)]
        found = made(town(rows, chained(rows), [sleeve("S1")]))
        todo = sorted(row["work_id"] for row in rows if row["state"] == "todo")
        placed = [*found.setup_works["work_id"], *found.waiting["work_id"]]
        assert sorted(placed) == todo
        assert all(found.waiting["reason"].str.len() > 8)


def test_ids_stay_with_the_works_from_run_to_run():
    """A set-up that keeps one of its works keeps its id; a new one gets a fresh number."""
    first = made(ready(sleeve("S1")))
    known = learn(NOTHING_KNOWN, "setup", first.members, first.members["setup_id"])
    tables = ready(sleeve("S0", 30.0), sleeve("S1"), packers=[packer(reach_m=12.0)])
    again = made(tables, known)
    at = dict(zip(again.setup_works["work_id"], again.setup_works["setup_id"], strict=True))
    assert at["W-S1-sleeve"] == first.setups["setup_id"].iloc[0]
    assert at["W-S0-sleeve"] != at["W-S1-sleeve"]
    assert again.members["setup_id"].tolist() == again.setups["setup_id"].tolist()


def test_the_order_of_rows_changes_nothing():
    """Permuted tables give the same set-ups."""
    tables = ready(sleeve("S1", 10.0), sleeve("S2", 25.0))
    turned = {name: frame.iloc[::-1].reset_index(drop=True) for name, frame in tables.items()}
    one, other = made(tables), made(turned)
    pd.testing.assert_frame_equal(pd.DataFrame(one.setups), pd.DataFrame(other.setups))
    pd.testing.assert_frame_equal(one.setup_works, other.setup_works)


def test_no_works_make_no_set_ups():
    """Empty tables are fine, with the system of the nodes."""
    found = made(town([]))
    assert len(found.setups) == len(found.waiting) == 0
    assert found.setups.crs == "EPSG:25832"


def test_value_follows_urgency():
    """8 h, 2 h, 45 min, 15 min; none stated counts as when near."""
    week = settings().week
    urgencies = ("now", "this_year", "programme", "when_near", "")
    assert [value_of(one, week) for one in urgencies] == [28_800, 7_200, 2_700, 900, 900]


def test_cleaning_for_an_urgent_sleeve_is_worth_as_much():
    """The worst urgency of the works counts once."""
    works = [work("C", "clean", urgency="when_near"), work("L", "look", urgency="now")]
    found = made(town(works, chained(works), crews=[crew("Cleaning", CLEANERS)]))
    assert found.setups["value_s"].tolist() == [28_800]
    assert found.setups["urgency"].tolist() == ["now"]


SPLIT = {"mix_s": 300.0, "wet_out_s": 300.0, "pull_s": 300.0, "inflate_s": 100.0}


@pytest.mark.parametrize(("sets", "split", "saved"), [(1, SPLIT, 0), (2, SPLIT, 800), (2, {}, 0)])
def test_a_second_packer_is_made_ready_while_one_cures(sets, split, saved):
    """1800 s to prepare, 1000 s of them the batch: 800 s above ground beside a cure of 3600 s."""
    times = {"prepare_s": 1800.0, "cure_s": 3600.0, "finish_s": 600.0, "pot_life_s": 1800.0}
    rows = [
        {"system": "felt", "dn_to_mm": 600.0, "wall_c": c, **times, **split} for c in (5.0, 20.0)
    ]
    tables = ready(
        sleeve("S1", 10.0), sleeve("S2", 20.0), process=rows, crews=[setter(packer_sets_count=sets)]
    )
    assert made(tables).setups["work_s"].tolist() == [2100 + 2 * (900 + 6000 + 900) - saved]


def test_waiting_raises_what_a_stop_is_worth():
    """Accepted a year before the first day: 2700 s x 1.5 at half of itself in a year."""
    tables = ready(sleeve("S1"))
    for on, worth in (("2025-03-01", 2700 * (1 + 0.5 * 366 / 365.25)), (FIRST_DAY, 2700)):
        own = tables | {"choices": tables["choices"].assign(on=on)}
        assert made(own).setups["value_s"].tolist() == [round(worth)]
