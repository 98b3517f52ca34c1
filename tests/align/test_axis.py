"""The axis found in sessions of known truth, and what turning it does to the disc."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from math import hypot

import numpy as np
import pytest

from sentinel.chain.intake.events import session_events
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Disc, Mark, MeasuredFrame
from sentinel.jobs.align.axis import Alignment, Events, align
from sentinel.jobs.align.bolts import turned_altitude, turned_azimuth
from sentinel.sky import axis_errors_deg, axis_vector, in_mount_frame, project
from tests.forecast.sessions import Session

QUIET = Session(
    azimuth_error_deg=0.8,
    altitude_error_deg=-0.5,
    roll_deg=10.0,
    worm_arcsec=8.0,
    wind_arcsec=2.0,
    flexure="ou-slow",
    flexure_arcsec=8.0,
    seed=3,
)
SOUTH = replace(
    QUIET, latitude_deg=-44.0, longitude_deg=170.5, start_utc=datetime(2026, 12, 20, 21, tzinfo=UTC)
)


def events(session: Session, *, marks: tuple[Mark, ...] = ()) -> Events:
    return list(session_events(session.frames(), marks))


@cache
def aligned(session: Session) -> Alignment:
    return align(session.settings, events(session))


@pytest.mark.parametrize(
    "session", [SOUTH, pytest.param(replace(QUIET, watched_h=6.0, interval_s=120.0), marks=pytest.mark.slow)]
)
def test_some_hours_find_the_axis_and_say_what_is_known(session: Session) -> None:
    found = aligned(session)
    azimuth, altitude = found.bolts
    assert azimuth.error_deg == pytest.approx(0.8, abs=min(3 * azimuth.sigma_deg, 0.15))
    assert altitude.error_deg == pytest.approx(-0.5, abs=min(3 * altitude.sigma_deg, 0.1))
    assert found.determined == ("azimuth", "altitude", "rate")
    assert found.known_from_utc is None
    assert found.frames_used == 181
    assert found.span_s == session.watched_h * 3600
    assert found.as_it_is is not None
    assert found.turned is not None
    assert found.turned.least_s >= found.as_it_is.least_s


def test_ten_minutes_determine_nothing_and_say_about_when_they_will() -> None:
    found = aligned(replace(QUIET, watched_h=1 / 6))
    assert "azimuth" not in found.determined
    assert found.known_from_utc is not None
    begin = QUIET.start_utc + timedelta(minutes=10)
    assert timedelta(minutes=20) <= found.known_from_utc - begin <= timedelta(hours=4)


def test_turning_by_what_is_told_takes_the_error_out() -> None:
    for latitude in (70.0, -44.0, 5.0):
        axis = axis_vector(latitude, 0.8, -0.5)
        azimuth, altitude = axis_errors_deg(turned_azimuth(-0.8).apply(axis), latitude)
        assert float(azimuth) == pytest.approx(0.0, abs=1e-9)
        assert float(altitude) == pytest.approx(-0.5, abs=1e-9)
        azimuth, altitude = axis_errors_deg(turned_altitude(0.5, axis).apply(axis), latitude)
        assert float(azimuth) == pytest.approx(0.8, abs=1e-9)
        assert float(altitude) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("session", [QUIET, SOUTH])
def test_the_disc_moves_as_told_while_a_bolt_is_turned(session: Session) -> None:
    """Turn the base of the invented mount, drive and camera with it, and look where the disc goes."""
    found = aligned(session)
    (_, pose), *_ = session.poses()
    now_s = session.start_s + 3 * 3600
    axis = axis_vector(session.latitude_deg, session.azimuth_error_deg, session.altitude_error_deg)
    theta = np.radians(15.0 / 3600 * 3 * 3600)
    direction = session.sun.middle_direction(now_s)

    def disc(seen: np.ndarray) -> np.ndarray:
        mounted = in_mount_frame(seen, axis, theta, south=session.latitude_deg < 0)
        return np.array(project(mounted, pose, session.optics))

    width_px = 2 * float(session.radius_px[180])
    for bolt, turn in zip(
        found.bolts,
        (turned_azimuth(-found.bolts[0].error_deg), turned_altitude(-found.bolts[1].error_deg, axis)),
        strict=True,
    ):
        right, down = (disc(turn.inv().apply(direction)) - disc(direction)) / width_px
        assert hypot(bolt.right_widths - right, bolt.up_widths + down) < 0.1


@pytest.mark.slow
def test_a_bolt_that_does_not_move_the_disc_at_this_hour_is_known_as_such() -> None:
    """A sun low in the east is turned about by the altitude bolt, and hardly moved."""
    east = Session(
        latitude_deg=45.0, longitude_deg=0.0, start_utc=datetime(2026, 3, 20, 5, 30, tzinfo=UTC),
        altitude_error_deg=0.8, azimuth_error_deg=0.8, watched_h=1.2,
    )  # fmt: skip
    azimuth, altitude = aligned(east).bolts
    assert azimuth.shows
    assert not altitude.shows


def test_while_the_mirrored_answer_is_possible_no_bolt_is_to_be_turned() -> None:
    found = aligned(QUIET)
    assert all(bolt.mirrored for bolt in found.bolts)
    assert found.determined == ("rate",)


def turned_between(hours: float, *, marked: bool) -> Events:
    """Some hours on one axis, then as long on another."""
    first = replace(SOUTH, watched_h=hours, interval_s=120.0)
    begin = first.start_utc + timedelta(hours=hours, minutes=5)
    second = replace(
        first,
        start_utc=begin,
        azimuth_error_deg=0.1,
        altitude_error_deg=-0.45,
        seed=4,
        start_px=(3300.0, 1800.0),
    )
    marks = (Mark(time_utc=begin - timedelta(minutes=2), kind="realigned"),) if marked else ()
    renamed = [replace(f, frame=f"second/{f.frame}") for f in second.frames()]
    return list(session_events([*first.frames(), *renamed], marks))


@pytest.mark.parametrize("marked", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_after_a_turn_only_what_came_since_counts_and_the_turn_is_told(marked: bool) -> None:
    # Without a word both axes must be known well enough to be told apart, which takes longer.
    found = align(SOUTH.settings, turned_between(1.5 if marked else 3.0, marked=marked))
    assert found.before is not None
    assert found.before.marked is marked
    assert found.before.azimuth_deg == pytest.approx(0.8, abs=0.15)
    assert found.bolts[0].error_deg == pytest.approx(0.1, abs=0.15)
    assert found.frames_used < 95


def test_a_recentring_is_no_turn() -> None:
    found = aligned(replace(SOUTH, interval_s=120.0, recentred=((1.5, (2000.0, 1500.0)),)))
    assert found.before is None
    assert found.frames_used == 91


def test_a_fixed_tripod_and_a_session_without_discs_are_refused_in_one_line() -> None:
    with pytest.raises(RequestProblem, match="does not track"):
        align(Session(tracking="none").settings, events(Session(tracking="none", watched_h=0.2)))
    dark = [replace(f, disc=Disc(found=False)) for f in replace(QUIET, watched_h=0.3).frames()]
    with pytest.raises(RequestProblem, match="no disc could be believed") as caught:
        align(QUIET.settings, list(session_events(dark)))
    assert "\n" not in str(caught.value)


def test_marks_alone_are_refused_too() -> None:
    mark = Mark(time_utc=QUIET.start_utc + timedelta(hours=2), kind="realigned")
    frames: list[MeasuredFrame] = replace(QUIET, watched_h=0.3).frames()
    with pytest.raises(RequestProblem, match="no disc could be believed since"):
        align(QUIET.settings, list(session_events(frames, (mark,))))
