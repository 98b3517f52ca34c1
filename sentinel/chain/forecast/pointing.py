"""Where the camera points: the disc if the mount stopped, and the sun from the camera after a loss."""

from dataclasses import dataclass

import numpy as np

from sentinel.chain.forecast.dwell import Mounting
from sentinel.chain.forecast.ensemble import Ensemble
from sentinel.chain.forecast.geometry import (
    ARCSEC_OPTICS,
    COMMON,
    ONE_PART,
    RAMP,
    RATE_UNIT,
    Geometry,
    Points,
    rolled,
)
from sentinel.core.angles import half_turn_deg
from sentinel.sky.arrays import Array, Bools
from sentinel.sky.mount import Pose, from_mount_frame, unproject
from sentinel.sky.sun import Sun, altaz_deg

STOP_S: Array = np.arange(0.0, 3 * 3600 + 1, 30.0)


@dataclass(frozen=True, slots=True)
class LikeliestMount:
    """The likeliest mount: the middle of the draws that share the commonest linearisation."""

    geometry: Geometry
    points: Points
    """One point."""
    alike: Bools
    """(d,) which of the draws have about its roll and rate,"""
    about_roll: Bools
    """and which have about its roll, at whatever rate the drive runs."""
    roll_sigma_deg: float
    """How far these lie about its roll, 1-sigma,"""
    axis_sigma_deg: float
    """and about its axis, on the sky."""

    @property
    def share(self) -> float:
        """Share of the draws that are alike."""
        return float(self.alike.mean())

    @property
    def roll_share(self) -> float:
        """Share of the draws in which the camera sits so."""
        return float(self.about_roll.mean())

    @property
    def roll_rad(self) -> float:
        """Roll of the camera on the mount."""
        return float(self.points.roll_rad[0])

    @property
    def base_arcsec_s(self) -> float:
        """The drive's nominal rate."""
        return float(self.points.base_arcsec_s[0])

    @property
    def rate_arcsec_s(self) -> float:
        """The rate at which the drive runs."""
        return self.base_arcsec_s * (1 + float(self.points.rate[0]) * RATE_UNIT)

    @property
    def mounting(self) -> Mounting:
        """Axis, rate and roll."""
        azimuth, altitude = float(self.points.azimuth_deg[0]), float(self.points.altitude_deg[0])
        return Mounting(azimuth, altitude, self.rate_arcsec_s, float(np.degrees(self.roll_rad)))

    @property
    def pose(self) -> Pose:
        """Pose of the present stretch."""
        return Pose(
            float(self.points.along_deg[0, -1]),
            float(self.points.poleward_deg[0, -1]),
            float(np.degrees(self.roll_rad)),
        )


def likeliest_mount(draws: Ensemble) -> LikeliestMount:
    """Return the likeliest mount."""
    commonest = int(np.bincount(draws.point).argmax())
    mine = draws.point == commonest
    middle = float(np.angle(np.exp(1j * draws.roll_rad[mine]).mean()))
    mean = draws.unknowns[mine].mean(axis=0)
    point = draws.points.taken(np.array([commonest]))
    delta = np.zeros((1, COMMON + 2 * len(point.reference_s)))
    delta[0, :COMMON], delta[0, -2:] = mean[:COMMON], mean[COMMON:]
    delta[0, 2] += mean[RAMP] * point.gained(draws.fitted_s)[0]
    off = np.angle(np.exp(1j * (draws.roll_rad - middle)))
    about_roll = np.abs(off) < np.radians(45)
    near = about_roll & (draws.points.base_arcsec_s[draws.point] == point.base_arcsec_s[0])
    sigma_deg = float(np.degrees(np.sqrt((off[near] ** 2).mean())))
    lead = point.moved(delta, np.array([middle]))
    level = np.cos(np.radians(draws.geometry.latitude_deg))
    aside = np.hypot(
        (draws.azimuth_deg()[near] - lead.azimuth_deg[0]) * level,
        draws.altitude_deg()[near] - lead.altitude_deg[0],
    )
    axis_sigma_deg = float(np.sqrt((aside**2).mean()))
    return LikeliestMount(draws.geometry, lead, near, about_roll, sigma_deg, axis_sigma_deg)


def stopped_px(sun: Sun, lead: LikeliestMount, now_s: float, scale_arcsec_px: float) -> Array:
    """Return the displacement (2, n) in pixels over `STOP_S` of the disc on a mount that stops now."""
    held = np.full(len(STOP_S), now_s)
    tangent = lead.geometry.tangent(sun.direction(now_s + STOP_S), held, ONE_PART, lead.points)[0]
    x, y = rolled(tangent[:, 0], tangent[:, 1], lead.roll_rad)
    return np.stack([x - x[0], y - y[0]]) / scale_arcsec_px


def standing_px(
    sun: Sun, lead: LikeliestMount, from_s: float, until_s: float, scale_arcsec_px: float
) -> complex:
    """Return how far the disc goes on a mount that stands, x + i y, pixels of the lead's roll."""
    way: Array = stopped_px(sun, lead, from_s, scale_arcsec_px)
    x, y = (float(np.interp(until_s - from_s, STOP_S, side)) for side in way)
    return complex(x, y)


def off_axis_deg(
    sun: Sun, lead: LikeliestMount, held_s: float, now_s: float, off_arcsec: Array
) -> tuple[float, float]:
    """Return how far right of the lens axis and above it the sun stands, degrees along level and height.

    `sun`, `lead`: the sun over the site, and the likeliest mount.
    `held_s`: time at which the drive stood as it stands now: now itself, or when it stopped.
    `now_s`: the time the answer is for.
    `off_arcsec`: where the disc was in the picture at `held_s`, from the lens axis (2,).
    """
    theta = lead.points.theta_rad(np.array([held_s]), lead.points.reference_s[-1:])[0]
    axis = lead.geometry.axis(lead.points)[0]
    # The lens axis from the disc, not from the model's idea of the pose: the disc was seen.
    spot, lens = (
        altaz_deg(
            from_mount_frame(
                unproject(x, y, lead.pose, ARCSEC_OPTICS), axis, theta, south=lead.geometry.south
            )[0]
        )
        for x, y in ((float(off_arcsec[0]), float(off_arcsec[1])), (0.0, 0.0))
    )
    then, now = (altaz_deg(sun.direction(time)) for time in (held_s, now_s))
    lens_altitude, lens_azimuth = (float(lens[i] + then[i] - spot[i]) for i in (0, 1))
    turn = half_turn_deg(float(now[1]) - lens_azimuth)
    return turn * float(np.cos(np.radians(now[0]))), float(now[0]) - lens_altitude
