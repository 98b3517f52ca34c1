"""A mount that stopped, turned back or slipped, told from a knock and from a re-centring.

What a stop looks like, frame by frame: quiet; a part of the sky's way (the stop fell between two exposures);
then the whole of it, in the same direction, again and again. The rules are kept to that shape:

- full: the last step fits the sky's rate (or twice it), the one before is a part of it on the same line, and
  before that all was quiet. Two frames after the onset.
- swelling: three steps on one line, each longer than the one before: a drive that slows.
- creeping: a disc that moves on evenly for longer than anybody pushes it about, however slowly it began.
- lost: one step of that kind, and then no disc where the next step would have carried it out of the frame.

Which way the disc goes when the mount stops is known from the forecast's roll after an hour or so; where it
is, a re-centring that happens to go at the sky's rate no longer passes for a stop.
"""

from itertools import pairwise
from math import cos, degrees, hypot, radians
from typing import NamedTuple

import numpy as np

from sentinel.chain.judge.scene import Scene
from sentinel.chain.judge.track import Step, Track, Vector, is_tracking, quiet_px
from sentinel.sky import true_altitude_deg

STOPPED, REVERSED, SLIPPING = "stopped", "reversed", "wrong-rate"
EXACT_DEG, EXACT_FRACTION = 1.2, 0.004
"""How well, 1-sigma, the fit's roll and the disc's size tell way and length of a stopped mount's step."""
_MULTIPLES = ((1.0, STOPPED), (2.0, REVERSED))


class Suspicion(NamedTuple):
    """The track looks like a mount that no longer carries the sun."""

    kind: str
    onset_s: float
    way: Vector
    """Unit vector of the disc's motion."""
    pace: float
    """Its speed over the sky's."""
    basis: str


def suspect(track: Track, scene: Scene, west: Vector | None) -> Suspicion | None:
    """Return what the last steps amount to, None if nothing.

    Parameters
    ----------
    west
        Which way the disc goes when the mount stops; None: not known.
    """
    if not is_tracking(track, scene) or len(track.steps) < 2:
        return None
    last = track.steps[-1]
    if last.excess_px <= quiet_px(track, last.sky_px, scene):
        return None
    return _full(track, scene, west) or _swelling(track, scene, west)


def fits(suspicion: Suspicion, west: Vector | None, scene: Scene) -> bool:
    """Whether the disc goes the way it does when the mount stops."""
    return west is None or _along(suspicion.way, west, 2 * scene.thresholds.runaway_angle_deg)


def _full(track: Track, scene: Scene, west: Vector | None) -> Suspicion | None:
    last = track.steps[-1]
    length = hypot(*last.move)
    if length == 0:
        return None
    way = (last.move[0] / length, last.move[1] / length)
    for multiple, kind in _MULTIPLES:
        off = abs(length - multiple * last.sky_px)
        if off <= _tolerance(last, multiple, track, scene):
            sharp = off <= 0.6 * _tolerance(last, multiple, track, scene)
            onset_s = _onset_s(track, way, multiple, scene, west, sharp=sharp)
            if onset_s is not None:
                return Suspicion(kind, onset_s, way, length / last.sky_px, "full")
    return None


def _tolerance(step: Step, multiple: float, track: Track, scene: Scene) -> float:
    return scene.thresholds.runaway_match_fraction * multiple * step.sky_px + 3 * track.jitter_px


