"""Doubtful centres joined with what their neighbours foretell, on paths whose truth is written here."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from sentinel.chain.track.parts import NO_PART
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.jobs.steady import joined_centres

START = datetime(2031, 5, 4, 9, tzinfo=UTC)
COUNT, MINUTE_S = 61, 60.0
COVERED = (20, 30, 31, 40)


def path_px(number: int) -> tuple[float, float]:
    """A drift of 2 px a minute that the air bends."""
    return 300 + 2.0 * number - 0.01 * number**2, 500 - 0.7 * number


def session(
    jitter_px: float, own_px: float, seed: int = 3, *, covered: tuple[int, ...] = COVERED
) -> tuple[list[MeasuredFrame], np.ndarray]:
    """Frames a minute apart whose covered ones are off by so much, one sigma; and where the discs were."""
    random = np.random.default_rng(seed)
    true = np.array([path_px(k) for k in range(COUNT)]) + random.normal(0, jitter_px, (COUNT, 2))
    frames = []
    for k, at in enumerate(true):
        sigma_px = own_px if k in covered else 0.02
        x_px, y_px = (float(one) for one in at + random.normal(0, sigma_px, 2))
        disc = Disc(found=True, x_px=x_px, y_px=y_px, radius_px=80.0, centre_sigma_px=sigma_px)
        frames.append(
            MeasuredFrame(
                frame=f"{k:04d}.jpg",
                time_utc=START + timedelta(seconds=k * MINUTE_S),
                disc=disc,
                width_px=900,
                height_px=900,
            )
        )
    return frames, true


def errors_px(frames: list[MeasuredFrame], true: np.ndarray) -> np.ndarray:
    return np.array(
        [np.hypot(f.disc.x_px - x, f.disc.y_px - y) for f, (x, y) in zip(frames, true, strict=True)]
    )


def test_covered_discs_stand_within_what_wind_and_edges_leave_open_and_say_how_well() -> None:
    before, after, sigmas = [], [], []
    for seed in range(20):
        frames, true = session(0.2, 1.5, seed)
        joined = joined_centres(frames, [0] * COUNT)
        before += errors_px(frames, true)[list(COVERED)].tolist()
        after += errors_px(joined, true)[list(COVERED)].tolist()
        sigmas += [joined[k].disc.centre_sigma_px for k in COVERED]
    assert np.sqrt(np.mean(np.square(before))) > 1.8
    assert np.sqrt(np.mean(np.square(after))) < 0.4
    ratio = np.sqrt(np.mean(np.square(after)) / 2) / np.sqrt(np.mean(np.square(sigmas)))
    assert 0.75 < ratio < 1.25


@pytest.mark.parametrize("period_s", [240.0, 600.0])
def test_a_worm_that_swings_the_disc_is_followed(period_s: float) -> None:
    after, sigmas = [], []
    for seed in range(10):
        frames, true = session(0.2, 1.5, seed)
        swing = np.array([1.5 * np.sin(2 * np.pi * (60.0 * k / period_s) + seed) for k in range(COUNT)])
        swung = [
            replace(f, disc=replace(f.disc, x_px=f.disc.x_px + 0.8 * s, y_px=f.disc.y_px + 0.6 * s))
            for f, s in zip(frames, swing.tolist(), strict=True)
        ]
        joined = joined_centres(swung, [0] * COUNT)
        after += errors_px(joined, true + np.outer(swing, (0.8, 0.6)))[list(COVERED)].tolist()
        sigmas += [joined[k].disc.centre_sigma_px for k in COVERED]
    assert np.sqrt(np.mean(np.square(after))) < 0.45
    assert 0.7 < np.sqrt(np.mean(np.square(after)) / 2) / np.sqrt(np.mean(np.square(sigmas))) < 1.3


def test_where_the_wind_shakes_more_than_the_edges_leave_open_they_are_believed() -> None:
    frames, true = session(3.0, 0.6)
    joined = joined_centres(frames, [0] * COUNT)
    assert errors_px(joined, true)[list(COVERED)].max() < 4 * 0.6
    assert all(joined[k].disc.centre_sigma_px > 0.5 for k in COVERED)


def test_what_is_well_measured_stands_to_the_bit() -> None:
    frames, _ = session(0.5, 1.0)
    joined = joined_centres(frames, [0] * COUNT)
    assert [k for k in range(COUNT) if joined[k] is not frames[k]] == list(COVERED)


@pytest.mark.parametrize("parts", [[NO_PART] * COUNT, [0] * 30 + [1] * 31, list(range(COUNT))])
def test_discs_of_another_part_have_no_say(parts: list[int]) -> None:
    frames, _ = session(0.0, 1.0, covered=(30,))
    # Put elsewhere at the thirtieth: nothing before it tells where it stands, and nothing came before it.
    moved = [
        replace(f, disc=replace(f.disc, x_px=f.disc.x_px + (200 if k >= 30 else 0)))
        for k, f in enumerate(frames)
    ]
    assert joined_centres(moved, parts)[30] is moved[30]


def test_a_disc_that_does_not_lie_on_the_path_is_left_where_it_was_seen() -> None:
    frames, _ = session(0.1, 1.0, covered=(30,))
    off = replace(frames[30], disc=replace(frames[30].disc, y_px=frames[30].disc.y_px + 9))
    frames[30] = off
    assert joined_centres(frames, [0] * COUNT)[30] is off


def test_few_frames_and_frames_without_a_disc_are_handed_back() -> None:
    frames, _ = session(0.1, 1.0)
    unseen = [replace(frame, disc=Disc(found=False)) for frame in frames]
    assert joined_centres(unseen, [NO_PART] * COUNT) == unseen
    assert joined_centres(frames[:3], [0] * 3) == frames[:3]
    assert joined_centres([], []) == []
