"""Lots on the shelf, from ``lots.csv``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import LOTS
from planner.errors import Fault
from planner.inputs.forms import read_form, refuse
from planner.inputs.refusals import refuse_gaps
from planner.tables import conform

FILE = "lots.csv"
_NEEDS = {
    "sleeve": ("dn_mm", "length_m", "pieces_count"),
    "resin": ("mass_kg",),
    "roll": ("length_m",),
}
_TURNED = (("made_on", "use_by"), ("min_c", "max_c"))


def read_lots(path: Path, *, file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read the lots.

    Parameters
    ----------
    path
        A CSV with the columns of `LOTS`.
    file
        Name in messages.

    Returns
    -------
    lots, faults
        Obeys `LOTS`. Refused: a lot without use_by (nobody knows that it is still good),
        without the figures of its kind, made after its last day, or that stands twice.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column that may not be blank.
    """
    name = file or path.name
    frame, faults = read_form(path, LOTS, as_written=("lot", "note"), file=name)
    frame = refuse_gaps(frame, _NEEDS, name, faults)
    for low, high in _TURNED:
        known = (frame[low] != "") & (frame[high] != "") if low == "made_on" else True
        turned = frame.index[known & (frame[low] > frame[high]).fillna(value=False)]
        bad = dict.fromkeys(
            turned, f"no later than {high}" if low == "made_on" else f"below {high}"
        )
        frame = refuse(frame, bad, low, name, faults)
    twice = frame.index[frame.duplicated(list(LOTS.key))]
    frame = refuse(frame, dict.fromkeys(twice, "a lot once"), "lot", name, faults)
    return conform(frame, LOTS), faults
