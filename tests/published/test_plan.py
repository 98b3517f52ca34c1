"""A trip's plan against published values and another library's almanac.

Status: "primary" - the source seen; "second-hand" - quoted from it; "from memory"; "computed" - by other
means than ours, not published; "common practice, no source".
"""

import warnings
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time
from skyfield import almanac
from skyfield.api import Loader, wgs84
from skyfield_data import get_skyfield_data_path

from sentinel.core.times import from_utc_s, parse_utc, utc_s
from sentinel.jobs.plan.sunlight import sunlight
from sentinel.sky import Sun
from tests.plan.trips import planned, settings, trip
from tests.sky.by_astropy import quiet

RNG = np.random.default_rng(27)
CASES = [
    (float(latitude), float(longitude), int(day))
    for latitude, longitude, day in zip(
        np.degrees(np.arcsin(RNG.uniform(-0.94, 0.94, 12))),
        RNG.uniform(-180, 180, 12),
        RNG.integers(0, 365 * 10, 12),
        strict=True,
    )
]


@pytest.fixture(scope="module")
def sky() -> Iterator[Any]:
    """skyfield with JPL's DE421."""
    with warnings.catch_warnings():
        # The package warns that its Earth-rotation file grows old; only its ephemeris is used here.
        warnings.simplefilter("ignore", RuntimeWarning)
        load = Loader(get_skyfield_data_path(), verbose=False)
    bodies = load("de421.bsp")
    yield load.timescale(builtin=True), bodies
    bodies.close()


@pytest.mark.parametrize(("latitude_deg", "longitude_deg", "day"), CASES)
def test_rising_and_setting_are_those_of_another_almanac(
    sky: Any, latitude_deg: float, longitude_deg: float, day: int
) -> None:
    """skyfield's almanac at random times and places (computed): upper limb, 34' of refraction, 16' of radius.

    Our refraction is 34.5' (Bennett 1982, primary: 34.5'), our radius the day's own: an arcminute in all.
    """
    scale, bodies = sky
    begin = parse_utc("2015-01-01T00:00:00Z") + timedelta(days=day)
    end = begin + timedelta(days=2)
    told = settings(latitude_deg, longitude_deg, site={"pressure_hpa": 1010.0, "temperature_c": 10.0})
    found = sunlight(Sun(told.site), trip(begin.isoformat(), end.isoformat(), told))
    place = bodies["earth"] + wgs84.latlon(latitude_deg, longitude_deg)
    between = scale.from_datetime(begin), scale.from_datetime(end)
    rises, rose = almanac.find_risings(place, bodies["sun"], *between)
    sets, went = almanac.find_settings(place, bodies["sun"], *between)
    ours_rise = [s.from_utc for s in found.stretches if s.rises]
    ours_set = [s.to_utc for s in found.stretches if s.sets]
    assert len(ours_rise) == rose.sum()
    assert len(ours_set) == went.sum()
    slowest = (
        60 / max(np.cos(np.radians(latitude_deg)) ** 2 - np.sin(np.radians(23.44)) ** 2, 0.02) ** 0.5 / 15
    )
    for ours, theirs in zip(ours_rise + ours_set, [*rises[rose], *sets[went]], strict=True):
        assert abs((ours - theirs.utc_datetime()).total_seconds()) < 1.1 * slowest


def test_the_worked_example_of_the_solar_position_algorithm() -> None:
    """Reda & Andreas, NREL/TP-560-34302 (2008), table A5.1: 06:12:43, 11:46:04, 17:20:19 (from memory).

    Local time, UTC-7, at 39.742476 N, 105.1786 W, refraction 34' whatever the air. All three belong to the
    day 2003-10-17 of UT, so that the sunset is that of the local evening before.
    """
    told = settings(39.742476, -105.1786, site={"pressure_hpa": 1010.0, "temperature_c": 10.0})
    found = sunlight(Sun(told.site), trip("2003-10-17", "2003-10-17", told))
    evening, day = found.stretches
    assert abs(evening.to_utc - parse_utc("2003-10-17T00:20:19Z")) < timedelta(seconds=10)
    assert abs(day.from_utc - parse_utc("2003-10-17T13:12:43Z")) < timedelta(seconds=10)
    # The highest is looked for to the minute.
    assert abs(found.days[0].highest_utc - parse_utc("2003-10-17T18:46:04Z")) < timedelta(minutes=1.5)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "first", "last"),
    [
        # 71 degrees 10 minutes north, and 69 degrees 39 minutes north: what travellers are told, from memory.
        (71.17, 25.78, "2026-05-14", "2026-07-29"),
        pytest.param(69.65, 18.96, "2026-05-20", "2026-07-22", marks=pytest.mark.slow),
    ],
)
def test_the_midnight_sun_comes_and_goes_on_the_published_dates(
    latitude_deg: float, longitude_deg: float, first: str, last: str
) -> None:
    """The whole disc above a flat horizon the whole night; the published dates are on the safe side."""
    told = settings(latitude_deg, longitude_deg)
    for day, sign in ((first, 1), (last, -1)):
        published = parse_utc(f"{day}T00:00:00Z")
        days = timedelta(days=5)
        around = trip((published - days).isoformat(), (published + days).isoformat(), told)
        stretches = sunlight(Sun(told.site), around).stretches
        whole = stretches[-1] if sign > 0 else stretches[0]
        edge = whole.cut[-1].to_utc if sign > 0 else whole.cut[0].from_utc
        assert timedelta(days=-0.5) < sign * (published - edge) < timedelta(days=2.5)


