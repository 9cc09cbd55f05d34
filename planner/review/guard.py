"""What every request of the review page must pass before the page sees it.

`guarded` puts around the page: limits of size and time, the closed list of hosts and origins,
the log-in, the token that each change must carry, and the headers of every answer. The page
itself finds ``scope["person"]`` (who it is) and ``scope["csrf"]`` (the token for its forms).
"""

from __future__ import annotations

import getpass
import hmac
import ipaddress
import secrets
import sys
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from planner.errors import FileError, SettingsError
from planner.review import login as entrance
from planner.review.body import SAFE, Limits, Refused, again, one, read_body, read_fields
from planner.review.headers import Answer
from planner.review.listen import Listen
from planner.review.login import Clock, Login, Session
from planner.review.users import LOCAL, VERBS, Person, Users, check_name

# A log-in's form is far shorter; more is not read from somebody who is not in.
ENTRY_BYTES = 20_000
METHODS = SAFE | {"POST", "PUT", "PATCH", "DELETE"}
TOKEN_HEADER, TOKEN_FIELD = "x-token", "token"
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
        cookies = _cookies(headers)
        session = self._local or self._find(cookies)
        response = self._without_body(scope, headers, cookies, session)
        if response is None:
            limits = self._limits if session else replace(self._limits, body_bytes=ENTRY_BYTES)
            body = await read_body(scope, headers, receive, limits)
            fields = await read_fields(scope, headers, body, limits)
            receive = again(body, receive)
            response = await self._with_body(scope, headers, fields, session)
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
        unseen = any(sign < " " or sign == "\x7f" for sign in path)
        if not path.startswith("/") or unseen or {".", ".."} & set(path.split("/")):
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
        if _address(_peer(scope)) not in proxies:
            raise Refused(403, "This page is reached through its proxy alone.")
        if one(headers, "x-forwarded-proto") != "https":
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
        host = (one(headers, "host") or "").lower()
        if not host:
            raise Refused(400, "The request names no host.")
        if host not in self._listen.hosts:
            raise Refused(421, "This page is not reached by that name.")
        safe = scope["method"] in SAFE
        site = one(headers, "sec-fetch-site")
        if site not in (None, "same-origin") and not (safe and site == "none"):
            raise Refused(403, "This came from another site; open the page by its own address.")
        if safe:
            return
        told = one(headers, "origin")
        if told is None:
            parts = _split(one(headers, "referer") or "")
            told = f"{parts[0]}://{parts[1]}"
        if _usual(told) != _usual(f"{self._listen.scheme}://{host}"):
            raise Refused(403, "A change must come from this page itself.")

    def _without_body(
        self,
        scope: Scope,
        headers: Headers,
        cookies: Mapping[str, str],
        session: Session | None,
    ) -> Response | None:
        """Answer what needs no body, so that none is read from somebody who is not in."""
        path, safe = scope["path"], scope["method"] in SAFE
        if self._login is not None and safe and path == entrance.STYLE:
            return entrance.style()
        if self._login is not None and safe and path == entrance.LOGIN:
            return self._login.page(cookies, inside=session is not None)
        if session is None and not (
            path.startswith(self._public) if safe else path == entrance.LOGIN
        ):
            return _turned_away(headers, safe=safe)
        return None

    async def _with_body(
        self, scope: Scope, headers: Headers, fields: Mapping[str, str], session: Session | None
    ) -> Response | None:
        """Tell the page who it is; or let in or out, of which the page never hears."""
        path, safe, cookies = scope["path"], scope["method"] in SAFE, _cookies(headers)
        if self._login is not None and path == entrance.LOGIN:
            return await self._login.enter(cookies, fields, _peer(scope))
        if session is None:
            session = Session(Person("", ""), "", 0.0)  # nobody; only public paths come here
        elif not safe:
            self._check_token(session, headers, fields)
        if path == entrance.LOGOUT and not safe:
            return RedirectResponse("/", 303) if self._login is None else self._login.leave(cookies)
        if not safe and not any(session.person.may(verb) for verb in VERBS - {"read"}):
            raise Refused(403, f"A {session.person.role} changes nothing here.")
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
        sent = one(headers, TOKEN_HEADER)
        sent = fields.get(TOKEN_FIELD, "") if sent is None else sent
        if not hmac.compare_digest(sent.encode("utf-8", "surrogatepass"), session.csrf.encode()):
            raise Refused(403, "The page is older than its session; load it again.")


def _peer(scope: Scope) -> str:
    return str(scope["client"][0]) if scope.get("client") else ""


def _turned_away(headers: Headers, *, safe: bool) -> Response:
    if "hx-request" in headers:
        # htmx would put a redirect's page into the middle of the old one.
        return PlainTextResponse("Please log in.\n", 401, {"HX-Redirect": entrance.LOGIN})
    if safe:
        return RedirectResponse(entrance.LOGIN, 303)
    return PlainTextResponse("Please log in.\n", 401)


def _cookies(headers: Headers) -> dict[str, str]:
    """Give the cookies that stand once: of two of a name nobody knows which is ours."""
    pairs = [
        (name.strip(), value.strip())
        for line in headers.getlist("cookie")
        for name, _, value in (part.partition("=") for part in line.split(";"))
    ]
    names = Counter(name for name, _ in pairs)
    return {name: value for name, value in pairs if names[name] == 1}


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


async def _close_socket(scope: Scope, receive: Receive, send: Send) -> None:
    """Refuse a web socket; whatever else there may be is left unanswered."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
