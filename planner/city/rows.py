"""The rows of a part in files: coded rows know their run by its place, not by its name.

Names of runs and of rows are put together again where a part is read; where they do not
follow from the places they are kept as texts.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from planner.arrays import texts_of
from planner.city.filing import fill_aside, read_frame, write_frame, write_record
from planner.contracts import (
    AS_BUILT,
    DECISIONS,
    INSPECTIONS,
    LATERALS,
    MEASURED,
    NODES,
    OBSERVATIONS,
    PIPES,
)
from planner.tables import conform

_PLAIN = {"pipes": PIPES, "nodes": NODES, "laterals": LATERALS, "as_built": AS_BUILT,
          "measured": MEASURED, "decisions": DECISIONS}  # fmt: skip
_MATCHING = ("refused", "through")
_RUN = "run"


def write_rows(target: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write the rows of a part into a folder, aside and renamed; an earlier one is replaced.

    Parameters
    ----------
    target
        The folder.
    tables
        As `split.Town.part` gives them: each sorted by pipe, and ``matching`` row for row
        beside ``inspections``.
    """

    def fill(part: Path) -> None:
        runs = tables["inspections"]
        for name in _PLAIN:
            write_frame(part / f"{name}.parquet", tables[name])
        write_frame(part / "inspections.parquet", runs)
        write_frame(part / "matching.parquet", tables["matching"][list(_MATCHING)])
        write_frame(part / "observations.parquet", _by_place(tables["observations"], runs))
        write_record(part, {})

    fill_aside(target, fill)


def read_rows(folder: Path) -> dict[str, pd.DataFrame]:
    """Read what `write_rows` wrote, by the contracts; ``matching`` has the name of each run.

    Raises
    ------
    CityError
        If a file is damaged.
    """
    rows = {name: read_frame(folder / f"{name}.parquet", table) for name, table in _PLAIN.items()}
    runs = read_frame(folder / "inspections.parquet")
    matching = read_frame(folder / "matching.parquet")
    rows["matching"] = matching.assign(inspection_id=runs["inspection_id"].array)
    observations = read_frame(folder / "observations.parquet")
    rows["inspections"] = conform(runs, INSPECTIONS)
    rows["observations"] = conform(_by_name(observations, runs), OBSERVATIONS)
    return rows


def _by_place(rows: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Put the places of runs for their names, where names of runs and rows follow from them."""
    at = pd.Index(runs["inspection_id"]).get_indexer(pd.Index(rows["inspection_id"]))
    if (at < 0).any() or rows["row"].isna().any():
        return rows
    names = _names(runs, at, rows["row"])
    if not (rows["observation_id"].array == names["observation_id"]).all():
        return rows
    return rows.drop(columns=list(names)).assign(**{_RUN: at.astype(np.int32)})


def _by_name(rows: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Put the names back."""
    if _RUN not in rows.columns:
        return rows
    return rows.assign(**_names(runs, rows[_RUN].to_numpy(), rows["row"]))


def _names(runs: pd.DataFrame, at: Any, row: pd.Series) -> dict[str, Any]:  # noqa: ANN401 - places
    """Give the names of the runs at the places `at`, and of their rows."""
    ids = runs["inspection_id"].array.take(at)
    numbers = pa.array(row.to_numpy(dtype=np.int64)).cast(pa.large_string())
    plain: Any = pa.array(ids)
    joined = pc.binary_join_element_wise(plain, numbers, pa.scalar("#", pa.large_string()))
    return {"inspection_id": ids, "observation_id": texts_of(joined)}
