"""Exposures that trail or lead their arrival: said within ten pictures, and then nothing else is."""

import re
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest

from sentinel.chain.judge.arrival_lag import clock_off
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Alert, Event, Mark, MeasuredFrame
from sentinel.core.settings import Settings, load_settings
from sentinel.jobs.align.axis import align
from sentinel.service.status.board import Board
from sentinel.service.status.lines import status_lines, to_json, until_lines
from sentinel.service.status.making import standing_of
from sentinel.service.status.page import page_html
from sentinel.service.status.standing import Standing
from tests.shipped import FIVE_DAYS, five_days

HOUR, DAY = 3600.0, 86_400.0
PROMISE = re.compile(r"left alone (?:only |for |until)|holds until|good until|Set off|degrees", re.IGNORECASE)


def settings(**camera: object) -> Settings:
    """The session's own place and lens; all else as it is by default."""
    told = load_settings([FIVE_DAYS / "config.yaml"])
    own = told.camera.model_copy(update={"name": None, "clock_offset_s": 0.0, **camera})
    return Settings(site=told.site, camera=own, mount=told.mount)


def frames(
    count: int, ahead_s: float, *, right: int = 0, link_s: float = 3.0, jitter_s: float = 2.0
) -> list[MeasuredFrame]:
    """Pictures of a camera whose clock is so far ahead, after so many with the right time."""
    random = np.random.default_rng(8)
    found = []
    for number, frame in enumerate(five_days()[: right + count]):
        lag = timedelta(seconds=link_s + float(random.uniform(0, jitter_s)))
        off = timedelta(seconds=ahead_s if number >= right else 0.0)
        found.append(replace(frame, time_utc=frame.time_utc + off, arrived_utc=frame.time_utc + lag))
    return found


def arriving(seen: Sequence[Event]) -> list[tuple[Event, datetime]]:
    """Events, each with the time at which it is taken up."""
    arrived = [event.arrived_utc if isinstance(event, MeasuredFrame) else None for event in seen]
    return [(event, at or event.time_utc) for event, at in zip(seen, arrived, strict=True)]


class Watched:
    """What somebody who looks after pictures as they come has been told, and could read."""

    def __init__(
        self, seen: Sequence[Event], told: Settings | None = None, *, before: "Watched | None" = None
    ) -> None:
        self.settings = told or settings()
        self.events = arriving(seen)
        self.alerts: list[tuple[int, Alert]] = []
        self.board = Board()
        self._pipeline, done = Pipeline(self.settings, self.events[0][1]), 0
        if before is not None:
            # As text: a number that is not known is like no other.
            assert repr(self.events[: len(before.events)]) == repr(before.events)
            self._pipeline, self.board, self.alerts = deepcopy(
                (before._pipeline, before.board, before.alerts)
            )
            done = len(before.events)
        for number, (event, now_utc) in enumerate(self.events[done:], done):
            outcome = self._pipeline.step(event, now_utc)
            self.board.update(event, outcome, now_utc)
            self.alerts += [(number, alert) for alert in outcome.alerts]
        self.now_utc = self.events[-1][1]

    def first(self, condition: str) -> tuple[int, Alert]:
        return next((n, alert) for n, alert in self.alerts if alert.condition == condition)

    @property
    def standing(self) -> Standing:
        return standing_of(self.board, self.settings, self.now_utc)

    def read(self) -> str:
        """Everything that is to be read at this moment."""
        standing = self.standing
        lines = status_lines(standing, self.now_utc, watched=True)
        lines += until_lines(standing, self.now_utc + timedelta(hours=8), self.now_utc)
        page = re.sub(r"<script>.*?</script>|<style>.*?</style>", "", page_html(standing), flags=re.DOTALL)
        return "\n".join([*lines, page, *(alert.body for _, alert in self.alerts)])


OFFSETS = [120.0, -125.0, HOUR, -5.75 * HOUR, DAY, -3650 * DAY]


@pytest.mark.parametrize("ahead_s", OFFSETS)
def test_a_clock_that_is_off_from_the_start_is_said_within_ten_pictures_and_nothing_else_is(
    ahead_s: float,
) -> None:
    # What trails arrives later still by what the link takes.
    watched = Watched(frames(10, ahead_s))
    number, alert = watched.first("clock")
    assert number < 10
    (told,) = re.findall(r"camera\.clock_offset_s: (-?\d+)", alert.body)
    assert float(told) == pytest.approx(ahead_s, abs=5)
    if abs(ahead_s) % HOUR == 0 and abs(ahead_s) < DAY:
        assert float(told) == ahead_s
        assert "time zone, which its files do not name" in alert.body
    said = watched.read()
    assert "is not known: the camera's clock is" in said
    assert not PROMISE.search(said), PROMISE.search(said)
    assert watched.standing.leave_until_utc is None
    assert '"polar_azimuth_error_deg"' not in to_json(watched.standing)


@pytest.mark.parametrize(("ahead_s", "steady"), [(2 * HOUR, True), (DAY, True), (-4 * HOUR, False)])
def test_pictures_of_a_time_to_come_are_no_old_ones_however_the_link_stutters(
    ahead_s: float, steady: bool
) -> None:
    # Taken a second apart, on a busy computer that sees them up to half a minute late, in no order.
    taken = [float(number) for number in range(10)]
    off = clock_off(taken, [late - ahead_s for late in (1, 28, 3, 14, 2, 19, 9, 1, 24, 6)], 60.0)
    if steady:
        assert off is not None
        assert off.steady
        assert off.ahead_s == ahead_s
    else:
        # Four hours late and by so much apart: a card that was copied, as like as not.
        assert off is None or not off.steady


