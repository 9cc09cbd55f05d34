"""Requests that no browser of ours would write, to the guarded review page of a small town.

A request is a file of lines (what it asks, in which form, then its fields), damaged by
`tests.fuzz` like any other file; some of its values are then drawn from what pages fall over.
`python -m tests.fuzz --only page` sends them.
"""

from __future__ import annotations

import io
import random
import re
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, redirect_stderr
from functools import partial
from pathlib import Path
from urllib.parse import quote_from_bytes, unquote, urlencode

from starlette.types import ASGIApp, Receive, Scope, Send

from planner.review.app import make_app
from planner.review.guard import guarded
from planner.review.jobs import Job, Jobs, Work
from planner.review.listen import listen_at
from planner.review.live import Live
from planner.review.users import LOCAL, Person
from planner.store.chosen import STORE
from planner.store.decisions import STORE_TABLES
from tests.asgi_talk import FORM, ORIGIN, Got, talk

MOST_BYTES, MOST_S = 2_000_000, 30.0
MARK = b"<zq"
# The town is made new after so many requests, so that what was taken in does not pile up.
FRESH_AFTER = 400
ROLES = (LOCAL, LOCAL, LOCAL, "engineer", "planner", "estimator", "reader")
KINDS = (*["form"] * 9, *["multipart"] * 3, "file", "json", "utf-7", "plain")
VALUES = (
    b"", b" ", b"0", b"-1", b"9" * 5_000, b"99999999999999999999", b"9223372036854775807",
    "\u0663".encode(), "\u00b2".encode(), b"1e400", b"nan", b"inf", b"0x1", b"1_0", b"1,5",
    b"\x00", b"a\x00b", b"\xed\xa0\x80", b"\xff", "\u202e\ufeff".encode(), b"a\nb", b"\r\n", b"\t",
    b"9999-12-31", b"0001-01-01", b"2026-02-30", b"2026-W03-1", b"9999-12-31T23:59",
    b"0001-01-01T00:00", b"2026-01-12T24:00", b"2026-01-12|North", b"9999-12-31|North", b"|", b"||",
    MARK + b" onload=x>", b"\"'>" + MARK + b">", b"{{7*7}}", b"%s%n", b"=1+1", b"+", b"W-000001+",
    b"../../../etc/passwd", b"..%2f..%2f", b"/etc/passwd", b"C:\\x", b"*best", b"0001", b"x" * 900,
    b"U-000001", b"D-000001", b"P0", b"W-000001", b"a" * 600_000, b"on", b"yes", b"None", b"null",
)  # fmt: skip
GETS = (
    "/", "/log?before=5", "/status", "/static/review/icon.svg", "/login", "/favicon.ico",
    "/engineer?state==proposed&flag=close&sort=cost&text=p0", "/engineer/list?text=a&pipe=P1",
    "/engineer/more?after=D-000001", "/engineer/span/D-000001", "/engineer/changes?since=0",
    "/engineer/map.json", "/engineer/sign", "/photo?of=R0-2", "/planner", "/planner/week?have=1",
    "/planner/made", "/planner/stop/U-000001", "/planner/places/U-000001?day=2026-01-12|North",
    "/planner/map", "/planner/ground", "/planner/again", "/estimator", "/estimator/totals?seen=1",
    "/estimator/why?of=thing&kind=sleeve&item=a&unit=b", "/estimator/why?of=pipe&item=P0",
    "/estimator/why?of=line&item=sleeve&system=felt&price_id=a&note=",
    "/estimator/week?route=rest", "/estimator/week/figures?seen=2",
    "/estimator/week/why?of=net&level=route&key=1&item=a", "/estimator/prices",
    "/estimator/prices/form?price_id=a", "/estimator/prices/news?edit=1",
    "/estimator/drivers?of=likely", "/estimator/drivers/figures?of=x&seen=1",
    "/estimator/files/drivers.csv?of=likely", "/estimator/files/totals.csv",
    "/estimator/files/bill.csv", "/estimator/files/prices.csv", "/estimator/files/week.csv",
    "/estimator/files/totals.xlsx",
)  # fmt: skip
_SPAN = {"row": "D-000001", "seen": "?", "opened": "yes", "reason": "because"}
_STOP = {"setup": "U-000001", "panel": "yes", "run": "0001", "seen": "?", "reason": "so"}
_DAY = {"day": "2026-01-16|North", "after": "*best"}
_DONE = {"work": "W-000001", "at": "2026-01-12T08:30", "crew": "North", "setup": "U-000001"}
_MORE = {"inside_mm": "199", "meant_from_m": "1", "meant_to_m": "2", "pipe_id": "P0",
         "find_from_m": "12", "find_to_m": "13", "void_visible": "no", "used_kg": "1",
         "used_system": "felt", "used_lot": "L", "sets": "W-000001+W-000005", "dn_mm": "200",
         "length_m": "1.0", "lot": "L", "mass_kg": "2", "note": "drip"}  # fmt: skip
