"""Clocks of two cameras compared as they watch, in worlds that share nothing with the program.

Their air changes from hour to hour, lies in layers near the ground and makes the limb boil by an arcsecond;
their lenses have ovals of their own.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pytest

from sentinel.chain.judge.low_sun import low_sun_in
from sentinel.chain.judge.two_clocks import (
    LONGEST_S,
    MOST,
    TwoClocks,
    least_wrong_s,
    pass_with,
)
from sentinel.chain.notify.camera_clock import compared_words
from sentinel.chain.notify.wording import message, sms
from sentinel.chain.pipeline import Pipeline
from sentinel.core.other_cameras import ClockDifference, ClocksCompared, LowSunSeen, OtherCamera, SunSeen
from sentinel.core.records import Incident, MeasuredFrame, Severity
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.service.journal.codec import decode, encode
from sentinel.service.status.facts import facts_of
from sentinel.service.status.lines import from_json, to_json
from sentinel.sky import Sun
from tests.watch.test_several import standing
from tests.worlds.mount import Lens
from tests.worlds.run import Run
from tests.worlds.world import Told, World

SETS = datetime(2026, 6, 20, 19, 42, tzinfo=UTC)
"""At 45 degrees north on Greenwich's meridian, the sun is about to set."""
EVENING = World(
    latitude_deg=45.0, longitude_deg=0.0, start_s=SETS.timestamp() - 0.9 * 3600, hours=1.5, ahead_h=0.1,
    centre_px=0.05, wind_arcsec=1.0, air_seed=5, air_share=0.05, inversion_arcmin=1.5,
)  # fmt: skip
OWN, CORNER = 5e-4, 1e-3
"""Ovals of lenses, in radii, and what a corner has more: one sigma."""


def frames_of(world: World) -> tuple[list[MeasuredFrame], np.ndarray]:
    """What is measured through a lens with an oval of its own, and where the zenith is in each picture."""
    run, chance = Run(world), np.random.default_rng([world.seed, 6])
    lens, corner = (complex(*chance.normal(0, size, 2)) for size in (OWN, CORNER))
    across, aside = run.ovals_px(0, run.n)
    zenith_deg = np.degrees(np.arctan2(aside, across) / 2)
    frames = []
    for frame in run.frames():
        disc, half = frame.disc, np.hypot(frame.width_px, frame.height_px) / 2
        off = complex(disc.x_px - frame.width_px / 2, disc.y_px - frame.height_px / 2) / half
        own = (lens + corner * off**2) * disc.radius_px
        disc = replace(
            disc, oval_cos2_px=disc.oval_cos2_px + own.real, oval_sin2_px=disc.oval_sin2_px + own.imag
        )
        frames.append(replace(frame, disc=disc))
    return frames, zenith_deg


@cache
def evening(seed: int, ahead_s: float, focal_mm: float = 400.0) -> tuple[LowSunSeen, ...]:
    """What a camera tells whose roll is known to a degree."""
    world = replace(
        EVENING,
        seed=seed,
        roll_deg=7.0 * seed,
        lens=Lens(focal_mm=focal_mm),
        told=Told(clock_offset_s=ahead_s),
    )
    frames, zenith_deg = frames_of(world)
    sun, off_deg = Sun(world.settings.site), np.random.default_rng([seed, 7]).normal()
    told = []
    for frame, up_deg in zip(frames, zenith_deg.tolist(), strict=True):
        time_s = utc_s(frame.time_utc)
        before, at, after = (float(sun.altaz_deg(time_s + off_s)[0]) for off_s in (-30.0, 0.0, 30.0))
        told.append(low_sun_in(frame, up_deg + off_deg, at, (after - before) / 60))
    return tuple(low for low in told if low is not None)


def with_own(state: TwoClocks, low: LowSunSeen) -> TwoClocks:
    return state._replace(own=pass_with(state.own, low))


@cache
def once_heard(*, swapped: bool = False) -> TwoClocks:
    """Two clocks that differ by 170 seconds, as the first hears of the other."""
    own, theirs = evening(1, 130.0), evening(2, -40.0, 600.0)
    return heard(theirs, own) if swapped else heard(own, theirs)


