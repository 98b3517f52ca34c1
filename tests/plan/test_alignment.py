"""How good the mount must be: against a rotation written out here, and against plain trigonometry."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from sentinel.core.settings import Settings
from sentinel.jobs.plan.alignment import DIRECTIONS, off_pole_deg, starts
from sentinel.jobs.plan.picture import tripod
from sentinel.jobs.plan.records import Plan
from sentinel.sky import Sun, axis_vector, separation_deg
from sentinel.sky.arrays import Array
from tests.plan.trips import planned, settings, trip

BEGIN, END = "2027-06-18", "2027-06-20"
ROOM_LONG_PX, ROOM_SHORT_PX, SCALE = 3000 - 467.3, 2000 - 467.3, 3.92 / 400 * 206.264_806


@pytest.mark.parametrize("latitude_deg", [0.0, 47.0, 90.0, -35.0, -90.0])
def test_an_axis_is_as_far_off_as_it_is_said_to_be(latitude_deg: float) -> None:
    toward = np.linspace(0, 2 * np.pi, 9)
    for error_deg in (0.01, 1.0, 15.0):
        azimuth, altitude = off_pole_deg(latitude_deg, np.full(9, error_deg), toward)
        axis = axis_vector(latitude_deg, azimuth, altitude)
        assert separation_deg(axis, axis_vector(latitude_deg)) == pytest.approx(error_deg, abs=1e-6)
    if abs(latitude_deg) < 80:
        assert (azimuth[0], altitude[0]) == pytest.approx((0.0, 15.0), abs=1e-9)
        assert azimuth[2] > 0


def shortest_h(told: Settings, sun: Sun, start_s: float, error_deg: float, rate_ratio: float = 1.0) -> float:
    """Follow the sun step by step on axes off in 20 directions: own rotation, own projection."""
    times = start_s + np.arange(0.0, 48 * 3600 + 1, 240.0)
    seen = sun.middle_direction(times)
    height = sun.altaz_deg(times)[0]
    line = told.site.horizon[0][1] if told.site.horizon else 0.0
    pole = axis_vector(told.site.latitude_deg)
    across = np.cross(pole, [0.3, 0.5, 0.81])
    across /= np.linalg.norm(across)
    way = -1.0 if told.site.latitude_deg >= 0 else 1.0
    left = []
    for turn in np.linspace(0, 2 * np.pi, 20, endpoint=False) if error_deg else [0.0]:
        tilt = Rotation.from_rotvec(np.radians(error_deg) * Rotation.from_rotvec(turn * pole).apply(across))
        axis = tilt.apply(pole)
        angle = way * np.radians(15.0 / 3600 * rate_ratio) * (times - start_s)
        mounted: Array = Rotation.from_rotvec(-angle[:, None] * axis).apply(seen)
        ahead = mounted[0]
        up = axis - (axis @ ahead) * ahead
        up /= np.linalg.norm(up)
        aside = np.cross(ahead, up)
        focal = 400_000 / 3.92
        x, y = (focal * (mounted @ side) / (mounted @ ahead) for side in (aside, up))
        out = ((abs(x) > ROOM_LONG_PX) | (abs(y) > ROOM_SHORT_PX)) & (height > line)
        left.append(times[out.argmax()] - start_s if out.any() else np.inf)
    return min(left) / 3600


@pytest.mark.parametrize(
    ("latitude_deg", "line_deg"), [(70.37, 0.0), pytest.param(-44.0, 8.0, marks=pytest.mark.slow)]
)
def test_the_tolerance_is_where_a_track_followed_by_hand_leaves(latitude_deg: float, line_deg: float) -> None:
    told = settings(latitude_deg, 31.1, site={"horizon": [[0.0, line_deg]]})
    sun = Sun(told.site)
    alignment = planned(told, BEGIN, END).alignment
    assert alignment is not None
    begun = [start.now_s for start in starts(told, sun, trip(BEGIN, END, told))]
    for row in alignment.tolerances[:3:2]:
        assert row.axis_worst_deg is not None
        assert min(shortest_h(told, sun, s, row.axis_worst_deg * 0.95) for s in begun) >= row.stays_h * 0.99
        assert min(shortest_h(told, sun, s, row.axis_worst_deg * 1.06) for s in begun) < row.stays_h
    for stays in alignment.stays[2:]:
        by_hand = min(shortest_h(told, sun, s, stays.axis_error_deg) for s in begun)
        # Its directions are others, and so the worst of them is a little better or worse.
        assert (stays.worst_h or np.inf) == pytest.approx(by_hand, rel=0.06)


def test_a_perfect_mount_keeps_the_sun() -> None:
    alignment = planned(settings(90.0, 0.0), BEGIN, END).alignment
    assert alignment is not None
    assert alignment.aligned_worst_h is None


def test_the_rate_by_plain_trigonometry() -> None:
    told = settings(90.0, 0.0, site={"pressure_hpa": 0.0})
    alignment = planned(told, BEGIN, END).alignment
    assert alignment is not None
    turn_deg = ROOM_LONG_PX * SCALE / 3600 / np.cos(np.radians(23.43))
    for row in alignment.tolerances[:3]:
        expected = turn_deg / (15 * row.stays_h) - 13 / 86_400
        assert row.rate_worst_fraction == pytest.approx(expected, rel=0.02)
        assert row.axis_worst_deg is not None
        assert row.axis_usual_deg is not None
        assert row.axis_worst_deg <= row.axis_usual_deg


def test_longer_is_never_easier() -> None:
    alignment = planned(settings(47.0, 8.0), "2026-07-18", "2026-07-20").alignment
    assert alignment is not None
    worst = [row.axis_worst_deg or 0.0 for row in alignment.tolerances]
    assert worst == sorted(worst, reverse=True)
    assert [row.stays_h for row in alignment.tolerances][:2] == [6.0, 12.0]
    assert len(alignment.tolerances) == 5, "the longest stretch of sun is none of the round numbers"


def stops(plan: Plan) -> list[tuple[float, float]]:
    return [(stop.limb_touches_min, stop.disc_gone_min) for stop in plan.picture.stops]


def test_what_a_stop_leaves_on_the_short_side() -> None:
    """By plain division; the long side is among the published checks."""
    plan = planned(settings(), BEGIN, END)
    assert plan.picture.moves_px_min is not None
    minutes = [ROOM_SHORT_PX / 408.5, (2000 + 467.3) / 408.5]
    assert stops(plan)[1] == pytest.approx(minutes, rel=0.01)


def test_a_frame_smaller_than_the_disc() -> None:
    plan = planned(settings(), BEGIN, END, "800x600")
    assert plan.picture.field is not None
    assert not plan.picture.field.disc_fits
    assert (plan.alignment, plan.picture.stops) == (None, ())


def test_without_a_frame_what_hangs_on_it_is_left_out() -> None:
    plan = planned(settings(), BEGIN, END, None)
    assert (plan.alignment, plan.picture.field, plan.picture.stops) == (None, None, ())
    assert any("--frame" in line for line in plan.left_out)
    assert plan.picture.disc_most_px == pytest.approx(2 * 467.3, abs=1)


def test_a_tripod_is_recentred_instead() -> None:
    told = settings(mount={"tracking": "none"})
    plan = planned(told, BEGIN, END)
    assert plan.alignment is None
    assert plan.tripod is not None
    # On a level camera the sun goes askew: at noon along the width, at six o'clock most steeply.
    assert ROOM_LONG_PX / 410 * 0.99 <= plan.tripod.least_min <= plan.tripod.usual_min
    assert plan.tripod.usual_min <= ROOM_LONG_PX / 408 / np.cos(np.radians(22))
    assert tripod(told, Sun(told.site), trip(BEGIN, END, told, None), ()) is None


def test_starts_are_spread_over_day_and_trip() -> None:
    told = settings()
    begun = np.array([s.now_s for s in starts(told, Sun(told.site), trip("2027-06-18", "2027-06-22", told))])
    of_day = np.sort(begun % 86_400) / 3600
    assert len(begun) == 12
    assert np.diff(of_day).max() < 3
    assert len(np.unique(begun // 86_400)) >= 4
    assert DIRECTIONS >= 12
