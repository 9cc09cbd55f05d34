"""Surveys that stand twice: the same pipe, day and rows under another id."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.distinct import groups_of, is_among

_ALIKE = ("pipe_id", "counter_node", "date")
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
    # Only runs of one pipe, counter and day can be doubles: in most files there are none.
    if not runs["pipe_id"].duplicated().any():
        return {}
    groups, count = groups_of([runs[name] for name in _ALIKE])
    several = np.bincount(groups, minlength=count)[groups] > 1
    runs = runs[several & (runs["pipe_id"] != "").to_numpy(dtype=bool)]
    if not len(runs):
        return {}
    rows = observations[is_among(observations["inspection_id"], runs["inspection_id"])]
    # A sum of well mixed marks does not hang on the order of the rows.
    marks = pd.util.hash_pandas_object(rows[list(_TOLD)], index=False)
    by = marks.astype("uint64").groupby(rows["inspection_id"])
    seen = pd.DataFrame({"sum": by.sum(), "count": by.size()})
    keyed = runs.set_index("inspection_id")[list(_ALIKE)].join(seen)
    keyed = keyed[keyed["count"] > 0]
    first: dict[tuple[object, ...], str] = {}
    doubles = {}
    for name, *key in keyed.sort_index().itertuples():
        earlier = first.setdefault(tuple(key), str(name))
        if earlier != name:
            doubles[str(name)] = earlier
    return doubles
