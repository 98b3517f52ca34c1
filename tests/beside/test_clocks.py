"""Two clocks compared by the low sun's shape: as well as it says, and not where it cannot."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.jobs.beside.clocks import (
    FEWEST,
    ClockDifference,
    LowSunSeries,
    apart_km,
    clock_difference,
    low_sun,
)
from sentinel.jobs.beside.page import clock_line
from sentinel.jobs.simulate.synthesize import measured, plan_session
from sentinel.sky import Sun
from tests.simulate.worlds import FINE, midsummer

SETTING = datetime(2027, 6, 21, 15, tzinfo=UTC)
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
) -> LowSunSeries | None:
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
    return low_sun(frames, zenith_deg, scenario.site, Sun(scenario.site))


@pytest.mark.parametrize(("seed", "ahead_s"), [(1, 16.4), (2, -41.0), (3, 0.0)])
def test_a_setting_sun_tells_to_two_seconds(seed: int, ahead_s: float) -> None:
    air = (0.15, -0.05)
    told = clock_difference(camera(seed, ahead_s, air=air), camera(100 + seed, 0.0, air=air))
    assert told.told
    assert told.sigma_s > 0.3, "no better than lenses allow"
    assert abs(told.ahead_s - ahead_s) < 2.5 * told.sigma_s
    assert told.pictures > 100
    assert told.km_s == pytest.approx(3.8, abs=0.3)  # 0.009 degrees at 0.0024 degrees a second


def test_whose_is_ahead_turns_round_with_the_order() -> None:
    one, other = camera(4, 30.0), camera(5, 0.0)
    there, back = clock_difference(one, other), clock_difference(other, one)
    assert there.ahead_s == pytest.approx(-back.ahead_s, abs=0.3 * there.sigma_s)
    assert there.ahead_s > 20


def test_a_sun_that_only_grazes_tells_nothing_that_would_be_said() -> None:
    graze = {"latitude_deg": 70.37, "start_utc": datetime(2027, 6, 21, 20, tzinfo=UTC), "hours": 4.0}
    told = clock_difference(camera(6, 20.0, **graze), camera(7, 0.0, **graze))  # type: ignore[arg-type]
    assert not told.told
    assert abs(told.ahead_s - 20.0) < 3 * told.sigma_s


def test_without_a_low_sun_or_pictures_of_it_nothing_is_known() -> None:
    noon = datetime(2027, 6, 21, 9, tzinfo=UTC)
    assert camera(8, 0.0, start_utc=noon, hours=2.0) is None
    clear, clouded = camera(8, 0.0), camera(9, 0.0, clouded=True)
    assert clouded is None, f"fewer than {FEWEST} pictures are no pass"
    for told in (clock_difference(clear, clouded), clock_difference(None, clear)):
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
    assert "in 137 pictures, the times of east are ahead of those of west by +16.4 ± 1.8 seconds" in said
    assert "a kilometre off would pass for 4." in said
    assert "does not tell" in clock_line(replace(known, sigma_s=2.1), ("east", "west"))
    assert "does not tell" in clock_line(ClockDifference(), ("east", "west"))
