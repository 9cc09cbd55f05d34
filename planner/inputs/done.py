"""What was done in the field, from ``done.csv``: matched by place, never by id."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import DONE
from planner.errors import Fault
from planner.inputs.forms import read_form, refuse
from planner.tables import conform

_PAIRS = (
    ("from_m", "to_m"),
    ("find_from_m", "find_to_m"),
    ("laterals_known_from_m", "laterals_known_to_m"),
)


def read_done(path: Path, *, file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read the steps that are done.

    Parameters
    ----------
    path
        A CSV with the columns of `DONE`: step, pipe_id or node_id, from_m, to_m (blank = the
        whole pipe), done_on, by, and what a look measured.
    file
        Name in messages.

    Returns
    -------
    done, faults
        Obeys `DONE`. Refused: a row that names neither pipe nor node, that names a node for
        a step other than check_access, that gives one end of a stretch only, or both in the
        wrong order.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column that may not be blank.
    """
    name = file or path.name
    frame, faults = read_form(path, DONE, derived=("done_id",), as_written=("by",), file=file)
    frame = _refuse_places(frame, name, faults)
    for low, high in _PAIRS:
        half = frame[low].isna() != frame[high].isna()
        turned = (frame[low] > frame[high]).fillna(value=False).astype(bool)
        bad = dict.fromkeys(frame.index[half], f"{low} and {high}, or neither")
        bad |= dict.fromkeys(frame.index[turned], f"{low} no larger than {high}")
        frame = refuse(frame, bad, low, name, faults)
    ids = [f"{name}:{row}" for row in frame["row"]]
    return conform(frame.assign(done_id=ids, file=name), DONE), faults


def _refuse_places(frame: pd.DataFrame, name: str, faults: list[Fault]) -> pd.DataFrame:
    nowhere = (frame["pipe_id"] == "") & (frame["node_id"] == "")
    at_node = (frame["pipe_id"] == "") & ~nowhere & (frame["step"] != "check_access")
    bad = dict.fromkeys(frame.index[nowhere], "a pipe_id or a node_id")
    bad |= dict.fromkeys(frame.index[at_node], "a pipe_id: only check_access is done at a node")
    return refuse(frame, bad, "pipe_id", name, faults)
