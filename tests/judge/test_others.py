"""Two views of one sky, in two worlds that share nothing of weather, mount and noise but the hours of it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise

import pytest

from sentinel.chain.judge.others import Company
from sentinel.chain.notify import wording
from sentinel.chain.pipeline import Pipeline
from sentinel.core.other_cameras import OtherCamera, SunSeen
from sentinel.core.records import Event, Incident, Mark, MeasuredFrame, Outcome, Severity, Tick
from sentinel.service.journal.codec import plain
from tests.worlds import happenings as h
from tests.worlds.mount import Lens
from tests.worlds.run import Run
from tests.worlds.weather import Spell
from tests.worlds.world import World

HOURS = 2.4
EAST = World(
    seed=11, hours=HOURS, ahead_h=1.0, across_deg=0.2, wind_arcsec=1.0, centre_px=0.05, worm_arcsec=6.0
)
WEST = replace(EAST, seed=29, across_deg=-0.15, along_deg=0.2, roll_deg=12.0, worm_arcsec=9.0,
               lens=Lens(focal_mm=300.0))  # fmt: skip


Spans = Sequence[tuple[float, float]]
"""Hours of the session."""


@pytest.fixture(autouse=True, params=[False, pytest.param(True, marks=pytest.mark.slow)])
def _foreseen(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forecasts take nine tenths of the time and are not what is asked here: the slow tests make them."""
    monkeypatch.setattr(Camera, "foreseen", request.param)


class Camera:
    """One camera of a site, and all that its watch says."""

    foreseen = True
    """Whether forecasts are made."""

    def __init__(self, name: str, world: World, dark_h: Spans = ()) -> None:
        run = Run(world)
        self.name, self.frames = name, run.frames()
        begin = self.frames[0].time_utc
        for begin_h, end_h in dark_h:
            self.frames = [
                dark(f) if begin_h <= (f.time_utc - begin).total_seconds() / 3600 < end_h else f
                for f in self.frames
            ]
        self.pipeline = Pipeline(world.settings, start_utc=begin)
        self.events: list[tuple[Event, datetime]] = []
        self.said: list[Incident] = []
        self._told: SunSeen | None = None
        self.clock_s = 0.0
        """By how much its clock is fast, as the others see it."""

    def take(self, event: Event, now_utc: datetime) -> None:
        self.events.append((event, now_utc))
        self.said += stepped(self.pipeline, event, now_utc).incidents

    def news(self, now_utc: datetime) -> OtherCamera | None:
        sun = self.pipeline.sun
        if sun is None or sun == self._told:
            return None
        self._told = sun
        off = timedelta(seconds=self.clock_s)
        sun = replace(sun, since_utc=sun.since_utc + off, frame_utc=sun.frame_utc + off)
        return OtherCamera(time_utc=now_utc, camera=self.name, sun=sun)

    def woken(self) -> list[Incident]:
        return [one for one in self.said if one.severity is Severity.NOW and one.state != "cleared"]

    def told(self, condition: str = "lost-disc") -> list[tuple[str, str]]:
        return [(one.state, one.severity.value) for one in self.said if one.condition == condition]

    def minutes(self, incident: Incident, since_h: float) -> float:
        at = self.frames[0].time_utc + timedelta(hours=since_h)
        return (incident.time_utc - at).total_seconds() / 60


def stepped(pipeline: Pipeline, event: Event, now_utc: datetime) -> Outcome:
    return pipeline.step(event, now_utc) if Camera.foreseen else pipeline.step_with(event, None, now_utc)


def dark(frame: MeasuredFrame) -> MeasuredFrame:
    """Return a frame with a cap on the lens."""
    disc = replace(frame.disc, found=False, limb_in_frame=0.0, limb_coverage=0.0, brightness=0.0004,
                   saturated_fraction=0.0)  # fmt: skip
    return replace(frame, disc=disc)


def watched(*cameras: Camera, tell: bool = True, late_s: float = 20.0) -> None:
    """Let the cameras take their frames by turns; what each sees the others hear a little later."""
    start = cameras[0].frames[0].time_utc
    end = max(camera.frames[-1].time_utc for camera in cameras)
    waiting = {camera.name: list(camera.frames) for camera in cameras}
    now_utc = start
    while now_utc <= end + timedelta(minutes=1):
        for camera in cameras:
            frames = waiting[camera.name]
            while frames and frames[0].time_utc + timedelta(seconds=2) <= now_utc:
                camera.take(frames.pop(0), now_utc)
            if not frames or frames[0].time_utc - now_utc > timedelta(seconds=90):
                camera.take(Tick(time_utc=now_utc), now_utc)
        now_utc += timedelta(seconds=late_s)
        if tell:
            news = [(camera, camera.news(now_utc)) for camera in cameras]
            for teller, heard in news:
                for camera in cameras:
                    if heard is not None and camera is not teller:
                        camera.take(heard, now_utc)
        now_utc += timedelta(seconds=30.0 - late_s)


