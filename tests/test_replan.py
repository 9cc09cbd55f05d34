"""Planning again within a week: what is fixed, what may move, and that each change is told once."""

from __future__ import annotations

from random import Random
from typing import Any

import pandas as pd
import pytest
from crew_town import CLEANERS, FIRST_DAY, crew, settings, sleeved, stop, stop_town, ways_of
from week_reports import Reports, reports

from planner.contracts import STOCK
from planner.contracts.journal import WORK_STATES
from planner.crews.audit import audit_week
from planner.crews.changes import to_sign
from planner.crews.frozen import Instant
from planner.crews.replan import Replanned, replan_week
from planner.crews.week import plan_week
from planner.errors import TableError
from planner.settings import Week
from planner.tables import conform

TUESDAY, WEDNESDAY = "2026-03-03", "2026-03-04"
NOON = f"{TUESDAY}T12:00"
NOBODY = conform([], WORK_STATES)
Frames = dict[str, pd.DataFrame]


class Town:
    """A week planned, and planned again as the field reports it."""

    def __init__(self, tables: Frames, **week: Any) -> None:
        self.tables = tables
        self.week: Week = settings(**{"iterations": 100, **week}).week
        self.ways = ways_of(tables, self.week)
        days = plan_week(tables, self.ways, self.week, first_day=FIRST_DAY, seed=1)
        self.visits = days.visits
        self.standing = {**tables, "visits": days.visits, "unserved": days.unserved}

    def place(self, setup_id: str) -> tuple[str, str]:
        """Crew and date of a set-up in the standing plan."""
        row = self.visits[self.visits["setup_id"] == setup_id].iloc[0]
        return row["crew"], row["date"]

    def again(
        self, told: Reports, at: str = NOON, *, freer: bool = False, locks: Any = None, **week: Any
    ) -> Replanned:
        """Plan again, and hold the plan against the audit and against all that is always so."""
        chosen = self.week.model_copy(update=week)
        ways = ways_of(told.tables, chosen)
        found = replan_week(
            told.tables, ways, chosen, self.standing, told.states,
            at=at, first_day=FIRST_DAY, seed=1, freer=freer, locks=locks,
        )  # fmt: skip
        tables = {**told.tables, "visits": found.visits, "unserved": found.unserved}
        audit = audit_week(tables, ways, chosen, first_day=FIRST_DAY, at=at)
        assert audit.empty, audit.to_string()
        self.hold(told.tables, found, at)
        return found

    def hold(self, tables: Frames, found: Replanned, at: str) -> None:
        """Nothing is lost or planned in the past, what is fixed is unmoved, changes are told."""
        ids = [*found.visits["setup_id"], *found.unserved["setup_id"]]
        assert sorted(ids) == sorted(tables["setups"]["setup_id"])
        now = found.visits.set_index("setup_id")
        ahead = now[~now.index.isin(found.facts)]
        assert all(Instant.of(at).on(row.date) <= row.start_s for row in ahead.itertuples())
        was = self.visits.set_index("setup_id")
        changes = found.changes.set_index("setup_id")
        for one in {*found.facts, *found.bound} & set(was.index):
            if one not in now.index:  # what came before it failed or was put off
                assert changes.at[one, "why"].startswith("residents were told of its day; ")
                continue
            assert (now.at[one, "crew"], now.at[one, "date"]) == self.place(one)
            late = Instant.of(at).on(was.at[one, "date"]) > was.at[one, "start_s"]
            assert late or now.at[one, "start_s"] <= was.at[one, "start_s"]
        assert changes.index.is_unique
        assert set(changes.index) == set(was.index) | set(now.index)
        for one, row in changes.iterrows():
            both = one in was.index and one in now.index
            same = both and (now.at[one, "crew"], now.at[one, "date"]) == self.place(one)
            want = (
                "kept" if same else "moved" if both else "dropped" if one in was.index else "added"
            )
            assert row["change"] == want, one


def without(tables: Frames, *setup_ids: str) -> Frames:
    """The town before some set-ups were known."""
    return {
        name: frame[~frame["setup_id"].isin(setup_ids)].reset_index(drop=True)
        if "setup_id" in frame.columns and name != "visits"
        else frame
        for name, frame in tables.items()
    }


