"""The whole track against one mount: an invented session's truth comes out, re-centrings are found."""

import dataclasses
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from sentinel.chain.forecast.geometry import NO_SLOW_CHANGE, Geometry, Points
from sentinel.chain.intake.events import read_marks
from sentinel.chain.track import Context, parts_of
from sentinel.core.records import Mark, MeasuredFrame
from sentinel.core.settings import Settings, load_settings
from sentinel.core.tables import read_measurements
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.report.record import Columns, columns_of
from sentinel.jobs.report.track_fit import TrackFit, fit_track, track_arcsec
from sentinel.sky import Optics, Sun
from tests.report.sessions import NOON, frame, settings

FIVE_DAYS = Path(__file__).parents[2] / "replay_data" / "five-days"


@lru_cache(maxsize=1)
def five_days() -> tuple[Columns, Settings, Sun, list[Mark], list[MeasuredFrame]]:
    given = load_settings([FIVE_DAYS / "config.yaml"])
    sun, frames = Sun(given.site), read_measurements(FIVE_DAYS / "measurements.ecsv")
    return columns_of(frames, sun), given, sun, read_marks(FIVE_DAYS / "marks.jsonl"), frames


def first_days(rows: int) -> Columns:
    """Return the begin of the five days: enough for what needs no more, and quicker."""
    columns = five_days()[0]
    return Columns(**{f.name: getattr(columns, f.name)[:rows] for f in dataclasses.fields(columns)})


@lru_cache(maxsize=1)
def all_explained() -> TrackFit:
    columns, _, _, marks, _ = five_days()
    return track(columns, marks)


def lens(given: Settings) -> Optics:
    return Optics(given.camera.focal_length_mm, given.camera.pixel_pitch_um, 1500, 1000)


def track(columns: Columns, marks: list[Mark]) -> TrackFit:
    _, given, sun, _, frames = five_days()
    parts = parts_of(frames[: len(columns)], marks, Context(given, sun))
    return fit_track(columns, lens(given), given, sun, parts=parts, forecasts=[], marks=marks)


def test_the_mount_comes_out_as_the_scenario_made_it() -> None:
    """From nothing but discs and marks; the scenario is replay_data/five-days.yaml."""
    found = all_explained()
    (mount,) = found.mounts
    points = mount.points
    assert float(points.azimuth_deg[0]) == pytest.approx(0.35, abs=0.02)
    assert float(points.altitude_deg[0]) == pytest.approx(-0.45, abs=0.02)
    rate = float(points.base_arcsec_s[0] * (1 + 1e-4 * points.rate[0]) / 15)
    assert rate - 1 == pytest.approx(-3e-5, abs=3e-5)
    assert np.degrees(float(points.roll_rad[0])) == pytest.approx(-3.5, abs=1.0)
    # The worm of 18" and the flexure of 14" are not the mount's geometry: they are what is left.
    assert 8 < np.median(found.off_arcsec[found.used]) < 25


def test_re_centrings_knock_and_snag_part_the_stretches() -> None:
    """By the scenario: unwindings at the marks, a knock on the 21st, a cable snagged that evening."""
    columns, _, _, _, frames = five_days()
    found = all_explained()
    begins = [
        f"{frames[int(np.flatnonzero(found.stretch == k)[0])].time_utc:%d %H:%M}"
        for k in range(found.stretch.max() + 1)
    ]
    assert begins == [
        "18 09:00", "19 07:30", "20 06:50", "21 05:50", "21 15:20", "21 23:33", "22 05:55", "23 05:30",
    ]  # fmt: skip
    lost = np.flatnonzero((found.stretch < 0) & columns.found)
    assert {f"{frames[i].time_utc:%d %H}" for i in lost} == {"21 23"}


def test_without_marks_the_same_stretches_are_found() -> None:
    columns, marks = first_days(3000), five_days()[3]
    found = track(columns, []).stretch
    assert found.max() == 2
    assert (found == track(columns, marks).stretch).all()


def test_residuals_are_in_the_picture_s_own_pixels() -> None:
    columns, marks = first_days(1500), five_days()[3]
    found = track(columns, marks)
    x = columns.x_px.copy()
    x[1000] += 3.0
    moved = track(dataclasses.replace(columns, x_px=x), marks)
    assert moved.residual_px[1000, 0] - found.residual_px[1000, 0] == pytest.approx(3.0, abs=0.05)
    assert moved.residual_px[1000, 1] - found.residual_px[1000, 1] == pytest.approx(0.0, abs=0.05)


def two_days(put_px: float, roll_deg: float = 4.0) -> TrackFit:
    """Return two days with a night between them, the disc put elsewhere in the night by so much."""
    given = settings(
        site={"latitude_deg": 46.0, "longitude_deg": 8.0},
        camera={"focal_length_mm": 400, "pixel_pitch_um": 23.52, "interval_s": 300},
    )
    sun, scale = Sun(given.site), given.camera.scale_arcsec_px
    times = utc_s(NOON) + np.concatenate([np.arange(0, 8, 1 / 12), np.arange(20, 32, 1 / 12)]) * 3600
    one, pose = np.zeros(1), np.zeros((1, 1))
    mount = Points(
        one + 15, one - 0.3, one + 0.6, one, one + np.radians(roll_deg), times[:1], pose, pose, NO_SLOW_CHANGE
    )
    along, poleward = Geometry(given.site, sun).poses_for(float(times[0]), np.zeros(2), mount)
    mount = dataclasses.replace(mount, along_deg=along[:, None], poleward_deg=poleward[:, None])
    same = np.zeros(len(times), dtype=np.intp)
    xy = track_arcsec(Geometry(given.site, sun), mount, times, same) / scale + [749.5, 499.5]
    xy += np.random.default_rng(3).normal(0, 0.3, xy.shape)
    xy[96:, 0] += put_px
    radius = np.asarray(sun.angular_radius_arcsec(times)) / scale
    frames = [
        dataclasses.replace(frame(0, x_px=x, y_px=y, radius_px=r), time_utc=from_utc_s(t))
        for (x, y), r, t in zip(xy, radius, times, strict=True)
    ]
    parts = parts_of(frames, [], Context(given, sun))
    return fit_track(columns_of(frames, sun), lens(given), given, sun, parts=parts, forecasts=[], marks=[])


def test_a_night_alone_parts_nothing_and_a_hand_in_the_night_does() -> None:
    untouched = two_days(0.0)
    assert set(untouched.stretch) == {0}
    points = untouched.mounts[0].points
    assert float(points.azimuth_deg[0]) == pytest.approx(-0.3, abs=0.02)
    assert float(points.altitude_deg[0]) == pytest.approx(0.6, abs=0.02)
    assert np.degrees(float(points.roll_rad[0])) == pytest.approx(4.0, abs=0.5)
    touched = two_days(40.0)
    assert touched.stretch.tolist() == [0] * 96 + [1] * 144
    assert np.median(touched.off_arcsec) < 10


@pytest.mark.parametrize("roll_deg", [45.0, 100.0, -138.0])
def test_no_roll_is_taken_for_another(roll_deg: float) -> None:
    """Without a forecast the camera may sit any way; a mirrored one explains the track nearly as well."""
    (mount,) = two_days(0.0, roll_deg).mounts
    assert mount.roll_deg == pytest.approx(roll_deg, abs=0.5)
    assert mount.azimuth_error_deg == pytest.approx(-0.3, abs=0.02)
