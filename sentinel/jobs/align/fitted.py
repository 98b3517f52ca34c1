"""A fitted mount and the camera on it: what everything here is reckoned from."""

from dataclasses import dataclass

import numpy as np

from sentinel.chain.forecast.dwell import Mounting
from sentinel.chain.forecast.exits import Frame
from sentinel.core.foreseen import MountFit, PolarAxis
from sentinel.core.records import Forecast, MeasuredFrame
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S, Settings
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
    def mount(self) -> MountFit:
        """The mount as fitted."""
        assert self.forecast.mount is not None  # noqa: S101 - a track has been fitted
        return self.forecast.mount

    @property
    def expected_px(self) -> tuple[float, float]:
        """Where the disc is now."""
        assert self.forecast.pointing is not None  # noqa: S101 - a track has been fitted
        return self.forecast.pointing.expected_px

    @property
    def optics(self) -> Optics:
        """The lens with the scale that the discs show."""
        camera = self.settings.camera
        return Optics.of_scale(
            self.mount.scale_arcsec_px, camera.pixel_pitch_um, self.like.width_px, self.like.height_px
        )

    @property
    def radius_px(self) -> float:
        """The disc's radius now."""
        return float(self.sun.angular_radius_arcsec(self.now_s)) / self.optics.scale_arcsec_px

    @property
    def frame(self) -> Frame:
        """The frame and its margin."""
        return Frame(self.like.width_px, self.like.height_px, self.settings.frames.margin_px)

    @property
    def room_deg(self) -> float:
        """How far a disc in the middle is from the nearest edge."""
        middle = np.array(self.optics.middle_px)
        room_px = self.frame.room_px(middle[0], middle[1], self.radius_px).min()
        return float(room_px) * self.optics.scale_arcsec_px / 3600

    @property
    def errors(self) -> tuple[ErrorAndSigma, ErrorAndSigma]:
        """Azimuth and altitude error, each with its sigma."""
        assert self.mount.axis is not None  # noqa: S101 - a track has been fitted
        return errors_of(self.mount.axis)

    @property
    def mounting(self) -> Mounting:
        """Axis, rate and roll."""
        (azimuth, _), (altitude, _) = self.errors
        return Mounting(
            azimuth, altitude, MEAN_SOLAR_RATE_ARCSEC_S * self.mount.rate_ratio, self.mount.roll_deg
        )

    @property
    def axis(self) -> Array:
        """Where the axis points, (3,)."""
        (azimuth, _), (altitude, _) = self.errors
        return axis_vector(self.settings.site.latitude_deg, azimuth, altitude)


def axis_of(forecast: Forecast) -> PolarAxis | None:
    """Return the polar axis as a forecast knows it; None: it does not."""
    return forecast.mount.axis if forecast.mount is not None else None


def errors_of(axis: PolarAxis) -> tuple[ErrorAndSigma, ErrorAndSigma]:
    """Return azimuth and altitude error, each with its sigma, place and clock being as the settings say."""
    assert axis.fit_sigma_deg is not None  # noqa: S101 - made here and now
    sigma_azimuth, sigma_altitude = axis.fit_sigma_deg
    return (axis.azimuth_error_deg, sigma_azimuth), (axis.altitude_error_deg, sigma_altitude)
