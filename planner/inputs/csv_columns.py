"""A clean CSV cut into columns all at once; one that leaves any doubt is for `csv_text`.

Clean means: each line is one record of the header's width, and every quote opens a cell at
its begin or closes it at its end. Then the line of a record is its number, and this way and
the record by record one give the same cells.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pc

LONGEST_LINE = 100_000
_QUOTE, _LINE_FEED, _RETURN = ord('"'), ord("\n"), ord("\r")


def cut_clean(raw: bytes, separator: str) -> tuple[pd.DataFrame, npt.NDArray[np.int64]] | None:
    """Cut UTF-8 text into columns.

    Parameters
    ----------
    raw
        The text, header included.
    separator
        Between the cells.

    Returns
    -------
    cells, line
        A text column for each cell of the first line, by position, and the line of each row,
        1 = the first; rows without any text are left away. None where the text is not clean.
    """
    if not raw or not _is_clean(raw, ord(separator)):
        return None
    width = _width(raw.split(b"\n", 1)[0], separator)
    if width < 2:
        return None
    names = [f"f{i}" for i in range(width)]
    try:
        table = pc.read_csv(
            io.BytesIO(raw),
            read_options=pc.ReadOptions(column_names=names, block_size=1 << 22),
            parse_options=pc.ParseOptions(
                delimiter=separator, ignore_empty_lines=False, newlines_in_values=False
            ),
            convert_options=pc.ConvertOptions(
                strings_can_be_null=False,
                column_types=dict.fromkeys(names, pa.large_string()),
            ),
        )
    except (pa.ArrowException, ValueError):
        return None
    lines = raw.count(b"\n") + (not raw.endswith(b"\n"))
    if table.num_rows != lines:
        return None
    line = np.arange(1, lines + 1, dtype=np.int64)
    return _without_blank(table, line)


def _is_clean(raw: bytes, separator: int) -> bool:
    signs = np.frombuffer(raw, dtype=np.uint8)
    ends = np.flatnonzero(signs == _LINE_FEED)
    longest = np.diff(ends, prepend=-1, append=len(signs)).max(initial=0)
    if longest > LONGEST_LINE or raw.count(b"\r") != raw.count(b"\r\n"):
        return False
    quotes = np.flatnonzero(signs == _QUOTE)
    if len(quotes) == 0:
        return True
    if (np.bincount(np.searchsorted(ends, quotes)) % 2).any():
        return False
    edge = np.zeros(256, dtype=bool)
    edge[[separator, _LINE_FEED, _RETURN, _QUOTE]] = True
    framed = np.concatenate(([_LINE_FEED], signs, [_LINE_FEED]))
    opens, closes = quotes[::2], quotes[1::2]
    return bool(edge[framed[opens]].all() and edge[framed[closes + 2]].all())


def _width(line: bytes, separator: str) -> int:
    """Count the cells of a clean line: separators between quotes are text."""
    outside = line.split(b'"')[::2]
    return sum(part.count(separator.encode()) for part in outside) + 1


def _without_blank(
    table: Any,  # noqa: ANN401 - pyarrow has no types
    line: npt.NDArray[np.int64],
) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    frame: pd.DataFrame = table.to_pandas().set_axis(range(table.num_columns), axis=1)
    frame = frame.astype("str")
    maybe = np.flatnonzero(frame[0].str.strip().eq("").to_numpy(dtype=bool))
    some = frame.iloc[maybe]
    blank = np.ones(len(maybe), dtype=bool)
    for name in some.columns:
        blank &= some[name].str.strip().eq("").to_numpy(dtype=bool)
    keep = np.ones(len(frame), dtype=bool)
    keep[maybe[blank]] = False
    if keep.all():
        return frame, line
    return frame[keep].reset_index(drop=True), line[keep]
