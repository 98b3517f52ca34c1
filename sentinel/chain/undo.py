"""Marks that are taken back: within five minutes of it, as if the mark had never been made. Pure."""

from collections.abc import Callable, Iterable, Sequence
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


class BeforeMark(NamedTuple):
    """How things stood before a mark, and what has come since, the mark first."""

    mark: Mark
    taken_utc: datetime
    state: Any
    since: tuple[Stepped, ...] = ()
    said: tuple[Alert, ...] = ()
    """What people have been told since."""


class UndoLog(NamedTuple):
    """What it takes to take a mark back, for as long as that can be done."""

    kept: tuple[BeforeMark, ...] = ()

    def after(
        self, state: Callable[[], Any], event: Event, forecast: Forecast | None, now_utc: datetime
    ) -> "UndoLog":
        """Return the same with an event that is about to be stepped; for a mark the state is asked for."""
        if not self.kept and not isinstance(event, Mark):
            return self
        kept = tuple(one for one in self.kept if now_utc - one.taken_utc <= LATEST)
        if isinstance(event, Mark) and now_utc - event.time_utc <= UNDO:
            kept = (*kept, BeforeMark(event, now_utc, state()))
        stepped = Stepped(event, forecast, now_utc)
        return UndoLog(tuple(one._replace(since=(*one.since, stepped)) for one in kept))

    def told(self, alerts: Iterable[Alert]) -> "UndoLog":
        """Return the same with what people are told."""
        more = tuple(alerts)
        return UndoLog(tuple(one._replace(said=one.said + more) for one in self.kept)) if more else self

    def back_to(self, undo: Mark) -> tuple["UndoLog", BeforeMark | None]:
        """Return the same without the mark that is taken back, and how things stood before it, if any is."""
        back = taken_back(undo, [one.mark for one in self.kept])
        place = next((n for n, one in reversed([*enumerate(self.kept)]) if one.mark is back), None)
        if place is None:
            return self, None
        found = self.kept[place]

        def until_then(one: BeforeMark) -> BeforeMark:
            # What came since is gone through, and noted, once more.
            end = next(n for n, step in enumerate(one.since) if step.event is found.mark)
            return one._replace(since=one.since[:end])

        return UndoLog(tuple(map(until_then, self.kept[:place]))), found
