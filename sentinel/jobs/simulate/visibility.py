"""How much of the disc an exposure shows: what is in the frame, over the horizon, and not behind anything."""

from dataclasses import dataclass

import numpy as np

from sentinel.jobs.simulate.conditions import Conditions
from sentinel.jobs.simulate.fields import smooth_at
from sentinel.jobs.simulate.scenario import SimCamera
from sentinel.jobs.simulate.scene import Cloud
from sentinel.jobs.simulate.world import Truth
from sentinel.sky.arrays import Array, Bools, Indices

_LIMB_POINTS = 90
_FINE_POINTS = 3600
CLEAN_TRANSMISSION = 0.005
"""Where less light than this comes through, a limb is no clean edge."""
CLEAN_LEVEL = 0.0008
"""Nor where the disc's limb is darker than this: three of the darkest steps of an 8-bit sRGB file."""
LEAST_LEVEL = 0.0015
"""And no disc is measured whose limb is darker than this in the median."""
LEAST_LIMB = 0.10
"""Share of the circumference without which no disc is measured."""
_LIMB_BRIGHTNESS = 0.45  # of the disc's centre, just inside the limb
_RINGS = ((0.0, 1), (0.45, 8), (0.8, 14))  # radius, points: where the disc's own light is sampled


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueVisibility:
    """Arrays of one shape (times,)."""

    limb_in_frame: Array
    """Fraction of the circumference inside the frame."""
    limb_coverage: Array
    """Fraction of the circumference seen as a clean edge."""
    transmission: Array
    """Median over the disc of what cloud lets through."""
    glow: Array
    """Light that cloud adds, in units of the disc's brightness."""
    found: Bools
    """Whether somebody who looks closely can measure the disc."""


def visibility(camera: SimCamera, truth: Truth, state: Conditions) -> TrueVisibility:
    """Return what can be seen of the disc at each of the truth's times."""
    x, y = _points(truth, np.linspace(0, 2 * np.pi, _LIMB_POINTS, endpoint=False), 1.0)
    clean = _inside(camera, x, y) & _not_behind(truth, state, x, y)
    medians, glow = np.ones(len(x)), np.zeros(len(x))
    cloudy = np.array([i for i, sheets in enumerate(state.clouds) if sheets], dtype=np.intp)
    if len(cloudy):
        through = _through(state, cloudy, x[cloudy], y[cloudy])
        light = (state.level * state.gain * _LIMB_BRIGHTNESS)[cloudy, None] * through
        clean[cloudy] &= (through > CLEAN_TRANSMISSION) & (light > CLEAN_LEVEL)
        medians[cloudy] = np.median(_through(state, cloudy, *_over_disc(truth, cloudy)), axis=1)
        scattered = np.array([sum(cloud.glow for cloud in state.clouds[i]) for i in cloudy])
        glow[cloudy] = scattered * (1 - medians[cloudy])
    dark = state.night | state.capped | state.filter_lost | ~np.isfinite(truth.x_px)
    bright = state.level * state.gain * medians * _LIMB_BRIGHTNESS > LEAST_LEVEL
    coverage = np.where(dark, 0.0, clean.mean(axis=1))
    return TrueVisibility(
        limb_in_frame=limb_in_frame(camera, truth),
        limb_coverage=coverage,
        transmission=medians,
        glow=glow,
        found=(coverage >= LEAST_LIMB) & bright & ~dark,
    )


def limb_in_frame(camera: SimCamera, truth: Truth) -> Array:
    """Return the fraction of the circumference inside the frame, to 0.0003."""
    margin = np.minimum.reduce(
        [truth.x_px, truth.y_px, camera.width_px - 1 - truth.x_px, camera.height_px - 1 - truth.y_px]
    )
    fraction = np.where(margin > truth.radius_px, 1.0, 0.0)
    cut = np.abs(margin) <= truth.radius_px
    angles = np.linspace(0, 2 * np.pi, _FINE_POINTS, endpoint=False)
    for some in np.array_split(np.nonzero(cut)[0], max(1, int(cut.sum()) // 256)):
        x, y = _points(truth, angles, 1.0, some)
        fraction[some] = _inside(camera, x, y).mean(axis=1)
    return np.asarray(fraction)


def _points(
    truth: Truth, angles: Array, radii: float, some: Indices | slice = slice(None)
) -> tuple[Array, Array]:
    """Return points (times, angles) at so many radii from the middle, angles clockwise from the zenith."""
    along = truth.radius_px[some, None] * radii
    across, above = along * np.sin(angles), along * (1 - truth.flattening[some, None]) * np.cos(angles)
    zenith = np.radians(truth.zenith_deg[some, None])
    x = truth.x_px[some, None] + across * np.cos(zenith) + above * np.sin(zenith)
    y = truth.y_px[some, None] + across * np.sin(zenith) - above * np.cos(zenith)
    return x, y


def _inside(camera: SimCamera, x: Array, y: Array) -> Bools:
    return np.asarray((x >= -0.5) & (x < camera.width_px - 0.5) & (y >= -0.5) & (y < camera.height_px - 0.5))


def _not_behind(truth: Truth, state: Conditions, x: Array, y: Array) -> Bools:
    """Return which points are above the horizon line and beside the moon."""
    zenith = np.radians(truth.zenith_deg[:, None])
    dx, dy = x - truth.x_px[:, None], y - truth.y_px[:, None]
    above, across = dx * np.sin(zenith) - dy * np.cos(zenith), dx * np.cos(zenith) + dy * np.sin(zenith)
    over_line = state.above_horizon_px[:, None] + above - state.horizon_slope[:, None] * across > 0
    from_moon = np.hypot(x - state.moon_x_px[:, None], y - state.moon_y_px[:, None])
    return np.asarray(over_line & ~(from_moon < state.moon_radius_px[:, None]))


def _through(state: Conditions, some: Indices, x: Array, y: Array) -> Array:
    """Return what cloud lets through at points (some, points) of the times `some`, sheet by sheet."""
    left = np.ones(x.shape)
    sheets: dict[int, list[tuple[int, Cloud]]] = {}
    for row, i in enumerate(some):
        for cloud in state.clouds[i]:
            sheets.setdefault(cloud.seed, []).append((row, cloud))
    for seed, held in sheets.items():
        rows = np.array([row for row, _ in held])
        shift = np.array([cloud.shift_px for _, cloud in held])
        depth = np.array([cloud.depth for _, cloud in held])
        sheet = held[0][1]
        field = smooth_at(
            x[rows] - shift[:, :1], y[rows] - shift[:, 1:], scale=sheet.scale_px, seed=seed, octaves=5
        )
        left[rows] *= np.exp(-depth[:, None] * np.exp(sheet.contrast * field))
    return left


def _over_disc(truth: Truth, some: Indices) -> tuple[Array, Array]:
    """Return points (some, points) spread over the disc."""
    rings = [_points(truth, np.linspace(0, 2 * np.pi, n, endpoint=False), r, some) for r, n in _RINGS]
    return np.concatenate([x for x, _ in rings], axis=1), np.concatenate([y for _, y in rings], axis=1)
