"""The mount's geometry: both ways, both hemispheres, never mirrored."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.sky import (
    Optics,
    Pose,
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
    unit_vector,
    unproject,
    up_angle_deg,
)
from sentinel.sky.arrays import Array

LENS = Optics(400.0, 3.92, 6000, 4000)
LATITUDES = [70.37, 45.0, 0.0, 90.0, -90.0, -35.0, -79.0]


def star(hour_angle_deg: Array | float, declination_deg: float, latitude_deg: float) -> Array:
    """Local unit vectors of a star, by the textbook (Meeus 13.5, 13.6), nothing of the mount's."""
    h, d, phi = np.radians(hour_angle_deg), np.radians(declination_deg), np.radians(latitude_deg)
    west = np.sin(h) * np.cos(d)
    north = np.cos(phi) * np.sin(d) - np.sin(phi) * np.cos(d) * np.cos(h)
    up = np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)
    return np.stack(np.broadcast_arrays(-west, north, up), axis=-1)


def rotated(vectors: Array, axis: Array, angle_rad: float) -> Array:
    """Rodrigues' rotation, right-handed about `axis`."""
    along = (vectors @ axis)[..., None] * axis
    turned = (vectors - along) * np.cos(angle_rad) + np.cross(axis, vectors) * np.sin(angle_rad)
    return np.asarray(along + turned)


@pytest.mark.parametrize("latitude", LATITUDES)
def test_a_true_axis_points_at_the_pole(latitude: float) -> None:
    pole = star(0.0, 90.0 if latitude >= 0 else -90.0, latitude)
    assert axis_vector(latitude) == pytest.approx(pole, abs=1e-12)


def test_the_signs_of_the_errors() -> None:
    # North: clockwise seen from above is towards the east. South: towards the west. Too high is up in both.
    assert axis_vector(50, 1.0, 0.0)[0] > 0
    assert axis_vector(-50, 1.0, 0.0)[0] < 0
    assert axis_vector(50, 0.0, 1.0)[2] > axis_vector(50)[2]
    assert axis_vector(-50, 0.0, 1.0)[2] > axis_vector(-50)[2]
    draws = axis_vector(50, np.array([1.0, 2.0, 3.0]), 0.5)
    assert draws.shape == (3, 3)
    assert np.linalg.norm(draws, axis=-1) == pytest.approx(1)


@given(
    st.sampled_from([70.37, 45.0, -35.0, -79.0, 89.5]),
    st.floats(-30, 30),
    st.floats(-8, 8),
)
def test_axis_errors_are_undone(latitude: float, azimuth: float, altitude: float) -> None:
    back = axis_errors_deg(axis_vector(latitude, azimuth, altitude), latitude)
    assert back == pytest.approx((azimuth, altitude), abs=1e-9)


@pytest.mark.parametrize("latitude", LATITUDES)
def test_in_the_frame_of_a_true_mount_a_star_stands_still(latitude: float) -> None:
    south = latitude < 0
    turn_deg = np.linspace(0, 500, 40)
    stars = star(-130 + turn_deg, -20.0, latitude)
    mounted = in_mount_frame(stars, axis_vector(latitude), np.radians(turn_deg), south=south)
    assert np.ptp(mounted, axis=0).max() < 1e-12
    along = np.degrees(np.arctan2(mounted[0, 1], mounted[0, 0]))
    assert along == pytest.approx(130 if south else -130)
    assert np.degrees(np.arcsin(mounted[0, 2])) == pytest.approx(20 if south else -20)


@pytest.mark.parametrize("latitude", [70.0, -70.0])
def test_the_mount_turns_back_what_the_sky_turns(latitude: float) -> None:
    # b(t) = R(p, -sign theta) s(t), with the sign of the sky's turn about the visible pole: left-handed in
    # the north. The equator frame is the same for all t, so it drops out of angles between directions.
    south, axis = latitude < 0, axis_vector(latitude, 3.0, -2.0)
    s = star(np.array([0.0, 20.0, 77.0]), 23.0, latitude)
    theta = np.radians(33.0)
    standing = rotated(s, axis, -theta if south else theta)
    expected = standing @ equator_frame(axis, south=south).T
    assert in_mount_frame(s, axis, theta, south=south) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("latitude", LATITUDES)
