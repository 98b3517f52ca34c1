"""The one loop, live and replay: events in, outcomes committed, then shown and sent."""

from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Protocol

from sentinel.core.records import Event, Outcome

Observer = Callable[[Event, Outcome], None]


class Stepper(Protocol):
    """What moves on with each event: a pipeline."""

    def step(self, event: Event, now_utc: datetime) -> Outcome:
        """Take up one event; return all that comes of it."""
        ...


class Recorder(Protocol):
    """What keeps each event: a journal."""

    def record(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        """Commit an event and all that came of it together."""
        ...


def run(
    events: Iterable[tuple[Event, datetime]],
    pipeline: Stepper,
    journal: Recorder,
    observers: Iterable[Observer] = (),
) -> None:
    """Step every event, commit it with what came of it, then tell the observers.

    `events`: each with the time at which it is taken up; that time is all the time the rooms know.
    `pipeline`: the state they move on.
    `journal`: where each event and its outcome are committed before anybody hears of it.
    `observers`: called after the commit, in order.
    """
    observers = tuple(observers)
    for event, now_utc in events:
        outcome = pipeline.step(event, now_utc)
        journal.record(event, now_utc, outcome)
        for observe in observers:
            observe(event, outcome)
