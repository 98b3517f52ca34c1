"""An edge of the frame as everybody tells it: one time for it, under cloud, over the edge and at sunset."""

import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from sentinel.chain.judge.as_it_stands import as_it_stands
from sentinel.chain.judge.camera_details import Storage, Supply
from sentinel.chain.judge.details import AxisLimit, DriftExit, LostDisc
from sentinel.chain.judge.evidence import task_of
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.until import answer
from sentinel.chain.notify.compose import Composer
from sentinel.chain.notify.headline import headline, troubles_of
from sentinel.chain.notify.tasks import answer_words, task
from sentinel.chain.notify.wording import message, sms, title_and_body
from sentinel.core.detail import Detail
from sentinel.core.foreseen import Due, Place
from sentinel.core.records import Alert, Forecast, Incident, MeasuredFrame, Outcome, Severity, Tick
from sentinel.core.words import times_in
from sentinel.jobs.tune.decisions import Decisions
from sentinel.service.status.board import Board
from sentinel.service.status.lines import status_lines
from sentinel.service.status.making import standing_of
from tests.forecasts import foreseen
from tests.judge.test_nights import Night
from tests.judge.tracks import RADIUS, Watch

MINUTE = timedelta(minutes=1)


def drifting(watch: Watch, early_min: float, median_min: float, **more: Any) -> Forecast:
    """Return a forecast of a disc that drifts to the left edge."""
    early = watch.now + early_min * MINUTE
    return foreseen(
        time_utc=watch.now, seen_utc=watch.now, exit_early_utc=early, exit_safe_utc=early,
        exit_utc=watch.now + median_min * MINUTE, edge="left",
        due=(Due(time_utc=early, reason="drift"),), **more,
    )  # fmt: skip


def told(watch: Watch) -> Incident:
    return [one for one in watch.said if one.condition == "drift-exit"][-1]


def clouded(watch: Watch, minutes: int) -> None:
    """Let cloud come, and stay."""
    watch.frames(2, brightness=0.2)
    watch.frames(minutes, found=False)


def test_what_is_open_is_told_as_the_last_forecast_has_it() -> None:
    watch = Watch()
    watch.frames(60)
    watch.step(drifting(watch, 20, 40))
    watch.frames(12)
    opened = told(watch)
    assert opened.severity is Severity.NOW
    watch.frames(30)
    later = drifting(watch, -3, -1)
    seen = watch.state.deadlines.seen
    now_told = as_it_stands(opened, later, watch.settings, seen)
    agenda = agenda_of(later, watch.settings, watch.now, seen)
    (job,) = agenda.jobs
    assert isinstance(now_told.detail, DriftExit)
    assert now_told.detail.exit_early_utc == job.due_utc == later.exit.early_utc
    troubles = troubles_of([now_told], watch.now, times_in(None))
    head = headline(agenda, later, troubles, watch.now, times_in(None)).sentence
    assert f"{later.exit.median_utc:%H:%M}Z" in head
    assert f"since {later.exit.median_utc:%H:%M}Z" in title_and_body(now_told, watch.settings, watch.now)[1]
    # What was foreseen before is nobody's any more.
    assert f"{opened.detail.exit_early_utc:%H:%M}Z" not in head  # type: ignore[attr-defined]


def test_a_disc_that_left_has_left_at_one_time() -> None:
    """The straight way of its last minutes is no second opinion beside the forecast."""
    watch = Watch()
    watch.x, watch.speed = 900.0, (-9.0, 0.0)
    watch.frames(40)
    forecast = drifting(watch, 6, 12, flags=("too-little-arc",))
    watch.step(forecast)
    for _ in range(100):
        inside = float(np.clip((watch.x - 9.0 + RADIUS) / (2 * RADIUS), 0, 1))
        watch.frames(1, found=inside > 0.12, limb_in_frame=inside, limb_coverage=inside)
    watch.frames(40, found=False)
    lost = watch.opened("lost-disc")
    assert lost is not None
    assert isinstance(lost.detail, LostDisc)
    assert lost.detail.likely == ("left",)
    assert lost.detail.left_utc == forecast.exit.median_utc


