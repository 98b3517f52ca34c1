"""The sun, the air, the horizon, and the geometry of the mount: pure functions of time.

Numerical code takes times as POSIX seconds (`utc_s`), numbers or arrays; directions are unit vectors with
the axis (east, north, up) last.
"""

from sentinel.core.solar_size import SOLAR_RADIUS_KM
from sentinel.sky.horizon import (
    Daylight,
    HorizonLine,
    above_line,
    above_line_deg,
    altitude_crossings,
    daylight,
    hour_angle_times_s,
    shown_altitude_deg,
)
from sentinel.sky.moon import Eclipses, Moon, SolarEclipse
from sentinel.sky.mount import (
    Optics,
    Pose,
    Tracking,
    axis_errors_deg,
    axis_vector,
    equator_frame,
    from_mount_frame,
    in_mount_frame,
    pose_seeing,
    position_angle_deg,
    project,
    rate_arcsec_s,
    separation_deg,
    unproject,
    up_angle_deg,
    zenith_in_picture_deg,
)
from sentinel.sky.orientation import Orientation
from sentinel.sky.refraction import (
    disc_axes,
    flattening,
    refraction_deg,
    refraction_sigma_deg,
    true_altitude_deg,
)
from sentinel.sky.searching import Crossings, crossings, spans_above, spans_outside
from sentinel.sky.solar_disc import DiscView, from_central_meridian_deg, spot_rotation_deg_day
from sentinel.sky.sun import Sun, altaz_deg, parallactic_angle_deg, unit_vector

__all__ = [
    "SOLAR_RADIUS_KM",
    "Crossings",
    "Daylight",
    "DiscView",
    "Eclipses",
    "HorizonLine",
    "Moon",
    "Optics",
    "Orientation",
    "Pose",
    "SolarEclipse",
    "Sun",
    "Tracking",
    "above_line",
    "above_line_deg",
    "altaz_deg",
    "altitude_crossings",
    "axis_errors_deg",
    "axis_vector",
    "crossings",
    "daylight",
    "disc_axes",
    "equator_frame",
    "flattening",
    "from_central_meridian_deg",
    "from_mount_frame",
    "hour_angle_times_s",
    "in_mount_frame",
    "parallactic_angle_deg",
    "pose_seeing",
    "position_angle_deg",
    "project",
    "rate_arcsec_s",
    "refraction_deg",
    "refraction_sigma_deg",
    "separation_deg",
    "shown_altitude_deg",
    "spans_above",
    "spans_outside",
    "spot_rotation_deg_day",
    "true_altitude_deg",
    "unit_vector",
    "unproject",
    "up_angle_deg",
    "zenith_in_picture_deg",
]
