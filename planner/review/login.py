"""Log-in and log-out of the review page, its sessions, and what slows guessing down."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import secrets
import unicodedata
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import jinja2
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response

from planner.errors import FileError
from planner.review.listen import Listen
from planner.review.users import MOST_SIGNS, Person, User, Users

Clock = Callable[[], float]

LOGIN, LOGOUT, STYLE = "/login", "/logout", "/login.css"
SESSION_S = 12 * 3600.0
ENTRY_S = 3600.0
WINDOW_S = 60.0
MOST_FAILURES = 10
_MOST_KEYS = 10_000
_MOST_SESSIONS, _MOST_OF_ONE = 1_000, 10
# Hashes made at once, and how many may wait for it: each takes 32 MiB and about 0.1 s.
_AT_ONCE, _WAITING = 2, 20
_WRONG = "Name and password do not go together."
_OLD = "This page had grown old. Please try again."


@dataclass(frozen=True)
class Session:
    """One person who is in, from log-in to log-out."""

    person: Person
    csrf: str
    made_s: float
    # The user's hash at log-in: another password, or no such user any more, ends the session.
    hash: str = ""


class Sessions:
    """Who is in: kept by the hash of the cookie, in this process alone."""

    def __init__(self, users: Users, clock: Clock) -> None:
        self._users = users
        self._clock = clock
        self._open: dict[str, Session] = {}

    def begin(self, user: User) -> str:
        """Let a user in; give the cookie's value, which is made here and nowhere else."""
        self._sweep()
        own = [key for key, one in self._open.items() if one.person.name == user.name]
        for key in own[: max(0, len(own) + 1 - _MOST_OF_ONE)]:
            del self._open[key]
        while len(self._open) >= _MOST_SESSIONS:
            del self._open[next(iter(self._open))]
        value = secrets.token_urlsafe(32)
        person = Person(user.name, user.role)
        session = Session(person, secrets.token_urlsafe(32), self._clock(), user.hash)
        self._open[_digest(value)] = session
        return value

    def find(self, value: str | None) -> Session | None:
        """Give the session of a cookie; None where it has ended, or never was.

        Raises
        ------
        FileError
            If the users file cannot be read any more.
        """
        if value is None or (session := self._open.get(_digest(value))) is None:
            return None
        user = self._users.get(session.person.name)
        same = user is not None and (user.hash, user.role) == (session.hash, session.person.role)
        if not same or not 0 <= self._clock() - session.made_s < SESSION_S:
            self.end(value)
            return None
        return session

    def end(self, value: str | None) -> None:
        """End the session of a cookie, if there is one."""
        if value is not None:
            self._open.pop(_digest(value), None)

    def _sweep(self) -> None:
        now = self._clock()
        self._open = {
            key: one for key, one in self._open.items() if 0 <= now - one.made_s < SESSION_S
        }


