"""How hot loops are compiled, and where what was compiled is kept for the next run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])


def kept(function: Function, **options: Any) -> Function:  # noqa: ANN401 - as numba takes them
    """Compile by numba; kept on disk where a folder may be written, else made anew each run.

    Parameters
    ----------
    function
        A loop over plain arrays.
    options
        Of `numba.njit`.
    """
    try:
        return cast("Function", njit(cache=True, **options)(function))
    except RuntimeError:  # no folder to keep it in
        return cast("Function", njit(**options)(function))


def inner(function: Function) -> Function:
    """Compile as `kept` does, for other compiled functions alone: Python cannot call it.

    What takes many arrays, such as a pipe, is compiled in half the time so.
    """
    return kept(function, no_cpython_wrapper=True, no_cfunc_wrapper=True)


def plain(values: Any, kind: Any) -> Any:  # noqa: ANN401 - any array or list of numbers
    """Give an array of one kind, none to be written to: each kind is compiled for anew."""
    found = np.ascontiguousarray(values, dtype=kind).view()
    found.flags.writeable = False
    return found


def cache_folder(function: Callable[..., Any]) -> Path | None:
    """Give the folder in which a compiled function is kept; None where it is not."""
    path = function.stats.cache_path  # type: ignore[attr-defined]
    return Path(path) if path else None
