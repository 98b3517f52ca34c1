"""Turns in steps, and for how long it holds: on invented mounts, against their own geometry."""

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sentinel.chain.forecast.exits import Frame
from sentinel.chain.forecast.sun_path import HORIZON_H
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.align.advice import advice
from sentinel.jobs.align.bolts import LEFT_DEG, Bolt, bolts_of, turned_altitude, turned_azimuth
from sentinel.jobs.align.fitted import Fit
from sentinel.jobs.align.holding import holding
from sentinel.sky import axis_vector, in_mount_frame, pose_seeing, project
from tests.align.test_axis import aligned
from tests.forecast.sessions import Session
from tests.forecasts import foreseen

SPITSBERGEN = Session(
    latitude_deg=78.2, longitude_deg=15.6, start_utc=datetime(2026, 6, 20, 9, tzinfo=UTC),
    azimuth_error_deg=5.8, altitude_error_deg=-0.4, roll_deg=4.0,
)  # fmt: skip
SOUTH = Session(
    latitude_deg=-41.0, longitude_deg=175.0, start_utc=datetime(2026, 12, 20, 20, tzinfo=UTC),
    azimuth_error_deg=0.45, altitude_error_deg=-0.3, roll_deg=190.0,
)  # fmt: skip


def known(session: Session, sigma_deg: float = 0.01, hours: float = 0.0) -> Fit:
    """What a fit that has found the truth knows, so many hours after the start."""
    at_s = session.start_s + hours * 3600
    forecast = foreseen(
        time_utc=from_utc_s(at_s),
        basis="test",
        polar_azimuth_error_deg=session.azimuth_error_deg,
        polar_azimuth_error_sigma_deg=sigma_deg,
        polar_altitude_error_deg=session.altitude_error_deg,
        polar_altitude_error_sigma_deg=sigma_deg,
        axis_fit_sigma_deg=(sigma_deg, sigma_deg),
        rate_ratio=1.0,
        rate_ratio_sigma=1e-5,
        roll_deg=session.roll_deg,
        roll_share=1.0,
        expected_px=session.optics.middle_px,
        scale_arcsec_px=session.optics.scale_arcsec_px,
    )
    return Fit(session.settings, session.sun, forecast, session.frames()[0])


@pytest.mark.parametrize(
    "session",
    [
        SPITSBERGEN,
        replace(SPITSBERGEN, focal_length_mm=900.0, azimuth_error_deg=-9.0),
        replace(SPITSBERGEN, focal_length_mm=600.0, azimuth_error_deg=14.0, latitude_deg=45.0),
    ],
)
def test_in_each_step_the_disc_goes_from_where_it_is_put_to_where_it_is_told_and_never_leaves(
    session: Session,
) -> None:
    """The mount is turned here step by step, axis and all, and the camera put back by its own axes."""
    azimuth, _ = bolts_of(known(session))
    assert not azimuth.fits
    assert len(azimuth.steps) > 1
    assert sum(step.turn_deg for step in azimuth.steps) == pytest.approx(abs(azimuth.error_deg))
    direction = session.sun.middle_direction(session.start_s)
    axis = axis_vector(session.latitude_deg, session.azimuth_error_deg, session.altitude_error_deg)
    radius = float(session.radius_px[0])
    frame, middle = Frame(session.width_px, session.height_px, 0.0), np.array(session.optics.middle_px)

    def place(right: float, up: float) -> np.ndarray:
        return middle + 2 * radius * np.array([right, -up])

    for step in azimuth.steps:
        begin = place(step.from_right_widths, step.from_up_widths)
        pose = pose_seeing(
            in_mount_frame(direction, axis, 0.0, south=False),
            float(begin[0]),
            float(begin[1]),
            session.optics,
            roll_deg=session.roll_deg,
        )
        for share in np.linspace(0, 1, 21):
            turn = turned_azimuth(-np.sign(azimuth.error_deg) * step.turn_deg * share)
            seen = in_mount_frame(turn.inv().apply(direction), axis, 0.0, south=False)
            now = np.array(project(seen, pose, session.optics))
            assert frame.room_px(now[0], now[1], radius).min() > 0
        assert now == pytest.approx(place(step.to_right_widths, step.to_up_widths), abs=0.1 * radius)
        axis = turn.apply(axis)
    assert axis == pytest.approx(axis_vector(session.latitude_deg, 0.0, session.altitude_error_deg), abs=1e-9)


def test_a_turn_that_fits_is_none_of_steps_and_one_that_fits_from_elsewhere_says_where() -> None:
    azimuth, altitude = bolts_of(known(SOUTH))
    assert azimuth.fits
    assert altitude.fits
    assert azimuth.steps == ()
    fit = known(replace(SOUTH, altitude_error_deg=-2.0))
    _, altitude = bolts_of(fit)
    assert not altitude.fits
    assert len(altitude.steps) == 1
    tiny = replace(fit.like, width_px=900, height_px=900)
    _, altitude = bolts_of(replace(fit, like=tiny))
    assert (altitude.fits, altitude.steps) == (False, ())


