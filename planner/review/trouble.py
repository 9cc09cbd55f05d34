"""What the page answers where it cannot do what was asked: one line, never a page that broke."""

from __future__ import annotations

from collections.abc import Mapping

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ExceptionHandler

from planner.errors import PlannerError, printable

MOST_FIGURES = 12
_NONE_SUCH = {404: "There is nothing at this address.", 405: "This address takes no such request."}


def whole(text: str) -> int | None:
    """Read a whole number as the page itself writes it; None where it is none.

    Figures of other scripts are none, nor is what is too long to be a number of ours: Python
    refuses to read more than 4,300 figures by an error of its own.
    """
    sound = text.isascii() and text.isdigit() and len(text) <= MOST_FIGURES
    return int(text) if sound else None


def handlers() -> Mapping[type[Exception], ExceptionHandler]:
    """Give what answers for an address that is none, and for store or files that fail."""
    return {HTTPException: _no_address, PlannerError: _not_now, OSError: _not_now}


def one_line(error: Exception) -> str:
    """Give what an error says in one line that may be shown."""
    if isinstance(error, OSError) and error.strerror:
        return printable(f"{error.filename or 'a file'}: {error.strerror}")
    return printable(str(error).partition("\n")[0])


def _no_address(_: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    line = _NONE_SUCH.get(error.status_code) or printable(str(error.detail))
    return PlainTextResponse(f"{line}\n", error.status_code, error.headers)


def _not_now(_: Request, error: Exception) -> Response:
    # The store is locked or full, a file is gone or damaged: what people did not cause on the
    # page, and what may be whole again at the next request.
    return PlainTextResponse(f"Not done: {one_line(error)}\n", 503, {"Retry-After": "5"})
