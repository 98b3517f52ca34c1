"""Judging only where other thresholds may decide otherwise comes to what judging the whole does."""

import pickle
from collections.abc import Callable
from datetime import timedelta
from math import hypot, inf
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sentinel.chain.intake.events import session_events
from sentinel.core.settings import Thresholds
from sentinel.jobs.tune.decisions import Decisions
from sentinel.jobs.tune.grid import SWEPT, allowed, changed, outermost
from sentinel.jobs.tune.rejudging import Rejudging
from tests.forecasts import foreseen
from tests.judge import worlds
from tests.judge.tracks import Watch
from tests.tune.sessions import dark_spells, judge_session, steps_of

# --- what an event hangs on ---

BASE = Thresholds()


def bounds_of(name: str, use: Callable[[Any], object]) -> tuple[float, float]:
    """Between which values of a threshold one event stays as it is."""
    decisions = Decisions(BASE, [name])
    decisions.note(0, lambda: use(decisions.thresholds))
    found = decisions.bounds()[name]
    return (float(found.low[0]), float(found.high[0])) if len(found.events) else (-inf, inf)


def test_a_comparison_bounds_a_threshold_on_the_side_where_it_falls_otherwise() -> None:
    now = BASE.lost_now_min
    assert bounds_of("lost_now_min", lambda t: t.lost_now_min * 60 + 5 >= 305.0)[0] == pytest.approx(5.0)
    assert bounds_of("lost_now_min", lambda t: t.lost_now_min < now + 3)[1] == pytest.approx(now + 3)
    assert bounds_of("lost_now_min", lambda t: max(t.lost_now_min, 4.0)) == pytest.approx((4.0, inf))
    assert bounds_of("lost_now_min", lambda t: 100 - t.lost_now_min / 2 > 90)[1] == pytest.approx(20.0)
    assert bounds_of("lost_now_min", lambda t: t.lost_soon_min > 3) == (-inf, inf)
    assert bounds_of("lost_now_min", lambda t: t.lost_now_min < inf) == (-inf, inf)


@pytest.mark.parametrize(
    "use",
    [
        lambda t: t.lost_now_min == BASE.lost_now_min,
        lambda t: hypot(t.lost_now_min, 1.0),
        lambda t: timedelta(minutes=t.lost_now_min),
        lambda t: np.array([1.0, 30.0]) < t.lost_now_min,
        lambda t: t.lost_now_min * np.ones(2),
        lambda t: round(t.lost_now_min),
        lambda t: {t.lost_now_min: 1},
        lambda t: f"{t.lost_now_min:.0f}",
        lambda t: t.lost_now_min % 2,
        lambda t: t.lost_now_min * t.lost_now_min,
        lambda t: 1 if t.lost_now_min else 0,
    ],
)
def test_what_is_no_comparison_makes_a_threshold_decisive(use: Callable[[Any], object]) -> None:
    assert bounds_of("lost_now_min", use) == (BASE.lost_now_min, BASE.lost_now_min)


def test_what_is_remembered_makes_the_event_decisive_at_which_it_was() -> None:
    decisions = Decisions(BASE, ["lost_now_min"])
    kept: list[Any] = []
    decisions.note(3, lambda: kept.append(decisions.thresholds.lost_now_min + 1.0))
    decisions.note(7, lambda: kept[0] > 1e6)
    assert decisions.bounds()["lost_now_min"].passed_by(99.0).tolist() == [3]


@given(
    factor=st.floats(-5, 5).filter(lambda x: abs(x) > 1e-3),
    plus=st.floats(-1e9, 1e9),
    against=st.floats(-100, 100),
    value=st.floats(0.1, 1000),
)
def test_a_value_within_the_bounds_changes_no_comparison(
    factor: float, plus: float, against: float, value: float
) -> None:
    def use(limits: Any) -> list[bool]:
        line = factor * limits.lost_now_min + plus
        return [line < against + plus, line - plus >= against, limits.lost_now_min <= against]

    low, high = bounds_of("lost_now_min", use)
    if low < value < high:
        assert use(changed(BASE, {"lost_now_min": value})) == use(BASE)


