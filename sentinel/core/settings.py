"""YAML files -> frozen, validated settings.

Unknown keys, wrong types and impossible values are refused with the key's full path. Later files overlay
earlier ones. Every key has its unit in its name; `config/example.yaml` explains each.
"""

import sys
from collections.abc import Sequence
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from sentinel.core.complaints import one_line
from sentinel.core.errors import RequestProblem
from sentinel.core.plain_yaml import overlay, read_yaml
from sentinel.core.times import daily_span_s, known_zone


class Section(BaseModel):
    """A part of the settings: frozen, strict, no unknown keys."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


AzimuthAltitude = tuple[Annotated[float, Field(ge=-360, le=360)], Annotated[float, Field(ge=-5, le=90)]]


class Site(Section):
    """Where the camera stands."""

    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=360)
    elevation_m: float = Field(0.0, ge=-450, le=9000)
    pressure_hpa: float = Field(1010.0, ge=0, le=1100)
    temperature_c: float = Field(10.0, ge=-80, le=60)
    horizon: Annotated[tuple[Annotated[AzimuthAltitude, Field(strict=False)], ...], Field(strict=False)] = ()


class Camera(Section):
    """Lens and sensor, as the stored frames show them."""

    focal_length_mm: float = Field(gt=0, le=100_000)
    pixel_pitch_um: float = Field(gt=0, le=1000)
    interval_s: float = Field(60.0, gt=0, le=86_400)
    clock_offset_s: float | Literal["auto"] = 0.0
    transfer: Literal["auto", "srgb", "linear"] = "auto"

    @property
    def scale_arcsec_px(self) -> float:
        """Angle one pixel subtends on the lens axis."""
        return self.pixel_pitch_um / self.focal_length_mm * 206.264_806_247


class Mount(Section):
    """What carries the camera."""

    tracking: Literal["solar", "sidereal", "lunar", "none"] = "solar"
    picture_top: Literal["pole", "away", "west", "east"] | None = None
    """Towards what the stored picture's top points with the lens at the sun; `pole`: the mount's own."""
    parked_at_night: bool = False
    """The drive stands while the sun is down."""
    axis_limit_deg: float | None = Field(360.0, gt=0)
    axis_start_deg: float = 0.0
    hour_angle_limit_deg: Annotated[tuple[float, float], Field(strict=False)] | None = None


class Frames(Section):
    """Which files are frames, and how much room the limb needs."""

    folder: str = ""
    patterns: Annotated[tuple[str, ...], Field(strict=False, min_length=1)] = (
        "*.jpg", "*.jpeg", "*.tif", "*.tiff", "*.png", "*.fits", "*.fit",
    )  # fmt: skip
    margin_px: float = Field(0.0, ge=0)


class Supplies(Section):
    """What runs out; each starts anew at its mark."""

    camera_battery_h: float | None = Field(None, gt=0)
    mount_battery_h: float | None = Field(None, gt=0)
    card_frames: int | None = Field(None, gt=0)
    timer_frames: int | None = Field(None, gt=0)


class Visit(Section):
    """What a visit to the camera costs."""

    travel_min: float = Field(10.0, ge=0, le=1440)


class Thresholds(Section):
    """When the judge speaks; flat, so that a tuned overlay replaces single numbers.

    Where a condition has two numbers of one kind, the one named `clear` ends it (it is the easier to meet).
    """

    # The edge and the axis: on top of `visit.travel_min`.
    lead_soon_min: float = Field(90.0, ge=0)
    lead_now_min: float = Field(25.0, ge=0)
    lead_clear_min: float = Field(15.0, ge=0, description="this much beyond a lead before it is taken back")
    drift_confirm_min: float = Field(4.0, ge=0, description="how long forecasts agree before one is believed")

    # The mount.
    runaway_jitter_ratio: float = Field(5.0, gt=1, description="times the usual frame-to-frame jitter")
    runaway_rate_fraction: float = Field(0.10, gt=0, lt=1, description="of the drive's rate")
    runaway_match_fraction: float = Field(0.03, gt=0, lt=0.5, description="how well a stop's speed must fit")
    runaway_angle_deg: float = Field(15.0, gt=0, le=45, description="how well its direction must fit")
    runaway_creep_min: float = Field(8.0, gt=0, description="nobody moves a disc evenly for so long")
    runaway_steady_frames: int = Field(3, ge=2, description="tracking again for so many frames: over")
    rate_wrong_fraction: float = Field(0.0012, gt=0, lt=0.5, description="off by so much of the solar rate")
    rate_wrong_sigmas: float = Field(
        2.2, gt=0, description="of the fit; at 2.2 the rate told has a chance of one in five left"
    )
    rate_late_sigmas: float = Field(1.4, gt=0, description="the same with two and a half hours of track")
    drift_soon_arcmin_h: float = Field(
        2.0, ge=0, description="a drift that changed is worth a visit from here"
    )
    moved_radius_fraction: float = Field(0.5, gt=0, description="a jump worth a word, in radii of the disc")
    moved_steady_frames: int = Field(3, ge=2)
    moved_clear_min: float = Field(30.0, gt=0)

    # Nothing to see.
    sun_clear_deg: float = Field(
        1.0, ge=0, description="centre above the horizon line by so much counts as up"
    )
    lost_soon_min: float = Field(5.0, gt=0)
    lost_now_min: float = Field(15.0, gt=0)
    lost_clear_frames: int = Field(2, ge=1)
    cloud_memory_min: float = Field(60.0, gt=0, description="cloud within so long explains a dark frame")
    cloud_dim_fraction: float = Field(0.06, gt=0, lt=1, description="dimmer at once by so much is cloud")
    cloud_glow_level: float = Field(0.0015, gt=0, lt=1, description="a frame without disc is lit, not black")
    cloud_frames: int = Field(2, ge=1, description="so many doubtful frames are cloud")
    faint_level: float = Field(0.02, ge=0, lt=1, description="a low disc darker may go out by itself")
    faint_loss_stops: float = Field(0.5, gt=0, description="if the air soon takes so much more of it")
    faint_below_deg: float = Field(6.0, ge=-5, description="low: the sun below this altitude")
    unverified_note_min: float = Field(60.0, gt=0)
    unverified_soon_min: float = Field(240.0, gt=0)

    # The limb, the light, the focus.
    covered_fraction: float = Field(0.15, gt=0, lt=1, description="of the limb in the frame")
    covered_clear_fraction: float = Field(0.08, ge=0, lt=1)
    covered_steady_fraction: float = Field(0.05, gt=0, lt=1, description="changes less than this: no cloud")
    covered_soon_min: float = Field(20.0, gt=0)
    dimmed_fraction: float = Field(
        0.30, gt=0, lt=1, description="less light than at the same altitude before"
    )
    dimmed_clear_fraction: float = Field(0.20, gt=0, lt=1)
    dimmed_ripple_fraction: float = Field(0.03, gt=0, lt=1, description="changes more between frames: cloud")
    dimmed_soon_min: float = Field(45.0, gt=0)
    focus_soon_ratio: float = Field(1.5, gt=1, description="edge width over that at the same altitude before")
    focus_soon_min: float = Field(20.0, gt=0)
    focus_now_ratio: float = Field(2.0, gt=1)
    focus_now_min: float = Field(45.0, gt=0)
    focus_clear_ratio: float = Field(1.35, gt=1)
    focus_seeing_arcsec: float = Field(4.0, ge=0, description="seeing at the zenith that is still no fault")
    bright_saturated_fraction: float = Field(0.33, gt=0, lt=1, description="of the frame at full scale")
    bright_jump_ratio: float = Field(1.6, gt=1, description="times the level before, at the same exposure")
    exposure_same_stops: float = Field(0.5, ge=0, description="exposures within this are the same")

    # The camera, the clock, what runs out.
    no_frames_intervals: float = Field(3.0, ge=1.5)
    no_frames_min: float = Field(3.0, gt=0)
    same_picture_frames: int = Field(4, ge=2)
    clock_note_s: float = Field(2.0, gt=0)
    clock_soon_s: float = Field(30.0, gt=0)
    clock_frames: int = Field(3, ge=2)
    supply_soon_h: float = Field(12.0, gt=0)
    supply_now_h: float = Field(2.0, gt=0)

    # People at the camera, and a sky that is not the one it should be.
    visit_check_min: float = Field(10.0, gt=0)
    visit_default_min: float = Field(15.0, gt=0)
    sun_down_deg: float = Field(
        -2.0, description="a disc seen with the sun below this: the wrong place or time"
    )
    sun_down_frames: int = Field(3, ge=1)


class Sleep(Section):
    """When the operator sleeps, in UTC; without it nothing is said beforehand."""

    from_utc: str | None = Field(None, pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    until_utc: str | None = Field(None, pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    before_min: float = Field(60.0, ge=0, description="the message comes so long before")
    after_min: float = Field(60.0, ge=0, description="and covers so long after waking")

    @model_validator(mode="after")
    def _both(self) -> "Sleep":
        if (self.from_utc is None) != (self.until_utc is None):
            raise ValueError("needs both from_utc and until_utc")
        return self

    def night_s(self, now_s: float) -> tuple[float, float] | None:
        """Return start and end of the sleep that is on, or else of the next; None: none is configured."""
        if self.from_utc is None or self.until_utc is None:
            return None
        return daily_span_s(self.from_utc, self.until_utc, now_s)


class Alerts(Section):
    """Which incidents become messages, and how often."""

    repeat_min: Annotated[tuple[float, ...], Field(strict=False)] = (5.0, 15.0, 30.0)
    """Minutes after the first at which a `now` is repeated until seen or cleared; then ever more rarely."""
    zone: Annotated[str, AfterValidator(known_zone)] | None = None
    """The operator's time zone (like `Europe/Oslo`), told beside UTC."""
    hourly_cap: int = Field(20, ge=1)
    """Messages an hour beyond which only a `now` of a new condition is sent."""
    clear_messages: bool = True
    digest_utc: Annotated[
        tuple[Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")], ...], Field(strict=False)
    ] = ()
    """Times of day at which a digest tells how all stands."""


_HOUR = r"^([01]\d|2[0-3]):[0-5]\d$"
_REFERENCE = r"^(env:[A-Za-z_][A-Za-z0-9_]*|credential:[A-Za-z0-9_.-]+|file:([^\s:]|[^\s:][^:]*[^\s:]))$"


class Quiet(Section):
    """Hours in which a channel keeps all but `now` back until their end, in UTC."""

    from_utc: str = Field(pattern=_HOUR)
    until_utc: str = Field(pattern=_HOUR)


class Channel(Section):
    """One way to reach one person: a service over the network, or a command on this computer."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$")
    url_from: str | None = Field(None, pattern=_REFERENCE)
    """Where the service's address with its secrets stands: `env:NAME`, `credential:NAME` or `file:PATH`."""
    command: Annotated[tuple[str, ...], Field(strict=False, min_length=1)] | None = None
    """Program and arguments, run without a shell; the text comes on standard input."""
    severities: Annotated[
        tuple[Literal["now", "soon", "note"], ...], Field(strict=False, min_length=1)
    ] = ("now", "soon", "note")  # fmt: skip
    called: Literal["first", "second"] = "first"
    """`second`: only for a `now` that nobody has seen after all repeats."""
    quiet: Quiet | None = None
    text: Literal["long", "short"] = "long"
    """`short`: at most 160 characters of plain ASCII."""
    picture: bool = True
    slow: bool = False
    """A satellite link: pictures of at most 10 kB instead of 40, and more patience."""
    deadline_s: float | None = Field(None, ge=1, le=3600)
    """How long one attempt may take; null: 45, 240 where slow."""

    @model_validator(mode="after")
    def _one_way(self) -> "Channel":
        if (self.url_from is None) == (self.command is None):
            raise ValueError("needs either url_from or command")
        return self

    @property
    def patience_s(self) -> float:
        """How long one attempt may take."""
        return self.deadline_s or (240.0 if self.slow else 45.0)

    @property
    def wants_pictures(self) -> bool:
        """Whether a picture goes after the text."""
        return self.picture and self.text == "long" and self.command is None


class Delivery(Section):
    """How long the program goes on trying to get a message through."""

    expire_h: float = Field(24.0, gt=0, le=24 * 14)
    """A message that could not be delivered for so long is given up."""
    late_min: float = Field(3.0, gt=0)
    """A message that comes later than this says when it was true."""


class Heartbeat(Section):
    """A ping to something elsewhere that notices when it stops coming."""

    url_from: str | None = Field(None, pattern=_REFERENCE)
    every_min: float = Field(5.0, gt=0, le=1440)


class Intake(Section):
    """How a live folder is read."""

    rescan_s: float = Field(5.0, ge=1, le=60)
    """Between two looks at the folder; events of the file system only hurry them."""
    patience_s: float = Field(60.0, ge=5, le=3600)
    """How long a file may stay unfinished after it last grew, before it is taken as it is and reported."""
    hang_s: float = Field(30.0, ge=5, le=600)
    """How long measuring one file may take before its process is ended."""


class State(Section):
    """Where the watch keeps its own files."""

    folder: str = ""
    """Empty: what the service manager gives, else `~/.local/state/sentinel`."""
    ballast_mb: float = Field(16.0, ge=0, le=10_000)
    """Space held back, given up when the disk is full, so that the journal can go on; 0: none."""
    picture: Literal["upright", "screen", "none"] = "upright"
    """How the status page shows the last picture: turned upright, or as on the camera's screen."""


class Page(Section):
    """The status page on the local network, with buttons for the marks."""

    listen: str | None = Field(None, pattern=r"^\S+:\d{1,5}$")
    """Address and port, like `127.0.0.1:8712`; null: not served."""
    beyond_loopback: bool = False
    """Whether an address that other computers can reach is meant."""
    token_from: str | None = Field(None, pattern=_REFERENCE)
    """What each button needs: `env:NAME`, `credential:NAME` or `file:PATH`."""

    @model_validator(mode="after")
    def _guarded(self) -> "Page":
        if self.listen is None:
            return self
        if self.token_from is None:
            raise ValueError("needs token_from: whoever knows the token may press the buttons")
        host, _, port = self.listen.rpartition(":")
        if int(port) > 65_535:
            raise ValueError("listen names a port that there is not: 65535 is the last")
        if not self.beyond_loopback and not _is_loopback(host.strip("[]")):
            raise ValueError("listen can be reached from elsewhere: if that is meant, beyond_loopback: true")
        return self


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class Settings(Section):
    """Everything the program is told."""

    site: Site
    camera: Camera
    mount: Mount = Mount()
    frames: Frames = Frames()
    supplies: Supplies = Supplies()
    visit: Visit = Visit()
    thresholds: Thresholds = Thresholds()
    alerts: Alerts = Alerts()
    sleep: Sleep = Sleep()
    channels: Annotated[tuple[Channel, ...], Field(strict=False)] = ()
    delivery: Delivery = Delivery()
    heartbeat: Heartbeat = Heartbeat()
    intake: Intake = Intake()
    state: State = State()
    page: Page = Page()

    @model_validator(mode="after")
    def _channels_once(self) -> "Settings":
        names = [channel.name for channel in self.channels]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"the channel {twice!r} stands twice")
        return self


def validate(content: dict[str, Any], *, where: str) -> Settings:
    """Return settings from a mapping.

    Raises
    ------
    RequestProblem
        Naming the first wrong key by its full path.
    """
    try:
        return Settings.model_validate(content)
    except ValidationError as error:
        path, complaint = one_line(error)
        raise RequestProblem(f"{path} {complaint}", where=where, mend=see_example()) from None


def see_example() -> str:
    """Return where every setting is explained: beside the sources, or where an installation has it."""
    beside = Path(__file__).parents[2] / "config" / "example.yaml"
    installed = Path(sys.prefix) / "share" / "sentinel" / "example.yaml"
    shown = "config/example.yaml" if beside.is_file() else installed
    return f"see {shown} for every setting and its unit"


def load_settings(paths: Sequence[Path]) -> Settings:
    """Read the settings of one or more files, later ones overlaying earlier ones."""
    content: dict[str, Any] = {}
    for path in paths:
        content = overlay(content, read_yaml(path))
    return validate(content, where=", ".join(str(path) for path in paths))
