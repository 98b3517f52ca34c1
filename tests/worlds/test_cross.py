"""The second world against the program's own geometry and against published figures: a test of both."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from sentinel.sky import Sun
from sentinel.sky.mount import Optics, axis_errors_deg, axis_vector, in_mount_frame, pose_seeing, project
from sentinel.sky.refraction import flattening, refraction_deg
from tests.worlds import mount
from tests.worlds.run import Run
from tests.worlds.sky import Air, Array, Overhead, bennett_arcmin
from tests.worlds.world import World

MIDSUMMER_S = 1_781_956_800.0  # 2026-06-20 12:00 UTC
HALF_A_YEAR_S = 183 * 86_400.0


def world_at(latitude_deg: float, **more: float) -> World:
    start_s = MIDSUMMER_S + (HALF_A_YEAR_S if latitude_deg < 0 else 0.0)
    return World(latitude_deg=latitude_deg, start_s=start_s, hours=24.0, ahead_h=0.0, **more)  # type: ignore[arg-type]


def programs_track(run: Run, azimuth_deg: float, altitude_deg: float) -> tuple[Array, Array]:
    """Return the track that the program's geometry draws for the same mount."""
    world, south = run.world, run.world.south
    optics = Optics(world.lens.focal_mm, world.lens.pitch_um, world.lens.width_px, world.lens.height_px)
    theta = np.radians(15.0 / 3600 * (run.times_s - world.start_s))
    axis = axis_vector(world.latitude_deg, azimuth_deg, altitude_deg)
    mounted = in_mount_frame(Sun(world.settings.site).middle_direction(run.times_s), axis, theta, south=south)
    # The program counts the roll from the visible pole, the chain of rotations from the northern one.
    roll = world.roll_deg + (180.0 if south else 0.0)
    pose = pose_seeing(mounted[0], run.ways[0].x_px[0], run.ways[0].y_px[0], optics, roll_deg=roll)
    return project(mounted, pose, optics)


@pytest.mark.parametrize("latitude_deg", [0.5, 45.0, 70.37, 85.0, -33.0, -60.0, -78.0])
@pytest.mark.parametrize("off", [(0.0, 0.0), (0.9, -0.6)])
def test_without_air_both_draw_the_same_track(latitude_deg: float, off: tuple[float, float]) -> None:
    """The ephemerides differ by 0.65" (UT1 by 0.3 s of arc, DE421 against astropy's own): 1.5" in a day."""
    world = world_at(latitude_deg, pressure_hpa=0.0, across_deg=off[0], along_deg=off[1], roll_deg=33.0)
    run = Run(world)
    x, y = programs_track(run, *run.axis_deg(0))
    apart = np.hypot(x - run.ways[0].x_px, y - run.ways[0].y_px) * world.lens.arcsec_px
    near = np.hypot(x - x[0], y - y[0]) < 20_000
    assert apart[near].max() < 1.5


@pytest.mark.parametrize("latitude_deg", [45.0, 70.37, -60.0])
def test_with_air_they_differ_by_their_formulas_alone(latitude_deg: float) -> None:
    """Saemundsson's refraction is 4 % above Bennett's high up: 6" at 20 degrees."""
    run = Run(world_at(latitude_deg))
    x, y = programs_track(run, 0.0, 0.0)
    apart = np.hypot(x - run.ways[0].x_px, y - run.ways[0].y_px) * run.world.lens.arcsec_px
    for above_deg, within_arcsec in ((10.0, 10.0), (3.0, 14.0), (0.5, 20.0)):
        assert apart[run.seen.altitude_deg > above_deg].max() < within_arcsec


def test_the_two_refractions_agree_as_their_authors_say() -> None:
    """Saemundsson's keeps to 0.1' of Bennett's first form, from which the corrected one differs by 0.06'."""
    true = np.array([0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 45.0, 80.0])
    lifted = Air().lift_deg(true, np.zeros(8)) - true
    assert np.abs(lifted - refraction_deg(true)).max() * 60 < 0.16


