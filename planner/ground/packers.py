"""Packers: how long a sleeve of one cure each of them carries."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd


def carried_m(packers: pd.DataFrame, cure: str) -> npt.NDArray[np.float64]:
    """Give the longest sleeve that each packer carries and cures [m].

    A light-cured sleeve is no longer than the lit part of its packer, where that is
    stated (common practice, no source).

    Parameters
    ----------
    packers
        Obeys `PACKERS`.
    cure
        How the sleeve sets.

    Returns
    -------
    length
        Row by row; 0 where the packer does not serve this cure.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"cures": "heat+light", "usable_m": 2.0, "lit_m": 1.5}
    >>> carried_m(pd.DataFrame([row]), "light").tolist()
    [1.5]
    """
    length = packers["usable_m"].to_numpy(dtype=float, copy=True)
    if cure == "light":
        length = np.fmin(length, packers["lit_m"].to_numpy(dtype=float))
    serves = np.array([cure in str(cures).split("+") for cures in packers["cures"]], dtype=bool)
    return np.where(serves, length, 0.0)
