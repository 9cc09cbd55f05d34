"""What every reader of coded rows gives, whatever the form of its file.

A reader turns its file into rows of text under the canonical column names of
`observations.FORM`: decimal point, metres, millimetres, clock hours. All that follows
(numbers, words, runs, code tables) is the same for every form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from planner.inputs.csv_text import CsvRows


@dataclass(frozen=True)
class CodedFile:
    """Rows of one file in canonical columns, and what the file says of itself.

    ``rows.header`` holds names of `observations.FORM`; ``rows.row`` the line in the file (or
    the number of the element in it); ``rows.faults`` what could not be read. ``scheme`` is
    the coding scheme, '' where the file does not say; ``zero_at`` the zero of the counter
    where no row says it, '' unknown; ``said`` what was found out about the file
    (separator, edition), each as one line for `sleeveplan check`; ``flags`` pairs of key
    and doubt.
    """

    rows: CsvRows
    scheme: str = ""
    zero_at: str = ""
    said: tuple[str, ...] = ()
    flags: list[tuple[str, str]] = field(default_factory=list)


Reader = Callable[[Path, str], CodedFile]
"""A reader takes the path and the file's name in messages; it raises `FileError`."""