def test_refraction_at_the_horizon_is_bennetts() -> None:
    """Bennett 1982: 34.5' at 0 degrees, 1010 hPa and 10 C; 5.3' at 10 degrees (his table, from memory)."""
    assert bennett_arcmin(np.array([0.0]))[0] == pytest.approx(34.5, abs=0.1)
    assert bennett_arcmin(np.array([10.0]))[0] == pytest.approx(5.3, abs=0.1)


def test_the_sun_is_where_meeus_has_it() -> None:
    """Meeus, Astronomical Algorithms, example 25.b: 1992 October 13.0 TD, declination -7 deg 47' 01.74".

    Apparent and geocentric; seen from a pole the sun's parallax takes 8.8" cos(d) / 0.9977 off northwards.
    Time is held to a second here (a fixed TT - UTC), which is 0.01" of declination.
    """
    tt_less_utc_s = 69.184
    at_s = 718_934_400.0 - tt_less_utc_s
    pole = Overhead(90.0, 0.0, at_s - 3600, at_s + 3600)
    _, declination, distance = pole.equatorial(np.array([at_s]))
    geocentric = -(7 + 47 / 60 + 1.74 / 3600)
    flattened = 6356.752 / 6378.137
    parallax = 8.794 / 0.997_66 * np.cos(np.radians(geocentric)) * flattened / 3600
    assert declination[0] == pytest.approx(geocentric - parallax, abs=0.3 / 3600)
    assert distance[0] == pytest.approx(0.997_66, abs=1e-4)


@pytest.mark.parametrize("latitude_deg", [45.0, 78.0, 88.5, -45.0, -85.0])
def test_an_axis_off_on_the_sky_is_what_the_program_calls_it(latitude_deg: float) -> None:
    tripod = mount.misaligned(latitude_deg, 0.8, -0.5)
    azimuth, altitude = mount.axis_errors_deg(tripod, latitude_deg)
    pole = Rotation.from_rotvec(tripod).apply(mount.visible_pole(latitude_deg))
    theirs = axis_errors_deg(pole, latitude_deg)
    assert (float(azimuth[0]), float(altitude[0])) == pytest.approx(
        (float(theirs[0]), float(theirs[1])), abs=1e-9
    )
    # The same angle on the sky is a greater azimuth nearer to the pole's zenith.
    apart = np.degrees(np.arccos(pole @ mount.visible_pole(latitude_deg)))
    assert apart == pytest.approx(np.hypot(0.8, 0.5), abs=1e-3)
    if abs(latitude_deg) < 80:
        east_first = 0.8 / np.cos(np.radians(latitude_deg))
        assert abs(float(azimuth[0])) == pytest.approx(east_first, rel=0.06)
        assert float(altitude[0]) == pytest.approx(-0.5, abs=0.05)


@pytest.mark.parametrize("latitude_deg", [70.37, -60.0])
def test_the_air_flattens_the_disc_towards_the_zenith_by_what_the_program_says(latitude_deg: float) -> None:
    """In a lens that is true; of what the two refractions flatten they differ by 4 in 100."""
    run = Run(world_at(latitude_deg, roll_deg=33.0))
    high = np.flatnonzero(run.seen.altitude_deg > 4.0)
    oval = run.ovals_px(0, run.n)[:, high]
    radius = run.radius_px[high]
    flatter = 1 - flattening(run.seen.altitude_deg[high])
    assert 2 * np.hypot(*oval) / radius == pytest.approx(flatter, rel=0.04, abs=2e-4)
    raised = run.seen.enu + np.array([0.0, 0.0, 1e-3])
    x, y = mount.pictured(raised, run._setting(), run.world.lens, latitude_deg)
    zenith = np.arctan2(y - run.ways[0].y_px, x - run.ways[0].x_px)[high]
    long_axis = 0.5 * np.arctan2(oval[1], oval[0])
    low = run.seen.altitude_deg[high] < 25.0
    across = np.cos(long_axis - zenith)
    assert np.abs(across[low]).max() < 0.15