def test_shapes_of_draws_and_times(latitude: float) -> None:
    south = latitude < 0
    axes = axis_vector(latitude, np.array([0.1, -0.5]), np.array([0.3, 0.2]))
    times = star(np.linspace(0, 90, 5), 10.0, latitude)
    theta = np.linspace(0, 1.5, 5)
    many = in_mount_frame(times, axes, theta * np.array([[1.0], [1.001]]), south=south)
    assert many.shape == (2, 5, 3)
    one = in_mount_frame(times[3], axes[1], theta[3] * 1.001, south=south)
    assert one.shape == (3,)
    assert many[1, 3] == pytest.approx(one, abs=1e-14)
    assert in_mount_frame(times, axes, 0.0, south=south).shape == (2, 5, 3)
    assert in_mount_frame(times[0], axes[0], theta, south=south).shape == (5, 3)
    assert in_mount_frame(times[0], axes, 0.0, south=south).shape == (2, 3)
    back = from_mount_frame(many, axes, theta * np.array([[1.0], [1.001]]), south=south)
    assert back == pytest.approx(np.broadcast_to(times, (2, 5, 3)), abs=1e-12)
    assert from_mount_frame(one, axes[1], theta[3] * 1.001, south=south) == pytest.approx(times[3])


@pytest.mark.parametrize("latitude", [70.0, 40.0, -35.0, -70.0])
@pytest.mark.parametrize("hour_angle", [-100.0, 0.0, 60.0])
def test_the_picture_is_not_mirrored(latitude: float, hour_angle: float) -> None:
    """Level with the equator: north up and west right in the north, south up and east right in the south."""
    south, axis, declination = latitude < 0, axis_vector(latitude), 12.0
    centre = star(hour_angle, declination, latitude)
    west = star(hour_angle + 1, declination, latitude)
    north = star(hour_angle, declination + 1, latitude)
    b, b_west, b_north = (in_mount_frame(s, axis, 0.3, south=south) for s in (centre, west, north))
    pose = pose_seeing(b, *LENS.middle_px, LENS)
    x_west, y_west = project(b_west, pose, LENS)
    x_north, y_north = project(b_north, pose, LENS)
    middle_x, middle_y = LENS.middle_px
    side = -1 if south else 1
    per_degree = LENS.focal_px * np.tan(np.radians(1))
    assert (x_west - middle_x) * side == pytest.approx(per_degree * np.cos(np.radians(declination)), rel=1e-3)
    assert (middle_y - y_north) * side == pytest.approx(per_degree, rel=1e-3)
    assert abs(x_north - middle_x) < 1e-6
    # The curve of a parallel of declination, sin(d) / 2 of a radian's square, is all that is left over.
    assert abs(y_west - middle_y) < 10
    # From inside the sky, north to west is a quarter turn clockwise: with y down, a positive cross product.
    cross = (x_north - middle_x) * (y_west - middle_y) - (y_north - middle_y) * (x_west - middle_x)
    assert cross > 0


def test_an_upright_camera_facing_the_noon_sun() -> None:
    # North of the tropics one faces south: west is right. South of them one faces north: west is left.
    for latitude in (50.0, -50.0):
        south, axis = latitude < 0, axis_vector(latitude)
        noon = star(0.0, 0.0, latitude)
        b = in_mount_frame(noon, axis, 0.0, south=south)
        pose = pose_seeing(b, *LENS.middle_px, LENS)
        assert up_angle_deg(noon, axis, 0.0, pose, LENS, south=south) == pytest.approx(0, abs=1e-6)
        sideways = unit_vector(40.0, 1.0 if south else 181.0)
        x, _ = project(in_mount_frame(sideways, axis, 0.0, south=south), pose, LENS)
        # The larger azimuth is on the right whichever way one faces.
        assert x > LENS.middle_px[0]


def test_roll_turns_the_camera_clockwise_and_the_picture_the_other_way() -> None:
    up = np.array([np.cos(0.01), 0.0, np.sin(0.01)])
    x, y = project(up, Pose(0.0, 0.0, 30.0), LENS)
    middle_x, middle_y = LENS.middle_px
    assert np.degrees(np.arctan2(x - middle_x, middle_y - y)) == pytest.approx(-30)