@pytest.mark.parametrize("left", [True, False])
def test_a_disc_that_drifted_out_wakes_once(left: bool) -> None:
    """An edge that woke is no second alarm; what vanishes from the middle is none of its doing."""
    watch = Watch()
    watch.x, watch.speed = (900.0, (-9.0, 0.0)) if left else (3000.0, (0.0, 0.0))
    watch.frames(40)
    for _ in range(100):
        watch.step(drifting(watch, 15 - watch.count, 20 - watch.count))
        inside = float(np.clip((watch.x - 9.0 + RADIUS) / (2 * RADIUS), 0, 1)) if left else 1.0
        watch.frames(1, found=inside > 0.12, limb_in_frame=inside, limb_coverage=inside)
    assert told(watch).severity is Severity.NOW
    watch.frames(40, found=False)
    assert (watch.of("lost-disc")[-1] == ("opened", "soon")) is left


def test_under_cloud_nobody_is_woken_for_an_edge_and_the_first_gap_wakes() -> None:
    watch = Watch()
    watch.frames(60)
    seen_utc = watch.now
    clouded(watch, 60)
    watch.step(drifting(watch, 15, 25))
    watch.frames(12, found=False)
    watch.step(drifting(watch, 3, 13))
    watch.frames(60, found=False)
    opened = told(watch)
    assert opened.severity is Severity.SOON
    said = message(opened)
    assert f"No picture has shown it since {seen_utc + 2 * MINUTE:%H:%M}Z" in said
    assert "as soon as the sun shines" in title_and_body(opened, watch.settings)[1]
    assert "go now" not in title_and_body(opened, watch.settings)[0]
    watch.frames(3)
    assert told(watch).severity is Severity.NOW


def test_an_edge_that_the_disc_reaches_in_a_clear_sky_wakes_though_it_then_is_gone() -> None:
    watch = Watch()
    watch.frames(60)
    watch.step(drifting(watch, 15, 25))
    watch.frames(12)
    watch.frames(40, found=False)
    assert told(watch).severity is Severity.NOW
    assert told(watch).detail.hidden_since_utc is None  # type: ignore[attr-defined]


def test_the_headline_sends_nobody_out_under_cloud() -> None:
    watch = Watch()
    watch.frames(60)
    clouded(watch, 60)
    for early_min, went in (
        (5, "drifts to the left edge at"),
        (-5, "may have been over the left edge since"),
    ):
        forecast = drifting(watch, early_min, early_min + 2)
        agenda = agenda_of(forecast, watch.settings, watch.now, watch.state.deadlines.seen)
        head = headline(agenda, forecast, (), watch.now, times_in(None))
        assert went in head.sentence
        assert "go as soon as it shines" in head.sentence
        assert head.set_off_utc is None


@pytest.mark.parametrize(("put_back", "told_by_night"), [(False, False), (False, True), (True, False)])
def test_a_sun_that_goes_down_over_the_edge_is_not_over_and_done(put_back: bool, told_by_night: bool) -> None:
    watch = Night()
    watch.x, watch.speed = 400.0, (0.0, 0.0)
    out = {"limb_in_frame": 0.8, "limb_coverage": 0.8}
    watch.frames(round((watch.sets - watch.now) / MINUTE) - 90, **out)
    watch.step(drifting(watch, -20, -12))
    watch.frames(45, **out)
    assert told(watch).severity is Severity.NOW
    if put_back:
        watch.x = 3000.0
        watch.frames(6)
    watch.frames(35, **({} if put_back else out))
    watch.now = watch.sets + MINUTE
    if told_by_night:
        # The list of the night has it for a moment, until the forecast sees it come up inside.
        watch.step(drifting(watch, -90, -82))
        watch.frames(3, found=False, brightness=0.0)
    watch.forecast(seen_utc=watch.now - 10 * MINUTE)
    watch.frames(20, found=False, brightness=0.0)
    ended = told(watch)
    assert ended.state == "cleared"
    title, body = title_and_body(ended, watch.settings)
    assert ("over the left edge" in body) is not put_back
    assert title.startswith("Over: ") is put_back
    if not put_back:
        assert f"Nothing can be done before sunrise, {watch.rises:%H:%M}Z" in body


