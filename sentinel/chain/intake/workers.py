"""Who does what is handed out: own processes, or the workers of a cluster; one way to ask for either."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf
from typing import Protocol, TypeVar

from sentinel.chain.intake.process_pool import Failed, ProcessPool, cores
from sentinel.core.clock import SystemClock

T = TypeVar("T")
R = TypeVar("R")
T_contra = TypeVar("T_contra", contravariant=True)
R_co = TypeVar("R_co", covariant=True)


class Workers(Protocol[T_contra, R_co]):
    """What work can be handed out to: own processes, or those of a cluster."""

    count: int
    """How many there are."""

    def results(self, tasks: Iterable[T_contra]) -> Iterator[R_co]:
        """Yield what each task comes to, in the order of the tasks; they are taken up a few at a time."""
        ...

    def close(self) -> None:
        """Let go of all workers, busy ones too."""
        ...


@dataclass(frozen=True, slots=True)
class OnCluster:
    """Where work is to be done, if not by own processes."""

    address: str
    """Of a Dask scheduler."""
    send: bool = False
    """Files are sent along; else the workers see them under the same paths."""


@contextmanager
def working(
    work: Callable[[T], R],
    failed: Failed[T, R],
    *,
    most: int,
    on: OnCluster | None = None,
    patience_s: float = inf,
) -> Iterator[Workers[T, R]]:
    """Have work done by own processes, at most so many, or by a cluster: the one way to hand it out.

    `work` is a function that can be imported; `failed` tells what a task comes to whose worker hung or died.

    Raises `RequestProblem` if no cluster answers.
    """
    workers: Workers[T, R]
    if on is not None:
        from sentinel.chain.intake.cluster import Cluster  # noqa: PLC0415 - few want one

        workers = Cluster(on.address, work, failed, patience_s=patience_s)
    else:
        count = max(min(cores(), most), 1)
        workers = ProcessPool(SystemClock(), work, failed, count=count, patience_s=patience_s)
    try:
        yield workers
    finally:
        workers.close()