def heard(
    own: Sequence[LowSunSeen], theirs: Sequence[LowSunSeen], state: TwoClocks | None = None
) -> TwoClocks:
    """What a camera knows that takes its own pictures and hears of another's, in turn."""
    state = state or TwoClocks()
    site = EVENING.settings.site
    both = [(utc_s(one.time_utc), 0, one) for one in own] + [(utc_s(one.time_utc), 1, one) for one in theirs]
    for _, whose, low in sorted(both, key=lambda each: each[:2]):
        if whose:
            state, _ = state.after_other("west", low, site)
        else:
            state = with_own(state, low)
    return state


def test_clocks_minutes_apart_are_found_by_how_much_and_by_either() -> None:
    (here,), (there,) = once_heard().found, once_heard(swapped=True).found
    assert here.difference.sure
    assert abs(here.difference.ahead_s - 170.0) < 3 * here.difference.sigma_s
    assert there.difference.ahead_s == pytest.approx(-here.difference.ahead_s, abs=here.difference.sigma_s)
    finding = once_heard().finding
    assert finding is not None
    assert finding.severity is Severity.NOTE


@pytest.mark.parametrize(
    "seed", [10, pytest.param(20, marks=pytest.mark.slow), pytest.param(30, marks=pytest.mark.slow)]
)
def test_clocks_that_agree_are_not_told_to_differ(seed: int) -> None:
    state = heard(evening(seed, 0.0), evening(seed + 1, 3.0))
    (one,) = state.found
    assert state.finding is None
    assert abs(one.difference.ahead_s + 3.0) < 3 * one.difference.sigma_s


def test_what_differed_and_agrees_on_the_next_evening_is_over() -> None:
    day = timedelta(days=1)

    def later(pictures: tuple[LowSunSeen, ...], by: timedelta) -> list[LowSunSeen]:
        return [replace(one, time_utc=one.time_utc + by) for one in pictures]

    state = heard(later(evening(10, 0.0), day), later(evening(11, 3.0), day), once_heard())
    assert state.finding is None
    assert len(state.found) == 1


def test_fewer_than_a_pass_tells_nothing() -> None:
    own, theirs = evening(1, 130.0), evening(2, -40.0, 600.0)
    assert heard(own[:14], theirs).found == ()
    assert heard(own[:30], theirs[-20:]).found == (), "what both saw counts"


@pytest.mark.parametrize(("late_s", "wrong_s"), [(4.0, 86.0), (88.1, None), (None, None)])
def test_whose_pictures_come_soon_has_no_clock_that_is_far_behind(
    late_s: float | None, wrong_s: float | None
) -> None:
    for ahead_s in (170.0, -170.0):
        assert least_wrong_s(ClockDifference(ahead_s, 20.0, 100, 4.0), late_s) == wrong_s
    assert least_wrong_s(ClockDifference(79.0, 20.0, 100, 4.0), 0.0) is None, (
        "it is not sure that they differ"
    )


def test_it_is_asked_of_the_camera_whose_clock_is_behind() -> None:
    own, theirs = evening(1, 130.0), evening(2, -40.0, 600.0)
    quick = [replace(one, late_s=3.0) for one in theirs]
    (one,), (other,) = heard(own, quick).found, heard(quick, own).found
    for known in (one, other):
        assert known.late_s == 3.0
        assert known.wrong_by_s is not None
        assert known.wrong_by_s < 170.0 - 3.0
    slow = [replace(one, late_s=3.0) for one in own]
    assert heard(slow, theirs).found[0].wrong_by_s is None


def test_memory_is_bounded_and_a_clock_set_back_begins_another_pass() -> None:
    first = evening(1, 0.0)[0]
    state = TwoClocks()
    for k in range(2000):
        low = replace(first, time_utc=first.time_utc + timedelta(seconds=10 * k))
        state, _ = with_own(state, low).after_other(f"c{k % 20}", low, EVENING.settings.site)
    assert len(state.own) <= LONGEST_S / 25 + 1
    assert len(state.others) == MOST
    assert with_own(state, first).own == (first,)


