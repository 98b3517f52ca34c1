"""The sun's place and size against printed worked examples and almanacs.

Status of each value as far as seen: "primary" - the source itself; "second-hand" - quoted identically by
other libraries' tests, the page not seen; "from memory".
"""

import erfa
import numpy as np
import pytest
from astropy.time import Time

from sentinel.core.settings import Site
from sentinel.core.times import from_utc_s, parse_utc, utc_s
from sentinel.sky import SOLAR_RADIUS_KM, Sun, hour_angle_times_s, refraction_deg
from sentinel.sky.searching import crossings
from tests.sky.by_astropy import quiet

AU_KM = 149_597_870.7
EARTH_RADIUS_KM = 6378.137


class TestSpaWorkedExample:
    """Reda and Andreas, Solar Position Algorithm, NREL/TP-560-34302 (rev. 2008), table A5.1. Second-hand."""

    NOON = "2003-10-17T19:30:30Z"
    SITE = Site(
        latitude_deg=39.742476,
        longitude_deg=-105.1786,
        elevation_m=1830.14,
        pressure_hpa=820,
        temperature_c=11,
    )
    SUN = Sun(SITE)

    def when_ut1_is_the_examples_clock(self) -> float:
        # The example takes the clock's time for UT1. UT1 - UTC was -0.36 s that day.
        with quiet():
            return utc_s(parse_utc(self.NOON)) - float(Time(self.NOON[:-1]).delta_ut1_utc)

    def test_on_its_own_time_scale(self) -> None:
        time = self.when_ut1_is_the_examples_clock()
        altitude, azimuth = self.SUN.altaz_deg(time)
        # The algorithm's stated uncertainty is 0.0003 degrees.
        assert self.SUN.true_altitude_deg(time) == pytest.approx(39.872046, abs=3e-4)
        assert 90 - altitude == pytest.approx(50.11162, abs=3e-4)
        assert azimuth == pytest.approx(194.34024, abs=3e-4)
        assert self.SUN.declination_deg(time) == pytest.approx(-9.316179, abs=3e-4)
        assert self.SUN.hour_angle_deg(time) == pytest.approx(11.1063, abs=3e-4)

    def test_on_true_utc_the_azimuth_differs_by_ut1(self) -> None:
        azimuth = self.SUN.altaz_deg(utc_s(parse_utc(self.NOON)))[1]
        assert azimuth == pytest.approx(194.34024, abs=0.003)
        # 0.36 s of the earth's turning: 0.0020 degrees, computed.
        ut1_azimuth = self.SUN.altaz_deg(self.when_ut1_is_the_examples_clock())[1]
        assert ut1_azimuth - azimuth == pytest.approx(0.0020, abs=2e-4)

    def test_refraction(self) -> None:
        assert refraction_deg(39.872046, 820, 11) == pytest.approx(0.016332, abs=1e-6)

    def test_distance_and_equation_of_time(self) -> None:
        time = utc_s(parse_utc(self.NOON))
        zenith_cosine = np.sin(np.radians(self.SUN.true_altitude_deg(time)))
        geocentric_au = (self.SUN.distance_km(time) + EARTH_RADIUS_KM * zenith_cosine) / AU_KM
        assert geocentric_au == pytest.approx(0.9965422974, abs=1e-6)
        # Against an ephemeris 3 s.
        assert self.SUN.equation_of_time_s(time) == pytest.approx(14.641503 * 60, abs=3)

    def test_sunrise_transit_sunset(self) -> None:
        """Local 06:12:43, 11:46:04, 17:20:19 (UTC-7); these three from memory.

        The algorithm takes the events of the day of UT: its sunset is that of the evening before.
        """
        start = utc_s(parse_utc("2003-10-17T00:00:00Z"))
        # The report's rule: the centre at -0.8333 degrees, airless.
        passed = crossings(lambda t: self.SUN.true_altitude_deg(t) + 0.8333, start, start + 86_400, 300)
        (transit,) = hour_angle_times_s(self.SUN, 0.0, start, start + 86_400)
        times = [passed.times_s[1], transit, passed.times_s[0]]
        clock = [13 * 3600 + 12 * 60 + 43, 18 * 3600 + 46 * 60 + 4, 20 * 60 + 19]
        assert passed.rising.tolist() == [False, True]
        assert np.array(times) - start == pytest.approx(clock, abs=3)


def overhead(time_utc_s: float, latitude_deg: float) -> tuple[float, float, float]:
    """Return geocentric right ascension, declination (degrees) and distance (km) from our topocentric sun.

    For a site that has the sun in the zenith, so that parallax vanishes. What is left of the daily motion is
    its aberration, 0.32" cos(latitude) towards the east, taken off here.
    """
    longitude = -float(Sun(Site(latitude_deg=latitude_deg, longitude_deg=0)).hour_angle_deg(time_utc_s))
    site = Site(latitude_deg=latitude_deg, longitude_deg=(longitude + 180) % 360 - 180)
    sun = Sun(site)
    with quiet():
        time = Time(time_utc_s, format="unix")
        sidereal = np.degrees(erfa.gst06a(time.ut1.jd1, time.ut1.jd2, time.tt.jd1, time.tt.jd2))
    aberration = 0.32 / 3600 * np.cos(np.radians(latitude_deg))
    ascension = (sidereal + site.longitude_deg - sun.hour_angle_deg(time_utc_s) - aberration) % 360
    distance = sun.distance_km(time_utc_s) + EARTH_RADIUS_KM
    return float(ascension), float(sun.declination_deg(time_utc_s)), float(distance)


