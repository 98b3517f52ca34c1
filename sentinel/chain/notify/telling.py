"""What the wording of every condition is made of: words, times, numbers, durations."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

from sentinel.core.times import parse_utc

SMS_LENGTH = 160
DATED_BEYOND = timedelta(hours=20)
"""A time farther than this from the message's own carries its date."""


@dataclass(frozen=True, slots=True)
class Words:
    """One incident in words, without times of any zone but through `Teller`."""

    title: str
    what: str
    left: str = ""
    act: str = ""
    short: str = ""
    """Imperative, plain ASCII; empty: made of the others."""


@dataclass(frozen=True, slots=True)
class Teller:
    """Writes times, as they are to be read at the message's own moment."""

    zone: tzinfo | None = None
    zone_name: str = ""
    now_utc: datetime | None = None
    """When the message goes out; None: not known."""
    again: bool = False
    """It is a repeat: what was so only at the incident's own moment is left out."""

    def at(self, time: datetime | str | None) -> str:
        """Return `03:01Z`, or `05:01 Oslo (03:01Z)` where there is a zone; a far one with its date."""
        return self._written(time, dated=self._far(time))

    def span(self, begin: datetime | str | None, end: datetime | str | None) -> tuple[str, str]:
        """Return two times that belong together: both with their date, or neither."""
        dated = self._far(begin) or self._far(end)
        return self._written(begin, dated=dated), self._written(end, dated=dated)

    def past(self, time: datetime | str | None) -> bool:
        """Whether a time has come already."""
        return time is not None and self.now_utc is not None and _moment(time) <= self.now_utc

    def _far(self, time: datetime | str | None) -> bool:
        if time is None or self.now_utc is None:
            return False
        return abs(_moment(time) - self.now_utc) > DATED_BEYOND

    def _written(self, time: datetime | str | None, *, dated: bool) -> str:
        if time is None:
            return "an unknown time"
        moment = _moment(time).astimezone(UTC)
        if self.zone is None:
            return f"{_said(moment, dated=dated)}Z"
        # The operator's own clock first: it is what hangs on the wall.
        return f"{_said(moment.astimezone(self.zone), dated=dated)} {self.zone_name} ({moment:%H:%M}Z)"


def _said(moment: datetime, *, dated: bool) -> str:
    return f"{moment.day} {moment:%b %H:%M}" if dated else f"{moment:%H:%M}"


def _moment(time: datetime | str) -> datetime:
    return parse_utc(time) if isinstance(time, str) else time


def number(detail: Mapping[str, Any], key: str, digits: int = 0) -> str:
    """Return a number of the evidence as text; `?` where it is missing."""
    value = detail.get(key)
    if not isinstance(value, int | float):
        return "?"
    return f"{value:.{digits}f}"


def duration(minutes: Any) -> str:
    """Return minutes as people say them: `6 h 12 min`."""
    if not isinstance(minutes, int | float):
        return "an unknown time"
    if minutes < 0:
        return "no time"
    whole = round(minutes)
    hours, rest = divmod(whole, 60)
    if hours == 0:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def edge_name(detail: Mapping[str, Any]) -> str:
    """Return `left edge`, or `edge` where it is not known."""
    edge = detail.get("edge")
    return f"{edge} edge" if edge else "edge"


def runaway_did(detail: Mapping[str, Any]) -> str:
    """Return what the mount did, in the past: `stopped`."""
    return {"stopped": "stopped", "reversed": "reversed"}.get(str(detail.get("kind")), "lost pace")


def either(names: Sequence[str]) -> str:
    """Return `cap, mount or camera`."""
    return " or ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))
