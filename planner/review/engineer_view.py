"""What the templates of the engineer's desk are filled with."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from starlette.requests import Request

from planner.contracts.repairs import WAY_WORDS
from planner.outputs.layers import CLASS_OF_METHOD
from planner.repairs.accept import METHOD_WORDS
from planner.repairs.decide_spans import decided_spans, latest, records
from planner.review.pipe_map import PipeMap
from planner.review.room import Room
from planner.review.span_detail import detail_of
from planner.review.span_list import Row, SpanList, Wanted
from planner.review.span_words import (
    Said,
    SpanRow,
    method_words,
    money,
    said,
    span_row,
    steps_words,
)

Values = dict[str, Any]
SHOWN_DECISIONS = 30
"""So many of a pipe's decisions stand in the opened row; the log has all."""


class EngineerView:
    """The list and the map in memory, and how their rows are shown to one person."""

    def __init__(self, room: Room) -> None:
        self._live = room.live
        self.spans = SpanList(room.live)
        self.map = PipeMap(room.live)

    def page_values(self, request: Request, wanted: Wanted, after: str = "") -> Values:
        """Give what a page of the list is filled with."""
        page = self.spans.page(wanted, after)
        rows = [self._shown(request, row) for row in page.rows]
        counted = {"spans": page.spans, "of_pipes": page.pipes, "counts": page.counts}
        return {"wanted": wanted, "rows": rows, "more": page.more, **counted}

    def rows(self, request: Request, pipe_id: str) -> list[SpanRow]:
        """Give the rows of one pipe in words."""
        return [self._shown(request, row) for row in self.spans.rows_of(pipe_id)]

    def detail(self, span_id: str) -> Values | None:
        """Give what the opened row is filled with; None where there is no such span."""
        live = self._live
        row = self.spans.row(span_id)
        if row is None:
            return None
        with live.lock:
            rows, decisions = live.rows_of(row["pipe_id"]), live.decisions_on(row["pipe_id"])
        row = self.spans.row(span_id)
        if row is None:
            return None
        # What was seen is never newer than what is shown.
        seen = min(int(row["seen"]), int(decisions["version"].max()) if len(decisions) else 0)
        decided = span_id in decided_spans(decisions)
        detail = detail_of(row, rows, live.facts, decided=decided)
        history = [said(one) for one in reversed(records(decisions.tail(SHOWN_DECISIONS)))]
        undone = latest(decisions[(decisions["span_id"] == "").to_numpy(bool)], "pipe_id")
        return {
            "row": span_row(row, live.facts, seen),
            "at": row,
            "detail": detail,
            "history": history,
            "earlier": len(decisions) - len(history),
            "first": steps_words(row["first"]),
            **_form_values(row, detail.choice, rows["options"], undone=bool(undone)),
            "cost": money(row["cost_cents"], live.facts),
            "words_kept": {},
            "form_said": [],
            "form_kind": "bad",
            "theirs": [],
        }

    def newer(self, pipe_id: str, seen: int) -> list[Said]:
        """Give what was decided on a pipe since a person saw it."""
        own = records(self._live.decisions_on(pipe_id))
        return [said(one) for one in own if int(one["version"]) > seen]

    def own_version(self, pipe_id: str, by: str) -> int:
        """Give the number of the last decision that a person took on a pipe; 0 = none."""
        decisions = self._live.decisions_on(pipe_id)
        own = decisions.loc[(decisions["by"] == by).to_numpy(bool), "version"]
        return int(own.max()) if len(own) else 0

    def _shown(self, request: Request, row: Row) -> SpanRow:
        shown = span_row(row, self._live.facts, int(row["seen"]))
        may = request.scope["person"].may("decide")
        return shown if may and _plain(row) else replace(shown, acceptable=False)


def _plain(row: Row) -> bool:
    """Tell whether a row shows what accepting its pipe would accept: its own method, at a price."""
    same = CLASS_OF_METHOD.get(row["method"]) == row["verdict"]
    costed = row["method"] not in WAY_WORDS or not np.isnan(row["cost_cents"])
    return bool(same and costed and row["state"] == "proposed")


def _closed(row: Row) -> str:
    """Say why the pipe's choice cannot be accepted now; '' where it can."""
    if row["acceptable"]:
        return ""
    if row["state"] in ("accepted", "changed"):
        return "it is accepted already"
    return "the pipe is held: first decide the spans that the reason above names"


def _form_values(row: Row, choice: Row | None, options: Any, *, undone: bool) -> Values:  # noqa: ANN401
    """Give which words the form offers about the pipe's choice."""
    methods = {str(one["method"]) for one in records(options) if one["possible"]}
    named = [word for word in METHOD_WORDS if word in methods]
    return {
        "choice_line": "" if choice is None else method_words(row["method"], row["system"]),
        "changes_to": [] if choice is None else [w for w in named if w != row["method"]],
        "can_undo": undone,
        "accept_closed": _closed(row),
    }
