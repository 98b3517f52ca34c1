"""Where the sun was last, and where it should be now that it is not seen."""

from dataclasses import replace
from math import degrees, hypot
from typing import NamedTuple

from sentinel.chain.judge.details import LostDisc
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import Leaving, Vector, leaving
from sentinel.core.times import from_utc_s

MEASURED_SHARE = 0.35
"""With less of its width in the frame a disc on its way out is no longer measured."""


class LastDisc(NamedTuple):
    """Where the disc was last, and how it moved: enough to say where it should be now."""

    time_s: float
    x_px: float
    y_px: float
    radius_px: float
    drift: Vector
    frame: str
    clear: bool


class Back(NamedTuple):
    """A disc seen again after a while."""

    seen_s: float
    before_s: float
    """When it was seen last before that."""


def where_it_should_be(seen: LastDisc, missed_s: float, sight: Observation, context: Context) -> LostDisc:
    """Return what is most likely, and where to look, from the last good disc.

    `missed_s`: when the first frame was taken that does not show it.
    """
    since_s = sight.time_s - seen.time_s
    x, y = seen.x_px + seen.drift[0] * since_s, seen.y_px + seen.drift[1] * since_s
    radius_deg = degrees(context.sun_radius_rad(sight.time_s))
    off = hypot(x - sight.width_px / 2, y - sight.height_px / 2) / seen.radius_px * radius_deg
    detail = LostDisc(
        last_seen_utc=from_utc_s(seen.time_s),
        last_px=(round(seen.x_px, 1), round(seen.y_px, 1)),
        expected_px=(round(x, 1), round(y, 1)),
        azimuth_deg=round(sight.sun.azimuth_deg, 1),
        altitude_deg=round(sight.sun.altitude_deg, 1),
        off_axis_deg=round(off, 2),
    )
    out = has_left(seen, sight, context)
    if out is not None:
        left_utc = from_utc_s(round(min(seen.time_s + out.gone_s, missed_s)))
        return replace(detail, likely=("left",), edge=out.edge, left_utc=left_utc)
    # Well inside a moment before: something in front is likelier than a mount that threw it out.
    room = min(x, y, sight.width_px - x, sight.height_px - y)
    inside = room > 2 * seen.radius_px
    likely = ("cap-or-filter", "mount", "camera") if inside else ("mount", "cap-or-filter", "camera")
    return replace(detail, likely=likely)


def has_left(seen: LastDisc, sight: Observation, context: Context) -> Leaving | None:
    """Return how the disc left the frame, drifting as it was last seen to; None: it should be in it."""
    size = (float(sight.width_px), float(sight.height_px))
    margin = context.settings.frames.margin_px
    out = leaving((seen.x_px, seen.y_px, seen.radius_px), seen.drift, size, margin)
    latest_s = sight.time_s - seen.time_s + context.interval_s
    return (
        out
        if out is not None and out.gone_s - MEASURED_SHARE * (out.gone_s - out.touch_s) <= latest_s
        else None
    )
