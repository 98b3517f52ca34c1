"""A scenario -> the truth at any time: where the disc stands in the frame, and in what shape.

The geometry is the product's own (`sentinel.sky`): the sun through the air, the axis with its errors, the
turn of the drive, the camera on it. What the mount does wrong besides (worm, wind, flexure) is added here.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sentinel.jobs.simulate.drive import Drive
from sentinel.jobs.simulate.events import Knock, Realign, Recentre, Sink, Wind
from sentinel.jobs.simulate.fields import smooth_series
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.sky import (
    Optics,
    Orientation,
    Pose,
    Sun,
    altaz_deg,
    axis_vector,
    disc_axes,
    in_mount_frame,
    pose_seeing,
    project,
    refraction_deg,
    up_angle_deg,
)
from sentinel.sky.arrays import Array, Bools

_BEFORE_S = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The disc at a number of times; arrays of one shape (times,)."""

    utc_s: Array
    x_px: Array
    """Middle between the opposite limbs; beyond the frame too; NaN behind the camera."""
    y_px: Array
    radius_px: Array
    """Long half-axis."""
    flattening: Array
    """Share of the vertical diameter that refraction takes away."""
    egg: Array
    """How far below the middle the widest row lies, in radii."""
    zenith_deg: Array
    """Direction of the zenith in the picture, clockwise from up."""
    altitude_deg: Array
    """Apparent, of the centre."""
    azimuth_deg: Array
    local_scale_arcsec_px: Array
    """Angle a pixel subtends where the disc is."""
    north_deg: Array
    """Direction of solar north in the picture, clockwise from up."""
    central_latitude_deg: Array
    """Heliographic, of the disc's centre."""
    central_longitude_deg: Array
    """Carrington, of the disc's centre."""


