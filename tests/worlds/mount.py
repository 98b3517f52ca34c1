"""A mount as it is built: tripod, polar axis, declination axis, camera, each turned against the one before.

Everything is a rotation (scipy's), from the camera outwards:

    local = tripod * polar frame * drive * declination axis * cone * camera on its foot * roll

The polar frame is that of the northern celestial pole everywhere: a drive turns clockwise about it, so that
south of the equator nothing changes but what is above ground.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]

_LOOKING_AT_MERIDIAN = Rotation.from_matrix(
    # Columns: the picture's right, its down, and forward; in the polar frame's (meridian, east, pole).
    np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
)

_X, _Y, _Z = np.eye(3)


def polar_frame(latitude_deg: float) -> Rotation:
    """Return the rotation from (meridian, east, northern pole) to (east, north, up)."""
    latitude = np.radians(latitude_deg)
    meridian = [0.0, -np.sin(latitude), np.cos(latitude)]
    pole = [0.0, np.cos(latitude), np.sin(latitude)]
    return Rotation.from_matrix(np.array([meridian, [1.0, 0.0, 0.0], pole]).T)


def visible_pole(latitude_deg: float) -> Array:
    """Return the celestial pole above the horizon, east, north, up."""
    sign = -1.0 if latitude_deg < 0 else 1.0
    return np.asarray(sign * polar_frame(latitude_deg).apply([0.0, 0.0, 1.0]))


def misaligned(latitude_deg: float, across_deg: float, along_deg: float) -> Array:
    """Return the tripod's turn (rotation vector, local) that moves the pole on the sky.

    By `across_deg` eastward and `along_deg` upward, as angles on the sky: the same at every latitude.
    """
    pole = visible_pole(latitude_deg)
    upward = np.array([0.0, 0.0, 1.0]) - pole[2] * pole
    upward = upward / np.hypot(*upward[1:])
    goal = across_deg * np.array([1.0, 0.0, 0.0]) + along_deg * upward
    return np.asarray(np.cross(pole, np.radians(goal)))


def axis_errors_deg(tripod: Array, latitude_deg: float) -> tuple[Array, Array]:
    """Return azimuth and altitude error of the visible pole's end of the axis, for tripods (n, 3).

    Azimuth: clockwise seen from above, from the true pole's; altitude: positive where too high.
    """
    pole = visible_pole(latitude_deg)
    axis = Rotation.from_rotvec(np.atleast_2d(tripod)).apply(pole)
    bearing = np.degrees(np.arctan2(axis[:, 0], axis[:, 1])) - (180.0 if latitude_deg < 0 else 0.0)
    height = np.degrees(np.arcsin(np.clip(axis[:, 2], -1, 1)))
    azimuth = (bearing + 180) % 360 - 180
    # Tipped past the zenith it is too high, not turned about.
    past = np.abs(azimuth) > 90
    azimuth = np.where(past, (azimuth + 360) % 360 - 180, azimuth)
    return azimuth, np.where(past, 180 - height, height) - abs(latitude_deg)


@dataclass(frozen=True)
class Lens:
    """A lens before a sensor."""

    focal_mm: float = 400.0
    pitch_um: float = 3.92
    width_px: int = 6000
    height_px: int = 4000
    distortion: float = 0.0
    """By so much the corner is stretched outwards."""
    stretched: float = 0.0
    """By this share all is wider than high: a sensor not square to the lens, a picture made smaller."""

    @property
    def focal_px(self) -> float:
        return self.focal_mm * 1000 / self.pitch_um

    @property
    def middle_px(self) -> tuple[float, float]:
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    @property
    def arcsec_px(self) -> float:
        return float(np.degrees(1 / self.focal_px) * 3600)


@dataclass(frozen=True)
class Setting:
    """How everything is turned, at one time or at n: scalars, or (n,); the tripod (3,) or (n, 3)."""

    tripod: Array
    drive_deg: Array | float
    declination_deg: Array | float
    roll_deg: Array | float = 0.0
    cone_deg: float = 0.0
    skew_deg: float = 0.0
    """Declination axis not square to the polar axis."""
    focal: Array | float = 1.0
    """Focal length over the lens's own."""

    def at(self, i: int) -> "Setting":
        """Return that of one time."""

        def one(value: Array | float) -> Array | float:
            return value if np.ndim(value) == 0 else float(np.asarray(value)[i])

        tripod = self.tripod if self.tripod.ndim == 1 else self.tripod[i]
        return replace(
            self,
            tripod=tripod,
            drive_deg=one(self.drive_deg),
            declination_deg=one(self.declination_deg),
            roll_deg=one(self.roll_deg),
            focal=one(self.focal),
        )


