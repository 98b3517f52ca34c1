"""A mount that stopped, turned back or slipped, told from a knock and from a re-centring.

What a stop looks like, frame by frame: quiet; a part of the sky's way (the stop fell between two exposures);
then the whole of it, in the same direction, again and again. The rules are kept to that shape:

- full: the last step fits the sky's rate (or twice it), the one before is a part of such a step on the same
  line, and before that all was quiet. Two frames after the onset.
- swelling: three steps on one line, each longer than the one before: a drive that slows.
- creeping: a disc that moves on evenly for longer than anybody pushes it about, however slowly it began.
- lost: one step of that kind, and then no disc where the next step would have carried it out of the frame.

Which way the disc goes when the mount stops is known from the forecast's roll after an hour or so; where it
is, a re-centring that happens to go at the sky's rate no longer passes for a stop.
"""

from itertools import pairwise
from math import cos, degrees, hypot, radians

import numpy as np

from sentinel.chain.track.context import Context
from sentinel.chain.track.path import Path, Step, Vector, along_and_across, is_tracking, quiet_px
from sentinel.chain.track.runs import Suspicion
from sentinel.sky import true_altitude_deg

STOPPED, REVERSED, SLIPPING = "stopped", "reversed", "wrong-rate"
EXACT_DEG, EXACT_FRACTION = 1.2, 0.004
"""How well, 1 sigma, the fit's roll and the disc's size tell a stopped mount's step: direction and length."""
FASTEST_STOP = 2.2
"""Over the sky's rate: faster than any mount that stopped, or turned back at its own rate."""
_MULTIPLES = ((1.0, STOPPED), (2.0, REVERSED))


def suspect(path: Path, context: Context, west: Vector | None) -> Suspicion | None:
    """Return what the last steps amount to, None if nothing.

    `west`: which way the disc goes when the mount stops; None: not known.
    """
    if not is_tracking(path, context) or len(path.steps) < 2:
        return None
    last = path.steps[-1]
    if last.excess_px <= quiet_px(path, last.sky_px, context):
        return None
    return _full(path, context, west) or _swelling(path, context, west)


def fits(suspicion: Suspicion, west: Vector | None, context: Context) -> bool:
    """Whether the disc goes the way it does when the mount stops."""
    return west is None or _is_along(suspicion.way, west, 2 * context.thresholds.runaway_angle_deg)


def _full(path: Path, context: Context, west: Vector | None) -> Suspicion | None:
    last = path.steps[-1]
    length = hypot(*last.move)
    if length == 0:
        return None
    way = (last.move[0] / length, last.move[1] / length)
    for multiple, kind in _MULTIPLES:
        off = abs(length - multiple * last.sky_px)
        if off <= _tolerance(last, multiple, path, context):
            sharp = off <= 0.6 * _tolerance(last, multiple, path, context)
            onset_s = _onset_s(path, way, multiple, context, west, sharp=sharp)
            if onset_s is not None:
                return Suspicion(kind, onset_s, way, length / last.sky_px, "full")
    return None


def _tolerance(step: Step, multiple: float, path: Path, context: Context) -> float:
    return context.thresholds.runaway_match_fraction * multiple * step.sky_px + 3 * path.jitter_px


def _onset_s(
    path: Path, way: Vector, multiple: float, context: Context, west: Vector | None, *, sharp: bool
) -> float | None:
    """Return when it began, if the steps before the last one lead up to a runaway; None if they do not.

    On the second frame it is believed if the way is the known one, or unknown and the rate fits sharply; on
    any other way, and for a rate that fits less well, not before the third.
    """
    before = path.steps[-2]
    earlier = path.steps[-3] if len(path.steps) > 2 else None
    noise = path.jitter_px
    share = _share(before, way, multiple, noise)
    if share is None:
        return None
    known = west is not None and _is_along(way, west, context.thresholds.runaway_angle_deg)
    if share * multiple * before.sky_px < max(4 * noise, 0.02 * multiple * before.sky_px):
        # Nothing yet the frame before: a knock or a push of just this length looks the same, unless way and
        # length are those of a stopped mount to within what is known of them.
        return before.time_s if west is not None and _is_exact(path, west, multiple) else None
    onset_s = before.time_s - min(share, 1.0) * before.seconds
    if earlier is None:
        return onset_s if sharp else None
    if earlier.excess_px <= quiet_px(path, earlier.sky_px, context):
        # The fit of the roll may be wrong, so another way than its own only asks for one step more.
        return onset_s if known or (west is None and sharp) else None
    # Already under way then: the later step must have been a whole one.
    part = _share(earlier, way, multiple, noise)
    if share <= 0.93 or part is None:
        return None
    if not known and not _both_whole(path, way, multiple, context):
        return None
    return before.time_s - before.seconds - min(part, 1.0) * earlier.seconds


def _is_exact(path: Path, west: Vector, multiple: float) -> bool:
    """Whether the last step is that of a mount that stood still, or turned back, all the while."""
    last, noise = path.steps[-1], path.jitter_px
    whole = multiple * last.sky_px
    along, across = along_and_across(last.move, west)
    off_along = (along - whole) / hypot(noise, EXACT_FRACTION * whole)
    return hypot(off_along, across / hypot(noise, radians(EXACT_DEG) * whole)) <= 3


