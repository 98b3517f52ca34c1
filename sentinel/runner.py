"""The one loop, live and replay: events in, outcomes committed, then shown and sent."""

from collections.abc import Callable, Iterable
from datetime import datetime

from sentinel.journal import Journal
from sentinel.pipeline import Pipeline
from sentinel.records import Event, Outcome

Observer = Callable[[Event, Outcome], None]


def run(
    events: Iterable[tuple[Event, datetime]],
    pipeline: Pipeline,
    journal: Journal,
    observers: Iterable[Observer] = (),
) -> None:
    """Step every event, commit it with what came of it, then tell the observers.

    Parameters
    ----------
    events
        Each with the time at which it is taken up; that time is all the time the rooms know.
    pipeline
        The state they move on.
    journal
        Where each event and its outcome are committed before anybody hears of it.
    observers
        Called after the commit, in order.
    """
    observers = tuple(observers)
    for event, now_utc in events:
        outcome = pipeline.step(event, now_utc)
        journal.record(event, now_utc, outcome)
        for observe in observers:
            observe(event, outcome)
