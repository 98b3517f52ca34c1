"""What a forecast is made of."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Edge = Literal["left", "right", "top", "bottom"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exit:
    """When the limb reaches the frame's edge; a time is None where that is not within 48 h."""

    median_utc: datetime | None = None
    safe_utc: datetime | None = None
    """1 % quantile, or earlier: by whatever may be wrong with place and clock, the earliest."""
    early_utc: datetime | None = None
    """5 % quantile."""
    late_utc: datetime | None = None
    """95 % quantile."""
    clear_utc: datetime | None = None
    """With the flag `exit-at-horizon`: the median for a sun well clear of the horizon line. A disc that
    the air lifts over the edge in the minutes about its rising or setting is not worth a night's sleep."""
    edge: Edge | None = None


NO_EXIT = Exit()


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarAxis:
    """How far the mount's axis is off the true pole.

    Its sigmas hold what a wrong clock or place would make of the axis, till that is excluded.
    """

    azimuth_error_deg: float
    azimuth_sigma_deg: float
    altitude_error_deg: float
    altitude_sigma_deg: float
    fit_sigma_deg: tuple[float, float] | None = None
    """Of azimuth and altitude, were place and clock as set; None: made before that was kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MountFit:
    """The mount and the camera on it, as the track tells them."""

    axis: PolarAxis | None
    """None: the drive does not turn, so no axis shows."""
    rate_ratio: float
    """Mount's rate over the mean solar rate."""
    rate_ratio_sigma: float
    roll_deg: float
    """Of the camera on the mount, as `sky.mount.Pose` counts it."""
    roll_share: float
    """How likely that roll is, 0 to 1, among all that explain the track."""
    roll_sigma_deg: float | None = None
    axis_sigma_deg: float | None = None
    """1-sigma of it and of the axis on the sky, were it about that one and the settings right; None: made
    before that was kept."""
    scale_arcsec_px: float
    arc_h: float
    """Hours of track that the fit stands on."""
    axis_turned_deg: float
    """How far the polar axis has turned since it was fresh: whole turns come off when it is unwound."""
    axis_unwound_deg: float = 0.0
    """How far it would still be turned, were it unwound now and pointed at the sun."""
    implied_focal_length_mm: float | None = None
    """Focal length that the disc's size implies, where it contradicts the configured one."""
    departed_utc: datetime | None = None
    """Since when the disc has not followed the mount's model; None: it does."""
    drift_changed_utc: datetime | None = None
    """Since when the disc drifts otherwise than it did, by a change nobody made; None: none is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """Where disc and camera are at the forecast's time."""

    seen_utc: datetime
    """Exposure of the last disc that the forecast stands on."""
    expected_px: tuple[float, float]
    """Where the disc should be; it may lie outside the frame."""
    expected_sigma_px: float
    sun_altitude_deg: float
    """Apparent."""
    sun_azimuth_deg: float
    off_right_deg: float
    """From the lens axis to the sun along the level, to the right of one looking at it; negative: left."""
    off_up_deg: float
    """From the lens axis up to the sun; negative: below."""
    off_rate_deg_min: float
    """How fast the sun moves through the frame."""
    drift_arcmin_h: float
    """How far the disc moves in the coming hour."""
    stop_edge_utc: datetime | None = None
    """When the limb would reach the edge if the mount stopped now."""
    stop_edge: Edge | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Something that ends the time the camera may be left alone."""

    time_utc: datetime
    """When it happens; the travel time is not taken off."""
    reason: str
    """`drift|axis-limit|storage|battery|mount-battery|card|timer|sunset|horizon`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """Where a disc turns back that at first goes on towards an edge."""

    at_utc: datetime
    edge: Edge
    widths: float
    """What is then left from the limb to that edge, in sun-widths; in the mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where to put the disc, as an operator at the camera's screen sees it, and how long it stays then."""

    at_utc: datetime
    """When it is put there."""
    to_px: tuple[float, float]
    right_widths: float
    """Right of the frame's middle (of the stored frame), in sun-widths; negative: left."""
    up_widths: float
    """Above the frame's middle, in sun-widths; negative: below."""
    gap_edge: Edge
    """The edge nearest to the disc there."""
    gap_widths: float
    """From the limb to that edge, in sun-widths."""
    tolerance_widths: float
    """How far off the disc may be put, any way, without losing the promised time."""
    holds_until_utc: datetime | None = None
    """Safe (1 %) time to the edge from there; None: holds for 48 h."""
    turn: Turn | None = None
    """It is put on the side to which it goes: until when, and how near that brings it; None: it is not."""

    def outlasts(self, time_utc: datetime) -> bool:
        """Whether the disc stays in the frame until after a time."""
        return self.holds_until_utc is None or self.holds_until_utc > time_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where to put the disc."""

    now: Place
    one_axis: Place
    """The best that turning the drive axis alone can do."""
    later: tuple[Place, ...]
    """For a visit in some hours: now against later."""
    touch_gains: bool
    """False: leave it alone, a touch gains nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PathPoint:
    """Where the disc is expected at a time, and how far the mounts still possible carry it apart by then."""

    time_utc: datetime
    x_px: float
    y_px: float
    sigma_px: float


CONTRADICTED_SHARE, ASKED_SHARE = 0.97, 0.8
"""So likely that something is wrong, it is told as a fact, or as a question."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Place or clock are likely not to be as the settings say: the sun's light or track tell otherwise."""

    likely: tuple[str, ...]
    """`longitude-sign`, `latitude-sign`, `time-zone`, the likeliest first."""
    hours: tuple[int, ...] = ()
    """By how much the time may be wrong: the sun stands where the settings have it so many hours later."""
    share: float = 1.0
    """How likely it is that anything is wrong."""

    @property
    def sure(self) -> bool:
        """Whether place or clock cannot be as the settings say."""
        return self.share >= CONTRADICTED_SHARE
