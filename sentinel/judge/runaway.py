"""A mount that stopped, turned back or slipped, told from a knock and from a re-centring.

What a stop looks like, frame by frame: quiet; a part of the sky's way (the stop fell between two exposures);
then the whole of it, in the same direction, again and again. The rules are kept to that shape:

- full: the last step fits the sky's rate (or twice it), the one before is a part of it on the same line, and
  before that all was quiet. Two frames after the onset.
- swelling: three steps on one line, growing, or on the line known for a stopped mount: a drive that slows.
- lost: one step of that kind, and then no disc where the next step would have carried it out of the frame.

Which way the disc goes when the mount stops is known from the forecast's roll after an hour or so; where it
is, a re-centring that happens to go at the sky's rate no longer passes for a stop.
"""

from math import cos, hypot, radians
from typing import NamedTuple

from sentinel.judge.scene import Scene
from sentinel.judge.track import Step, Track, Vector, quiet_px

STOPPED, REVERSED, SLIPPING = "stopped", "reversed", "wrong-rate"
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
    """Return what the last steps amount to, None if nothing."""
    if not scene.tracks or len(track.steps) < 2:
        return None
    last = track.steps[-1]
    if last.excess_px <= quiet_px(track, last.sky_px, scene):
        return None
    return _full(track, scene, west) or _swelling(track, scene, west)


def _full(track: Track, scene: Scene, west: Vector | None) -> Suspicion | None:
    last, before = track.steps[-1], track.steps[-2]
    earlier = track.steps[-3] if len(track.steps) > 2 else None
    noise = track.jitter_px
    length = hypot(*last.move)
    if length == 0:
        return None
    way = (last.move[0] / length, last.move[1] / length)
    known = west is not None
    if west is not None and not _along(way, west, scene.thresholds.runaway_angle_deg):
        return None
    for multiple, kind in _MULTIPLES:
        whole = multiple * last.sky_px
        if abs(length - whole) > scene.thresholds.runaway_match_fraction * whole + 3 * noise:
            continue
        share = _share(before, way, multiple, noise)
        if share is None:
            continue
        if share * multiple * before.sky_px < max(4 * noise, 0.02 * whole):
            # Nothing yet the frame before: a knock of just this length looks the same, unless the way is known.
            if not known:
                continue
            share = 0.0
        elif earlier is not None and not _leads_up(earlier, share, way, multiple, noise, track, scene):
            continue
        onset_s = before.time_s - min(share, 1.0) * before.seconds
        return Suspicion(kind, onset_s, way, length / last.sky_px, "full")
    return None


def _share(step: Step, way: Vector, multiple: float, noise: float) -> float | None:
    """Return which part of a whole runaway step this one is; None if it is not on the line."""
    along = step.excess[0] * way[0] + step.excess[1] * way[1]
    across = abs(step.excess[1] * way[0] - step.excess[0] * way[1])
    whole = multiple * step.sky_px
    if across > max(3.5 * noise, 0.04 * whole) or not -4 * noise <= along <= 1.05 * whole + 4 * noise:
        return None
    return max(along / whole, 0.0)


def _leads_up(
    earlier: Step, share: float, way: Vector, multiple: float, noise: float, track: Track, scene: Scene
) -> bool:
    """Whether the step before the first one of a runaway is what it should be."""
    if earlier.excess_px <= quiet_px(track, earlier.sky_px, scene):
        return True
    # Already under way then: the later step must have been a whole one.
    return share > 0.93 and _share(earlier, way, multiple, noise) is not None


def _swelling(track: Track, scene: Scene, west: Vector | None) -> Suspicion | None:
    if len(track.steps) < 3:
        return None
    steps = track.steps[-3:]
    if any(step.excess_px <= quiet_px(track, step.sky_px, scene) for step in steps):
        return None
    total = (sum(step.excess[0] for step in steps), sum(step.excess[1] for step in steps))
    length = hypot(*total)
    if length == 0:
        return None
    way = (total[0] / length, total[1] / length)
    paces = []
    for step in steps:
        along = step.excess[0] * way[0] + step.excess[1] * way[1]
        across = abs(step.excess[1] * way[0] - step.excess[0] * way[1])
        if along <= 0 or across > max(3.5 * track.jitter_px, 0.15 * along):
            return None
        paces.append(along / step.sky_px)
    if paces[-1] > 2.2:
        return None
    growing = paces[1] > 1.1 * paces[0] and paces[2] > 1.1 * paces[1]
    if west is not None:
        if not _along(way, west, scene.thresholds.runaway_angle_deg):
            return None
    elif not growing:
        return None
    onset_s = steps[0].time_s - steps[0].seconds
    return Suspicion(kind_of(paces[-1]), onset_s, way, paces[-1], "swelling")


def lost_with(
    track: Track, scene: Scene, west: Vector | None, now_s: float, size: Vector
) -> Suspicion | None:
    """Return what is to be made of a disc that was on its way out when it was last seen and is gone now."""
    if not scene.tracks or not track.steps or track.last is None:
        return None
    last = track.steps[-1]
    if last.excess_px <= quiet_px(track, last.sky_px, scene) or last.excess_px > 2.1 * last.sky_px:
        return None
    if len(track.steps) > 1:
        before = track.steps[-2]
        if before.excess_px > quiet_px(track, before.sky_px, scene):
            return None
    length = hypot(*last.excess)
    way = (last.excess[0] / length, last.excess[1] / length)
    if west is not None and not _along(way, west, 2 * scene.thresholds.runaway_angle_deg):
        return None
    since_s = now_s - last.time_s
    pace_px_s = last.sky_px / last.seconds
    for multiple, kind in _MULTIPLES:
        reach = multiple * pace_px_s * since_s
        if length <= 1.05 * multiple * last.sky_px and _outside(last, way, reach, size):
            share = min(length / (multiple * last.sky_px), 1.0)
            return Suspicion(kind, last.time_s - share * last.seconds, way, multiple, "lost")
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
    if pace < 0.85:
        return SLIPPING
    return STOPPED if pace < 1.25 else REVERSED