CAPPED: Spans = [(1.5, 9.0)]


@cache
def capped(*, foreseen: bool) -> tuple[Camera, Camera]:
    """A pair of which the eastern one gets a cap: watched once for all that look at it."""
    assert foreseen is Camera.foreseen
    return pair(east_dark=CAPPED)


@cache
def capped_alone(*, foreseen: bool) -> Camera:
    """The eastern one, which hears of nobody."""
    assert foreseen is Camera.foreseen
    return alone(EAST, CAPPED)


def alone(world: World, dark: Spans = ()) -> Camera:
    """A camera that nobody tells anything, and so as if it were the only one."""
    camera = Camera("east", world, dark)
    watched(camera)
    return camera


def pair(
    east: World = EAST, west: World = WEST, *, tell: bool = True, east_dark: Spans = (), west_dark: Spans = ()
) -> tuple[Camera, Camera]:
    cameras = Camera("east", east, east_dark), Camera("west", west, west_dark)
    watched(*cameras, tell=tell)
    return cameras


def test_a_cap_on_one_lens_is_told_sooner_than_that_camera_could() -> None:
    by_nobody = capped_alone(foreseen=Camera.foreseen)
    east, west = capped(foreseen=Camera.foreseen)
    by_itself = [one for one in by_nobody.woken() if one.condition == "lost-disc"]
    (lost,) = [one for one in east.woken() if one.condition == "lost-disc"]
    assert east.minutes(lost, 1.5) <= 5
    assert by_nobody.minutes(by_itself[0], 1.5) >= 12, "by itself it has to rule out cloud first"
    assert plain(lost.detail)["seen_by"] == ["west"]
    assert "west has seen it without a break since 13:30Z" in wording.message(lost)
    assert len(wording.sms(lost)) <= 160
    assert west.told() == []
    assert [one for one in west.woken() if one.condition != "drift-exit"] == []


def test_cloud_without_warning_wakes_nobody_where_both_lost_the_sun() -> None:
    """As sudden as a cap, over both, one a little later: each by itself would call."""
    dark = {"east_dark": [(1.5, 2.2)], "west_dark": [(1.5 + 2 / 60, 2.2)]}
    for camera in pair(tell=False, **dark):  # type: ignore[arg-type]
        assert [one.condition for one in camera.woken()] == ["lost-disc"]
    for camera in pair(**dark):  # type: ignore[arg-type]
        assert camera.told() == []
        assert camera.told("unverified") == [] or camera.told("unverified")[0][1] == "note"


@pytest.mark.parametrize("regime", ["overcast", "broken", "fog"])
@pytest.mark.parametrize(
    "seed", [1, pytest.param(2, marks=pytest.mark.slow), pytest.param(3, marks=pytest.mark.slow)]
)
def test_both_clouded_wake_nobody(regime: str, seed: int) -> None:
    spells = (Spell("clear", 0.0, 1.0), Spell(regime, 1.0, 2.0), Spell("clear", 2.0, 9.0))
    worlds = [replace(world, seed=world.seed + 100 * seed, spells=spells) for world in (EAST, WEST)]
    for camera in pair(*worlds):
        assert [one for one in camera.woken() if one.condition in {"lost-disc", "runaway"}] == []


def test_one_that_stopped_under_the_cloud_is_missed_once_the_other_sees_the_sun() -> None:
    spells = (Spell("clear", 0.0, 1.0), Spell("overcast", 1.0, 1.6), Spell("clear", 1.6, 9.0))
    stopped = replace(EAST, spells=spells).with_happenings(h.Rate(at_h=1.2, arcsec_s=0.0))
    east, west = pair(stopped, replace(WEST, spells=spells))
    single = alone(stopped)
    (first, *_) = [one for one in east.said if one.condition == "lost-disc"]
    assert 9 <= east.minutes(first, 1.6) <= 14
    assert plain(first.detail)["seen_by"] == ["west"]
    assert [one for one in east.woken() if one.condition == "lost-disc"], "and it wakes in the end"
    before = [single.minutes(one, 1.6) for one in single.said if one.condition == "lost-disc"]
    assert not before or before[0] > east.minutes(first, 1.6)
    assert west.told() == []