def test_the_day_at_the_equator() -> None:
    """12 h 6 to 7 min all year (published everywhere): 34' and 16' at both ends, 15 degrees an hour."""
    found = sunlight(Sun(settings(0.0, 0.0).site), trip("2026-03-20", "2026-03-20", settings(0.0, 0.0)))
    assert found.sun_h * 60 == pytest.approx(12 * 60 + 6.7, abs=0.5)


def test_a_stop_of_the_mount_by_plain_division() -> None:
    """400 mm, 3.92 um, 6000 px: 409 px a minute, the limb after 6.2 min, the disc gone after 8.5 min.

    Computed: the sky turns 15.0 arcsec a second, at declination 23.43 times its cosine; the sun's radius at
    aphelion, 943.9 arcsec (959.63 at 1 au; published, Auwers), on 2.0214 arcsec a pixel.
    """
    scale = 206_264.806 * 3.92e-3 / 400
    px_min = 15.0 * 60 * np.cos(np.radians(23.43)) / scale
    radius_px = 959.63 / 1.0163 / scale
    by_hand = [px_min, (3000 - radius_px) / px_min, (3000 + radius_px) / px_min]
    assert by_hand == pytest.approx([409, 6.2, 8.5], rel=0.005)
    plan = planned(settings(), "2027-06-21", "2027-06-21")
    along = plan.picture.stops[0]
    assert plan.picture.moves_px_min is not None
    found = [plan.picture.moves_px_min, along.limb_touches_min, along.disc_gone_min]
    assert found == pytest.approx(by_hand, rel=0.005)


def test_the_field_and_the_disc() -> None:
    """The frame's tangent; the sun's radius on 17 June, 15'44.61" (Almanac 2013, C13, second-hand)."""
    picture = planned(settings(), "2027-06-17", "2027-06-17").picture
    assert picture.field is not None
    assert picture.field.width_deg == pytest.approx(2 * np.degrees(np.arctan(11.76 / 400)), rel=1e-9)
    assert picture.field.height_deg == pytest.approx(2 * np.degrees(np.arctan(7.84 / 400)), rel=1e-9)
    assert picture.disc_most_px * picture.scale_arcsec_px == pytest.approx(2 * 944.61, rel=2e-3)


def test_the_alignment_by_the_drift_law() -> None:
    """An error E makes the sun wander by a sine of amplitude E and the period of a day (Rowe 2002, primary).

    So, whichever way it is off, at worst by 2 E sin 45 within 6 h and by 2 E within 12 h or more. At the
    pole and without air nothing else moves it. What the short side has room for: half of it less the radius.
    """
    told = settings(90.0, 0.0, site={"pressure_hpa": 0.0})
    alignment = planned(told, "2027-06-21", "2027-06-21").alignment
    assert alignment is not None
    scale = 206_264.806 * 3.92e-3 / 400
    room_deg = (2000 - 959.63 / 1.0163 / scale) * scale / 3600
    worst = [row.axis_worst_deg for row in alignment.tolerances]
    # Sixteen directions, not all: the worst lies within 11 degrees of one of them, and cos 11 is 0.98.
    assert worst[:3] == pytest.approx([room_deg / 2**0.5, room_deg / 2, room_deg / 2], rel=0.025)