def _both_whole(path: Path, way: Vector, multiple: float, context: Context) -> bool:
    """Whether the last two steps together fit the rate, twice as well as one of them can."""
    before, last = path.steps[-2:]
    along = sum(along_and_across(step.move, way)[0] for step in (before, last))
    whole = multiple * (before.sky_px + last.sky_px)
    return abs(along - whole) <= 0.5 * context.thresholds.runaway_match_fraction * whole + 3 * path.jitter_px


def _share(step: Step, way: Vector, multiple: float, noise: float) -> float | None:
    """Return what share of a whole runaway step this one is; None if it is not on the line."""
    along, across = along_and_across(step.excess, way)
    whole = multiple * step.sky_px
    if across > max(3.5 * noise, 0.04 * whole) or not -4 * noise <= along <= 1.05 * whole + 4 * noise:
        return None
    return max(along / whole, 0.0)


def _swelling(path: Path, context: Context, west: Vector | None) -> Suspicion | None:
    way = same_way(path.steps[-3:], path, context) if len(path.steps) > 2 else None
    if way is None:
        return _slipping_out(path, context, west)
    known = west is not None and _is_along(way, west, context.thresholds.runaway_angle_deg)
    # Somebody who slews the disc does so evenly; only a drive that fails goes ever faster. Where the way is
    # not that of a stopped mount, it takes more of it.
    needed = 3 if known or west is None else 5
    steps = path.steps[-needed:]
    paces = [pace_of(step, way) for step in steps]
    growing = all(late > 1.1 * early for early, late in pairwise(paces))
    if not growing or paces[-1] > FASTEST_STOP or _pushed(path, needed):
        return None
    if paces[-1] < context.thresholds.runaway_rate_fraction + air_pace(path, context):
        return None
    if needed > 3 and (len(steps) < needed or same_way(steps, path, context) is None):
        return None
    first, last = path.steps[-3], path.steps[-1]
    return Suspicion(
        kind_of(pace_of(last, way)), first.time_s - first.seconds, way, pace_of(last, way), "swelling"
    )


def _pushed(path: Path, since: int) -> bool:
    """Whether the step before the last so many was one that no drive makes: somebody is at the camera."""
    if len(path.steps) <= since:
        return False
    before = path.steps[-since - 1]
    return before.excess_px > FASTEST_STOP * before.sky_px


def _slipping_out(path: Path, context: Context, west: Vector | None) -> Suspicion | None:
    """Take two steps for enough where there will be no third: on the known way, about to leave the frame."""
    if west is None or path.last is None:
        return None
    first, last = path.steps[-2:]
    way = same_way((first, last), path, context)
    if way is None or not _is_along(way, west, context.thresholds.runaway_angle_deg):
        return None
    pace = pace_of(last, way)
    size = (float(path.last.width_px), float(path.last.height_px))
    if pace > FASTEST_STOP or pace < 1.1 * pace_of(first, way) or _pushed(path, 2):
        return None
    if not _outside(last, way, 2 * pace * last.sky_px, size):
        return None
    return Suspicion(kind_of(pace), first.time_s - first.seconds, way, pace, "slipping out")


def air_pace(path: Path, context: Context) -> float:
    """Return how fast the air's bending moves the disc now, over the sky's rate: a tenth at the horizon.

    The mount does not follow that, and the usual drift learns of it too late.
    """
    step, here = path.steps[-1], path.last
    if here is None:
        return 0.0
    before = context.sun_at(step.time_s - step.seconds)
    seen_deg = np.array([before.altitude_deg, here.sun.altitude_deg])
    site = context.settings.site
    lift_deg = seen_deg - true_altitude_deg(seen_deg, site.pressure_hpa, site.temperature_c)
    sky_deg = step.sky_px / step.radius_px * degrees(context.sun_radius_rad(step.time_s))
    return float(abs(lift_deg[1] - lift_deg[0])) / sky_deg


def goes_on(path: Path, context: Context) -> bool:
    """Whether the last step goes on evenly from the one before: no push differs so little from the next."""
    if len(path.steps) < 2:
        return False
    way = same_way(path.steps[-2:], path, context)
    if way is None:
        return False
    before, last = (pace_of(step, way) for step in path.steps[-2:])
    return abs(last - before) <= 0.15 * max(last, before) + 4 * path.jitter_px / path.steps[-1].sky_px


def creeping(path: Path, context: Context, even_s: float, line: Vector | None) -> Suspicion | None:
    """Return what to make of a disc that has moved evenly since `even_s`.

    `line`: the way of the drive in the picture, forward or backward; None: not known.
    """
    way = same_way(path.steps[-3:], path, context) if len(path.steps) > 2 else None
    if way is None or not is_tracking(path, context):
        return None
    last = path.steps[-1]
    pace = pace_of(last, way)
    if last.time_s - even_s < _creep_s(way, line, context) or pace > FASTEST_STOP:
        return None
    if pace < context.thresholds.runaway_rate_fraction + air_pace(path, context):
        return None
    return Suspicion(kind_of(pace), even_s, way, pace, "creeping")


