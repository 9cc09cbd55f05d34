"""The desk of the estimator: totals as they move, the week, prices, what drives the cost, files."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from planner.ground.money import money
from planner.review import totals_views as views
from planner.review.estimator_drivers import Drivers, ranked
from planner.review.estimator_prices import PriceDesk
from planner.review.room import Room
from planner.review.totals_board import Board
from planner.review.totals_files import bill_csv, drivers_csv, prices_csv, totals_csv, week_csv
from planner.review.totals_prices import Prices
from planner.review.totals_rows import STATES
from planner.review.totals_week import WeekFigures, WeekTotals, rows_at
from planner.review.totals_why import explain
from planner.review.totals_why_week import explain_week
from planner.review.totals_words import percent, signed

TABS = (
    ("/estimator", "Totals"),
    ("/estimator/week", "Week and orders"),
    ("/estimator/prices", "Prices"),
    ("/estimator/drivers", "What drives the cost"),
)
_BOOK = "totals.xlsx"
_BOOK_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


class Desk:
    """What the addresses of this desk share."""

    def __init__(self, room: Room) -> None:
        """Begin; nothing is summed before somebody looks."""
        self.room, self.live = room, room.live
        self.prices = Prices(room.live)
        self.board = Board(room.live, self.prices)
        self.week = WeekTotals(room.live, room.weeks)
        self.drivers = Drivers(self)
        # Numbers begin anew with each server; a page that was open shall not take them for its own.
        self._server = secrets.token_hex(3)

    def token(self, *, with_week: bool = False) -> str:
        """Give what differs once anything shown here could differ."""
        self.live.catch_up()
        week = self.room.weeks.now() if with_week or self._has_nights() else None
        parts = (self._server, self.live.version, self.prices.now().version)
        return ".".join(map(str, (*parts, "" if week is None else f"{week.name}-{week.version}")))

    def _has_nights(self) -> bool:
        """Tell whether the week is asked for its nights: reading it takes its time."""
        return bool((self.prices.now().prices["item"] == "night").any())

    def nights(self) -> int:
        """Count the routes of the week that work at night, where that has a price."""
        week = self.week.now() if self._has_nights() else None
        if week is None:
            return 0
        rows = rows_at(week.tables["bill"], "week", week.key)
        return sum(int(str(row["times_count"])) for row in rows if row["item"] == "night")

    def news(self, request: Request, *, with_week: bool = False) -> str | None:
        """Give the token as it stands; None where the page has it already."""
        token = self.token(with_week=with_week)
        return None if request.query_params.get("seen") == token else token

    def page(self, request: Request, name: str, **values: Any) -> Response:  # noqa: ANN401
        """Answer with a page of this desk."""
        return self.room.pages.page(request, name, tabs=TABS, **{**SHOWN, **values})

    def totals(self) -> dict[str, Any]:
        """Give what the totals show."""
        sums, now = self.board.sums(), self.prices.now()
        nights = self.nights()
        ratio = self.live.inputs.settings.takeoff.contingency_ratio
        changes = self.live.changes_since(self.live.version - 1)
        return {
            "sections": views.sections(sums),
            "doubts": views.doubts(sums),
            "works": views.works(sums),
            "cards": views.cards(sums),
            "methods": views.methods(sums),
            "bill": views.bill(sums, now.prices),
            "lines": views.line_totals(sums),
            "bottom": views.bottom(sums, now.prices, ratio, nights),
            "counts": sums.pipes.sum(axis=1).tolist(),
            "priced": len(now.prices) > 0,
            "effect": self.effect(),
            "last": changes[-1] if changes else None,
        }

    def effect(self) -> list[dict[str, Any]]:
        """Say what prices changed since the reading do to the bill; none where none was."""
        now = self.prices.now()
        if now.since.empty:
            return []
        sums = self.board.sums()
        ratio = self.live.inputs.settings.takeoff.contingency_ratio
        nights, rows = self.nights(), []
        for scope, states in views.SCOPES.items():
            then, lines = views.read_difference(sums, states)
            new = views.bottom(sums, now.prices, ratio, nights, states)
            old = views.bottom(sums, self.live.inputs.prices, ratio, nights, states, then)
            rows.append({"what": views.SCOPE_WORDS[scope], "then": money(old.whole),
                         "now": money(new.whole), "more": signed(new.whole - old.whole),
                         "lines": money(lines)})  # fmt: skip
        return rows


SHOWN: dict[str, Any] = {"money": money, "percent": percent, "signed": signed, "states": [
    (name, views.STATE_WORDS[name]) for name in STATES
]}  # fmt: skip


def routes(room: Room) -> Sequence[BaseRoute]:
    """Give the addresses of this desk."""
    desk = Desk(room)
    room.ahead.append(desk.board.sums)
    return [*_totals(desk), *_week(desk), *PriceDesk(desk).routes(), *_drivers(desk), *_files(desk)]


def _totals(desk: Desk) -> Sequence[BaseRoute]:
    def page(request: Request) -> Response:
        token = desk.token()
        return desk.page(request, "estimator.html", seen=token, **desk.totals())

    def figures(request: Request) -> Response:
        token = desk.news(request)
        if token is None:
            return Response(status_code=204)
        return desk.page(request, "estimator_totals.html", seen=token, **desk.totals())

    def why(request: Request) -> Response:
        asked = dict(request.query_params)
        found = explain(desk.live, desk.board, desk.prices.now().prices, asked)
        return desk.page(request, "estimator_why.html", why=found)

    return [
        Route("/estimator", page),
        Route("/estimator/totals", figures),
        Route("/estimator/why", why),
    ]


def _week(desk: Desk) -> Sequence[BaseRoute]:
    def shown(request: Request) -> dict[str, Any]:
        week = desk.week.now()
        if week is None:
            return {"week": None, "key": "", "names": {}}
        keys = {one.key for one in week.routes} | {week.key, "rest", "project"}
        key = request.query_params.get("route", week.key)
        key = key if key in keys else week.key
        level = week.level_of(key)
        sums = rows_at(week.tables["bill_sums"], level, key)
        changed = len(set(desk.prices.now().since["price_id"]))
        return {
            "week": week, "key": key, "names": _names(week), "changed_prices": changed,
            "net": views.week_net(rows_at(week.tables["quantity_sums"], level, key), key),
            "orders": views.week_orders(rows_at(week.tables["orders"], level, key), key),
            "bill": views.week_bill(rows_at(week.tables["bill"], level, key), key),
            "sum": sums[0] if sums else None,
            "shortages": views.week_shortages(week.tables["shortages"]),
        }  # fmt: skip

    def page(request: Request) -> Response:
        token = desk.token(with_week=True)
        return desk.page(request, "estimator_week.html", seen=token, **shown(request))

    def figures(request: Request) -> Response:
        token = desk.news(request, with_week=True)
        if token is None:
            return Response(status_code=204)
        return desk.page(request, "estimator_week_figures.html", seen=token, **shown(request))

    def why(request: Request) -> Response:
        week, asked = desk.week.now(), dict(request.query_params)
        found = None if week is None else explain_week(week, asked)
        return desk.page(request, "estimator_why.html", why=found)

    return [
        Route("/estimator/week", page),
        Route("/estimator/week/figures", figures),
        Route("/estimator/week/why", why),
    ]


def _names(week: WeekFigures) -> dict[str, str]:
    """Name what is added up, by its key."""
    whole = {week.key: "Whole week", "rest": "Accepted, not in this week", "project": "Project"}
    return whole | {one.key: f"{one.date}, {one.crew}" for one in week.routes}


def _drivers(desk: Desk) -> Sequence[BaseRoute]:
    def scope_of(request: Request) -> str:
        asked = request.query_params.get("of", "")
        return asked if asked in views.SCOPES else "likely"

    def page(request: Request) -> Response:
        token, scope = desk.token(), scope_of(request)
        return desk.page(request, "estimator_drivers.html", seen=token, **desk.drivers.of(scope))

    def figures(request: Request) -> Response:
        token, scope = desk.news(request), scope_of(request)
        if token is None:
            return Response(status_code=204)
        made = desk.drivers.of(scope)
        return desk.page(request, "estimator_drivers_figures.html", seen=token, **made)

    def file(request: Request) -> Response:
        return _csv("drivers.csv", drivers_csv(ranked(desk, scope_of(request))))

    return [
        Route("/estimator/drivers", page),
        Route("/estimator/drivers/figures", figures),
        Route("/estimator/files/drivers.csv", file),
    ]


def _files(desk: Desk) -> Sequence[BaseRoute]:
    def totals(_: Request) -> Response:
        desk.live.catch_up()
        return _csv("totals.csv", totals_csv(desk.board.sums()))

    def bill(_: Request) -> Response:
        desk.live.catch_up()
        return _csv("bill.csv", bill_csv(desk.board.sums()))

    def prices(_: Request) -> Response:
        return _csv("prices.csv", prices_csv(desk.prices.now().prices))

    def week(_: Request) -> Response:
        found = desk.week.now()
        if found is None:
            return PlainTextResponse("No plan was made yet: there is no week to write.\n", 404)
        return _csv("week.csv", week_csv(found))

    def book(_: Request) -> Response:
        found = desk.room.weeks.now()
        path = None if found is None else found.run.folder / _BOOK
        if path is None or path.is_symlink() or not path.is_file():
            return PlainTextResponse("No plan stands that holds a workbook.\n", 404)
        name = f"totals-{path.parent.name}.xlsx"
        return Response(path.read_bytes(), media_type=_BOOK_TYPE, headers=_as_file(name))

    return [
        Route("/estimator/files/totals.csv", totals),
        Route("/estimator/files/bill.csv", bill),
        Route("/estimator/files/prices.csv", prices),
        Route("/estimator/files/week.csv", week),
        Route("/estimator/files/totals.xlsx", book),
    ]


def _csv(name: str, text: str) -> Response:
    return Response(text, media_type="text/csv; charset=utf-8", headers=_as_file(name))


def _as_file(name: str) -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="{name}"'}