_MONEY = {"each_cents": "12.50", "extra_cents_per_m": "1", "least_cents": "0"}
POSTS: tuple[tuple[str, dict[str, str]], ...] = (
    ("/engineer/decide", {**_SPAN, "decision": "accept"}),
    ("/engineer/decide", {**_SPAN, "decision": "undo", "from": "list"}),
    ("/engineer/decide", {**_SPAN, "decision": "span", "span_decision": "limit",
                          "value": "allow-break.break_dn_ratio.ok = 0.2"}),
    ("/engineer/decide", {**_SPAN, "decision": "span", "span_decision": "place",
                          "value": "12.30 to 14.30"}),
    ("/engineer/sign", {"reason": "first", "seen": "?"}),
    ("/planner/change", {**_STOP, **_DAY, "change": "move"}),
    ("/planner/move", {**_STOP, **_DAY, "change": "lock"}),
    ("/planner/change", {**_STOP, "change": "promise", "promise_on": "2026-01-14"}),
    ("/planner/change", {**_STOP, "change": "defer", "not_before": "2026-01-14"}),
    ("/planner/change", {**_STOP, "change": "take_off"}),
    ("/planner/change", {**_STOP, "change": "as_planned"}),
    ("/planner/report", {**_DONE, **_MORE, "kind": "done"}),
    ("/planner/report", {**_DONE, "work": "W-000005", "kind": "failed",
                          "reason": "leaks", "note": "drip"}),
    ("/planner/report", {**_DONE, "kind": "deferred", "until": "2026-01-20",
                          "reason": "high_flow"}),
    ("/planner/plan", {}), ("/planner/replan", {"at": "2026-01-13T12:00"}), ("/planner/keep", {}),
    ("/planner/accept", {"run": "0002"}), ("/planner/leave", {"run": "0002"}),
    ("/estimator/prices", {"price_id": "a", "seen": "?", "reason": "dearer", **_MONEY}),
    ("/read", {}), ("/jobs/1/cancel", {}), ("/login", {"name": "a", "password": "b"}),
    ("/logout", {}),
)  # fmt: skip


class Idle(Jobs):
    """Takes long work and does none of it."""

    def start(
        self,
        title: str,
        by: str,
        work: Work,  # noqa: ARG002 - as of `Jobs`
        *args: object,  # noqa: ARG002
        then: Callable[[Job], None],  # noqa: ARG002
    ) -> Job | None:
        self._jobs = [Job(1, title, by, state="done", lines=["done"])]
        return self._jobs[0]


class AsRole:
    """Lets whoever the guard let in be of another role."""

    def __init__(self, app: ASGIApp) -> None:
        self.app, self.role = app, LOCAL

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self.app({**scope, "person": Person("Ann", self.role)}, receive, send)


