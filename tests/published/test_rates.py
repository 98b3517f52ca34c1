"""Rates of the sky, the drive, the equation of time and the declination against published values.

Status: "primary" - the source seen; "from memory"; "computed" - by other means than ours, not published.
"""

from collections.abc import Callable

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, from_utc_s, parse_utc, utc_s
from sentinel.sky import Sun, axis_vector, in_mount_frame, rate_arcsec_s
from sentinel.sky.arrays import Array

GREENWICH = Sun(Site(latitude_deg=0.0, longitude_deg=0.0, pressure_hpa=0))


def at(text: str) -> float:
    return utc_s(parse_utc(text))


def test_the_mean_sidereal_rate() -> None:
    """Mean sidereal day 86164.09053083 s (Aoki et al. 1982; primary); ratio 1.002737909350795 (primary)."""
    assert rate_arcsec_s("sidereal") == pytest.approx(1_296_000 / 86_164.09053083, abs=5e-8)
    assert rate_arcsec_s("sidereal") == pytest.approx(15 * 1.002737909350795, abs=5e-8)


def test_the_mean_solar_rate_is_a_turn_a_day() -> None:
    assert rate_arcsec_s("solar") * DAY_S == 360 * 3600


def test_sidereal_less_solar() -> None:
    """0.0410686 arcsec/s, 147.85 arcsec/h, 0.98565 degrees a day: computed from the two."""
    difference = rate_arcsec_s("sidereal") - rate_arcsec_s("solar")
    assert difference == pytest.approx(0.0410686, abs=1e-7)
    assert difference * 3600 == pytest.approx(147.85, abs=0.01)
    assert difference * DAY_S / 3600 == pytest.approx(0.98565, abs=1e-5)


def test_the_mean_lunar_rate() -> None:
    """The mean lunar day is 24 h 50 min 28.3 s, from memory. The 14.685 of some drives is not its rate."""
    assert rate_arcsec_s("lunar") == pytest.approx(1_296_000 / (24 * 3600 + 50 * 60 + 28.3), abs=5e-4)
    assert abs(rate_arcsec_s("lunar") - 14.685) > 0.19


def test_a_drive_left_on_the_star_rate_loses_the_sun_by_about_a_degree_a_day() -> None:
    """Common practice, no source. The drive runs ahead, to the west, by 0.986 degrees of turn."""
    times = at("2026-06-14T00:00:00Z") + np.array([0.0, DAY_S])
    theta = np.radians(rate_arcsec_s("sidereal") / 3600) * (times - times[0])
    sun = Sun(Site(latitude_deg=60.0, longitude_deg=0.0, pressure_hpa=0))
    mounted = in_mount_frame(sun.direction(times), axis_vector(60.0), theta, south=False)
    along = np.degrees(np.arctan2(mounted[:, 1], mounted[:, 0]))
    # The sun falls behind, to the east, by 0.986 degrees and the day's change of the equation of time.
    assert np.diff(along)[0] == pytest.approx(-1.0, abs=0.08)


class TestEquationOfTime:
    def near(self, start: str, days: int, pick: Callable[[Array], np.intp]) -> tuple[float, str]:
        times = at(start) + DAY_S / 4 * np.arange(days * 4)
        seconds = GREENWICH.equation_of_time_s(times)
        best = int(pick(seconds))
        return float(seconds[best]), from_utc_s(times[best]).strftime("%m-%d")

    @pytest.mark.parametrize(
        ("year", "start", "pick", "computed", "published"),
        [
            # Published: tyge.de for February and November (primary); May and July from memory.
            (2024, "02-07", np.argmin, -(14 * 60 + 11.6), -(14 * 60 + 20)),
            (2025, "02-07", np.argmin, -(14 * 60 + 11.3), -(14 * 60 + 20)),
            (2026, "02-07", np.argmin, -(14 * 60 + 10.5), -(14 * 60 + 20)),
            (2025, "05-09", np.argmax, 3 * 60 + 40.3, 3 * 60 + 41),
            (2026, "05-09", np.argmax, 3 * 60 + 40.5, 3 * 60 + 41),
            (2025, "07-21", np.argmin, -(6 * 60 + 33.9), -(6 * 60 + 30)),
            (2024, "10-29", np.argmax, 16 * 60 + 27.2, 16 * 60 + 24),
            (2025, "10-29", np.argmax, 16 * 60 + 26.0, 16 * 60 + 24),
        ],
    )
    def test_its_four_turning_points(
        self, year: int, start: str, pick: Callable[[Array], np.intp], computed: float, published: float
    ) -> None:
        seconds, _ = self.near(f"{year}-{start}T00:00:00Z", 10, pick)
        # Computed with skyfield, DE421: 3 s. Round published values: 15 s.
        assert seconds == pytest.approx(computed, abs=1)
        assert seconds == pytest.approx(published, abs=15)

    @pytest.mark.parametrize(
        ("date", "seconds"),
        [("03-26", 18.1), ("06-19", -13.1), ("09-16", 21.3), ("12-22", -29.9)],
    )
    def test_the_solar_day_differs_from_24_hours(self, date: str, seconds: float) -> None:
        """Wikipedia, "Solar time" (a copy; primary): the day is shorter by 21.3 s on Sep 16 and so on."""
        noon = at(f"2025-{date}T12:00:00Z")
        gained = np.diff(GREENWICH.equation_of_time_s(noon + np.array([-DAY_S / 2, DAY_S / 2])))[0]
        assert gained == pytest.approx(seconds, abs=0.3)


class TestDeclination:
    def rates_arcmin_day(self, start: str, days: int) -> Array:
        times = at(start) + DAY_S * np.arange(days + 1)
        return np.diff(GREENWICH.declination_deg(times)) * 60

    def test_its_extremes(self) -> None:
        """23.44 degrees either way (published everywhere); 2025: +23.4379, -23.4382, computed."""
        june = GREENWICH.declination_deg(at("2025-06-20T00:00:00Z") + 3600 * np.arange(72))
        december = GREENWICH.declination_deg(at("2025-12-20T00:00:00Z") + 3600 * np.arange(72))
        # Parallax of up to 8.8" is in the topocentric place: 0.0024 degrees, here by the day's mean.
        assert june.max() == pytest.approx(23.4379, abs=0.0025)
        assert december.min() == pytest.approx(-23.4382, abs=0.0025)

    def test_its_greatest_rates(self) -> None:
        """About 24' a day (primary); +23.73' in March and -23.36' in September, computed."""
        march = self.rates_arcmin_day("2025-03-14T00:00:00Z", 10).max()
        september = self.rates_arcmin_day("2025-09-19T00:00:00Z", 10).min()
        assert march == pytest.approx(23.73, abs=0.05)
        assert september == pytest.approx(-23.36, abs=0.05)
        assert march * 60 / 24 == pytest.approx(59.3, abs=0.15)
        assert abs(september) * 60 / 24 == pytest.approx(58.4, abs=0.15)

    def test_it_stands_still_at_the_solstices(self) -> None:
        """At most 0.21' a day within half a day, growing by 0.41' a day each day: computed."""
        june = self.rates_arcmin_day("2026-06-19T00:00:00Z", 5)
        assert np.abs(june).min() < 0.21
        assert np.diff(june) == pytest.approx(-0.41, abs=0.03)
