"""The sun over a trip: stretches, gaps, ridges, low sun, eclipses."""

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as with_settings
from hypothesis import strategies as st

from sentinel.core.times import parse_utc, utc_s
from sentinel.jobs.plan.records import Gap, Stretch, Sunlight
from sentinel.jobs.plan.sunlight import sunlight
from sentinel.sky import Sun, above_line, above_line_deg
from tests.plan.trips import settings, trip


def light(begin: str, end: str, latitude_deg: float, longitude_deg: float = 0.0, **site: object) -> Sunlight:
    told = settings(latitude_deg, longitude_deg, site=site)
    return sunlight(Sun(told.site), trip(begin, end, told))


def test_a_midnight_sun_is_one_whole_stretch() -> None:
    found = light("2027-06-18", "2027-06-22", 70.37, 31.1)
    (stretch,) = found.stretches
    assert (stretch.hours, stretch.rises, stretch.sets, stretch.cut) == (120.0, False, False, ())
    assert stretch.whole_h == 120.0
    assert found.gaps == ()
    assert len(found.days) == 5
    # At the solstice the noon sun stands 90 - 70.37 + 23.44 high, the midnight sun 70.37 + 23.44 - 90
    # and what the air adds: 11' at 3.8 degrees by the tables.
    assert found.days[2].highest_deg == pytest.approx(43.07, abs=0.05)
    assert found.days[2].lowest_deg == pytest.approx(3.81 + 0.19, abs=0.05)
    assert found.days[2].lowest_utc.hour in {21, 22}


def test_a_polar_night_is_one_gap() -> None:
    found = light("2026-12-18", "2026-12-22", 75.0)
    assert (found.stretches, found.sun_h, found.longest, found.low) == ((), 0, None, ())
    (gap,) = found.gaps
    assert (gap.hours, gap.kind) == (120.0, "night")


def test_a_ridge_before_a_midnight_sun_is_a_gap_of_its_own_kind() -> None:
    ridge = [[0.0, 0.0], [40.0, 0.0], [41.0, 15.0], [59.0, 15.0], [60.0, 0.0]]
    found = light("2027-06-18", "2027-06-20", 70.37, 31.1, horizon=ridge)
    assert [gap.kind for gap in found.gaps] == ["ridge"] * 3
    for gap in found.gaps:
        assert 0.5 < gap.hours < 2
        assert gap.lowest_deg > 3


def test_a_midnight_sun_that_touches_the_line_is_unbroken_but_cut() -> None:
    """The line just above the lower limb's lowest: the upper limb is always there, the lower is not."""
    found = light("2027-06-20", "2027-06-22", 70.37, 31.1, horizon=[[0.0, 4.0]])
    (stretch,) = found.stretches
    assert stretch.hours == 72.0
    assert len(stretch.cut) == 3
    assert stretch.whole_h == pytest.approx(72 - sum(_hours(c.to_utc - c.from_utc) for c in stretch.cut))


def _hours(length: timedelta) -> float:
    return length / timedelta(hours=1)


def test_low_sun_is_low_and_flat() -> None:
    found = light("2027-03-20", "2027-03-20", 0.0)
    rising, setting = found.low
    # At the equator the sun rises straight up, 15 degrees an hour: 3.27 from the limb on the line to the
    # centre at 3, and the air has brought it forward.
    assert rising.hours == pytest.approx((3 + 0.27 + 0.3) / 15, abs=0.02)
    assert setting.to_utc - found.stretches[0].to_utc < timedelta(seconds=1)
    # 0.841 with the lower limb on the horizon (computed from Bennett's formula), less when half is below.
    assert 0.80 < rising.flattening < 0.845


def test_an_eclipse_below_the_horizon_is_not_told() -> None:
    """2026-08-12: total in northern Spain at sunset, nothing to see in New Zealand (its night)."""
    (seen,) = light("2026-08-12", "2026-08-12", 43.0, -3.7).eclipses
    assert seen.kind == "total"
    assert seen.central_from_utc is not None
    assert light("2026-08-12", "2026-08-12", -44.0, 170.0).eclipses == ()
    assert light("2026-09-20", "2026-09-20", 43.0, -3.7).eclipses == ()


lines = st.lists(
    st.tuples(st.floats(0, 359), st.floats(0, 30)), max_size=5, unique_by=lambda pair: round(pair[0])
)


@with_settings(max_examples=6, deadline=None)
@given(st.sampled_from([-78.0, -35.0, 0.0, 52.0, 67.5, 70.37, 90.0]), lines, st.integers(0, 360))
def test_stretches_and_gaps_share_out_the_trip(
    latitude_deg: float, line: list[tuple[float, float]], day: int
) -> None:
    told = settings(latitude_deg, 20.0, site={"horizon": sorted(line)})
    begin = parse_utc("2026-01-01T05:00:00Z") + timedelta(days=day)
    asked = trip(begin.isoformat(), (begin + timedelta(days=2)).isoformat(), told)
    sun = Sun(told.site)
    found = sunlight(sun, asked)
    pieces: list[Stretch | Gap] = [*found.stretches, *found.gaps]
    pieces.sort(key=lambda piece: piece.from_utc)
    assert pieces[0].from_utc == asked.from_utc
    assert pieces[-1].to_utc == asked.to_utc
    assert all(a.to_utc == b.from_utc for a, b in pairwise(pieces))
    assert sum(piece.hours for piece in pieces) == pytest.approx(48)
    assert found.sun_h == pytest.approx(sum(day.sun_h for day in found.days))
    for stretch in found.stretches:
        middle = (utc_s(stretch.from_utc) + utc_s(stretch.to_utc)) / 2
        assert above_line(sun, middle, "upper")
        if stretch.rises:
            assert abs(float(above_line_deg(sun, utc_s(stretch.from_utc), "upper"))) < 1e-2
    for gap in found.gaps:
        times = np.linspace(utc_s(gap.from_utc), utc_s(gap.to_utc), 7)[1:-1]
        assert not above_line(sun, times, "upper").any()
