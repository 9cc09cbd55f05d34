"""The desk of the planner: the week as crew-days, what is changed in it, what happened, again."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from planner.crews.frozen import Instant
from planner.errors import PlannerError, TableError
from planner.journal import report_rows
from planner.review.again import again_view
from planner.review.jobs import Job
from planner.review.room import Room
from planner.review.trouble import whole
from planner.review.week_edit import (
    BEST,
    MOST_REASON,
    Edits,
    Wish,
    what_breaks,
    what_was_said,
    when,
)
from planner.review.week_map import ground_of, week_map
from planner.review.week_now import WeekNow
from planner.review.week_report import (
    KINDS,
    REASON_WORDS,
    begin_at,
    report_of,
    states_of,
    works_at,
)
from planner.review.week_view import WeekView, week_view
from planner.review.work import keep_run, plan_run, replan_run
from planner.runs import accept_replan, leave_replan, waiting_replan

NOT_YOURS = "Your role may look at the week and change nothing in it.\n"
BUSY = "Other long work is going on: wait for it, or cancel it above."
_UNDO = (
    ("place", "as_planned", "Back to the plan"),
    ("lock", "unlock", "Unlock"),
    ("promise", "withdraw", "Take the promise back"),
    ("defer", "recall", "Plan it at once"),
)
# What was moved in an earlier run stands in this one already: taking it back moves nothing.
_FREE = "Let the next plan place it"
Handler = Callable[[Request, Mapping[str, str], FormData], Response]


@dataclass(frozen=True)
class Shown:
    """One state of the desk: the week, how it is laid out, where works stand, its mark."""

    now: WeekNow
    view: WeekView
    states: Mapping[str, str]
    token: str


class PlannerDesk:
    """Answers what the planner asks and does."""

    def __init__(self, room: Room) -> None:
        self._room = room
        self._edits = Edits(room.live, room.weeks)
        self._lock = threading.RLock()
        self._shown: tuple[object, Shown] | None = None
        self._drawn: tuple[WeekNow, dict[str, Any]] | None = None

    def shown(self) -> Shown | None:
        """Give the week as it is shown now; None where no plan was made."""
        live = self._room.live
        with self._lock:
            now = self._room.weeks.now()
            if now is None:
                return None
            waits = waiting_replan(live.folder)
            jobs = [f"{job.number}{job.state}" for job in self._room.jobs.all()[:1]]
            key = (id(now), live.store.stamp(), waits, jobs)
            if self._shown is None or self._shown[0] != key:
                events = live.store.read_events()
                states = states_of(events)
                view = week_view(now, states, live.facts)
                parts = [now.name, str(now.version), str(len(events)),
                         waits.name if waits else "", *jobs]  # fmt: skip
                self._shown = (key, Shown(now, view, states, ".".join(parts)))
            return self._shown[1]

    # What is looked at.

    def desk(self, request: Request) -> Response:
        """Show the whole desk."""
        try:
            shown = self.shown()
        except PlannerError as error:
            return self._page(request, "planner.html", shown=None, trouble=str(error), again_at="")
        today = self._room.live.instant()[0]
        dates = [day for day, _ in shown.view.dates] if shown else []
        day = today if today in dates else (dates or [today])[0]
        at = f"{day}T12:00"
        return self._page(request, "planner.html", shown=shown, trouble="", again_at=at)

    def made(self, _: Request) -> Response:
        """Say that the first plan is there: then the whole page is fetched."""
        try:
            there = self.shown() is not None
        except PlannerError:
            there = True
        return Response(headers={"HX-Refresh": "true"}) if there else Response(status_code=204)

    def week(self, request: Request) -> Response:
        """Give the week if it is another than the one that the page has."""
        try:
            shown = self.shown()
        except PlannerError:
            return Response(status_code=204)
        if shown is None or request.query_params.get("have") == shown.token:
            return Response(status_code=204)
        return self._page(request, "planner_week.html", shown=shown)

    def stop(self, request: Request) -> Response:
        """Give the panel of one stop."""
        shown = self.shown()
        setup_id = request.path_params["setup_id"]
        if shown is None or setup_id not in shown.view.stops:
            return PlainTextResponse("There is no such set-up in this week.\n", 404)
        return self._page(
            request, "planner_panel.html", shown=shown, **self._panel(shown, setup_id)
        )

    def places(self, request: Request) -> Response:
        """Give the places of a day behind which a stop may be put."""
        shown, asked = self.shown(), request.query_params.get("day", "")
        stops = self._places(shown, request.path_params["setup_id"], asked) if shown else []
        return self._page(request, "planner_places.html", places=stops, best=BEST)

    def map(self, _: Request) -> Response:
        """Give the routes as they stand, for the map."""
        shown = self.shown()
        if shown is None:
            return JSONResponse({"routes": []})
        with self._lock:
            if self._drawn is None or self._drawn[0] is not shown.now:
                self._drawn = (shown.now, week_map(shown.now, self._room.live.facts))
            return JSONResponse(self._drawn[1])

    def ground(self, _: Request) -> Response:
        """Give streets and pipes, for the map."""
        shown = self.shown()
        return JSONResponse(ground_of(shown.now) if shown else {})

    def again(self, request: Request) -> Response:
        """Show what a plan made again changes, before anybody accepts it."""
        waits = waiting_replan(self._room.live.folder)
        view = again_view(waits) if waits else None
        return self._page(request, "planner_again.html", again=view)

    # What is done.

    def change(self, request: Request, form: Mapping[str, str], _: FormData) -> Response:
        """Take in one change of the week."""
        shown = self.shown()
        if shown is None:
            return self._told(request, None, 422, bad=["No plan was made yet."])
        wish = _wish_of(form, request.scope["person"].name)
        answer = self._edits.take(wish, shown.now, shown.view)
        panel = form.get("panel") == "yes"
        if answer.others:
            return self._told(
                request, self.shown(), 409, others=list(answer.others),
                seen_of=wish.setup_id if panel else "",
            )  # fmt: skip
        if answer.refused or answer.taken is None:
            return self._told(request, None, 422, bad=[answer.refused])
        then = self.shown()
        if then is None:
            return self._told(request, None, 422, bad=["No plan stands any more."])
        fresh = what_breaks(then.view, shown.view)
        stop = then.view.stops.get(wish.setup_id)
        name = f"{stop.label} {stop.street}".strip() if stop else wish.setup_id
        return self._told(
            request, then, 200, done=f"{name}: {what_was_said(answer.taken)}",
            fresh=fresh, panel_of=wish.setup_id if panel else "",
        )  # fmt: skip

    def report(self, request: Request, form: Mapping[str, str], raw: FormData) -> Response:
        """Take what happened into the journal."""
        person, live = request.scope["person"], self._room.live
        works = [one for one in raw.getlist("work") if isinstance(one, str)]
        rows = report_of(form, works, person.name)
        if not rows:
            return self._told(request, None, 422, bad=["Tick the works that it is about."])
        if any(len(text) > MOST_REASON for row in rows for text in row.values()):
            line = f"A field of a report has at most {MOST_REASON} signs."
            return self._told(request, None, 422, bad=[line])
        self.shown()  # what could not be shown afterwards is not taken in before
        said = report_rows(live.folder, rows, live.instant()[0])
        if said.refused:
            told = [line for line in said.lines[:-1] if not line.startswith("{")]
            return self._told(request, self.shown(), 422, bad=told)
        panel = form.get("setup", "") if form.get("panel") == "yes" else ""
        lines = [
            *said.lines[:-1],
            "It counts in the next plan, and when the week is planned again.",
        ]
        return self._told(request, self.shown(), 200, done="Reported", lines=lines, panel_of=panel)

    def plan(self, request: Request, _: Mapping[str, str], __: FormData) -> Response:
        """Begin to plan anew."""
        return self._begin(request, "plan anew", plan_run)

    def replan(self, request: Request, form: Mapping[str, str], _: FormData) -> Response:
        """Begin to plan the rest of the week again."""
        at = form.get("at", "")[:16]
        try:
            Instant.of(at)
        except TableError:
            return self._told(request, None, 422, bad=["A day and time are wanted."])
        return self._begin(request, f"plan again from {at.replace('T', ' ')}", replan_run, at)

    def keep(self, request: Request, _: Mapping[str, str], __: FormData) -> Response:
        """Begin to write the week as it was changed by hand."""
        name, on = request.scope["person"].name, self._room.live.instant()[0]
        return self._begin(request, "keep this week", keep_run, name, on)

    def accept(self, request: Request, form: Mapping[str, str], _: FormData) -> Response:
        """Let a plan made again stand."""
        return self._answer(request, accept_replan, form)

    def leave(self, request: Request, form: Mapping[str, str], _: FormData) -> Response:
        """Leave a plan made again."""
        return self._answer(request, leave_replan, form)

    def _answer(
        self, request: Request, answer: Callable[..., str], form: Mapping[str, str]
    ) -> Response:
        live, name = self._room.live, request.scope["person"].name
        try:
            answer(live.folder, name, live.instant()[0], form.get("run", ""))
        except PlannerError as error:
            return self._told(request, None, 409, bad=[str(error)])
        return Response(status_code=200, headers={"HX-Redirect": "/planner"})

    def _begin(self, request: Request, title: str, work: Any, *more: str) -> Response:  # noqa: ANN401
        room = self._room
        job = room.jobs.start(
            title, request.scope["person"].name, work, str(room.live.folder), *more,
            then=self._warm,
        )  # fmt: skip
        if job is None:
            return self._told(request, None, 409, bad=[BUSY])
        return self._told(request, None, 200, done=f"Begun: {title}. It can be cancelled above.")

    def _warm(self, _: Job) -> None:
        """Read the new run before anybody asks for it."""
        self._room.weeks.now()

    # What is filled in.

    def _told(
        self,
        request: Request,
        shown: Shown | None,
        status: int,
        *,
        panel_of: str = "",
        **said: Any,  # noqa: ANN401 - what the template shows
    ) -> Response:
        """Say what came of something, and give the parts of the page that it changed."""
        panel = self._panel(shown, panel_of) if shown and panel_of else {"stop": None}
        return self._page(
            request, "planner_told.html", status=status, shown=shown,
            **{"done": "", "bad": [], "others": [], "fresh": [], "lines": [],
               "seen_of": "", **said, **panel},
        )  # fmt: skip

    def _page(self, request: Request, name: str, *, status: int = 200, **values: Any) -> Response:  # noqa: ANN401
        waits = waiting_replan(self._room.live.folder) is not None
        return self._room.pages.page(
            request, name, status=status, may=request.scope["person"].may("plan"), oob=False,
            waits=waits, **values,
        )  # fmt: skip

    def _panel(self, shown: Shown, setup_id: str) -> dict[str, Any]:
        now, view = shown.now, shown.view
        stop = view.stops[setup_id]
        said = now.said.get(setup_id, {})
        units, today = self._room.live.facts.units, self._room.live.instant()[0]
        setups = now.tables["setups"]
        setup = setups[(setups["setup_id"] == setup_id).to_numpy(bool)].iloc[0]
        here = view.days.get(stop.key)
        return {
            "stop": stop,
            "pipe_id": str(setup["pipe_id"]),
            "day": here,
            "works": works_at(now, setup_id, shown.states, units),
            "said": [
                (
                    said[about]["by"],
                    when(said[about]),
                    what_was_said(said[about]),
                    change,
                    words if about != "place" or said[about]["run"] == now.name else _FREE,
                )
                for about, change, words in _UNDO
                if about in said
            ],
            "faults": [one for one in view.faults if one.setup_id == setup_id],
            "days": view.open_days,
            "places": self._places(shown, setup_id, here.value if here else ""),
            "best": BEST,
            "locked": "lock" in said,
            "kinds": KINDS,
            "reasons": REASON_WORDS,
            "sets": "+".join(_sleeve_works(now, setup_id)),
            "systems": sorted(str(one) for one in now.tables["systems"]["system"]),
            "proposed_at": begin_at(stop.key[1], stop.start, today),
        }

    def _places(self, shown: Shown, setup_id: str, value: str) -> list[tuple[str, str]]:
        date, _, crew = value.partition("|")
        day = shown.view.days.get((crew, date))
        stops = day.stops if day else ()
        return [
            (one.setup_id, f"after {one.label} {one.street}")
            for one in stops
            if one.setup_id != setup_id
        ]


def _sleeve_works(now: WeekNow, setup_id: str) -> list[str]:
    links, works = now.tables["setup_works"], now.tables["works"]
    own = links.loc[(links["setup_id"] == setup_id).to_numpy(bool), "work_id"]
    sets = works[(works["step"] == "sleeve").to_numpy(bool) & works["work_id"].isin(own)]
    return sorted(sets["work_id"].astype(str))


def _wish_of(form: Mapping[str, str], by: str) -> Wish:
    date, _, crew = form.get("day", "").partition("|")
    change = form.get("change", "move")
    on = {"promise": form.get("promise_on", ""), "defer": form.get("not_before", "")}
    return Wish(
        form.get("setup", ""), change, crew, on.get(change, date), form.get("after", BEST),
        form.get("reason", "").strip(), by, whole(form.get("seen", "")) or 0,
        form.get("run", ""),
    )  # fmt: skip


def routes(room: Room) -> Sequence[BaseRoute]:
    """Give the addresses of this desk."""
    desk = PlannerDesk(room)

    def posted(handler: Handler) -> Callable[[Request], Any]:
        """Read the form; refuse whoever may not plan."""

        async def answer(request: Request) -> Response:
            if not request.scope["person"].may("plan"):
                return PlainTextResponse(NOT_YOURS, 403)
            async with request.form() as form:
                texts = {name: value for name, value in form.items() if isinstance(value, str)}
                return await run_in_threadpool(handler, request, texts, form)

        return answer

    return [
        Route("/planner", desk.desk),
        Route("/planner/week", desk.week),
        Route("/planner/made", desk.made),
        Route("/planner/stop/{setup_id}", desk.stop),
        Route("/planner/places/{setup_id}", desk.places),
        Route("/planner/map", desk.map),
        Route("/planner/ground", desk.ground),
        Route("/planner/again", desk.again),
        *(
            Route(f"/planner/{name}", posted(handler), methods=["POST"])
            for name, handler in (
                ("move", desk.change), ("change", desk.change), ("report", desk.report),
                ("plan", desk.plan), ("replan", desk.replan), ("keep", desk.keep),
                ("accept", desk.accept), ("leave", desk.leave),
            )
        ),
    ]  # fmt: skip
