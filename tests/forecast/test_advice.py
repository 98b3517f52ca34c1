"""Where to put the disc: what the advice promises is what it holds, through nights and low suns."""

from dataclasses import replace

import numpy as np
import pytest

from sentinel.chain.following import Following
from sentinel.chain.forecast.recentring import TOLERANCE_WIDTHS
from sentinel.chain.forecast.sun_path import OFFSETS_S, sun_path
from sentinel.chain.track import Context
from sentinel.core.times import utc_s
from tests.forecast.sessions import random_session
from tests.forecast.test_mounts import MIDDLE
from tests.forecast.watching import feed
from tests.forecasts import places_of

TURNS = np.arange(8) * np.pi / 4


def test_the_times_ahead_have_each_rising_and_setting_in_them() -> None:
    now_s = MIDDLE.start_s
    ahead = sun_path(MIDDLE.settings, MIDDLE.sun, now_s)
    assert set(OFFSETS_S) <= set(ahead.offsets_s)
    more = ~np.isin(ahead.offsets_s, OFFSETS_S)
    clear_deg = MIDDLE.settings.thresholds.sun_clear_deg
    heights = MIDDLE.sun.altaz_deg(ahead.times_s[more])[0]
    assert np.minimum(np.abs(heights), np.abs(heights - clear_deg)) == pytest.approx(0.0, abs=1e-3)
    assert np.sum(np.abs(heights) < 1e-3) == 4
    assert ahead.day.up[more].all()
    rises = ahead.day.climb_deg_s < 1
    assert rises.sum() == 2
    # At the equator 15 degrees an hour, less the slant of the sun's path.
    assert ahead.day.climb_deg_s[rises] * 3600 == pytest.approx(10.0, abs=2.0)


@pytest.mark.parametrize("seed", [35, *(pytest.param(n, marks=pytest.mark.slow) for n in (146, 192))])
def test_the_advice_holds_as_long_as_it_promises_where_the_air_lifts_a_rising_sun(seed: int) -> None:
    session = replace(random_session(seed), watched_h=1.0)
    forecaster = Following(Context(session.settings, session.sun))
    frames = session.frames()
    feed(forecaster, frames)
    forecast = forecaster.look(frames[-1].time_utc)
    assert places_of(forecast).now.to_px is not None
    until = places_of(forecast).now.holds_until_utc
    promised_s = 48 * 3600.0 if until is None else utc_s(until) - utc_s(forecast.time_utc)
    last = len(frames) - 1
    slip_px = 2 * float(session.radius_px[last]) * TOLERANCE_WIDTHS
    x, y = places_of(forecast).now.to_px
    held_s = [session.holds_s(last, x, y)]
    held_s += [session.holds_s(last, x + slip_px * np.cos(t), y + slip_px * np.sin(t)) for t in TURNS]
    assert min(held_s) >= promised_s - session.interval_s
    # In one session of a hundred the middle happens to hold longer: at one hour the first of these is one.
    assert seed == 35 or held_s[0] >= 0.98 * session.holds_s(last, *session.optics.middle_px)