def _onset_s(
    track: Track, way: Vector, multiple: float, scene: Scene, west: Vector | None, *, sharp: bool
) -> float | None:
    """Return when it began, if the steps before the last one lead up to a runaway; None if they do not.

    On the second frame it is believed if the way is the known one, or unknown and the rate fits sharply; on
    any other way, and for a rate that fits less well, not before the third.
    """
    before = track.steps[-2]
    earlier = track.steps[-3] if len(track.steps) > 2 else None
    noise = track.jitter_px
    share = _share(before, way, multiple, noise)
    if share is None:
        return None
    known = west is not None and _along(way, west, scene.thresholds.runaway_angle_deg)
    if share * multiple * before.sky_px < max(4 * noise, 0.02 * multiple * before.sky_px):
        # Nothing yet the frame before: a knock or a push of just this length looks the same, unless way and
        # length are those of a stopped mount to within what is known of them.
        return before.time_s if west is not None and _is_exact(track, west, multiple) else None
    onset_s = before.time_s - min(share, 1.0) * before.seconds
    if earlier is None:
        return onset_s if sharp else None
    if earlier.excess_px <= quiet_px(track, earlier.sky_px, scene):
        # The fit of the roll may be wrong, so another way than its own only asks for one step more.
        return onset_s if known or (west is None and sharp) else None
    # Already under way then: the later step must have been a whole one.
    part = _share(earlier, way, multiple, noise)
    if share <= 0.93 or part is None:
        return None
    if not known and not _both_whole(track, way, multiple, scene):
        return None
    return before.time_s - before.seconds - min(part, 1.0) * earlier.seconds


def _is_exact(track: Track, west: Vector, multiple: float) -> bool:
    """Whether the last step is that of a mount that stood still, or turned back, all the while."""
    last, noise = track.steps[-1], track.jitter_px
    whole = multiple * last.sky_px
    along = (last.move[0] * west[0] + last.move[1] * west[1] - whole) / hypot(noise, EXACT_FRACTION * whole)
    across = (last.move[1] * west[0] - last.move[0] * west[1]) / hypot(noise, radians(EXACT_DEG) * whole)
    return hypot(along, across) <= 3


def _both_whole(track: Track, way: Vector, multiple: float, scene: Scene) -> bool:
    """Whether the last two steps together fit the rate, twice as well as one of them can."""
    before, last = track.steps[-2:]
    along = sum(step.move[0] * way[0] + step.move[1] * way[1] for step in (before, last))
    whole = multiple * (before.sky_px + last.sky_px)
    return abs(along - whole) <= 0.5 * scene.thresholds.runaway_match_fraction * whole + 3 * track.jitter_px


def _share(step: Step, way: Vector, multiple: float, noise: float) -> float | None:
    """Return which part of a whole runaway step this one is; None if it is not on the line."""
    along = step.excess[0] * way[0] + step.excess[1] * way[1]
    across = abs(step.excess[1] * way[0] - step.excess[0] * way[1])
    whole = multiple * step.sky_px
    if across > max(3.5 * noise, 0.04 * whole) or not -4 * noise <= along <= 1.05 * whole + 4 * noise:
        return None
    return max(along / whole, 0.0)


def _swelling(track: Track, scene: Scene, west: Vector | None) -> Suspicion | None:
    way = same_way(track.steps[-3:], track, scene) if len(track.steps) > 2 else None
    if way is None:
        return _slipping_out(track, scene, west)
    known = west is not None and _along(way, west, scene.thresholds.runaway_angle_deg)
    # Somebody who slews the disc does so evenly; only a drive that fails goes ever faster. Where the way is
    # not that of a stopped mount, it takes more of it.
    needed = 3 if known or west is None else 5
    steps = track.steps[-needed:]
    paces = [pace_of(step, way) for step in steps]
    growing = all(late > 1.1 * early for early, late in pairwise(paces))
    if not growing or paces[-1] > 2.2 or _pushed(track, needed):
        return None
    if paces[-1] < scene.thresholds.runaway_rate_fraction + air_pace(track, scene):
        return None
    if needed > 3 and (len(steps) < needed or same_way(steps, track, scene) is None):
        return None
    first, last = track.steps[-3], track.steps[-1]
    return Suspicion(
        kind_of(pace_of(last, way)), first.time_s - first.seconds, way, pace_of(last, way), "swelling"
    )


def _pushed(track: Track, since: int) -> bool:
    """Whether the step before the last so many was one that no drive makes: somebody is at the camera."""
    if len(track.steps) <= since:
        return False
    before = track.steps[-since - 1]
    return before.excess_px > 2.2 * before.sky_px


