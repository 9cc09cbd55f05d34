"""What every answer of the review page carries, and what it never shows: a traceback."""

from __future__ import annotations

import re
import secrets
import sys
import traceback

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import Message, Scope, Send

from planner.review.listen import Listen, is_loopback

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not no-referrer: a browser that sends no Origin is told by its Referer.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
# Thirty days. It holds for all ports of a host, so neither for longer nor for its sub-domains.
STRICT_TLS = "max-age=2592000"
KEPT = "public, max-age=31536000, immutable"
_HASHED = re.compile(rb"(?:.*&)?v=[0-9a-f]{8,64}(?:&.*)?")


class Answer:
    """Sends one answer with the headers of the house; a broken one becomes one line."""

    def __init__(self, send: Send, listen: Listen, scope: Scope, public: tuple[str, ...]) -> None:
        self._send = send
        self._scope = scope
        self._begun = False
        self._broken = False
        # Where the name is this machine's, all other pages on it would be made to use TLS.
        self._strict = listen.tls and not (is_loopback(listen.host) and not listen.public)
        self._kept = scope["path"].startswith(public) and bool(
            _HASHED.fullmatch(scope["query_string"])
        )

    async def __call__(self, message: Message) -> None:
        """Send one message of the answer on; what follows a status of 500 is held back."""
        if message["type"] == "http.response.start":
            self._broken = message["status"] == 500 and not self._begun
            if not self._broken:
                self._begun = True
                message = {**message, "headers": self._headers(message)}
        if not self._broken:
            await self._send(message)

    async def fail(self, error: Exception) -> None:
        """Tell the log what broke, and the client one line with the number it has there."""
        number = secrets.token_hex(4)
        told = "".join(traceback.format_exception(error))
        where = f"{self._scope['method']} {self._scope['path']!r}"
        sys.stderr.write(f"review {number}: {where} broke\n{told}")
        await self._tell(number)

    async def finish(self) -> None:
        """End an answer that the page itself called broken."""
        if self._broken:
            number = secrets.token_hex(4)
            where = f"{self._scope['method']} {self._scope['path']!r}"
            sys.stderr.write(f"review {number}: {where} was answered with 500\n")
            await self._tell(number)

    async def _tell(self, number: str) -> None:
        if self._begun:
            return  # half an answer is out; the server breaks the connection
        self._broken = False
        line = f"Something broke in the page; nothing more is known here. Log number {number}.\n"
        message = {
            "type": "http.response.start",
            "status": 500,
            "headers": PlainTextResponse(line, 500).raw_headers,
        }
        await self._send({**message, "headers": self._headers(message)})
        await self._send({"type": "http.response.body", "body": line.encode()})

    def _headers(self, message: Message) -> list[tuple[bytes, bytes]]:
        headers = MutableHeaders(raw=list(message.get("headers", [])))
        # Beside what the page itself states: of two policies the browser obeys both.
        headers.append("Content-Security-Policy", POLICY)
        for name, value in ALWAYS.items():
            headers[name] = value
        kept = self._kept and message["status"] in (200, 304)
        headers["Cache-Control"] = KEPT if kept else "no-store"
        del headers["Server"]
        del headers["Strict-Transport-Security"]
        if self._strict:
            headers["Strict-Transport-Security"] = STRICT_TLS
        return headers.raw