def _about(axis: Array, turn_deg: Array | float) -> Rotation:
    return Rotation.from_rotvec(np.multiply.outer(np.radians(turn_deg), axis))


def pictured(enu: Array, setting: Setting, lens: Lens, latitude_deg: float) -> tuple[Array, Array]:
    """Return (x_px, y_px) of local directions (n, 3); NaN for what is behind the camera."""
    drive, roll = _about(_Z, -np.asarray(setting.drive_deg)), _about(_Z, setting.roll_deg)
    skew, cone = _about(_X, setting.skew_deg), _about(_Z, setting.cone_deg)
    declined = _about(_Y, -np.asarray(setting.declination_deg))
    tripod = Rotation.from_rotvec(setting.tripod)
    mount = tripod * polar_frame(latitude_deg) * drive * skew * declined * cone
    right, down, ahead = (mount * _LOOKING_AT_MERIDIAN * roll).inv().apply(enu).T
    with np.errstate(divide="ignore", invalid="ignore"):
        u, v = (np.where(ahead > 0, part / ahead, np.nan) for part in (right, down))
    corner = np.hypot(*lens.middle_px) / lens.focal_px
    stretch = lens.focal_px * setting.focal * (1 + lens.distortion * (u**2 + v**2) / corner**2)
    middle = lens.middle_px
    return middle[0] + u * stretch * (1 + lens.stretched), middle[1] + v * stretch


def oval_px(  # noqa: PLR0917 - a disc, and what pictures it
    enu: Array, squeezed: Array, radius_rad: Array, setting: Setting, lens: Lens, latitude_deg: float
) -> Array:
    """Return how far discs at local directions (n, 3), squeezed upright, are from round, (2, n).

    In the picture: half the difference of the half-axes, as cosine and sine of twice the long axis'
    direction. Nothing but where a little to the side and a little higher come to lie.
    """
    side = np.stack([enu[:, 1], -enu[:, 0], np.zeros(len(enu))], axis=1)
    side /= np.hypot(enu[:, 0], enu[:, 1])[:, None]
    up = np.cross(side, enu)
    here = np.array(pictured(enu, setting, lens, latitude_deg))
    step = 1e-4
    across, above = (
        (np.array(pictured(enu + step * way, setting, lens, latitude_deg)) - here) / step * radius_rad
        for way in (side, up)
    )
    above = above * squeezed
    (a, c), b = across**2 + above**2, (across[0] * across[1] + above[0] * above[1])
    axes = np.sqrt(a + c + 2 * np.sqrt(a * c - b**2))
    return np.asarray(np.stack([a - c, 2 * b]) / (2 * axes))


def aimed(
    enu: Array, setting: Setting, lens: Lens, latitude_deg: float, to_px: tuple[float, float]
) -> tuple[float, float]:
    """Return the turns (drive, declination axis, degrees) to be added to put one direction on a pixel."""
    meridian, east, pole = polar_frame(latitude_deg).inv().apply(enu)
    hour_angle, declination = np.degrees(np.arctan2(-east, meridian)), np.degrees(np.arcsin(pole))
    if np.cos(np.radians(setting.declination_deg)) < 0:  # turned over to the other side of the pier
        hour_angle, declination = hour_angle + 180, 180 - declination
    ways = (
        (hour_angle - float(setting.drive_deg) + 180) % 360 - 180,
        declination - float(setting.declination_deg),
    )
    # From nearby it is found at once; from where the camera looks away a first guess is needed.
    turn = np.zeros(2) if np.hypot(*ways) < 20 else np.array(ways)

    def miss(turn: Array) -> Array:
        tried = replace(
            setting,
            drive_deg=float(setting.drive_deg) + turn[0],
            declination_deg=float(setting.declination_deg) + turn[1],
        )
        x, y = pictured(enu[None, :], tried, lens, latitude_deg)
        return np.array([x[0] - to_px[0], y[0] - to_px[1]])

    for _ in range(12):
        off = miss(turn)
        if np.hypot(*off) < 1e-4:
            break
        step = 1e-4
        slope = np.stack([(miss(turn + step * unit) - off) / step for unit in np.eye(2)], axis=1)
        turn = turn - np.linalg.solve(slope, off)
    return float(turn[0]), float(turn[1])
