"""When somebody is at the camera, as announced."""

from typing import NamedTuple

from sentinel.core.records import Mark
from sentinel.core.times import utc_s


class Attendance(NamedTuple):
    """The last announced visit."""

    from_s: float = 0.0
    until_s: float = 0.0
    going: bool = False

    def after(self, mark: Mark, default_min: float) -> "Attendance":
        """Begin a visit, or change the length of the one that is on."""
        from_s = utc_s(mark.time_utc)
        until_s = from_s + 60 * (mark.minutes if mark.minutes is not None else default_min)
        if self.going and from_s <= self.until_s:
            return self._replace(until_s=max(until_s, from_s))
        return Attendance(from_s, until_s, going=True)

    def ended(self) -> "Attendance":
        """Return the same when its time is over."""
        return self._replace(going=False)
