"""The disc's way through the frame: how it usually moves, and how much it jitters.

A mount that tracks leaves a slow drift; one that stops lets the disc go at the sky's own rate, one that turns
back at twice that. Everything is compared with that rate, in pixels, which the sun's direction at the two
exposures and the measured radius give without any setting.
"""

from math import cos, hypot, radians, sin
from typing import NamedTuple

from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.foreseen import Edge

Vector = tuple[float, float]

TRAIL = 61
DRIFT_TRAIL = 31
JITTERS = 30
STEPS = 8
CARRIED = 6
"""On a mount that stands the disc moves at the sky's own rate: it does not stay behind for so many steps."""
FAINT = 1.4
"""A step of up to so many times the quiet limit may belong to a slow slide, which no single step shows."""
JITTER_FLOOR_PX = 0.3
# The median of a two-dimensional normal scatter's length is 1.18 sigma.
RAYLEIGH_MEDIAN = 1.177


class Step(NamedTuple):
    """From one trusted disc to the next."""

    frame: str
    time_s: float
    seconds: float
    x_px: float
    y_px: float
    radius_px: float
    move: Vector
    """Displacement."""
    excess: Vector
    """Displacement less the usual drift."""
    sky_px: float
    """How far the disc would have gone on a mount standing still."""

    @property
    def excess_px(self) -> float:
        """Length of the excess."""
        return hypot(*self.excess)


class Path(NamedTuple):
    """What is remembered of the way; bounded."""

    last: Observation | None = None
    steps: tuple[Step, ...] = ()
    """The last few, however they went; emptied by a long gap."""
    trail: tuple[tuple[float, float, float], ...] = ()
    """Time and place of discs tracked quietly since the last jump."""
    drift: Vector = (0.0, 0.0)
    """Usual drift, px/s."""
    scatter: tuple[float, ...] = ()
    """Lengths of the last quiet excesses."""
    jitter_px: float = 2.0
    """Usual frame-to-frame scatter, as the sigma of one coordinate's difference."""
    older: int = 0
    """Frames in a row from before the last one."""
    carried: int = 0
    """Of a mount that is set not to track: steps in a row in which it did; kept once there are `CARRIED`."""
    carried_s: float = 0.0
    """Since when."""


def along_and_across(vector: Vector, way: Vector) -> tuple[float, float]:
    """Return the parts of a vector along a way (a unit vector) and, unsigned, across it."""
    return vector[0] * way[0] + vector[1] * way[1], abs(vector[1] * way[0] - vector[0] * way[1])


