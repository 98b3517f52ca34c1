"""What an axis off the pole does: exact vectors, published constants and rules of thumb.

Status: "computed" - by exact rotation of other hands, not published; "primary" - the source seen;
"second-hand" - quoted from it; "from memory". For stars; H is the hour angle, west positive.
"""

import numpy as np
import pytest

from sentinel.sky import (
    Optics,
    axis_vector,
    in_mount_frame,
    pose_seeing,
    project,
    rate_arcsec_s,
    separation_deg,
    unit_vector,
)
from sentinel.sky.arrays import Array

SIDEREAL = rate_arcsec_s("sidereal")
DECLINATIONS = (0.0, 23.44, -23.44)


def star(hour_angle_deg: Array, declination_deg: float, latitude_deg: float) -> Array:
    """Local unit vectors by the textbook (Meeus 13.5, 13.6)."""
    h, d, phi = np.radians(hour_angle_deg), np.radians(declination_deg), np.radians(latitude_deg)
    north = np.cos(phi) * np.sin(d) - np.sin(phi) * np.cos(d) * np.cos(h)
    up = np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)
    return np.stack(np.broadcast_arrays(-np.sin(h) * np.cos(d), north, up), axis=-1)


def drift(  # noqa: PLR0917 - a vector table's columns in its order
    latitude: float,
    errors_deg: tuple[float, float],
    hour_angle: float,
    declination: float,
    minutes: float,
    rate_arcsec_s_: float = SIDEREAL,
) -> tuple[float, float]:
    """Return how far north and west (arcsec) a star moves in the picture of a camera centred on it."""
    south = latitude < 0
    turn_deg = np.array([0.0, minutes * 60 * rate_arcsec_s_ / 3600])
    axis = axis_vector(latitude, *errors_deg)
    mounted, northern = (
        in_mount_frame(star(hour_angle + turn_deg, d, latitude), axis, np.radians(turn_deg), south=south)
        for d in (declination, declination + 0.001)
    )
    optics = Optics(1000.0, 1000 / 206_264.806_247 * 1000, 1, 1)  # a pixel is an arcsecond
    pose = pose_seeing(mounted[0], 0.0, 0.0, optics)
    x, y = project(mounted[1], pose, optics)
    # Along the sky's own north at the start, not the tilted axis's; west is to the right of north.
    north_x, north_y = np.array(project(northern[0], pose, optics)) / 3.6
    return float(x * north_x + y * north_y), float(-x * north_y + y * north_x)


HOUR_ANGLES = (-60.0, -30.0, 0.0, 30.0, 60.0)
VECTORS = [
    # latitude, (azimuth, altitude) error in arcmin, north drift in 10 min from each H.
    (50.0, (0, 10), (22.440, 12.624, -0.574, -13.619, -23.014)),
    (50.0, (10, 0), (-8.738, -14.784, -16.869, -14.434, -8.131)),
    (-35.0, (0, 10), (-22.440, -12.624, 0.574, 13.619, 23.014)),
    (-35.0, (10, 0), (-11.171, -18.861, -21.497, -18.373, -10.326)),
]
WESTWARD = [
    # the same in the north, for declinations 0, +23.44, -23.44
    ((0, 10), ((0.04, 5.45, -5.38), (0.04, 9.19, -9.12), (0.04, 10.47, -10.40), (0.04, 8.96, -8.89),
               (0.04, 5.06, -4.99))),
    ((10, 0), ((0.02, 5.76, -5.73), (0.02, 3.25, -3.22), (0.02, -0.12, 0.15), (0.02, -3.46, 3.49),
               (0.02, -5.87, 5.90))),
]  # fmt: skip


def degrees(arcmin: tuple[int, int]) -> tuple[float, float]:
    return arcmin[0] / 60, arcmin[1] / 60