def test_what_a_place_no_longer_keeps_by_night_is_for_sunrise() -> None:
    """Nobody is told to go again before the sun is up."""
    watch = Night()
    watch.holds = watch.rises - 10 * MINUTE
    watch.out = watch.sets - 60 * MINUTE
    watch.more = {"flags": ()}
    watch.until(watch.sets - 120 * MINUTE)
    forecast = foreseen(time_utc=watch.now, **watch.told())
    agenda = agenda_of(forecast, watch.settings, watch.now, watch.state.deadlines.seen)
    found = answer(agenda, forecast, watch.rises + timedelta(hours=3), watch.now)
    assert [job.name for job in found.jobs] == ["drift"]
    assert found.ends is not None
    assert found.ends.name == "sunrise"
    again = found.again_utc(agenda)
    assert again is not None
    assert again >= watch.rises - watch.settings.visit.travel_min * MINUTE - MINUTE
    (first,) = answer_words(found, agenda, times_in(None))
    assert "be at the camera when the sun comes up" in first


def test_whoever_unwinds_in_the_dark_is_told_of_sunrise_once() -> None:
    watch = Night()
    watch.until(watch.sets + 60 * MINUTE)
    limit = Due(time_utc=watch.now + timedelta(hours=2), reason="axis-limit")
    told = watch.told()
    forecast = foreseen(time_utc=watch.now, **{**told, "due": (*told.get("due", ()), limit)})
    agenda = agenda_of(forecast, watch.settings, watch.now, watch.state.deadlines.seen)
    found = answer(agenda, forecast, watch.rises + timedelta(hours=3), watch.now)
    assert [job.name for job in found.needed] == ["axis-limit", "sunrise"]


def test_of_a_mount_that_runs_away_nobody_says_how_long_it_then_holds() -> None:
    watch = Watch()
    watch.frames(60)
    forecast = drifting(watch, 9, 10, departed_utc=watch.now - 3 * MINUTE)
    agenda = agenda_of(forecast, watch.settings, watch.now, watch.state.deadlines.seen)
    found = answer(agenda, forecast, watch.now + timedelta(hours=8), watch.now)
    assert not found.known
    trouble = "it cannot be left alone now. The mount stopped."
    assert answer_words(found, agenda, times_in(None), trouble) == [f"No: {trouble}"]
    (said,) = answer_words(found, agenda, times_in(None))
    assert f"the mount has not followed the sun since {watch.now - 3 * MINUTE:%H:%M}Z" in said
    (job,) = agenda.jobs
    # Not put anywhere, it is good for no longer than it is.
    assert "then good until" not in task(task_of(job), times_in(None))


def test_one_screen_names_one_place() -> None:
    """What is open and what the next visit does tell where the same visitor puts the same disc."""
    watch = Watch()
    watch.frames(60)
    places = [
        Place(
            at_utc=watch.now + after * MINUTE, to_px=(3000.0, 2000.0), right_widths=right, up_widths=0.0,
            gap_edge="left", gap_widths=1.0, tolerance_widths=0.25,
            holds_until_utc=watch.now + timedelta(hours=holds_h),
        )
        for after, right, holds_h in ((0.0, 0.5, 6), (10.0, 1.5, 30))
    ]  # fmt: skip
    forecast = drifting(watch, 30, 40, best_place=places[0], later_places=(places[1],))
    board = Board()
    for event, now in watch.log:
        if isinstance(event, MeasuredFrame):
            board.update(event, Outcome(), now)
    watch.step(forecast)
    watch.frames(12)
    board.forecast, board.open = forecast, {told(watch).key: told(watch)}
    lines = status_lines(standing_of(board, watch.settings, watch.now), watch.now, watched=True)
    said = [one for line in lines for one in re.findall(r"put the disc ([\d.]+) sun-widths (\w+)", line)]
    assert said == [("0.5", "right")] * 2


