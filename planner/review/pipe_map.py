"""The map of the engineer's desk: lines of pipes and streets once, their looks as they stand.

Lines are packed as the plan's map packs them, and sent compressed.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import threading
from dataclasses import dataclass
from typing import Any

from planner.inputs.inputs import Inputs
from planner.outputs.layers import pipe_classes
from planner.outputs.packing import has_shape, pack_shapes, pack_text, shapes_of
from planner.outputs.panel import looks
from planner.review.live import Change, Live

_LEVEL = 5
_CLASSED = ("pipes", "inspections", "verdicts", "choices")
"""Tables that say in whose look a pipe is drawn."""


@dataclass
class _Drawn:
    """Lines of one reading of the project, and the word in whose look each pipe is drawn."""

    inputs: Inputs
    data: dict[str, Any]
    words: list[str]
    at: dict[str, int]
    undrawn: int


class PipeMap:
    """Gives the map's data, packed once for each state of the project."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._lock = threading.Lock()
        self._noting = threading.Lock()  # of what is due; taken after all others
        self._due: dict[str, None] = {}
        self._drawn: _Drawn | None = None
        self._packed: tuple[int, str, bytes] | None = None
        live.watch(self._note)

    def packed(self) -> tuple[str, bytes]:
        """Give what tells one state from another, and the JSON of this one, gzipped."""
        with self._lock:
            version = self._live.version
            if self._packed is None or self._packed[0] != version:
                text = json.dumps(self._data(version), separators=(",", ":")).encode("ascii")
                body = gzip.compress(text, _LEVEL, mtime=0)
                self._packed = (version, hashlib.sha256(body).hexdigest()[:24], body)
            return self._packed[1], self._packed[2]

    def look(self, pipe_id: str) -> str:
        """Give the word in whose look one pipe is drawn as it stands."""
        return pipe_classes(self._live.rows_of(pipe_id, *_CLASSED))[0]

    def _note(self, change: Change) -> None:
        with self._noting:
            self._due |= dict.fromkeys(change.pipe_ids)

    def _data(self, version: int) -> dict[str, Any]:
        drawn = self._caught_up()
        pipes = {**drawn.data["pipes"], "class": pack_text(drawn.words)}
        more = {"looks": looks(), "version": version, "undrawn": drawn.undrawn}
        more |= {"imperial": self._live.facts.units == "us"}
        return {**drawn.data, "pipes": pipes, **more}

    def _caught_up(self) -> _Drawn:
        """Draw all where the project was read anew, else only what changed since."""
        with self._noting:
            due, self._due = list(self._due), {}
        drawn, inputs = self._drawn, self._live.inputs
        if drawn is None or drawn.inputs is not inputs:
            self._drawn = self._draw(inputs)
            return self._drawn
        for pipe_id in due:
            at = drawn.at.get(pipe_id)
            if at is not None:
                drawn.words[at] = self.look(pipe_id)
        return drawn

    def _draw(self, inputs: Inputs) -> _Drawn:
        tables = self._live.proposal().tables
        drawn = has_shape(tables["pipes"])
        by_pipe = dict(zip(tables["pipes"]["pipe_id"], pipe_classes(tables), strict=True))
        data = _lines(inputs, self._live.facts.local_crs)
        ids = data["pipes"]["id"]
        at = {name: place for place, name in enumerate(ids)}
        return _Drawn(inputs, data, [by_pipe[name] for name in ids], at, int((~drawn).sum()))


def _lines(inputs: Inputs, crs: object) -> dict[str, Any]:
    pipes, streets = inputs.pipes, inputs.streets
    drawn, named = has_shape(pipes), has_shape(streets)
    part = pipes.loc[drawn]
    crs_of = getattr(pipes, "crs", None) or crs
    return {
        "pipes": {
            **pack_shapes(shapes_of(part), crs_of),
            "id": part["pipe_id"].astype(str).tolist(),
        },
        "streets": pack_shapes(
            shapes_of(streets.loc[named]), getattr(streets, "crs", None) or crs_of
        ),
    }