def _slipping_out(track: Track, scene: Scene, west: Vector | None) -> Suspicion | None:
    """Take two steps for enough where there will be no third: on the known way, about to leave the frame."""
    if west is None or track.last is None:
        return None
    first, last = track.steps[-2:]
    way = same_way((first, last), track, scene)
    if way is None or not _along(way, west, scene.thresholds.runaway_angle_deg):
        return None
    pace = pace_of(last, way)
    size = (float(track.last.width_px), float(track.last.height_px))
    if pace > 2.2 or pace < 1.1 * pace_of(first, way) or _pushed(track, 2):
        return None
    if not _outside(last, way, 2 * pace * last.sky_px, size):
        return None
    return Suspicion(kind_of(pace), first.time_s - first.seconds, way, pace, "slipping out")


def air_pace(track: Track, scene: Scene) -> float:
    """Return how fast the air's bending moves the disc now, over the sky's rate: a tenth at the horizon.

    The mount does not follow that, and the usual drift learns of it too late.
    """
    step, here = track.steps[-1], track.last
    if here is None:
        return 0.0
    before = scene.glance(step.time_s - step.seconds)
    seen_deg = np.array([before.altitude_deg, here.sun.altitude_deg])
    site = scene.settings.site
    lift_deg = seen_deg - true_altitude_deg(seen_deg, site.pressure_hpa, site.temperature_c)
    sky_deg = step.sky_px / step.radius_px * degrees(scene.sun_radius_rad(step.time_s))
    return float(abs(lift_deg[1] - lift_deg[0])) / sky_deg


def goes_on(track: Track, scene: Scene) -> bool:
    """Whether the last step goes on evenly from the one before: no push differs so little from the next."""
    if len(track.steps) < 2:
        return False
    way = same_way(track.steps[-2:], track, scene)
    if way is None:
        return False
    before, last = (pace_of(step, way) for step in track.steps[-2:])
    return abs(last - before) <= 0.15 * max(last, before) + 4 * track.jitter_px / track.steps[-1].sky_px


def creeping(
    track: Track, scene: Scene, even_s: float, departed_s: float | None, line: Vector | None
) -> Suspicion | None:
    """Return what to make of a disc that has moved evenly since `even_s`.

    Parameters
    ----------
    departed_s
        Since when it has left the mount's track, by the fit, which sees a slow beginning sooner; None: not.
    line
        The way of the drive in the picture, forward or backward; None: not known.
    """
    way = same_way(track.steps[-3:], track, scene) if len(track.steps) > 2 else None
    if way is None or not is_tracking(track, scene):
        return None
    last = track.steps[-1]
    since_s = even_s if departed_s is None else min(even_s, departed_s)
    pace = pace_of(last, way)
    creep_s = _creep_s(way, line, scene)
    if last.time_s - even_s < creep_s / 2 or last.time_s - since_s < creep_s or pace > 2.2:
        return None
    if pace < scene.thresholds.runaway_rate_fraction + air_pace(track, scene):
        return None
    return Suspicion(kind_of(pace), since_s, way, pace, "creeping")


def _creep_s(way: Vector, line: Vector | None, scene: Scene) -> float:
    """Return for how long nobody moves a disc so evenly: along the drive's line somewhat less than else.

    The pace says nothing of it: people slew at any. A line that is not known yet shortens nothing either.
    """
    longest = scene.thresholds.runaway_creep_min * 60
    if line is None:
        return longest
    along = way if way[0] * line[0] + way[1] * line[1] > 0 else (-way[0], -way[1])
    return 0.82 * longest if _along(along, line, scene.thresholds.runaway_angle_deg) else longest


def pace_of(step: Step, way: Vector) -> float:
    """Return how fast a step goes along a way, over the sky's rate."""
    return (step.excess[0] * way[0] + step.excess[1] * way[1]) / step.sky_px


