"""The planner's desk: what it shows, takes in and refuses, and that others' changes are told."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path

import pytest
from desk_town import keep_tables
from small_project import write_project
from starlette.testclient import TestClient

from planner.contracts import EVENTS
from planner.crews.pinned import in_force
from planner.folder import run_project
from planner.review.app import make_app
from planner.review.live import Live
from planner.review.users import LOCAL, Person
from planner.review.week_now import Weeks
from planner.runs import standing_run
from planner.store.chosen import STORE
from planner.store.decisions import open_store

MONDAY, TUESDAY, FRIDAY = "2026-01-12", "2026-01-13", "2026-01-16"
HERE = {"run": "0001", "reason": "so", "panel": "yes"}


class As:
    """The page as one person sees it, without its guard."""

    def __init__(self, app, name, role):
        self.app, self.person = app, Person(name, role)

    async def __call__(self, scope, receive, send):
        await self.app({**scope, "person": self.person, "csrf": "t"}, receive, send)


class Desk:
    """A town and its page, for several persons."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.live = Live.open(folder)
        self.app = make_app(self.live)
        self.weeks = Weeks(self.live)

    def by(self, name: str = "Ada", role: str = LOCAL) -> TestClient:
        return TestClient(As(self.app, name, role))

    def change(self, setup_id: str, change: str, seen: int = 0, **more: str):
        form = {**HERE, "setup": setup_id, "change": change, "seen": str(seen), **more}
        return self.by().post("/planner/change", data=form)

    def day(self, crew: str, date: str) -> list[tuple[str, int]]:
        """Set-ups of a day in order, with their starts."""
        visits = self.weeks.now().visits
        rows = visits[(visits["crew"] == crew) & (visits["date"] == date)].sort_values("seq")
        return list(rows[["setup_id", "start_s"]].itertuples(index=False, name=None))


@pytest.fixture(scope="module")
def quiet(desk_town, tmp_path_factory):
    """A desk that nothing may change."""
    return Desk(shutil.copytree(desk_town, tmp_path_factory.mktemp("quiet") / "town"))


@pytest.fixture
def desk(desk_town, tmp_path):
    return Desk(shutil.copytree(desk_town, tmp_path / "town"))


def text_of(answer) -> str:
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def test_the_week_is_shown_with_what_it_holds(quiet):
    """Each of the six set-ups stands on one day, two of them, 9,300 s each, on a full one.

    Hand calculation for North on Monday: the first starts at 8:00, when the street opens, and
    takes 2.58 h; parking is 600 s before it and between.
    """
    page = quiet.by().get("/planner")
    assert page.status_code == 200
    assert page.text.count('class="stop') - page.text.count('class="stops') == 6
    assert "No rule is broken." in text_of(page)
    assert "0 set-ups without a visit" in text_of(page)
    first, second = quiet.day("North", MONDAY)
    assert first[1] == 8 * 3600
    assert second[1] >= 8 * 3600 + 9300 + 600
    assert 'style="' not in page.text
    assert "<script>" not in page.text


def test_without_crews_and_set_ups_nothing_is_praised(tmp_path):
    """No rule can be broken and no day be found where there is no week."""
    folder = write_project(tmp_path / "bare", crews_toml="", systems_toml="", prices_toml="")
    keep_tables(folder, run_project(folder), "0001")
    said = text_of(Desk(folder).by().get("/planner"))
    assert "There is no week yet: nothing is planned." in said
    assert "No rule is broken" not in said
    assert "has its day" not in said


def test_the_week_is_sent_only_where_it_changed(desk):
    """The mark of the page is held against that of the week."""
    page = desk.by().get("/planner").text
    token = re.search(r'data-token="([^"]*)"', page)[1]
    assert desk.by().get("/planner/week", params={"have": token}).status_code == 204
    desk.change("U-000001", "defer", not_before=FRIDAY)
    again = desk.by().get("/planner/week", params={"have": token})
    assert again.status_code == 200
    assert "not before Fri 16.01." in text_of(again)


