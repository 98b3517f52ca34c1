"""YAML files -> frozen, validated settings.

Unknown keys, wrong types and impossible values are refused with the key's full path. Later files overlay
earlier ones. Every key has its unit in its name; `sentinel settings` explains each (`core/explained`).
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationError, model_validator

from sentinel.core.angles import ARCSEC_PER_RAD
from sentinel.core.complaints import one_line
from sentinel.core.contact import Alerts, Channel, Delivery, Heartbeat, Page, Quiet, Sleep
from sentinel.core.errors import RequestProblem
from sentinel.core.files import shown_name
from sentinel.core.monitoring import Metrics, Mqtt, Neighbours
from sentinel.core.plain_yaml import overlay, read_yaml
from sentinel.core.section import Section, setting
from sentinel.core.thresholds import Thresholds

__all__ = [
    "SEE",
    "Alerts", "Camera", "Channel", "Delivery", "Frames", "Heartbeat", "Intake", "Mount", "Page", "Quiet",
    "Section", "Settings", "Site", "Sleep", "State", "Supplies", "Thresholds", "Visit",
    "load_settings", "read_content", "validate",
]  # fmt: skip

SEE = "see `sentinel settings` for every setting and its unit"


NAME_LENGTH = 40


def _a_name(text: str) -> str:
    """Return a camera's name, if it can stand before a message: one short line."""
    if not (0 < len(text) <= NAME_LENGTH and text.isprintable() and text.strip() == text):
        raise ValueError(f"must be one line of at most {NAME_LENGTH} characters, no space at its ends")
    return text


AzimuthAltitude = tuple[Annotated[float, Field(ge=-360, le=360)], Annotated[float, Field(ge=-5, le=90)]]

MEAN_SOLAR_RATE_ARCSEC_S = 15.0
MEAN_SOLAR_RATE_DEG_S = MEAN_SOLAR_RATE_ARCSEC_S / 3600


class Site(Section):
    """Where the camera stands."""

    latitude_deg: float = setting(..., "north positive", ge=-90, le=90, like=70.37)
    longitude_deg: float = setting(..., "east positive", ge=-180, le=360, like=31.1)
    elevation_m: float = setting(0.0, "above sea level", ge=-450, le=9000)
    pressure_hpa: float = setting(
        1010.0,
        "at the camera, not reduced to sea level; refraction follows it; 0: no refraction",
        ge=0,
        le=1100,
    )
    temperature_c: float = setting(10.0, "of the air at the camera", ge=-80, le=60)
    horizon: Annotated[tuple[Annotated[AzimuthAltitude, Field(strict=False)], ...], Field(strict=False)] = (
        setting(
            (),
            "the horizon line: pairs of azimuth, from north through east, and altitude, like "
            "[[0, 2.0], [90, 3.5]]",
        )
    )


class Camera(Section):
    """Lens and sensor, as the stored frames show them."""

    name: Annotated[str, AfterValidator(_a_name)] | None = setting(
        None, "opens every message and page; null: the settings file's name"
    )
    focal_length_mm: float = setting(
        ...,
        "of the lens, converter included; a wrong one shows as a disc of the wrong size",
        gt=0,
        le=100_000,
        like=400.0,
    )
    pixel_pitch_um: float = setting(
        ...,
        "of the stored pixels; twice the sensor's where the frames are binned 2 x 2",
        gt=0,
        le=1000,
        like=3.92,
    )
    interval_s: float = setting(60.0, "from one frame to the next", gt=0, le=86_400)
    clock_offset_s: float | Literal["auto"] = setting(
        0.0,
        "camera clock minus UTC; where the files name no zone, the zone too; auto: from when the "
        "frames arrive",
    )
    transfer: Literal["auto", "srgb", "linear"] = setting(
        "auto", "auto: JPEG, PNG and 8-bit TIFF are srgb; FITS, raw and deeper TIFF linear"
    )

    @property
    def scale_arcsec_px(self) -> float:
        """Angle one pixel subtends on the lens axis."""
        return self.pixel_pitch_um / self.focal_length_mm / 1000 * ARCSEC_PER_RAD


class Mount(Section):
    """What carries the camera."""

    tracking: Literal["solar", "sidereal", "lunar", "none"] = setting("solar", "how the drive runs")
    picture_top: Literal["pole", "away", "west", "east"] | None = setting(
        None,
        "towards what the stored picture's top points with the lens at the sun (pole: the "
        "celestial pole of the mount's axis); null: not known",
    )
    parked_at_night: bool = setting(False, "the drive stands while the sun is down")
    axis_limit_deg: float | None = setting(
        360.0, "how far the polar axis may turn before cables or travel end it; null: no limit", gt=0
    )
    axis_start_deg: float = setting(0.0, "already turned when the session starts")
    hour_angle_limit_deg: Annotated[tuple[float, float], Field(strict=False)] | None = setting(
        None, "[from, to]: where a mount stops at or past the meridian; null: nowhere"
    )

    def axis_lasts_s(self, rate_ratio: float, from_deg: float = 0.0) -> float | None:
        """Return how long the axis turns from there to its limit; None: it has none, or does not turn."""
        if self.axis_limit_deg is None or rate_ratio <= 0:
            return None
        return (self.axis_limit_deg - from_deg) / (MEAN_SOLAR_RATE_DEG_S * rate_ratio)

    def unwound_deg(self, turned_deg: float) -> float:
        """Return how far an axis is still turned that was unwound and points at the sun again.

        It points there once in each turn, so only whole turns come off. Less than one may come off where it
        can go back beyond where it began: that counts as fresh, which promises no more. One that is parked at
        night is taken to be brought to the sunrise without winding on, so that nothing is left of it.

        `turned_deg`: how far it would have turned had it followed the sun throughout.
        """
        left = turned_deg % 360.0 if turned_deg >= 360.0 and not self.parked_at_night else 0.0
        return 0.0 if self.axis_limit_deg is not None and left >= self.axis_limit_deg else left


