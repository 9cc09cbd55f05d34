"""The page's addresses: the frame around three desks, its files, long work, the log."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from planner.errors import PlannerError
from planner.review import engineer, estimator, planner_desk
from planner.review.jobs import Jobs
from planner.review.live import Live
from planner.review.log import log_rows
from planner.review.pages import Pages, answer_file
from planner.review.room import Room
from planner.review.trouble import handlers, one_line, whole
from planner.review.week_now import Weeks
from planner.review.work import read_check

HOME_OF_ROLE = {"engineer": "/engineer", "planner": "/planner", "estimator": "/estimator"}


def make_app(live: Live, jobs: Jobs | None = None) -> Starlette:
    """Make the page of one project; who may reach it is `guard.guarded`'s to decide.

    Parameters
    ----------
    live
        The project in memory.
    jobs
        Where long work runs; one of its own by default.
    """
    jobs = jobs or Jobs()
    room = Room(live, Weeks(live), jobs, Pages(live, jobs))

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        jobs.stop()

    routes = [*_frame_routes(room)]
    for desk in (engineer, planner_desk, estimator):
        routes += desk.routes(room)
    room.ahead.append(room.weeks.now)
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=handlers())
    app.state.make_ready = room.make_ready
    return app


def _frame_routes(room: Room) -> Sequence[BaseRoute]:
    live, jobs, pages = room.live, room.jobs, room.pages

    async def home(request: Request) -> Response:
        role = request.scope["person"].role
        return RedirectResponse(HOME_OF_ROLE.get(role, "/engineer"), 303)

    async def static(request: Request) -> Response:
        return answer_file(request.path_params["name"])

    async def icon(_: Request) -> Response:
        return answer_file("review/icon.svg")

    def status(request: Request) -> Response:
        """Tell of long work and of data that changed; asked for every two seconds."""
        trouble = ""
        try:
            live.catch_up()
        except PlannerError as error:
            trouble = one_line(error)
        return pages.page(request, "status.html", trouble=trouble)

    def read_anew(request: Request) -> Response:
        person = request.scope["person"]
        # It is read twice: where nothing can be lost, and where the page holds it in memory.
        jobs.start(
            "read the data anew", person.name, read_check, str(live.folder),
            then=lambda _: live.read_anew(),
        )  # fmt: skip
        return pages.page(request, "status.html")

    def cancel(request: Request) -> Response:
        name = request.scope["person"].name
        jobs.cancel(whole(request.path_params["number"]) or 0, name)
        return pages.page(request, "status.html")

    def log(request: Request) -> Response:
        before = whole(request.query_params.get("before", ""))
        with live.lock:
            found = log_rows(live.store, before)
        return pages.page(request, "log.html", rows=found.rows, more=found.more)

    return [
        Route("/", home),
        Route("/log", log),
        Route("/favicon.ico", icon),
        Route("/static/{name:path}", static),
        Route("/status", status),
        Route("/read", read_anew, methods=["POST"]),
        Route("/jobs/{number}/cancel", cancel, methods=["POST"]),
    ]