class World:
    """An invented session's sky and mount.

    `scenario`: what is invented. Everything random in it follows from its seed.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        camera = scenario.camera
        self.optics = Optics(camera.focal_length_mm, camera.pixel_pitch_um, camera.width_px, camera.height_px)
        self.sun = Sun(scenario.site)
        self.orientation = Orientation(self.sun)
        self.south = scenario.site.latitude_deg < 0
        self.drive = Drive(scenario, float(self.sun.hour_angle_deg(scenario.start_s)))
        self._worm_phase = float(np.random.default_rng((scenario.seed, 1)).uniform(0, 2 * np.pi))
        self._hand = np.random.default_rng((scenario.seed, 2))
        self._stretches: list[tuple[float, Pose]] = []
        self._place_camera()

    def at(self, utc_s: Array) -> Truth:
        """Return the truth at times (times,), wind included where they are exposures of one session."""
        times = np.asarray(utc_s, dtype=float)
        x, y = self._steady_px(times) + self._flexure_px(times) + self._wind_px(times)
        zenith = self._zenith_deg(times)
        altitude, azimuth = altaz_deg(self.sun.direction(times))
        local_scale = self.optics.local_scale_arcsec_px(x, y)
        radius_arcsec = self.sun.angular_radius_arcsec(times)
        site = self.scenario.site
        vertical, horizontal = disc_axes(np.maximum(altitude, -1.0), site.pressure_hpa, site.temperature_c)
        lift_arcsec = self._middle_above_centre_arcsec(times, radius_arcsec)
        up_px = lift_arcsec / local_scale
        return Truth(
            utc_s=times,
            x_px=x + up_px * np.sin(np.radians(zenith)),
            y_px=y - up_px * np.cos(np.radians(zenith)),
            radius_px=radius_arcsec * horizontal / local_scale,
            flattening=np.clip(1 - vertical / horizontal, 0.0, 0.6),
            egg=np.clip(lift_arcsec / radius_arcsec, 0.0, 0.1),
            zenith_deg=zenith,
            altitude_deg=np.asarray(altitude),
            azimuth_deg=np.asarray(azimuth),
            local_scale_arcsec_px=local_scale,
            north_deg=np.asarray(self.orientation.north_in_picture_deg(times, zenith)),
            central_latitude_deg=np.asarray(self.orientation.central_latitude_deg(times)),
            central_longitude_deg=np.asarray(self.orientation.central_longitude_deg(times)),
        )

    def _middle_above_centre_arcsec(self, times: Array, radius_arcsec: Array) -> Array:
        """Return by how much the middle between upper and lower limb is lifted more than the centre."""
        site = self.scenario.site
        true, radius = self.sun.true_altitude_deg(times), radius_arcsec / 3600
        upper, centre, lower = (
            refraction_deg(true + step, site.pressure_hpa, site.temperature_c)
            for step in (radius, 0, -radius)
        )
        return np.asarray(np.maximum((upper + lower) / 2 - centre, 0.0) * 3600)

    def axis_errors_deg(self, utc_s: Array) -> tuple[Array, Array]:
        """Return azimuth and altitude error of the polar axis at times (times,)."""
        mount = self.scenario.mount
        azimuth = np.full(utc_s.shape, mount.azimuth_error_deg)
        altitude = np.full(utc_s.shape, mount.altitude_error_deg)
        for event in self.scenario.in_order:
            at_s = self.scenario.seconds(event.at)
            if isinstance(event, Realign):
                azimuth = np.where(utc_s >= at_s, event.azimuth_error_deg, azimuth)
                altitude = np.where(utc_s >= at_s, event.altitude_error_deg, altitude)
            elif isinstance(event, Sink):
                done = np.clip((utc_s - at_s) / (self.scenario.seconds(event.until) - at_s), 0, 1)
                azimuth = azimuth + event.azimuth_deg * done
                altitude = altitude + event.altitude_deg * done
        return azimuth, altitude

    def _turn_rad(self, times: Array) -> Array:
        mount = self.scenario.mount
        turn = self.drive.turn_arcsec(times)
        if mount.worm_arcsec > 0:
            tooth = 15.0 * mount.worm_period_s
            turn = turn + mount.worm_arcsec * np.sin(2 * np.pi * turn / tooth + self._worm_phase)
        return np.asarray(np.radians(turn / 3600))

    def _aimed(self, times: Array) -> tuple[Array, Array, Array]:
        """Return the sun's direction (times, 1, 3), the axis (times, 3) and the drive's turn (times, 1)."""
        axis = axis_vector(self.scenario.site.latitude_deg, *self.axis_errors_deg(times))
        return self.sun.direction(times)[:, None], axis, self._turn_rad(times)[:, None]

    def _mounted(self, times: Array) -> Array:
        """Return the sun in the mount's frame, (times, 3)."""
        return in_mount_frame(*self._aimed(times), south=self.south)[:, 0]

    def _steady_px(self, times: Array) -> Array:
        """Return the refracted centre's pixel but for wind and flexure, (2, times)."""
        mounted, place = self._mounted(times), np.empty((2, *times.shape))
        for here, pose in self._by_stretch(times):
            place[:, here] = project(mounted[here], pose, self.optics)
        return place

    def _zenith_deg(self, times: Array) -> Array:
        aimed = self._aimed(times)
        zenith = np.empty(times.shape)
        for here, pose in self._by_stretch(times):
            direction, axis, turn = (part[here] for part in aimed)
            zenith[here] = up_angle_deg(direction, axis, turn, pose, self.optics, south=self.south)[:, 0]
        return zenith

    def _by_stretch(self, times: Array) -> list[tuple[Bools, Pose]]:
        begins = np.array([begin for begin, _ in self._stretches])
        index = np.maximum(np.searchsorted(begins, times, side="right") - 1, 0)
        return [(index == i, pose) for i, (_, pose) in enumerate(self._stretches) if (index == i).any()]

    def _flexure_px(self, times: Array) -> Array:
        """Return how far the tube has bent aside, (2, times)."""
        mount, seed = self.scenario.mount, self.scenario.seed
        if mount.flexure_arcsec == 0:
            return np.zeros((2, *times.shape))
        amplitude = mount.flexure_arcsec / self.optics.scale_arcsec_px
        hours = (times - self.scenario.start_s) / 3600
        seeds = 100 + 2 * seed, 101 + 2 * seed
        bent = [smooth_series(hours, scale=mount.flexure_h, seed=one) for one in seeds]
        return amplitude * np.stack(bent)

    def _wind_px(self, times: Array) -> Array:
        """Return by how much the wind shakes each exposure, (2, times)."""
        sigma = np.full(times.shape, self.scenario.mount.wind_arcsec)
        for event in self.scenario.events_of(Wind):
            sigma = np.where(self.scenario.during(event, times), event.arcsec, sigma)
        shake = np.random.default_rng((self.scenario.seed, 3)).standard_normal((2, *times.shape))
        return np.asarray(shake * sigma / self.optics.scale_arcsec_px)

    def _place_camera(self) -> None:
        """Find the camera's pose after each time somebody or something moved it."""
        scenario = self.scenario
        self._aim(scenario.start_s, scenario.start_px or self.optics.middle_px)
        for event in scenario.in_order:
            if not isinstance(event, Knock | Recentre | Realign):
                continue
            at_s = scenario.seconds(event.at)
            place = self._just_before_px(at_s)
            if isinstance(event, Knock):
                toward = np.radians(event.toward_deg)
                reach = event.arcmin * 60 / self.optics.scale_arcsec_px
                place = place + reach * np.array([np.sin(toward), -np.cos(toward)])
            elif isinstance(event, Recentre):
                place = np.array(event.to_px) + self._hand.normal(0, event.hand_error_px, 2)
            elif event.to_px is not None:
                place = np.array(event.to_px)
            self._aim(at_s, place)

    def _just_before_px(self, at_s: float) -> Array:
        """Return where the disc stands, flexure included, before bolts are turned at that moment."""
        return (self._steady_px(np.array([at_s - _BEFORE_S])) + self._flexure_px(np.array([at_s])))[:, 0]

    def _aim(self, at_s: float, place_px: ArrayLike) -> None:
        """Begin a stretch in which the disc stands at a place to begin with, flexure included."""
        time = np.array([at_s])
        x, y = (np.asarray(place_px) - self._flexure_px(time)[:, 0]).tolist()
        mounted, roll_deg = self._mounted(time)[0], self.scenario.mount.roll_deg
        self._stretches.append((at_s, pose_seeing(mounted, x, y, self.optics, roll_deg=roll_deg)))
