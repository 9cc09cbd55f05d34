"""Temperatures of ``[conditions]``: a date or a month each, laid out by planned day."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta

import pandas as pd

from planner.contracts import CONDITIONS
from planner.errors import SettingsError, shown
from planner.inputs.specs import ConditionSpec
from planner.tables import conform

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_MONTH = re.compile(r"(\d{4}-)?(0[1-9]|1[0-2])")


def check_period(period: str, where: str) -> None:
    """Refuse a key of ``[conditions]`` that is neither a date nor a month.

    Raises
    ------
    SettingsError
        With the key and what is wanted.
    """
    good = bool(_MONTH.fullmatch(period))
    if _DAY.fullmatch(period):
        try:
            good = bool(date.fromisoformat(period))
        except ValueError:
            good = False
    if not good:
        message = f"{where}: {shown(period)} is no date or month; wanted 2026-01-12, 2026-01 or 01"
        raise SettingsError(message)


def lay_out(stated: Mapping[str, ConditionSpec], first_day: str, days: int) -> pd.DataFrame:
    """Give the temperatures of each planned day.

    A date goes before its month, a month with its year before the month of any year.

    Parameters
    ----------
    stated
        By date or month, as ``[conditions]`` has them.
    first_day
        First planned day, YYYY-MM-DD; '' = not stated, and each period stands alone.
    days
        Days planned.

    Returns
    -------
    conditions
        Obeys `CONDITIONS`; empty where nothing is stated, else a row for each planned day,
        blank where no period names it.

    Raises
    ------
    SettingsError
        If the first day is none of the calendar.
    """
    if not stated:
        return conform([], CONDITIONS)
    if not first_day:
        return conform([_row("", period, stated) for period in stated], CONDITIONS)
    try:
        start = date.fromisoformat(first_day)
    except ValueError as error:
        message = f"project.first_day: {first_day} is no day of the calendar"
        raise SettingsError(message) from error
    rows = []
    for ahead in range(days):
        day = (start + timedelta(days=ahead)).isoformat()
        names = [name for name in (day, day[:7], day[5:7]) if name in stated]
        rows.append(_row(day, names[0] if names else "", stated))
    return conform(rows, CONDITIONS)


def _row(day: str, period: str, stated: Mapping[str, ConditionSpec]) -> dict[str, object]:
    figures = stated[period].model_dump() if period else {}
    return {"date": day, "period": period, **figures}
