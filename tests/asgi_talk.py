"""One request to the guarded review page, sign by sign: tests state each header and each piece."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field
from urllib.parse import urlencode

from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1:8000"
ORIGIN = f"http://{HOST}"
FORM = "application/x-www-form-urlencoded"


@dataclass
class Got:
    status: int = 0
    headers: list[tuple[str, str]] = field(default_factory=list)
    body: bytes = b""
    pieces_read: int = 0

    def all(self, name: str) -> list[str]:
        return [value for key, value in self.headers if key == name.lower()]

    def one(self, name: str) -> str:
        (value,) = self.all(name)
        return value

    def cookies(self) -> dict[str, str]:
        return dict(line.partition(";")[0].split("=", 1) for line in self.all("set-cookie"))


def talk(  # one keyword for each part of a request
    app: ASGIApp,
    path: str = "/",
    method: str = "GET",
    *,
    headers: Iterable[tuple[str, str]] = (),
    host: str | None = HOST,
    body: bytes | Iterable[bytes] = b"",
    query: str = "",
    client: str = "127.0.0.1",
) -> Got:
    """Send it, and give what came back; ``body`` in pieces goes without a Content-Length."""
    sent = [(name.lower().encode(), value.encode("latin-1")) for name, value in headers]
    sent += [(b"host", host.encode("latin-1"))] if host is not None else []
    pieces = iter([body] if isinstance(body, bytes) else body)
    got, ended = Got(), False

    async def receive() -> Message:
        nonlocal ended
        if ended:
            await asyncio.Event().wait()  # the client stays and says nothing more
        piece = next(pieces, None)
        got.pieces_read += 1
        more = piece is not None and not isinstance(body, bytes)
        ended = not more
        return {"type": "http.request", "body": piece or b"", "more_body": more}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            assert got.status == 0, "two answers"
            got.status = message["status"]
            got.headers = [(k.decode().lower(), v.decode("latin-1")) for k, v in message["headers"]]
        else:
            got.body += message.get("body", b"")

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "scheme": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode("utf-8", "surrogatepass"),
        "query_string": query.encode(),
        "headers": sent,
        "client": (client, 50_000),
        "server": ("127.0.0.1", 8000),
    }
    asyncio.run(app(scope, receive, send))
    return got


def change(  # what a sound form of the page itself sends, but for what a test states otherwise
    app: ASGIApp,
    path: str = "/edit",
    *,
    token: str | None = None,
    fields: dict[str, str] | None = None,
    origin: str | None = ORIGIN,
    headers: Iterable[tuple[str, str]] = (),
    **more,
) -> Got:
    head = [("content-type", FORM), *headers]
    head += [("origin", origin)] if origin is not None else []
    head += [("x-token", token)] if token is not None else []
    more.setdefault("body", urlencode(fields or {"row": "1"}).encode())
    return talk(app, path, "POST", headers=head, **more)


class Page:
    """Stands for the page: it says who asks, notes what reached it, and breaks on request."""

    def __init__(self) -> None:
        self.reached: list[Scope] = []
        self.bodies: list[bytes] = []

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.reached.append(scope)
        if scope["path"] == "/break":
            message = "the secret of the page"
            raise RuntimeError(message)
        message = await receive() if scope["method"] == "POST" else {}
        self.bodies.append(message.get("body", b""))
        status = 500 if scope["path"] == "/broken" else 200
        late = scope["path"] == "/late"
        extra = [(b"server", b"me"), (b"cache-control", b"public"), (b"content-type", b"text/html")]
        await send({"type": "http.response.start", "status": status, "headers": extra})
        text = f"{scope['person'].name}|{scope['person'].role}|{scope['csrf']}".encode()
        await send({"type": "http.response.body", "body": text, "more_body": late})
        if late:
            message = "too late"
            raise RuntimeError(message)