# --- whole sessions ---


def stopped() -> Watch:
    watch = Watch(seed=3)
    watch.frames(30)
    watch.speed = (70.0, -20.0)
    watch.frames(12)
    watch.mark("visit", minutes=5.0)
    watch.speed = (2.0, -1.0)
    watch.frames(25)
    return watch


def soft_and_silent() -> Watch:
    watch = dark_spells(9, between=12)
    watch.frames(70, edge_width_px=9.0)
    watch.silence(7)
    watch.frames(6)
    return watch


def drifting() -> Watch:
    watch = Watch(seed=5)
    watch.frames(10)
    for left_min in range(150, 0, -15):
        exit_utc = watch.now + timedelta(minutes=left_min)
        watch.step(
            foreseen(
                time_utc=watch.now, exit_utc=exit_utc, exit_safe_utc=exit_utc,
                exit_early_utc=exit_utc, exit_late_utc=exit_utc, exit_clear_utc=exit_utc, edge="left",
                drift_arcmin_h=5.0, axis_turned_deg=10.0,
            )
        )  # fmt: skip
        watch.frames(15)
    return watch


def taken_back() -> Watch:
    watch = dark_spells(14, between=10)
    watch.frames(11, found=False)
    watch.mark("visit", minutes=40.0)
    watch.frames(3, found=False)
    watch.mark("undo")
    watch.frames(15, found=False)
    watch.frames(20)
    return watch


SESSIONS = (dark_spells, stopped, soft_and_silent, drifting, taken_back)


@pytest.mark.slow
@pytest.mark.parametrize("made", SESSIONS)
def test_every_value_on_every_session_comes_to_what_judging_the_whole_does(
    made: Callable[..., Watch],
) -> None:
    rejudged_like_the_whole(made, each=1)


@pytest.mark.parametrize("made", SESSIONS)
def test_every_value_comes_to_what_judging_the_whole_session_does(made: Callable[..., Watch]) -> None:
    """Each that makes a difference, and of the others each on one or two of the sessions."""
    rejudged_like_the_whole(made, each=3, first=SESSIONS.index(made) % 3)


def rejudged_like_the_whole(made: Callable[..., Watch], *, each: int, first: int = 0) -> None:
    watch = made(17, 8, visited=30) if made is dark_spells else made()
    steps = steps_of(watch)
    session = pickle.loads(pickle.dumps(Rejudging(watch.settings, steps)))
    base = judge_session(watch.settings, steps)
    assert session.said == base
    differing = 0
    for number, (name, value) in enumerate(outermost(watch.settings.thresholds, SWEPT)):
        rejudged = session.under({name: value})
        if rejudged == base and number % each != first:
            continue
        under = watch.settings.model_copy(
            update={"thresholds": changed(watch.settings.thresholds, {name: value})}
        )
        whole = judge_session(under, steps)
        assert repr(rejudged) == repr(whole), (name, value)
        differing += whole != base
    assert differing, "some value makes a difference, or nothing is shown"


@pytest.mark.slow
@settings(max_examples=12, deadline=None)
@given(data=st.data(), kind=st.sampled_from(["clouds", "focus", "frost", "camera_stop", "snag", "nights"]))
def test_several_changes_at_once_come_to_what_judging_the_whole_does(data: st.DataObject, kind: str) -> None:
    world = getattr(worlds, kind)(data.draw(st.integers(0, 999)), 20.0)
    watch = Watch()
    steps = [(event, now, None) for event, now in session_events(world.frames, world.marks)]
    session = Rejudging(world.settings, steps)
    for _ in range(5):
        picked = data.draw(st.lists(st.sampled_from(SWEPT), min_size=1, max_size=4, unique=True))
        changes = {
            one.name: getattr(watch.settings.thresholds, one.name) * data.draw(st.floats(0.3, 3.0))
            for one in picked
        }
        if not allowed(world.settings.thresholds, changes):
            continue
        thresholds = changed(world.settings.thresholds, changes)
        whole = judge_session(world.settings.model_copy(update={"thresholds": thresholds}), steps)
        assert repr(session.under(changes)) == repr(whole), changes