class Frames(Section):
    """Which files are frames, and how much room the limb needs."""

    folder: str = setting("", "where the camera's files arrive; searched with its subfolders", like="/path")
    patterns: Annotated[tuple[str, ...], Field(strict=False, min_length=1)] = setting(
        ("*.jpg", "*.jpeg", "*.tif", "*.tiff", "*.png", "*.fits", "*.fit"), "upper and lower case alike"
    )
    margin_px: float = setting(0.0, "keep the limb this far from the edge", ge=0)


class Supplies(Section):
    """What runs out; each starts anew at its mark; null: not watched."""

    camera_battery_h: float | None = setting(None, "tested in the cold; count on 70 % of it", gt=0)
    mount_battery_h: float | None = setting(None, "tested likewise", gt=0)
    card_frames: int | None = setting(None, "pictures the card holds", gt=0)
    timer_frames: int | None = setting(None, "pictures the interval timer was told to take", gt=0)

    def last_s(self, interval_s: float) -> dict[str, float]:
        """Return for how long each that is watched lasts once it is renewed, by the names of its `Due`."""
        counts = {
            "battery": (self.camera_battery_h, 3600.0),
            "mount-battery": (self.mount_battery_h, 3600.0),
            "card": (self.card_frames, interval_s),
            "timer": (self.timer_frames, interval_s),
        }
        return {what: count * each_s for what, (count, each_s) in counts.items() if count is not None}


class Visit(Section):
    """What a visit to the camera costs."""

    travel_min: float = setting(10.0, "from where the operator sleeps to the camera", ge=0, le=1440)


class Intake(Section):
    """How the live folder is read."""

    rescan_s: float = setting(
        5.0, "between two looks at the folder; events of the file system only hurry them", ge=1, le=60
    )
    patience_s: float = setting(
        60.0,
        "an unfinished file is waited for so long after it last grew, then taken and reported",
        ge=5,
        le=3600,
    )
    hang_s: float = setting(
        30.0, "measuring one file may take so long, then its process is ended", ge=5, le=600
    )


class State(Section):
    """Where the watch keeps its own files."""

    folder: str = setting("", "empty: what the service manager gives, else ~/.local/state/sentinel")
    ballast_mb: float = setting(
        16.0,
        "space held back, given up when the disk is full so that the journal goes on; 0: none",
        ge=0,
        le=10_000,
    )
    picture: Literal["upright", "screen", "none"] = setting(
        "upright", "the last picture on the status page: turned upright, or as on the camera's screen"
    )


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
    channels: Annotated[
        tuple[Channel, ...], Field(strict=False, description="ways to people, any number")
    ] = ()
    delivery: Delivery = Delivery()
    heartbeat: Heartbeat = Heartbeat()
    intake: Intake = Intake()
    state: State = State()
    page: Page = Page()
    metrics: Metrics = Metrics()
    mqtt: Mqtt = Mqtt()
    neighbours: Neighbours = Neighbours()

    @model_validator(mode="before")
    @classmethod
    def _sleeps_by_the_zone_of_alerts(cls, content: Any) -> Any:
        """Hours of sleep told by the clock of no zone are by that in which times are told."""
        if not isinstance(content, dict):
            return content
        sleep, alerts = content.get("sleep"), content.get("alerts")
        if not (isinstance(sleep, dict) and isinstance(alerts, dict)):
            return content
        if not sleep.get("from_local") or sleep.get("zone"):
            return content
        return {**content, "sleep": {**sleep, "zone": alerts.get("zone")}}

    @model_validator(mode="after")
    def _channels_once(self) -> "Settings":
        names = [channel.name for channel in self.channels]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"the channel {twice!r} stands twice")
        return self

    @model_validator(mode="after")
    def _metrics_have_a_page(self) -> "Settings":
        if self.metrics.served and self.page.listen is None:
            raise ValueError("metrics.served needs a page to be served with: set page.listen")
        return self


def validate(content: dict[str, Any], *, where: str) -> Settings:
    """Return settings from a mapping.

    Raises `RequestProblem`, naming the first wrong key by its full path.
    """
    try:
        return Settings.model_validate(content)
    except ValidationError as error:
        path, complaint = one_line(error)
        raise RequestProblem(f"{path} {complaint}", where=where, mend=SEE) from None


def read_content(paths: Sequence[Path]) -> dict[str, Any]:
    """Return what the files hold, later ones over earlier ones; a camera without a name gets the first's."""
    content: dict[str, Any] = {}
    for path in paths:
        content = overlay(content, read_yaml(path))
    camera = content.get("camera")
    if paths and isinstance(camera, dict) and camera.get("name") is None:
        name = shown_name(paths[0].stem)[:NAME_LENGTH].strip()
        content["camera"] = camera | {"name": name or None}
    return content


def load_settings(paths: Sequence[Path]) -> Settings:
    """Read the settings of one or more files, later ones overlaying earlier ones."""
    return validate(read_content(paths), where=", ".join(str(path) for path in paths))