def marked(tables: Frames, promised: set[tuple[str, str]]) -> Frames:
    """Residents were told: these set-ups may start on that date alone."""
    hours = tables["setup_hours"]
    days: dict[str, set[str]] = {}
    for one, date in promised:
        days.setdefault(one, set()).add(date)
    keys = list(zip(hours["setup_id"], hours["date"], strict=True))
    keep = [one not in days or date in days[one] for one, date in keys]
    hours = hours.assign(promised=hours["setup_id"].isin(days).astype("boolean"))
    return {**tables, "setup_hours": hours[keep].reset_index(drop=True)}


def random_town(seed: int) -> Town:
    """Two crews, stops of 1 to 2 hours, some behind others, some promised to their planned day."""
    rng = Random(seed)
    rows = [
        stop(
            f"U{n:02d}", rng.uniform(-4000, 4000), rng.uniform(-4000, 4000),
            work_s=rng.randrange(3000, 8000), value_s=rng.choice((900, 2700, 7200)),
        )
        for n in range(26)
    ]  # fmt: skip
    pairs = [(f"W-U{n:02d}", f"W-U{n + 1:02d}") for n in rng.sample(range(0, 24, 2), 4)]
    crews = [crew("North", CLEANERS), crew("South", CLEANERS)]
    tables = stop_town(rows, crews, pairs, valid_days=2)
    drawn = Town(tables, days=4)
    dates = dict(zip(drawn.visits["setup_id"], drawn.visits["date"], strict=True))
    told = set(rng.sample(sorted(dates.items()), 3))
    return Town(marked(tables, told), days=4)


@pytest.mark.parametrize("seed", range(6))
def test_random_weeks_after_random_reports(seed: int) -> None:
    """Failures, silence and works put off at a random hour: all that is always so holds."""
    town, rng = random_town(seed), Random(100 + seed)
    day = rng.choice((FIRST_DAY, TUESDAY, WEDNESDAY))
    at = f"{day}T{rng.randrange(8, 16):02d}:{rng.choice((0, 30)):02d}"
    some = [set(rng.sample(sorted(town.visits["setup_id"]), 4)) for _ in range(3)]
    told = reports(
        town.tables, town.visits, at, failed=some[0], deferred=some[1] - some[0], silent=some[2]
    )
    found = town.again(told, at, freer=True)
    # What was put off comes back on a later day, if at all.
    for one in found.visits["setup_id"]:
        work = told.states[told.states["work_id"] == f"W-{one}"]
        if len(work) and work["state"].iloc[0] == "deferred":
            date = found.visits.set_index("setup_id").at[one, "date"]
            assert date > work["at"].iloc[0][:10]


@pytest.mark.parametrize("seed", range(3))
def test_with_a_price_that_nothing_is_worth_nothing_moves_that_can_stay(seed: int) -> None:
    """A million seconds a change: what moved no longer fitted where it stood, or was reported."""
    town = random_town(seed)
    late = set(town.visits[town.visits["date"] == FIRST_DAY]["setup_id"].iloc[:2])
    told = reports(town.tables, town.visits, NOON, silent=late)
    found = town.again(told, change_cost_s=1_000_000)
    changes = found.changes
    moved = changes[changes["change"] == "moved"]
    assert not moved["why"].str.startswith("saves").any()


def test_an_empty_journal_before_the_week_gives_the_plan_again() -> None:
    """Nothing happened: not a figure of the visits is another."""
    town = random_town(1)
    found = town.again(Reports(NOBODY, town.tables), f"{FIRST_DAY}T00:00")
    pd.testing.assert_frame_equal(found.visits, town.visits)
    pd.testing.assert_frame_equal(found.unserved, town.standing["unserved"])
    assert set(found.changes["change"]) == {"kept"}


def test_all_that_went_as_planned_changes_nothing() -> None:
    """All reported as planned by Tuesday noon: each crew and day stays, facts to the second."""
    town = random_town(2)
    found = town.again(reports(town.tables, town.visits, NOON))
    assert set(found.changes["change"]) == {"kept"}
    facts = town.visits["setup_id"].isin(found.facts)
    assert facts.any()
    now = found.visits.set_index("setup_id")
    for row in town.visits[facts].to_dict("records"):
        assert now.at[row["setup_id"], "start_s"] == row["start_s"]


def test_all_done_leaves_nothing_ahead() -> None:
    """Each visit reported done by Friday night."""
    town = random_town(3)
    told = reports(town.tables, town.visits, "2026-03-06T23:00")
    found = town.again(told, "2026-03-05T23:59")
    assert set(found.visits["setup_id"]) == set(found.facts)


