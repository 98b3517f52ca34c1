"""Whether the disc kept its size: against suns of known distance, and a lens that breathes. By formula."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from sentinel.core.settings import Site
from sentinel.jobs.report.constancy import Constancy, constancy_of
from sentinel.jobs.report.record import columns_of
from sentinel.jobs.report.sentences import facts
from sentinel.sky import Sun
from tests.report.sessions import frame

Array = NDArray[np.float64]
SUN = Sun(Site(latitude_deg=60.0, longitude_deg=30.0))
FRAMES = 800
NOISE = 0.02


def of(change: Array, edge: Array | None = None, *, seed: int = 6) -> Constancy:
    """A session of 13 hours in which the radius is off by `change` percent (n,), besides noise."""
    rng = np.random.default_rng(seed)
    columns = columns_of([frame(n) for n in range(FRAMES)], SUN)
    if edge is not None:
        columns = replace(columns, edge_px=edge)
    found = constancy_of(columns, change + rng.normal(0, NOISE, FRAMES))
    assert found is not None
    return found


def altitudes() -> Array:
    return np.asarray(columns_of([frame(n) for n in range(FRAMES)], SUN).altitude_deg)


def grown(distance_km: float) -> Array:
    """How much larger than the true sun a body at a distance looks, percent, as the Earth turns."""
    lift = 6371.0 * np.sin(np.radians(altitudes()))
    own = np.sqrt(distance_km**2 - 6371.0**2 + lift**2) - lift
    true = 149.6e6 - lift
    return np.asarray(100 * (own[0] / own * true / true[0] - 1))


def test_a_sun_that_keeps_its_size() -> None:
    quiet = [of(np.zeros(FRAMES), seed=seed) for seed in range(20)]
    off = [one.a_day.slope / one.a_day.sigma for one in quiet]
    assert 0.6 < np.std(off) < 1.5
    assert all(one.nearest_km is not None and one.nearest_km > 2e6 for one in quiet)
    assert all(abs(one.focus[0]) < 4 * one.focus[1] or not np.isfinite(one.focus[0]) for one in quiet)
    text = dict(facts("size_facts", quiet[0]))
    assert "would have stood out (95 %)" in text["Constant size"]
    assert "km away (95 %)" in text["Distance by size"]


@pytest.mark.parametrize("distance_km", [20_000.0, 384_400.0])
def test_a_nearer_body_is_told_by_its_size(distance_km: float) -> None:
    found = of(grown(distance_km))
    assert found.nearest_km is not None
    assert 0.6 * distance_km < found.nearest_km < 1.15 * distance_km
    assert found.climb is not None
    assert found.climb.slope > 5 * found.climb.sigma


def test_a_slow_change_is_told_with_its_size() -> None:
    found = of(np.linspace(0, 0.1, FRAMES))
    share = found.hours * 60 / FRAMES
    assert 0.5 < share < 0.9, "in the evening the sun is too low"
    assert found.a_day.slope * found.hours / 24 == pytest.approx(
        0.1 * share, abs=4 * found.a_day.sigma * found.hours / 24
    )
    assert found.least_change < 0.02


def test_a_lens_that_breathes_with_its_focus_is_found_out() -> None:
    rng = np.random.default_rng(1)
    breathing = np.interp(np.arange(FRAMES), np.arange(0, FRAMES + 40, 40), rng.normal(size=FRAMES // 40 + 1))
    found = of(0.05 * breathing, 2.2 + 0.3 * breathing)
    assert found.focus[0] > 0.6
    assert found.focus[0] > 3 * found.focus[1]
    assert "goes with the focus" in dict(facts("size_facts", found))["Size and focus"]


def test_shrinking_as_it_climbs_is_no_distance() -> None:
    text = dict(facts("size_facts", of(-0.3 * np.sin(np.radians(altitudes())))))
    assert "no distance explains" in text["Distance by size"]


def test_too_little_tells_nothing() -> None:
    columns = columns_of([frame(n) for n in range(10)], SUN)
    assert constancy_of(columns, np.zeros(10)) is None
    assert "not told" in facts("size_facts", None)[0][1]
