"""Prices changed in the workbook, back into a project folder."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import PRICE_CHANGES
from planner.inputs.project import read_project
from planner.inputs.repriced import FILE, read_workbook_prices
from planner.outputs.files import write_table
from planner.tables import conform


def take_prices(folder: Path, workbook: Path) -> list[str]:
    """Take the prices that were changed in a workbook; prices.toml itself is not written.

    Parameters
    ----------
    folder
        Project folder.
    workbook
        A ``totals.xlsx`` of it, with other amounts on its page of prices.

    Returns
    -------
    lines
        One for each refused cell, one for each changed price, what was written.

    Raises
    ------
    PlannerError
        If project or workbook cannot be read.
    """
    inputs = read_project(folder, {})
    found = read_workbook_prices(workbook, inputs.prices)
    lines = [*(str(fault) for fault in found.faults), *found.lines]
    if found.changes.empty:
        return [*lines, "no price differs from those in force; nothing was written"]
    both = pd.concat([inputs.price_changes, found.changes]).drop_duplicates("price_id", keep="last")
    write_table(folder / FILE, conform(both, PRICE_CHANGES), PRICE_CHANGES)
    count = len(found.changes)
    return [*lines, f"{count} prices changed, kept in {FILE}; plan again to use them"]
