"""Which way is up: against the simulator's own geometry, and against vectors on the sky."""

from dataclasses import replace

import numpy as np
import pytest

from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import from_utc_s
from sentinel.jobs.simulate.world import World
from sentinel.jobs.steady import Attitude, Up, change_sigma_deg, responses, up_angles
from sentinel.sky import Optics, Orientation, axis_vector, in_mount_frame, pose_seeing, project
from sentinel.sky.arrays import Array
from tests.simulate.worlds import BINNED, midsummer

ROLL_DEG, AZIMUTH_DEG, ALTITUDE_DEG = 31.0, -1.4, 0.9


class Night:
    """A day of a made-up mount, whose attitude is known."""

    def __init__(self, latitude_deg: float) -> None:
        mount = {
            "roll_deg": ROLL_DEG, "azimuth_error_deg": AZIMUTH_DEG, "altitude_error_deg": ALTITUDE_DEG,
        }  # fmt: skip
        self.world = World(midsummer(latitude_deg=latitude_deg, mount=mount))
        times = self.world.scenario.start_s + np.arange(0, 86_400, 1800.0)
        self.times = times[self.world.sun.altaz_deg(times)[0] > 5]
        self.truth = self.world.at(self.times)
        self.settings = Settings.model_validate(
            {"site": self.world.scenario.site, "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 23.52}}
        )

    @property
    def frames(self) -> list[MeasuredFrame]:
        places = zip(self.times, self.truth.x_px, self.truth.y_px, strict=True)
        return [
            MeasuredFrame(
                frame="f", time_utc=from_utc_s(time), width_px=1500, height_px=1000,
                disc=Disc(found=True, x_px=float(x), y_px=float(y), radius_px=78.0),
            )
            for time, x, y in places
        ]  # fmt: skip

    def angles(self, up: Up, **doubts: float) -> tuple[Array, Array]:
        attitude = Attitude(
            roll_deg=ROLL_DEG, roll_sigma_deg=doubts.get("roll", 0.1),
            roll_share=doubts.get("share", 1.0), azimuth_error_deg=AZIMUTH_DEG,
            altitude_error_deg=ALTITUDE_DEG, axis_sigma_deg=doubts.get("axis", 0.0),
            scale_arcsec_px=self.world.optics.scale_arcsec_px,
        )  # fmt: skip
        frames = self.frames
        found = up_angles(frames, [attitude] * len(frames), up, self.settings, self.world.sun)
        return found.deg, found.sigma_deg

    def toward(self, pole: Array) -> Array:
        """Directions of a pole of the sky in the picture, clockwise from up, by a small step towards it."""
        sun, site = self.world.sun, self.world.scenario.site
        direction = sun.direction(self.times)
        axis = axis_vector(site.latitude_deg, AZIMUTH_DEG, ALTITUDE_DEG)
        optics = Optics(400.0, 23.52, BINNED.width_px, BINNED.height_px)
        south = site.latitude_deg < 0
        step = pole - (direction @ pole)[:, None] * direction
        mounted = in_mount_frame(direction, axis, 0.0, south=south)
        pose = pose_seeing(mounted, self.truth.x_px, self.truth.y_px, optics, roll_deg=ROLL_DEG)
        x, y = project(in_mount_frame(direction + 1e-5 * step, axis, 0.0, south=south), pose, optics)
        return np.degrees(np.arctan2(x - self.truth.x_px, self.truth.y_px - y))


@pytest.fixture(scope="module", params=[70.37, 45.0, -35.0])
def night(request: pytest.FixtureRequest) -> Night:
    return Night(request.param)


def off(first: Array, second: Array) -> Array:
    return np.abs((first - second + 180) % 360 - 180)


def test_the_zenith_is_where_the_simulator_has_it(night: Night) -> None:
    assert off(night.angles("zenith")[0], night.truth.zenith_deg).max() < 0.02


def test_celestial_north_is_the_way_to_the_north_pole(night: Night) -> None:
    latitude = np.radians(night.world.scenario.site.latitude_deg)
    pole = np.array([0.0, np.cos(latitude), np.sin(latitude)])
    # The air lifts the disc, and what is said of north is said of the sky without air.
    assert off(night.angles("celestial-north")[0], night.toward(pole)).max() < 0.1


def test_solar_north_is_p_counter_clockwise_of_celestial_north(night: Night) -> None:
    p = Orientation(night.world.sun).position_angle_deg(night.times)
    celestial, solar = (night.angles(up)[0] for up in ("celestial-north", "solar-north"))
    assert off(celestial - p, solar).max() < 1e-6


def test_as_the_camera_stores_it_nothing_is_turned_and_nothing_doubted(night: Night) -> None:
    angles, sigma = night.angles("camera", roll=50.0)
    assert not angles.any()
    assert not sigma.any()


def test_the_doubt_is_that_of_roll_and_axis(night: Night) -> None:
    # Off the frame's middle a roll turns the disc by up to a hundredth more or less.
    assert night.angles("zenith", roll=0.2)[1] == pytest.approx(0.2, rel=0.015)
    assert night.angles("zenith", roll=0.2, axis=0.3)[1].min() > 0.36


def test_what_the_session_does_not_tell_is_infinitely_doubted(night: Night) -> None:
    angles, sigma = night.angles("solar-north", share=0.7)
    assert np.isinf(sigma).all()
    assert not angles.any()


def test_a_frame_without_a_disc_is_turned_as_its_neighbours(night: Night) -> None:
    frames = night.frames
    attitude = Attitude(
        ROLL_DEG, 0.1, 1.0, AZIMUTH_DEG, ALTITUDE_DEG, 0.0, night.world.optics.scale_arcsec_px
    )
    blind = [
        MeasuredFrame(
            frame="f", time_utc=frame.time_utc, width_px=1500, height_px=1000, disc=Disc(found=False)
        )
        for frame in frames
    ]
    found = up_angles(blind, [attitude] * len(blind), "zenith", night.settings, night.world.sun)
    assert off(found.deg, night.truth.zenith_deg).max() < 1.5


def test_up_turns_with_roll_and_axis_as_the_responses_say(night: Night) -> None:
    scale = night.world.optics.scale_arcsec_px
    one = Attitude(ROLL_DEG, 0.1, 1.0, AZIMUTH_DEG, ALTITUDE_DEG, 0.1, scale)
    other = Attitude(ROLL_DEG + 0.4, 0.1, 1.0, AZIMUTH_DEG - 0.3, ALTITUDE_DEG + 0.5, 0.1, scale)
    before, after = (
        up_angles(night.frames, [each] * len(night.frames), "zenith", night.settings, night.world.sun).deg
        for each in (one, other)
    )
    response = responses(night.frames, one, night.settings, night.world.sun)
    assert off(after, before).max() > 0.3
    assert off(after, before + response @ (0.4, -0.3, 0.5)).max() < 0.01
    # An axis that is off turns the disc to and fro over the day: its mean is no roll.
    assert np.ptp(response[:, 0]) < 0.02
    assert np.ptp(response[:, 2]) > 0.3


def test_two_frames_of_one_attitude_are_turned_alike_far_better_than_either_is_known(night: Night) -> None:
    attitude = Attitude(
        ROLL_DEG, 0.5, 1.0, AZIMUTH_DEG, ALTITUDE_DEG, 0.01, night.world.optics.scale_arcsec_px
    )
    turned = replace(attitude, roll_deg=ROLL_DEG + 180)
    asked = night.settings, night.world.sun
    frames = [night.frames[0], night.frames[4]]
    assert change_sigma_deg(frames, [attitude] * 2, *asked) < 0.022
    assert change_sigma_deg(frames, [attitude, turned], *asked) == pytest.approx(0.5 * 2**0.5, rel=0.02)
