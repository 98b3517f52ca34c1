"""Two clocks compared by the low sun's shape: as well as it says, and not where it cannot."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sentinel.chain.judge.low_sun import FEWEST, clock_difference, low_sun_in
from sentinel.core.other_cameras import ClockDifference, LowSunSeen
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.jobs.beside.page import clock_line
from sentinel.jobs.beside.sides import apart_km
from sentinel.jobs.simulate.synthesize import measured, plan_session
from sentinel.sky import Sun
from tests.simulate.worlds import FINE, midsummer

SETTING = datetime(2027, 6, 21, 15, tzinfo=UTC)
HERE = Site(latitude_deg=47.0, longitude_deg=15.0)
LENS, CORNER = 5e-4, 1e-3
"""Ovals of lenses' own, in radii, everywhere and more in a corner: one sigma."""


def camera(
    seed: int,
    ahead_s: float,
    *,
    latitude_deg: float = 47.0,
    start_utc: datetime = SETTING,
    hours: float = 3.5,
    air: tuple[float, float] = (0.0, 0.0),
    clouded: bool = False,
) -> list[LowSunSeen]:
    """A camera whose lens has an oval of its own, under air that flattens by more than is reckoned."""
    chance = np.random.default_rng(seed)
    own = FINE.model_copy(
        update={
            "clock_offset_s": ahead_s,
            "clock_offset_known": False,
            "focal_length_mm": chance.choice([300, 400, 600]),
        }
    )
    mount = {"roll_deg": chance.uniform(-180, 180), "azimuth_error_deg": 0.2, "altitude_error_deg": -0.1}
    scenario = midsummer(
        latitude_deg=latitude_deg, start_utc=start_utc, hours=hours, camera=own, mount=mount, seed=seed
    )
    plan = plan_session(scenario)
    truth, frames = plan.truth, measured(plan)
    lens, corner = (complex(*chance.normal(0, size, 2)) for size in (LENS, CORNER))
    parts = np.linspace(-1, 1, len(frames))
    for k, (frame, part) in enumerate(zip(frames, parts, strict=True)):
        disc = frame.disc
        off = complex(disc.x_px - (frame.width_px - 1) / 2, disc.y_px - (frame.height_px - 1) / 2)
        place = (off / (np.hypot(frame.width_px, frame.height_px) / 2)) ** 2
        more = truth.flattening[k] / 2 * (np.exp(air[0] + air[1] * part) - 1)
        oval = more * np.exp(2j * np.radians(truth.zenith_deg[k])) + lens + corner * place
        oval *= disc.radius_px
        told = np.nan if clouded and k % 20 else disc.oval_sigma_px
        frames[k] = replace(
            frame,
            disc=replace(
                disc,
                oval_cos2_px=disc.oval_cos2_px + oval.real,
                oval_sin2_px=disc.oval_sin2_px + oval.imag,
                oval_sigma_px=told,
            ),
        )
    # The camera's roll is told by its track to a degree.
    zenith_deg = truth.zenith_deg + chance.normal()
    times_s = np.array([utc_s(frame.time_utc) for frame in frames])
    sun = Sun(scenario.site)
    altitude_deg, later_deg = sun.altaz_deg(times_s)[0], sun.altaz_deg(times_s + 1)[0]
    rows = zip(
        frames, zenith_deg.tolist(), altitude_deg.tolist(), (later_deg - altitude_deg).tolist(), strict=True
    )
    return [low for row in rows if (low := low_sun_in(*row)) is not None]


@pytest.mark.parametrize(("seed", "ahead_s"), [(1, 16.4), (2, -41.0), (3, 0.0)])
def test_a_setting_sun_tells_to_two_seconds(seed: int, ahead_s: float) -> None:
    air = (0.15, -0.05)
    told = clock_difference(camera(seed, ahead_s, air=air), camera(100 + seed, 0.0, air=air), HERE)
    assert told.told
    assert told.sigma_s > 0.3, "no better than lenses allow"
    assert abs(told.ahead_s - ahead_s) < 2.5 * told.sigma_s
    assert told.pictures > 100
    assert told.km_s == pytest.approx(3.8, abs=0.3)  # 0.009 degrees at 0.0024 degrees a second


def test_whose_is_ahead_turns_round_with_the_order() -> None:
    one, other = camera(4, 30.0), camera(5, 0.0)
    there, back = clock_difference(one, other, HERE), clock_difference(other, one, HERE)
    assert there.ahead_s == pytest.approx(-back.ahead_s, abs=0.3 * there.sigma_s)
    assert there.ahead_s > 20


def test_a_sun_that_only_grazes_tells_less_and_says_so() -> None:
    graze = {"latitude_deg": 70.37, "start_utc": datetime(2027, 6, 21, 20, tzinfo=UTC), "hours": 4.0}
    told = clock_difference(camera(6, 20.0, **graze), camera(7, 0.0, **graze), HERE)  # type: ignore[arg-type]
    assert told.sigma_s > 4, "twice what a setting sun leaves open, of as many pictures"
    assert abs(told.ahead_s - 20.0) < 3 * told.sigma_s


def test_without_a_low_sun_or_pictures_of_it_nothing_is_known() -> None:
    noon = datetime(2027, 6, 21, 9, tzinfo=UTC)
    assert camera(8, 0.0, start_utc=noon, hours=2.0) == []
    clear, clouded = camera(8, 0.0), camera(9, 0.0, clouded=True)
    assert len(clouded) < FEWEST < len(clear), "that is no pass"
    for told in (clock_difference(clear, clouded, HERE), clock_difference([], clear, HERE)):
        assert not told.told
        assert np.isnan(told.ahead_s)


def test_how_far_apart_two_places_are() -> None:
    """A minute of latitude is a nautical mile, 1.852 km; along 60 degrees one of longitude is half that."""
    here = Site(latitude_deg=60.0, longitude_deg=10.0)
    north = Site(latitude_deg=60.0 + 1 / 60, longitude_deg=10.0)
    east = Site(latitude_deg=60.0, longitude_deg=10.0 + 1 / 60)
    assert apart_km(here, here) == 0.0
    assert apart_km(here, north) == pytest.approx(1.852, rel=0.005)
    assert apart_km(here, east) == pytest.approx(1.852 / 2, rel=0.005)


def test_what_is_said_of_it() -> None:
    known = ClockDifference(16.43, 1.79, 137, 3.8)
    said = clock_line(known, ("east", "west"))
    assert "in 137 pictures, the clock of east is 16.4 ± 1.8 s ahead of that of west (1-sigma" in said
    assert "a kilometre off passes for 4 s" in said
    assert "does not tell" in clock_line(replace(known, sigma_s=30.1), ("east", "west"))
    for ahead_s, sigma_s, sure in [
        (16.4, 1.8, True),
        (5.3, 1.8, False),
        (1.9, 0.3, False),
        (-80, 25, False),
        (-110, 25, True),
    ]:
        assert ClockDifference(ahead_s, sigma_s, 100, 4.0).sure is sure
    assert "does not tell" in clock_line(ClockDifference(), ("east", "west"))
