"""A mount that does not carry the sun, and a disc that was put elsewhere: what is remembered of either."""

from math import hypot, inf
from typing import Literal, NamedTuple

from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import Leaving, Step, Vector, leaving
from sentinel.core.records import Forecast
from sentinel.core.solar_size import MEAN_RADIUS_DEG
from sentinel.core.times import utc_s

STANDS_PACE = 0.25
"""Of the sky's rate: a disc that goes more slowly is one of a drive that slips, not of one that stopped."""


GAINING = frozenset({"swelling", "slipping out"})
"""Bases of a suspicion by steps that grow."""

Cause = Literal["put-elsewhere", "drift", "mended", "realigned", "camera"]


class Part(NamedTuple):
    """A part of the track: in each the mount carried the sun alike, and nobody put the disc elsewhere."""

    number: int = 0
    began_s: float = inf
    """From when on its discs are its own."""
    since_s: float | None = None
    """When the drift became another, where that was somewhat before."""
    cause: Cause = "put-elsewhere"
    """Why it is another than the one before: the last two mean that nothing of that one holds."""
    told: bool = False
    """The operator said that the disc was put elsewhere."""

    def then(self, cause: Cause, began_s: float, *, told: bool = False) -> "Part":
        """Return the next one."""
        return Part(self.number + 1, began_s, cause=cause, told=told)


class Suspicion(NamedTuple):
    """The track looks like a mount that no longer carries the sun."""

    kind: str
    onset_s: float
    way: Vector
    """Unit vector of the disc's motion."""
    pace: float
    """Its speed over the sky's."""
    basis: str


class Run(NamedTuple):
    """A mount that does not carry the sun."""

    kind: str
    onset_s: float
    frame: str
    way: Vector
    pace: float
    basis: str
    seen_s: float
    """When the disc was last measured, and where."""
    x_px: float
    y_px: float
    radius_px: float
    px_s: float
    """Speed of the disc at pace 1."""
    deg_s: float
    gains: bool = False
    """The disc goes ever faster: the drive is on its way to a stop."""
    steady: int = 0
    """Quiet steps in a row: tracking again."""
    steady_from_s: float = 0.0
    """When the first of them began."""
    from_start: bool = False
    """It has never been seen otherwise: so goes the mount, and nothing has been departed from."""
    pushed: bool = False
    """Of one that crawls: the disc has leapt, and has not been seen to go on since."""
    lost_s: float | None = None
    slow_from: tuple[float, float, float] | None = None
    """Where and when it was last made sure that a slow slide goes on; None: each step shows by itself."""
    people_until_s: float = 0.0
    """Somebody was at the mount a moment before: until then gears may still take up their slack."""

    @property
    def speed_px_s(self) -> float:
        """How fast the disc goes."""
        return self.pace * self.px_s

    @property
    def crawls(self) -> bool:
        """Whether the disc is still carried, only less than it should be."""
        return self.pace < STANDS_PACE

    def seen_at(self, disc: Step | Observation, *, steady: int, since_s: float) -> "Run":
        """Return the same, the disc having been measured once more; the step before that was so long ago."""
        from_s = disc.time_s - since_s if steady <= 1 else self.steady_from_s
        return self._replace(
            seen_s=disc.time_s, x_px=disc.x_px, y_px=disc.y_px, radius_px=disc.radius_px,
            steady=steady, steady_from_s=from_s,
        )  # fmt: skip

    def way_out(self, seen: Observation, context: Context) -> Leaving | None:
        """Return where and when the disc leaves at the soonest, from when it was last measured."""
        speed_px_s = max(self.pace, 1.0 if self.gains else 0.0) * self.px_s
        velocity = (self.way[0] * speed_px_s, self.way[1] * speed_px_s)
        size = (float(seen.width_px), float(seen.height_px))
        disc = (self.x_px, self.y_px, self.radius_px)
        return leaving(disc, velocity, size, context.settings.frames.margin_px)

    def leaves_by(self, seen: Observation, context: Context) -> bool:
        """Whether a disc that is not found may be on its way out by now; else something hides it."""
        out = self.way_out(seen, context)
        return out is not None and self.seen_s + out.touch_s <= seen.time_s + context.interval_s


def run_of(suspicion: Suspicion, step: Step) -> Run:
    """Return the run that a suspicion amounts to, as of the step that gave it."""
    return Run(
        kind=suspicion.kind,
        onset_s=suspicion.onset_s,
        frame=step.frame,
        way=suspicion.way,
        pace=suspicion.pace,
        basis=suspicion.basis,
        seen_s=step.time_s,
        x_px=step.x_px,
        y_px=step.y_px,
        radius_px=step.radius_px,
        px_s=step.sky_px / step.seconds,
        deg_s=step.sky_px / step.radius_px * MEAN_RADIUS_DEG / step.seconds,
        gains=suspicion.basis in GAINING,
    )


class Moving(NamedTuple):
    """The disc is on its way from one place to another, or has just landed."""

    onset_s: float
    x_px: float
    y_px: float
    frame: str
    moved_s: float
    """When it was last seen to move."""
    even_s: float
    """Since when it has moved on evenly."""
    moving: int = 1
    steady: int = 0
    least_px: float = 0.0
    """A way shorter than this is no news: over a pause the drift alone may bend so far."""
    off: Vector | None = None
    """How far off its way it was when it last leapt, or was first off it; None: no way is known."""
    strayed: bool = False
    """It is off its way."""
    flees: bool = False
    """It goes on evenly, as fast as on a mount that stands."""
    discs: int = 1
    """Seen since."""


class Moved(NamedTuple):
    """A jump that ended in steady tracking."""

    onset_s: float
    arrived_s: float
    """When it was first seen where it then stayed."""
    landed_s: float
    """And when it had stayed for as long as it takes to be sure."""
    frame: str
    start: Vector
    end: Vector
    radius_px: float
    nearer: bool
    exit_before_s: float | None
    exit_after_s: float | None = None
    compared: bool = False


def moved(start: Vector, seen: Observation, forecast: Forecast | None, moving: Moving) -> Moved:
    """Return a jump from where the disc should be now to where it is, and whether that is a better place."""
    good = (seen.width_px / 2, seen.height_px / 2)
    if forecast is not None and forecast.places is not None:
        good = forecast.places.now.to_px
    end = (seen.x_px, seen.y_px)
    nearer = hypot(end[0] - good[0], end[1] - good[1]) < hypot(start[0] - good[0], start[1] - good[1])
    before = forecast.exit.early_utc if forecast is not None else None
    exit_s = utc_s(before) if before is not None else None
    return Moved(
        moving.onset_s, moving.moved_s, seen.time_s, moving.frame, start, end, seen.radius_px, nearer, exit_s
    )
