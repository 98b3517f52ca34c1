"""The parts of a session's track: cut by hands and by a mount that lets go, and by nothing else."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np

from sentinel.chain.track import Context, parts_of
from sentinel.core.records import Mark, MeasuredFrame
from sentinel.sky import Sun
from tests.judge.tracks import START, Watch

Change = Callable[[Watch], None]


def frames_of(*stretches: tuple[int, Change | None]) -> tuple[list[MeasuredFrame], Context]:
    """Return frames a minute apart; before each stretch of so many something is done to the disc."""
    watch = Watch(START)
    frames: list[MeasuredFrame] = []
    for count, change in stretches:
        if change is not None:
            change(watch)
        for _ in range(count):
            watch.now += timedelta(minutes=1)
            watch.x, watch.y = watch.x + watch.speed[0], watch.y + watch.speed[1]
            frames.append(watch.frame())
    return frames, Context(watch.settings, Sun(watch.settings.site))


def put(px: float) -> Change:
    def change(watch: Watch) -> None:
        watch.x += px

    return change


def wait(hours: float) -> Change:
    def change(watch: Watch) -> None:
        watch.now += timedelta(hours=hours)
        watch.x, watch.y = (
            watch.x + 60 * hours * watch.speed[0],
            watch.y + 60 * hours * watch.speed[1],
        )

    return change


def let_go(watch: Watch) -> None:
    watch.x = 600.0
    watch.runs(1.0, way_deg=20.0)


def test_a_track_that_nobody_touches_is_one_part() -> None:
    frames, context = frames_of((200, None))
    assert set(parts_of(frames, [], context)) == {0}


def test_a_stray_disc_belongs_to_no_part_and_parts_nothing() -> None:
    frames, context = frames_of((200, None))
    disc = frames[90].disc
    frames[90] = replace(frames[90], disc=replace(disc, x_px=disc.x_px + 60))
    found = np.array(parts_of(frames, [], context))
    assert found[90] == -1
    assert set(found[:90]) == {0}
    assert set(found[92:]) == {0}


def test_a_jump_of_a_tenth_of_a_radius_parts_where_it_happened() -> None:
    frames, context = frames_of((150, None), (50, put(50.0)))
    assert parts_of(frames, [], context) == [0] * 150 + [1] * 50


def test_a_pause_parts_because_nobody_saw_what_happened() -> None:
    frames, context = frames_of((100, None), (100, wait(1.0)))
    assert parts_of(frames, [], context) == [0] * 100 + [1] * 100


def test_a_mark_alone_parts_nothing() -> None:
    frames, context = frames_of((200, None))
    mark = Mark(time_utc=frames[100].time_utc, kind="recentred")
    assert set(parts_of(frames, [mark], context)) == {0}


def test_a_turned_axis_parts_whatever_the_disc_shows() -> None:
    frames, context = frames_of((200, None))
    mark = Mark(time_utc=frames[100].time_utc - timedelta(seconds=1), kind="realigned")
    assert parts_of(frames, [mark], context) == [0] * 100 + [1] * 100


def test_a_mount_that_lets_go_is_followed_no_longer_from_its_onset_on() -> None:
    frames, context = frames_of((100, None), (20, let_go))
    found = parts_of(frames, [], context)
    assert set(found[:100]) == {0}
    assert set(found[101:]) == {-1}


def test_without_frames_there_are_no_parts() -> None:
    frames, context = frames_of((3, None))
    assert parts_of(frames, [], context) == [0] * 3
    assert parts_of([], [], context) == []
