"""What attacks on the page found, and what they must never find: `tests.fuzz_page` tells how.

Each request here once broke the page, wrote what it had refused, or could have; nothing here
is what a browser with our pages in it would send.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode

import pytest
from asgi_talk import FORM, ORIGIN, Got, talk
from evil_project import Evil, write_evil, write_form
from starlette.routing import Route

from planner.folder import accept_form, run_project
from planner.review.body import Limits
from planner.review.guard import Guard, guarded
from planner.review.headers import POLICY
from planner.review.listen import listen_at
from planner.review.live import Live
from planner.review.login import Session
from planner.review.users import ROLES, Person
from planner.store import geopackage
from planner.store.chosen import STORE
from tests.desk_town import keep_tables
from tests.engineer_town import write_town
from tests.fuzz import attempt
from tests.fuzz_page import Idle, Town, make_app, requests_of

DATA = Path(__file__).resolve().parents[2] / "planner" / "data"
HOLD = {"row": "D-000001", "seen": "1", "opened": "yes", "reason": "so", "decision": "hold"}
PROMISE = {"setup": "U-000001", "panel": "yes", "run": "0001", "seen": "0", "reason": "so",
           "change": "promise", "promise_on": "2026-01-14"}  # fmt: skip
PRICE = {"price_id": "a", "seen": "0", "reason": "dearer", "each_cents": "12.50",
         "extra_cents_per_m": "1", "least_cents": "0"}  # fmt: skip
DONE = {"work": "W-000001", "kind": "done", "at": "2026-01-12T08:30", "crew": "North",
        "setup": "U-000001"}  # fmt: skip


@pytest.fixture(scope="module")
def kept(desk_town, tmp_path_factory):
    """A page that refuses all it is sent here, so that one is enough."""
    return Town(desk_town, tmp_path_factory.mktemp("kept") / "town")


@pytest.fixture
def town(desk_town, tmp_path):
    return Town(desk_town, tmp_path / "town")


def get(town: Town, url: str) -> Got:
    path, _, query = url.partition("?")
    return talk(town.app, path, query=query)


def post(town: Town, path: str, fields: dict[str, str], **more) -> Got:
    headers = [("content-type", more.pop("kind", FORM)), ("origin", ORIGIN)]
    headers.append(("x-token", town.token))
    body = more.pop("body", urlencode(fields).encode())
    return talk(town.app, path, "POST", headers=headers, body=body)


def one_line(got: Got, status: int) -> str:
    assert got.status == status, got.body
    assert got.one("content-type").startswith("text/plain")
    assert re.fullmatch(rb"[^\r\n]+\n", got.body)
    return got.body.decode()


# --- odd requests --------------------------------------------------------------------------------


def test_damaged_requests_end_as_every_request_must(desk_town, tmp_path):
    """Each once; for more run ``python -m tests.fuzz --only page --seconds 600``."""
    said = [attempt(one, 1) for one in requests_of(tmp_path, desk_town)]
    assert [line for line in said if line] == []


@pytest.mark.parametrize(
    "url",
    [f"/log?before={'9' * 5_000}", f"/engineer/changes?since={'9' * 5_000}",
     f"/estimator/prices/news?edit={'9' * 5_000}&seen=0", "/log?before=\u0663"],
)  # fmt: skip
def test_a_number_too_long_to_be_ours_is_none(kept, url):
    """Python reads no more than 4,300 figures as one number, and says so by an error."""
    assert get(kept, url).status == 200


def test_what_was_never_there_was_not_seen(kept):
    """A number above all there are comes from another store, such as one put back since."""
    before = kept.rows()
    for path, fields in (
        ("/planner/change", PROMISE), ("/estimator/prices", PRICE), ("/engineer/decide", HOLD),
    ):  # fmt: skip
        assert post(kept, path, {**fields, "seen": "99"}).status == 409, path
    for seen in ("9" * 5_000, "-1", "\u0661", "1e1", ""):
        assert post(kept, "/engineer/decide", {**HOLD, "seen": seen}).status == 422
        assert post(kept, "/planner/change", {**PROMISE, "seen": seen, "run": "1"}).status == 409
        short = {**PRICE, "seen": seen, "each_cents": "dear"}
        assert post(kept, "/estimator/prices", short).status == 422
    assert kept.rows() == before


def test_long_work_is_named_by_a_number(kept):
    for number in ("9" * 5_000, "x", "-1", "\u0661"):
        assert post(kept, f"/jobs/{number}/cancel", {}).status == 200


def test_a_form_in_another_character_set_is_refused(kept):
    """UTF-7 (RFC 2152) can write half a pair of signs, ``+2AA-`` = U+D800: no store holds it."""
    part = b'--e\r\ncontent-disposition: form-data; name="reason"\r\n\r\n%s\r\n--e--\r\n'
    kind = "multipart/form-data; boundary=e"
    for charset in ("utf-7", "unicode_escape", "punycode", "latin-1"):
        told = post(kept, "/planner/change", {}, kind=f"{kind}; charset={charset}",
                    body=part % b"+2AA-")  # fmt: skip
        one_line(told, 415)
    one_line(post(kept, "/planner/change", {}, kind=kind, body=part % b"caf\xe9"), 400)
    assert post(kept, "/planner/change", {}, kind=kind, body=part % b"ok").status == 409


@pytest.mark.parametrize("sign", ["\x00", "\x1b", "\x08"])
def test_signs_that_are_no_text_are_not_taken_in(kept, sign):
    for path, fields in (("/engineer/decide", HOLD), ("/planner/report", DONE)):
        one_line(post(kept, path, {**fields, "reason": f"a{sign}b"}), 400)


def test_a_file_is_no_text(town):
    """A file in the place of a reason was once written into the log by its name in Python."""
    parts = [f'--e\r\ncontent-disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
             for name, value in PRICE.items() if name != "reason"]  # fmt: skip
    parts.append('--e\r\ncontent-disposition: form-data; name="reason"; filename="a"\r\n\r\nx\r\n')
    body = ("".join(parts) + "--e--\r\n").encode()
    told = post(town, "/estimator/prices", {}, kind="multipart/form-data; boundary=e", body=body)
    assert told.status == 422
    assert town.live.store.read_price_edits().empty


def test_a_report_is_taken_whole_or_not_at_all(town):
    """The work is sound, what was measured is not: were the work taken, who sees 422 errs."""
    before = town.rows()
    wrong = {**DONE, "inside_mm": "199", "meant_from_m": "x", "meant_to_m": "2", "pipe_id": "P0"}
    assert post(town, "/planner/report", wrong).status == 422
    assert town.rows() == before
    assert post(town, "/planner/report", DONE).status == 200
    assert town.rows()["events"] == before.get("events", 0) + 1


def test_texts_are_bounded_by_the_server_too(kept):
    """Limits in a form bind nobody who writes requests by hand, and the log shows all texts."""
    for path, fields, name in (
        ("/planner/report", DONE, "note"), ("/planner/change", PROMISE, "reason"),
        ("/engineer/decide", HOLD, "reason"), ("/estimator/prices", PRICE, "reason"),
        ("/estimator/prices", PRICE, "each_cents"),
        ("/engineer/sign", {"seen": "6", "reason": ""}, "reason"),
    ):  # fmt: skip
        before = kept.rows()
        assert post(kept, path, {**fields, name: "1" * 1_001}).status == 422, path
        assert kept.rows() == before


# --- roles ---------------------------------------------------------------------------------------

ANY = {"engineer", "planner", "estimator"}
MAY = {
    "/engineer/decide": {"engineer"}, "/engineer/sign": {"engineer"},
    **{f"/planner/{name}": {"planner"} for name in (
        "move", "change", "report", "plan", "replan", "keep", "accept", "leave")},
    "/estimator/prices": {"estimator"}, "/read": ANY, "/jobs/{number}/cancel": ANY,
}  # fmt: skip


def test_each_address_that_writes_lets_in_its_roles_alone(town):
    """A new one that stands not in the table fails here: say who may."""
    app = town.as_role.app
    writes = {
        route.path
        for route in app.routes
        if isinstance(route, Route) and set(route.methods or ()) - {"GET", "HEAD"}
    }
    assert writes == set(MAY)
    assert all(type(route) is Route for route in app.routes)
    before = town.rows()
    for role in ROLES:
        session = Session(Person("Ann", role), "t", 0.0)
        page = Guard(app, listen_at(folder=Path()), session, Limits(), ("/static/",))
        for path, roles in MAY.items():
            head = [("origin", ORIGIN), ("x-token", "t"), ("content-type", FORM)]
            got = talk(page, path.format(number=1), "POST", headers=head, body=b"a=b")
            assert (got.status == 403) is (role not in roles), (role, path, got.status)
    assert town.rows() == before


# --- files, links, a store that fails ------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/static/../settings.toml", "/static/..\\settings.toml", "/static//etc/passwd",
     "/static/review/icon.svg\x00", "/static/%2e%2e/settings.toml", "/engineer/span/../../x",
     "/planner/stop/..", "/static/review", "/static/", "/engineer/span/\\..\\x"],
)  # fmt: skip
def test_no_path_leads_anywhere_else(kept, path):
    one_line(get(kept, path), 404 if ".." not in path.split("/") and "\x00" not in path else 400)


def test_a_link_in_the_place_of_the_media_folder_is_not_followed(tmp_path):
    """The folder was read, then replaced before the first photo was asked for."""
    folder = write_town(tmp_path / "town")
    live = Live.open(folder)
    shutil.move(folder / "media", tmp_path / "outside")
    (folder / "media").symlink_to(tmp_path / "outside")
    rows = live.inputs.observations
    name = str(rows.loc[(rows["photo"] == "p1.png").to_numpy(bool), "observation_id"].iloc[0])
    for status in (404, 200):
        page = guarded(make_app(live, Idle()), listen_at(folder=folder), None, user="Ann")
        assert talk(page, "/photo", query=f"of={name}").status == status
        if status == 404:
            (folder / "media").unlink()
            shutil.move(tmp_path / "outside", folder / "media")


def test_a_run_that_became_a_link_is_no_run(town, tmp_path):
    folder = town.live.folder
    shutil.move(folder / "out" / "0001", tmp_path / "0001")
    (folder / "out" / "0001").symlink_to(tmp_path / "0001")
    assert get(town, "/planner/map").body == b'{"routes":[]}'
    one_line(get(town, "/estimator/files/week.csv"), 404)


def test_a_table_that_became_a_link_out_is_told_in_one_line(town):
    table = town.live.folder / "out" / "0001" / "tables" / "visits.csv"
    table.unlink()
    table.symlink_to("/etc/passwd")
    assert "is a link out of" in one_line(get(town, "/planner/map"), 503)
    before = town.rows()
    one_line(post(town, "/planner/report", DONE), 503)
    assert town.rows() == before


def test_a_store_in_use_is_one_line_and_the_page_goes_on(town, monkeypatch):
    for waits in (geopackage.transaction.__wrapped__, geopackage.read_tables):
        monkeypatch.setitem(waits.__kwdefaults__, "busy_s", 0.05)
    with closing(sqlite3.connect(town.live.folder / STORE)) as other:
        other.execute("BEGIN EXCLUSIVE")
        for path, fields in (("/planner/change", PROMISE), ("/estimator/prices", PRICE)):
            assert "in use by another program" in one_line(post(town, path, fields), 503)
        told = post(town, "/engineer/decide", HOLD)
        assert (told.status, b"in use by another program" in told.body) == (422, True)
        assert get(town, "/engineer").status == get(town, "/status").status == 200
        other.rollback()
    assert post(town, "/engineer/decide", HOLD).status == 200


def test_a_store_that_was_put_back_is_told_and_takes_nothing_until_it_is_read(town):
    """Its numbers are given anew, so what is in memory and what is in it would mix."""
    folder = town.live.folder
    copy = (folder / STORE).read_bytes()
    assert post(town, "/engineer/decide", HOLD).status == 200
    (folder / STORE).write_bytes(copy)
    assert b"was put back or replaced" in get(town, "/status").body
    before = town.rows()
    told = post(town, "/engineer/decide", {**HOLD, "seen": "4"})
    assert (told.status, b"was put back or replaced" in told.body) == (422, True)
    assert town.rows() == before
    town.live.read_anew()
    assert b"put back" not in get(town, "/status").body
    assert post(town, "/engineer/decide", {**HOLD, "seen": "1"}).status == 200


def test_a_folder_that_went_away_breaks_nothing(town):
    shutil.rmtree(town.live.folder)
    for url in ("/engineer", "/engineer/span/D-000001", "/planner", "/status", "/planner/week"):
        assert get(town, url).status in (200, 204), url
    for path, fields in (("/estimator/prices", PRICE), ("/planner/report", DONE)):
        one_line(post(town, path, fields), 503)
    assert not os.path.lexists(town.live.folder)


# --- what a page may hold ------------------------------------------------------------------------


class Held(HTMLParser):
    """Notes what the content policy would block, what leads away, and where to go on."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.wrong: list[str] = []
        self.links: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        for name, value in given.items():
            runs = name.startswith(("on", "hx-on")) or name in ("style", "srcdoc")
            leads = name in ("href", "src", "action", "formaction", "hx-get", "hx-post", "data")
            away = leads and not re.match(r"(/(?!/)|#|\?|data:,$|$)", value)
            if runs or away or value.lstrip().lower().startswith("javascript:"):
                self.wrong.append(f"<{tag} {name}={value!r}>")
            if name in ("href", "hx-get") and value.startswith("/"):
                self.links.add(value.partition("#")[0])
        inside = tag in ("style", "base", "iframe", "object", "embed", "img-x")
        if inside or (tag == "script" and "src" not in given):
            self.wrong.append(f"<{tag}>")


