"""Surveys that stand twice: the same pipe, day and rows under another id."""

from __future__ import annotations

import pandas as pd

_TOLD = ("s_m", "code", "char1", "char2", "q1", "q2", "clock_from_h", "clock_to_h", "stretch")


def doubled_runs(runs: pd.DataFrame, observations: pd.DataFrame) -> dict[str, str]:
    """Find runs whose rows are those of another run of the same pipe and day.

    Parameters
    ----------
    runs
        Obeys `INSPECTIONS`, with pipe and counter node.
    observations
        Obeys `OBSERVATIONS`.

    Returns
    -------
    doubles
        ``{inspection_id: id of the first run with the same rows}``. Damage would else be
        counted twice; two runs of which one saw more are no doubles.
    """
    rows = observations[["inspection_id", *_TOLD]].sort_values(["inspection_id", *_TOLD])
    marks = pd.util.hash_pandas_object(rows[list(_TOLD)], index=False)
    place = rows.groupby("inspection_id").cumcount()
    told = pd.util.hash_pandas_object(pd.DataFrame({"mark": marks, "place": place}), index=False)
    by = told.astype("uint64").groupby(rows["inspection_id"])
    seen = pd.DataFrame({"sum": by.sum(), "count": by.size()})
    keyed = runs.set_index("inspection_id")[["pipe_id", "counter_node", "date"]].join(seen)
    keyed = keyed[(keyed["pipe_id"] != "") & (keyed["count"] > 0)]
    first: dict[tuple[object, ...], str] = {}
    doubles = {}
    for name, *key in keyed.sort_index().itertuples():
        earlier = first.setdefault(tuple(key), str(name))
        if earlier != name:
            doubles[str(name)] = earlier
    return doubles
