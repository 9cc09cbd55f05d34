"""What every request of the review page must pass before the page sees it.

`guarded` puts around the page: limits of size and time, the closed list of hosts and origins,
the log-in, the token that each change must carry, and the headers of every answer. The page
itself finds ``scope["person"]`` (who it is) and ``scope["csrf"]`` (the token for its forms).
"""

from __future__ import annotations

import asyncio
import getpass
import hmac
import ipaddress
import json
import secrets
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from planner.errors import FileError, SettingsError
from planner.review import login as entrance
from planner.review.headers import Answer
from planner.review.listen import Listen
from planner.review.login import Clock, Login, Session
from planner.review.users import LOCAL, Person, Users, check_name

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
METHODS = SAFE | {"POST", "PUT", "PATCH", "DELETE"}
TOKEN_HEADER, TOKEN_FIELD = "x-token", "token"
URLENCODED, MULTIPART, JSON = (
    "application/x-www-form-urlencoded",
    "multipart/form-data",
    "application/json",
)
# What only a proxy adds. Where none was announced there is one nobody knows of, and behind it
# the whole world would be "this machine".
_FORWARDED = (
    "forwarded",
    "via",
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-real-ip",
)


@dataclass(frozen=True)
class Limits:
    """What a request may be at most."""

    body_bytes: int = 1_000_000
    url_bytes: int = 8_000
    head_bytes: int = 16_000
    headers: int = 100
    fields: int = 1_000
    files: int = 1
    body_s: float = 30.0