@pytest.mark.parametrize("unseen_h", [0, 5])
def test_a_mount_that_is_found_standing_did_not_stop_then(unseen_h: int) -> None:
    """It stopped behind cloud, and the sun comes through the picture a day later."""
    watch = Watch()
    watch.speed = (0.0, 0.0)
    watch.frames(90)
    last = watch.now
    if unseen_h:
        clouded(watch, 60 * unseen_h)
        last += 2 * MINUTE
        watch.x, watch.y = 900.0, 1500.0
    watch.runs(1.0)
    watch.frames(8)
    run = watch.opened("runaway")
    assert run is not None
    title, body = title_and_body(run, watch.settings)
    assert title == "MOUNT STOPPED: go now"
    short = sms(run)
    if unseen_h:
        assert f"The mount stopped unseen, between {last:%H:%M}Z and {run.onset_utc:%H:%M}Z" in body
        assert f"Mount stopped by {run.onset_utc:%H:%M}Z" in short
    else:
        assert f"The mount stopped at {run.onset_utc:%H:%M}Z" in body
        assert f"Mount stopped {run.onset_utc:%H:%M}Z" in short


def test_a_lost_sun_that_sets_is_not_found() -> None:
    watch = Night()
    watch.frames(60)
    watch.frames(round((watch.rises - watch.now) / MINUTE), found=False, brightness=0.0)
    ended = [one for one in watch.said if one.condition == "lost-disc"][-1]
    assert ended.state == "cleared"
    title, body = title_and_body(ended, watch.settings)
    assert title == "The sun has set unseen"
    assert f"Nothing can be seen before sunrise, {watch.rises:%H:%M}Z" in body
    watch = Night()
    watch.frames(60)
    seen = watch.now
    watch.frames(40, found=False, brightness=0.0)
    watch.frames(10)
    ended = [one for one in watch.said if one.condition == "lost-disc"][-1]
    title, body = title_and_body(ended, watch.settings)
    assert title == "The sun is seen again"
    assert f"for the first time since {seen:%H:%M}Z" in body


def test_nobody_says_how_long_a_stop_would_leave_of_a_sun_that_is_lost() -> None:
    watch = Watch()
    watch.frames(60)
    forecast = foreseen(time_utc=watch.now, seen_utc=watch.now, stop_edge_utc=watch.now + 9 * MINUTE)
    board = Board()
    board.forecast = forecast
    for minutes, found, said in ((2, True, "9 min"), (60, False, "not known, the sun is not seen")):
        watch.frames(minutes, found=found)
        for event, now in watch.log:
            if isinstance(event, MeasuredFrame):
                board.update(event, Outcome(), now)
        board.open = {one.key: one for one in watch.said if one.condition == "lost-disc"}
        lines = status_lines(standing_of(board, watch.settings, watch.now), watch.now, watched=True)
        assert said in next(line for line in lines if line.startswith("If the mount stopped now"))


@pytest.mark.parametrize("over_min", [20.0, -30.0])
def test_a_disc_pushed_by_hand_without_a_mark_is_not_told_as_it_was_before(over_min: float) -> None:
    """The forecasts of the minutes in which a jump is not believed yet stand on discs of before."""
    watch = Watch()
    watch.frames(60)
    watch.step(drifting(watch, over_min, over_min + 4))
    watch.frames(6)
    before = watch.of("drift-exit")
    assert before == [("opened", "now")]
    watch.x, watch.y, pushed = watch.x + 900.0, watch.y - 700.0, watch.now
    for _ in range(8):
        watch.frames(1)
        if watch.opened("moved") is not None:
            break
        lost = {"departed_utc": pushed, "flags": ("departed",)}
        watch.step(drifting(watch, over_min - 6, over_min - 2, **lost))
    assert watch.opened("moved") is not None
    assert watch.of("drift-exit") == before
    # By the first forecast that knows of it: not as near as to wake anybody, which another one confirms.
    watch.step(drifting(watch, 92, 95))
    watch.frames(5)
    watch.step(drifting(watch, 87, 90))
    watch.frames(2)
    assert watch.of("drift-exit")[-1] == ("changed", "soon")
    assert "now" not in [severity for _, severity in watch.of("drift-exit")[1:]]


def near_edge(watch: Watch) -> Incident:
    """Return what was told of an edge, four minutes ago by the watch's clock."""
    watch.frames(60)
    watch.step(drifting(watch, 20, 40))
    watch.frames(6)
    one = told(watch)
    watch.now = one.time_utc + 4 * MINUTE
    return one


