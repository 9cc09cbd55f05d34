"""The desk of the engineer."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from planner.review.room import Room


def routes(room: Room) -> Sequence[BaseRoute]:
    """Give the addresses of this desk."""

    def desk(request: Request) -> Response:
        return room.pages.page(request, "engineer.html")

    return [Route("/engineer", desk)]