class TestApparentPlaces:
    """Meeus, Astronomical Algorithms, 2nd ed. 1998, and the Astronomical Almanac. Second-hand."""

    def test_meeus_example_25b(self) -> None:
        """1992 October 13.0 TD, p. 169: the book's short VSOP87, and the complete theory beside it."""
        tt = Time("1992-10-13", scale="tt")
        ascension, declination, distance = overhead(float(tt.unix), -7.7838)
        arcsec = 1 / 3600
        # Complete theory: right ascension 13h13m30.749s, declination -7 47' 01.74"; both from memory.
        assert ascension == pytest.approx(15 * (13 + 13 / 60 + 30.749 / 3600), abs=0.3 * arcsec)
        assert declination == pytest.approx(-(7 + 47 / 60 + 1.74 / 3600), abs=0.3 * arcsec)
        # The book's result, 13h13m30.763s and -7 47' 01.93", is itself 0.2" from the complete theory.
        assert ascension == pytest.approx(15 * (13 + 13 / 60 + 30.763 / 3600), abs=0.5 * arcsec)
        assert declination == pytest.approx(-(7 + 47 / 60 + 1.93 / 3600), abs=0.5 * arcsec)
        assert distance / AU_KM == pytest.approx(0.99760775, abs=2e-6)
        # Astronomical Almanac 1992, p. C16.
        assert ascension == pytest.approx(15 * (13 + 13 / 60 + 30.75 / 3600), abs=0.3 * arcsec)
        assert declination == pytest.approx(-(7 + 47 / 60 + 1.7 / 3600), abs=0.3 * arcsec)

    def test_astronomical_almanac_2013(self) -> None:
        """2013 June 17, 0h TT, pp. C12 and C13."""
        tt = Time("2013-06-17", scale="tt")
        ascension, declination, distance = overhead(float(tt.unix), 23.3744)
        arcsec = 1 / 3600
        assert ascension == pytest.approx(15 * (5 + 42 / 60 + 28.88 / 3600), abs=0.3 * arcsec)
        assert declination == pytest.approx(23 + 22 / 60 + 27.8 / 3600, abs=0.3 * arcsec)
        # Semi-diameter 15' 44.61" with the almanac's 696 000 km and small angles.
        assert np.degrees(696_000 / distance) * 3600 == pytest.approx(15 * 60 + 44.61, abs=0.01)


class TestSize:
    """The angular radius. Our convention is the canonical 959.63" at 1 au: see `SOLAR_RADIUS_KM`."""

    SUN = Sun(Site(latitude_deg=0.0, longitude_deg=0.0))

    def at(self, text: str) -> float:
        return float(self.SUN.angular_radius_arcsec(utc_s(parse_utc(text))))

    def test_the_convention(self) -> None:
        """959.63" at 1 au (Auwers; almanac pages); in length 695 990 km (Meftah et al. 2018, abstract)."""
        at_one_au = np.degrees(np.arcsin(SOLAR_RADIUS_KM / AU_KM)) * 3600
        assert at_one_au == pytest.approx(959.63, abs=0.01)

    @pytest.mark.parametrize(
        ("radius_arcsec", "source"),
        [
            (959.2312, "IAU 2015 resolution B3, 695 700 km; Prsa et al. 2016, AJ 152, 41; primary"),
            (960.12, "Emilio et al. 2012, transits of Mercury seen by MDI; abstract"),
            (959.86, "Meftah et al. 2014, transit of Venus, inflection point at 607.1 nm; abstract"),
        ],
    )
    def test_other_conventions_are_within_a_thousandth(self, radius_arcsec: float, source: str) -> None:
        assert np.degrees(np.arcsin(SOLAR_RADIUS_KM / AU_KM)) * 3600 == pytest.approx(
            radius_arcsec, rel=1e-3
        ), source

    def test_perihelion_and_aphelion(self) -> None:
        """16' 15.9" and 15' 43.9": 959.63" over the ephemeris distance of 2024 to 2026, computed."""
        perihelion, aphelion = self.at("2025-01-04T13:30:00Z"), self.at("2025-07-03T20:00:00Z")
        # A site on the equator is nearer than the centre by up to the Earth's radius: 0.04".
        assert perihelion == pytest.approx(975.92, abs=0.06)
        assert aphelion == pytest.approx(943.9, abs=0.08)
        assert perihelion / aphelion == pytest.approx(1.034, abs=5e-4)

    def test_it_changes_by_0_28_arcsec_a_day_at_most(self) -> None:
        days = utc_s(parse_utc("2025-01-01T00:00:00Z")) + 86_400.0 * np.arange(0, 366, 10)
        change = np.diff(self.SUN.angular_radius_arcsec(days)) / 10
        assert np.abs(change).max() == pytest.approx(0.28, abs=0.01)


def test_times_are_what_they_say() -> None:
    """The example's Julian day: 2452930.312847 (NREL/TP-560-34302)."""
    seconds = utc_s(parse_utc("2003-10-17T19:30:30Z"))
    assert seconds / 86_400 + 2_440_587.5 == pytest.approx(2452930.312847, abs=1e-6)
    assert from_utc_s(seconds).isoformat() == "2003-10-17T19:30:30+00:00"