class Town:
    """A planned town and its page, guarded; whole again after `FRESH_AFTER` requests."""

    def __init__(self, whole: Path, aside: Path) -> None:
        self._whole, self._aside, self._sent = whole, aside, 0
        self.fresh()

    def fresh(self) -> None:
        """Make it as it was in the beginning."""
        shutil.rmtree(self._aside, ignore_errors=True)
        shutil.copytree(self._whole, self._aside)
        self.live = Live.open(self._aside)
        self.as_role = AsRole(make_app(self.live, Idle()))
        listen = listen_at(folder=self._aside)
        self.app = guarded(self.as_role, listen, None, user="Ann")
        page = talk(self.app, "/engineer/sign").body.decode()
        self.token = page.split('name="token" value="', 1)[1].split('"', 1)[0]

    def rows(self) -> dict[str, int]:
        """Count what the store holds."""
        with closing(sqlite3.connect(self._aside / STORE)) as base:
            there = {name for (name,) in base.execute("SELECT name FROM sqlite_master")}
            names = [table.name for table in STORE_TABLES if table.name in there]
            return {n: base.execute(f'SELECT count(*) FROM "{n}"').fetchone()[0] for n in names}

    def seen(self, path: str, fields: dict[bytes, bytes]) -> bytes:
        """Give the number that a page which is not old would send."""
        name = fields.get(b"setup", b"").decode(errors="replace")
        if path.startswith("/planner"):
            edits = self.live.store.read_week_edits()
            own = edits[(edits["setup_id"] == name).to_numpy(bool)]["version"]
        elif path.startswith("/estimator"):
            own = self.live.store.read_price_edits()["version"]
        else:
            pipe = fields.get(b"row", b"D-000001").decode(errors="replace")
            own = self.live.decisions["version"]
            if not path.startswith("/engineer/sign"):  # D-000001 lies on P0, and so on
                named = self.live.decisions["pipe_id"] == f"P{ord(pipe[-1:] or '1') - ord('1')}"
                own = own[named.to_numpy(bool)]
        return str(int(own.max()) if len(own) else 0).encode()

    def strike(self, sound: bytes, path: Path) -> None:
        """Send the request of a damaged file; see that what must always hold does.

        As often the sound one is sent with values drawn for some of its own, which comes further.
        """
        self._sent += 1
        if self._sent % FRESH_AFTER == 0:
            self.fresh()
        raw = path.read_bytes()
        draw = random.Random(raw)
        raw = sound if draw.random() < 0.5 else raw
        head, _, rest = raw.partition(b"\n")
        method, _, target = head.partition(b" ")
        lines = [line.partition(b"=")[::2] for line in rest.split(b"\n") if line]
        fields = [(name, self._drawn(draw, value, dict(lines), target)) for name, value in lines]
        if draw.random() < (0.3 if method == b"GET" else 0.05):
            target = _spoilt(draw, target)
        self.as_role.role = draw.choice(ROLES)
        kind = draw.choice(KINDS)
        self.send(method.decode("latin-1").strip() or "GET", target, fields, kind)

    def _drawn(
        self, draw: random.Random, value: bytes, fields: dict[bytes, bytes], target: bytes
    ) -> bytes:
        if draw.random() < 0.15:
            return draw.choice(VALUES)
        if value == b"?":
            return self.seen(target.decode("latin-1"), fields)
        return value

    def send(self, method: str, target: bytes, fields: list[tuple[bytes, bytes]], kind: str) -> Got:
        """Send one request and hold its answer to what every answer must be."""
        url = quote_from_bytes(target, safe="/?=&%|+:;,@*~!$'()-._")
        path, _, query = url.partition("?")
        content, body = written(fields, kind)
        headers = [] if method in ("GET", "HEAD") else [("content-type", content)]
        headers += [("origin", ORIGIN), ("x-token", self.token)]
        before, began, told = self.rows(), time.monotonic(), io.StringIO()
        with redirect_stderr(told):
            got = talk(
                self.app, unquote(path), method, headers=headers, query=query,
                body=b"" if method in ("GET", "HEAD") else body,
            )  # fmt: skip
        took, shown = time.monotonic() - began, f"{method} {url[:300]} {kind} {body[:600]!r}"
        self.hold(got, shown, took, told.getvalue())
        if method in ("GET", "HEAD") or got.status >= 400:
            assert self.rows() == before, f"{shown}: {got.status}, and the store has changed"
        return got

    def hold(self, got: Got, shown: str, took: float, told: str) -> None:
        """Hold an answer to what every answer must be."""
        assert 200 <= got.status < 500, f"{shown}: {got.status}\n{told}"
        assert not told, f"{shown}: {told}"
        assert took < MOST_S, f"{shown}: {took:.1f} s"
        assert len(got.body) < MOST_BYTES, f"{shown}: {len(got.body)} bytes"
        assert b"Traceback" not in got.body, shown
        assert "default-src 'none'" in got.all("content-security-policy")[0], shown
        assert got.one("x-content-type-options") == "nosniff", shown
        kind = got.all("content-type")
        if got.status >= 400 and not got.body.lstrip().startswith(b"<"):
            assert kind[0].startswith("text/plain"), f"{shown}: {kind}"
            assert re.fullmatch(rb"[^\n\r]+\n", got.body), f"{shown}: {got.body[:300]!r}"
        if kind and kind[0].startswith("text/html"):
            assert MARK not in got.body, f"{shown}: markup comes back"