@pytest.mark.parametrize(
    "session", [SOUTH, replace(SPITSBERGEN, azimuth_error_deg=2.4, altitude_error_deg=0.1)]
)
def test_the_worst_hour_is_the_worst_and_now_is_now(session: Session) -> None:
    """Against the invented mount itself: the disc put in the middle at each hour of a day."""
    fit = known(session)
    held, turned = holding(fit, bolts_of(fit))
    middle = session.optics.middle_px
    hours = range(24)
    up = [session.above_deg[60 * h] > 1.0 for h in hours]
    held_s = [session.holds_s(60 * h, *middle) for h in hours]
    assert held.now_s == pytest.approx(held_s[0], rel=0.03)
    shortest = min(s for s, is_up in zip(held_s, up, strict=True) if is_up)
    assert held.worst_s == pytest.approx(shortest, rel=0.03)
    at = round((utc_s(held.worst_utc) - session.start_s) / 3600)
    assert held_s[at] == pytest.approx(shortest, rel=0.03)
    assert held.least_s <= held.worst_s
    assert turned.worst_s == 48 * 3600
    assert held.worst_s < 0.9 * (held.now_s or 0.0)


def test_few_frames_tell_nothing_of_how_long_it_holds() -> None:
    """With 8 to 20 frames "good enough, 48 h or more" was said of an axis that kept the disc for hours."""
    shaken = replace(SOUTH, worm_arcsec=8.0, wind_arcsec=2.0, flexure="ou-slow", flexure_arcsec=8.0, seed=3)
    near = replace(shaken, azimuth_error_deg=0.05, altitude_error_deg=0.05)
    for session, frames in ((shaken, 20), (near, 8)):
        found = aligned(replace(session, watched_h=(frames - 1) / 60))
        assert found.frames_used == frames
        assert not {"azimuth", "altitude"} & set(found.determined)
        text = " ".join(advice(found, session.settings))
        assert not re.search(r"stays \d|[Gg]ood enough", text)


def test_a_doubt_is_judged_on_the_sky() -> None:
    """Half a degree of the bolt is a tenth on the sky at 78 degrees: it is known well enough there."""
    for session, is_known in ((SPITSBERGEN, True), (SOUTH, False)):
        fit = known(replace(session, azimuth_error_deg=0.3), sigma_deg=0.15)
        azimuth: Bolt = bolts_of(fit)[0]
        assert azimuth.sky_error_deg == pytest.approx(0.3 * np.cos(np.radians(session.latitude_deg)))
        assert azimuth.determined is is_known


def test_an_altitude_turn_of_the_truth_ends_on_the_pole() -> None:
    axis = axis_vector(-41.0, 0.0, -0.3)
    assert turned_altitude(0.3, axis).apply(axis) == pytest.approx(axis_vector(-41.0), abs=1e-9)


def test_of_a_sun_that_is_down_only_the_coming_hours_are_told() -> None:
    fit = known(SOUTH, hours=13.0)
    held, _ = holding(fit, bolts_of(fit))
    assert held.now_s is None
    assert fit.forecast.time_utc < held.worst_utc
    assert float(SOUTH.sun.altaz_deg(utc_s(held.worst_utc))[0]) > 1.0


@pytest.mark.parametrize("focal_length_mm", [200.0, 300.0, 400.0])
@pytest.mark.parametrize("turn", [0.0, 0.25, 0.5, 0.75])
def test_what_does_not_matter_carries_no_disc_out_of_the_frame(focal_length_mm: float, turn: float) -> None:
    """Both bolts left as far off as may be, whichever way: the disc stays for two days, from any hour."""
    session = replace(SPITSBERGEN, focal_length_mm=focal_length_mm)
    azimuth, altitude = bolts_of(known(session))
    left_deg = azimuth.may_be_left_deg
    assert left_deg == altitude.may_be_left_deg > LEFT_DEG
    sides = np.sign([np.cos(2 * np.pi * turn + 0.5), np.sin(2 * np.pi * turn + 0.5)])
    session = replace(
        session,
        azimuth_error_deg=float(sides[0]) * left_deg / azimuth.sky_share,
        altitude_error_deg=float(sides[1]) * left_deg,
    )
    fit = known(session)
    assert holding(fit, bolts_of(fit))[0].worst_s >= HORIZON_H * 3600


def test_in_a_frame_of_little_room_no_more_is_asked_than_a_tenth_of_a_degree() -> None:
    tight = known(replace(SPITSBERGEN, focal_length_mm=1500.0))
    assert [bolt.may_be_left_deg for bolt in bolts_of(tight)] == [LEFT_DEG, LEFT_DEG]