class Failures:
    """Failed log-ins of the last minute, by address and by name, in bounded memory."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._of: dict[str, deque[float]] = {}

    def begin(self, keys: Iterable[str]) -> float:
        """Count an attempt as failed before it is made, so that attempts at once count too.

        Parameters
        ----------
        keys
            What it is counted under.

        Returns
        -------
        float
            0 if it may be made; else the seconds to wait, and nothing is counted.
        """
        now = self._clock()
        keys = list(keys)
        waits = [self._wait(key, now) for key in keys]
        fresh = sum(key not in self._of for key in keys)
        if len(self._of) + fresh > _MOST_KEYS:
            for key in list(self._of):
                self._wait(key, now)
            fresh = sum(key not in self._of for key in keys)
            waits.append(WINDOW_S if len(self._of) + fresh > _MOST_KEYS else 0.0)
        if max(waits) == 0.0:
            for key in keys:
                self._of.setdefault(key, deque()).append(now)
        return max(waits)

    def forgive(self, keys: Iterable[str]) -> None:
        """Take back the last count under each key: the attempt was none that failed."""
        for key in keys:
            if stamps := self._of.get(key):
                stamps.pop()

    def _wait(self, key: str, now: float) -> float:
        stamps = self._of.get(key)
        if stamps is None:
            return 0.0
        while stamps and not 0 <= now - stamps[0] < WINDOW_S:
            stamps.popleft()
        if not stamps:
            del self._of[key]
        return 0.0 if len(stamps) < MOST_FAILURES else WINDOW_S - (now - stamps[0])


class Login:
    """The two pages without a session: log-in and log-out."""

    def __init__(self, listen: Listen, users: Users, clock: Clock) -> None:
        self.sessions = Sessions(users, clock)
        self._listen = listen
        self._users = users
        self._clock = clock
        self._failures = Failures(clock)
        self._secret = secrets.token_bytes(32)
        self._turn = asyncio.Semaphore(_AT_ONCE)
        self._waiting = 0

    def page(self, cookies: Mapping[str, str], *, inside: bool) -> Response:
        """Give the page with a form to log in by; who is in already goes on."""
        return RedirectResponse("/", 303) if inside else self._form(cookies, "", "", 200)

    async def enter(
        self, cookies: Mapping[str, str], fields: Mapping[str, str], address: str
    ) -> Response:
        """Let somebody in, or give the page again with what was wrong.

        Parameters
        ----------
        cookies
            Of the request.
        fields
            ``name``, ``password`` and ``token`` of the form.
        address
            Where it comes from; failures are counted under it and under the name.
        """
        name = unicodedata.normalize("NFC", fields.get("name", "").strip())[:64]
        password = fields.get("password", "")
        if not self._is_entry(cookies.get(self._entry, ""), fields.get("token", "")):
            return self._form(cookies, name, _OLD, 403)
        keys = (f"address {_place_of(address)}", f"name {_digest(name.casefold())}")
        wait_s = self._failures.begin(keys)
        if wait_s > 0 or self._waiting >= _WAITING:
            if wait_s == 0:
                self._failures.forgive(keys)
            return _too_many(wait_s)
        user = await self._verified(name, password)
        if user is None:
            return self._form(cookies, name, _WRONG, 403)
        self._failures.forgive(keys)
        self.sessions.end(cookies.get(self._listen.cookie))
        value = self.sessions.begin(user)
        answer = RedirectResponse("/", 303)
        self._set(answer, self._listen.cookie, value, int(SESSION_S))
        self._set(answer, self._entry, "", 0)
        return answer

    def leave(self, cookies: Mapping[str, str]) -> Response:
        """End the session; its cookie goes too."""
        self.sessions.end(cookies.get(self._listen.cookie))
        answer = RedirectResponse(LOGIN, 303)
        self._set(answer, self._listen.cookie, "", 0)
        return answer

    @property
    def _entry(self) -> str:
        return self._listen.cookie + "-entry"

    async def _verified(self, name: str, password: str) -> User | None:
        self._waiting += 1
        try:
            async with self._turn:
                return await asyncio.to_thread(self._users.verified, name, password)
        except FileError:
            return None  # the guard tells the log of it at each request
        finally:
            self._waiting -= 1

    def _form(self, cookies: Mapping[str, str], name: str, line: str, status: int) -> Response:
        entry = cookies.get(self._entry, "")
        fresh = entry if len(entry) == 43 else secrets.token_urlsafe(32)
        page = _template().render(
            token=self._token(fresh, int(self._clock())),
            name=name,
            line=line,
            most=MOST_SIGNS,
            action=LOGIN,
            style=STYLE,
        )
        answer = HTMLResponse(page, status)
        if fresh != entry:
            self._set(answer, self._entry, fresh, int(ENTRY_S))
        return answer

    def _token(self, entry: str, made_s: int) -> str:
        proof = hmac.new(self._secret, f"{made_s} {entry}".encode(), hashlib.sha256).hexdigest()
        return f"{made_s}.{proof}"

    def _is_entry(self, entry: str, token: str) -> bool:
        made, _, _ = token.partition(".")
        if not entry or not (made.isascii() and made.isdigit() and len(made) < 16):
            return False
        wanted = self._token(entry, int(made)).encode()
        fits = hmac.compare_digest(wanted, token.encode("utf-8", "surrogatepass"))
        return fits and -1 <= self._clock() - int(made) < ENTRY_S

    def _set(self, answer: Response, name: str, value: str, stays_s: int) -> None:
        text = f"{name}={value}; Max-Age={stays_s}{self._listen.cookie_flags}"
        answer.headers.append("set-cookie", text)


@cache
def style() -> Response:
    """Give the style of the log-in page, which is there before anybody is in."""
    text = resources.files("planner").joinpath("data/review/login.css").read_text("utf-8")
    return Response(text, media_type="text/css")


@cache
def _template() -> jinja2.Template:
    text = resources.files("planner").joinpath("data/review/login.html").read_text("utf-8")
    world = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    return world.from_string(text)


def _too_many(wait_s: float) -> Response:
    seconds = max(1, int(wait_s) + 1)
    line = f"Too many log-ins failed. Please wait {seconds} s.\n"
    return PlainTextResponse(line, 429, {"Retry-After": str(seconds)})


def _digest(value: str) -> str:
    return hashlib.sha256(value.encode("utf-8", "surrogatepass")).hexdigest()


def _place_of(address: str) -> str:
    """Count an IPv6 address by its network: one customer has 2**64 of them (RFC 6177)."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address[:64]
    if found.version == 6:
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
