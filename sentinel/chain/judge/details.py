"""What an incident of mount, sun and sky is told by: a record a condition, beside their table.

A field that is at its default is not known, or not so; the journal and files for people leave it out.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sentinel.core.detail import Detail
from sentinel.core.foreseen import Edge

Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed(Detail):
    """Where the disc is to be put, and where it comes up."""

    put_turn_utc: datetime | None = None
    """When a disc turns back that at first goes on to an edge; None: it does not."""
    put_turn_edge: Edge | None = None
    put_turn_widths: float | None = None
    put_at_utc: datetime | None = None
    """When; None: at once."""
    put_right_widths: float | None = None
    put_up_widths: float | None = None
    """None: nowhere that is known."""
    put_gap_edge: Edge | None = None
    put_gap_widths: float | None = None
    put_tolerance_widths: float | None = None
    put_holds_until_utc: datetime | None = None
    """None: longer than is foreseen."""
    rise_right_widths: float | None = None
    rise_up_widths: float | None = None
    rise_out_widths: float | None = None
    """Of its limb over the edge; None: not known."""
    rise_edge: Edge | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Task(Placed):
    """A job at the camera, as `jobs.Job` has it."""

    job: str = ""
    due_utc: datetime | None = None
    by_utc: datetime | None = None
    """None: when it is due."""
    lasts_until_utc: datetime | None = None
    edge: Edge | None = None
    outlived: bool = False
    limit: Literal["hour-angle"] | None = None
    recentre_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Runaway(Detail):
    """A mount that does not carry the sun: it stopped, turned back, or slips."""

    kind: str = ""
    """`stopped`, `reversed` or `wrong-rate`."""
    basis: str = ""
    pace_of_sky: float | None = None
    px_per_min: float | None = None
    way_deg: float | None = None
    disc_px: Pair | None = None
    seen_utc: datetime | None = None
    edge: Edge | None = None
    touch_utc: datetime | None = None
    gone_utc: datetime | None = None
    minutes_left: float | None = None
    frames_left: int | None = None
    lost_utc: datetime | None = None
    """When the disc had left the frame; None: it has not."""
    off_deg: float | None = None
    off_way: Literal["west", "east"] | None = None
    off_rate_deg_min: float | None = None
    azimuth_deg: float | None = None
    altitude_deg: float | None = None
    at_axis_limit: bool = False
    unseen_since_utc: datetime | None = None
    """It was found so by the first disc since then, whenever it came; None: it was seen to come."""
    marked: str = ""
    """The mark that somebody saw to it; empty: nobody said so."""
    marked_utc: datetime | None = None
    sunrise_utc: datetime | None = None
    """When it shows whether that helped, where it was marked by night."""


RATE_UNUSUAL = "none of the usual rates"
RATE_CHANGES = "none for long: it goes on changing"
RATE_OPEN = "another rate, not known which"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveRate(Runaway):
    """A drive at another rate than the settings say."""

    rate_ratio: float | None = None
    rate_ratio_sigma: float | None = None
    configured: str | None = None
    sure: bool | None = None
    """None: as sure as can be."""
    looks_like: str = ""
    """A usual rate's name, `RATE_UNUSUAL`, `RATE_CHANGES` or `RATE_OPEN`."""
    drift_arcmin_h: float | None = None


DriftCause = Literal["halts", "tips", "creeps", "open"]
"""The drive halts now and then, the whole mount tips over, a clamp gives way, or it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftChanged(Runaway):
    """A disc that drifts otherwise than it did, not by the drive for sure."""

    cause: DriftCause | None = None
    changed_utc: datetime | None = None
    drift_arcmin_h: float | None = None
    configured: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Jumped(Detail):
    """The picture jumped."""

    shift_px: Pair | None = None
    shift_sun_widths: float | None = None
    disc_px: Pair | None = None
    nearer_to_good_place: bool | None = None
    seconds: float | None = None
    exit_early_before_utc: datetime | None = None
    exit_early_after_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftExit(Placed):
    """The disc comes to the edge."""

    lead_soon_min: float | None = None
    lead_now_min: float | None = None
    minutes_left: float | None = None
    exit_early_utc: datetime | None = None
    exit_utc: datetime | None = None
    edge: Edge | None = None
    blind_since_utc: datetime | None = None
    """Since when nobody knows where the disc stands; None: it is known."""
    hidden_since_utc: datetime | None = None
    """Since when cloud has hidden it; None: it is seen, or was until it left."""
    set_over_edge: bool = False
    """It ended because the sun went down; nobody has put the disc back."""
    sunset_utc: datetime | None = None
    """Before which it can be seen to, where it cannot be by day."""
    sunrise_utc: datetime | None = None
    """At which it can be seen to; None: by day."""
    at_sunrise: bool = False

    @property
    def happens_utc(self) -> datetime | None:
        """When the middle of the forecasts has it."""
        return self.exit_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisLimit(Detail):
    """The axis comes to its limit, or it is asked whether it was unwound."""

    minutes_left: float | None = None
    limit_utc: datetime | None = None
    asked: Literal["unwound"] | None = None
    tracks_on: bool = False
    perhaps_unwound: bool = False
    limit: Literal["hour-angle"] | None = None
    """None: of the axis's travel."""
    sunrise_utc: datetime | None = None
    """When the disc can be put back, where it is night."""

    @property
    def happens_utc(self) -> datetime | None:
        """When the limit comes."""
        return self.limit_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class LostDisc(Detail):
    """The sun is not seen though it should be."""

    dark_min: float | None = None
    dark_frames: int | None = None
    cloud_hints_in_the_hour: int | None = None
    seen_by: tuple[str, ...] = ()
    """Other cameras."""
    seen_there_since_utc: datetime | None = None
    cloud_gone_utc: datetime | None = None
    up_since_utc: datetime | None = None
    """It has not been seen since a clear evening, and has been up again since this morning."""
    last_seen_utc: datetime | None = None
    last_px: Pair | None = None
    expected_px: Pair | None = None
    azimuth_deg: float | None = None
    altitude_deg: float | None = None
    off_axis_deg: float | None = None
    likely: tuple[str, ...] = ()
    """`left`, or of `cap-or-filter`, `mount`, `camera` the likeliest first."""
    edge: Edge | None = None
    left_utc: datetime | None = None
    set_unseen: bool = False
    """It ended because the sun went down, or too low to be told; it was not seen again."""
    sunrise_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unverified(Detail):
    """The sun has not been seen for long."""

    unseen_h: float | None = None
    after_cloud: bool | None = None
    last_seen_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CoveredLimb(Detail):
    """Something covers part of the limb."""

    covered_fraction: float | None = None
    same_min: float | None = None
    sun_above_line_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftFocus(Detail):
    """The limb is wider than it was."""

    edge_width_px: float | None = None
    usual_px: float | None = None
    ratio: float | None = None
    held_min: float | None = None
    sun_altitude_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimmed(Detail):
    """The disc is evenly dimmer than it was."""

    light_fraction: float | None = None
    held_min: float | None = None
    sun_altitude_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OverBright(Detail):
    """Far too much light."""

    saturated_fraction: float | None = None
    brightness: float | None = None
    disc_found: bool | None = None
    brightness_before: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Eclipse(Detail):
    """The moon is before the sun."""

    covered_diameter_fraction: float | None = None
    covered_area_fraction: float | None = None
    greatest_utc: datetime | None = None
    ends_utc: datetime | None = None