class TestVectors:
    """Drift in 10 min on a sidereal drive, by exact rotation: computed."""

    @pytest.mark.parametrize(("latitude", "error", "northward"), VECTORS)
    def test_northward(self, latitude: float, error: tuple[int, int], northward: tuple[float, ...]) -> None:
        for hour_angle, expected in zip(HOUR_ANGLES, northward, strict=True):
            found = [drift(latitude, degrees(error), hour_angle, d, 10)[0] for d in DECLINATIONS]
            assert found == pytest.approx([expected] * 3, abs=0.005)

    @pytest.mark.parametrize(("error", "westward"), WESTWARD)
    def test_westward(self, error: tuple[int, int], westward: tuple[tuple[float, ...], ...]) -> None:
        for hour_angle, expected in zip(HOUR_ANGLES, westward, strict=True):
            found = [drift(50.0, degrees(error), hour_angle, d, 10)[1] for d in DECLINATIONS]
            assert found == pytest.approx(list(expected), abs=0.01)

    def test_finite_law(self) -> None:
        """Solar drive, altitude 1', H -30 to -15: 5.994" north by exact rotation and by closed form."""
        found, _ = drift(50.0, (0, 1 / 60), -30.0, 0.0, 60, rate_arcsec_s("solar"))
        assert found == pytest.approx(5.994, abs=0.01)
        closed = 60 * (np.cos(np.radians(15)) - np.cos(np.radians(30)))
        assert found == pytest.approx(closed, abs=0.01)

    def test_six_hours_to_the_meridian_show_the_whole_altitude_error(self) -> None:
        found, _ = drift(50.0, (0, 1 / 60), -90.0, 0.0, 90 * 3600 / SIDEREAL / 60)
        assert found == pytest.approx(60.0, abs=0.05)
        symmetrical, _ = drift(50.0, (0, 1 / 60), -40.0, 0.0, 80 * 3600 / SIDEREAL / 60)
        assert symmetrical == pytest.approx(0, abs=0.05)

    @pytest.mark.parametrize(
        ("latitude", "arcsec_min"), [(35, 0.2150), (45, 0.1856), (50, 0.1687), (60, 0.1313)]
    )
    def test_azimuth_error_on_the_meridian(self, latitude: float, arcsec_min: float) -> None:
        """0.2625 cos(latitude) arcsec/min for an arcminute."""
        found, _ = drift(latitude, (1 / 60, 0), 0.0, 0.0, 1)
        assert -found == pytest.approx(arcsec_min, abs=2e-4)

    def test_it_does_not_depend_on_declination(self) -> None:
        """Exact rotation, 5' across the hour circle, 1 min: 1.31258" at any declination. Also stated in 2001.

        (Astrophotography mailing list, March 2001; primary. The form with a cos(declination), as in Barrett's
        equation from memory, would be 9 % out for the sun at a solstice.)
        """
        for declination in (0.0, 23.44, -23.44, 45.0):
            found, _ = drift(50.0, (0, 5 / 60), -90.0, declination, 1)
            assert found == pytest.approx(1.31258, abs=3e-3)


class TestPublishedConstants:
    def worst_arcsec(self, error_arcmin: float, minutes: float, rate: float) -> float:
        """Northward drift centred on six hours from the meridian, where an altitude error shows most."""
        middle = -90.0
        start = middle - minutes * 60 * rate / 3600 / 2
        return drift(50.0, (0, error_arcmin / 60), start, 0.0, minutes, rate)[0]

    def test_rowe_2002(self) -> None:
        """D. Rowe, mailing list, January 2002 (primary): an error of 1 degree drifts at worst 15.7"/min."""
        assert self.worst_arcsec(60, 1, rate_arcsec_s("solar")) == pytest.approx(15.7, abs=0.05)
        assert self.worst_arcsec(60, 1, rate_arcsec_s("solar")) == pytest.approx(15.708, rel=2e-4)
        assert self.worst_arcsec(60, 1, SIDEREAL) == pytest.approx(15.751, rel=2e-4)

    def test_covington_1999(self) -> None:
        """Astrophotography for the Amateur, 2nd ed., appendix B (second-hand): 2' for 30 min give 15.7"."""
        assert self.worst_arcsec(2, 30, rate_arcsec_s("solar")) == pytest.approx(15.7, abs=0.05)
        assert self.worst_arcsec(2, 30, SIDEREAL) == pytest.approx(15.740, abs=0.01)

    def test_forum_2011(self) -> None:
        """A forum's example (primary): 25" in an hour are 95.5", or 1.6', of error."""
        assert self.worst_arcsec(95.5 / 60, 60, rate_arcsec_s("solar")) == pytest.approx(25, abs=0.1)

    def test_guide_and_popular_constant(self) -> None:
        """An amateurs' guide: 10' give 2.5"/min (primary). "3.81" arcmin for an arcsec/min (primary)."""
        assert self.worst_arcsec(10, 1, SIDEREAL) == pytest.approx(2.5, abs=0.15)
        assert self.worst_arcsec(10, 1, SIDEREAL) == pytest.approx(2.625, abs=0.002)
        assert 1 / self.worst_arcsec(1, 1, SIDEREAL) == pytest.approx(3.8093, abs=0.002)
        assert 1 / self.worst_arcsec(1, 1, rate_arcsec_s("solar")) == pytest.approx(3.8197, abs=0.002)

    def test_hook_1989(self) -> None:
        """R. N. Hook, J. Brit. Astron. Assoc. 99, as generalised on a mailing list, 2003 (second-hand).

        Error in degrees = 750 S cos(declination) / (T F A): trail S um, T min, F mm, A degrees from the guide
        star. Worked: 30 um, declination 0, 60 min, 1000 mm, 1 degree: 0.375 degrees; exact trail 29.90 um.
        """
        # Guided: turning of the field about the guide star, times the distance from it.
        latitude, error = 50.0, 0.375
        minutes = 60.0
        turn = np.array([0.0, minutes * 60 * SIDEREAL / 3600])
        start = -turn[1] / 2  # an altitude error turns the field most about the meridian
        axis = axis_vector(latitude, 0.0, error)
        guide, neighbour = (
            in_mount_frame(star(start + turn + h, d, latitude), axis, np.radians(turn), south=False)
            for h, d in ((0.0, 0.0), (0.0, 1.0))
        )
        optics = Optics(1000.0, 1.0, 1, 1)
        ends = []
        for moment in (0, 1):
            pose = pose_seeing(guide[moment], 0.0, 0.0, optics)
            ends.append(np.array(project(neighbour[moment], pose, optics)))
        trail_um = float(np.hypot(*(ends[1] - ends[0])))
        assert trail_um == pytest.approx(29.90, abs=0.1)
        assert 750 * trail_um / (minutes * 1000 * 1.0) == pytest.approx(error, rel=0.01)

    def test_barretts_signs(self) -> None:
        """F. Barrett, Measuring Polar Axis Alignment Error, 3rd ed. 2016 (openings seen, the rules there).

        A star on the meridian drifts north: axis too far west. An eastern star drifts north: axis too high.
        The other way about in the southern hemisphere or for a western star.
        """
        west, high = (-0.5, 0.0), (0.0, 0.5)
        assert drift(50, west, 0.0, 0.0, 5)[0] > 0
        assert drift(50, high, -70.0, 0.0, 5)[0] > 0
        assert drift(50, high, 70.0, 0.0, 5)[0] < 0
        # In the south "too far west" is clockwise, positive; there it drifts south on the meridian.
        assert drift(-35, (0.5, 0.0), 0.0, 0.0, 5)[0] < 0
        assert drift(-35, high, -70.0, 0.0, 5)[0] < 0
        assert drift(-35, high, 70.0, 0.0, 5)[0] > 0