@given(
    st.floats(-179, 179),
    st.floats(-60, 60),
    st.floats(-180, 180),
    st.floats(-500, 6500),
    st.floats(-500, 4500),
)
def test_pixels_and_directions_there_and_back(
    along: float, poleward: float, roll: float, x: float, y: float
) -> None:
    pose = Pose(along, poleward, roll)
    b = unproject(x, y, pose, LENS)
    assert np.linalg.norm(b) == pytest.approx(1)
    assert np.array(project(b, pose, LENS)) == pytest.approx(np.array([x, y]), abs=1e-6)
    again = pose_seeing(b, x, y, LENS, roll_deg=roll)
    assert again.poleward_deg == pytest.approx(poleward, abs=1e-9)
    assert (np.subtract(again.along_deg, along) + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)


def test_poses_of_many_draws() -> None:
    rng = np.random.default_rng(4)
    b = unit_vector(rng.uniform(-40, 40, (3, 7)), rng.uniform(70, 110, (3, 7)))
    pose = Pose(*(rng.uniform(-5, 5, (3, 1)) for _ in range(3)))
    x, y = project(b, pose, LENS)
    assert x.shape == y.shape == (3, 7)
    assert unproject(x, y, pose, LENS) == pytest.approx(b, abs=1e-12)


def test_what_is_behind_the_camera_has_no_place_in_the_picture() -> None:
    behind = np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-0.5, 0.5, 0.5]])
    x, y = project(behind, Pose(0.0, 0.0, 10.0), LENS)
    assert np.isnan(x).all()
    assert np.isnan(y).all()


def test_a_pixel_too_far_out_for_something_at_the_pole_has_no_pose() -> None:
    pose = pose_seeing(np.array([0.0, 0.0, 1.0]), 5999.0, 1999.5, LENS)
    assert np.isnan(pose.poleward_deg)
    assert np.isnan(pose.along_deg)


@pytest.mark.parametrize("latitude", [70.0, -70.0, 40.0])
def test_the_vertical_in_the_picture_is_the_parallactic_angle_and_the_roll(latitude: float) -> None:
    south, axis, roll = latitude < 0, axis_vector(latitude), 17.0
    declination = 23.44 if not south else -23.44
    hour_angles = np.linspace(-170, 170, 18)
    s = star(hour_angles, declination, latitude)
    theta = np.radians(hour_angles)
    mounted = in_mount_frame(s, axis, theta, south=south)
    assert np.ptp(mounted, axis=0).max() < 1e-12
    pose = pose_seeing(mounted[0], *LENS.middle_px, LENS, roll_deg=roll)
    up = up_angle_deg(s, axis, theta, pose, LENS, south=south)
    # The position angle of the zenith counts from north through east, which is counter-clockwise on the sky.
    q = position_angle_deg(s, s + 1e-6 * (np.array([0.0, 0.0, 1.0]) - s[:, 2:] * s), latitude)
    from_pole_clockwise = -q + (180 if south else 0)
    assert (up - (from_pole_clockwise - roll) + 180) % 360 - 180 == pytest.approx(0, abs=1e-3)


def test_rates_and_scale() -> None:
    assert rate_arcsec_s("solar") == 15.0
    assert rate_arcsec_s("none") == 0.0
    assert LENS.scale_arcsec_px == pytest.approx(2.02, abs=0.005)
    assert LENS.middle_px == (2999.5, 1999.5)


def test_angles_between_directions() -> None:
    first = unit_vector(0.0, 0.0)
    assert separation_deg(first, unit_vector(0.0, 180.0)) == pytest.approx(180)
    assert separation_deg(first, unit_vector(1e-6, 0.0)) == pytest.approx(1e-6, rel=1e-6)
    # From the equator's eastern horizon point, north is the pole at azimuth 0 and west is up.
    assert position_angle_deg(unit_vector(0.0, 90.0), unit_vector(0.0, 89.0), 0.0) == pytest.approx(0)
    assert position_angle_deg(unit_vector(0.0, 90.0), unit_vector(1.0, 90.0), 0.0) == pytest.approx(270)
