"""How far a long piece of work has come, told as it goes on."""

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")

Progress = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done, and how much there is."""


def silent(what: str, done: int, total: int) -> None:
    """Tell nobody."""
    del what, done, total


def reported(items: Iterable[T], what: str, total: int, progress: Progress) -> Iterator[T]:
    """Hand items on, each told once it is there."""
    for done, item in enumerate(items, 1):
        progress(what, done, total)
        yield item
