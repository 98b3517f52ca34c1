"""How times, spans, counts and places are said to people: here alone, so that they read the same everywhere.

Times are UTC, marked Z; where a zone is configured the operator's own time stands first.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from sentinel.core.times import from_utc_s, utc_s

SMS_LENGTH = 160
"""What a text message through a satellite holds, in plain ASCII."""
DATED_BEYOND = timedelta(hours=20)
"""A time farther than this from the reader's own carries its date."""
IN_DAYS_MIN = 10 * 1440
"""Nobody counts the hours of what is longer."""
UNKNOWN_TIME = "an unknown time"
LEAST_WIDTHS = 0.05
"""Less than this share of the sun's width aside is not worth a word, and could not be written."""

Moment = datetime | None
"""None: not known."""


@dataclass(frozen=True, slots=True)
class TimeWriter:
    """Writes times as they are to be read at one moment."""

    zone: tzinfo | None = None
    zone_name: str = ""
    now_utc: datetime | None = None
    """When it is read; None: not known, and no time carries a date."""
    again: bool = False
    """It is said again: what was so only at an incident's own moment is left out."""

    def as_of(self, now_utc: datetime) -> "TimeWriter":
        """Return the same, read at a time."""
        return replace(self, now_utc=now_utc)

    def at(self, time: Moment) -> str:
        """Return `03:01Z`, or `05:01 Oslo (03:01Z)` where there is a zone; a far one with its date."""
        return self._written(time, dated=self._far(time))

    def dated(self, time: Moment) -> str:
        """Return the same with the date, however near it is."""
        return self._written(time, dated=True)

    def pair(self, begin: Moment, end: Moment) -> tuple[str, str]:
        """Return two times that belong together: both with their date, or neither."""
        dated = self._far(begin) or self._far(end)
        return self._written(begin, dated=dated), self._written(end, dated=dated)

    def past(self, time: Moment) -> bool:
        """Whether a time has come already."""
        return time is not None and self.now_utc is not None and time <= self.now_utc

    def dated_span(self, begin_utc: datetime, end_utc: datetime) -> str:
        """Return `18 Jun 04:58Z to 18:17Z`: the date of one day is not said twice."""
        zone = self.zone or UTC
        same = begin_utc.astimezone(zone).date() == end_utc.astimezone(zone).date()
        return f"{self.dated(begin_utc)} to {self._written(end_utc, dated=not same)}"

    def to_the_second(self, time_utc: datetime) -> str:
        """Return `18 Jun 09:57:34Z`, or `18 Jun 11:57:34 Oslo (09:57:34Z)`."""
        return self._written(from_utc_s(round(utc_s(time_utc))), dated=True, seconds=True)

    def hour(self, time_utc: datetime) -> str:
        """Return `09:57Z`, and the operator's time beside it in few letters: for a table in UTC."""
        text = f"{time_utc:%H:%M}Z"
        return text if self.zone is None else f"{text} ({time_utc.astimezone(self.zone):%H:%M})"

    def time_of_day(self, time_utc: datetime) -> str:
        """Return `11:57`, for a table whose head says by which clock."""
        return f"{time_utc.astimezone(self.zone or UTC):%H:%M}"

    def _far(self, time: Moment) -> bool:
        if time is None or self.now_utc is None:
            return False
        return abs(time - self.now_utc) > DATED_BEYOND

    def _written(self, time: Moment, *, dated: bool, seconds: bool = False) -> str:
        if time is None:
            return UNKNOWN_TIME
        clock = "%H:%M:%S" if seconds else "%H:%M"
        moment = time.astimezone(UTC)
        own = moment if self.zone is None else moment.astimezone(self.zone)
        said = f"{own.day} {own:%b} {own:{clock}}" if dated else f"{own:{clock}}"
        if self.zone is None:
            return f"{said}Z"
        # The operator's own clock first: it is what hangs on the wall.
        return f"{said} {self.zone_name} ({moment:{clock}}Z)"


def times_in(zone: str | None) -> TimeWriter:
    """Return the writer of times for a time zone; None: UTC alone."""
    if zone is None:
        return TimeWriter()
    return TimeWriter(ZoneInfo(zone), zone.rsplit("/", 1)[-1].replace("_", " "))


def minute(time_utc: datetime) -> str:
    """Return `2027-06-21 15:01`, for tables and records in UTC."""
    return time_utc.strftime("%Y-%m-%d %H:%M")


