"""Which of the places that a forecast knows the disc is to be put at. Pure."""

from datetime import datetime

from sentinel.core.foreseen import Place
from sentinel.core.records import Forecast


def place_for(forecast: Forecast, by_utc: datetime, until_utc: datetime | None) -> Place | None:
    """Return where to put the disc, and when; None: no place holds longer than where it is.

    The soonest place that holds until the time asked for; else, or where none was asked for, the one of now,
    or where that gains nothing yet, the latest that does. A place is promised to hold at the safe level, and
    wherever a hand may put the disc about it: to leave it where it is may be promised longer.
    """
    places, early = forecast.places, forecast.exit.early_utc
    if places is None or early is None:
        return places.now if places is not None else None
    best = places.now
    later = [one for one in places.later if one.at_utc < min(by_utc, early)]
    gains = [one for one in (best, *later) if one.outlasts(early)]
    if until_utc is not None:
        enough = next((one for one in gains if one.outlasts(until_utc)), None)
        if enough is not None:
            return enough
    if best in gains:
        return best
    return max(gains, key=lambda place: place.at_utc, default=None)


def place_at(forecast: Forecast, when_utc: datetime) -> Place | None:
    """Return where to put the disc at a time, of the times for which that is known; None: not known."""
    places = forecast.places
    if places is None:
        return None
    return min((places.now, *places.later), key=lambda one: abs(one.at_utc - when_utc))