class TestFactsOfTheTrade:
    """Common practice, no source."""

    @pytest.mark.parametrize("latitude", [70.37, 45.0, -35.0, -79.0])
    def test_the_axis_is_raised_to_the_latitude(self, latitude: float) -> None:
        expected = unit_vector(abs(latitude), 0.0 if latitude > 0 else 180.0)
        assert separation_deg(axis_vector(latitude), expected) == pytest.approx(0, abs=1e-6)
        # So raised, a star does not drift.
        assert drift(latitude, (0, 0), -30.0, 20.0, 60) == pytest.approx((0, 0), abs=1e-6)

    @pytest.mark.parametrize("hour_angle", [-90.0, 90.0])
    def test_sideways_means_azimuth_and_up_down_altitude_at_six_hours(self, hour_angle: float) -> None:
        """Where the rule holds: due east and west, at high latitudes, in summer (sensor level, equator)."""
        north_of_altitude, west_of_altitude = drift(70, (0, 0.5), hour_angle, 23.44, 10)
        north_of_azimuth, west_of_azimuth = drift(70, (0.5, 0), hour_angle, 23.44, 10)
        assert abs(north_of_altitude) > 8 * abs(west_of_altitude)
        assert abs(west_of_azimuth) > 8 * abs(north_of_azimuth)

    def test_on_the_meridian_it_is_the_other_way_round(self) -> None:
        north_of_altitude, west_of_altitude = drift(70, (0, 0.5), 0.0, 23.44, 10)
        north_of_azimuth, west_of_azimuth = drift(70, (0.5, 0), 0.0, 23.44, 10)
        assert abs(west_of_altitude) > 8 * abs(north_of_altitude)
        assert abs(north_of_azimuth) > 8 * abs(west_of_azimuth)

    @pytest.mark.parametrize("hour_angle", [-90.0, -45.0, 0.0, 45.0, 90.0])
    def test_near_an_equinox_sideways_drift_says_nothing(self, hour_angle: float) -> None:
        for errors in ((0.5, 0.0), (0.0, 0.5)):
            assert abs(drift(70, errors, hour_angle, 0.0, 10)[1]) < 2.0


def test_a_field_turns_with_the_error() -> None:
    """Tracked, not re-centred: omega E cos(H - Hp) cos(declination); computed. Here on the meridian."""
    error, minutes = 0.5, 10.0
    turn = np.array([0.0, minutes * 60 * SIDEREAL / 3600])
    for declination in DECLINATIONS:
        axis = axis_vector(50.0, 0.0, error)
        stars = [star(turn - turn[1] / 2, d, 50.0) for d in (declination, declination + 0.1)]
        here, above = (in_mount_frame(s, axis, np.radians(turn), south=False) for s in stars)
        optics = Optics(1000.0, 1.0, 1, 1)
        pose = pose_seeing(here[0], 0.0, 0.0, optics)
        dx, dy = np.subtract(project(above, pose, optics), project(here, pose, optics))
        angle = np.degrees(np.arctan2(dx, -dy))
        expected = np.radians(turn[1]) * error * np.cos(np.radians(declination))
        assert abs(angle[1] - angle[0]) == pytest.approx(expected, rel=0.02)
