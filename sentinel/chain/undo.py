"""Marks that are taken back: within five minutes of it, as if the mark had never been made. Pure."""

import pickle
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sentinel.core.records import Alert, Event, Forecast, Mark

UNDO = timedelta(minutes=5)
"""For so long a mark can be taken back."""
LATEST = UNDO + timedelta(seconds=30)
"""Somebody pressed the button in time; the watch may take it up a little later."""


def taken_back(undo: Mark, marks: Sequence[Mark]) -> Mark | None:
    """Return which of the marks an `undo` takes back, the last that it may mean; None: none."""
    for mark in reversed(marks):
        meant = undo.text in {"", mark.kind} and undo.undoes_utc in {None, mark.time_utc}
        if meant and mark.kind != "undo" and timedelta(0) <= undo.time_utc - mark.time_utc <= LATEST:
            return mark
    return None


def standing_marks(marks: Iterable[Mark]) -> list[Mark]:
    """Return the marks that were not taken back, without those that took others back; in the order made."""
    kept: list[Mark] = []
    for mark in marks:
        if mark.kind != "undo":
            kept.append(mark)
        elif (back := taken_back(mark, kept)) is not None:
            kept.remove(back)
    return kept


class Stepped(NamedTuple):
    """An event that was taken up after a mark."""

    event: Event
    forecast: Forecast | None
    """The one that came of it, where it was known already."""
    now_utc: datetime


@dataclass
class Before:
    """How things stood before a mark, and what has come since, the mark first."""

    mark: Mark
    taken_utc: datetime
    state: bytes
    since: list[Stepped] = field(default_factory=list)
    said: list[Alert] = field(default_factory=list)
    """What people have been told since."""


class UndoLog:
    """Keeps what it takes to take a mark back, for as long as that can be done."""

    def __init__(self) -> None:
        self._before: list[Before] = []

    def note(self, state: Any, event: Event, forecast: Forecast | None, now_utc: datetime) -> None:
        """Take note of an event that is about to be stepped; before a mark, of the state too."""
        if not self._before and not isinstance(event, Mark):
            return
        self._before = [one for one in self._before if now_utc - one.taken_utc <= LATEST]
        if isinstance(event, Mark) and now_utc - event.time_utc <= UNDO:
            self._before.append(Before(event, now_utc, pickle.dumps(state)))
        for one in self._before:
            one.since.append(Stepped(event, forecast, now_utc))

    def told(self, alerts: Iterable[Alert]) -> None:
        """Take note of what people are told."""
        for one in self._before:
            one.said += alerts

    def back_to(self, undo: Mark) -> Before | None:
        """Return how things stood before the mark that is taken back, and forget it; None: there is none."""
        back = taken_back(undo, [one.mark for one in self._before])
        found = next((one for one in reversed(self._before) if one.mark is back), None)
        if found is None:
            return None
        self._before = self._before[: self._before.index(found)]
        for one in self._before:
            # What came since is gone through, and noted, once more.
            place = next(n for n, step in enumerate(one.since) if step.event is found.mark)
            del one.since[place:]
        return found


def state_of(before: Before) -> Any:
    """Return the state before the mark."""
    return pickle.loads(before.state)  # noqa: S301 - made by this very process, or kept in its own snapshot
