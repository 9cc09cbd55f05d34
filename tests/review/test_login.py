"""Log-in, sessions and log-out of the review page; the time is stated, nobody waits."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import urlencode

import pytest
from asgi_talk import FORM, Got, Page, talk

from planner.review import login as module
from planner.review import users as users_module
from planner.review.guard import guarded
from planner.review.listen import Listen
from planner.review.login import MOST_FAILURES, Failures
from planner.review.users import Users, add_user, remove_user, set_password

HOST = "town.example"
LISTEN = Listen(
    "10.0.0.5",
    443,
    cert=Path("cert"),
    key=Path("key"),
    public=((HOST, None),),
    login=True,
)
WORDS = {"Ann": ("engineer", "ann's own word"), "Bob": ("reader", "bob's own word")}


class Clock:
    """Says what a test sets; it begins when the tests were written, not at nought."""

    def __init__(self) -> None:
        self.now_s = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now_s


class Town:
    """The guarded page with two users, and a browser that keeps cookies."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "users.toml"
        for name, (role, word) in WORDS.items():
            add_user(self.path, name, role, word)
        self.clock = Clock()
        self.page = Page()
        self.guard = guarded(self.page, LISTEN, Users(self.path), clock=self.clock)
        self.jar: dict[str, str] = {}

    def ask(self, path: str = "/", method: str = "GET", **more) -> Got:
        headers = list(more.pop("headers", []))
        if self.jar:
            headers.append(("cookie", "; ".join(f"{k}={v}" for k, v in self.jar.items())))
        got = talk(self.guard, path, method, headers=headers, host=HOST, **more)
        for name, value in got.cookies().items():
            self.jar[name] = value
        self.jar = {name: value for name, value in self.jar.items() if value}
        return got

    def post(self, path: str, fields: dict[str, str], **more) -> Got:
        sent = [("origin", f"https://{HOST}"), ("content-type", FORM)]
        return self.ask(path, "POST", headers=sent, body=urlencode(fields).encode(), **more)

    def entry(self) -> str:
        return re.search(rb'name="token" value="([^"]+)"', self.ask("/login").body)[1].decode()

    def enter(self, name: str = "Ann", word: str | None = None, **more) -> Got:
        fields = {"name": name, "password": word or WORDS[name][1], "token": self.entry()}
        return self.post("/login", fields, **more)

    def inside(self) -> str:
        """Name and role of who is in, '' for nobody."""
        got = self.ask("/")
        return got.body.decode().rpartition("|")[0] if got.status == 200 else ""


@pytest.fixture
def quick(monkeypatch) -> list[str]:
    """A cheap hash in place of scrypt, which tells what it was asked for."""
    asked: list[str] = []

    def scrypt(password: str, salt: bytes) -> bytes:
        asked.append(password)
        return users_module.hashlib.sha256(salt + password.encode()).digest()

    monkeypatch.setattr(users_module, "_scrypt", scrypt)
    return asked


@pytest.fixture
def town(tmp_path, quick) -> Town:
    return Town(tmp_path)


def test_with_real_hashes_the_right_password_lets_in_and_a_wrong_one_does_not(tmp_path):
    town = Town(tmp_path)
    assert town.enter(word="bob's own word").status == 403
    assert town.inside() == ""
    assert town.enter().status == 303
    assert town.inside() == "Ann|engineer"


# --- before anybody is in ----------------------------------------------------------------------


def test_nothing_of_the_page_is_seen_before_the_login(town):
    for path in ("/", "/desk", "/photo/1", "/staticx", "/login/x"):
        got = town.ask(path)
        assert (got.status, got.one("location")) == (303, "/login")
    got = town.ask("/rows", headers=[("hx-request", "true")])
    assert (got.status, got.one("hx-redirect")) == (401, "/login")
    assert town.post("/edit", {"row": "1"}).status == 401
    assert town.post("/static/a.js", {"row": "1"}).status == 401
    assert not town.page.reached


def test_style_and_script_are_public_and_know_nobody(town):
    assert town.ask("/login.css").one("content-type").startswith("text/css")
    assert town.ask("/static/a.js").body == b"||"
    assert not town.page.reached[0]["person"].may("read")


def test_of_somebody_who_is_not_in_no_long_body_is_read(town):
    got = town.post("/edit", {"a": "x" * 100_000})
    assert (got.status, got.pieces_read) == (401, 0)
    assert town.post("/login", {"a": "x" * 100_000}).status == 413


def test_the_form_needs_nothing_from_outside_and_runs_no_script(town):
    page = town.ask("/login").body.decode()
    assert "<script" not in page
    assert "style=" not in page
    assert re.findall(r'(?:href|src|action)="([^"]*)"', page) == ["data:,", "/login.css", "/login"]