def _creep_s(way: Vector, line: Vector | None, context: Context) -> float:
    """Return for how long nobody moves a disc so evenly: somewhat less along the drive's line than off it.

    The pace does not matter, people slew at any; nor does a line that is not known yet.
    """
    longest = context.thresholds.runaway_creep_min * 60
    if line is None:
        return longest
    on_line = abs(along_and_across(way, line)[0]) >= cos(radians(context.thresholds.runaway_angle_deg))
    return 0.82 * longest if on_line else longest


def pace_of(step: Step, way: Vector) -> float:
    """Return how fast a step goes along a way, over the sky's rate."""
    return along_and_across(step.excess, way)[0] / step.sky_px


def same_way(steps: tuple[Step, ...], path: Path, context: Context) -> Vector | None:
    """Return the common direction of steps that all are more than usual; None if they have none."""
    if any(step.excess_px <= quiet_px(path, step.sky_px, context) for step in steps):
        return None
    total = (sum(step.excess[0] for step in steps), sum(step.excess[1] for step in steps))
    length = hypot(*total)
    if length == 0:
        return None
    way = (total[0] / length, total[1] / length)
    for step in steps:
        along, across = along_and_across(step.excess, way)
        if along <= 0 or across > max(3.5 * path.jitter_px, 0.15 * along):
            return None
    return way


def lost_with(
    path: Path, context: Context, west: Vector | None, now_s: float, size: Vector
) -> Suspicion | None:
    """Return what is to be made of a disc that was on its way out when it was last seen and is gone now."""
    if not is_tracking(path, context) or not path.steps or path.last is None:
        return None
    last = path.steps[-1]
    led = _led_out(path, context)
    if led is None:
        return _run_back(path, context, west, now_s, size)
    way, first = led
    if west is not None and not _is_along(way, west, 2 * context.thresholds.runaway_angle_deg):
        return None
    pace = last.excess_px / last.sky_px
    reach = last.sky_px * (now_s - last.time_s) / last.seconds
    for multiple, kind in _MULTIPLES:
        if pace <= 1.05 * multiple and _outside(last, way, multiple * reach, size):
            share = min(first.excess_px / (multiple * first.sky_px), 1.0)
            return Suspicion(kind, first.time_s - share * first.seconds, way, multiple, "lost")
    return None


def _run_back(
    path: Path, context: Context, west: Vector | None, now_s: float, size: Vector
) -> Suspicion | None:
    """Return what to make of a disc that went out fast along the drive's axis: some mounts run back so.

    Somebody who slews by hand seldom keeps to one axis for minutes, and comes back.
    """
    if west is None or len(path.steps) < 3:
        return None
    last, within = path.steps[-1], context.thresholds.runaway_angle_deg / 3
    # The first step may be a part of a whole one; before it all was quiet.
    for count in range(1, len(path.steps)):
        way = same_way(path.steps[-count:], path, context)
        if way is None:
            return None
        before = path.steps[-count - 1]
        if before.excess_px <= quiet_px(path, before.sky_px, context):
            break
    else:
        return None
    # A single step the other way may be a hand's: only a mount that turns back goes west.
    on_axis = _is_along(way, west, within) or (count > 1 and _is_along((-way[0], -way[1]), west, within))
    pace = pace_of(last, way)
    reach = last.excess_px * (now_s - last.time_s) / last.seconds
    if not on_axis or pace <= FASTEST_STOP or not _outside(last, way, reach, size):
        return None
    first = path.steps[-count]
    return Suspicion(REVERSED, first.time_s - first.seconds, way, pace, "ran back")


def _led_out(path: Path, context: Context) -> tuple[Vector, Step] | None:
    """Return the way of the last one or two steps, and the first of them, if all was quiet before."""
    for count in (1, 2):
        if len(path.steps) < count:
            return None
        steps = path.steps[-count:]
        way = same_way(steps, path, context)
        if way is None or steps[-1].excess_px > FASTEST_STOP * steps[-1].sky_px:
            return None
        before = path.steps[-count - 1] if len(path.steps) > count else None
        if before is None or before.excess_px <= quiet_px(path, before.sky_px, context):
            return way, steps[0]
    return None


def _outside(step: Step, way: Vector, reach_px: float, size: Vector) -> bool:
    """Whether the disc, carried so far, shows less than a sixth of its width in the frame."""
    x, y = step.x_px + way[0] * reach_px, step.y_px + way[1] * reach_px
    left = 0.67 * step.radius_px
    return x < -left or y < -left or x > size[0] + left or y > size[1] + left


def _is_along(way: Vector, other: Vector, within_deg: float) -> bool:
    return along_and_across(way, other)[0] >= cos(radians(within_deg))


def kind_of(pace: float) -> str:
    """Return what a mount does whose disc moves at `pace` times the sky's rate."""
    if pace < 0.92:
        return SLIPPING
    return STOPPED if pace < 1.08 else REVERSED
