"""The frozen records that pass between rooms.

Field names are those of the files the program leaves behind; units are part of the name, pixels are in the
sensor's own stored frame (x right, y down, the centre of the first stored pixel is (0, 0)).
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import isfinite, log2, nan
from typing import Literal

from sentinel.core.detail import NO_DETAIL, Detail
from sentinel.core.foreseen import NO_EXIT, Contradiction, Due, Exit, MountFit, PathPoint, Places, Pointing
from sentinel.core.other_cameras import OtherCamera
from sentinel.core.times import utc_s


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
    oval_cos2_px: float = nan
    """How far the limb is from round: half the difference of its half-axes, times the cosine and the sine of
    twice the long axis' direction, from +x to +y. NaN where the limb does not tell it."""
    oval_sin2_px: float = nan
    oval_sigma_px: float = nan
    """Of either."""
    brightness: float = nan
    """Median linear level of the disc, 0 to 1; of the whole frame where no disc is found."""
    saturated_fraction: float = nan
    channel_ratio: float = nan
    """Light of the brightest channel over grey light; NaN where channels were not looked at, or run over."""
    flags: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether it was found with all of its limb inside the frame, which is told to a thousandth."""
        return self.found and self.limb_in_frame >= 0.999


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
    orientation: int | None = None
    """Which side of the stored picture was up, by the camera (EXIF, 1 to 8); None: it does not say."""
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


Event = MeasuredFrame | Tick | Mark | Surroundings | OtherCamera


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Until when the camera may be left alone, as known at `time_utc`."""

    time_utc: datetime
    basis: str
    """What the forecast stands on, and why it knows no more."""
    exit: Exit = NO_EXIT
    next_visit_utc: datetime | None = None
    """When to be at the camera at the latest, less the travel time; None: nothing due within 48 h."""
    due: tuple[Due, ...] = ()
    """All that falls due within 48 h, the earliest first: what else one visit can serve."""
    mount: MountFit | None = None
    """None: no disc has been measured yet, here and in `pointing`."""
    pointing: Pointing | None = None
    places: Places | None = None
    """None: not known, as the disc does not follow the mount's model."""
    path: tuple[PathPoint, ...] = ()
    """Where a disc that goes on as it did should be, until half a day on: straight lines between points."""
    contradiction: Contradiction | None = None
    """Place or clock cannot be as the settings say: then the axis is hardly known. None: nothing says so."""
    flags: tuple[str, ...] = ()
    """Doubts and findings: `no-disc`, `too-little-arc`, `roll-open` (several rolls still fit), `unseen`,
    `low-sun`, `all-clipped`, `focal-length`, `rate` (not the configured one), `departed`, `stopped`,
    `widened` (forecasts of the last hours did not come true), `drift-changed`, `drift-sure` (so sure that
    the track from before is let go), `cause-open` (whether by the drive's rate or by the axis is not known),
    `tips` (the axis moves), `creeps` (a clamp gives way), `ramps` (the drive's rate goes on changing),
    `contradicted` (place or clock), `exit-at-horizon` (the early exit is one of a sun that rises or sets)."""

    @property
    def next_visit_reason(self) -> str | None:
        """What the next visit is for."""
        return self.due[0].reason if self.due else None

    @property
    def departed_utc(self) -> datetime | None:
        """Since when the disc has not followed the mount's model; None: it does, or none was seen."""
        return self.mount.departed_utc if self.mount is not None else None


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
    detail: Detail = NO_DETAIL
    """The evidence, in numbers; of the condition's own kind."""
    message: str = ""
    """One sentence for a person; worded by `notify`, empty as it leaves the judge."""

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from others: the condition, and of the supplies which."""
        return self.condition, self.detail.which


AlertKind = Literal["first", "repeat", "clear", "digest"]
OF_TROUBLE: frozenset[AlertKind] = frozenset({"first", "repeat"})


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
    def of_trouble(self) -> bool:
        """Whether it says that something is amiss: for the first time, or still."""
        return self.kind in OF_TROUBLE

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
