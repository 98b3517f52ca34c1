"""The forecaster as the runner uses it: frames in, forecasts out."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

from sentinel.forecast import Forecaster
from sentinel.records import Forecast
from sentinel.times import utc_s
from tests.forecast.sessions import Session

DRIFTING = Session(azimuth_error_deg=0.5, altitude_error_deg=-0.4, wind_arcsec=2, seed=3)


def watched(session: Session) -> list[Forecast]:
    forecaster = Forecaster(session.settings, session.sun)
    fed = (forecaster.feed(frame, frame.time_utc) for frame in session.frames())
    return [forecast for forecast in fed if forecast is not None]


def test_it_is_renewed_at_once_and_then_every_ten_minutes() -> None:
    times = [forecast.time_utc for forecast in watched(DRIFTING)]
    assert times[0] == DRIFTING.start_utc
    assert max(b - a for a, b in pairwise(times)) <= timedelta(minutes=10)


def test_a_quiet_mount_is_foreseen_to_minutes() -> None:
    session = replace(DRIFTING, watched_h=3.0)
    last = watched(session)[-1]
    true = session.true_exit_s(3.0)
    assert last.exit_utc is not None
    assert last.exit_early_utc is not None
    assert utc_s(last.exit_early_utc) <= true
    assert abs(utc_s(last.exit_utc) - true) < 0.02 * (true - utc_s(last.time_utc))
