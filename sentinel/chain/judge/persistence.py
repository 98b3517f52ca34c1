"""How long something has been so: N of M frames and a minimum time, in a few numbers."""

from typing import NamedTuple

MOST_MISSES, MISS_SHARE = 5, 0.25


class Persistence(NamedTuple):
    """A sign that comes and goes, followed over frames."""

    since_s: float | None = None
    last_s: float = 0.0
    hits: int = 0
    misses: int = 0
    seconds: float = 0.0
    """Time covered by the hits, gaps left out."""
    run: int = 0
    """Misses in a row."""

    def after(self, sign: bool, time_s: float, *, most_step_s: float) -> "Persistence":
        """Return the same after one more frame.

        A few frames to the contrary are borne: five in a row end it, or more than two that are more than
        a quarter of all.
        A step longer than `most_step_s` counts only for so much.
        """
        if self.since_s is None:
            return Persistence(time_s, time_s, 1) if sign else self
        if sign:
            step_s = min(max(time_s - self.last_s, 0.0), most_step_s)
            return Persistence(
                self.since_s, max(time_s, self.last_s), self.hits + 1, self.misses, self.seconds + step_s
            )
        misses, run = self.misses + 1, self.run + 1
        if run >= MOST_MISSES or (misses > 2 and misses > MISS_SHARE * (self.hits + misses)):
            return NOTHING
        return Persistence(self.since_s, self.last_s, self.hits, misses, self.seconds, run)

    def lasted(self, minutes: float, *, hits: int = 2) -> bool:
        """Whether it has been so for as long and as often."""
        return self.hits >= hits and self.seconds >= minutes * 60 - 0.5

    @property
    def minutes(self) -> float:
        """Minutes covered."""
        return self.seconds / 60


NOTHING = Persistence()
