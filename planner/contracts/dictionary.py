"""What the columns of a table mean, for a person at a notebook or a shell."""

from __future__ import annotations

import pandas as pd

from planner.tables import Table


def describe(table: Table) -> pd.DataFrame:
    """Print-ready data dictionary of `table`: column, kind, unit, may be blank, bounds, meaning."""
    rows = []
    for column in table.columns:
        bounds = " | ".join(column.one_of)
        if column.low is not None or column.high is not None:
            bounds = f"{column.low} .. {column.high}".replace("None", "")
        rows.append(
            {
                "column": column.name,
                "kind": column.kind,
                "unit": column.unit,
                "blank": "yes" if column.blank else "no",
                "bounds": bounds,
                "meaning": column.meaning,
            }
        )
    return pd.DataFrame(rows)
