"""The sun and the moon against two independent libraries, at random times and places, without air.

skyfield with the DE421 ephemeris of skyfield-data (fitted by JPL to observations), and pvlib's SPA
(NREL/TP-560-34302). All three on the same UT1: pvlib takes the clock's time for it, so it is given UT1.
"""

import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from astropy.time import Time
from pvlib import spa
from skyfield.api import Loader, wgs84
from skyfield_data import get_skyfield_data_path

from sentinel.core.settings import Site
from sentinel.core.times import parse_utc, utc_s
from sentinel.sky import Eclipses, Moon, Sun, separation_deg, unit_vector
from sentinel.sky.arrays import Array
from sentinel.sky.ephemeris import moon_vectors_km, sun_vectors_km
from tests.sky.by_astropy import quiet

COUNT = 200
RNG = np.random.default_rng(20_260_621)
TIMES = RNG.uniform(utc_s(parse_utc("2010-01-01T00:00:00Z")), utc_s(parse_utc("2026-01-01T00:00:00Z")), COUNT)
# Evenly over the sphere, so that the poles are not crowded.
LATITUDES = np.degrees(np.arcsin(RNG.uniform(-1, 1, COUNT)))
LONGITUDES = RNG.uniform(-180, 180, COUNT)
ELEVATIONS = RNG.uniform(0, 4000, COUNT)
SITES = [
    Site(latitude_deg=latitude, longitude_deg=longitude, elevation_m=elevation, pressure_hpa=0)
    for latitude, longitude, elevation in zip(LATITUDES, LONGITUDES, ELEVATIONS, strict=True)
]


class JetPropulsionEphemeris:
    """skyfield's topocentric apparent directions (east, north, up)."""

    def __init__(self) -> None:
        with warnings.catch_warnings():
            # The package warns that its Earth-rotation file grows old; only its ephemeris is used here.
            warnings.simplefilter("ignore", RuntimeWarning)
            load = Loader(get_skyfield_data_path(), verbose=False)
        self.scale = load.timescale(builtin=True)
        self.bodies = load("de421.bsp")

    def time(self, utc_seconds: float) -> Any:
        return self.scale.tt_jd(float(Time(utc_seconds, format="unix").tt.jd))

    def direction(self, body: str, site: Site, utc_seconds: float) -> Array:
        place = wgs84.latlon(site.latitude_deg, site.longitude_deg, site.elevation_m)
        observer = self.bodies["earth"] + place
        altitude, azimuth, _ = (
            observer.at(self.time(utc_seconds)).observe(self.bodies[body]).apparent().altaz()
        )
        return unit_vector(altitude.degrees, azimuth.degrees)


@pytest.fixture(scope="module")
def jpl() -> Iterator[JetPropulsionEphemeris]:
    ephemeris = JetPropulsionEphemeris()
    yield ephemeris
    ephemeris.bodies.close()


@pytest.fixture(scope="module")
def ours() -> Array:
    # What the interpolation's knots are made of: a day of knots for each of 200 sites would take long.
    vectors = [sun_vectors_km(site, np.array([time]))[0] for site, time in zip(SITES, TIMES, strict=True)]
    return np.array([vector / np.linalg.norm(vector) for vector in vectors])


def test_the_interpolated_sun_is_the_one_checked_here(ours: Array) -> None:
    some = range(0, COUNT, 10)
    interpolated = np.array([Sun(SITES[i]).true_direction(TIMES[i]) for i in some])
    assert separation_deg(interpolated, ours[list(some)]).max() * 3600 < 0.02


def test_all_are_on_the_same_ut1(jpl: JetPropulsionEphemeris) -> None:
    """A hundredth of a second would be 0.15 arcsec."""
    with quiet():
        astropys = Time(TIMES, format="unix").delta_ut1_utc
    skyfields = np.array([jpl.time(time).dut1 for time in TIMES])
    assert astropys == pytest.approx(skyfields, abs=0.003)


def test_the_sun_against_skyfield(jpl: JetPropulsionEphemeris, ours: Array) -> None:
    theirs = np.array([jpl.direction("sun", s, t) for s, t in zip(SITES, TIMES, strict=True)])
    apart_arcsec = separation_deg(ours, theirs) * 3600
    assert apart_arcsec.max() < 2
    # What is left is polar motion, which skyfield leaves out, 0.5" at most.
    assert np.median(apart_arcsec) < 0.6


def test_the_sun_against_spa(ours: Array) -> None:
    with quiet():
        ut1_utc = Time(TIMES, format="unix").delta_ut1_utc
        tt_ut1 = (Time(TIMES, format="unix").tt.jd - 2_440_587.5) * 86_400 - (TIMES + ut1_utc)
    theirs = []
    for site, time, delta_t in zip(SITES, TIMES + ut1_utc, tt_ut1, strict=True):
        found = spa.solar_position(
            np.array([time]), site.latitude_deg, site.longitude_deg, site.elevation_m, 0, 10, delta_t, 0.5667
        )
        elevation, azimuth = found[3][0], found[4][0]
        theirs.append(unit_vector(elevation, azimuth))
    assert separation_deg(ours, np.array(theirs)).max() * 3600 < 5


def test_the_moon_against_skyfield(jpl: JetPropulsionEphemeris) -> None:
    """The analytical theory is good to about 10 arcsec (Meeus, ch. 47)."""
    some = list(zip(SITES, TIMES, strict=True))[:20]
    for site, time in some:
        (vector,) = moon_vectors_km(site, np.array([time]))
        apart = separation_deg(vector / np.linalg.norm(vector), jpl.direction("moon", site, time))
        assert apart * 3600 < 20


class TestEclipses:
    def test_the_greatest_eclipse_of_2017(self) -> None:
        """From memory: 36 58' N, 87 40' W, 2017-08-21 18:25:32 UT1, totality 2 min 40 s.

        With a smaller moon (k = 0.27228) than ours (0.27251): 3 s of totality.
        """
        sun = Sun(Site(latitude_deg=36 + 58 / 60, longitude_deg=-(87 + 40.3 / 60)))
        at_utc_s = utc_s(parse_utc("2017-08-21T18:25:32Z"))
        (eclipse,) = Eclipses(sun).between(at_utc_s - 3600, at_utc_s + 3600)
        assert eclipse.total
        assert eclipse.central is not None
        assert eclipse.maximum_s == pytest.approx(at_utc_s, abs=10)
        assert eclipse.central[1] - eclipse.central[0] == pytest.approx(160, abs=6)
        assert eclipse.altitude_deg == pytest.approx(64, abs=0.5)

    def test_contacts_against_skyfield(self, jpl: JetPropulsionEphemeris) -> None:
        site = Site(latitude_deg=70.37, longitude_deg=31.1, pressure_hpa=0)
        start = utc_s(parse_utc("2026-08-12T14:00:00Z"))
        (eclipse,) = Eclipses(Sun(site)).between(start, start + 6 * 3600)

        def overlap(time: float) -> float:
            apart = separation_deg(jpl.direction("sun", site, time), jpl.direction("moon", site, time))
            moon = Moon(site).angular_radius_arcsec(time) + Sun(site).angular_radius_arcsec(time)
            return float(moon - apart * 3600)

        # At the contacts the overlap vanishes; it grows by about half an arcsecond a second.
        for contact in (eclipse.first_contact_s, eclipse.last_contact_s):
            assert abs(overlap(contact)) < 12