def repeats(composer: Composer, one: Incident, last: Forecast, minutes: float) -> tuple[Alert, ...]:
    """Return what goes out again so long after an incident was told, by a forecast made a minute before."""
    state, _ = composer.step(composer.fresh(), Tick(time_utc=one.time_utc), (one,), one.time_utc)
    now = one.time_utc + minutes * MINUTE
    state, _ = composer.step(state, Tick(time_utc=last.time_utc), (), last.time_utc, last)
    return composer.step(state, Tick(time_utc=now), (), now, None)[1]


def test_an_edge_is_not_said_again_in_the_minutes_in_which_nobody_knows_where_the_disc_went() -> None:
    watch = Watch()
    composer = Composer(watch.settings)
    one = near_edge(watch)
    lost = {"departed_utc": watch.now - MINUTE, "flags": ("departed",)}
    assert repeats(composer, one, drifting(watch, 9, 10, **lost), 5.5) == ()
    longer = {"departed_utc": watch.now - 6 * MINUTE, "flags": ("departed",)}
    (again,) = repeats(composer, one, drifting(watch, 9, 10, **longer), 5.5)
    assert again.kind == "repeat"


@pytest.mark.parametrize(("left_min", "calls"), [(20.0, True), (34.0, True), (60.0, False)])
def test_an_edge_is_said_again_only_while_it_is_near(left_min: float, calls: bool) -> None:
    watch = Watch()
    composer = Composer(watch.settings)
    one = near_edge(watch)
    assert bool(repeats(composer, one, drifting(watch, left_min, left_min + 5), 5.5)) is calls


def test_what_is_said_again_hangs_on_a_lead_that_tuning_can_try() -> None:
    watch = Watch()
    decisions = Decisions(watch.settings.thresholds, ["lead_now_min"])
    noted = watch.settings.model_copy(update={"thresholds": decisions.thresholds})
    one = near_edge(watch)
    last = drifting(watch, 60, 65)
    assert repeats(Composer(noted), one, last, 5.5) == ()
    assert decisions.bounds()["lead_now_min"].events.tolist() == [0]


@pytest.mark.parametrize(
    ("condition", "reason", "detail"),
    [
        ("supply", "card", Supply(supply="card", hours_left=2.0)),
        ("supply", "timer", Supply(supply="timer", hours_left=2.0)),
        ("storage", "storage", Storage(hours_left=2.0, free_mb=900.0)),
        ("axis-limit", "axis-limit", AxisLimit(minutes_left=35.0)),
    ],
)
def test_what_runs_out_is_said_again_as_it_is_foreseen_by_now(
    condition: str, reason: str, detail: Detail
) -> None:
    """A card fills by pictures, not by the clock: while none came it was not filling."""
    watch = Watch()
    due, name = (
        watch.now + 5 * MINUTE,
        {"supply": "empty_utc", "storage": "full_utc"}.get(condition, "limit_utc"),
    )
    one = Incident(
        time_utc=watch.now, onset_utc=watch.now, condition=condition, state="opened", severity=Severity.NOW,
        detail=replace(detail, **{name: due}),  # type: ignore[arg-type]
    )  # fmt: skip
    watch.now += 4 * MINUTE
    later = due + 12 * MINUTE
    last = foreseen(time_utc=watch.now, seen_utc=watch.now, due=(Due(time_utc=later, reason=reason),))
    (again,) = repeats(Composer(watch.settings), one, last, 5.5)
    assert f"{later:%H:%M}Z" in again.body
    assert f"{due:%H:%M}Z" not in again.body
    assert not re.search(r"\bwas\b|over", f"{again.title} {again.body}")


def test_a_limit_that_was_reached_keeps_its_time() -> None:
    watch = Watch()
    due = watch.now + 3 * MINUTE
    one = Incident(
        time_utc=watch.now, onset_utc=watch.now, condition="axis-limit", state="opened",
        severity=Severity.NOW, detail=AxisLimit(minutes_left=3.0, limit_utc=due),
    )  # fmt: skip
    watch.now += 4 * MINUTE
    last = foreseen(
        time_utc=watch.now, seen_utc=watch.now, due=(Due(time_utc=watch.now, reason="axis-limit"),)
    )
    assert as_it_stands(one, last, watch.settings, watch.state.deadlines.seen).detail == one.detail