def test_no_template_holds_what_the_policy_blocks():
    """Before they are filled: an attribute that is made by a condition may show on no page here."""
    for path in sorted((DATA / "review").glob("*.html")):
        found = Held(re.sub(r"\{%.*?%\}", " ", path.read_text("utf-8"), flags=re.DOTALL))
        wrong = [one for one in found.wrong if "{{" not in one]
        assert wrong == [], path.name
        assert "|safe" not in path.read_text("utf-8").replace(" ", "")
    for path in [*(DATA / "web" / "review").iterdir(), DATA / "review" / "login.css"]:
        text = path.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|//[a-z]+\.|@import|\beval\(|new Function|document\.write",
                             text), path.name  # fmt: skip


@pytest.fixture(scope="module")
def evil_page(tmp_path_factory):
    """A planned town each of whose names is markup that would run."""
    evil = Evil("\u202e\"'>", "</script><img-x src=x onerror='pwn()'>{{7*7}}")
    folder = write_evil(tmp_path_factory.mktemp("evil"), evil)
    accept_form(folder, write_form(folder, evil))
    keep_tables(folder, run_project(folder), "0001")
    return guarded(make_app(Live.open(folder), Idle()), listen_at(folder=folder), None, user="Ann")


def test_no_text_of_the_data_becomes_markup(evil_page):
    """All pages and fragments that lead from one to the next, and those that a script asks for."""
    from tests.fuzz_page import GETS

    due, done, wrong = list(GETS), set(), []
    while due and len(done) < 150:
        url = due.pop(0)
        done.add(url)
        path, _, query = url.partition("?")
        got = talk(evil_page, re.sub("%([0-9A-F]{2})", _sign, path), query=query)
        assert got.status < 500, (url, got.body)
        assert POLICY in got.all("content-security-policy")
        kinds = got.all("content-type")
        if kinds and kinds[0].startswith("text/html"):
            held = Held(got.body.decode())
            wrong += [f"{url}: {one}" for one in held.wrong]
            due += sorted(link for link in held.links - done if link not in due)
    assert wrong == []
    assert len(done) > len(GETS)


def _sign(found: re.Match[str]) -> str:
    return chr(int(found[1], 16))
