"""Measurements without pixels: honest errors, and the same as measuring rendered frames."""

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from sentinel.chain.measure import measure
from sentinel.core.records import MeasuredFrame
from sentinel.jobs.simulate.events import Cap, ClockJump, CloudBank, DriveStop, FilterLost, Missing
from sentinel.jobs.simulate.exposures import exposures, file_names, orientations
from sentinel.jobs.simulate.files import encode_tinted8
from sentinel.jobs.simulate.picture import scene_of, tint_of
from sentinel.jobs.simulate.render import render
from sentinel.jobs.simulate.scene import Sunspot
from sentinel.jobs.simulate.synthesize import measured, plan_session, synthesize
from sentinel.sky.refraction import air_mass
from tests.simulate.worlds import BINNED, midsummer

COARSE = BINNED.model_copy(update={"interval_s": 600.0})


def errors_px(frames: list[MeasuredFrame], x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    return np.array([(f.disc.x_px - x, f.disc.y_px - y) for f, x, y in zip(frames, x_px, y_px, strict=True)])


def test_a_calm_session_is_all_discs() -> None:
    frames = synthesize(midsummer(hours=24))
    assert len(frames) == 1440
    assert all(f.disc.found and f.disc.limb_coverage == 1.0 for f in frames)
    assert all(b.time_utc - a.time_utc == timedelta(seconds=60) for a, b in pairwise(frames))


def test_errors_are_as_large_as_their_sigma_says() -> None:
    """Whole and cut discs alike: the root mean square of error over sigma is one."""
    for events in ((), (DriveStop(at=0.02),)):
        ratios = []
        for seed in range(16):
            work = plan_session(midsummer(*events, hours=0.2, seed=seed))
            frames = measured(work)
            error = errors_px(frames, work.truth.x_px, work.truth.y_px)
            sigma = np.array([f.disc.centre_sigma_px for f in frames])
            ratios.append((error / sigma[:, None])[work.seen.found])
        assert np.sqrt(np.mean(np.concatenate(ratios) ** 2)) == pytest.approx(1.0, abs=0.12)


def test_a_disc_that_is_cut_is_known_badly() -> None:
    work = plan_session(midsummer(DriveStop(at=0.05), hours=0.3))
    frames = [f for f in measured(work) if f.disc.found]
    cut = [f.disc for f in frames if f.disc.limb_in_frame < 0.6]
    assert cut
    assert min(d.centre_sigma_px for d in cut) > 1.5 * frames[0].disc.centre_sigma_px
    assert not measured(work)[-1].disc.found


def test_cap_filter_and_cloud_look_as_they_do() -> None:
    scenario = midsummer(
        Cap(at=0.5, until=0.6),
        FilterLost(at=1.0, until=1.1),
        CloudBank(at=1.5, until=1.8, transmission=1e-4, patchiness=0.1, edge_min=2),
        hours=2.0,
    )
    by_minute = synthesize(scenario)
    capped, bare, cloudy = by_minute[33].disc, by_minute[63].disc, by_minute[98].disc
    assert [capped.found, bare.found, cloudy.found] == [False, False, False]
    assert capped.brightness < 0.001
    assert (bare.brightness, bare.saturated_fraction) == (1.0, 1.0)
    assert 0 < cloudy.brightness < 0.05
    assert np.isnan(cloudy.x_px)
    assert cloudy.limb_coverage == cloudy.limb_in_frame == 0


def test_over_exposure_saturates() -> None:
    bright = midsummer(hours=0.1, camera=BINNED.model_copy(update={"level": 1.3, "tinted": False}))
    disc = synthesize(bright)[0].disc
    assert 0.5 < disc.saturated_fraction < 1


def test_missing_frames_are_missing() -> None:
    frames = synthesize(midsummer(Missing(at=0.5, until=0.75), hours=1.0))
    gaps = [(b.time_utc - a.time_utc).total_seconds() for a, b in pairwise(frames)]
    assert max(gaps) == 16 * 60
    assert len(frames) == 45
    assert frames[-1].frame.endswith("0045.JPG")


def test_the_camera_clock() -> None:
    camera = BINNED.model_copy(update={"clock_offset_s": 40.0, "clock_drift_s_day": 24.0})
    scenario = midsummer(ClockJump(at=1.0, step_s=-7.0), hours=2.0, camera=camera)
    true_s = exposures(scenario).utc_s
    off = np.array([f.time_utc.timestamp() for f in synthesize(scenario)]) - true_s
    assert off[0] == pytest.approx(0.0, abs=0.002)
    assert off[59] == pytest.approx(1.0, abs=0.02)
    assert off[61] == pytest.approx(1.0 - 7.0, abs=0.03)
    unknown = scenario.changed(camera=camera.model_copy(update={"clock_offset_known": False}))
    assert synthesize(unknown)[0].time_utc.timestamp() - true_s[0] == pytest.approx(40.0, abs=0.002)


def test_numbers_fall_back_after_9999() -> None:
    """DCF: four digits, 0001 to 9999, then a new folder; a full folder makes one too."""
    camera = BINNED.model_copy(update={"first_file": 9998, "first_folder": 104})
    names = file_names(midsummer(camera=camera), 4)
    assert names == (
        "DCIM/104FERNL/FERN9998.JPG",
        "DCIM/104FERNL/FERN9999.JPG",
        "DCIM/105FERNL/FERN0001.JPG",
        "DCIM/105FERNL/FERN0002.JPG",
    )
    camera = BINNED.model_copy(update={"first_file": 10, "files_per_folder": 2})
    assert file_names(midsummer(camera=camera), 5)[2:] == (
        "DCIM/101FERNL/FERN0012.JPG",
        "DCIM/101FERNL/FERN0013.JPG",
        "DCIM/102FERNL/FERN0014.JPG",
    )


def test_a_level_sensor_changes_its_mind_late() -> None:
    turning = np.array([0.0, 40, 48, 52, 60, 42, 38, 130, 145, -150, -60])
    assert orientations(turning) == [1, 1, 1, 8, 8, 8, 1, 8, 3, 3, 6]


def test_bracketed_exposures_take_turns() -> None:
    camera = BINNED.model_copy(update={"bracket_stops": (0.0, -2.0)})
    frames = synthesize(midsummer(hours=0.1, camera=camera))
    assert frames[1].exposure_s == pytest.approx(frames[0].exposure_s / 4)
    assert frames[1].disc.brightness == pytest.approx(frames[0].disc.brightness / 4, rel=0.02)


def test_the_same_seed_gives_the_same_measurements() -> None:
    scenario = midsummer(CloudBank(at=1.0, until=2.0), hours=3.0, seed=8)
    # As text: a number that is not known is like no other.
    assert repr(synthesize(scenario)) == repr(synthesize(scenario))
    assert repr(synthesize(scenario)[0]) != repr(synthesize(scenario.changed(seed=9))[0])


def test_like_measuring_the_rendered_frames() -> None:
    """The same numbers, within the errors of both, as rendering and measuring a low sun and thin cloud."""
    scenario = midsummer(
        CloudBank(at=11.0, until=13.0, transmission=0.5, patchiness=0.3),
        hours=12.5,
        mount={"altitude_error_deg": 0.3},
    )
    work = plan_session(scenario)
    invented, mass = measured(work), air_mass(work.truth.altitude_deg)
    for i in (0, 330, 645, 720):
        image = render(scene_of(scenario, work.truth, work.state, i))
        picture = Image.fromarray(encode_tinted8(image, tint_of(scenario, float(mass[i]))))
        seen = measure(np.asarray(picture.convert("L")), transfer="srgb", full_scale=255)
        made = invented[i].disc
        assert seen.found
        assert (seen.x_px, seen.y_px) == pytest.approx((made.x_px, made.y_px), abs=0.15)
        assert seen.radius_px == pytest.approx(made.radius_px, abs=0.3)
        assert seen.edge_width_px == pytest.approx(made.edge_width_px, rel=0.15)
        ovals = (seen.oval_cos2_px, seen.oval_sin2_px)
        assert ovals == pytest.approx((made.oval_cos2_px, made.oval_sin2_px), abs=0.2, nan_ok=True)
        assert seen.brightness == pytest.approx(made.brightness, rel=0.12)
        assert seen.limb_coverage == pytest.approx(made.limb_coverage, abs=0.1)


def test_spots_go_round_with_the_sun() -> None:
    """P and B0 of the middle of June from an almanac's table by hand: -8 degrees (2027-06-21), +1.6."""
    spot = Sunspot(latitude_deg=1.6, west_deg=0.0, radius=0.05)
    far = Sunspot(latitude_deg=0.0, west_deg=170.0, radius=0.05)
    work = plan_session(midsummer(hours=24.0, camera=COARSE, spots=(spot, far)))
    first, last = (scene_of(work.scenario, work.truth, work.state, i).sun for i in (0, 143))
    assert first is not None
    assert last is not None
    assert len(first.spots) == len(last.spots) == 1, "the far side is not seen"
    assert (first.spots[0].x, first.spots[0].y) == pytest.approx((0.0, 0.0), abs=0.01)
    # 13.2 degrees a day of the sun's mean synodic turn, and some tenths that the equator is faster.
    went = np.hypot(last.spots[0].x, last.spots[0].y)
    assert went == pytest.approx(np.sin(np.radians(13.2 + 0.37)), abs=0.005)
    # On a level sensor celestial north is up and west on the right; solar west lies P below it.
    toward = np.degrees(np.arctan2(last.spots[0].y, last.spots[0].x))
    assert toward == pytest.approx(8.0, abs=1.5)


@pytest.mark.parametrize("latitude_deg", [90.0, 68.0, 0.0, -0.01, -79.0, -90.0])
def test_any_place_on_earth(latitude_deg: float) -> None:
    scenario = midsummer(latitude_deg=latitude_deg, hours=24.0, camera=COARSE)
    frames = synthesize(scenario)
    assert len(frames) == 144
    found = [f for f in frames if f.disc.found]
    assert found
    assert all(f.disc.radius_px > 10 for f in found)
    assert len(found) == 144 or abs(latitude_deg) < 66


def test_a_sun_behind_the_camera_is_not_found() -> None:
    scenario = midsummer(DriveStop(at=0.1), hours=24.0, camera=COARSE)
    work = plan_session(scenario)
    assert np.isnan(work.truth.x_px).any()
    assert not any(f.disc.found for f in measured(work)[5:140])
    behind = int(np.argmax(np.isnan(work.truth.x_px)))
    assert render(scene_of(scenario, work.truth, work.state, behind)).max() < 0.01


def test_no_frames_at_all() -> None:
    assert synthesize(midsummer(Missing(at=0.0), hours=1.0)) == []
