"""The body of a request: read within limits, and held to be what it says it is."""

from __future__ import annotations

import asyncio
import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn

from python_multipart.multipart import parse_options_header
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.types import Message, Receive, Scope

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
URLENCODED, MULTIPART, JSON = (
    "application/x-www-form-urlencoded",
    "multipart/form-data",
    "application/json",
)


# What no keyboard writes; kept, it would end texts early in other programs and steer terminals.
_UNSEEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


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


def one(headers: Headers, name: str) -> str | None:
    """Give the header that may stand once; of two, one of us would believe the wrong one."""
    found = headers.getlist(name)
    if len(found) > 1:
        raise Refused(400, f"The header {name} stands more than once.")
    return found[0] if found else None


async def read_body(scope: Scope, headers: Headers, receive: Receive, limits: Limits) -> bytes:
    """Read the whole body, counting it: nothing longer than the limit is ever kept."""
    most = limits.body_bytes
    told = one(headers, "content-length") or "0"
    close = {"Connection": "close"}
    if not (told.isascii() and told.isdigit()):
        raise Refused(400, "The length of the body is no number.", close)
    if scope["method"] in SAFE:
        if told.strip("0") or "transfer-encoding" in headers:
            raise Refused(400, f"{scope['method']} carries no body.", close)
        return b""
    too_long = Refused(413, f"The body is longer than {most} bytes.", close)
    if len(told) > 20 or int(told) > most:
        raise too_long
    body = bytearray()
    try:
        async with asyncio.timeout(limits.body_s):
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


async def read_fields(
    scope: Scope, headers: Headers, body: bytes, limits: Limits
) -> dict[str, str]:
    """Give the text fields of a form, each name that stands once; hold JSON to be JSON."""
    if not body:
        return {}
    kind = (one(headers, "content-type") or "").partition(";")[0].strip().lower()
    if kind not in (URLENCODED, MULTIPART, JSON) or "content-encoding" in headers:
        raise Refused(415, f"The body must be {URLENCODED}, {MULTIPART} or {JSON}.")
    if kind == JSON:
        _check_json(body)
        return {}
    if kind == MULTIPART:
        _check_multipart(headers, body)
    request = Request(scope, again(body, _gone))
    try:
        async with request.form(
            max_files=limits.files,
            max_fields=limits.fields,
            max_part_size=limits.body_bytes,
        ) as form:
            pairs = form.multi_items()
    except (MultiPartException, HTTPException, ValueError, LookupError) as error:
        raise Refused(400, f"The form cannot be read: {_line_of(error)}") from None
    names = Counter(name for name, _ in pairs)
    texts = [text for pair in pairs for text in pair if isinstance(text, str)]
    # The parser would take bytes that are no UTF-8 for Latin-1; a file alone may hold such.
    alone = len(texts) == 2 * len(pairs)
    if any("\ufffd" in text for text in texts) or (alone and not _is_utf8(body)):
        raise Refused(400, "The form cannot be read: its text is no UTF-8.")
    if any(_UNSEEN.search(text) for text in texts):
        raise Refused(400, "The form holds a sign that is no text, such as NUL.")
    return {name: value for name, value in pairs if isinstance(value, str) and names[name] == 1}


def _check_multipart(headers: Headers, body: bytes) -> None:
    if not body.rstrip().endswith(b"--"):
        # The parser would take what came so far for the whole.
        raise Refused(400, "The form cannot be read: it stops before its end.")
    _, options = parse_options_header(headers["content-type"])
    # Of other character sets some give half a pair of signs, which nothing can store, and some
    # take their time: UTF-7, escapes, punycode.
    if options.get(b"charset", b"utf-8").lower() not in (b"utf-8", b"utf8"):
        raise Refused(415, "The text of a form must be UTF-8.")


def _is_utf8(body: bytes) -> bool:
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


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


def again(body: bytes, receive: Receive) -> Receive:
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