def same_way(steps: tuple[Step, ...], track: Track, scene: Scene) -> Vector | None:
    """Return the common direction of steps that all are more than usual; None if they have none."""
    if any(step.excess_px <= quiet_px(track, step.sky_px, scene) for step in steps):
        return None
    total = (sum(step.excess[0] for step in steps), sum(step.excess[1] for step in steps))
    length = hypot(*total)
    if length == 0:
        return None
    way = (total[0] / length, total[1] / length)
    for step in steps:
        along = step.excess[0] * way[0] + step.excess[1] * way[1]
        across = abs(step.excess[1] * way[0] - step.excess[0] * way[1])
        if along <= 0 or across > max(3.5 * track.jitter_px, 0.15 * along):
            return None
    return way


def lost_with(
    track: Track, scene: Scene, west: Vector | None, now_s: float, size: Vector
) -> Suspicion | None:
    """Return what is to be made of a disc that was on its way out when it was last seen and is gone now."""
    if not is_tracking(track, scene) or not track.steps or track.last is None:
        return None
    last = track.steps[-1]
    led = _led_out(track, scene)
    if led is None:
        return _run_back(track, scene, west, now_s, size)
    way, first = led
    if west is not None and not _along(way, west, 2 * scene.thresholds.runaway_angle_deg):
        return None
    pace = last.excess_px / last.sky_px
    reach = last.sky_px * (now_s - last.time_s) / last.seconds
    for multiple, kind in _MULTIPLES:
        if pace <= 1.05 * multiple and _outside(last, way, multiple * reach, size):
            share = min(first.excess_px / (multiple * first.sky_px), 1.0)
            return Suspicion(kind, first.time_s - share * first.seconds, way, multiple, "lost")
    return None


def _run_back(
    track: Track, scene: Scene, west: Vector | None, now_s: float, size: Vector
) -> Suspicion | None:
    """Return what to make of a disc that went out fast along the drive's axis: some mounts run back so.

    Somebody who slews by hand seldom keeps to one axis for minutes, and comes back.
    """
    if west is None or len(track.steps) < 3:
        return None
    last = track.steps[-1]
    way = same_way(track.steps[-2:], track, scene)
    within = scene.thresholds.runaway_angle_deg / 3
    if way is None or not (_along(way, west, within) or _along((-way[0], -way[1]), west, within)):
        return None
    pace = pace_of(last, way)
    reach = last.excess_px * (now_s - last.time_s) / last.seconds
    if pace <= 2.2 or not _outside(last, way, reach, size):
        return None
    # The first step may be a part of a whole one; before it all was quiet.
    for count in (2, 3):
        before = track.steps[-count - 1] if len(track.steps) > count else None
        first = track.steps[-count]
        if same_way(track.steps[-count:], track, scene) is None:
            return None
        if before is not None and before.excess_px <= quiet_px(track, before.sky_px, scene):
            return Suspicion(REVERSED, first.time_s - first.seconds, way, pace, "ran back")
    return None


def _led_out(track: Track, scene: Scene) -> tuple[Vector, Step] | None:
    """Return the way of the last one or two steps, and the first of them, if all was quiet before."""
    for count in (1, 2):
        if len(track.steps) < count:
            return None
        steps = track.steps[-count:]
        way = same_way(steps, track, scene)
        if way is None or steps[-1].excess_px > 2.2 * steps[-1].sky_px:
            return None
        before = track.steps[-count - 1] if len(track.steps) > count else None
        if before is None or before.excess_px <= quiet_px(track, before.sky_px, scene):
            return way, steps[0]
    return None


def _outside(step: Step, way: Vector, reach_px: float, size: Vector) -> bool:
    """Whether the disc, carried so far, shows less than a sixth of its width in the frame."""
    x, y = step.x_px + way[0] * reach_px, step.y_px + way[1] * reach_px
    left = 0.67 * step.radius_px
    return x < -left or y < -left or x > size[0] + left or y > size[1] + left


def _along(way: Vector, other: Vector, within_deg: float) -> bool:
    return way[0] * other[0] + way[1] * other[1] >= cos(radians(within_deg))


def kind_of(pace: float) -> str:
    """Return what a mount does whose disc moves at `pace` times the sky's rate."""
    if pace < 0.92:
        return SLIPPING
    return STOPPED if pace < 1.08 else REVERSED