class Refused(Exception):  # noqa: N818 - it is the answer, not a fault of ours
    """A request that is not let through: status, one line, further headers."""

    def __init__(self, status: int, line: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(line)
        self.status = status
        self.headers = dict(headers or {})


def guarded(  # noqa: PLR0913 - the keywords are what tests and the command line state
    app: ASGIApp,
    listen: Listen,
    users: Users | None,
    *,
    clock: Clock = time.time,
    user: str | None = None,
    limits: Limits | None = None,
    public: tuple[str, ...] = ("/static/",),
) -> ASGIApp:
    """Put the guard around the page.

    Parameters
    ----------
    app
        The page. It finds in its scope ``person`` (`Person`) and ``csrf`` (text).
    listen
        Where it listens; see `planner.review.listen.listen_at`.
    users
        Who may log in; None only where no log-in is needed.
    clock
        Gives seconds; sessions end and failed log-ins are forgotten by it.
    user
        Who sits at this machine where nobody logs in; by default the name of the
        operating system's log-in.
    limits
        What a request may be at most.
    public
        What paths of the page may be read without a log-in begin with: style, script, fonts.

    Raises
    ------
    SettingsError
        If a log-in is needed and there are no users, or `user` is no name.
    """
    if not listen.login:
        name = check_name(getpass.getuser() if user is None else user)
        local = Session(Person(name, LOCAL), secrets.token_urlsafe(32), 0.0)
        return Guard(app, listen, local, limits or Limits(), public)
    if users is None:
        message = "the review page: a log-in is needed, and no users are given"
        raise SettingsError(message)
    return Guard(app, listen, Login(listen, users, clock), limits or Limits(), public)


class Guard:
    """The guard around one page; made by `guarded`."""

    def __init__(
        self,
        app: ASGIApp,
        listen: Listen,
        entry: Login | Session,
        limits: Limits,
        public: tuple[str, ...],
    ) -> None:
        self._app = app
        self._listen = listen
        self._login = entry if isinstance(entry, Login) else None
        self._local = entry if isinstance(entry, Session) else None
        self._limits = limits
        self._public = public

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, whatever comes."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await _close_socket(scope, receive, send)
            return
        answer = Answer(send, self._listen, scope, self._public)
        try:
            await self._pass(dict(scope), receive, answer)
        except Refused as no:
            line = PlainTextResponse(f"{no}\n", no.status, no.headers)
            await line(scope, receive, answer)
        except ClientDisconnect:
            return
        except Exception as error:  # noqa: BLE001 - whatever it is, it is told to the log alone
            await answer.fail(error)
        else:
            await answer.finish()

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        self._check_head(scope, headers)
        self._check_way(scope, headers)
        self._check_origin(scope, headers)
        body = await self._body(scope, headers, receive)
        fields = await self._fields(scope, headers, body)
        receive = _again(body, receive)
        response = await self._enter(scope, headers, fields)
        await (self._app if response is None else response)(scope, receive, send)

    def _check_head(self, scope: Scope, headers: Headers) -> None:
        """Refuse what is too long, and what no browser writes."""
        if scope["method"] not in METHODS:
            raise Refused(405, "No such method here.", {"Allow": ", ".join(sorted(METHODS))})
        raw = scope.get("raw_path") or scope["path"].encode("utf-8", "surrogatepass")
        if len(raw) + len(scope["query_string"]) > self._limits.url_bytes:
            raise Refused(414, f"The address is longer than {self._limits.url_bytes} bytes.")
        sizes = [len(name) + len(value) for name, value in headers.raw]
        if len(sizes) > self._limits.headers or sum(sizes) > self._limits.head_bytes:
            raise Refused(431, "The headers are too long or too many.")
        path = scope["path"]
        if not path.startswith("/") or not path.isprintable() or {".", ".."} & set(path.split("/")):
            raise Refused(400, "No such address.")
        if "upgrade" in headers:
            raise Refused(400, "This page speaks plain HTTP; it upgrades to nothing.")

    def _check_way(self, scope: Scope, headers: Headers) -> None:
        """Tell by which way it came; behind a proxy take scheme and address from it alone."""
        if not self._listen.behind_proxy:
            if self._login is None and any(name in headers for name in _FORWARDED):
                raise Refused(
                    400, "It came by a proxy; start the page with --behind-proxy for that."
                )
            return
        proxies = self._listen.proxies
        if _address(scope["client"][0] if scope.get("client") else "") not in proxies:
            raise Refused(403, "This page is reached through its proxy alone.")
        if _one(headers, "x-forwarded-proto") != "https":
            raise Refused(
                403, "The proxy must serve it over https and say so in X-Forwarded-Proto."
            )
        chain = ",".join(headers.getlist("x-forwarded-for")).split(",")
        outside = [found for one in chain if (found := _address(one.strip())) not in proxies]
        # The last is the one that our proxy saw itself; whatever stands before it is hearsay.
        if not outside or not outside[-1]:
            raise Refused(403, "The proxy must name the client's address in X-Forwarded-For.")
        scope["scheme"] = "https"
        scope["client"] = (outside[-1], 0)

    def _check_origin(self, scope: Scope, headers: Headers) -> None:
        """Refuse what was sent by a page of another place, or to a name that is not ours."""
        host = (_one(headers, "host") or "").lower()
        if not host:
            raise Refused(400, "The request names no host.")
        if host not in self._listen.hosts:
            raise Refused(421, "This page is not reached by that name.")
        safe = scope["method"] in SAFE
        site = _one(headers, "sec-fetch-site")
        if site not in (None, "same-origin") and not (safe and site == "none"):
            raise Refused(403, "This came from another site; open the page by its own address.")
        if safe:
            return
        told = _one(headers, "origin")
        if told is None:
            parts = _split(_one(headers, "referer") or "")
            told = f"{parts[0]}://{parts[1]}"
        if _usual(told) != _usual(f"{self._listen.scheme}://{host}"):
            raise Refused(403, "A change must come from this page itself.")

    async def _body(self, scope: Scope, headers: Headers, receive: Receive) -> bytes:
        """Read the whole body, counting it: nothing longer than the limit is ever kept."""
        most = self._limits.body_bytes
        told = _one(headers, "content-length") or "0"
        close = {"Connection": "close"}
        if not (told.isascii() and told.isdigit()):
            raise Refused(400, "The length of the body is no number.", close)
        if scope["method"] in SAFE:
            if int(told[:20]) or "transfer-encoding" in headers:
                raise Refused(400, f"{scope['method']} carries no body.", close)
            return b""
        too_long = Refused(413, f"The body is longer than {most} bytes.", close)
        if len(told) > 20 or int(told) > most:
            raise too_long
        body = bytearray()
        try:
            async with asyncio.timeout(self._limits.body_s):
                while True:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        raise ClientDisconnect
                    body += message.get("body", b"")
                    if len(body) > most:
                        raise too_long
                    if not message.get("more_body", False):
                        return bytes(body)
        except TimeoutError:
            raise Refused(408, "The body took too long.", close) from None

    async def _fields(self, scope: Scope, headers: Headers, body: bytes) -> dict[str, str]:
        """Give the text fields of a form, each name that stands once; hold JSON to be JSON."""
        if not body:
            return {}
        kind = (_one(headers, "content-type") or "").partition(";")[0].strip().lower()
        if kind not in (URLENCODED, MULTIPART, JSON) or "content-encoding" in headers:
            raise Refused(415, f"The body must be {URLENCODED}, {MULTIPART} or {JSON}.")
        if kind == JSON:
            _check_json(body)
            return {}
        request = Request(scope, _again(body, _gone))
        try:
            async with request.form(
                max_files=self._limits.files,
                max_fields=self._limits.fields,
                max_part_size=self._limits.body_bytes,
            ) as form:
                pairs = form.multi_items()
        except (MultiPartException, HTTPException, ValueError, LookupError) as error:
            raise Refused(400, f"The form cannot be read: {_line_of(error)}") from None
        names = [name for name, _ in pairs]
        if any("\ufffd" in text for pair in pairs for text in pair if isinstance(text, str)):
            raise Refused(400, "The form cannot be read: its text is no UTF-8.")
        return {
            name: value
            for name, value in pairs
            if isinstance(value, str) and names.count(name) == 1
        }

    async def _enter(
        self, scope: Scope, headers: Headers, fields: Mapping[str, str]
    ) -> Response | None:
        """Tell the page who it is; or give the answer of the log-in, which the page never sees."""
        path, safe = scope["path"], scope["method"] in SAFE
        cookies = _cookies(headers)
        session = self._local or self._find(cookies)
        if self._login is not None and safe and path == entrance.STYLE:
            return entrance.style()
        if self._login is not None and path == entrance.LOGIN:
            if safe:
                return self._login.page(cookies)
            return await self._login.enter(cookies, fields, scope["client"][0])
        if session is None:
            if not (safe and path.startswith(self._public)):
                return _turned_away(headers, safe=safe)
            session = Session(Person("", ""), "", 0.0)
        elif not safe:
            self._check_token(session, headers, fields)
        if path == entrance.LOGOUT and not safe:
            return RedirectResponse("/", 303) if self._login is None else self._login.leave(cookies)
        scope["person"], scope["csrf"] = session.person, session.csrf
        return None

    def _find(self, cookies: Mapping[str, str]) -> Session | None:
        if self._login is None:
            return None
        try:
            return self._login.sessions.find(cookies.get(self._listen.cookie))
        except FileError as error:
            sys.stderr.write(f"review: {error}; nobody is let in\n")
            return None

    def _check_token(self, session: Session, headers: Headers, fields: Mapping[str, str]) -> None:
        sent = _one(headers, TOKEN_HEADER)
        sent = fields.get(TOKEN_FIELD, "") if sent is None else sent
        if not hmac.compare_digest(sent.encode("utf-8", "surrogatepass"), session.csrf.encode()):
            raise Refused(403, "The page is older than its session; load it again.")


def _turned_away(headers: Headers, *, safe: bool) -> Response:
    if "hx-request" in headers:
        # htmx would put a redirect's page into the middle of the old one.
        return PlainTextResponse("Please log in.\n", 401, {"HX-Redirect": entrance.LOGIN})
    if safe:
        return RedirectResponse(entrance.LOGIN, 303)
    return PlainTextResponse("Please log in.\n", 401)


def _one(headers: Headers, name: str) -> str | None:
    """Give the header that may stand once; of two, one of us would believe the wrong one."""
    found = headers.getlist(name)
    if len(found) > 1:
        raise Refused(400, f"The header {name} stands more than once.")
    return found[0] if found else None


def _cookies(headers: Headers) -> dict[str, str]:
    """Give the cookies that stand once: of two of a name nobody knows which is ours."""
    pairs = [
        (name.strip(), value.strip())
        for line in headers.getlist("cookie")
        for name, _, value in (part.partition("=") for part in line.split(";"))
    ]
    names = [name for name, _ in pairs]
    return {name: value for name, value in pairs if names.count(name) == 1}


def _address(text: str) -> str:
    """Spell an address in one way; '' where it is none."""
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        return ""
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return str(mapped or found)


def _split(url: str) -> tuple[str, str]:
    try:
        parts = urlsplit(url)
    except ValueError:
        return "", ""
    return parts.scheme, parts.netloc


def _usual(origin: str) -> str:
    """Leave away the port that goes without saying, as browsers do."""
    scheme, _, place = origin.lower().partition("://")
    usual = {"http": ":80", "https": ":443"}.get(scheme)
    return f"{scheme}://{place.removesuffix(usual) if usual else place}"


def _check_json(body: bytes) -> None:
    def refuse(constant: str) -> NoReturn:
        message = f"{constant} is no JSON"
        raise ValueError(message)

    try:
        # Written again, because half a pair of signs is read but can be stored nowhere.
        json.dumps(json.loads(body, parse_constant=refuse), ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise Refused(400, f"The body is no JSON: {_line_of(error)}") from None


def _line_of(error: Exception) -> str:
    text = error.detail if isinstance(error, HTTPException) else str(error)
    return "".join(sign if sign.isprintable() else " " for sign in text)[:200]


def _again(body: bytes, receive: Receive) -> Receive:
    """Hand out the body that was read, then whatever comes after it."""
    given = False

    async def once_more() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return once_more


async def _gone() -> Message:
    return {"type": "http.disconnect"}


async def _close_socket(scope: Scope, receive: Receive, send: Send) -> None:
    """Refuse a web socket; whatever else there may be is left unanswered."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