def test_a_move_times_both_days_anew_and_leaves_the_others(desk):
    """Friday's crew is free: one stop moved there starts at 8:00; the one left goes to 8:00."""
    before = desk.weeks.now().visits
    (one, _), (other, _) = desk.day("North", MONDAY)
    answer = desk.change(one, "move", day=f"{FRIDAY}|North", after="")
    assert answer.status_code == 200
    assert desk.day("North", FRIDAY) == [(one, 28_800)]
    assert desk.day("North", MONDAY) == [(other, 28_800)]
    after = desk.weeks.now().visits
    south = before["crew"] == "South"
    assert (
        after[after["crew"] == "South"]
        .reset_index(drop=True)
        .equals(before[south].reset_index(drop=True))
    )
    assert desk.weeks.now().tables["audit"].empty
    assert "moved by hand" in text_of(answer)
    rows = open_store(desk.folder / STORE).read_week_edits()
    assert list(rows[["setup_id", "change", "crew", "date", "by", "reason", "run"]].iloc[0]) == [
        one, "move", "North", FRIDAY, "Ada", "so", "0001",
    ]  # fmt: skip


def test_what_breaks_is_said_and_stands_all_the_same(desk):
    """Three stops of 2.58 h in a shift of 8 h filled to 85 % are too many: 27,900 > 24,480 s."""
    one = desk.day("South", TUESDAY)[0][0]
    answer = desk.change(one, "move", day=f"{MONDAY}|North", after="")
    assert answer.status_code == 200
    assert "more than may be planned of the shift" in text_of(answer)
    assert desk.day("North", MONDAY)[0][0] == one
    assert set(desk.weeks.now().tables["audit"]["rule"]) >= {"fill"}
    undone = desk.change(one, "as_planned", seen=1)
    assert undone.status_code == 200
    assert desk.weeks.now().tables["audit"].empty
    assert desk.day("South", TUESDAY)[0][0] == one


def test_the_best_place_breaks_nothing_and_adds_the_least_drive(desk):
    """To a day of two stops in a row from the yard; each is tried against all three places.

    The day holds two stops, so any place breaks the same rule: the least drive decides. Out to
    the farthest of three on a line and back is the least there is, however they are visited on
    the way: twice the way to the farthest, 300 m a pipe.
    """
    (near, _), (far, _) = desk.day("South", MONDAY)
    one = desk.day("North", MONDAY)[0][0]
    assert desk.change(one, "move", day=f"{MONDAY}|South", after="*best").status_code == 200
    order = [setup for setup, _ in desk.day("South", MONDAY)]
    assert sorted(order) == sorted([near, far, one])
    visits = desk.weeks.now().visits
    own = visits[(visits["crew"] == "South") & (visits["date"] == MONDAY)]
    farthest = max(int(setup[-1]) - 1 for setup in order)
    driven = own["drive_m"].sum() + own["back_m"].sum()
    assert driven == pytest.approx(2 * 300.0 * farthest, abs=2.0)


def test_a_broken_promise_is_shown_first_and_strongest(desk):
    """Promised for Tuesday, moved to Friday: the first thing said is the promise."""
    one = desk.day("South", TUESDAY)[0][0]
    assert desk.change(one, "promise", promise_on=TUESDAY).status_code == 200
    answer = desk.change(one, "move", seen=1, day=f"{FRIDAY}|South", after="")
    assert answer.status_code == 200
    first = re.search(r'class="told said-bad strong">(.*?)</p>', answer.text, re.S)[1]
    assert "a promise to residents is broken" in first
    taken_off = desk.change(one, "take_off", seen=2)
    assert "a promise to residents is broken" in text_of(taken_off)
    assert "taken off the week by hand" in text_of(taken_off)


def test_a_stale_change_is_answered_with_what_the_other_did(desk):
    """Bo put it off while Ada looked; her move is not taken, and she may send it again."""
    one = desk.day("North", MONDAY)[0][0]
    bo = {**HERE, "setup": one, "change": "defer", "seen": "0", "not_before": FRIDAY}
    assert desk.by("Bo").post("/planner/change", data=bo).status_code == 200
    late = desk.change(one, "move", seen=0, day=f"{FRIDAY}|South", after="")
    assert late.status_code == 409
    assert "Bo, " in text_of(late)
    assert "put it off until Fri 16.01. (so)" in text_of(late)
    assert '<input type="hidden" id="seen" name="seen" value="1"' in late.text
    assert 'id="change-form"' not in late.text  # what Ada filled in is not written over
    assert desk.change(one, "move", seen=1, day=f"{FRIDAY}|South", after="").status_code == 200


