"""The form on which people decide: accept or refuse a pipe's choice, settle a span."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import DECISIONS
from planner.errors import Fault
from planner.ground.own_place import read_own_place
from planner.inputs.forms import read_form, refuse
from planner.tables import conform

_OF_PIPE = ("accept", "refuse", "hold")
_OF_SPAN = ("watch", "nothing", "limit", "place")
_VALUED = ("limit", "place")


def read_decisions(path: Path, *, file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read a form of decisions.

    Parameters
    ----------
    path
        A CSV with pipe_id, span_id (blank = the pipe's choice), decision, by, on, reason, and
        value where a limit is set for one span or its sleeve is placed.
    file
        Name in messages.

    Returns
    -------
    decisions, faults
        The columns of `DECISIONS` in the order of the form, all with version 0: the store
        numbers them. Refused: accept, refuse or hold with a span, watch, nothing, limit
        or place without one, a place that cannot be read, a row without name, day or reason.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column.
    """
    name = file or path.name
    derived = ("version", "fingerprint", "at", "opened")
    frame, faults = read_form(
        path, DECISIONS, derived=derived, as_written=("by", "reason", "value"), file=file
    )
    spanless = frame["span_id"] == ""
    of_pipe, of_span = frame["decision"].isin(_OF_PIPE), frame["decision"].isin(_OF_SPAN)
    wanted = "a blank span_id: accept, refuse and hold are for the whole pipe"
    bad = dict.fromkeys(frame.index[of_pipe & ~spanless], wanted)
    wanted = "a span_id: watch, nothing, limit and place are for one span"
    bad |= dict.fromkeys(frame.index[of_span & spanless], wanted)
    frame = refuse(frame, bad, "span_id", name, faults)
    limit, valued = frame["decision"] == "limit", frame["value"] != ""
    bad = dict.fromkeys(frame.index[limit & ~valued], "a limit such as allow-gap.gap_mm.ok = 35")
    plain = valued & ~frame["decision"].isin(_VALUED)
    bad |= dict.fromkeys(frame.index[plain], "a blank value: only a limit and a place have one")
    places = frame.loc[frame["decision"] == "place", "value"].astype(str).map(read_own_place)
    bad |= {index: place for index, place in places.items() if isinstance(place, str)}
    frame = refuse(frame, bad, "value", name, faults).reset_index(drop=True)
    numbered = conform(frame.assign(version=range(1, len(frame) + 1)), DECISIONS)
    # The contract wants versions that differ; those of the store do. Until then it is 0.
    return numbered.assign(version=pd.array([0] * len(numbered), dtype="Int64")), faults
