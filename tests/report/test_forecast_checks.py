"""Forecasts beside what came: what the session shows is tested, what it does not show is not."""

from dataclasses import replace

import numpy as np
import pytest

from sentinel.core.records import Forecast, MeasuredFrame, Severity
from sentinel.core.times import utc_s
from sentinel.jobs.report.forecast_checks import CheckedForecast, Skill, check_forecasts, find_exits, skill_of
from sentinel.jobs.report.incidents import incident_spans
from sentinel.jobs.report.record import Columns, columns_of
from sentinel.sky import Sun
from tests.report.sessions import MINUTE, NOON, forecast, frame, incident, settings

SUN = Sun(settings().site)
DRIFT_PX = 2.0


def drifting(minutes: int = 400, margin_px: float = 0.0) -> tuple[Columns, float]:
    """Return a disc that drifts to the right edge, and the minute in which its limb reaches it."""
    frames: list[MeasuredFrame] = [frame(n, x_px=900 + DRIFT_PX * n) for n in range(minutes)]
    return columns_of(frames, SUN), (1499.5 - margin_px - 77.8 - 900) / DRIFT_PX


def checked(
    columns: Columns, forecasts: list[Forecast], margin_px: float = 0.0
) -> tuple[CheckedForecast, ...]:
    stretch = np.zeros(len(columns), dtype=np.intp)
    return check_forecasts(forecasts, columns, stretch, find_exits(columns, stretch, margin_px), margin_px)


@pytest.mark.parametrize("margin_px", [0.0, 40.0])
def test_the_exit_is_when_limb_and_margin_meet(margin_px: float) -> None:
    columns, minute = drifting(margin_px=margin_px)
    (found,) = find_exits(columns, np.zeros(len(columns), dtype=np.intp), margin_px)
    assert (found.utc_s - utc_s(NOON)) / 60 == pytest.approx(minute, abs=0.01)
    assert not found.ran_away


def test_a_right_forecast_is_right_and_a_late_one_promises_too_much() -> None:
    columns, minute = drifting()
    right = [forecast(n, exit_h=(minute - n) / 60) for n in range(0, 200, 10)]
    skill = skill_of(checked(columns, right))
    assert (skill.tested, skill.too_late, skill.held, skill.untested) == (20, 0, 20, 0)
    assert skill.median_error == pytest.approx(0.0, abs=1e-3)
    late = [forecast(n, exit_h=(minute - n) / 60 * 1.5) for n in range(0, 200, 10)]
    skill = skill_of(checked(columns, late))
    assert skill.median_error == pytest.approx(0.5, abs=1e-3)
    assert (skill.too_late, skill.held, skill.granted) == (20, 0, None)


def test_no_exit_foreseen_counts_as_the_farthest_one() -> None:
    columns, _ = drifting()
    skill = skill_of(checked(columns, [forecast(10)]))
    assert skill.too_late == 1
    assert skill.median_error is not None
    assert skill.median_error > 5


def test_a_disc_put_elsewhere_shows_no_exit_but_may_show_a_false_alarm() -> None:
    columns, minute = drifting(200)
    said = checked(columns, [forecast(n, exit_h=1.0) for n in (10, 100, 190)])
    skill = skill_of(said)
    assert minute > 200
    assert (skill.tested, skill.untested, skill.too_early) == (0, 3, 2)


def test_a_mount_that_ran_away_could_not_be_foreseen() -> None:
    columns, _ = drifting(400)
    stretch = np.zeros(len(columns), dtype=np.intp)
    stretch[240:] = -1
    (found,) = find_exits(columns, stretch, 0.0)
    assert found.ran_away
    said = check_forecasts([forecast(100), forecast(250, exit_h=0.2)], columns, stretch, [found], 0.0)
    assert [one.true_h is None for one in said] == [True, False]
    assert [one.ran_away for one in said] == [False, True]


def test_a_disc_carried_over_the_edge_by_hand_is_no_exit() -> None:
    frames = [frame(n) for n in range(50)] + [frame(n, x_px=1480.0) for n in range(50, 100)]
    columns = columns_of(frames, SUN)
    stretch = np.repeat([0, 1], 50).astype(np.intp)
    assert find_exits(columns, stretch, 0.0) == ()


