"""Days of one column as YYYY-MM-DD, whatever wrote them; none is guessed.

A spreadsheet counts days from 1900 or 1904, a database milliseconds from 1970, and a day
such as 03/04/2025 has two readings unless another cell of the column settles the order.
"""

from __future__ import annotations

import datetime
import re

import numpy as np
import pandas as pd

from planner.errors import Fault, shown
from planner.inputs.cells import is_empty, read_date
from planner.inputs.csv_text import CsvRows

_SLASHED = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})(?:[ T]\d{1,2}:\d{2}.*)?")
_SERIAL = re.compile(r"\d{5}(?:\.\d+)?")
_EPOCH_MS = re.compile(r"\d{12,13}")
# Day 0 of each calendar; the one of 1900 counts a day that was not, 29 February 1900.
_DAY_0 = {1900: datetime.date(1899, 12, 30), 1904: datetime.date(1904, 1, 1)}
# Pipes are filmed since the 1960s: other numbers are no days (practice).
_FIRST, _LAST = datetime.date(1960, 1, 1), datetime.date(2100, 1, 1)


def days_of(texts: pd.Series, rows: CsvRows, epoch: int, faults: list[Fault]) -> pd.Series:
    """Write the days of one column alike.

    Parameters
    ----------
    texts
        As written.
    rows
        The rows they stand in, for messages.
    epoch
        Year the day numbers of the file count from.
    faults
        The list that grows: day numbers read as days, and days with two readings, which are
        left blank. A text that is no day stays and costs its row later.
    """
    codes, uniques = pd.factorize(texts)
    order = _slash_order([str(text) for text in uniques])
    out: list[str] = []
    for place, unique in enumerate(uniques):
        text = str(unique)
        day, told = _day_of(text, epoch, order)
        out.append(day)
        if told:
            line = int(rows.row[np.argmax(codes == place)])
            faults.append(Fault(rows.file, line, "date", shown(text), told, lost=False))
    return pd.Series(np.array([*out, ""], dtype=object)[codes], texts.index, dtype="str")


def _slash_order(texts: list[str]) -> str:
    """Say what stands first in days with slashes; '' where no cell, or two, settle it."""
    parts = [found for text in texts if (found := _SLASHED.fullmatch(text))]
    day_first = any(int(found[1]) > 12 for found in parts)
    month_first = any(int(found[2]) > 12 for found in parts)
    if day_first == month_first:
        return ""
    return "day" if day_first else "month"


def _day_of(text: str, epoch: int, order: str) -> tuple[str, str]:
    """Give a day, and what was wanted of the cell where its reading needs telling."""
    if is_empty(text):
        return "", ""
    slashed = _SLASHED.fullmatch(text)
    if slashed:
        first, second = int(slashed[1]), int(slashed[2])
        if not order and first != second and max(first, second) <= 12:
            return "", "a day as YYYY-MM-DD: day and month may be swapped; taken as not given"
        month_first = order == "month" or second > 12
        day, month = (second, first) if month_first else (first, second)
        return _made(int(slashed[3]), month, day) or text, ""
    counted = _counted(text, epoch)
    if counted:
        return counted, f"a day as YYYY-MM-DD; read as {counted}"
    return read_date(text) or text, ""


def _made(year: int, month: int, day: int) -> str:
    try:
        return datetime.date(year, month, day).isoformat()
    except ValueError:
        return ""


def _counted(text: str, epoch: int) -> str:
    """Read a count of days, or of milliseconds, that leads to a day of our time."""
    if _SERIAL.fullmatch(text):
        day = _DAY_0.get(epoch, _DAY_0[1900]) + datetime.timedelta(days=int(float(text)))
    elif _EPOCH_MS.fullmatch(text):
        day = datetime.date(1970, 1, 1) + datetime.timedelta(days=int(text) // 86_400_000)
    else:
        return ""
    return day.isoformat() if _FIRST <= day <= _LAST else ""
