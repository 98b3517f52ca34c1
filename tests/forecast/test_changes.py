"""What happens to a mount between frames: re-centred, realigned, stopped, turned back, lost from sight."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.records import Disc, Mark, MeasuredFrame
from sentinel.core.times import utc_s
from tests.forecast.sessions import Session, first_touch_s
from tests.forecast.watching import (
    feed,
    gone_through,
    otherwise_px,
    seconds_ahead,
    turning_otherwise,
    watched,
)
from tests.forecasts import axis_of, mount_of, pointing_of

QUIET = Session(azimuth_error_deg=0.4, altitude_error_deg=-0.3, wind_arcsec=2, worm_arcsec=12, seed=5)
TWO_HOURS = replace(QUIET, watched_h=2.0)


def moved(frame: MeasuredFrame, x_px: float, y_px: float) -> MeasuredFrame:
    disc = replace(frame.disc, x_px=frame.disc.x_px + x_px, y_px=frame.disc.y_px + y_px)
    return replace(frame, disc=disc)


def test_a_recentring_is_noticed_untold_and_keeps_the_axis() -> None:
    session = replace(QUIET, watched_h=3.4, interval_s=120, recentred=((3.0, (2400.0, 1500.0)),))
    forecasts = watched(session)
    before = [f for f in forecasts if utc_s(f.time_utc) < session.start_s + 3 * 3600][-1]
    after = forecasts[-1]
    assert axis_of(after).altitude_error_deg == pytest.approx(-0.3, abs=0.03)
    assert axis_of(after).altitude_sigma_deg < 1.5 * axis_of(before).altitude_sigma_deg
    true = session.true_exit_s(3.4) - utc_s(after.time_utc)
    assert seconds_ahead(after, "median_utc") == pytest.approx(true, rel=0.05)
    assert after.departed_utc is None
    assert not any("drift-changed" in f.flags for f in forecasts)


def test_a_realignment_starts_afresh() -> None:
    frames = replace(QUIET, watched_h=2.1).frames()
    forecaster, _ = gone_through(TWO_HOURS)
    mark = Mark(time_utc=frames[121].time_utc, kind="realigned")
    forecasts = feed(forecaster, [mark, *frames[121:]])
    assert mount_of(forecasts[-1]).arc_h < 0.11
    assert "too-little-arc" in forecasts[-1].flags


def test_a_stop_is_noticed_in_two_frames_and_timed() -> None:
    session = TWO_HOURS
    stopped = turning_otherwise(session, 120, 0.0, 40)
    forecaster, before = gone_through(session)
    first = forecaster.look(session.start_utc + timedelta(hours=2))
    forecasts = feed(forecaster, stopped)
    noticed = forecasts[0]
    x, y = otherwise_px(session, 120, 0.0)
    touch = first_touch_s(session, x, y, session.start_s + 7200)
    assert noticed.departed_utc is not None
    assert utc_s(noticed.time_utc) - session.start_s <= 7200 + 120
    assert "stopped" in noticed.flags
    assert noticed.exit.median_utc is not None
    assert utc_s(noticed.exit.median_utc) == pytest.approx(touch, abs=20)
    stops_utc = pointing_of(first).stop_edge_utc
    assert stops_utc is not None
    assert utc_s(stops_utc) == pytest.approx(touch, abs=60)
    assert pointing_of(first).stop_edge == pointing_of(before[-1]).stop_edge == noticed.exit.edge
    lost = forecasts[-1]
    assert lost.exit.median_utc is not None
    assert utc_s(lost.exit.median_utc) == pytest.approx(touch, abs=20)
    # At the sun's declination: 15 degrees an hour times its cosine.
    turned_deg = (utc_s(lost.time_utc) - session.start_s - 7200) / 240
    assert np.hypot(pointing_of(lost).off_right_deg, pointing_of(lost).off_up_deg) == pytest.approx(
        turned_deg * np.cos(0.409), abs=0.4
    )
    assert pointing_of(lost).off_rate_deg_min == pytest.approx(0.23, abs=0.01)


def test_turning_back_is_a_straight_line_until_it_is_mended() -> None:
    forecaster, _ = gone_through(TWO_HOURS)
    turned = feed(forecaster, turning_otherwise(TWO_HOURS, 120, -1.0, 4))
    assert turned[-1].departed_utc is not None
    assert "straight line" in turned[-1].basis
    assert turned[-1].exit.edge == "right"
    x, y = TWO_HOURS.track_at(0)
    mended = feed(forecaster, [TWO_HOURS.frame(i, x[i] + 300, y[i]) for i in range(130, 140)])
    assert mended[-1].departed_utc is None
    assert "mount model" in mended[-1].basis


def test_strays_do_not_count() -> None:
    session = replace(QUIET, watched_h=1.0)
    frames = session.frames()
    strays = [moved(f, 900, -700) if i % 9 == 5 else f for i, f in enumerate(frames)]
    clean, strayed = watched(session, frames)[-1], watched(session, strays)[-1]
    assert strayed.departed_utc is None
    assert axis_of(strayed).altitude_error_deg == pytest.approx(axis_of(clean).altitude_error_deg, abs=0.05)
    assert seconds_ahead(strayed, "safe_utc") == pytest.approx(seconds_ahead(clean, "safe_utc"), rel=0.15)


def test_through_cloud_it_goes_on_and_knows_the_disc_again() -> None:
    session = replace(QUIET, watched_h=5.0, interval_s=120)
    frames = session.frames()
    clouded = [replace(f, disc=Disc(found=False)) if 60 <= i < 135 else f for i, f in enumerate(frames)]
    forecaster = Following(Context(session.settings, session.sun))
    during = feed(forecaster, clouded[:134])[-1]
    assert "unseen" in during.flags
    after = feed(forecaster, clouded[134:])[-1]
    assert after.departed_utc is None
    assert forecaster.track.part.number == 0
    assert axis_of(after).altitude_error_deg == pytest.approx(-0.3, abs=0.03)


def test_what_is_outside_at_sunrise_has_left_at_sunrise() -> None:
    day = Session(
        latitude_deg=45.0, longitude_deg=8.0, start_utc=QUIET.start_utc.replace(month=9, day=10, hour=12),
        azimuth_error_deg=-0.2, altitude_error_deg=0.3, watched_h=4.5, interval_s=120, wind_arcsec=1,
        width_px=9000, height_px=9000,
    )  # fmt: skip
    last = watched(day)[-1]
    reasons = [due.reason for due in last.due]
    assert "sunset" in reasons
    for time in (last.exit.safe_utc, last.exit.early_utc, last.exit.median_utc):
        if time is not None:
            altitude = float(day.sun.altaz_deg(utc_s(time) + 60)[0])
            assert altitude > -0.1
    true = day.true_exit_s(4.5)
    assert (last.exit.median_utc is None) == np.isinf(true)
    if last.exit.median_utc is not None:
        assert abs(
            last.exit.median_utc - (day.start_utc + timedelta(seconds=true - day.start_s))
        ) < timedelta(minutes=20)


@pytest.mark.slow
def test_an_axis_that_gives_way_is_reported_and_relearnt() -> None:
    session = replace(
        QUIET, watched_h=18, interval_s=240, width_px=12_000, height_px=9000, flexure="ou", flexure_arcsec=6
    )
    sunk = replace(session, azimuth_error_deg=0.8, altitude_error_deg=0.0)
    x, y = (track.copy() for track in session.track_at(0))
    other_x, other_y = sunk.track_at(0)
    i = 150
    x[i:] += other_x[i:] - other_x[i] - x[i:] + x[i]
    y[i:] += other_y[i:] - other_y[i] - y[i:] + y[i]
    forecasts = watched(session, [session.frame(k, x[k], y[k]) for k in range(271)])
    changed = [mount_of(f).drift_changed_utc is not None for f in forecasts]
    assert any(changed)
    assert changed == ["drift-changed" in f.flags for f in forecasts]
    last = forecasts[-1]
    assert abs(axis_of(last).altitude_error_deg) < 0.12


@pytest.mark.parametrize(
    "session",
    [
        # A wide lens, few frames, an axis far off: the disc moves a lot from frame to frame.
        Session(
            latitude_deg=-73.0, start_utc=datetime(2026, 12, 20, 12, tzinfo=UTC), interval_s=180.0,
            watched_h=3.0, focal_length_mm=160.0, pixel_pitch_um=3.72, width_px=9000, height_px=6000,
            azimuth_error_deg=-0.83, altitude_error_deg=-1.22, worm_arcsec=10.0, wind_arcsec=3.0, seed=5,
        ),
        # A camera that stands still: the sun goes fifteen degrees an hour.
        Session(
            latitude_deg=48.0, focal_length_mm=24.0, tracking="none", watched_h=0.8, interval_s=20.0,
            start_px=(1500.0, 2000.0),
        ),
    ],
)  # fmt: skip
def test_a_disc_that_moves_fast_and_evenly_has_not_jumped(session: Session) -> None:
    forecaster = Following(Context(session.settings, session.sun))
    feed(forecaster, session.frames())
    assert forecaster.track.part.began_s == session.start_s


def test_a_disc_put_elsewhere_all_day_long_is_followed_all_the_same() -> None:
    places = [((k + 1) * 0.1, (1500.0 + 2500.0 * (k % 2), 2000.0)) for k in range(20)]
    session = Session(azimuth_error_deg=0.5, watched_h=2.15, recentred=tuple(places), focal_length_mm=200.0)
    last = watched(session)[-1]
    assert pointing_of(last).seen_utc == last.time_utc
    assert axis_of(last).azimuth_error_deg == pytest.approx(0.5, abs=0.2)


def test_a_camera_that_stands_still_is_followed_through_its_recentrings() -> None:
    """At the frame's side the sun goes another way than in its middle: that is no departure."""
    places = tuple((k * 0.3, (1000.0, 700.0 + 2600.0 * (k % 2))) for k in range(1, 7))
    session = Session(
        latitude_deg=69.0, tracking="none", focal_length_mm=100.0, watched_h=2.1, start_px=(600.0, 2000.0),
        start_utc=datetime(2026, 6, 18, 9, tzinfo=UTC), recentred=places,
    )  # fmt: skip
    forecasts = watched(session)
    assert not [f for f in forecasts if f.departed_utc is not None]
    assert pointing_of(forecasts[-1]).seen_utc == forecasts[-1].time_utc
