"""A fitted mount and the camera on it: what everything here is reckoned from."""

from dataclasses import dataclass

from sentinel.chain.forecast.dwell import Mounting
from sentinel.chain.forecast.exits import Frame
from sentinel.core.records import Forecast, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.sky import Optics, Sun, axis_vector
from sentinel.sky.arrays import Array

ErrorAndSigma = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted mount, and the camera on it."""

    settings: Settings
    sun: Sun
    forecast: Forecast
    like: MeasuredFrame
    """One of the frames."""

    @property
    def now_s(self) -> float:
        """When the last event was."""
        return utc_s(self.forecast.time_utc)

    @property
    def optics(self) -> Optics:
        """The lens with the scale that the discs show."""
        camera = self.settings.camera
        scale = self.forecast.scale_arcsec_px or camera.scale_arcsec_px
        return Optics.of_scale(scale, camera.pixel_pitch_um, self.like.width_px, self.like.height_px)

    @property
    def radius_px(self) -> float:
        """The disc's radius now."""
        return float(self.sun.angular_radius_arcsec(self.now_s)) / self.optics.scale_arcsec_px

    @property
    def frame(self) -> Frame:
        """The frame and its margin."""
        return Frame(self.like.width_px, self.like.height_px, self.settings.frames.margin_px)

    @property
    def errors(self) -> tuple[ErrorAndSigma, ErrorAndSigma]:
        """Azimuth and altitude error, each with its sigma."""
        azimuth, altitude = errors_of(self.forecast)
        assert azimuth is not None and altitude is not None  # noqa: S101, PT018 - a track has been fitted
        return azimuth, altitude

    @property
    def mounting(self) -> Mounting:
        """Axis, rate and roll."""
        (azimuth, _), (altitude, _) = self.errors
        rate_arcsec_s = 15.0 * (self.forecast.rate_ratio or 0.0)
        return Mounting(azimuth, altitude, rate_arcsec_s, self.forecast.roll_deg or 0.0)

    @property
    def axis(self) -> Array:
        """Where the axis points, (3,)."""
        (azimuth, _), (altitude, _) = self.errors
        return axis_vector(self.settings.site.latitude_deg, azimuth, altitude)


def errors_of(forecast: Forecast) -> tuple[ErrorAndSigma | None, ErrorAndSigma | None]:
    """Return azimuth and altitude error, each with its sigma, place and clock being as the settings say."""
    values = forecast.polar_azimuth_error_deg, forecast.polar_altitude_error_deg
    azimuth, altitude = zip(values, forecast.axis_fit_sigma_deg or (None, None), strict=True)
    return _both(*azimuth), _both(*altitude)


def _both(value: float | None, sigma: float | None) -> ErrorAndSigma | None:
    return None if value is None or sigma is None else (value, sigma)
