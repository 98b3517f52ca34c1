"""Handing out work to the workers of a running Dask scheduler, through its executor interface."""

import logging
import socket
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Future
from itertools import islice
from math import inf
from threading import Lock
from typing import Any, Generic, TypeVar

from sentinel.chain.intake.process_pool import AHEAD, Failed
from sentinel.core.errors import Problem, RequestProblem, need_extra

CONNECT_S = 10.0
"""How long a scheduler may take to answer."""
WORKERLESS_S = 60.0
"""How long a scheduler may be without any worker: one that died is started anew by its nanny in seconds."""
_LOOK_S = 1.0
"""Between two looks whether scheduler and workers are still there."""

T = TypeVar("T")
R = TypeVar("R")

_ALONE = Lock()


def _alone(work: Callable[[T], R], task: T) -> R:
    """Do a task with no other beside it in the same process, as own processes do."""
    with _ALONE:
        return work(task)


class Cluster(Generic[T, R]):
    """The workers of a scheduler; a task whose worker dies runs again on another.

    `address`: of the scheduler, like `tcp://10.0.0.5:8786`.
    `work`: what is done with each task; a function that the workers can import.
    `failed`: what comes of a task that hung, or whose workers died each time it was tried.
    `patience_s`: how long one task may take once all before it are done.
    Raises `RequestProblem` if no scheduler with workers answers.
    """

    def __init__(
        self, address: str, work: Callable[[T], R], failed: Failed[T, R], *, patience_s: float = inf
    ) -> None:
        self._address, self._work, self._failed, self._patience_s = address, work, failed, patience_s
        self._client = _connected(address)
        self._executor = self._client.get_executor(pure=False)
        self.count = self._threads()
        if not self.count:
            self.close()
            raise RequestProblem("the scheduler has no workers", where=address, mend="start some there")

    def close(self) -> None:
        """Let go of the scheduler; what it still works on is dropped."""
        self._client.close(timeout=_LOOK_S)

    def results(self, tasks: Iterable[T]) -> Iterator[R]:
        """Yield what each task comes to, in the order of the tasks.

        Raises `Problem` if the scheduler goes, or all its workers do.
        """
        coming, ahead = iter(tasks), deque[tuple[T, Future[R]]]()
        try:
            while True:
                for task in islice(coming, AHEAD * self.count - len(ahead)):
                    ahead.append((task, self._executor.submit(_alone, self._work, task)))
                if not ahead:
                    return
                yield self._awaited(*ahead.popleft())
        finally:
            for _, future in ahead:
                future.cancel()

    def _threads(self) -> int:
        return sum(
            worker["nthreads"] for worker in self._client.scheduler_info(n_workers=-1)["workers"].values()
        )

    def _awaited(self, task: T, future: "Future[R]") -> R:
        from distributed import KilledWorker  # noqa: PLC0415

        waited_s = workerless_s = 0.0
        while True:
            try:
                return future.result(timeout=_LOOK_S)
            except KilledWorker:
                return self._failed(task, "its worker died, time and again")
            except CancelledError:
                raise self._gone("the scheduler is gone") from None
            except TimeoutError:
                if self._client.status != "running":
                    raise self._gone("the scheduler is gone") from None
            waited_s += _LOOK_S
            workerless_s = 0.0 if self._threads() else workerless_s + _LOOK_S
            if workerless_s >= WORKERLESS_S:
                raise self._gone("the scheduler has lost all its workers")
            if waited_s >= self._patience_s:
                future.cancel()
                return self._failed(task, f"it took longer than {self._patience_s:g} s")

    def _gone(self, what: str) -> Problem:
        return Problem(what, where=self._address, mend="start it again, and this once more")


def _connected(address: str) -> Any:
    need_extra("cluster", where="--on", instead="work here")
    from distributed import Client  # noqa: PLC0415

    # What it would say of lost connections is said here in one line; that tasks are large is meant.
    for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    warnings.filterwarnings("ignore", message="Sending large graph")
    try:
        _heard(address)
        return Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError, AssertionError, MemoryError, EOFError) as error:
        # What is no scheduler may answer anything, like a length of exabytes. And on a computer that is very
        # busy the library's own thread may not come up: it asserts that, wordless.
        why = " ".join(str(error).split())[:80] or "nor did the library come up: is this computer very busy?"
        mend = "give the address of a running Dask scheduler, like tcp://10.0.0.5:8786"
        raise RequestProblem(f"no scheduler answers ({why})", where=f"--on {address}", mend=mend) from None


def _heard(address: str) -> None:
    """Wait until a scheduler speaks, as over plain TCP it does first; what only listens holds up its client.

    Raises `OSError` if nothing is heard in time.
    """
    from distributed.comm.addressing import parse_address, parse_host_port  # noqa: PLC0415

    scheme, place = parse_address(address)
    if scheme != "tcp":
        return
    with socket.create_connection(parse_host_port(place), timeout=CONNECT_S) as line:
        if not line.recv(1):
            raise ConnectionResetError("it hung up")
