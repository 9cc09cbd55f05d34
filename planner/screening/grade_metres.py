"""Scores by metre: what falls into one metre is added, the peak is the worst metre.

The scores by code come from a table that the user loads; none is shipped, for none could be
verified. The method itself is from memory and unverified: scores of one metre are added, a
continuous defect scores in every metre that it touches, peak and mean are over the length
surveyed.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

METRES = "scores per metre"


def metre_sums(
    run: npt.ArrayLike, from_m: npt.ArrayLike, to_m: npt.ArrayLike, score: npt.ArrayLike
) -> pd.DataFrame:
    """Add scores by run and metre.

    Parameters
    ----------
    run
        Number of the run of each defect.
    from_m, to_m
        Where each lies [m], ``to_m`` equal to ``from_m`` for a point.
    score
        Of each.

    Returns
    -------
    sums
        ``run``, ``metre`` (0 for 0 m up to but not 1 m), ``score``. A stretch that ends
        exactly on a full metre does not touch the next one.

    Examples
    --------
    >>> metre_sums([0, 0], [0.2, 0.5], [0.2, 2.0], [40, 10])["score"].tolist()
    [50.0, 10.0]
    """
    first = np.floor(np.asarray(from_m, dtype=np.float64)).astype(np.int64)
    last = np.maximum(first, np.ceil(np.asarray(to_m, dtype=np.float64)).astype(np.int64) - 1)
    times = last - first + 1
    which = np.repeat(np.arange(len(first)), times)
    step = np.arange(len(which)) - np.repeat(np.cumsum(times) - times, times)
    frame = pd.DataFrame(
        {
            "run": np.asarray(run)[which],
            "metre": first[which] + step,
            "score": np.asarray(score, dtype=np.float64)[which],
        }
    )
    return frame.groupby(["run", "metre"], sort=True)["score"].sum().reset_index()
