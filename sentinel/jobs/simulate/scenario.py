"""A scenario: the site, the camera, the mount and what happens to them, from YAML or built in code."""

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

import numpy as np
from pydantic import Field, ValidationError, model_validator

from sentinel.core.complaints import one_line
from sentinel.core.errors import RequestProblem
from sentinel.core.plain_yaml import read_yaml
from sentinel.core.settings import Section, Site
from sentinel.core.times import utc_s
from sentinel.jobs.simulate.events import AnyEvent, Pixel, UtcTime
from sentinel.jobs.simulate.files import FileFormat
from sentinel.jobs.simulate.scene import Dust, Sunspot
from sentinel.sky.arrays import Array, Bools

MOST_FRAMES = 200_000

E = TypeVar("E", bound=AnyEvent)


class SimCamera(Section):
    """Lens, sensor and how they are used."""

    focal_length_mm: float = Field(gt=0, le=100_000)
    pixel_pitch_um: float = Field(gt=0, le=1000)
    width_px: int = Field(ge=16, le=20_000)
    height_px: int = Field(ge=16, le=20_000)
    interval_s: float = Field(60.0, gt=0, le=86_400)
    exposure_s: float = Field(1 / 500, gt=0, le=3600)
    iso: int = Field(100, gt=0)
    aperture: float = Field(8.0, gt=0)
    bracket_stops: Annotated[tuple[float, ...], Field(strict=False, min_length=1)] = (0.0,)
    """Exposure of each frame in turn, in stops above `exposure_s`."""
    level: float = Field(0.7, gt=0)
    """Linear level of the disc's centre with the sun in the zenith of a clear sky, at `exposure_s`."""
    name: str = Field("camera", min_length=1, max_length=40)
    """What its operator calls it: it opens every message."""
    blur_px: float = Field(0.8, ge=0, le=200)
    """Gaussian sigma of the well-focused lens."""
    read_noise: float = Field(0.0004, ge=0, le=1)
    full_well_e: float = Field(300_000.0, gt=0)
    model: str = "F1"
    clock_offset_s: float = Field(0.0, ge=-1e9, le=1e9)
    """What the camera's clock shows less the local time of its zone."""
    clock_offset_known: bool = True
    """The operator has entered the offset in the settings."""
    clock_drift_s_day: float = Field(0.0, ge=-3600, le=3600)
    zone_offset_h: float = Field(0.0, ge=-14, le=14)
    """Zone the camera's clock is set to, as it writes it into its files."""
    first_folder: int = Field(100, ge=100, le=999)
    first_file: int = Field(1, ge=1, le=9999)
    files_per_folder: int = Field(9999, ge=1, le=9999)
    file_format: FileFormat = "jpg"
    quality: int = Field(90, ge=1, le=100)
    tinted: bool = True
    """A filter that shows the sun orange; False: a neutral one."""
    caption: bool = False
    """The camera stamps date and time over the picture."""


class SimMount(Section):
    """The mount, and how well it was set up."""

    tracking: Literal["solar", "sidereal", "lunar", "none"] = "solar"
    azimuth_error_deg: float = Field(0.0, ge=-45, le=45)
    altitude_error_deg: float = Field(0.0, ge=-20, le=20)
    rate_error: float = Field(0.0, ge=-0.5, le=0.5)
    """Share by which the drive runs too fast."""
    roll_deg: float = Field(0.0, ge=-360, le=360)
    worm_arcsec: float = Field(0.0, ge=0, le=3600)
    """Amplitude of the periodic error."""
    worm_period_s: float = Field(480.0, gt=0)
    wind_arcsec: float = Field(0.0, ge=0, le=3600)
    """Jitter from frame to frame, 1 sigma on either axis."""
    flexure_arcsec: float = Field(0.0, ge=0, le=3600)
    """Slow wandering, 1 sigma on either axis."""
    flexure_h: float = Field(2.0, gt=0)
    """Its time scale."""
    axis_limit_deg: float | None = Field(360.0, gt=0)
    axis_start_deg: float = 0.0
    hour_angle_limit_deg: Annotated[tuple[float, float], Field(strict=False)] | None = None
    at_limit: Literal["stop", "reverse", "ignore"] = "stop"
    """What the drive does when the axis has turned through `axis_limit_deg` or reached the hour angle's."""


