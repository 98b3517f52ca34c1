"""What a drill does to the world, what mends it, and what is said to have come of it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sentinel.core.errors import RequestProblem
from sentinel.core.records import Mark, MarkKind
from sentinel.core.times import utc_s
from sentinel.jobs.rehearse.drills import KINDS, Drill, drill_of, ending, touch_utc
from sentinel.jobs.rehearse.stage import calm_world, first_light, shipped_settings, watch_settings
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.synthesize import plan_session
from sentinel.sky import Sun
from sentinel.sky.horizon import above_line_deg

START = datetime(2027, 6, 20, 20, tzinfo=UTC)
AT = timedelta(minutes=25)


def world(hours: float = 1.0) -> Scenario:
    return calm_world(shipped_settings(), START, timedelta(hours=hours), seed=3)


def drill(name: str, *marks: tuple[MarkKind, float], hours: float = 1.0) -> Drill:
    """A drill with marks so many minutes after the start."""
    made = drill_of(name, world(hours), AT, surprise=False, seed=1)
    noted = tuple(Mark(time_utc=START + timedelta(minutes=m), kind=kind) for kind, m in marks)
    return replace(made, marks=noted)


def after(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def offset_px(made: Drill, minutes: float) -> float:
    """How far the disc stands from where it stood when the trouble began."""
    work = plan_session(made.scenario())
    index = int((work.truth.utc_s < utc_s(after(minutes))).sum()) - 1
    begin = int((work.truth.utc_s < utc_s(after(25))).sum()) - 1
    return float(abs(work.truth.x_px[index] - work.truth.x_px[begin]))


def test_a_stop_goes_on_until_it_is_marked_as_mended() -> None:
    # At midsummer the sun's circle is narrower than the equator by the cosine of 23.4 degrees.
    an_hour_px = 15 * 0.918 * 3600 / world().camera.pixel_pitch_um * world().camera.focal_length_mm / 206.265
    assert offset_px(drill("stop"), 45) == pytest.approx(an_hour_px / 3, rel=0.1)
    assert offset_px(drill("reverse"), 45) == pytest.approx(2 * an_hour_px / 3, rel=0.1)
    assert offset_px(drill("stop", ("recentred", 35)), 45) < 20, "put back into the middle, and tracking"
    assert offset_px(drill("stop", ("seen", 35), ("recentred", 10)), 45) > 200, "neither mends it"


@pytest.mark.parametrize(("name", "mend"), [("no-frames", "timer"), ("battery", "battery")])
def test_a_silent_camera_takes_pictures_again_once_somebody_saw_to_it(name: str, mend: MarkKind) -> None:
    for made, then in ((drill(name), False), (drill(name, (mend, 40)), True)):
        assert made.takes_pictures(after(24))
        assert not made.takes_pictures(after(30))
        assert made.takes_pictures(after(45)) is then
    assert all(drill("stop").takes_pictures(after(m)) for m in (1, 30, 50))


def test_the_limb_touches_when_a_stopped_mount_lets_it() -> None:
    """250 mm on 36 mm: 4.12 degrees to the edge less the sun's 0.26, at 13.8 degrees an hour."""
    touched = touch_utc(drill("stop"))
    assert touched is not None
    assert (touched - after(25)).total_seconds() / 60 == pytest.approx(16.8, abs=0.7)
    back = touch_utc(drill("reverse"))
    assert back is not None
    assert (back - after(25)).total_seconds() / 60 == pytest.approx(8.4, abs=0.7)


def test_the_ending_says_whether_the_sun_was_saved() -> None:
    end = after(60)
    assert ending(drill("stop", ("recentred", 36)), end, woken=1).startswith("Saved: ")
    late = ending(drill("stop", ("recentred", 50)), end, woken=1)
    assert late.startswith("Not saved: the limb")
    assert "at 20:42Z, and 8 pictures lost" in late, "touched after 16.8 min, back after 25"
    assert ending(drill("stop"), end, woken=1).startswith("Not saved: ")
    assert ending(drill("stop"), after(30), woken=0).startswith("Open at the end: ")
    assert "13 min" in ending(drill("filter", ("visit", 38)), end, woken=1)
    assert ending(drill("filter"), end, woken=1).startswith("Not saved: ")
    assert "35 pictures not taken" in ending(drill("no-frames"), end, woken=1)
    assert "nobody was woken" in ending(drill("cloud"), end, woken=0)
    assert "woken 2 times" in ending(drill("cloud"), end, woken=2)


def test_a_surprise_is_any_drill_at_any_time_and_a_strange_one_is_refused() -> None:
    made = {
        (d.name, d.at_utc)
        for seed in range(60)
        for d in [drill_of(None, world(), AT, surprise=True, seed=seed)]
    }
    assert {name for name, _ in made} == set(KINDS)
    assert len({at for _, at in made}) > 50
    assert all(after(14) < at < after(46) for _, at in made)
    for name in (None, "fire"):
        with pytest.raises(RequestProblem, match="stop, reverse, cloud"):
            drill_of(name, world(), AT, surprise=False, seed=1)


def test_the_drill_is_played_while_the_sun_is_up_at_ones_own_place() -> None:
    for latitude, now in (
        (70.4, datetime(2026, 12, 1, tzinfo=UTC)),
        (-33.0, datetime(2027, 6, 1, 14, tzinfo=UTC)),
    ):
        site = shipped_settings().site.model_copy(update={"latitude_deg": latitude})
        settings = shipped_settings().model_copy(update={"site": site})
        begin = first_light(settings, now, timedelta(hours=1))
        assert begin >= now
        times = [utc_s(begin) + 60 * minute for minute in range(61)]
        assert min(above_line_deg(Sun(site), times)) > 2.9
    noon = datetime(2027, 6, 21, 10, tzinfo=UTC)
    assert first_light(shipped_settings(), noon, timedelta(hours=1)) == noon, "the sun is up: now"


def test_the_watch_is_told_of_the_drill_and_of_nothing_that_is_not_there(tmp_path: Path) -> None:
    own = shipped_settings()
    own = own.model_copy(
        update={"camera": own.camera.model_copy(update={"name": "east", "pixel_pitch_um": 4.0})}
    )
    made = calm_world(own, START, timedelta(hours=1), seed=1)
    told = watch_settings(own, made, tmp_path, 10.0)
    assert told.camera.name == "REHEARSAL east"
    assert made.camera.width_px <= 1500
    assert told.camera.pixel_pitch_um * made.camera.width_px == pytest.approx(36_000, rel=0.01)
    assert told.heartbeat.url_from is None
    assert told.frames.folder == str(tmp_path)
