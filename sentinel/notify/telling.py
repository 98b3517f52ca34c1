"""What the wording of every condition is made of: words, times, numbers, durations."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any

from sentinel.times import parse_utc


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
    """Writes times."""

    zone: tzinfo | None = None
    zone_name: str = ""

    def at(self, time: datetime | str | None) -> str:
        """Return `03:01Z`, and the operator's time beside it where there is one."""
        if time is None:
            return "an unknown time"
        moment = parse_utc(time) if isinstance(time, str) else time
        text = moment.astimezone(UTC).strftime("%H:%MZ")
        if self.zone is None:
            return text
        return f"{text} ({moment.astimezone(self.zone).strftime('%H:%M')} {self.zone_name})"


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


def either(names: Sequence[str]) -> str:
    """Return `cap, mount or camera`."""
    return " or ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))
