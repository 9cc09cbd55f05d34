"""What every reader of coded rows gives, whatever the form of its file.

A reader turns its file into rows of text under the column names of `FORM`: decimal point,
metres, millimetres, clock hours. All that follows (numbers, words, runs, code tables) is
the same for every form.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from planner.errors import Fault
from planner.inputs.cells import Style
from planner.inputs.csv_text import CsvRows
from planner.tables import Table, date, flag, number, text

FORM = Table(
    "observation rows",
    "one row of the canonical form: the run it belongs to, and what was coded",
    (
        text("inspection_id", "camera run; blank = told apart by pipe, start node and day"),
        text("pipe_id", "pipe as the file names it"),
        text("start_node", "node the counter started at"),
        text("end_node", "node it ran towards"),
        text("direction", "down or up"),
        date("date", "day of the survey"),
        number("surveyed_m", "m", "counter reading at the end of the run", low=0),
        flag("complete", "the far node was reached"),
        text("zero_at", "zero of the counter"),
        text("laterals_coded", "connections were coded", one_of=("yes", "no", "unknown")),
        number("size_mm", "mm", "height as coded", low=0),
        number("width_mm", "mm", "width as coded", low=0),
        text("shape", "profile as coded"),
        text("material", "material as coded"),
        number("stated_m", "m", "length that the survey was told to expect", low=0),
        number("joint_every_m", "m", "length of one pipe unit as coded", low=0),
        text("edition", "edition of the coding scheme"),
        number("s_m", "m", "counter reading"),
        text("code", "main code"),
        text("char1", "first characterisation"),
        text("char2", "second characterisation"),
        text("q1", "first quantification, as written"),
        text("q2", "second quantification, as written"),
        number("clock_from_h", "clock h", "clock from", low=1, high=12),
        number("clock_to_h", "clock h", "clock to", low=1, high=12),
        text("stretch", "continuous code"),
        text("joint", "A or yes = at a joint"),
        text("remark", "remark"),
        text("photo", "photo reference"),
        text("video", "video reference"),
        number("video_s", "s", "second in the video", low=0),
    ),
)


@dataclass(frozen=True)
class CodedFile:
    """Rows of one file in canonical columns, and what the file says of itself.

    ``rows.header`` holds names of `FORM`, and names of the file's own that no column takes;
    ``rows.row`` the line in the file (or the number of the element in it); ``rows.faults``
    what could not be read. A run in which nothing was coded is a row with a head and no
    station or code. ``scheme`` is the coding scheme, '' where the file does not say;
    ``zero_at`` the zero of the counter where no row says it, '' unknown; ``said`` what was
    found out about the file (separator, edition), each as one line for `sleeveplan check`;
    ``flags`` pairs of key and doubt; ``units`` the unit of a column that the file holds in
    another one than `FORM`.
    """

    rows: CsvRows
    scheme: str = ""
    zero_at: str = ""
    said: tuple[str, ...] = ()
    flags: list[tuple[str, str]] = field(default_factory=list)
    units: Mapping[str, str] = field(default_factory=dict)


Reader = Callable[[Path, str], CodedFile]
"""A reader takes the path and the file's name in messages; it raises `FileError`."""


def rows_of(
    file: str,
    columns: Mapping[str, Sequence[str]],
    row: Sequence[int],
    faults: Sequence[Fault] = (),
    encoding: str = "",
    decimal: Style = "point",
) -> CsvRows:
    """Put the texts that a reader found, by column of `FORM`, into rows.

    Parameters
    ----------
    file
        Its name in messages.
    columns
        Texts by column, all of one length.
    row
        Line of each row in the file, or number of the element.
    faults
        What could not be read.
    encoding
        Of the file, for the record.
    decimal
        Sign of its numbers.
    """
    names = tuple(columns)
    arrays = [pd.array(list(columns[name]), dtype="str") for name in names]
    cells = pd.DataFrame(dict(enumerate(arrays)), index=range(len(row)))
    return CsvRows(
        file, names, cells, np.asarray(row, dtype=np.int64), "", encoding, list(faults), decimal
    )