def second(time: datetime) -> str:
    """Return `2027-06-21 15:01:07` by the clock of the time's own zone."""
    return from_utc_s(round(utc_s(time))).astimezone(time.tzinfo).strftime("%Y-%m-%d %H:%M:%S")


def site_words(latitude_deg: float, longitude_deg: float, decimals: int = 2) -> str:
    """Return `70.37° N, 31.10° E`; with two decimals to about a kilometre."""
    east_deg = longitude_deg - 360 if longitude_deg > 180 else longitude_deg
    north, east = "N" if latitude_deg >= 0 else "S", "E" if east_deg >= 0 else "W"
    return f"{abs(latitude_deg):.{decimals}f}° {north}, {abs(east_deg):.{decimals}f}° {east}"


def span(length: timedelta) -> str:
    """Return a length of time as people say it: `6 h 12 min`, `4 min`, `50 s`."""
    seconds = round(length.total_seconds())
    if 0 <= seconds < 60:
        return f"{seconds} s"
    return span_of_minutes(seconds / 60)


def span_of_hours(hours: float | None) -> str:
    """Return the same of hours, which may not be known."""
    return span_of_minutes(None if hours is None else hours * 60)


def span_of_minutes(minutes: float | None) -> str:
    """Return the same of minutes, which may not be known; never in seconds, and weeks in days."""
    if minutes is None:
        return UNKNOWN_TIME
    if minutes < 0:
        return "no time"
    if minutes >= IN_DAYS_MIN:
        return many(round(minutes / 1440), "day")
    hours, rest = divmod(round(minutes), 60)
    if hours == 0:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def count(number: int) -> str:
    """Return `12,345`."""
    return f"{number:,}"


def many(number: int, one: str, several: str = "") -> str:
    """Return `1 picture` or `12,345 pictures`; `several`: where a plain s does not make the plural."""
    return f"{count(number)} {one if number == 1 else several or f'{one}s'}"


def signed(value: float, decimals: int) -> str:
    """Return `+0.3` or `-0.3`; what rounds to nought has no sign."""
    shown = f"{value:+.{decimals}f}"
    return shown if float(shown) else shown[1:]


def how_often(number: int) -> str:
    """Return `never`, `once`, `twice` or `3 times`."""
    return {0: "never", 1: "once", 2: "twice"}.get(number, f"{count(number)} times")


def either(names: Sequence[str]) -> str:
    """Return `cap, mount or camera`."""
    return " or ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def both(names: Sequence[str]) -> str:
    """Return `east, west and north`."""
    return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def capital(text: str) -> str:
    """Return a text that begins a sentence."""
    return f"{text[:1].upper()}{text[1:]}"


def small(text: str) -> str:
    """Return a sentence that goes on within another."""
    return f"{text[:1].lower()}{text[1:]}"


def sentences(parts: Iterable[str]) -> str:
    """Return what there is to say, each ended."""
    return " ".join(part if part.endswith((".", "?", "!")) else f"{part}." for part in parts if part)


def aside(right_widths: float, up_widths: float) -> str:
    """Return `1.3 right and 0.3 up`; empty: nowhere aside."""
    ways = (
        f"{abs(amount):.1f} {positive if amount > 0 else negative}"
        for amount, positive, negative in ((right_widths, "right", "left"), (up_widths, "up", "down"))
        if abs(amount) >= LEAST_WIDTHS
    )
    return " and ".join(ways)


def off_the_middle(right_widths: float, up_widths: float) -> str:
    """Return `1.3 sun-widths right of the middle and 0.3 above it`; `in the middle` where it is there."""
    across = f"{abs(right_widths):.1f} sun-widths {'right' if right_widths > 0 else 'left'} of the middle"
    above = "above" if up_widths > 0 else "below"
    if abs(up_widths) < LEAST_WIDTHS:
        return across if abs(right_widths) >= LEAST_WIDTHS else "in the middle"
    if abs(right_widths) < LEAST_WIDTHS:
        return f"{abs(up_widths):.1f} sun-widths {above} the middle"
    return f"{across} and {abs(up_widths):.1f} {above} it"


def opened(name: str | None, text: str) -> str:
    """Return a text that opens with the camera's name, once: three cameras may ring one phone."""
    opening = f"{name}: " if name else ""
    return opening + text.removeprefix(opening)


def short_text(text: str) -> str:
    """Return at most 160 plain ASCII characters, cut at a word."""
    plain = " ".join(text.encode("ascii", "replace").decode("ascii").split())
    if len(plain) <= SMS_LENGTH:
        return plain
    return plain[: SMS_LENGTH - 3].rsplit(" ", 1)[0] + "..."
