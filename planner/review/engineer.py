"""The desk of the engineer: the list of spans, the opened row, the map, what changed meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from planner.outputs.palette import LOOKS
from planner.review.engineer_edits import edit_routes
from planner.review.engineer_view import EngineerView
from planner.review.room import Room
from planner.review.span_list import FLAGS, SORTS, Wanted
from planner.review.span_photos import SpanPhotos
from planner.review.span_words import FLAG_WORDS, state_words
from planner.review.trouble import whole

STATES = ("proposed", "accepted", "changed", "refused", "held", "none")
STANDINGS = ("cited", "practice", "assumed")
SORT_WORDS = {"pipe": "pipe and place", "urgency": "urgency", "cost": "cost, highest first"}
# Of more changed pipes than these the page loads its list anew.
_MOST_CHANGED = 40


def routes(room: Room) -> Sequence[BaseRoute]:
    """Give the addresses of this desk."""
    view = EngineerView(room)
    room.ahead.append(view.map.packed)
    photos = SpanPhotos(room.live)

    def photo(request: Request) -> Response:
        return photos.answer(request.query_params.get("of", ""))

    return [
        *_list_routes(room, view),
        *_change_routes(room, view),
        *_map_routes(view),
        Route("/photo", photo),
        *edit_routes(room, view),
    ]


def wanted_of(request: Request) -> Wanted:
    """Read what of the list is wanted from an address."""
    asked: dict[str, list[str]] = {}
    for name, value in request.query_params.multi_items():
        asked.setdefault(name, []).append(value)
    return Wanted.of(asked)


def _list_routes(room: Room, view: EngineerView) -> Sequence[BaseRoute]:
    live, pages = room.live, room.pages

    def desk(request: Request) -> Response:
        wanted = wanted_of(request)
        version = live.version
        return pages.page(
            request, "engineer.html", shown=version, facets=_facets(view),
            sorts=[(name, SORT_WORDS[name]) for name in SORTS], looks=LOOKS,
            flags=[(name, FLAG_WORDS[name]) for name in FLAGS], **view.page_values(request, wanted),
        )  # fmt: skip

    def rows(request: Request) -> Response:
        values = view.page_values(request, wanted_of(request))
        return pages.page(request, "engineer_list.html", **values)

    def more(request: Request) -> Response:
        after = request.query_params.get("after", "")
        values = view.page_values(request, wanted_of(request), after)
        return pages.page(request, "engineer_rows.html", **values)

    def span(request: Request) -> Response:
        found = view.detail(request.path_params["span_id"])
        if found is None:
            return PlainTextResponse("There is no such span any more; load the page anew.\n", 404)
        return pages.page(request, "engineer_detail.html", **found)

    return [
        Route("/engineer", desk),
        Route("/engineer/list", rows),
        Route("/engineer/more", more),
        Route("/engineer/span/{span_id}", span),
    ]


def _change_routes(room: Room, view: EngineerView) -> Sequence[BaseRoute]:
    live, pages = room.live, room.pages

    def changes(request: Request) -> Response:
        live.catch_up()
        seen = whole(request.query_params.get("since", "")) or 0
        version = live.version
        told = live.changes_since(seen)
        by = {pipe: one.by for one in told for pipe in one.pipe_ids}
        if seen > version or len(by) > _MOST_CHANGED:  # of an earlier server, or too many
            return JSONResponse({"version": version, "anew": True})
        version = told[-1].version if told else version
        return JSONResponse({"version": version, "anew": False, **changed(request, by)})

    def changed(request: Request, by: Mapping[str, str]) -> dict[str, Any]:
        if not by:
            return {"pipes": {}}
        found = [row for pipe in by for row in view.rows(request, pipe)]
        spans, pipes, counts = view.spans.counts(wanted_of(request))
        told = {
            pipe: {"by": who, "look": view.map.look(pipe), "seen": live.last_version(pipe)}
            for pipe, who in by.items()
        }
        rows = pages.fill(request, "engineer_rows.html", rows=found, more="")
        return {"pipes": told, "rows": rows, "spans": spans, "of": pipes, "counts": counts}

    return [Route("/engineer/changes", changes)]


def _map_routes(view: EngineerView) -> Sequence[BaseRoute]:
    def map_data(request: Request) -> Response:
        tag, body = view.map.packed()
        headers = {"ETag": f'"{tag}"', "Vary": "Accept-Encoding"}
        if request.headers.get("if-none-match") == f'"{tag}"':
            return Response(status_code=304, headers=headers)
        headers["Content-Encoding"] = "gzip"
        return Response(body, media_type="application/json", headers=headers)

    return [Route("/engineer/map.json", map_data)]


def _facets(view: EngineerView) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Give each limit of the list that is chosen from words: key, title, words."""
    areas = [(area, area or "no area") for area in view.spans.areas]
    return [
        ("state", "Choice", [(word, state_words(word)) for word in STATES]),
        ("standing", "Standing", [(word, word) for word in STANDINGS]),
        *([("area", "Area", areas)] if len(areas) > 1 else []),
    ]
