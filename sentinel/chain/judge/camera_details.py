"""What an incident of camera, settings and people is told by: a record a condition, beside their table."""

from dataclasses import dataclass
from datetime import datetime
from math import inf, nan

from sentinel.chain.judge.details import Task
from sentinel.core.detail import Detail
from sentinel.core.other_cameras import ClockDifference


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
class ClocksDiffer(Detail):
    """The clocks of two cameras of the site differ, as the low sun tells."""

    neighbour: str = ""
    """The other one."""
    ahead_s: float = nan
    """By how much this camera's clock is ahead of that one's, 1-sigma."""
    sigma_s: float = inf
    pictures: int = 0
    km_s: float = nan
    """For how many seconds a kilometre passes that one of the places is wrong by."""
    wrong_by_s: float | None = None
    """By so much at least the one that is ahead is wrong; None: it may be either."""
    late_s: float | None = None
    """Within so long after their exposure pictures of the one behind arrive, at the best."""

    @property
    def difference(self) -> ClockDifference:
        """The same as it was worked out."""
        return ClockDifference(self.ahead_s, self.sigma_s, self.pictures, self.km_s)


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
    blind_since_utc: datetime | None = None
    departed_utc: datetime | None = None
    clock_ahead_s: float | None = None
    clock_steady: bool | None = None
    ends: Task | None = None