def test_what_one_tells_the_other_survives_journal_and_status() -> None:
    low = evening(1, 130.0)[0]
    sun = SunSeen(state="seen", since_utc=low.time_utc, frame_utc=low.time_utc, low=low)
    news = OtherCamera(time_utc=low.time_utc, camera="west", sun=sun)
    assert decode(OtherCamera, encode(news)) == news
    before = encode(replace(news, sun=replace(sun, low=None))).replace(',"low":null', "")
    assert decode(OtherCamera, before).sun.low is None, "what an earlier version kept"


def test_the_status_says_how_clocks_stand() -> None:
    s = standing("east")

    def said(clocks: tuple[ClocksCompared, ...] | None) -> list[str]:
        shown = from_json(to_json(replace(s, clocks=clocks)), where="status")
        told = [f"{fact.name}: {fact.value}" for fact in facts_of(shown)]
        return [one for one in told if one.startswith(("Clock of", "Others' clocks"))]

    assert said(None) == []
    assert "not compared yet" in said(())[0]
    agree = ClocksCompared("west", SETS, ClockDifference(-5.2, 18.04, 118, 3.8))
    differ = replace(agree, difference=ClockDifference(-80.0, 18.04, 118, 3.8))
    assert said((agree,)) == [
        "Clock of west: agrees with this camera's as far as is known (5.2 ± 18.0 s) (low sun, 20 Jun 19:42Z)"
    ]
    assert said((differ,))[0].startswith("Clock of west: this camera's is 80.0 ± 18.0 s behind it")


HOURS = 5.5


@pytest.mark.slow
def test_two_watches_tell_it_and_a_replay_of_their_events_says_the_same() -> None:
    """Forecasts and all: the roll is what five hours of tracking tell."""
    cameras = []
    for seed, ahead_s in ((3, 150.0), (4, 0.0)):
        world = replace(
            EVENING, seed=seed, start_s=SETS.timestamp() - (HOURS - 0.6) * 3600, hours=HOURS, across_deg=0.1,
            roll_deg=5.0 * seed, told=Told(clock_offset_s=ahead_s),
        )  # fmt: skip
        frames, zenith_deg = frames_of(world)
        cameras.append((world.settings, frames, zenith_deg, Pipeline(world.settings, frames[0].time_utc)))
    (settings, frames, zenith_deg, east), (_, theirs, _, west) = cameras
    events, said = [], list[Incident]()
    for mine, his, up_deg in zip(frames, theirs, zenith_deg.tolist(), strict=True):
        now_utc = max(mine.time_utc, his.time_utc) + timedelta(seconds=5)
        west.step(his, now_utc)
        assert west.sun is not None
        news = OtherCamera(time_utc=now_utc, camera="west", sun=west.sun)
        for event in (mine, news):
            events.append((event, now_utc))
            said += east.step(event, now_utc).incidents
        if east.sun is not None and east.sun.low is not None:
            off_deg = (east.sun.low.zenith_deg - up_deg + 90) % 180 - 90
            assert abs(off_deg) < 3, "an oval knows no half turns"
    (told,) = [one for one in said if one.condition == "clocks-differ"]
    assert told.severity is Severity.NOTE
    assert abs(told.detail.ahead_s - 150.0) < 3 * told.detail.sigma_s  # type: ignore[attr-defined]
    assert "s ahead of that of west" in message(told)
    assert len(sms(told)) <= 160
    again = _replayed(settings, events)
    assert again == said


def _replayed(
    settings: Settings, events: Sequence[tuple[MeasuredFrame | OtherCamera, datetime]]
) -> list[Incident]:
    pipeline = Pipeline(settings, events[0][0].time_utc)
    return [one for event, now_utc in events for one in pipeline.step(event, now_utc).incidents]


def test_clocks_that_hardly_agree_are_not_said_to() -> None:
    """Between agreeing and differing for sure lies what nobody knows."""
    words = [
        compared_words(ClockDifference(ahead_s=ahead_s, sigma_s=25.0, pictures=40, km_s=4.0))
        for ahead_s in (20.0, -80.0, 120.0)
    ]
    assert words == [
        "agrees with this camera's as far as is known (20.0 ± 25.0 s)",
        "this camera's is perhaps 80.0 ± 25.0 s behind it; not sure",
        "this camera's is 120.0 ± 25.0 s ahead of it",
    ]
