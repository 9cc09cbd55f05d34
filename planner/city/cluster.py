"""Workers on other hosts, by dask.distributed over TCP; nothing else here imports it."""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from planner.city.code import code_mark
from planner.city.filing import CityError
from planner.city.pool import Done, Task

_ANSWER_S = 10
_ADDRESS = re.compile(r"(tcp|tls)://([^\s:/@\[\]]+|\[[0-9A-Fa-f:.%]+\]):[0-9]{1,5}")
_MISSING = "dask.distributed is not installed here: pip install 'sleeveplan[dask]'"
_START = "start it with: dask scheduler --port 8786"
_CERTIFICATES = (
    "tls:// wants certificates as well: DASK_DISTRIBUTED__COMM__TLS__CA_FILE, "
    "DASK_DISTRIBUTED__COMM__TLS__CLIENT__CERT and DASK_DISTRIBUTED__COMM__TLS__CLIENT__KEY"
)


class Cluster:
    """The workers of one scheduler."""

    def __init__(self, address: str, answer_s: float = _ANSWER_S) -> None:
        """Ask nothing yet.

        Parameters
        ----------
        address
            ``tcp://host:port`` of the scheduler, or ``tls://host:port``; the certificates for
            that are read from the settings of Dask.
        answer_s
            How long it may take to answer [s].
        """
        self._address, self._answer_s = address, answer_s
        self._client: Any = None
        self._quiet = _quiet()

    def __enter__(self) -> Cluster:
        """Look whether the scheduler answers and every worker has this very code.

        Raises
        ------
        CityError
            If it does not answer, has no workers, or one has another version of sleeveplan.
        """
        if not _ADDRESS.fullmatch(self._address):
            # It is not repeated: what is no address may hold a password.
            message = "--scheduler wants tcp://HOST:PORT and nothing else, as the scheduler says it"
            raise CityError(message)
        try:
            from distributed import Client
        except ImportError:
            raise CityError(_MISSING) from None
        self._quiet.__enter__()
        try:
            asyncio.run(_knock(self._address, self._answer_s))
            self._client = Client(self._address, timeout=self._answer_s, set_as_default=False)
            _look_at(self._client, self._address, self._answer_s)
        except (OSError, TimeoutError, TypeError, ValueError) as error:
            self.__exit__()
            told = _CERTIFICATES if self._address.startswith("tls:") else _START
            message = (
                f"the scheduler at {self._address} does not answer ({type(error).__name__}); {told}"
            )
            raise CityError(message) from None
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        """Leave the scheduler; its workers stay."""
        if self._client is not None:
            self._client.close(timeout=1)
            self._client = None
        self._quiet.__exit__(None, None, None)

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        """Do `task` for each of `numbers` on the workers.

        Raises
        ------
        CityError
            If a worker does not see `folder`, the scheduler is lost, or workers die again and
            again.
        """
        if numbers:
            seen = self._client.run(_sees, folder, on_error="ignore")
            for worker in sorted(worker for worker, sees in seen.items() if not sees):
                message = (
                    f"worker {worker} does not see {folder}: every host must see the project's "
                    "folder by this path"
                )
                raise CityError(message)
            yield from self._done(self._client, task, folder, numbers)

    def _done(self, client: Any, task: Task, folder: str, numbers: Sequence[int]) -> Done:  # noqa: ANN401 - of distributed, which may be absent
        from distributed import as_completed

        # Pure would hand back what an earlier run found; each run looks at the files anew.
        futures = {client.submit(task, folder, number, pure=False): number for number in numbers}
        lost = f"the scheduler at {self._address} was lost; finished parts are kept: run again"
        for future in as_completed(list(futures), loop=client.loop):
            if future.status == "error":
                raise _as_city_error(future.exception(), self._address)
            if future.status != "finished":
                raise CityError(lost)
            number, found = futures.pop(future), future.result()
            # A result that is still asked for would be made again if its worker died now.
            future.release()
            yield number, found
        if futures:
            raise CityError(lost)


async def _knock(address: str, answer_s: float) -> None:
    """Wait for the greeting of a scheduler, which a client of it would do for ever.

    Raises
    ------
    OSError, TimeoutError, TypeError, ValueError
        If nobody is there, or somebody who does not greet as a scheduler does.
    """
    from distributed import Security
    from distributed.comm import connect

    safe = Security().get_connection_args("client")
    async with asyncio.timeout(2 * answer_s):
        comm = await connect(address, timeout=answer_s, **safe)
        await comm.close()


def _sees(folder: str) -> bool:
    return Path(folder).is_dir()


def _look_at(client: Any, address: str, answer_s: float) -> None:  # noqa: ANN401 - of distributed
    """Refuse a cluster without workers, or one of whose workers has other code."""
    try:
        client.wait_for_workers(1, timeout=answer_s)
    except TimeoutError:
        message = (
            f"the scheduler at {address} has no workers; start some with: dask worker {address} "
            "--nthreads 1"
        )
        raise CityError(message) from None
    try:
        marks = client.run(code_mark)
    except Exception as error:  # noqa: BLE001 - whatever a worker without this function says
        message = (
            f"a worker of {address} cannot run this version of sleeveplan, {code_mark()} "
            f"({type(error).__name__}); install the same on every host"
        )
        raise CityError(message) from None
    for worker, mark in sorted(marks.items()):
        if mark != code_mark():
            message = (
                f"worker {worker} has another version of sleeveplan or of its libraries: {mark}, "
                f"here is {code_mark()}; install the same on every host"
            )
            raise CityError(message)


def _as_city_error(error: BaseException, address: str) -> Exception:
    """Give what a task said; a worker that died too often in one line."""
    name = type(error).__name__
    if name == "KilledWorker":
        message = (
            f"workers of {address} died again and again on one part; if memory is short, give "
            "them more; run again to go on"
        )
        return CityError(message)
    return error if isinstance(error, Exception) else CityError(f"{name}: {error}")


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own log of lost connections to itself: one line says it all."""
    named = [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]
    loggers = [logging.getLogger(name) for name in named]
    before = [logger.disabled for logger in loggers]
    for logger in loggers:
        logger.disabled = True
    try:
        yield
    finally:
        for logger, was in zip(loggers, before, strict=True):
            logger.disabled = was