def test_the_star_rate_loses_about_a_degree_a_day() -> None:
    """Common practice, no source; computed: 0.98565 degrees a day, on the sky times cos(declination).

    And 13 s of time a day by which the true sun falls behind the mean one at the solstice (primary: 13.1 s).
    """
    told = settings(90.0, 0.0, mount={"tracking": "sidereal"}, site={"pressure_hpa": 0.0})
    alignment = planned(told, "2027-06-21", "2027-06-21").alignment
    assert alignment is not None
    scale = 206_264.806 * 3.92e-3 / 400
    room_deg = (3000 - 959.63 / 1.0163 / scale) * scale / 3600
    turn_deg_h = (0.98565 + 13.1 / 240) / 24
    by_hand = room_deg / np.cos(np.radians(23.43)) / turn_deg_h
    assert alignment.aligned_worst_h == pytest.approx(by_hand, rel=0.01)


def test_the_vertical_turns_by_21_degrees_either_way_at_70_north_and_by_50_at_45() -> None:
    """Computed: the greatest parallactic angle, sin q = cos(latitude) / cos(declination) (Meeus, ch. 14)."""
    for latitude_deg, tolerance_deg in ((70.0, 0.2), (45.0, 1.0)):
        picture = planned(settings(latitude_deg, 0.0), "2027-06-21", "2027-06-21").picture
        greatest = np.degrees(np.arcsin(np.cos(np.radians(latitude_deg)) / np.cos(np.radians(23.43))))
        assert picture.vertical_turns_deg == pytest.approx(2 * greatest, abs=tolerance_deg)


def test_noon_is_where_the_almanac_has_it(sky: Any) -> None:
    """skyfield's meridian transit (computed), at the solstice, when highest and meridian are the same."""
    scale, bodies = sky
    told = settings(47.0, 8.0)
    (day,) = sunlight(Sun(told.site), trip("2027-06-21", "2027-06-21", told)).days
    observer = bodies["earth"] + wgs84.latlon(47.0, 8.0)
    start = scale.from_datetime(from_utc_s(utc_s(parse_utc("2027-06-21T00:00:00Z"))))
    (noon,) = almanac.find_transits(observer, bodies["sun"], start, scale.tt_jd(start.tt + 1))
    assert abs((day.highest_utc - noon.utc_datetime()).total_seconds()) < 90


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "day", "sides"),
    [
        (-41.0, 175.0, "2026-12-20", {"north"}),
        (47.0, 8.9, "2026-06-20", {"south"}),
        (78.0, 16.0, "2026-06-20", {"south", "north"}),
    ],
)
def test_the_sun_on_the_meridian_and_below_the_horizon_by_astropy(
    latitude_deg: float, longitude_deg: float, day: str, sides: set[str]
) -> None:
    """astropy's AltAz without pressure (computed): on the meridian to 0.01 degrees, and how deep at night.

    At 41 south in midsummer the midnight sun is 90 - 41 - 23.4 = 25.6 degrees down: of a sun that is down no
    air bends the light.
    """
    plan = planned(settings(latitude_deg, longitude_deg), day, day)
    place = EarthLocation(lat=latitude_deg * units.deg, lon=longitude_deg * units.deg)

    def airless(times: list[datetime]) -> Any:
        with quiet():
            frame = AltAz(obstime=Time(times), location=place, pressure=0 * units.hPa)
            return get_body("sun", Time(times), place).transform_to(frame)

    due_deg = {"south": 180.0, "north": 0.0}
    azimuths = airless([passage.time_utc for passage in plan.meridian]).az.deg
    off = [(a - due_deg[p.side] + 180) % 360 - 180 for p, a in zip(plan.meridian, azimuths, strict=True)]
    assert off == pytest.approx([0.0] * len(off), abs=0.01)
    assert {passage.side for passage in plan.meridian} == sides
    turning = airless([p.time_utc + timedelta(minutes=1) for p in plan.meridian]).az.deg
    moved = [abs((b - a + 180) % 360 - 180) for a, b in zip(azimuths, turning, strict=True)]
    assert [p.turns_deg_min for p in plan.meridian] == pytest.approx(moved, rel=0.01)
    deep = [d for d in plan.sun.days if d.lowest_deg < -1]
    if deep:
        depths = airless([d.lowest_utc for d in deep]).alt.deg
        assert [d.lowest_deg for d in deep] == pytest.approx(depths.tolist(), abs=0.01)
        assert min(gap.lowest_deg for gap in plan.sun.gaps) == pytest.approx(min(depths), abs=0.02)
    if latitude_deg < 0:
        assert f"{deep[0].lowest_deg:.1f}" == "-25.6"
