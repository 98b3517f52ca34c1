"""The frozen records that pass between rooms.

Field names are those of the files the program leaves behind; units are part of the name, pixels are in the
sensor's own stored frame (x right, y down, the centre of the first stored pixel is (0, 0)).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from math import isfinite, log2, nan
from typing import Any, Literal

from sentinel.core.path_point import PathPoint
from sentinel.core.times import utc_s

Edge = Literal["left", "right", "top", "bottom"]


class Severity(StrEnum):
    """How much a condition matters to a sleeping person, the gravest first."""

    NOW = "now"
    SOON = "soon"
    NOTE = "note"

    @property
    def rank(self) -> int:
        """0 for the gravest."""
        return list(Severity).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """What the pixels of one frame say about the sun."""

    found: bool
    x_px: float = nan
    """Middle between the opposite limbs."""
    y_px: float = nan
    radius_px: float = nan
    """Long half-axis of the true limb, not shifted by focus."""
    centre_sigma_px: float = nan
    limb_in_frame: float = 0.0
    """Fraction of the circumference inside the frame."""
    limb_coverage: float = 0.0
    """Fraction of the whole circumference seen as a clean edge."""
    edge_width_px: float = nan
    """10-90 % rise of the limb's edge in linear light, limb darkening divided out."""
    edge_width_cos2_px: float = nan
    """Second harmonic of the width round the limb: width + cos2 cos(2a) + sin2 sin(2a), a from +x to +y."""
    edge_width_sin2_px: float = nan
    brightness: float = nan
    """Median linear level of the disc, 0 to 1; of the whole frame where no disc is found."""
    saturated_fraction: float = nan
    channel_ratio: float = nan
    """Light of the brightest channel over grey light; NaN where channels were not looked at, or run over."""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFrame:
    """One finished file: when it was taken, with what exposure, and what was measured in it."""

    frame: str
    """Path relative to the session."""
    time_utc: datetime
    """Corrected time of the exposure."""
    width_px: int
    height_px: int
    disc: Disc
    exposure_s: float = nan
    iso: float = nan
    aperture: float = nan
    camera: str = ""
    """What the file says took it: tells two cameras in one folder apart."""
    arrived_utc: datetime | None = None
    """When the computer first saw the finished file; None in a replay of files."""
    zone_s: float | None = None
    """Local time less UTC of the zone that the file names; None: it names none."""
    error: str | None = None
    """Why the file could not be used; `disc` is then not found."""
    sha256: str = ""
    """Of the file's bytes, in hexadecimal: the running hash of a session stands on it; empty: not known."""
    flags: tuple[str, ...] = ()
    """Doubts about file and time; the disc has its own."""
    size_bytes: int | None = None
    modified_ns: int | None = None
    """The file's own time of change; with name and size it tells a known file from a new one."""

    @property
    def exposure_stops(self) -> float | None:
        """Log2 of the light gathered, whatever of it the file tells; None if it tells no exposure time."""
        if not (isfinite(self.exposure_s) and self.exposure_s > 0):
            return None
        stops = log2(self.exposure_s)
        if isfinite(self.iso) and self.iso > 0:
            stops += log2(self.iso / 100.0)
        if isfinite(self.aperture) and self.aperture > 0:
            stops -= 2 * log2(self.aperture)
        return stops

    @property
    def all_flags(self) -> tuple[str, ...]:
        """Every doubt about this frame, each once."""
        return tuple(dict.fromkeys((*self.flags, *self.disc.flags)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Time has passed and nothing else happened."""

    time_utc: datetime


MarkKind = Literal[
    "visit", "recentred", "unwound", "refocused", "realigned", "battery", "mount-battery", "card", "timer",
    "seen", "remark", "undo",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What the operator says was done."""

    time_utc: datetime
    kind: MarkKind
    text: str = ""
    minutes: float | None = None
    """How long a `visit` lasts."""
    undoes_utc: datetime | None = None
    """Of an `undo`: the time of the mark that it takes back, whose kind is the text; None: the last."""

    @property
    def renews(self) -> str | None:
        """Which supply was renewed, as `Due.reason` has it; None: none.

        Before there was a kind of its own, the mount's battery was a `battery` with the text `mount`.
        """
        if self.kind == "battery" and self.text.strip().lower() == "mount":
            return "mount-battery"
        return self.kind if self.kind in {"battery", "mount-battery", "card", "timer"} else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the computer knows beside the frames, read now and then."""

    time_utc: datetime
    free_bytes: int | None = None
    """Free space where the frames arrive."""
    bytes_per_frame: float | None = None
    """What one more frame takes of it."""
    clock_step_s: float | None = None
    """By how much the computer's own clock was just set forward, against its monotonic time."""
    waiting_messages: int | None = None
    """How many messages have not got through yet, over all channels."""
    last_message_utc: datetime | None = None
    """When the last one got through."""
    clock_synchronised: bool | None = None
    """Whether the computer has heard the time from elsewhere; None: it cannot be told."""
    boot_id: str = ""
    """What tells this run of the computer from others."""
    folder: Literal["present", "empty", "missing", "unreadable", "stuck"] | None = None
    """How the folder of the frames is found; stuck: looking at it does not come back."""
    camera_offset_s: float | None = None
    """Camera clock minus UTC, as used for the frames that come; None: not known yet."""
    state_free_bytes: int | None = None
    """Free space where journal and status are kept."""
    away_s: float | None = None
    """For how long before this reading the watch itself was not running; None: it was."""


Event = MeasuredFrame | Tick | Mark | Surroundings


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Something that ends the time the camera may be left alone."""

    time_utc: datetime
    """When it happens; the travel time is not taken off."""
    reason: str
    """`drift|axis-limit|storage|battery|mount-battery|card|timer|sunset|horizon`."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Place or clock cannot be as the settings say: the sun's light or its track tell otherwise."""

    likely: tuple[str, ...]
    """`longitude-sign`, `latitude-sign`, `time-zone`, the likeliest first."""
    hours: tuple[int, ...] = ()
    """By how much the time may be wrong: the sun stands where the settings have it so many hours later."""
    share: float = 1.0
    """How likely it is that anything is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Until when the camera may be left alone, as known at `time_utc`."""

    time_utc: datetime
    basis: str
    """What the forecast stands on, and why it knows no more."""
    exit_utc: datetime | None = None
    """Median time at which the limb reaches the edge; None: none within 48 h."""
    exit_safe_utc: datetime | None = None
    """1 % quantile."""
    exit_early_utc: datetime | None = None
    """5 % quantile."""
    exit_late_utc: datetime | None = None
    """95 % quantile."""
    exit_clear_utc: datetime | None = None
    """With the flag `exit-at-horizon`: the median for a sun well clear of the horizon line. A disc that
    the air lifts over the edge in the minutes about its rising or setting is not worth a night's sleep."""
    edge: Edge | None = None
    polar_azimuth_error_deg: float | None = None
    polar_azimuth_error_sigma_deg: float | None = None
    polar_altitude_error_deg: float | None = None
    polar_altitude_error_sigma_deg: float | None = None
    """As that of the azimuth it holds what a wrong clock or place would make of the axis, till excluded."""
    axis_fit_sigma_deg: tuple[float, float] | None = None
    """The same of azimuth and altitude, were place and clock as the settings have them."""
    rate_ratio: float | None = None
    """Mount's rate over the mean solar rate."""
    rate_ratio_sigma: float | None = None
    recentre_to_px: tuple[float, float] | None = None
    recentre_holds_until_utc: datetime | None = None
    next_visit_utc: datetime | None = None
    """When to be at the camera at the latest, less the travel time; None: nothing due within 48 h."""
    next_visit_reason: str | None = None
    due: tuple[Due, ...] = ()
    """All that falls due within 48 h, the earliest first: what else one visit can serve."""
    best_place: Place | None = None
    """The whole of the advice behind `recentre_to_px`."""
    one_axis_place: Place | None = None
    """The best that turning the drive axis alone can do."""
    later_places: tuple[Place, ...] = ()
    """The same advice for a visit in some hours: now against later."""
    touch_gains: bool | None = None
    """False: leave it alone, a touch gains nothing; None: not known."""
    stop_edge_utc: datetime | None = None
    """When the limb would reach the edge if the mount stopped now."""
    stop_edge: Edge | None = None
    seen_utc: datetime | None = None
    """Exposure of the last disc that the forecast stands on."""
    expected_px: tuple[float, float] | None = None
    """Where the disc should be at `time_utc`; it may lie outside the frame."""
    expected_sigma_px: float | None = None
    path: tuple[PathPoint, ...] = ()
    """Where a disc that goes on as it did should be, until half a day on: straight lines between points."""
    sun_altitude_deg: float | None = None
    """Apparent altitude of the sun at `time_utc`."""
    sun_azimuth_deg: float | None = None
    off_right_deg: float | None = None
    """From the lens axis to the sun along the level, to the right of one looking at it; negative: left."""
    off_up_deg: float | None = None
    """From the lens axis up to the sun; negative: below."""
    off_rate_deg_min: float | None = None
    """How fast the sun moves through the frame now."""
    axis_turned_deg: float | None = None
    """How far the polar axis has turned since it was last unwound."""
    arc_h: float | None = None
    """Hours of track that the fit stands on."""
    roll_deg: float | None = None
    """Of the camera on the mount, as `sky.mount.Pose` counts it."""
    roll_share: float | None = None
    """How likely that roll is, 0 to 1, among all that explain the track."""
    roll_sigma_deg: float | None = None
    axis_sigma_deg: float | None = None
    """1-sigma of it and of the axis on the sky, were it about that one and the settings right."""
    scale_arcsec_px: float | None = None
    implied_focal_length_mm: float | None = None
    """Focal length that the disc's size implies, where it contradicts the configured one."""
    departed_utc: datetime | None = None
    """Since when the disc has not followed the mount's model; None: it does."""
    drift_changed_utc: datetime | None = None
    """Since when the disc drifts otherwise than it did, by a change nobody made; None: none is known."""
    drift_arcmin_h: float | None = None
    """How far the disc moves in the coming hour."""
    contradiction: Contradiction | None = None
    """Place or clock cannot be as the settings say: then the axis is hardly known. None: nothing says so."""
    flags: tuple[str, ...] = ()
    """Doubts and findings: `no-disc`, `too-little-arc`, `roll-open` (several rolls still fit), `unseen`,
    `low-sun`, `all-clipped`, `focal-length`, `rate` (not the configured one), `departed`, `stopped`,
    `drift-changed`, `drift-sure` (so sure that the track from before is let go), `cause-open` (whether by the
    drive's rate or by the axis is not known), `tips` (the axis moves), `contradicted` (place or clock),
    `exit-at-horizon` (the early exit is one of a sun that rises or sets)."""


IncidentState = Literal["opened", "changed", "cleared"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """A condition opened, changed or cleared."""

    time_utc: datetime
    condition: str
    state: IncidentState
    severity: Severity
    onset_utc: datetime
    frame: str | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)
    """The evidence, in numbers: JSON values under names that carry their units."""
    message: str = ""
    """One sentence for a person; worded by `notify`, empty as it leaves the judge."""

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from others: the condition, and of the supplies which."""
        return self.condition, str(self.detail.get("supply", ""))


AlertKind = Literal["first", "repeat", "clear", "digest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """A message to people: sent, or, in a replay, that would have been."""

    time_utc: datetime
    kind: AlertKind
    severity: Severity
    condition: str
    title: str
    body: str
    attachment: str | None = None
    """The frame whose picture goes with it."""
    short: str = ""
    """The same for a satellite link: at most 160 characters of plain ASCII; empty: made of title and body."""
    repeat: int = 0
    """Which repeat of a `first` this is, from 1."""
    which: str = ""
    """What tells it from others of its condition, like the supply that runs out."""
    answers: Severity | None = None
    """How grave that was which a `clear` takes back."""
    also: tuple[tuple[str, str], ...] = ()
    """Condition and `which` of all else that it tells of."""

    @property
    def topics(self) -> frozenset[tuple[str, str]]:
        """Condition and `which` of everything it tells of."""
        return frozenset(((self.condition, self.which), *self.also))


@dataclass(frozen=True, slots=True, kw_only=True)
class Posting:
    """One alert for one target: a row of the outbox."""

    alert: int
    """Which of the outcome's alerts."""
    target: str
    """Name of the channel."""
    due_utc: datetime
    """Not to be sent before: quiet hours."""
    expires_utc: datetime
    """Not worth sending after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """All that one event led to."""

    forecast: Forecast | None = None
    incidents: tuple[Incident, ...] = ()
    alerts: tuple[Alert, ...] = ()
    postings: tuple[Posting, ...] = ()
    """Who gets which of the alerts, and when."""


def frame_order(frame: MeasuredFrame) -> tuple[float, str]:
    """Sort key: order of exposure, then of name."""
    return utc_s(frame.time_utc), frame.frame
