"""The form on which people decide: accept or refuse a pipe's choice, settle a span."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import DECISIONS
from planner.errors import Fault
from planner.inputs.forms import read_form, refuse
from planner.tables import conform

_OF_PIPE = ("accept", "refuse")


def read_decisions(path: Path, *, file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read a form of decisions.

    Parameters
    ----------
    path
        A CSV with pipe_id, span_id (blank = the pipe's choice), decision, by, on, reason.
    file
        Name in messages.

    Returns
    -------
    decisions, faults
        The columns of `DECISIONS` in the order of the form, all with version 0: the store
        numbers them. Refused: accept or refuse with a span, any other word without one,
        a row without name, day or reason.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column.
    """
    name = file or path.name
    derived = ("version", "fingerprint")
    frame, faults = read_form(
        path, DECISIONS, derived=derived, as_written=("by", "reason"), file=file
    )
    of_pipe, spanless = frame["decision"].isin(_OF_PIPE), frame["span_id"] == ""
    wanted = "a blank span_id: accept and refuse are for the whole pipe"
    bad = dict.fromkeys(frame.index[of_pipe & ~spanless], wanted)
    wanted = "a span_id: any word but accept and refuse settles one referred span"
    bad |= dict.fromkeys(frame.index[~of_pipe & spanless], wanted)
    frame = refuse(frame, bad, "span_id", name, faults).reset_index(drop=True)
    numbered = conform(frame.assign(version=range(1, len(frame) + 1)), DECISIONS)
    # The contract wants versions that differ; those of the store do. Until then it is 0.
    return numbered.assign(version=pd.array([0] * len(numbered), dtype="Int64")), faults
