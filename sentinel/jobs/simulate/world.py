"""A scenario -> the truth at any time: where the disc stands in the frame, and in what shape.

The geometry is the product's own (`sentinel.sky`): the sun through the air, the axis with its errors, the
turn of the drive, the camera on it. What the mount does wrong besides (worm, wind, flexure) is added here.
"""

from dataclasses import dataclass

import numpy as np

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
        scale = self.optics.scale_arcsec_px
        wander_x, wander_y = self._flexure_px(times)
        shake_x, shake_y = self._wind_px(times)
        x, y = self._steady(times)
        x, y = x + wander_x + shake_x, y + wander_y + shake_y
        zenith = self._zenith_deg(times)
        altitude, azimuth = altaz_deg(self.sun.direction(times))
        middle_x, middle_y = self.optics.middle_px
        # A flat sensor stretches what is off the lens axis: by sec along the circle, sec^2 along the radius.
        off_axis = np.hypot(x - middle_x, y - middle_y) / self.optics.focal_px
        local_scale = scale / (1 + off_axis**2) ** 0.75
        radius_arcsec = self.sun.angular_radius_arcsec(times)
        site = self.scenario.site
        vertical, horizontal = disc_axes(
            np.maximum(altitude, -1.0), site.pressure_hpa, site.temperature_c, 959.63 / 3600
        )
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

    def _steady(self, times: Array) -> tuple[Array, Array]:
        """Return the refracted centre's pixel but for wind and flexure."""
        mounted = self._mounted(times)
        x, y = np.empty(times.shape), np.empty(times.shape)
        for here, pose in self._by_stretch(times):
            x[here], y[here] = project(mounted[here], pose, self.optics)
        return x, y

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

    def _flexure_px(self, times: Array) -> tuple[Array, Array]:
        mount, seed = self.scenario.mount, self.scenario.seed
        amplitude = mount.flexure_arcsec / self.optics.scale_arcsec_px
        if amplitude == 0:
            return np.zeros(times.shape), np.zeros(times.shape)
        hours = (times - self.scenario.start_s) / 3600
        first, second = (
            amplitude * smooth_series(hours, scale=mount.flexure_h, seed=100 + 2 * seed + axis)
            for axis in (0, 1)
        )
        return first, second

    def _wind_px(self, times: Array) -> tuple[Array, Array]:
        sigma = np.full(times.shape, self.scenario.mount.wind_arcsec)
        for event in self.scenario.events_of(Wind):
            sigma = np.where(self.scenario.during(event, times), event.arcsec, sigma)
        shake = np.random.default_rng((self.scenario.seed, 3)).standard_normal((2, *times.shape))
        shake_px = shake * sigma / self.optics.scale_arcsec_px
        return shake_px[0], shake_px[1]

    def _place_camera(self) -> None:
        """Find the camera's pose after each time somebody or something moved it."""
        scenario = self.scenario
        place = scenario.start_px or self.optics.middle_px
        self._aim(scenario.start_s, place)
        for event in scenario.in_order:
            if not isinstance(event, Knock | Recentre | Realign):
                continue
            at_s = scenario.seconds(event.at)
            x, y = self._where(at_s, bolts_at_s=at_s - 1e-3)
            if isinstance(event, Knock):
                reach = event.arcmin * 60 / self.optics.scale_arcsec_px
                toward = np.radians(event.toward_deg)
                place = x + reach * float(np.sin(toward)), y - reach * float(np.cos(toward))
            elif isinstance(event, Recentre):
                missed = self._hand.normal(0, event.hand_error_px, 2)
                place = event.to_px[0] + float(missed[0]), event.to_px[1] + float(missed[1])
            else:
                place = event.to_px or (x, y)
            self._aim(at_s, place)

    def _where(self, at_s: float, bolts_at_s: float) -> tuple[float, float]:
        """Return where the disc stands, flexure included; just before its bolts are turned."""
        time = np.array([bolts_at_s])
        x, y = self._steady(time)
        wander_x, wander_y = self._flexure_px(np.array([at_s]))
        return float(x[0] + wander_x[0]), float(y[0] + wander_y[0])

    def _aim(self, at_s: float, place: tuple[float, float]) -> None:
        """Begin a stretch in which the disc stands at `place` to begin with, flexure included."""
        time = np.array([at_s])
        wander_x, wander_y = self._flexure_px(time)
        pose = pose_seeing(
            self._mounted(time)[0],
            place[0] - float(wander_x[0]),
            place[1] - float(wander_y[0]),
            self.optics,
            roll_deg=self.scenario.mount.roll_deg,
        )
        self._stretches.append((at_s, pose))