def test_one_that_stopped_in_the_clear_is_a_runaway_and_no_cloud_for_the_other() -> None:
    east, west = pair(EAST.with_happenings(h.Rate(at_h=1.5, arcsec_s=0.0)), west_dark=[(1.6, 9.0)])
    assert east.woken()[0].condition == "runaway"
    # Its sun left the frame, which says nothing of the sky: the cap on the other one is found by itself.
    (lost,) = [one for one in west.woken() if one.condition == "lost-disc"]
    assert "seen_by" not in plain(lost.detail)


BEHIND = ((0.0, 1.0), (250.0, 1.0), (255.0, 60.0), (275.0, 60.0), (280.0, 1.0))
"""A tree in the west, as tall as the sun: the sun goes behind it during these hours."""


def test_one_behind_a_tree_that_its_settings_know_is_not_missed_and_is_no_cloud() -> None:
    east, west = pair(replace(EAST, horizon=BEHIND, hours=4.0), replace(WEST, hours=4.0))
    assert east.told() == []
    assert west.told() == []
    behind = [f for f in east.frames if not f.disc.found]
    assert len(behind) > 20, "the sun went behind it"
    # While it is there, a cap on the other is no cloud over both: that one tells it in its own time.
    from_h = (behind[3].time_utc - east.frames[0].time_utc).total_seconds() / 3600
    _, west = pair(
        replace(EAST, horizon=BEHIND, hours=4.0), replace(WEST, hours=4.0), west_dark=[(from_h, 4.0)]
    )
    assert [one.severity for one in west.said if one.condition == "lost-disc"][-1] is Severity.NOW


def test_a_silent_neighbour_counts_for_nothing() -> None:
    """It told that it saw the sun, then nothing: what is judged is as if there were none."""
    east, west = Camera("east", EAST, [(1.5, 9.0)]), Camera("west", WEST)
    west.frames = [f for f in west.frames if (f.time_utc - west.frames[0].time_utc) < timedelta(hours=1.4)]
    watched(east, west)
    single = capped_alone(foreseen=Camera.foreseen)
    told = [(one.time_utc, one.condition, one.severity) for one in east.said if one.condition == "lost-disc"]
    assert [(s, c) for _, c, s in told] == [
        (one.severity, one.condition) for one in single.said if one.condition == "lost-disc"
    ]
    assert "seen_by" not in plain(east.woken()[-1].detail)


@pytest.mark.parametrize(("off_s", "heard"), [(5.0, True), (7200.0, False)])
def test_a_neighbour_whose_clock_is_seconds_off_tells_as_well_and_one_hours_off_nothing(
    off_s: float, heard: bool
) -> None:
    east, west = Camera("east", EAST, [(1.5, 9.0)]), Camera("west", WEST)
    west.clock_s = off_s
    watched(east, west)
    (lost, *_) = [one for one in east.woken() if one.condition == "lost-disc"]
    assert ("seen_by" in plain(lost.detail)) is heard
    assert (east.minutes(lost, 1.5) <= 7) is heard


def test_a_replay_of_the_events_says_the_same() -> None:
    east, _ = capped(foreseen=Camera.foreseen)
    again = Pipeline(EAST.settings, start_utc=east.frames[0].time_utc)
    said = [one for event, now_utc in east.events for one in stepped(again, event, now_utc).incidents]
    assert said == east.said
    assert any(isinstance(event, OtherCamera) for event, _ in east.events)


def test_somebody_at_the_neighbour_is_no_cloud_here() -> None:
    """A visit that caps that lens says nothing of the sky, even when this one goes dark that very moment."""
    east, west = Camera("east", EAST, [(1.5, 9.0)]), Camera("west", WEST, [(1.5, 1.8)])
    at = west.frames[0].time_utc + timedelta(hours=1.48)
    west.take(west.frames.pop(0), west.frames[0].time_utc)
    west.take(Mark(time_utc=at, kind="visit", minutes=20.0), west.frames[0].time_utc)
    watched(east, west)
    assert [one.condition for one in east.woken()].count("lost-disc") == 1


def test_what_is_remembered_of_others_is_bounded() -> None:
    at = datetime(2026, 6, 21, tzinfo=UTC)
    company = Company()
    for number in range(50):
        sun = SunSeen(state="seen", since_utc=at, frame_utc=at + timedelta(minutes=number))
        company = company.after(OtherCamera(time_utc=at, camera=f"c{number % 30}", sun=sun))
    assert len(company.heard) == 8
    assert all(one.camera != two.camera for one, two in pairwise(company.heard))