def test_a_crew_goes_on_from_where_it_is() -> None:
    """Two stops 1.5 km and 3 km east, an hour each; the first was begun at 11:00, it is 11:30.

    It ends at 12:00; 1.5 km x 1.4 at 30 km/h = 252 s of driving, 600 s to park: 12:14:12.
    Home from 3 km: 504 s. Whoever went back to the yard first would come later.
    """
    town = Town(stop_town([stop("U1", 1500.0), stop("U2", 3000.0)]), days=1)
    visits = town.visits.copy()
    visits["setup_id"] = ["U1", "U2"]
    town.visits = town.standing["visits"] = visits
    rows = [{"work_id": "W-U1", "state": "started", "at": f"{FIRST_DAY}T11:00", "crew": "Cleaning"}]
    told = Reports(conform(rows, WORK_STATES), town.tables)
    found = town.again(told, f"{FIRST_DAY}T11:30")
    last = found.visits.set_index("setup_id").loc["U2"]
    assert (last["seq"], last["arrive_s"], last["drive_s"]) == (2, 43_200 + 252, 252)
    assert (last["start_s"], last["back_s"]) == (43_200 + 852, 504)


def test_the_way_home_is_told_where_nothing_follows_a_fact() -> None:
    """The second of two stops failed: the day ends at the first, 1.5 km away: 252 s home."""
    tables = stop_town([stop("U1", 1500.0), stop("U2", 3000.0, value_s=600)])
    town = Town(tables, days=1)
    first = town.visits["setup_id"].iloc[0]
    other = {"U1": "U2", "U2": "U1"}[first]
    rows = [
        {"work_id": f"W-{first}", "state": "started", "at": f"{FIRST_DAY}T08:10"},
        {"work_id": f"W-{other}", "state": "failed", "at": f"{FIRST_DAY}T08:20", "reason": "car"},
    ]
    found = replan_week(
        tables, town.ways, town.week, town.standing, conform(rows, WORK_STATES),
        at=f"{FIRST_DAY}T08:30", first_day=FIRST_DAY, seed=1, freer=False,
    )  # fmt: skip
    assert found.facts[other].state == "failed"
    last = found.visits.sort_values("seq").iloc[-1]
    assert last["back_s"] == {"U1": 252, "U2": 504}[last["setup_id"]]


def test_an_urgent_job_gets_in_today_and_pushes_out_what_can_wait() -> None:
    """One crew, each day full; something that is urgent now turns up on Tuesday noon.

    A day plans 0.85 x 10 h = 8.5 h: three stops of 2.5 h with 10 min to park are 8 h. Worth
    8 h against 45 min, the new one takes the place of one of them.
    """
    rows = [stop(f"U{n}", 10.0 * n, work_s=9000, close_s=52_000) for n in range(6)]
    rows.append(stop("U9", 70.0, work_s=9000, close_s=52_000, value_s=28_800))
    tables = stop_town(rows)
    town = Town(without(tables, "U9"), days=2)
    assert len(town.visits) == 6
    told = reports(without(tables, "U9"), town.visits, f"{FIRST_DAY}T11:00")
    told = Reports(told.states, {**tables, "works": told.tables["works"]})
    found = town.again(told, f"{FIRST_DAY}T11:00")
    changes = found.changes.set_index("setup_id")
    assert changes.at["U9", "change"] == "added"
    assert changes.at["U9", "why"] == "new since the standing plan"
    assert (changes["change"] == "dropped").sum() == 1
    assert "U9" not in set(found.unserved["setup_id"])


def test_what_follows_a_failed_cleaning_has_no_place_and_says_why() -> None:
    """U2 waits for U1, which failed on Monday."""
    rows = [stop("U1", 500.0), stop("U2", 900.0)]
    town = Town(stop_town(rows, None, [("W-U2", "W-U1")], valid_days=2), days=3)
    assert town.place("U1")[1] <= town.place("U2")[1]
    told = reports(town.tables, town.visits, f"{FIRST_DAY}T20:00", failed={"U1"})
    states = told.states[told.states["work_id"] == "W-U1"].reset_index(drop=True)
    found = town.again(Reports(states, town.tables), f"{FIRST_DAY}T20:00")
    reasons = dict(zip(found.unserved["setup_id"], found.unserved["reason"], strict=True))
    assert reasons == {"U2": "U1 must come before it and failed: so"}
    why = found.changes.set_index("setup_id").at["U2", "why"]
    assert why.endswith("U1 must come before it and failed: so")