def _spoilt(draw: random.Random, target: bytes) -> bytes:
    """Put something odd into an address: into a value of its query, or into its path."""
    word = draw.choice(VALUES)[:6_000].replace(b"?", b"%3F").replace(b"\n", b"%0A")
    path, mark, query = target.partition(b"?")
    if mark and draw.random() < 0.7:
        name = draw.choice(query.split(b"&")).partition(b"=")[0]
        return path + b"?" + query + b"&" * draw.randint(1, 2) + name + b"=" + word
    parts = path.split(b"/")
    parts[draw.randrange(len(parts))] = word
    return b"/".join(parts) + mark + query


def written(fields: list[tuple[bytes, bytes]], kind: str) -> tuple[str, bytes]:
    """Write a body in one of several forms; give its content type too."""
    if kind in ("multipart", "file", "utf-7"):
        charset = "; charset=utf-7" if kind == "utf-7" else ""
        parts = []
        for at, (name, value) in enumerate(fields):
            shown = name.replace(b'"', b"").replace(b"\r", b"")
            as_file = b'; filename="a.txt"' if kind == "file" and at == len(fields) - 1 else b""
            told = b'content-disposition: form-data; name="' + shown + b'"' + as_file
            more = b"+2AA-" if kind == "utf-7" and at == 0 else b""
            parts.append(b"--edge\r\n" + told + b"\r\n\r\n" + value + more + b"\r\n")
        return f"multipart/form-data; boundary=edge{charset}", b"".join(parts) + b"--edge--\r\n"
    if kind == "json":
        return "application/json", b'{"row": "D-000001", "seen": [1e999], "reason": {"a": null}}'
    if kind == "plain":
        return "text/plain", b"row=D-000001"
    return FORM, urlencode(fields).encode()


def requests_of(
    folder: Path, whole: Path | None = None
) -> list[tuple[str, Path, Callable[[Path], None]]]:
    """Write each request as a file; they are sent to a copy of `whole`, or to a town made here."""
    from tests.desk_town import plan_desk_town

    whole = whole or plan_desk_town(folder / "whole", pipes=3)
    town = Town(whole, folder / "sent_to")
    made: list[tuple[str, Path, Callable[[Path], None]]] = []
    asked = [("GET", path, {}) for path in GETS] + [("POST", *one) for one in POSTS]
    for number, (method, target, fields) in enumerate(asked):
        path = folder / f"request_{number}"
        rows = [f"{method} {target}", *(f"{name}={value}" for name, value in fields.items())]
        path.write_text("\n".join(rows), "utf-8")
        strike = partial(town.strike, path.read_bytes())
        made.append((f"page {method} {target} {number}", path, strike))
    return made