def _jitter_px(scatter: tuple[float, ...], before: float) -> float:
    if len(scatter) < 5:
        return before
    return max(sorted(scatter)[len(scatter) // 2] / RAYLEIGH_MEDIAN, JITTER_FLOOR_PX)


def sky_px(context: Context, one: Observation, other: Observation, radius_px: float) -> float:
    """Return how far the sun moves between two exposures, in pixels of a camera that stands still."""
    (e1, n1, u1), (e2, n2, u2) = one.sun.direction, other.sun.direction
    chord = hypot(e2 - e1, n2 - n1, u2 - u1)
    return chord / context.sun_radius_rad(other.time_s) * radius_px


def is_tracking(path: Path, context: Context) -> bool:
    """Whether the mount tracks, by the settings or, where they say it does not, by what the disc does."""
    return context.tracks or path.carried >= CARRIED


def _carried(path: Path, seen: Observation, context: Context, gap_s: float) -> Path:
    """Note whether a mount that is said not to track has carried the sun to a place."""
    last = path.last
    if context.tracks or path.carried >= CARRIED or last is None:
        return path
    if not 0 < seen.time_s - last.time_s <= gap_s:
        return path._replace(carried=0)
    moved = hypot(seen.x_px - last.x_px, seen.y_px - last.y_px)
    if moved > 0.3 * sky_px(context, last, seen, max(seen.radius_px, last.radius_px)):
        return path._replace(carried=0)
    since_s = path.carried_s if path.carried else last.time_s
    if path.carried + 1 == CARRIED:
        # What was usual for a camera that stands still is not for one that is carried.
        return Path(last, (), path.trail[-1:], carried=CARRIED, carried_s=since_s)
    return path._replace(carried=path.carried + 1, carried_s=since_s)


def quiet_px(path: Path, sky: float, context: Context) -> float:
    """Return the excess up to which a step is no news."""
    limits = context.thresholds
    return max(limits.runaway_jitter_ratio * path.jitter_px, limits.runaway_rate_fraction * sky)


def longest_step_s(context: Context) -> float:
    """Return the gap after which the step over it says nothing any more."""
    return max(5 * context.interval_s, 600.0)


def extended(
    path: Path, seen: Observation, context: Context, *, carried: bool = True
) -> tuple[Path, Step | None]:
    """Return the path with one more trusted disc, and the step that led there; None after a gap.

    `carried`: the mount carries the sun; while it does not, the usual drift and jitter stay what they were.
    """
    gap_s = longest_step_s(context)
    path = _carried(path, seen, context, gap_s)
    last = path.last
    if last is None:
        return path._replace(last=seen, trail=((seen.time_s, seen.x_px, seen.y_px),)), None
    seconds = seen.time_s - last.time_s
    if seconds <= 0:
        # Late or twice; a clock set back shows as a run of them.
        older = path.older + 1 if seconds < 0 else path.older
        return (path._replace(older=older), None) if older < 3 else (restarted(path, seen), None)
    if seconds > gap_s:
        return restarted(path, seen), None
    step = _step(path, last, seen, seconds, context)
    steps = (*path.steps[-(STEPS - 1) :], step)
    quiet = quiet_px(path, step.sky_px, context)
    if step.excess_px <= quiet:
        trail = (*path.trail[-(TRAIL - 1) :], (seen.time_s, seen.x_px, seen.y_px))
        if not carried:
            return path._replace(last=seen, steps=steps, trail=trail), step
        scatter = (*path.scatter[-(JITTERS - 1) :], step.excess_px)
        drift = drift_of(trail[-DRIFT_TRAIL:], path.drift)
        return path._replace(
            last=seen,
            steps=steps,
            trail=trail,
            drift=drift,
            scatter=scatter,
            jitter_px=_jitter_px(scatter, path.jitter_px),
            older=0,
        ), step
    if step.excess_px <= FAINT * quiet:
        # A little more than usual: of a slow slide some steps are, some are not.
        trail = (*path.trail[-(TRAIL - 1) :], (seen.time_s, seen.x_px, seen.y_px))
        return path._replace(last=seen, steps=steps, trail=trail), step
    # A leap: the drift stays what it was, the trail begins anew.
    return restarted(path, seen)._replace(steps=steps), step


def shaken(path: Path) -> Path:
    """Return the path of a disc that is shaken more than it was: what is usual is learnt anew."""
    scatter = tuple(step.excess_px for step in path.steps)
    return path._replace(scatter=scatter, jitter_px=_jitter_px(scatter, path.jitter_px))


def restarted(path: Path, seen: Observation) -> Path:
    """Return the path after a gap: the usual drift and jitter are kept, nothing else is."""
    trail = ((seen.time_s, seen.x_px, seen.y_px),)
    return path._replace(last=seen, steps=(), trail=trail, older=0)


def _step(path: Path, last: Observation, seen: Observation, seconds: float, context: Context) -> Step:
    move = (seen.x_px - last.x_px, seen.y_px - last.y_px)
    radius = max(seen.radius_px, last.radius_px)
    sky = sky_px(context, last, seen, radius)
    if is_tracking(path, context):
        excess = (move[0] - path.drift[0] * seconds, move[1] - path.drift[1] * seconds)
    else:
        # A camera that stands still lets the disc go by the sky's own rate, ever another way.
        over = 1.0 - sky / max(hypot(*move), 1e-9)
        excess = (move[0] * over, move[1] * over)
    return Step(seen.frame, seen.time_s, seconds, seen.x_px, seen.y_px, radius, move, excess, sky)


def drift_of(trail: tuple[tuple[float, float, float], ...], before: Vector) -> Vector:
    """Return the drift between the medians of the trail's two ends, px/s."""
    if len(trail) < 6:
        return before
    ends = 3 if len(trail) < 12 else 5
    half = ends // 2
    first, last = trail[:ends], trail[-ends:]
    seconds = last[half][0] - first[half][0]
    if seconds <= 0:
        return before
    dx = _middle(last, 1, half) - _middle(first, 1, half)
    dy = _middle(last, 2, half) - _middle(first, 2, half)
    return dx / seconds, dy / seconds


def _middle(points: tuple[tuple[float, float, float], ...], axis: int, half: int) -> float:
    return sorted([point[axis] for point in points])[half]


def west_from_roll(roll_deg: float, *, southern: bool) -> Vector:
    """Return the way the disc goes in the frame when the mount stops, as a unit vector (x right, y down).

    The roll is that of `sky.mount.Pose`: at 0 the picture's up is towards the visible pole, so that x grows
    to the west in the north and to the east in the south; positive: the camera is turned clockwise.
    """
    roll = radians(roll_deg)
    sign = -1.0 if southern else 1.0
    return sign * cos(roll), -sign * sin(roll)


class Leaving(NamedTuple):
    """When and where a disc that moves straight on leaves the frame."""

    edge: Edge
    touch_s: float
    """Seconds until the limb reaches the edge less the margin; negative: it has."""
    gone_s: float
    """Seconds until nothing of it is left in the frame."""


def leaving(
    disc: tuple[float, float, float], speed: Vector, size: Vector, margin_px: float
) -> Leaving | None:
    """Return where a disc (x, y, radius) moving at `speed` (px/s) leaves first; None if it stands still."""
    ways: list[Leaving] = []
    radius_px = disc[2]
    sides: tuple[tuple[Edge, Edge, float, float, float], ...] = (
        ("left", "right", disc[0], speed[0], size[0]),
        ("top", "bottom", disc[1], speed[1], size[1]),
    )
    for low, high, place, pace, width in sides:
        if pace != 0:
            room = place + 0.5 if pace < 0 else width - 0.5 - place
            touch_s, gone_s = (room - radius_px - margin_px) / abs(pace), (room + radius_px) / abs(pace)
            ways.append(Leaving(low if pace < 0 else high, touch_s, gone_s))
    if not ways:
        return None
    first = min(ways, key=lambda way: way.touch_s)
    return first._replace(gone_s=min(way.gone_s for way in ways))