class Air(Section):
    """What the air does besides refraction (pressure and temperature are the site's)."""

    seeing_arcsec: float = Field(2.0, ge=0, le=60)
    """Full width at half maximum in the zenith; grows as air mass to the 0.6."""
    extinction_mag: float = Field(0.13, ge=0, le=5)
    """Magnitudes an air mass."""
    haze: float = Field(0.05, ge=0, le=1)
    """How much of that wanders over the hours, 1 sigma as a share."""
    dispersion: float = Field(0.012, ge=0, le=0.1)
    """Spread of refraction over the camera's band, as a share of refraction."""
    sky: float = Field(0.0004, ge=0, le=1)
    halo: float = Field(0.004, ge=0, le=1)
    """Scatter in the filter: level at the limb, in units of the disc's brightness."""


class Scenario(Section):
    """Everything there is to know about an invented session. The same scenario gives the same session."""

    site: Site
    camera: SimCamera
    mount: SimMount = SimMount()
    air: Air = Air()
    start_utc: UtcTime
    hours: float = Field(gt=0, le=24 * 60)
    start_px: Pixel | None = None
    """Where the disc stands at the start; None: in the middle."""
    seed: int = Field(0, ge=0)
    spots: Annotated[tuple[Sunspot, ...], Field(strict=False)] = ()
    dust: Annotated[tuple[Dust, ...], Field(strict=False)] = ()
    moon: bool = False
    """Whether the true moon may pass before the sun; it costs time to look."""
    ridge_roughness_px: float = Field(2.0, ge=0, le=200)
    """Crags of the horizon line, where the site has one."""
    events: Annotated[tuple[AnyEvent, ...], Field(strict=False)] = ()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.hours * 3600 / self.camera.interval_s > MOST_FRAMES:
            raise ValueError(f"more than {MOST_FRAMES} frames; shorten hours or lengthen camera.interval_s")
        for number, event in enumerate(self.events):
            name = f"events.{number} ({event.kind})"
            since_s = self.seconds(event.at) - self.start_s
            if not 0 <= since_s <= self.hours * 3600:
                raise ValueError(f"{name} begins {since_s / 3600:.2f} h after the start, outside the session")
            until = getattr(event, "until", None)
            if until is not None and self.seconds(until) <= self.seconds(event.at):
                raise ValueError(f"{name} ends before it begins")
        return self

    @property
    def start_s(self) -> float:
        """Start in POSIX seconds."""
        return utc_s(self.start_utc)

    @property
    def end_s(self) -> float:
        """End in POSIX seconds."""
        return self.start_s + 3600 * self.hours

    def seconds(self, moment: float | datetime) -> float:
        """Return POSIX seconds of an event's moment."""
        return utc_s(moment) if isinstance(moment, datetime) else self.start_s + 3600 * moment

    def span_s(self, event: Any) -> tuple[float, float]:
        """Return when a spell begins and ends, in POSIX seconds; one without an end lasts for good."""
        return self.seconds(event.at), float("inf") if event.until is None else self.seconds(event.until)

    def during(self, event: Any, utc_s: Array) -> Bools:
        """Return which times, shape as `utc_s`, fall into a spell: its begin does, its end does not."""
        begin_s, end_s = self.span_s(event)
        return np.asarray((utc_s >= begin_s) & (utc_s < end_s))

    def during_any(self, kind: type[E], utc_s: Array) -> Bools:
        """Return which times fall into any spell of a kind."""
        inside = np.zeros(utc_s.shape, dtype=bool)
        for event in self.events_of(kind):
            inside |= self.during(event, utc_s)
        return inside

    @property
    def in_order(self) -> list[AnyEvent]:
        """The events in order of time."""
        return sorted(self.events, key=lambda event: self.seconds(event.at))

    def events_of(self, kind: type[E]) -> list[E]:
        """Return the events of one kind, in order of time."""
        return [event for event in self.in_order if isinstance(event, kind)]

    def with_events(self, *events: AnyEvent) -> "Scenario":
        """Return the scenario with more events; checked like any other."""
        return Scenario(**{**dict(self), "events": (*self.events, *events)})

    def changed(self, **fields: Any) -> "Scenario":
        """Return the scenario with other top-level fields; checked like any other."""
        return Scenario(**{**dict(self), **fields})


def scenario_from(content: dict[str, Any], *, where: str) -> Scenario:
    """Return a scenario from a mapping.

    Raises `RequestProblem`, one line that names the first wrong key by its full path.
    """
    try:
        return Scenario.model_validate(content)
    except ValidationError as error:
        path, complaint = one_line(error)
        first = error.errors(include_url=False)[0]
        if first["type"] == "value_error":
            complaint = str(first["ctx"]["error"])
        raise RequestProblem(
            f"{path} {complaint}".strip(),
            where=where,
            mend="see replay_data/midnight-sun.yaml for an example",
        ) from None


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file; what is wrong with it is told in one line (`RequestProblem`)."""
    return scenario_from(read_yaml(path), where=str(path))
