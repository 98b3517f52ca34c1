"""Where a disc whose limb hardly shows stood, by its own edges and by the discs before and after it.

Looking back, a frame behind cloud has neighbours on both sides: the disc creeps between them as the mount
lets it. Only doubtful centres are joined so; one that is well measured shows what wind and gears did.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot
from typing import NamedTuple

import numpy as np

from sentinel.chain.track.parts import NO_PART
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.sky.arrays import Array

DOUBTFUL_PX = 0.5
"""Measured better than this, a centre stands as it is: a gust throws the disc farther off its path."""
BETTER = 0.5
"""Of its own sigma: so well or better is a neighbour measured that has a say."""
NEIGHBOURS_S = 1800.0
FEWEST = 6
EACH_SIDE = 2
"""As few neighbours, before and after: a path is not carried on beyond what was seen."""
DEGREE = 2
"""Of the path through half an hour on either side: drift, bent by the air and by the mount."""
PERIODS_S = np.geomspace(150.0, 1200.0, 50)
"""Of worms (common practice, no source); in steps of 4 %."""
FEWEST_SWINGING = 15
SWINGS_CHI = 0.7
"""Of the parabola's own misfit; by chance no period takes so much of it away."""
AGREEING_SIGMAS = 4.0
"""Farther from its path a disc was moved, or was measured worse than it knows: nobody can say which."""


def joined_centres(frames: Sequence[MeasuredFrame], parts: Sequence[int]) -> list[MeasuredFrame]:
    """Return the frames, doubtful centres joined by inverse variance with what their neighbours foretell.

    `frames`: in order of exposure.
    `parts`: the part of the track that each belongs to, as `chain.track.parts_of` gives them.
    """
    times_s = np.array([utc_s(frame.time_utc) for frame in frames])
    sigma_px = np.array([frame.disc.centre_sigma_px if frame.disc.found else np.inf for frame in frames])
    xy_px = np.array([(frame.disc.x_px, frame.disc.y_px) for frame in frames]).reshape(-1, 2)
    number, joined = np.array(parts), list(frames)
    doubtful = np.isfinite(sigma_px) & (sigma_px > DOUBTFUL_PX) & (number != NO_PART)
    for k in map(int, np.flatnonzero(doubtful)):
        near = (number == number[k]) & (sigma_px <= BETTER * sigma_px[k])
        near &= np.abs(times_s - times_s[k]) <= NEIGHBOURS_S
        after_s = times_s[near] - times_s[k]
        if near.sum() < FEWEST or min((after_s < 0).sum(), (after_s > 0).sum()) < EACH_SIDE:
            continue
        foretold_px, foretold_sigma_px = _on_path(after_s, xy_px[near], sigma_px[near])
        own_px, own_sigma_px = xy_px[k], float(sigma_px[k])
        apart_px = float(np.hypot(*(foretold_px - own_px)))
        if apart_px > AGREEING_SIGMAS * hypot(own_sigma_px, foretold_sigma_px):
            continue
        trust = own_sigma_px**2 / (own_sigma_px**2 + foretold_sigma_px**2)
        x_px, y_px = own_px + trust * (foretold_px - own_px)
        disc = replace(
            frames[k].disc,
            x_px=float(x_px),
            y_px=float(y_px),
            centre_sigma_px=float(np.sqrt(trust)) * foretold_sigma_px,
        )
        joined[k] = replace(frames[k], disc=disc)
    return joined


def _on_path(after_s: Array, xy_px: Array, sigma_px: Array) -> tuple[Array, float]:
    """Return where a path through neighbours passes at 0 s, and its sigma for a disc that jitters as they do.

    The path is a parabola, and with it what swings evenly about it, as a worm makes a disc do, where one
    period explains most of what the parabola leaves.

    `after_s`: (n,), `xy_px`: (n, 2), `sigma_px`: (n,) of either coordinate.
    """
    bend = np.vander(after_s / NEIGHBOURS_S, DEGREE + 1, increasing=True)
    weight = 1 / np.hypot(sigma_px, np.median(sigma_px))
    path = _fitted(bend, xy_px, weight)
    if len(after_s) >= FEWEST_SWINGING:
        turns = 2 * np.pi * after_s / PERIODS_S[:, None]
        swings = [np.column_stack([bend, np.cos(turn) - 1, np.sin(turn)]) for turn in turns]
        best = min((_fitted(one, xy_px, weight) for one in swings), key=lambda fitted: fitted.chi)
        path = best if best.chi < SWINGS_CHI * path.chi else path
    return path.at_px, float(np.hypot(path.jitter_px, path.sigma_px))


class _Path(NamedTuple):
    """A path through neighbours."""

    at_px: Array
    sigma_px: float
    jitter_px: float
    """How far the neighbours lie off it, rms of either coordinate."""
    chi: float
    """The same in units of their sigmas."""


def _fitted(powers: Array, xy_px: Array, weight: Array) -> _Path:
    """Fit a path whose first coefficient is where it passes at 0 s."""
    inverse = np.linalg.pinv(powers * weight[:, None])
    path = inverse @ (xy_px * weight[:, None])
    left_px = xy_px - powers @ path
    free = 2 * max(len(weight) - powers.shape[1], 1)
    jitter_px = float(np.sqrt((left_px**2).sum() / free))
    chi = float(np.sqrt(((left_px * weight[:, None]) ** 2).sum() / free))
    return _Path(path[0], max(chi, 1.0) * float(np.linalg.norm(inverse[0])), jitter_px, chi)
