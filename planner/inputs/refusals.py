"""Refusals that several readers share: unknown systems, sizes that overlap, figures missing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from planner.errors import Fault
from planner.inputs.forms import refuse


def refuse_strange_systems(
    frame: pd.DataFrame, names: Iterable[str], prefix: str, file: str, faults: list[Fault]
) -> pd.DataFrame:
    """Take out rows of a system that could not be read; see `forms.refuse`.

    Parameters
    ----------
    frame
        Rows with the column ``system``.
    names
        Systems that could be read.
    prefix, file, faults
        As for `forms.refuse`.
    """
    bad = dict.fromkeys(frame.index[~frame["system"].isin(names)], "a system that could be read")
    return refuse(frame, bad, f"{prefix}.system", file, faults)


def refuse_gaps(
    frame: pd.DataFrame, needs: Mapping[str, Sequence[str]], file: str, faults: list[Fault]
) -> pd.DataFrame:
    """Take out rows that lack a figure which their ``item`` needs; see `forms.refuse`.

    Parameters
    ----------
    frame
        Rows with the column ``item``.
    needs
        Columns that may not be blank, by item.
    file, faults
        As for `forms.refuse`.
    """
    for item, columns in needs.items():
        for column in columns:
            gap = frame.index[(frame["item"] == item) & frame[column].isna()]
            frame = refuse(frame, dict.fromkeys(gap, f"a figure, for {item}"), column, file, faults)
    return frame


def covered_sizes(frame: pd.DataFrame, by: Sequence[str], thing: str) -> dict[Any, str]:
    """Find rows whose sizes begin inside those of an earlier row of the same thing.

    Parameters
    ----------
    frame
        Rows with ``dn_from_mm`` and ``dn_to_mm`` [mm]; a blank end is open.
    by
        Columns that say what is the same thing.
    thing
        What it is called in messages.

    Returns
    -------
    bad
        As `forms.refuse` takes it.
    """
    bad: dict[Any, str] = {}
    low, high = frame["dn_from_mm"].fillna(-np.inf), frame["dn_to_mm"].fillna(np.inf)
    order = frame.assign(_low=low, _high=high).sort_values([*by, "_low"], kind="stable")
    for _, part in order.groupby(list(by), sort=True):
        reach = np.maximum.accumulate(part["_high"].to_numpy())
        inside = part["_low"].to_numpy()[1:] <= reach[:-1]
        wanted = f"sizes that no other row of the {thing} covers"
        bad |= dict.fromkeys(part.index[1:][inside], wanted)
    return bad