# --- logging in --------------------------------------------------------------------------------


def test_the_cookie_is_ours_alone(town):
    """RFC 6265bis: __Host- holds only with Secure, Path=/ and no Domain."""
    got = town.enter()
    (line,) = [one for one in got.all("set-cookie") if "-entry" not in one]
    name, _, rest = line.partition("=")
    value, *flags = rest.split("; ")
    assert name == "__Host-sleeveplan-443"
    assert sorted(flags) == ["HttpOnly", "Max-Age=43200", "Path=/", "SameSite=Strict", "Secure"]
    assert len(value) == 43  # 32 bytes in base64
    (entry,) = [one for one in got.all("set-cookie") if "-entry" in one]
    assert "Max-Age=0" in entry


def test_each_login_has_an_id_of_its_own_and_the_old_one_ends(town):
    """Whoever planted an id in a browser before the log-in knows nothing after it."""
    name = "__Host-sleeveplan-443"
    token, form = town.entry(), dict(town.jar)  # of a second window, open before
    town.jar[name] = planted = "p" * 43
    town.enter()
    first = town.jar[name]
    assert first != planted
    town.jar |= form
    town.post("/login", {"name": "Bob", "password": WORDS["Bob"][1], "token": token})
    assert town.jar[name] not in (first, planted)
    assert town.inside() == "Bob|reader"
    town.jar[name] = first
    assert town.inside() == ""


def test_each_session_has_a_token_of_its_own(town):
    town.enter()
    mine = town.ask("/").body.decode().rpartition("|")[2]
    town.jar.clear()
    town.enter()
    other = town.ask("/").body.decode().rpartition("|")[2]
    assert town.post("/edit", {"token": mine}).status == 403
    assert town.post("/edit", {"token": ""}).status == 403
    assert town.post("/edit", {"token": other}).status == 200


def test_who_only_reads_changes_nothing_but_may_leave(town):
    town.enter("Bob")
    token = town.ask("/").body.decode().rpartition("|")[2]
    assert town.post("/edit", {"token": token}).status == 403
    assert town.post("/logout", {"token": token}).status == 303


def test_the_login_form_has_a_token_too(town):
    """Without it another site could log somebody in as somebody else."""
    fields = {"name": "Ann", "password": WORDS["Ann"][1]}
    token = town.entry()
    assert town.post("/login", fields).status == 403
    assert town.post("/login", {**fields, "token": token[:-1] + "x"}).status == 403
    later = str(int(token.partition(".")[0]) + 1)
    assert town.post("/login", {**fields, "token": later + token[10:]}).status == 403
    kept, town.jar = town.jar, {}
    assert town.post("/login", {**fields, "token": token}).status == 403
    town.jar = kept
    assert town.post("/login", {**fields, "token": token}).status == 303


def test_a_form_left_open_for_an_hour_is_given_again(town, quick):
    fields = {"name": "Ann", "password": WORDS["Ann"][1], "token": town.entry()}
    town.clock.now_s += 3_600.0
    asked = len(quick)
    got = town.post("/login", fields)
    assert got.status == 403
    assert b"grown old" in got.body
    assert len(quick) == asked
    assert town.enter().status == 303


def test_known_and_unknown_names_are_answered_alike(town, quick):
    """Same status, same page but for token and name, same number of hashes."""
    pages, counts = [], []
    for name in ("Ann", "Eve"):
        asked = len(quick)
        got = town.enter(name, "a wrong word")
        counts.append(len(quick) - asked)
        pages.append(re.sub(rb'value="[^"]*"', b"", got.body))
        assert got.status == 403
    assert pages[0] == pages[1]
    assert counts == [1, 1]


def test_what_was_typed_comes_back_as_text(town):
    got = town.enter('"><script>alert(1)</script>', "a wrong word")
    assert b"<script" not in got.body
    assert b"&lt;script&gt;" in got.body


# --- the end of a session ----------------------------------------------------------------------


def test_a_session_ends_twelve_hours_after_the_login(town):
    """12 h = 43200 s, however busy it was meanwhile."""
    town.enter()
    for now_s in (21_600.0, 21_599.0):
        town.clock.now_s += now_s
        assert town.inside() == "Ann|engineer"
    town.clock.now_s += 1.0
    assert town.inside() == ""
    town.clock.now_s -= 10.0
    assert town.inside() == ""


def test_a_clock_set_back_ends_it_too(town):
    town.enter()
    town.clock.now_s -= 1.0
    assert town.inside() == ""


