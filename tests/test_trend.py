"""Lines and correlations with sigmas that hold, also for values that wander."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sentinel.jobs.trend import alike, correlation_of, trend_of

Array = NDArray[np.float64]


def wandering(rng: np.random.Generator, count: int, memory: float) -> Array:
    """A series of unit variance in which neighbours are alike: x' = m x + noise."""
    values = np.empty(count)
    values[0] = rng.normal()
    for k in range(1, count):
        values[k] = memory * values[k - 1] + np.sqrt(1 - memory**2) * rng.normal()
    return values


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_sigma_of_a_slope_holds(memory: float) -> None:
    rng = np.random.default_rng(11)
    at = np.linspace(0, 1, 400)
    off = []
    for _ in range(200):
        trend = trend_of(at, 2.0 * at + wandering(rng, 400, memory))
        off.append((trend.slope - 2.0) / trend.sigma)
    assert 0.75 < np.std(off) < 1.35
    assert abs(np.mean(off)) < 0.3


def test_weights_count() -> None:
    rng = np.random.default_rng(3)
    at = np.linspace(-1, 1, 300)
    noise = np.where(at > 0, 0.1, 3.0)
    off = []
    for _ in range(100):
        values = at + rng.normal(size=300) * noise
        off.append(trend_of(at, values, noise**-2.0).slope - 1)
    plain = trend_of(at, at + rng.normal(size=300) * noise).sigma
    assert np.std(off) < 0.5 * plain


def test_too_few_tell_nothing() -> None:
    assert np.isnan(trend_of(np.arange(3.0), np.arange(3.0)).slope)
    assert np.isnan(trend_of(np.ones(9), np.arange(9.0)).slope)
    assert np.isnan(correlation_of(np.ones(9), np.arange(9.0))[0])


def test_two_series_that_wander_for_themselves_are_not_found_to_go_together() -> None:
    rng = np.random.default_rng(5)
    sigmas = []
    for _ in range(200):
        share, sigma = correlation_of(wandering(rng, 300, 0.9), wandering(rng, 300, 0.9))
        sigmas.append(share / sigma)
    assert 0.7 < np.std(sigmas) < 1.3
    common = wandering(rng, 300, 0.9)
    share, sigma = correlation_of(common + 0.3 * rng.normal(size=300), common + 0.3 * rng.normal(size=300))
    assert share > 4 * sigma


def test_white_values_are_worth_as_many_as_they_are() -> None:
    rng = np.random.default_rng(8)
    assert np.mean([alike(rng.normal(size=400)) for _ in range(50)]) == pytest.approx(1.0, abs=0.15)
    assert np.mean([alike(wandering(rng, 2000, 0.8)) for _ in range(50)]) == pytest.approx(9.0, rel=0.25)