def test_another_run_that_stands_meanwhile_is_told(desk):
    """A form that was filled in over run 0001 is not taken for run 0002."""
    shutil.copytree(desk.folder / "out" / "0001", desk.folder / "out" / "0002")
    late = desk.change("U-000001", "move", day=f"{FRIDAY}|South", after="")
    assert late.status_code == 409
    assert "Run 0002 stands now, not 0001." in text_of(late)


@pytest.mark.parametrize(
    ("change", "more", "told"),
    [
        ("move", {"day": f"{MONDAY}|West"}, "West has no shift on that day"),
        ("move", {"day": "2026-01-17|North"}, "no shift on that day"),
        ("move", {"day": f"{FRIDAY}|North", "after": "U-000009"}, "on that day no more"),
        ("promise", {"promise_on": "soon"}, "A day is wanted"),
        ("promise", {"promise_on": "2026-01-09"}, "lies before the week"),
        ("defer", {}, "A day is wanted"),
        ("unlock", {}, "nothing of that kind to take back"),
        ("take_off", {"reason": " "}, "A reason is wanted"),
        ("take_off", {"reason": "x" * 501}, "A reason is wanted"),
        ("take_off", {"setup": "U-000099"}, "There is no set-up U-000099"),
        ("explode", {}, "Nothing is known of such a change"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(quiet, change, more, told):
    """Nothing is stored."""
    answer = quiet.by().post(
        "/planner/change",
        data={**HERE, "setup": "U-000001", "seen": "0", "change": change, **more},
    )
    assert answer.status_code == 422
    assert told in text_of(answer)
    assert open_store(quiet.folder / STORE).read_week_edits().empty


def test_a_locked_stop_is_moved_only_once_it_is_unlocked(desk):
    """The refusal names who locked it, where, and why."""
    one = desk.day("North", MONDAY)[0][0]
    assert desk.change(one, "lock", day=f"{MONDAY}|North").status_code == 200
    answer = desk.change(one, "move", seen=1, day=f"{FRIDAY}|North", after="")
    assert answer.status_code == 422
    assert "Ada locked it to North on Mon 12.01. (so). Unlock it first." in text_of(answer)
    assert desk.change(one, "unlock", seen=1).status_code == 200
    assert desk.change(one, "move", seen=2, day=f"{FRIDAY}|North", after="").status_code == 200


@pytest.mark.parametrize("role", ["reader", "engineer", "estimator"])
def test_who_may_not_plan_sees_no_controls_and_is_refused(quiet, role):
    """Every way of changing anything answers 403."""
    client = quiet.by("Cy", role)
    page = client.get("/planner").text
    assert "draggable" not in page
    assert "Plan anew" not in page
    panel = client.get("/planner/stop/U-000001").text
    assert "<form" not in panel
    for name in ("move", "change", "report", "plan", "replan", "keep", "accept", "leave"):
        assert client.post(f"/planner/{name}", data=HERE).status_code == 403, name


def test_the_next_plan_counts_what_was_said(desk):
    """What is moved, promised and put off is so in the plan that is made anew."""
    (one, _), (two, _) = desk.day("North", MONDAY)
    three = desk.day("South", TUESDAY)[0][0]
    desk.change(one, "move", day=f"{FRIDAY}|South", after="")
    desk.change(two, "promise", promise_on="2026-01-14")
    desk.change(three, "take_off")
    made = run_project(desk.folder)
    visits = made.tables["visits"].set_index("setup_id")
    assert list(visits.loc[one][["crew", "date"]]) == ["South", FRIDAY]
    assert visits.loc[two]["date"] == "2026-01-14"
    assert three not in visits.index
    assert made.tables["audit"].empty
    assert sorted(made.tables["pins"]["setup_id"]) == sorted([one, two, three])
    keep_tables(desk.folder, made, "0002")
    now = desk.weeks.now()
    assert now.name == "0002"
    # What was moved in run 0001 is in run 0002 already: its days are not timed anew.
    assert not now.changed
    assert now.visits.equals(made.tables["visits"])


def test_a_report_goes_the_way_of_a_form(desk):
    """A failure with its reason is in the journal and on the page; a bad row is one line."""
    one = desk.day("North", MONDAY)[0][0]
    works = desk.weeks.now().tables["setup_works"]
    own = sorted(works.loc[works["setup_id"] == one, "work_id"])
    form = {"setup": one, "panel": "yes", "work": own, "kind": "failed", "crew": "North",
            "at": f"{MONDAY}T09:30"}  # fmt: skip
    bad = desk.by().post("/planner/report", data=form)
    assert bad.status_code == 422
    assert "wanted a reason code" in text_of(bad)
    good = desk.by().post("/planner/report", data={**form, "reason": "manhole_blocked"})
    assert good.status_code == 200
    events = open_store(desk.folder / STORE).read_events()
    assert list(events["work_id"]) == own
    assert set(events["kind"]) == {"failed"}
    assert set(events["by"]) == {"Ada"}
    assert list(events.columns) == EVENTS.names
    assert 'mark-state">failed' in good.text
    assert desk.by().post("/planner/report", data={**form, "work": []}).status_code == 422


def test_what_is_done_is_moved_no_more(desk):
    """All its works are reported done: the page says so and offers no move."""
    one = desk.day("North", MONDAY)[0][0]
    works = desk.weeks.now().tables["setup_works"]
    own = sorted(works.loc[works["setup_id"] == one, "work_id"])
    form = {"setup": one, "panel": "yes", "work": own, "kind": "done", "at": f"{MONDAY}T11:00"}
    assert desk.by().post("/planner/report", data=form).status_code == 200
    assert desk.change(one, "move", day=f"{FRIDAY}|North", after="").status_code == 422
    assert 'name="not_before"' not in desk.by().get(f"/planner/stop/{one}").text


def test_a_project_without_a_plan_offers_to_make_one(desk, tmp_path):
    """No run stands: the desk says what to do, and nothing breaks."""
    shutil.rmtree(desk.folder / "out")
    page = desk.by().get("/planner")
    assert "No plan was made yet." in text_of(page)
    assert desk.by().get("/planner/week").status_code == 204
    assert desk.by().get("/planner/made").status_code == 204
    assert desk.by().get("/planner/stop/U-000001").status_code == 404
    assert desk.by().get("/planner/map").json() == {"routes": []}
    assert desk.change("U-000001", "defer", not_before=FRIDAY).status_code == 422


def test_a_run_that_cannot_be_read_is_told(desk):
    """One line says which file; the page stands."""
    (standing_run(desk.folder) / "tables" / "visits.csv").write_text("x\n")
    page = desk.by().get("/planner")
    assert page.status_code == 200
    assert "The week cannot be read" in text_of(page)
    assert "visits.csv" in text_of(page)
    for path in ("stop/U-000001", "places/U-000001", "map", "ground"):
        answer = desk.by().get(f"/planner/{path}")
        assert answer.status_code == 503
        assert "visits.csv" in answer.text
    assert desk.change("U-000001", "defer", not_before=FRIDAY).status_code == 503


def test_the_map_holds_each_stop_with_its_number(quiet):
    """Six stops, labelled by day and place; streets and pipes beneath."""
    routes = quiet.by().get("/planner/map").json()["routes"]
    assert sorted(stop["label"] for one in routes for stop in one["stops"]) == [
        "1.01", "1.01", "1.02", "1.02", "2.01", "2.02",
    ]  # fmt: skip
    ground = quiet.by().get("/planner/ground").json()
    assert len(ground["pipes"]["n"]) == 6
    assert len(ground["streets"]["n"]) == 1


def test_each_change_costs_a_version_and_none_is_lost(desk):
    """Two persons change two stops in turn: all is kept in the order taken."""
    for turn in range(4):
        one = f"U-00000{turn % 2 + 1}"
        change = ("lock", "unlock")[turn // 2]
        seen = turn - 1 if turn > 1 else 0
        day = next(d for d in (f"{MONDAY}|North",))
        assert desk.change(one, change, seen=seen, day=day).status_code == 200
    rows = open_store(desk.folder / STORE).read_week_edits()
    assert list(rows["version"]) == [1, 2, 3, 4]
    assert in_force(rows) == {}
