"""How workers are started: forked from one process that has all loaded, not each from nothing.

Dask is told by ``dask worker ADDRESS --preload-nanny planner.city.forked``.
"""

from __future__ import annotations

import multiprocessing
import os
from multiprocessing.context import ForkServerContext
from typing import Any

ONE_THREAD = ("OMP_NUM_THREADS", "NUMBA_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""What keeps a worker to one thread: as many workers as cores would else crowd each other."""
READY = "planner.city.ready"
# Dask would else look at what each worker does a hundred times a second, and at whether it still
# answers fifty times, each time taking the interpreter from the part at hand.
_SETTINGS = {
    "distributed.worker.multiprocessing-method": "forkserver",
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
}


_TRIM = "MALLOC_TRIM_THRESHOLD_"


def forking(*more: str) -> ForkServerContext:
    """Give how to start processes that have `READY` and the modules named loaded.

    What the first of them has loaded, and its environment, all later ones of this process have.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*more, READY])
    return context


def dask_setup(nanny: Any) -> None:  # noqa: ANN401 - of distributed, which may be absent
    """Let a nanny of Dask fork its workers; Dask calls it before it starts any."""
    import dask
    from distributed.utils import get_mp_context

    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    dask.config.set(_SETTINGS)
    dask.config.set(_SETTINGS, config=nanny.config)  # what its workers are told
    if _TRIM not in os.environ:
        # Dask has each freed array given back to the system, which wipes it before it is taken
        # again: a tenth of a part's time. Parts are alike, and take what the one before freed.
        nanny.pre_spawn_env.pop(_TRIM, None)
    get_mp_context()  # names modules of its own, the first time only
    forking("distributed")
