"""The generator itself: each thing that may befall a session does what its name says, and nothing else."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.worlds import happenings as h
from tests.worlds import rows, weather
from tests.worlds.mount import Setting, axis_errors_deg, pictured
from tests.worlds.run import Run
from tests.worlds.world import World

CALM = World(hours=4.0, ahead_h=2.0)
SKY_ARCSEC_S = 15.0 * np.cos(np.radians(23.4))


def speed_arcsec_s(run: Run, begin_h: float, end_h: float) -> float:
    i, k = run.index(begin_h), run.index(end_h)
    way = run.ways[-1]
    moved = np.hypot(way.x_px[k] - way.x_px[i], way.y_px[k] - way.y_px[i]) * run.world.lens.arcsec_px
    return float(moved / (run.times_s[k] - run.times_s[i]))


def test_a_perfect_mount_holds_the_disc_but_for_the_air() -> None:
    run = Run(CALM)
    assert speed_arcsec_s(run, 0.0, 4.0) < 0.01
    assert run.exit_s(0) == np.inf
    assert run.whole.all()


@pytest.mark.parametrize(("rate", "share"), [(0.0, 1.0), (-15.0, 2.0), (13.5, 0.1), (-3.0, 1.2)])
def test_a_drive_that_fails_lets_the_disc_go_at_the_skys_pace(rate: float, share: float) -> None:
    run = Run(CALM.with_happenings(h.Rate(at_h=1.01, arcsec_s=rate)))
    assert speed_arcsec_s(run, 0.0, 1.0) < 0.02
    assert speed_arcsec_s(run, 1.05, 1.15) == pytest.approx(share * SKY_ARCSEC_S, rel=0.02)


def test_a_stopped_disc_leaves_to_the_west_when_it_should() -> None:
    # Level with the equator in the north the picture's right is west; half a width less a radius is to go.
    run = Run(CALM.with_happenings(h.Rate(at_h=1.0, arcsec_s=0.0)))
    to_go_arcsec = 3000 * run.world.lens.arcsec_px - 944.5
    assert (run.exit_s(0) - run.times_s[run.index(1.0)]) == pytest.approx(to_go_arcsec / SKY_ARCSEC_S, abs=3)
    assert run.ways[0].x_px[run.index(1.05)] > 3100
    assert run.gone_s(0) > run.exit_s(0)


def test_south_of_the_equator_the_disc_leaves_to_the_west_too() -> None:
    south = replace(CALM, latitude_deg=-70.0, start_s=CALM.start_s + 183 * 86_400, roll_deg=180.0)
    run = Run(south.with_happenings(h.Rate(at_h=1.0, arcsec_s=0.0)))
    # The camera stands with the southern pole up: west is left.
    assert run.ways[0].x_px[run.index(1.05)] < 2900


def test_people_put_the_disc_where_they_mean_to() -> None:
    put = h.Put(at_h=1.0, to_px=(1500.0, 2500.0), turned_deg=90.0, lens=1.4, straight=1.0, marked="realigned")
    run = Run(replace(CALM, across_deg=0.8, along_deg=0.3).with_happenings(put))
    i, way = run.index(1.0), run.ways[-1]
    assert (way.x_px[i], way.y_px[i]) == pytest.approx((1500.0, 2500.0), abs=0.01)
    assert np.hypot(*run.axis_deg(0)) > 0.5
    assert np.hypot(*run.axis_deg(i)) < 1e-6
    radii = [frame.disc.radius_px for frame in (run.frames()[i - 1], run.frames()[i])]
    assert radii[1] / radii[0] == pytest.approx(1.4, rel=1e-3)
    assert [mark.kind for mark in run.marks] == ["realigned"]


def test_a_flip_over_the_pier_turns_the_picture_round() -> None:
    """Where the axis is off the disc goes on the other way in the picture, and nowhere else."""
    world = replace(CALM, across_deg=0.5)
    middle = world.lens.middle_px
    plain = Run(world.with_happenings(h.Put(at_h=1.0, to_px=middle)))
    flipped = Run(world.with_happenings(h.Put(at_h=1.0, to_px=middle, flip=True)))
    i = plain.index(2.0)
    offs = [(run.ways[-1].x_px[i] - middle[0], run.ways[-1].y_px[i] - middle[1]) for run in (plain, flipped)]
    assert np.hypot(*offs[0]) > 50
    assert offs[1] == pytest.approx((-offs[0][0], -offs[0][1]), abs=0.5)


def test_slack_lets_the_disc_go_and_no_further() -> None:
    middle = CALM.lens.middle_px
    put = h.Put(at_h=1.0, to_px=middle)
    tight, loose = (
        Run(CALM.with_happenings(one)).ways[-1]
        for one in (put, replace(put, slack_arcsec=120.0, slack_share=0.5))
    )
    i = Run(CALM).index(1.0)
    off = np.hypot(loose.x_px - tight.x_px, loose.y_px - tight.y_px) * CALM.lens.arcsec_px
    assert off[i] == pytest.approx(0.0, abs=0.01)
    assert off[i + 1] == pytest.approx(120.0 * np.cos(np.radians(23.4)), rel=0.01)
    assert off[i + 60] == pytest.approx(off[i + 1], abs=0.5)

    # West, as a drive that stands lets it: the picture's right, level with the equator in the north.
    assert loose.x_px[i + 1] > tight.x_px[i + 1]


def test_a_camera_turned_to_the_suns_own_angles_has_it_in_the_middle() -> None:
    lens, seen = CALM.lens, Run(replace(CALM, pressure_hpa=0.0)).seen
    setting = Setting(np.zeros(3), seen.hour_angle_deg, seen.declination_deg)
    x, y = pictured(seen.enu, setting, lens, CALM.latitude_deg)
    assert np.hypot(x - lens.middle_px[0], y - lens.middle_px[1]).max() < 0.01
    # A lens that looks half a degree east of where it should has it half a degree west.
    x, _ = pictured(seen.enu, replace(setting, cone_deg=0.5), lens, CALM.latitude_deg)
    declined = np.cos(np.radians(seen.declination_deg))
    assert x - lens.middle_px[0] == pytest.approx(0.5 * 3600 / lens.arcsec_px * np.ones(len(x)), rel=1e-3)
    # A drive half a degree ahead has it east, by less the further the sun stands from the equator.
    ahead = replace(setting, drive_deg=seen.hour_angle_deg + 0.5)
    x, _ = pictured(seen.enu, ahead, lens, CALM.latitude_deg)
    assert lens.middle_px[0] - x == pytest.approx(0.5 * 3600 / lens.arcsec_px * declined, rel=1e-3)


def test_the_disc_is_as_large_as_almanacs_have_it() -> None:
    """15' 44" at aphelion, 16' 16" at perihelion (Astronomical Almanac); the white-light limb 0.3" more."""
    july, january = datetime(2026, 7, 6, tzinfo=UTC), datetime(2026, 1, 3, tzinfo=UTC)
    for day, arcsec in ((july, 943.9), (january, 975.9)):
        run = Run(replace(CALM, start_s=day.timestamp(), hours=0.1, ahead_h=0.0))
        assert run.seen.radius_arcsec[0] == pytest.approx(arcsec, abs=0.6)


def test_a_knock_and_a_slip_of_the_load_come_at_once_and_stay() -> None:
    lens = CALM.lens
    for one, axis_moves in (
        (h.Knock(at_h=1.01, turn_deg=(0.1, 0.0, 0.0)), True),
        (h.Jump(at_h=1.01, drive_deg=0.08, declination_deg=0.08), False),
    ):
        run = Run(CALM.with_happenings(one))
        way, i = run.ways[0], run.index(1.0)
        jump = np.hypot(way.x_px[i + 1] - way.x_px[i], way.y_px[i + 1] - way.y_px[i]) * lens.arcsec_px
        assert 100 < jump < 400
        assert (np.hypot(*run.axis_deg(i + 1)) > 0.05) == axis_moves
        if not axis_moves:
            assert jump == pytest.approx(288 * np.hypot(1, np.cos(np.radians(23.4))), abs=2)
            assert speed_arcsec_s(run, 1.05, 3.0) < 0.02


def test_bolts_turned_by_the_error_take_it_away() -> None:
    run = Run(replace(CALM, across_deg=0.6, along_deg=0.4))
    i = run.index(2.0)
    azimuth, altitude = run.axis_deg(i)
    run.turn_axis(i, -azimuth, -altitude)
    assert np.abs(run.axis_deg(i)).max() < 0.01
    assert np.abs(run.axis_deg(0)).max() > 0.3


def test_light_fades_in_smoke_and_wind_shakes_and_focus_goes() -> None:
    smoke = h.Smoke(at_h=1.0, over_h=1.0, depth=1.0)
    gusts = h.Gusts(at_h=2.0, until_h=3.0, arcsec=20.0)
    focus = h.Focus(at_h=1.0, over_h=0.5, ratio=3.0)
    frames = Run(CALM.with_happenings(smoke, gusts, focus)).frames()
    assert frames[150].disc.brightness / frames[50].disc.brightness == pytest.approx(np.exp(-1), rel=0.1)
    x = np.array([frame.disc.x_px for frame in frames])
    assert np.std(x[130:170]) > 5 * np.std(x[80:120])
    widths = [frame.disc.edge_width_px for frame in frames]
    assert np.median(widths[100:]) > 1.5 * np.median(widths[:50])


def test_a_sinking_leg_moves_the_axis_at_its_pace() -> None:
    run = Run(CALM.with_happenings(h.Sink(at_h=1.0, deg_h=0.2, level_deg=90.0)))
    before, after = run.axis_deg(run.index(1.0)), run.axis_deg(run.index(3.0))
    assert after[1] - before[1] == pytest.approx(0.4, abs=1e-6)


def test_cloud_hides_and_the_clear_sky_does_not() -> None:
    spells = (weather.Spell("overcast", 1.0, 2.0), weather.Spell("thin", 2.0, 3.0))
    frames = Run(replace(CALM, spells=spells)).frames()
    found = np.array([frame.disc.found for frame in frames])
    assert found[:50].all()
    assert not found[75:105].any()
    assert found[-40:].all()


def test_a_filter_that_slips_is_brighter_and_never_dimmer() -> None:
    slips = h.Filter(at_h=1.0, over_min=5.0, gain=1.5, saturated=0.2)
    frames = Run(CALM.with_happenings(slips)).frames()
    before, after = frames[50].disc, frames[70].disc
    assert before.saturated_fraction == 0
    assert after.saturated_fraction == pytest.approx(0.2)
    assert after.brightness / before.brightness == pytest.approx(1.5, rel=0.05)


def test_the_sun_sets_behind_the_line_and_is_not_lost_by_it() -> None:
    world = replace(CALM, latitude_deg=50.0, longitude_deg=0.0, start_s=CALM.start_s + 5 * 3600, hours=6.0)
    run = Run(replace(world, extinction_mag=0.12))
    down = np.nonzero(run.above_deg < 0)[0][0]
    assert run.exit_s(0) == np.inf
    frames = run.frames()
    assert not any(frame.disc.found for frame in frames[down + 5 :])
    low = [frame.disc for frame in frames[down - 30 : down - 5] if frame.disc.found]
    assert low
    assert low[-1].brightness < 0.3 * frames[0].disc.brightness


def test_missing_frames_bursts_and_brackets() -> None:
    world = replace(CALM, missing_share=0.3, burst=3)
    frames = Run(world).frames()
    assert len(frames) == pytest.approx(3 * 0.7 * 241, rel=0.15)
    assert (frames[1].time_utc - frames[0].time_utc).total_seconds() == 2.0
    bracketed = Run(replace(CALM, brackets=(0.0, 2.0), exif=False)).frames()
    assert np.isnan(bracketed[0].exposure_s)
    assert bracketed[1].disc.brightness > 1.5 * bracketed[0].disc.brightness


@pytest.mark.parametrize("name", ["normal", "slip", "sink", "stopcloud", "lens", "zone", "brackets"])
def test_a_row_makes_the_same_session_twice(name: str) -> None:
    make = rows.ROWS[name].make
    world = make(3)
    assert world == make(3)
    assert world != make(4)
    if world.change_h is not None:
        assert 0 <= world.change_h < world.hours


def test_axes_set_by_day_are_off_alike_on_the_sky_and_by_more_azimuth_near_the_pole() -> None:
    worst = {}
    for latitude_deg in (45.0, 85.0, -85.0):
        worlds = [
            replace(CALM, latitude_deg=latitude_deg, across_deg=0.7 * np.sin(k), along_deg=0.7 * np.cos(k))
            for k in range(12)
        ]
        azimuths = [axis_errors_deg(world.tripod, latitude_deg)[0][0] for world in worlds]
        worst[latitude_deg] = np.abs(azimuths).max()
    assert worst[45.0] == pytest.approx(0.7 * np.sqrt(2), rel=0.03)
    assert worst[85.0] == pytest.approx(0.7 / np.cos(np.radians(85)), rel=0.03)
    assert worst[-85.0] == pytest.approx(worst[85.0], rel=1e-6)