def unseen(columns: Columns, begin: int, end: int, *, down: bool) -> Columns:
    """Return the same with nothing seen for some minutes, because the sun was down or was hidden."""
    away = (np.arange(len(columns)) >= begin) & (np.arange(len(columns)) < end)
    hidden = replace(columns, found=columns.found & ~away, room_px=np.where(away, np.nan, columns.room_px))
    return replace(hidden, above_deg=np.where(away, -1.0, 1.0)) if down else hidden


def test_a_disc_that_rises_outside_left_as_it_rose() -> None:
    columns, minute = drifting()
    assert 200 < minute < 320
    night = unseen(columns, 200, 320, down=True)
    rose_h = (319.5 - 100) / 60
    (one,) = checked(night, [forecast(100, exit_h=rose_h)])
    assert one.true_h == pytest.approx(rose_h, abs=1e-6)
    assert skill_of([one]).held == 1


@pytest.mark.parametrize(
    ("after_min", "held", "too_late"), [(-0.2, 0, 0), (0.1, 1, 0), (0.9, 1, 0), (1.2, 0, 1)]
)
def test_between_two_pictures_nobody_knows_when_it_left(after_min: float, held: int, too_late: int) -> None:
    """Wind and the drive's error move the limb to and fro by seconds of its way."""
    columns, minute = drifting()
    sharp = forecast(100, exit_h=(np.floor(minute) + after_min - 100) / 60)
    at = sharp.exit.median_utc
    sharp = replace(sharp, exit=replace(sharp.exit, early_utc=at, late_utc=at))
    skill = skill_of(checked(columns, [sharp]))
    assert (skill.tested, skill.held, skill.too_late) == (1, held, too_late)


def test_a_disc_that_left_behind_cloud_left_nobody_knows_when() -> None:
    columns, _ = drifting()
    (one,) = checked(unseen(columns, 200, 320, down=False), [forecast(100, exit_h=3.0)])
    assert one.true_h is None
    assert one.stayed_h == pytest.approx(99 / 60)


def test_what_is_over_the_edge_already_is_not_tested_by_its_leaving_again() -> None:
    """A limb that the drive's periodic error carries over the edge and back leaves many times."""
    to_and_fro = [1400.0 if n < 50 else 1430.0 - (20.0 if 300 <= n < 310 else 0.0) for n in range(400)]
    columns = columns_of([frame(n, x_px=x) for n, x in enumerate(to_and_fro)], SUN)
    assert len(find_exits(columns, np.zeros(400, dtype=np.intp), 0.0)) == 2
    said = checked(columns, [forecast(n, exit_h=-0.5) for n in range(100, 300, 10)])
    assert skill_of(said).tested == 0
    assert skill_of(said).untested == 0


def test_a_forecast_that_stands_on_no_disc_is_not_judged() -> None:
    columns, _ = drifting()
    assert checked(columns, [replace(forecast(5), pointing=None)]) == ()
    assert skill_of([]) == Skill(
        forecasts=0, tested=0, median_error=None, median_error_span=None, too_late=0, granted=None, held=0,
        untested=0, too_early=0,
    )  # fmt: skip


def test_an_incident_is_one_from_onset_to_end_as_grave_as_it_got() -> None:
    changes = [
        incident(3),
        incident(60, "changed", Severity.NOW),
        incident(90, "cleared", Severity.NOTE),
        incident(200, severity=Severity.NOTE),
    ]
    first, second = incident_spans(changes)
    assert (first.gravest.severity, first.cleared_utc) == (Severity.NOW, NOON + 90 * MINUTE)
    assert (second.gravest.severity, second.cleared_utc) == (Severity.NOTE, None)
    # It was as grave only from when on it was.
    at = [NOON + minutes * MINUTE for minutes in (60, 90)]
    stages = [(put.severity, begin, end) for put, begin, end in first.stages]
    assert stages == [(Severity.SOON, first.first.onset_utc, at[0]), (Severity.NOW, at[0], at[1])]
    assert [(begin, end) for _, begin, end in second.stages] == [(second.first.onset_utc, None)]
