"""What one usable frame says of the sun, in plain numbers."""

from math import hypot, isfinite
from typing import NamedTuple

from sentinel.chain.track.context import Context, SunPosition
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s


class Observation(NamedTuple):
    """What one usable frame says, in plain numbers; None where it says nothing."""

    frame: str
    time_s: float
    found: bool
    x_px: float
    y_px: float
    radius_px: float
    in_frame: float
    covered: float
    """Share of the limb in the frame that is not seen as a clean edge."""
    edge_width_px: float | None
    brightness: float
    saturated: float
    exposure_stops: float | None
    """Light gathered: log2 of exposure time x ISO / aperture squared; None: unknown."""
    width_px: int
    height_px: int
    sun: SunPosition

    @property
    def trusted(self) -> bool:
        """Whether the disc's place can be believed to about a pixel."""
        return self.found and self.in_frame > 0 and self.covered < 0.7

    @property
    def whole(self) -> bool:
        """Whether the limb is seen all round, so that cloud and edges are out of the question."""
        return self.found and self.in_frame > 0.98 and self.covered < 0.05


def _finite(value: float, default: float = 0.0) -> float:
    return value if isfinite(value) else default


def side_width_px(frame: MeasuredFrame) -> float | None:
    """Return the edge width on the limb's sides, where neither dispersion nor the low air smears it.

    Round the limb the width goes like w + c cos 2a + s sin 2a. What the air adds it adds along the vertical,
    so the narrow sides are those left and right of it: w - sqrt(c^2 + s^2). Where the harmonic was not
    measured the mean stands for the sides.
    """
    disc = frame.disc
    width = disc.edge_width_px
    if not (disc.found and isfinite(width) and width > 0):
        return None
    harmonic = hypot(disc.edge_width_cos2_px, disc.edge_width_sin2_px)
    return max(width - harmonic, 0.25 * width) if isfinite(harmonic) else width


def observed(frame: MeasuredFrame, context: Context) -> Observation:
    """Return what a frame says; nothing in it is NaN."""
    disc, time_s = frame.disc, utc_s(frame.time_utc)
    placed = isfinite(disc.x_px) and isfinite(disc.y_px) and isfinite(disc.radius_px) and disc.radius_px > 0
    found = disc.found and placed
    in_frame = _finite(disc.limb_in_frame, 1.0) if found else 0.0
    seen = _finite(disc.limb_coverage, in_frame)
    return Observation(
        frame=frame.frame,
        time_s=time_s,
        found=found,
        x_px=disc.x_px if found else 0.0,
        y_px=disc.y_px if found else 0.0,
        radius_px=disc.radius_px if found else 0.0,
        in_frame=in_frame,
        covered=min(max(1.0 - seen / in_frame, 0.0), 1.0) if in_frame > 0 else 1.0,
        edge_width_px=side_width_px(frame) if found else None,
        brightness=_finite(disc.brightness),
        saturated=_finite(disc.saturated_fraction),
        exposure_stops=frame.exposure_stops,
        width_px=frame.width_px,
        height_px=frame.height_px,
        sun=context.sun_at(time_s),
    )
