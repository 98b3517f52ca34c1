"""What an incident of each condition is told by: a record each, beside the table of conditions.

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
    """How far its limb is over the edge; None: not known."""
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
    marked: str = ""
    """The mark that somebody saw to it; empty: nobody said so."""
    marked_utc: datetime | None = None
    sunrise_utc: datetime | None = None
    """When it shows whether that helped, where it was marked by night."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveRate(Runaway):
    """A drive at another rate than the settings say."""

    rate_ratio: float | None = None
    rate_ratio_sigma: float | None = None
    configured: str | None = None
    sure: bool | None = None
    """None: as sure as can be."""
    looks_like: str = ""
    drift_arcmin_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftChanged(Runaway):
    """A disc that drifts otherwise than it did, not by the drive for sure."""

    cause: Literal["tips", "open"] | None = None
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
class NoFrames(Detail):
    """No pictures come, or the same one again and again."""

    silent_min: float | None = None
    missed_frames: int | None = None
    damaged_files: int | None = None
    same_picture: bool | None = None
    same_frames: int | None = None
    mount_was_fine: bool | None = None
    alone_until_utc: datetime | None = None
    folder: str | None = None
    """As `Surroundings.folder`; None: as it should be."""
    last_frame: str | None = None
    last_utc: datetime | None = None
    sun_rises_utc: datetime | None = None
    """When the sun is back, where it is down."""
    sun_stays_down: bool = False
    """It is down, and not back within days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraClock(Detail):
    """The camera's clock was set, or disagrees with this computer's."""

    seen_by: str = ""
    offset_s: float | None = None
    steady: bool | None = None
    """None: it is."""
    likely: str = ""
    zone_named: bool | None = None
    set_to_s: int | None = None
    """What `camera.clock_offset_s` is to be."""
    step_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Storage(Detail):
    """The disk for the pictures fills."""

    hours_left: float | None = None
    free_mb: float | None = None
    full_utc: datetime | None = None

    @property
    def happens_utc(self) -> datetime | None:
        """When it is full."""
        return self.full_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply(Detail):
    """A supply runs out, or was to."""

    hours_left: float | None = None
    supply: str = ""
    empty_utc: datetime | None = None
    outlived: bool = False
    """It is seen to work though its count is over."""

    @property
    def which(self) -> str:
        """Which supply."""
        return self.supply

    @property
    def happens_utc(self) -> datetime | None:
        """When it is used up."""
        return self.empty_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongPlace(Detail):
    """The sun is where it cannot be by the settings."""

    sun_altitude_deg: float | None = None
    longitude_deg: float | None = None
    contradicted_share: float | None = None
    polar_azimuth_error_deg: float | None = None
    polar_altitude_error_deg: float | None = None
    likely: tuple[str, ...] = ()
    time_zone_hours: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LensSize(Detail):
    """Settings that the pictures contradict, or a lens that became another."""

    what: str = ""
    """`tracking`, `lens` or `lens-changed`."""
    size_ratio: float | None = None
    radius_px: float | None = None
    focal_length_mm: float | None = None
    implied_focal_length_mm: float | None = None
    pixel_pitch_um: float | None = None
    implied_pixel_pitch_um: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedCameras(Detail):
    """Pictures of another camera."""

    watched: str | None = None
    watched_size_px: tuple[int, int] | None = None
    other: str | None = None
    other_size_px: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Eclipse(Detail):
    """The moon is before the sun."""

    covered_diameter_fraction: float | None = None
    covered_area_fraction: float | None = None
    greatest_utc: datetime | None = None
    ends_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitTold(Detail):
    """Somebody is at the camera, or was."""

    from_utc: datetime | None = None
    until_utc: datetime | None = None
    good: bool | None = None
    """How it ended; None: nothing is known of that yet."""
    alone_until_utc: datetime | None = None
    stay: bool = False
    """It may be left alone for hardly longer than the way takes."""
    ends: str = ""
    """The job that comes then."""
    known: bool | None = None
    """False: nobody can say until when it may be."""
    unmarked: tuple[str, ...] = ()
    """Marks of what was open when it began and still is: done and not marked, or left."""
    waited_min: float | None = None
    cloud: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeSleep(Detail):
    """What is to be done before sleep, and whether it then holds."""

    sleep_from_utc: datetime | None = None
    sleep_until_utc: datetime | None = None
    covered_until_utc: datetime | None = None
    known: bool | None = None
    holds: bool | None = None
    jobs: tuple[Task, ...] | None = None
    holds_until_utc: datetime | None = None
    unseen_since_utc: datetime | None = None
    clock_ahead_s: float | None = None
    clock_steady: bool | None = None
    ends: Task | None = None
