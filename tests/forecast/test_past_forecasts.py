"""Forecasts held against what came: how much the next ones are believed."""

import numpy as np
import pytest

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.past_forecasts import NO_MISSES, PastForecasts
from sentinel.core.foreseen import PathPoint
from sentinel.core.times import from_utc_s

SCALE = 2.0


def told(
    off_px: float,
    spread_px: float,
    forecasts: int = 12,
    jitter_arcsec: float = 5.0,
    after_s: float = 1800.0,
) -> PastForecasts:
    """Forecasts of a disc that stays where it is, each wrong by so much four hours ahead.

    The disc that they are held against comes so long after the last of them was ten minutes old.
    """
    past = PastForecasts()
    for k in range(forecasts):
        made_s = 600.0 * k
        path = tuple(
            PathPoint(
                time_utc=from_utc_s(made_s + ahead_s),
                x_px=100.0 - off_px * (ahead_s / 14_400) ** 2,
                y_px=50.0,
                sigma_px=spread_px * ahead_s / 14_400,
            )
            for ahead_s in np.linspace(0, 43_200, 200)
        )
        past.keep(made_s, path)
    past.prove(TrackedDisc(600.0 * forecasts + after_s, 100.0, 50.0, 300.0, 0.02), SCALE, jitter_arcsec)
    return past


def test_what_came_true_widens_nothing() -> None:
    assert told(off_px=30.0, spread_px=60.0).misses == NO_MISSES


def test_what_did_not_come_true_widens_the_next_and_bends_it_the_way_it_erred() -> None:
    misses = told(off_px=300.0, spread_px=30.0).misses
    assert misses.widening > 2
    assert misses.bend_px_s2[0] == pytest.approx(300 / 14_400**2 * (1 - 1 / misses.widening), rel=0.01)
    assert misses.bend_px_s2[1] == pytest.approx(0.0, abs=1e-12)
    tracks = np.random.default_rng(3).normal(0, 5, (2, 3, 400))
    ahead_s = np.array([0.0, 3600, 14_400])
    doubted = misses.applied(tracks, ahead_s)
    assert doubted[0, 0].std() == pytest.approx(misses.widening * tracks[0, 0].std(), rel=0.01)
    assert np.median(doubted[0, 2]) == pytest.approx(300 * (1 - 1 / misses.widening), rel=0.1)


def test_a_wrong_forecast_or_two_prove_nothing() -> None:
    assert told(off_px=300.0, spread_px=30.0, forecasts=2).misses == NO_MISSES


@pytest.mark.parametrize(("after_s", "counts"), [(3 * 3600.0, True), (4 * 3600.0, False)])
def test_forecasts_of_long_ago_prove_nothing(after_s: float, counts: bool) -> None:
    """Three at least must have been made in the last four hours: those of before are of another night."""
    assert (told(off_px=300.0, spread_px=30.0, forecasts=3, after_s=after_s).misses != NO_MISSES) is counts


def test_what_wind_moves_is_no_error_of_a_forecast() -> None:
    assert told(off_px=8.0, spread_px=0.1).misses == NO_MISSES


def test_a_disc_that_jitters_far_is_no_error_either() -> None:
    assert told(off_px=60.0, spread_px=0.1).misses != NO_MISSES
    assert told(off_px=60.0, spread_px=0.1, jitter_arcsec=80.0).misses == NO_MISSES
