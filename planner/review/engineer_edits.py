"""What the engineer's desk takes in: decisions, each on a state that was seen, and the sign-off."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from planner.contracts.repairs import DECISION_WORDS
from planner.errors import StaleError, StoreError
from planner.review.engineer_view import EngineerView
from planner.review.live import Asked
from planner.review.room import Room
from planner.review.sign_off import sign_off, sign_run, signed_by
from planner.review.trouble import whole

MOST_SIGNS = 1_000
_NOT_YOURS = "Your role may read this desk but not decide here.\n"
_BUSY = "Other long work still runs; sign once it has ended."


@dataclass(frozen=True)
class _Sent:
    """A form as it was sent: its texts by name."""

    texts: Mapping[str, str]

    def text(self, name: str) -> str:
        return self.texts.get(name, "").strip()

    @property
    def from_list(self) -> bool:
        """It was sent from the row itself, so that the answer is a line and no form."""
        return self.text("from") == "list"

    @property
    def seen(self) -> int | None:
        return whole(self.text("seen"))


def edit_routes(room: Room, view: EngineerView) -> Sequence[BaseRoute]:
    """Give the addresses of this desk that write."""
    edits = _Edits(room, view)

    async def decide(request: Request) -> Response:
        if not request.scope["person"].may("decide"):
            return PlainTextResponse(_NOT_YOURS, 403)
        return await run_in_threadpool(edits.decide, request, await _sent(request))

    def show(request: Request) -> Response:
        return edits.show_sign(request)

    async def sign(request: Request) -> Response:
        if not request.scope["person"].may("decide"):
            return PlainTextResponse(_NOT_YOURS, 403)
        return await run_in_threadpool(edits.sign, request, await _sent(request))

    return [
        Route("/engineer/decide", decide, methods=["POST"]),
        Route("/engineer/sign", show, methods=["GET"]),
        Route("/engineer/sign", sign, methods=["POST"]),
    ]


async def _sent(request: Request) -> _Sent:
    async with request.form() as form:
        return _Sent({name: value for name, value in form.items() if isinstance(value, str)})


class _Edits:
    def __init__(self, room: Room, view: EngineerView) -> None:
        self._live, self._pages, self._jobs = room.live, room.pages, room.jobs
        self._view = view

    def decide(self, request: Request, sent: _Sent) -> Response:
        """Take one decision in, or say in one line why not; what was typed is kept."""
        row = self._view.spans.row(sent.text("row"))
        if row is None:
            return PlainTextResponse("There is no such span any more; load the page anew.\n", 404)
        on_span = sent.text("decision") == "span"
        opened = sent.text("opened") == "yes"
        word = sent.text("span_decision" if on_span else "decision")
        asked = Asked(
            row["pipe_id"], row["span_id"] if on_span else "", word,
            sent.text("value") if on_span and word in ("limit", "place") else "",
            sent.text("reason"), request.scope["person"].name, sent.seen or 0, opened,
        )  # fmt: skip
        fault = _fault(asked, sent)
        if fault:
            return self._refused(request, sent, asked, [fault])
        try:
            refused = self._live.decide(asked)
        except StaleError:
            return self._stale(request, sent, asked)
        except StoreError as error:
            return self._refused(request, sent, asked, [f"Nothing was saved: {error}"])
        if refused:
            return self._refused(request, sent, asked, refused)
        return self._taken(request, sent, asked, row["span_id"])

    def _taken(self, request: Request, sent: _Sent, asked: Asked, span_id: str) -> Response:
        version = self._view.own_version(asked.pipe_id, asked.by)
        done = {"pipe": asked.pipe_id, "span": span_id, "version": version,
                "by_form": not sent.from_list}  # fmt: skip
        headers = {"HX-Trigger": json.dumps({"engineer-decided": done})}
        about = f"span {asked.span_id}" if asked.span_id else f"pipe {asked.pipe_id}"
        said = [f"Taken in: {asked.decision} {asked.value}".strip() + f" on {about}."]
        found = None if sent.from_list else self._view.detail(span_id)
        if found is None:
            answer = self._line(request, said, "good", 200)
        else:
            values = {**found, "form_said": said, "form_kind": "good"}
            answer = self._pages.page(request, "engineer_detail.html", **values)
        answer.headers.update(headers)
        return answer

    def _refused(self, request: Request, sent: _Sent, asked: Asked, why: Sequence[str]) -> Response:
        lines = [f"Not taken: {line}" for line in why]
        return self._form_again(request, sent, asked, lines, 422)

    def _stale(self, request: Request, sent: _Sent, asked: Asked) -> Response:
        self._live.catch_up()
        theirs = self._view.newer(asked.pipe_id, asked.seen)
        names = ", ".join(dict.fromkeys(one.by for one in theirs)) or "another program"
        line = f"Not saved: pipe {asked.pipe_id} was changed by {names} since you looked at it."
        return self._form_again(request, sent, asked, [line], 409)

    def _form_again(
        self, request: Request, sent: _Sent, asked: Asked, lines: list[str], status: int
    ) -> Response:
        """Show the form again, with what others decided meanwhile and the person's own words."""
        found = None if sent.from_list else self._view.detail(sent.text("row"))
        theirs = self._view.newer(asked.pipe_id, asked.seen) if status == 409 else []
        if found is None:
            told = [f"{one.by}, {one.when}: {one.what} ({one.about}): {one.reason}"
                    for one in theirs]  # fmt: skip
            return self._line(request, [*lines, *told], "warn", status)
        words = {name: sent.texts.get(name, "")[:MOST_SIGNS]
                 for name in ("reason", "value", "span_decision")}  # fmt: skip
        values = {**found, "words_kept": words, "form_said": lines, "theirs": theirs,
                  "form_kind": "warn" if status == 409 else "bad"}  # fmt: skip
        answer = self._pages.page(request, "engineer_decide.html", status=status, **values)
        answer.headers.update({"HX-Retarget": "#decide", "HX-Reswap": "outerHTML"})
        return answer

    def _line(self, request: Request, lines: list[str], kind: str, status: int) -> Response:
        page = self._pages.page
        return page(request, "engineer_said.html", status=status, lines=lines, kind=kind)

    def show_sign(
        self, request: Request, lines: Sequence[str] = (), reason: str = "", status: int = 200
    ) -> Response:
        """Show what changed since the last sign-off, and the form that signs."""
        self._live.catch_up()
        try:
            state, signed = sign_off(self._live), signed_by(self._live)
        except StoreError as error:
            return PlainTextResponse(f"{error}\n", 503)
        return self._pages.page(
            request, "engineer_sign.html", status=status, state=state, signed=signed,
            lines=list(lines), reason=reason,
        )  # fmt: skip

    def sign(self, request: Request, sent: _Sent) -> Response:
        """Begin to sign, if the person saw what stands and nothing stops it."""
        reason = sent.text("reason")
        state = sign_off(self._live)
        if not reason:
            line = "Say what the revision is for."
            return self.show_sign(request, [line], reason, 422)
        if len(reason) > MOST_SIGNS:
            line = f"Not signed: what it is for has at most {MOST_SIGNS} letters."
            return self.show_sign(request, [line], reason[:MOST_SIGNS], 422)
        if sent.seen != state.seen:
            line = "Not signed: somebody decided meanwhile. Look at the list as it stands now."
            return self.show_sign(request, [line], reason, 409)
        if state.orphans:
            line = "Not signed: see what has lost its place."
            return self.show_sign(request, [line], reason, 422)
        by, on = request.scope["person"].name, self._live.instant()[0]
        job = self._jobs.start(
            f"sign revision {state.last + 1}", by, sign_run, str(self._live.folder), by, on,
            reason, state.seen, then=lambda _: self._live.catch_up(),
        )  # fmt: skip
        if job is None:
            return self.show_sign(request, [_BUSY], reason, 409)
        return self.show_sign(request, ["Signing; its end is told above."], "", 200)


def _fault(asked: Asked, sent: _Sent) -> str:
    """Say what is missing in a form before anything is looked up; '' where it is whole."""
    if asked.decision not in DECISION_WORDS:
        return "choose what is decided"
    if sent.seen is None:
        return "the page did not say what it had shown; load it anew"
    if not asked.reason:
        return "give a reason"
    if len(asked.reason) > MOST_SIGNS or len(asked.value) > MOST_SIGNS:
        return f"a reason has at most {MOST_SIGNS} letters"
    return ""
