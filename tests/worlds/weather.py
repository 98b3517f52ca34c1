"""What the weather lets through: regimes that follow one another, and what each does to the disc's light.

Numbers are optical depths and shares of the limb, not pictures: a Markov chain of regimes, each with a
spectrum of its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

Array = NDArray[np.float64]

REGIMES = ("clear", "thin", "broken", "overcast", "fog")
MEAN_H = (6.0, 1.5, 1.5, 3.0, 1.5)
NEXT = np.array(
    [
        [0.0, 0.45, 0.3, 0.15, 0.1],
        [0.5, 0.0, 0.25, 0.25, 0.0],
        [0.4, 0.25, 0.0, 0.35, 0.0],
        [0.25, 0.25, 0.5, 0.0, 0.0],
        [0.7, 0.2, 0.0, 0.1, 0.0],
    ]
)


@dataclass(frozen=True)
class Spell:
    """A regime between two hours of the session."""

    regime: str
    begin_h: float
    end_h: float


def chain(rng: np.random.Generator, hours: float, first: str = "clear") -> tuple[Spell, ...]:
    """Return spells that follow one another."""
    spells, now, state = [], 0.0, REGIMES.index(first)
    while now < hours:
        lasts = max(float(rng.exponential(MEAN_H[state])), 0.1)
        spells.append(Spell(REGIMES[state], now, now + lasts))
        now += lasts
        state = int(rng.choice(len(REGIMES), p=NEXT[state]))
    return tuple(spells)


def wander(rng: np.random.Generator, n: int, step_s: float, memory_s: float) -> Array:
    """Return a series of variance 1 that forgets itself within so many seconds (Ornstein-Uhlenbeck)."""
    keep = float(np.exp(-step_s / memory_s))
    kicks = rng.standard_normal(n) * np.sqrt(1 - keep**2)
    kicks[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], kicks))


@dataclass(frozen=True)
class Cloud:
    """What hangs before the sun; arrays (n,)."""

    depth: Array
    """Optical depth over the disc, in the middle."""
    ragged: Array
    """Share of the limb that is no clean edge."""
    glow: Array
    """Light that cloud scatters into a frame without a disc, over the disc's own level."""


def cloud(rng: np.random.Generator, since_h: Array, step_s: float, spells: tuple[Spell, ...]) -> Cloud:
    """Return the cloud at so many hours after the start, evenly spaced."""
    n = len(since_h)
    depth, rough = np.zeros(n), np.zeros(n)
    slow, quick = wander(rng, n, step_s, 1500.0), wander(rng, n, step_s, 240.0)
    shapes = {
        "clear": np.zeros(n),
        "thin": 0.35 * np.exp(0.6 * slow + 0.15 * quick),
        "broken": 5.0 / (1 + np.exp(-4 * (quick + 0.4 * slow))),
        "overcast": 9.0 * np.exp(0.25 * slow),
        "fog": 8.0 * np.exp(0.15 * slow),
    }
    roughness = {"clear": 0.0, "thin": 0.12, "broken": 1.0, "overcast": 0.6, "fog": 0.1}
    for spell in spells:
        inside = (since_h >= spell.begin_h) & (since_h < spell.end_h)
        depth[inside] = shapes[spell.regime][inside]
        rough[inside] = roughness[spell.regime]
    # Nothing begins at once; fog least of all.
    foggy = any(spell.regime == "fog" for spell in spells)
    depth = gaussian_filter1d(depth, max((480.0 if foggy else 120.0) / step_s, 0.3), mode="nearest")
    depth = np.where(depth < 0.01, 0.0, depth)
    rough = gaussian_filter1d(rough, max(180.0 / step_s, 0.3), mode="nearest")
    ragged = rough * rng.uniform(0, 1, n) ** 1.5 * np.minimum(depth / 1.5, 1.0)
    glow = 0.02 * (1 - np.exp(-depth)) * np.exp(-depth / 2.5)
    return Cloud(depth, np.clip(ragged, 0, 1), glow)


def air_mass(altitude_deg: Array) -> Array:
    """Return the air mass by Rozenberg 1966 (Twilight, p. 160): 40 at the horizon."""
    sine = np.sin(np.radians(np.maximum(altitude_deg, 0.0)))
    return np.asarray(1 / (sine + 0.025 * np.exp(-11 * sine)))
