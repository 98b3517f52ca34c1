"""Whether intervals deserve their name, on a few dozen random sessions; the benchmark does it on hundreds."""

import numpy as np
import pytest

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from tests.forecast.sessions import random_session
from tests.forecast.watching import feed, seconds_ahead


def outcomes(seeds: range, hours: float) -> list[tuple[float, float, float, float, float]]:
    """True, safe, early, median and late seconds to the edge, of the sessions that leave."""
    rows = []
    for seed in seeds:
        session = random_session(seed, watched_h=hours)
        forecaster = Following(Context(session.settings, session.sun))
        frames = session.frames()
        feed(forecaster, frames)
        forecast = forecaster.look(frames[-1].time_utc)
        true = session.true_exit_s(hours) - session.start_s - hours * 3600
        if np.isfinite(true) and true > 1200:
            names = ("safe_utc", "early_utc", "median_utc", "late_utc")
            rows.append((true, *(seconds_ahead(forecast, name) for name in names)))
    return rows  # type: ignore[return-value]


def test_a_few_sessions_are_promised_no_more_than_they_have() -> None:
    for true, safe, early, _, _ in outcomes(range(4000, 4004), 1.0):
        assert safe <= true
        assert early <= 1.1 * true


@pytest.mark.slow
def test_intervals_hold_what_they_say() -> None:
    table = np.array(outcomes(range(5000, 5030), 2.0))
    assert len(table) > 12
    true, safe, early, median, late = table.T
    assert np.mean(safe > true) <= 0.08
    assert np.mean(early > true) <= 0.2
    assert np.mean((early <= true) & (true <= late)) >= 0.75
    assert np.median(np.abs(np.minimum(median, 48 * 3600) - true) / true) < 0.03
    assert np.median(np.minimum(early, 48 * 3600) / true) > 0.85