def test_a_cleaning_that_was_done_is_good_for_its_days_alone() -> None:
    """Cleaned on Monday, good for one working day: what follows finds a place on Tuesday or none.

    It was planned for Monday and not reported; the whole of Tuesday is gone at 20:00.
    """
    rows = [stop("U1", 500.0), stop("U2", 900.0)]
    town = Town(stop_town(rows, None, [("W-U2", "W-U1")], valid_days=1), days=4)
    done = [{"work_id": "W-U1", "state": "done", "at": f"{FIRST_DAY}T10:00", "crew": "Cleaning"}]
    works = town.tables["works"].copy()
    works.loc[works["work_id"] == "W-U1", "state"] = "done"
    told = Reports(conform(done, WORK_STATES), {**town.tables, "works": works})
    on_monday = town.again(told, f"{FIRST_DAY}T20:00")
    assert on_monday.visits.set_index("setup_id").at["U2", "date"] == TUESDAY
    too_late = town.again(told, f"{TUESDAY}T20:00")
    assert too_late.unserved["setup_id"].tolist() == ["U2"]


def test_a_promised_stop_starts_no_later_and_on_its_day() -> None:
    """Something urgent is put in on the promised day: the promise is as early as it was."""
    rows = [stop("U1", 2000.0, open_s=30_000), stop("U2", -2000.0, value_s=900)]
    rows.append(stop("U9", 2500.0, value_s=28_800))
    tables = marked(stop_town(rows), {("U1", TUESDAY)})
    town = Town(without(tables, "U9"), days=2)
    found = town.again(Reports(NOBODY, tables), f"{FIRST_DAY}T15:30")
    assert found.bound == {"U1"}
    assert set(found.visits["setup_id"]) >= {"U1", "U9"}


def test_the_list_to_sign_names_each_change_once() -> None:
    """Each set-up that moved, went or came stands in one line; the count in the first."""
    town = random_town(4)
    silent = set(town.visits[town.visits["date"] == FIRST_DAY]["setup_id"])
    found = town.again(reports(town.tables, town.visits, NOON, silent=silent), freer=True)
    lines = to_sign(found.changes, NOON)
    changed = found.changes[found.changes["change"] != "kept"]
    assert len(changed) > 0
    for row in changed.itertuples():
        assert sum(row.setup_id in line for line in lines) == 1
    count = found.changes["change"].value_counts()
    assert f"{count.get('moved', 0)} moved, {count.get('dropped', 0)} dropped" in lines[0]
    assert found.freer is not None
    assert found.freer.saves_s <= found.cost_s


def test_the_shelf_holds_what_is_under_way() -> None:
    """Two sleeves on the shelf, one is being set: of two more one finds its piece, one does not."""
    piece = {"item": "sleeve", "system": "felt", "dn_mm": 200.0, "length_m": 1.0}
    tables = sleeved(3, stock=[{**piece, "pieces_count": 3}])
    town = Town(tables)
    first = town.visits.sort_values(["date", "seq"])["setup_id"].iloc[0]
    begun = town.visits.set_index("setup_id").at[first, "start_s"]
    at = f"{town.place(first)[1]}T{begun // 3600:02d}:59"
    told = reports(tables, town.visits, at, silent=set(town.visits["setup_id"]) - {first})
    less = conform([{**piece, "pieces_count": 2}], STOCK)
    found = town.again(Reports(told.states, {**told.tables, "stock": less}), at)
    assert found.facts[first].state == "started"
    left = found.unserved["reason"].tolist()
    assert left == [
        "the shelf has 0 sleeves DN 200 x 1.00 m felt left, asked 1 sleeves DN 200 x 1.00 m felt"
    ]


def test_an_instant_is_read_or_refused() -> None:
    """The hours of a night count on from its date: 2:30 after midnight is 26:30."""
    assert Instant.of("2026-03-04T02:30").on(TUESDAY) == 95_400
    for text in ("2026-03-04", "noon", "2026-03-04T25:00", "2026-03-04T09:00:10"):
        with pytest.raises(TableError, match="YYYY-MM-DDTHH:MM"):
            Instant.of(text)
