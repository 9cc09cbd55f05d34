"""The map of the engineer's desk: lines of pipes and streets once, their looks as they stand.

Lines are packed as the plan's map packs them, and sent compressed.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import threading
from typing import Any

from planner.inputs.project import Inputs
from planner.outputs.layers import pipe_classes
from planner.outputs.packing import has_shape, pack_shapes, pack_text, shapes_of
from planner.outputs.panel import looks
from planner.review.live import Live

_LEVEL = 5


class PipeMap:
    """Gives the map's data, packed once for each state of the project."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._lock = threading.Lock()
        self._lines: tuple[Inputs, dict[str, Any]] | None = None
        self._packed: tuple[int, str, bytes] | None = None

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
        return pipe_classes(self._live.rows_of(pipe_id))[0]

    def _data(self, version: int) -> dict[str, Any]:
        tables, inputs = self._live.proposal().tables, self._live.inputs
        if self._lines is None or self._lines[0] is not inputs:
            self._lines = (inputs, _lines(inputs, self._live.facts.local_crs))
        drawn = has_shape(tables["pipes"])
        by_pipe = dict(zip(tables["pipes"]["pipe_id"], pipe_classes(tables), strict=True))
        lines = self._lines[1]
        words = pack_text([by_pipe[name] for name in lines["pipes"]["id"]])
        pipes = {**lines["pipes"], "class": words}
        undrawn = int((~drawn).sum())
        imperial = self._live.facts.units == "us"
        told = {"looks": looks(), "version": version, "undrawn": undrawn, "imperial": imperial}
        return {**lines, "pipes": pipes, **told}


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
