"""The engineer's desk over HTTP: what is shown, what is taken in, what is refused and why."""

from __future__ import annotations

import html
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from engineer_town import ALONE, BREAK, CRACK, DEPOSIT, WIDE, write_town
from evil_project import Evil, write_evil
from small_project import SURVEYS
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send

from planner.errors import StoreError
from planner.review.app import make_app
from planner.review.guard import guarded
from planner.review.jobs import Jobs
from planner.review.listen import listen_at
from planner.review.live import Asked, Live
from planner.review.sign_off import sign_off, sign_run
from planner.review.users import Person
from planner.store.decisions import open_store

USER, URL = "E. Noor", "http://127.0.0.1:8000"
ROW = {"row": ALONE, "opened": "yes", "reason": "so"}
PIPE_OF = {CRACK: "0017", BREAK: "0017", WIDE: "0017", ALONE: "0018", DEPOSIT: "0019"}


class Desk:
    """One server's page and its store, as a browser on this machine asks for it."""

    def __init__(self, folder: Path, user: str = USER) -> None:
        self.folder, self.begin = folder, 0
        self.live = Live.open(folder)
        self.jobs = Jobs()
        app = make_app(self.live, self.jobs)
        at = listen_at("127.0.0.1:8000", folder=folder)
        self.client = TestClient(guarded(app, at, None, user=user), base_url=URL)
        self.bare = app
        token = re.search(r'"X-Token": "([^"]+)"', self.get("/engineer"))
        assert token
        self.client.headers |= {"X-Token": token[1], "Origin": URL}

    def get(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return str(answer.text)

    def post(self, status: int, **fields: str) -> str:
        """Send the form, by default as one who has seen what stands."""
        fields = {**ROW, **fields}
        seen = str(self.live.last_version(PIPE_OF[fields["row"]]))
        answer = self.client.post("/engineer/decide", data={"seen": seen, **fields})
        assert answer.status_code == status, answer.text
        self.headers = answer.headers
        return html.unescape(str(answer.text))

    def stored(self) -> list[tuple[str, ...]]:
        rows = open_store(self.folder / "project.gpkg").read_decisions()
        names = ("pipe_id", "span_id", "decision", "value", "reason", "by", "opened")
        return [tuple(row) for row in rows[list(names)].itertuples(index=False)][self.begin :]

    def state(self, pipe_id: str) -> str:
        return str(self.live.rows_of(pipe_id)["choices"]["state"].iloc[0])


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    desk = Desk(write_town(tmp_path_factory.mktemp("town") / "town"))
    yield desk
    desk.jobs.stop()


@pytest.fixture
def desk(served: Desk) -> Iterator[Desk]:
    """The desk as if nobody had decided anything; what a test decides it takes back."""
    served.begin = 0
    served.begin = len(served.stored())
    yield served
    served.live.catch_up()
    for pipe_id, span_id, *_ in dict.fromkeys(row[:2] for row in served.stored()):
        seen = served.live.last_version(pipe_id)
        served.live.decide(Asked(pipe_id, span_id, "undo", "", "a test ended", "T", seen, False))


def spans_in(text: str) -> list[str]:
    return re.findall(r'<tr id="row-([^"]+)"', text)


def test_the_first_page_lists_all_spans_and_limits_narrow_them(desk: Desk) -> None:
    """Three cracks, a break without a figure and a deposit, in order of pipe and place."""
    page = desk.get("/engineer")
    assert len(spans_in(page)) == 5
    assert spans_in(desk.get("/engineer/list?verdict=%3Drefer")) == [BREAK]
    assert spans_in(desk.get("/engineer/list?text=0018")) == [ALONE]
    assert spans_in(desk.get("/engineer/list?flag=photo")) == [CRACK, WIDE]
    assert spans_in(desk.get("/engineer/list?state=%3Dheld&verdict=%3Dsleeve")) == [CRACK, WIDE]
    assert "No span is like that" in desk.get("/engineer/list?text=nowhere")
    counts = json.loads(html.unescape(
        re.search(r'data-counts="([^"]*)"', desk.get("/engineer/list?verdict=%3Drefer"))[1]
    ))  # fmt: skip
    assert counts["verdict"] == {"sleeve": 3, "refer": 1, "maintain": 1}
    assert counts["state"] == {"held": 1, "proposed": 0}


def test_pages_hold_no_inline_script_nor_style(desk: Desk) -> None:
    """The policy would stop them: what data decide stands in classes and data- attributes."""
    for path in ("/engineer", f"/engineer/span/{CRACK}", "/engineer/sign", "/engineer/list"):
        text = desk.get(path)
        assert not re.search(r"\sstyle\s*=", text), path
        assert not re.search(r"\son[a-z]+\s*=", text), path
        assert not re.search(r"<script(?![^>]*\ssrc=)", text), path
        assert "http://" not in text.replace("http://www.w3.org/2000/svg", ""), path


def test_the_opened_row_tells_where_what_why_and_what_else(desk: Desk) -> None:
    """Figures by hand: the crack at 5.2 m of 39.2 m, coded on the joint-free wall, 2 mm wide."""
    text = html.unescape(desk.get(f"/engineer/span/{CRACK}"))
    assert "surveys.csv, row 3" in text
    assert "film run1.mp4 at 0:01:15" in text
    assert '<img src="/photo?of=' in text
    assert "photo p1.png" in text.lower()
    assert "<svg xmlns" in text
    assert "a check to be signed by an engineer" in text
    assert "crack 2.0 mm wide" in text
    found = desk.live.rows_of("0017")["findings"]
    own = found[(found["key"] == CRACK) & (found["effect"] != "note")]
    assert len(own) > 3
    for row in own.to_dict("records"):
        assert row["why"] in text
        assert row["source"] in text
        assert f"{row['limit']:g}" in text or row["limit"] != row["limit"]
    for row in desk.live.rows_of("0017")["options"].to_dict("records"):
        assert row["why"] in text
    # The other photo is named and not there.
    assert "photo gone.jpg: not in the media folder" in desk.get(f"/engineer/span/{WIDE}")
    assert "film run1.mp4 at 1:01:40" in desk.get(f"/engineer/span/{WIDE}")


def test_sentences_name_mechanisms_in_words(desk: Desk) -> None:
    """Settled deposit is `deposit_settled` in the tables; people read words, in list and row."""
    kept = desk.live.rows_of("0019")["findings"]["why"].tolist()
    assert "deposit_settled in the pipe: cleaning, not a sleeve" in kept
    assert "deposit_settled are cleaned out" in kept
    row, page = desk.get(f"/engineer/span/{DEPOSIT}"), desk.get("/engineer")
    assert "deposit settled are cleaned out" in row
    for text in (row, page):
        assert "deposit settled in the pipe: cleaning, not a sleeve" in text
        assert "deposit_settled" not in text


def test_a_photo_comes_by_its_coded_row_and_nothing_else_does(desk: Desk) -> None:
    source = re.search(r'src="(/photo\?of=[^"]+)"', desk.get(f"/engineer/span/{CRACK}"))
    answer = desk.client.get(html.unescape(source[1]))
    assert answer.headers["content-type"] == "image/png"
    assert answer.content == (desk.folder / "media" / "p1.png").read_bytes()
    for name in ("p1.png", "media/p1.png", "../planner.toml", "planner.toml", "", "R1"):
        assert desk.client.get("/photo", params={"of": name}).status_code == 404


def test_accepting_a_row_that_was_not_opened_is_recorded_as_such(desk: Desk) -> None:
    text = desk.get("/engineer")
    vals = html.unescape(re.search(rf'hx-vals="([^"]*{ALONE}[^"]*)"', text)[1])
    answer = desk.post(200, **json.loads(vals))
    assert "accept on pipe 0018" in answer
    assert desk.stored() == [("0018", "", "accept", "", "as proposed", USER, "no")]
    assert desk.state("0018") == "accepted"


def test_refuse_and_undo_with_their_reasons(desk: Desk) -> None:
    """The row opened; then the detail tells who, what and why, the newest first."""
    text = desk.post(200, decision="refuse", reason="dug next year")
    assert "Taken in: refuse on pipe 0018" in text
    assert desk.state("0018") == "refused"
    assert json.loads(desk.headers["HX-Trigger"])["engineer-decided"]["pipe"] == "0018"
    text = desk.post(200, decision="undo", reason="not so")
    assert desk.state("0018") == "proposed"
    assert text.index("not so") < text.index("dug next year")
    assert [row[2:] for row in desk.stored()] == [
        ("refuse", "", "dug next year", USER, "yes"),
        ("undo", "", "not so", USER, "yes"),
    ]


@pytest.mark.parametrize(
    ("fields", "line"),
    [
        ({"decision": "accept", "reason": "  "}, "give a reason"),
        ({"decision": "burn"}, "choose what is decided"),
        ({"decision": "span", "span_decision": ""}, "choose what is decided"),
        ({"decision": "accept", "seen": "soon"}, "load it anew"),
        ({"decision": "accept", "reason": "x" * 1001}, "at most 1000 letters"),
        ({"decision": "accept", "row": CRACK}, "the pipe is held"),
        ({"decision": "watch"}, "name the span"),
        ({"decision": "span", "span_decision": "watch"}, "the span is not referred"),
        ({"decision": "span", "span_decision": "limit", "value": "lots"}, "is no limit"),
        ({"decision": "span", "span_decision": "place", "value": "-1"}, "is no place"),
    ],
)
def test_what_cannot_be_taken_is_told_in_one_line_and_words_are_kept(
    desk: Desk, fields: dict[str, str], line: str
) -> None:
    text = desk.post(422, **fields)
    assert line in text
    assert text.count("Not taken:") == 1
    assert desk.headers["HX-Retarget"] == "#decide"
    assert f">{fields.get('reason', 'so')[:1000]}</textarea>" in text
    assert desk.stored() == []


def test_a_stale_edit_shows_what_the_other_did_and_keeps_ones_own_words(desk: Desk) -> None:
    """Also where the other's change would forbid it: who held the pipe is told first."""
    seen = str(desk.live.last_version("0018"))
    desk.post(200, decision="hold", reason="asked the owner")
    now = str(desk.live.last_version("0018"))
    text = desk.post(409, decision="accept", reason="my own words", seen=seen)
    assert "was changed by E. Noor since you looked at it" in text
    assert "hold" in text
    assert "asked the owner" in text
    assert ">my own words</textarea>" in text
    assert len(desk.stored()) == 1
    # The form now carries what was seen, so that one can decide in spite of it.
    assert f'<input type="hidden" name="seen" value="{now}">' in text
    desk.post(200, decision="refuse", reason="my own words")
    assert desk.state("0018") == "refused"
    # From the list itself the same is told in lines.
    text = desk.post(409, decision="accept", **{"from": "list"}, seen=seen)
    assert "asked the owner" in text
    assert "my own words" in text


def test_a_decision_at_a_span_frees_its_pipe(desk: Desk) -> None:
    """The break is for a person: once it is watched, what is left can be accepted."""
    assert desk.state("0017") == "held"
    desk.post(200, row=BREAK, decision="span", span_decision="watch", reason="old, stable")
    assert desk.state("0017") == "proposed"
    assert spans_in(desk.get("/engineer/list?verdict=%3Dwatch")) == [BREAK]
    desk.post(200, row=BREAK, decision="accept")
    assert desk.state("0017") == "accepted"
    assert desk.stored()[0] == ("0017", BREAK, "watch", "", "old, stable", USER, "yes")


def test_another_method_is_a_change_of_the_choice(desk: Desk) -> None:
    """The crack may be dug up; the list and the map say so."""
    desk.post(200, decision="dig", reason="road is opened anyway")
    assert desk.state("0018") == "changed"
    assert spans_in(desk.get("/engineer/list?state=%3Dchanged")) == [ALONE]
    assert looks_of(desk)["0018"] == "dig"


def looks_of(desk: Desk) -> dict[str, str]:
    answer = desk.client.get("/engineer/map.json")
    assert answer.status_code == 200
    pipes = answer.json()["pipes"]
    packed = pipes["class"]
    words = packed.get("all") or [packed["words"][at] for at in packed["at"]]
    return dict(zip(pipes["id"], words, strict=True))


def test_the_map_tells_states_apart_and_goes_along(desk: Desk) -> None:
    """0017 waits for an engineer, 0018 gets a sleeve; refused it is as if nothing were there."""
    assert looks_of(desk) == {"0017": "refer", "0018": "sleeve", "0019": "maintain"}
    answer = desk.client.get("/engineer/map.json")
    tag = answer.headers["etag"]
    assert answer.headers["content-encoding"] == "gzip"
    assert desk.client.get("/engineer/map.json", headers={"If-None-Match": tag}).status_code == 304
    before = desk.live.version
    desk.post(200, decision="refuse")
    again = desk.client.get("/engineer/map.json", headers={"If-None-Match": tag})
    assert again.status_code == 200
    assert looks_of(desk)["0018"] == "none"
    told = json.loads(desk.get(f"/engineer/changes?since={before}"))
    seen = desk.live.last_version("0018")
    assert told["pipes"] == {"0018": {"by": USER, "look": "none", "seen": seen}}


def test_changes_bring_the_rows_of_the_changed_pipe_alone(desk: Desk) -> None:
    before = desk.live.version
    assert json.loads(desk.get(f"/engineer/changes?since={before}"))["pipes"] == {}
    desk.post(200, decision="accept")
    told = json.loads(desk.get(f"/engineer/changes?since={before}&state=%3Daccepted"))
    assert (told["version"], told["anew"]) == (before + 1, False)
    assert spans_in(told["rows"]) == [ALONE]
    assert "accepted" in told["rows"]
    assert (told["spans"], told["of"]) == (1, 1)
    assert json.loads(desk.get(f"/engineer/changes?since={before + 1}"))["pipes"] == {}


def test_a_page_of_an_earlier_server_is_told_to_load_its_list_anew(desk: Desk) -> None:
    told = json.loads(desk.get(f"/engineer/changes?since={desk.live.version + 1}"))
    assert told == {"version": desk.live.version, "anew": True}
    for since in ("", "x", "-1", "9" * 400):
        assert desk.client.get("/engineer/changes", params={"since": since}).status_code == 200


def test_a_project_read_anew_is_shown_as_it_is_then(tmp_path: Path) -> None:
    """The deposit is no longer in the survey, and a crack more is."""
    desk = Desk(write_town(tmp_path / "town"))
    path = desk.folder / "surveys.csv"
    line = "R3,0019,C,2025-05-01,yes,9.0,"
    text = path.read_text("utf-8").replace(f"{line}BBC,C,,10", f"{line}BAB,C,B,6")
    path.write_text(text, "utf-8")
    assert len(spans_in(desk.get("/engineer/list?verdict=%3Dmaintain"))) == 1
    desk.live.read_anew()
    assert spans_in(desk.get("/engineer/list?verdict=%3Dmaintain")) == []
    assert len(spans_in(desk.get("/engineer/list?text=fracture+0019"))) == 1
    assert desk.client.get(f"/engineer/span/{DEPOSIT}").status_code == 404


def test_what_another_program_writes_is_seen_and_makes_edits_stale(desk: Desk) -> None:
    """A second page over the same folder; neither loses what the other wrote."""
    other = Desk(desk.folder, user="B. Ruiz")
    before, seen = desk.live.version, str(desk.live.last_version("0018"))
    other.post(200, decision="refuse", reason="theirs")
    text = desk.post(409, decision="accept", reason="mine", seen=seen)
    assert "was changed by B. Ruiz" in text
    assert "theirs" in text
    told = json.loads(desk.get(f"/engineer/changes?since={before}"))
    assert told["pipes"]["0018"]["by"] == "B. Ruiz"
    # Of another pipe as well, though this page wrote in between without having looked.
    other.post(200, decision="hold", row=DEPOSIT, reason="wait")
    desk.post(200, decision="undo", reason="mine")
    desk.get(f"/engineer/changes?since={desk.live.version}")
    assert desk.state("0019") == "held"


class As:
    """Puts a person of a role before the page, as the guard does after a log-in."""

    def __init__(self, app: ASGIApp, role: str) -> None:
        self.app, self.role = app, role

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope["person"], scope["csrf"] = Person("R. Lund", self.role), "t"
        await self.app(scope, receive, send)


@pytest.mark.parametrize("role", ["reader", "planner", "estimator"])
def test_who_may_not_decide_sees_no_controls_and_can_post_nothing(desk: Desk, role: str) -> None:
    client = TestClient(As(desk.bare, role), base_url=URL)
    page = client.get("/engineer").text
    detail = client.get(f"/engineer/span/{ALONE}").text
    sign = client.get("/engineer/sign").text
    for text in (page, detail, sign):
        assert "hx-post" not in text.replace('hx-post="/read"', "")
        assert 'action="/engineer/sign"' not in text
        assert "<textarea" not in text
    form = {**ROW, "seen": "0", "decision": "accept"}
    for path in ("/engineer/decide", "/engineer/sign"):
        assert client.post(path, data=form).status_code == 403
    assert desk.stored() == []


def test_signing_freezes_what_was_seen_and_nothing_else(desk: Desk) -> None:
    """Without a reason, or on a list that others changed, nothing begins."""
    desk.post(200, decision="accept")
    assert "all is new" in desk.get("/engineer/sign")
    seen = desk.live.last_version("0018")
    for data, status, line in (
        ({"seen": str(seen), "reason": " "}, 422, "Say what the revision is for"),
        ({"seen": "0", "reason": "tender"}, 409, "somebody decided meanwhile"),
    ):
        answer = desk.client.post("/engineer/sign", data=data)
        assert answer.status_code == status
        assert line in answer.text
        assert desk.jobs.all() == []
    with pytest.raises(StoreError, match="decided meanwhile"):
        sign_run(lambda *_: None, str(desk.folder), USER, "2026-01-12", "tender", 0)
    lines = sign_run(lambda *_: None, str(desk.folder), USER, "2026-01-12", "tender", seen)
    assert lines[1].startswith(f"revision 1 signed by {USER} on 2026-01-12: 3 pipes")
    assert "revision 1 by E. Noor on 2026-01-12: tender" in desk.get("/engineer/sign")
    assert sign_off(desk.live).counts == {}
    desk.post(200, decision="refuse")
    state = sign_off(desk.live)
    assert (state.counts, state.seen) == ({"changed": 1}, seen + 1)
    assert [one["pipe_id"] for one in state.changes] == ["0018"]
    assert "refused" in state.changes[0]["now"]


def test_decisions_that_lost_their_span_stop_the_sign_off_and_are_named(
    desk: Desk, tmp_path: Path
) -> None:
    """The break that was decided is no longer in the survey."""
    desk.post(200, row=BREAK, decision="span", span_decision="watch", reason="stable")
    folder = Path(shutil.copytree(desk.folder, tmp_path / "town"))
    path = folder / "surveys.csv"
    path.write_text(re.sub(r"R1.*BAC.*\n", "", path.read_text("utf-8")), "utf-8")
    desk = Desk(folder)
    seen = sign_off(desk.live).seen
    text = desk.get("/engineer/sign")
    assert f"{BREAK} on pipe 0017" in html.unescape(text)
    answer = desk.client.post("/engineer/sign", data={"seen": str(seen), "reason": "tender"})
    assert answer.status_code == 422
    assert "Not signed" in answer.text
    assert desk.jobs.all() == []


def test_a_town_without_surveys_prices_or_photos_is_told_and_not_broken(tmp_path: Path) -> None:
    """No span at all; and spans that nobody can cost."""
    head = SURVEYS.splitlines()[0]
    bare = Desk(write_town(tmp_path / "bare", surveys_csv=head + "\n"))
    assert "No span: no damage was coded" in bare.get("/engineer")
    assert bare.client.get(f"/engineer/span/{CRACK}").status_code == 404
    assert "no pipe has a choice" in bare.get("/engineer/sign")
    poor = Desk(write_town(tmp_path / "poor", prices_toml="", planner_toml=PLAIN))
    assert "not costed" in poor.get("/engineer")
    assert "not in the media folder" in poor.get(f"/engineer/span/{CRACK}")
    assert poor.client.get("/photo?of=R1").status_code == 404


PLAIN = """
[project]
name = "Plain"
first_day = "2026-01-12"
[pipes]
file = "pipes.geojson"
columns = {size = "dn", stated_m = "len"}
[nodes]
file = "nodes.geojson"
[[inspections]]
file = "surveys.csv"
zero_at = "wall"
"""


def test_text_of_files_is_text_in_every_field(tmp_path: Path) -> None:
    """Markup, quotes and template signs around each name come back as they stand, escaped."""
    evil = Evil("\"'><b>", '</script><img src=x onerror="window.pwn=1">{{7*7}}')
    desk = Desk(write_evil(tmp_path / "evil", evil))
    page = desk.get("/engineer")
    assert spans_in(page)
    texts = [page, desk.get("/engineer/sign"), desk.get("/engineer/list?text=P1")]
    texts += [desk.get(f"/engineer/span/{one}") for one in spans_in(page)]
    for text in texts:
        assert "<img src=x" not in text
        assert "><b>" not in text.replace("<b>S</b>", "").replace("<b>?</b>", "")
        assert "49" not in re.findall(r">[^<]*onerror[^<]*<", text)
    assert any("onerror" in text for text in texts)
    form = {**ROW, "row": spans_in(page)[0], "seen": "0", "decision": "refuse"}
    answer = desk.client.post("/engineer/decide", data={**form, "reason": evil.of("why")})
    assert answer.status_code == 200
    assert "<img src=x" not in answer.text
    told = json.loads(desk.get("/engineer/changes?since=0"))
    assert "<img src=x" not in told["rows"]
    body = desk.client.get("/engineer/map.json").content
    assert evil.of("P1") in json.loads(body)["pipes"]["id"]


def test_of_many_decisions_on_a_pipe_the_row_shows_the_last_and_names_the_log(desk: Desk) -> None:
    """33 decisions: the last 30 stand in the row, newest first; three more are in the log."""
    for number in range(33):
        desk.post(200, decision=("accept", "hold")[number % 2], reason=f"turn {number:02d}")
    page = desk.get(f"/engineer/span/{ALONE}")
    shown = re.findall(r"turn (\d\d)", page.partition("Decisions on the pipe")[2])
    assert shown == [f"{number:02d}" for number in range(32, 2, -1)]
    earlier = len(desk.live.decisions_on("0018")) - 30
    assert re.search(rf'{earlier} earlier ones: see the <a href="/log">', page)
