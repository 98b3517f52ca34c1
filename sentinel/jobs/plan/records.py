"""What a plan says: frozen facts with their units, the same for terminal and JSON. Null: left out."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from sentinel.core.foreseen import Due
from sentinel.core.times import utc_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """What is planned."""

    from_utc: datetime
    to_utc: datetime
    frame_px: tuple[int, int] | None = None
    """Width and height; None: not known."""
    frame_bytes: float | None = None
    """What one picture takes on the card; None: not known."""
    zone: str | None = None
    """By whose clock its days are counted; None: UTC."""

    @property
    def span_s(self) -> tuple[float, float]:
        """When it begins and ends, POSIX seconds."""
        return utc_s(self.from_utc), utc_s(self.to_utc)

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return (self.to_utc - self.from_utc).total_seconds()


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """The sun of one date by the operator's clock, the whole date; its centre as the air shows it."""

    date: date
    from_utc: datetime
    to_utc: datetime
    """A day on which the clocks are changed is an hour shorter or longer."""
    highest_deg: float
    highest_utc: datetime
    lowest_deg: float
    lowest_utc: datetime
    sun_h: float
    """With the sun above the horizon line, of what lies within the trip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Partly:
    """A stretch in which the line cuts the disc: its upper limb above, its lower limb not."""

    from_utc: datetime
    to_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Unbroken sun: the upper limb above the horizon line, as almanacs count rising and setting."""

    from_utc: datetime
    to_utc: datetime
    hours: float
    rises: bool
    """It begins by rising, not with the trip."""
    sets: bool
    lowest_deg: float
    """Altitude of the centre, apparent."""
    lowest_utc: datetime
    whole_h: float
    """With the whole disc above the line."""
    whole_from_utc: datetime | None
    """From when the whole disc is seen; None: never."""
    whole_to_utc: datetime | None
    cut: tuple[Partly, ...]
    """When in between the lower limb dips behind the line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """No sun: from setting to rising."""

    from_utc: datetime
    to_utc: datetime
    hours: float
    kind: Literal["night", "ridge"]
    """`ridge`: the centre stays above altitude 0, so only what stands in the way takes the sun."""
    lowest_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """The sun on the meridian: the shadow of a plumb line lies along it."""

    time_utc: datetime
    side: Literal["south", "north"]
    altitude_deg: float
    turns_deg_min: float
    """How fast the shadow turns then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LowSun:
    """The centre within a few degrees above the line."""

    from_utc: datetime
    to_utc: datetime
    hours: float
    lowest_deg: float
    flattening: float
    """Vertical over horizontal diameter at the lowest; 1 is round."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EclipseSeen:
    """An eclipse of which something is above the line and within the trip."""

    kind: Literal["partial", "annular", "total"]
    first_contact_utc: datetime
    maximum_utc: datetime
    last_contact_utc: datetime
    central_from_utc: datetime | None
    central_to_utc: datetime | None
    obscuration: float
    """Of the sun's area, at the maximum."""
    altitude_deg: float
    """At the maximum; it may be below the line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sunlight:
    """All of the sun over the trip."""

    days: tuple[Day, ...]
    stretches: tuple[Stretch, ...]
    gaps: tuple[Gap, ...]
    low: tuple[LowSun, ...]
    eclipses: tuple[EclipseSeen, ...]
    sun_h: float
    unbroken: bool
    """No gap in it: the upper limb is above the line all the time."""

    @property
    def longest(self) -> Stretch | None:
        """The longest unbroken sun."""
        return max(self.stretches, key=lambda stretch: stretch.hours, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """The frame on the sky."""

    width_px: int
    height_px: int
    width_deg: float
    height_deg: float
    width_suns: float
    height_suns: float
    disc_fits: bool


Side = Literal["width", "height"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A mount that stops with the disc in the middle; the quickest of several times of the day."""

    along: Side
    """Along which side the sun goes: a sensor level with the equator lets it go along the width."""
    limb_touches_min: float
    disc_gone_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureFacts:
    """The sun as the camera sees it."""

    scale_arcsec_px: float
    disc_least_px: float
    disc_most_px: float
    moves_px_min: float | None
    """How far the sun goes through a frame that stands still; None: the sun is never up."""
    field: Field | None
    stops: tuple[Stop, ...]
    vertical_turns_deg: float | None
    """How far the vertical turns to and fro in the frame in a day; None: a fixed tripod."""


Supply = Literal["axis-limit", "card", "timer", "battery", "mount-battery"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyRenewal:
    """Something that runs out, if all is fresh at the start and it is used day and night.

    The axis of a drive that stands by night turns by day alone.
    """

    what: Supply
    first_due_utc: datetime | None
    """May be after the trip; None: some time after it."""
    every_h: float
    """Of use: of a drive that stands by night, of turning."""
    times: int
    """How often it must be renewed before the trip's end, each time when it is due."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwinding:
    """A window in which to unwind the axis."""

    from_utc: datetime
    by_utc: datetime
    """At the latest."""
    in_gap: bool
    """No sun is lost by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HourAngle:
    """What the mount's limits at the meridian cost."""

    limit_deg: tuple[float, float]
    stops_utc: tuple[datetime, ...]
    """When the sun comes to the far limit, above the line."""
    out_of_reach_h: float
    """How long the sun is up where the mount cannot follow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureCount:
    """How many, and what they take."""

    interval_s: float
    all: int
    with_sun: int
    frame_bytes: float | None
    all_bytes: float | None
    with_sun_bytes: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """How good the mount must be for a disc put in the middle to stay; null: not even a perfect one does."""

    stays_h: float
    axis_worst_deg: float | None
    """In whichever direction the axis is off, from the worst of several starts."""
    axis_usual_deg: float | None
    """The same from the median start."""
    rate_worst_fraction: float | None
    """Of the mean solar rate, fast or slow, on a perfect axis."""
    rate_usual_fraction: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stays:
    """How long the disc stays on an axis that is off by so much; null: longer than two days."""

    axis_error_deg: float
    worst_h: float | None
    """In the worst direction, from the worst start."""
    usual_h: float | None
    """The median of all directions and starts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentNeeds:
    """How good the polar alignment must be; the camera level with the equator, the drive as configured."""

    tolerances: tuple[Tolerance, ...]
    stays: tuple[Stays, ...]
    largest_tried_deg: float
    largest_tried_fraction: float
    azimuth_ratio: float
    """A turn in azimuth moves the axis by this share of itself: cos(latitude)."""
    aligned_worst_h: float | None
    """How long a perfect axis with the configured drive keeps it, from the worst start; null: two days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tripod:
    """Nothing turns: how long a disc put in the middle of a level frame stays."""

    least_min: float
    usual_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything there is to know beforehand."""

    from_utc: datetime
    to_utc: datetime
    length_h: float
    sun: Sunlight
    first: tuple[Due, ...]
    """What comes first of each kind within the trip, in order."""
    renewals: tuple[SupplyRenewal, ...]
    unwindings: tuple[Unwinding, ...]
    hour_angle: HourAngle | None
    meridian: tuple[Passage, ...]
    """When the sun stands due south or north, to point the axis by before the first frame."""
    axis_altitude_deg: float
    """What the mount's altitude scale should read: the height of the pole."""
    picture: PictureFacts
    pictures: PictureCount
    alignment: AlignmentNeeds | None
    tripod: Tripod | None
    left_out: tuple[str, ...]
    """What is not known, and how to give it."""