def test_logging_out_ends_it_here_and_on_the_server(town):
    town.enter()
    token = town.ask("/").body.decode().rpartition("|")[2]
    kept = dict(town.jar)
    assert town.post("/logout", {"token": "no"}).status == 403
    assert town.inside() == "Ann|engineer"
    assert town.ask("/logout").status == 200  # reading changes nothing; it is the page's to answer
    assert town.inside() == "Ann|engineer"
    got = town.post("/logout", {"token": token})
    assert (got.status, got.one("location")) == (303, "/login")
    assert town.jar == {}
    town.jar = kept
    assert town.inside() == ""


@pytest.mark.parametrize(
    "act",
    [
        lambda path: set_password(path, "Ann", "another word"),
        lambda path: remove_user(path, "Ann"),
        lambda path: path.chmod(0o644),
        lambda path: path.unlink(),
        lambda path: path.write_text(path.read_text().replace("engineer", "planner")),
    ],
)
def test_another_password_role_or_no_user_any_more_ends_it(town, act, capsys):
    town.enter()
    assert town.inside() == "Ann|engineer"
    act(town.path)
    assert town.inside() == ""
    assert town.enter("Bob").status in (303, 403)


def test_two_cookies_of_one_name_are_none(town):
    """A neighbouring site can add one, and nobody knows which of them is ours."""
    town.enter()
    line = "; ".join(f"{k}={v}" for k, v in town.jar.items())
    town.jar = {}
    assert town.ask("/", headers=[("cookie", line)]).status == 200
    assert town.ask("/", headers=[("cookie", f"{line}; {line}")]).status == 303
    assert town.ask("/", headers=[("cookie", line), ("cookie", line)]).status == 303


def test_sessions_take_bounded_memory(town, monkeypatch):
    """An eleventh of one person ends their first; past the bound of all the oldest goes."""
    jars = []
    for _ in range(11):
        town.jar = {}
        town.enter()
        jars.append(dict(town.jar))
    found = []
    for jar in jars:
        town.jar = jar
        found.append(town.inside() != "")
    assert found == [False] + [True] * 10
    monkeypatch.setattr(module, "_MOST_SESSIONS", 10)
    town.jar = {}
    town.enter("Bob")
    town.jar = jars[1]
    assert town.inside() == ""
    town.jar = jars[2]
    assert town.inside() == "Ann|engineer"


# --- guessing ----------------------------------------------------------------------------------


def test_ten_failures_a_minute_of_one_address(town, quick):
    for n in range(10):
        assert town.enter(f"Eve{n}", "a wrong word").status == 403
    asked = len(quick)
    got = town.enter()
    assert got.status == 429
    assert 1 <= int(got.one("retry-after")) <= 61
    assert len(quick) == asked
    assert town.enter(client="10.0.0.9").status == 303
    town.jar.clear()
    town.clock.now_s += 59.0
    assert town.enter().status == 429
    town.clock.now_s += 1.0
    assert town.enter().status == 303


@pytest.mark.parametrize("name", ["Ann", "Eve"])
def test_ten_failures_a_minute_of_one_name_known_or_not(town, name):
    for n in range(10):
        assert town.enter(name, "a wrong word", client=f"10.0.1.{n}").status == 403
    assert town.enter(name, "a wrong word", client="10.0.2.1").status == 429
    assert town.enter(name.upper(), "a wrong word", client="10.0.2.2").status == 429
    assert town.enter("Bob", client="10.0.2.1").status == 303


def test_one_network_of_ipv6_counts_as_one_address(town):
    for n in range(10):
        assert town.enter(f"Eve{n}", "a wrong word", client=f"2001:db8::{n}").status == 403
    assert town.enter(client="2001:db8::ffff:1").status == 429
    assert town.enter(client="2001:db8:0:1::1").status == 303


def test_what_succeeds_is_no_failure_and_forgives_none(town):
    for _ in range(12):
        assert town.enter().status == 303
        town.jar.clear()
    for _ in range(9):
        town.enter("Eve", "a wrong word")
    assert town.enter().status == 303
    town.jar.clear()
    assert town.enter("Eve", "a wrong word").status == 403
    assert town.enter().status == 429


def test_attempts_at_once_count_before_they_are_answered():
    """Each is counted as it begins, so that a hundred sent together are not all tried."""
    failures = Failures(Clock())
    begun = [failures.begin(["address x"]) for _ in range(100)]
    assert begun.count(0.0) == MOST_FAILURES


def test_failures_take_bounded_memory(monkeypatch):
    monkeypatch.setattr(module, "_MOST_KEYS", 4)
    clock = Clock()
    failures = Failures(clock)
    assert failures.begin(["a", "b"]) == 0.0
    clock.now_s += 30.0
    assert failures.begin(["c", "d"]) == 0.0
    assert failures.begin(["e", "f"]) == 60.0
    assert failures.begin(["c", "d"]) == 0.0
    clock.now_s += 30.0  # the first two are a minute old
    assert failures.begin(["e", "f"]) == 0.0
    assert len(failures._of) == 4
