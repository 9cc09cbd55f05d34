"""Prices on the estimator's desk: the table, one that is being changed, what others changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from planner.contracts.sums import PRICE_AMOUNTS
from planner.errors import StaleError
from planner.ground.money import money
from planner.inputs.price_edits import AMOUNT_WORDS
from planner.inputs.repriced import or_zero
from planner.review.totals_prices import PriceNow
from planner.review.totals_words import metres, typed
from planner.review.trouble import whole
from planner.tables import records_in

if TYPE_CHECKING:
    from planner.review.estimator import Desk

MOST_REASON, MOST_AMOUNT = 500, 40


class PriceDesk:
    """The addresses of prices."""

    def __init__(self, desk: Desk) -> None:
        """Stand on the desk they belong to."""
        self._desk = desk

    def routes(self) -> Sequence[BaseRoute]:
        """Give them."""
        return [
            Route("/estimator/prices", self.page, methods=["GET"]),
            Route("/estimator/prices", self.change, methods=["POST"]),
            Route("/estimator/prices/form", self.form),
            Route("/estimator/prices/news", self.news),
        ]

    def page(self, request: Request) -> Response:
        """Show all prices."""
        token, now = self._desk.token(), self._desk.prices.now()
        return self._page(request, "estimator_prices.html", now, seen=token)

    def form(self, request: Request) -> Response:
        """Give the fields of one price."""
        if not request.scope["person"].may("price"):
            return PlainTextResponse("Only an estimator may change prices.\n", 403)
        now = self._desk.prices.now()
        row = self._row(now, request.query_params.get("price_id", ""))
        if row is None:
            return PlainTextResponse("There is no such price any more.\n", 404)
        given = {name: typed(or_zero(row[name])) for name in PRICE_AMOUNTS}
        return self._form(request, now, row, given)

    async def change(self, request: Request) -> Response:
        """Take in a change of one price."""
        async with request.form() as form:
            # The store may have to wait for another writer; nobody else shall wait with it.
            return await run_in_threadpool(self._change, request, form)

    def news(self, request: Request) -> Response:
        """Give what others changed meanwhile; a row in which somebody types is left alone."""
        token = self._desk.news(request)
        if token is None:
            return Response(status_code=204)
        now, after = self._desk.prices.now(), whole(request.query_params.get("edit", "")) or 0
        ids = set(now.edits.loc[(now.edits["version"] > after).to_numpy(bool), "price_id"])
        return self._page(request, "estimator_prices_news.html", now, seen=token, fresh=ids)

    def _change(self, request: Request, form: FormData) -> Response:
        person = request.scope["person"]
        if not person.may("price"):
            return PlainTextResponse("Only an estimator may change prices.\n", 403)
        texts = {key: value for key, value in form.items() if isinstance(value, str)}
        price_id, seen = texts.get("price_id", ""), texts.get("seen", "")
        now = self._desk.prices.now()
        row = self._row(now, price_id)
        if row is None:
            return PlainTextResponse("There is no such price any more.\n", 404)
        reason = texts.get("reason", "").strip()
        given = {name: texts.get(name, "") for name in PRICE_AMOUNTS}
        fault = _fault(reason, given)
        if fault:
            given = {name: text[:MOST_AMOUNT] for name, text in given.items()}
            reason = reason[:MOST_REASON]
            return self._form(request, now, row, given, said=[fault], reason=reason, status=422)
        try:
            known = whole(seen) or 0
            made = self._desk.prices.change(price_id, given, person.name, reason, known)
        except StaleError as error:
            now = self._desk.prices.now()
            row = self._row(now, price_id) or row
            others = _changes(now, price_id, known)
            return self._form(
                request,
                now,
                row,
                given,
                said=[str(error)],
                others=others,
                reason=reason,
                status=409,
            )
        if made.taken.empty:
            return self._form(
                request, now, row, given, said=made.refused, reason=reason, status=422
            )
        now = self._desk.prices.now()
        return self._page(
            request, "estimator_prices_taken.html", now, fresh={price_id}, told=made.lines
        )

    def _page(self, request: Request, name: str, now: PriceNow, **values: Any) -> Response:  # noqa: ANN401
        return self._desk.page(
            request, name,
            rows=self._rows(now), edit=now.version, effect=self._desk.effect(),
            since=changes_told(now.since), may=request.scope["person"].may("price"), **values,
        )  # fmt: skip

    def _form(  # noqa: PLR0913 - what a form shows
        self,
        request: Request,
        now: PriceNow,
        row: Mapping[str, Any],
        given: Mapping[str, str],
        *,
        said: Sequence[str] = (),
        others: Sequence[str] = (),
        reason: str = "",
        status: int = 200,
    ) -> Response:
        return self._desk.room.pages.page(
            request, "estimator_price_form.html", status=status,
            row=self._shown(row), given=given, said=said, others=others,
            reason=reason, seen=now.last(str(row["price_id"])),
        )  # fmt: skip

    def _rows(self, now: PriceNow) -> list[dict[str, Any]]:
        return [self._shown(row) for row in records_in(now.prices)]

    def _row(self, now: PriceNow, price_id: str) -> dict[str, Any] | None:
        own = now.prices[(now.prices["price_id"] == price_id).to_numpy(bool)]
        return records_in(own)[0] if len(own) else None

    def _shown(self, row: Mapping[str, Any]) -> dict[str, Any]:
        """Give one price in words; its number in the table stays while the server runs."""
        ids = self._desk.live.inputs.prices["price_id"].tolist()
        counts = self._desk.live.made.tables["price_quantities"]
        out = counts[(counts["price_id"] == row["price_id"]).to_numpy(bool)]
        idle = len(out) > 0 and not bool(out["in_force"].iloc[0])
        any_size = row["dn_from_mm"] <= 0 and row["dn_to_mm"] >= 100_000
        sizes = "any" if any_size else f"{row['dn_from_mm']:g} to {row['dn_to_mm']:g}"
        return {
            "number": ids.index(row["price_id"]),
            "price_id": row["price_id"],
            "item": str(row["item"]).replace("_", " "),
            "system": row["system"],
            "sizes": sizes,
            "each": money(or_zero(row["each_cents"])),
            "included": metres(row["included_m"]) if row["included_m"] else "",
            "extra": money(extra) if (extra := or_zero(row["extra_cents_per_m"])) else "",
            "least": money(or_zero(row["least_cents"])) if or_zero(row["least_cents"]) else "",
            "year": "" if pd.isna(row["year"]) else row["year"],
            "place": row["place"],
            "source": row["source"],
            "idle": out["why"].iloc[0] if idle else "",
        }


def _fault(reason: str, given: Mapping[str, str]) -> str:
    """Say what is missing or too long in a form; '' where it is whole."""
    if not reason:
        return "Why the price changes is wanted: it stands in the log."
    if len(reason) > MOST_REASON:
        return f"Why the price changes has at most {MOST_REASON} signs."
    if max(map(len, given.values())) > MOST_AMOUNT:
        return f"An amount has at most {MOST_AMOUNT} signs."
    return ""


def changes_told(edits: pd.DataFrame) -> list[str]:
    """Say each change of a price in a line."""
    return [
        f"{row['price_id']}: {AMOUNT_WORDS[row['amount']]} {money(int(row['old_cents']))} -> "
        f"{money(int(row['new_cents']))}, by {row['by']} on {row['on']}: {row['reason']}"
        for row in records_in(edits)
    ]


def _changes(now: PriceNow, price_id: str, after: int) -> list[str]:
    own = now.edits[(now.edits["price_id"] == price_id).to_numpy(bool)]
    return changes_told(own[(own["version"] > after).to_numpy(bool)])