@cache
def right_before() -> Watched:
    return Watched(frames(0, 0.0, right=90))


@cache
def read_before() -> str:
    return right_before().read()


@pytest.mark.parametrize("ahead_s", [-HOUR, 180.0, HOUR])
def test_a_clock_that_is_set_wrong_in_mid_session_is_said_within_ten_pictures(ahead_s: float) -> None:
    watched = Watched(frames(10, ahead_s, right=90), before=right_before())
    assert "may be left alone until" in read_before()
    number, alert = watched.first("clock")
    assert 90 <= number < 100
    (told,) = re.findall(r"camera\.clock_offset_s: (-?\d+)", alert.body)
    assert float(told) == pytest.approx(ahead_s, abs=5)
    assert not PROMISE.search("\n".join(status_lines(watched.standing, watched.now_utc, watched=True)))


def test_a_link_that_wavers_hides_no_clock() -> None:
    watched = Watched(frames(10, -2 * HOUR, jitter_s=60.0))
    assert watched.first("clock")[0] < 10


@pytest.mark.parametrize(("link_s", "jitter_s"), [(3.0, 40.0), (60.0, 30.0)])
def test_a_slow_link_is_no_clock(link_s: float, jitter_s: float) -> None:
    watched = Watched(frames(30, 0.0, link_s=link_s, jitter_s=jitter_s))
    assert [alert for _, alert in watched.alerts if alert.condition == "clock"] == []
    assert watched.standing.leave_until_utc is not None


def late(count: int, behind_s: float, faster: float) -> list[MeasuredFrame]:
    """Pictures of a link that was down, which now brings them so many times as fast as they were taken."""
    taken = five_days()[:count]
    start = taken[0].time_utc
    return [
        replace(
            frame,
            arrived_utc=start + timedelta(seconds=behind_s) + (frame.time_utc - start) / faster,
        )
        for frame in taken
    ]


@pytest.mark.parametrize("faster", [1.5, 4.0, 60.0])
def test_pictures_that_a_link_was_holding_up_are_no_clock(faster: float) -> None:
    watched = Watched(late(30, 3 * HOUR, faster))
    assert [alert for _, alert in watched.alerts if alert.condition == "clock"] == []


def test_old_pictures_that_are_copied_into_the_folder_are_called_that() -> None:
    watched = Watched(late(20, 200 * DAY, 60.0))
    number, alert = watched.first("clock")
    assert number < 10
    assert "taken 200 days ago" in alert.body
    assert "clock_offset_s" not in alert.body
    assert not PROMISE.search(watched.read())


def test_a_camera_whose_offset_is_set_is_foreseen_again() -> None:
    # The same pictures as they are once the offset is taken off.
    watched = Watched(frames(30, 0.0), settings(clock_offset_s=7200.0))
    assert watched.standing.leave_until_utc is not None


def test_align_tells_no_angle_by_a_clock_that_is_off() -> None:
    assert align(settings(), arriving(frames(20, 0.0))).axis.fit_sigma_deg is not None
    with pytest.raises(RequestProblem, match=r"camera.clock_offset_s: .*1 h ahead of .* write 3600"):
        align(settings(), arriving(frames(20, HOUR)))


def test_the_end_of_a_visit_promises_nothing_by_a_clock_that_is_off() -> None:
    seen: list[Event] = [*frames(24, HOUR)]
    marked = Mark(time_utc=seen[14].time_utc - timedelta(hours=1), kind="visit", minutes=5)
    watched = Watched([*seen[:14], marked, *seen[14:]])
    (good,) = [alert for _, alert in watched.alerts if alert.title == "Good, tracking"]
    assert "not known" in good.body


@pytest.mark.parametrize("ahead_s", [-HOUR, *(pytest.param(s, marks=pytest.mark.slow) for s in (600.0, DAY))])
def test_the_edge_that_was_foreseen_before_the_clock_went_wrong_still_wakes_somebody(ahead_s: float) -> None:
    wrong = Watched(to_the_edge(ahead_s), before=while_the_clock_was_right())
    told, told_by_what_was_known = told_with_the_right_time(), told_of_the_edge(wrong)
    assert told > RIGHT + 60, "well after the clock went wrong"
    assert abs(told - told_by_what_was_known) < 45
    assert not [alert for _, alert in wrong.alerts if alert.condition in {"axis-limit", "runaway"}]


RIGHT, EDGE_PX = 150, 603.0


def told_of_the_edge(watched: Watched) -> int:
    alerts = watched.alerts
    return next(number for number, alert in alerts if alert.condition == "drift-exit" and woke(alert))


@cache
def told_with_the_right_time() -> int:
    return told_of_the_edge(Watched(to_the_edge(0.0), before=while_the_clock_was_right()))


@cache
def while_the_clock_was_right() -> Watched:
    return Watched(to_the_edge(0.0)[:RIGHT])


def woke(alert: Alert) -> bool:
    return alert.severity == "now"


def to_the_edge(ahead_s: float) -> list[MeasuredFrame]:
    """Five hours in a frame so small that the disc comes to its left edge after the clock went wrong."""
    return [
        replace(frame, disc=replace(frame.disc, x_px=frame.disc.x_px - EDGE_PX))
        for frame in frames(150, ahead_s, right=RIGHT)
    ]
