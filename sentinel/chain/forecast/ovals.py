"""What the flattened disc tells of the heights that the sun may have had.

The air makes the disc lower than wide: by 0.8 % at 10 degrees of altitude, 0.2 % at 20, 0.06 % at 35. Which
way is short turns in the picture with the parallactic angle. How the camera sits is not asked: it is the same
all the while, and any angle is as likely.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.geometry import OtherSky
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.solar_size import MEAN_RADIUS_DEG
from sentinel.core.times import utc_s
from sentinel.sky.arrays import Array
from sentinel.sky.refraction import flattening

Complex = NDArray[np.complex128]

SAMPLE_S = 900.0
SAMPLES = 96
"""A day of them."""
FEWEST, FEWEST_FRAMES = 4, 2
_FLOOR = 3e-5
"""Of the radius: how far off a sample may be that its frames agree on."""
DISTORTION = 1.5e-3
"""By so much a long lens stretches the corner: discs are drawn long there, as the distance squared."""
_LENSES = ((0.91, 2e-4, DISTORTION), (0.03, 1e-2, 1e-2))
"""How likely lens and sensor are to be of a kind, and what oval, in radii, they make everywhere, and along
the radius in the picture's corner; the second are those of pictures that were made narrower."""
_AIR, _AIR_LOW, _AIR_LOW_DEG, _AIR_S = 0.05, 0.3, 1.5, 4 * 3600.0
"""Share by which the air may flatten otherwise than reckoned, at any height, and more at the horizon, there
for so long: layers of warm and cold."""
_TURNS = 0.03
"""Share of it that may lie athwart: a camera turns a little on a mount that is not set to the pole."""
_LOWEST_DEG = -0.5
_ANYHOW = ((0.04, 2e-3, 3600.0), (0.02, 1e-2, 1800.0))
"""How likely it is that something else decides, by how much and for how long: then the oval tells nothing."""


def oval_and_place(frame: MeasuredFrame) -> tuple[complex, complex]:
    """Return how far from round a disc is, in radii, twice the long axis' direction its argument; and where.

    What a flat sensor stretches along the radius, off the lens axis, is taken out. The place is the square of
    that in the picture, the corner's being 1 in size.
    """
    disc = frame.disc
    off = complex(disc.x_px - (frame.width_px - 1) / 2, disc.y_px - (frame.height_px - 1) / 2)
    flat = (off / disc.radius_px * np.radians(MEAN_RADIUS_DEG) / 2) ** 2
    corner = abs(complex(frame.width_px, frame.height_px)) / 2
    return complex(disc.oval_cos2_px, disc.oval_sin2_px) / disc.radius_px - flat, (off / corner) ** 2


@dataclass(frozen=True, slots=True)
class _Sample:
    """Some minutes' frames together; in radii, as complex numbers of twice the long axis' direction."""

    begin_s: float
    end_s: float
    oval: complex
    variance: float
    place: complex
    """Square of the place in the picture, the corner's being 1 in size."""
    part: int


class Ovals:
    """Learns from frames how far from round the disc was; bounded."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._samples: deque[_Sample] = deque(maxlen=SAMPLES)
        self._open: list[tuple[float, complex, float, complex]] = []
        self._part = 0
        self.fresh = 0
        """How many samples are new since they were last asked."""

    def __len__(self) -> int:
        return len(self._samples)

    def begin_part(self) -> None:
        """Begin another part of the track: the camera may have been turned."""
        self._close()
        self._part += 1

    def see(self, frame: MeasuredFrame) -> None:
        """Take a frame of a disc."""
        disc, at_s = frame.disc, utc_s(frame.time_utc)
        if not disc.oval_sigma_px > 0 or not frame.width_px > 0:
            return
        if self._open and not 0 <= at_s - self._open[0][0] < SAMPLE_S:
            self._close()
        oval, place = oval_and_place(frame)
        self._open.append((at_s, oval, disc.oval_sigma_px / disc.radius_px, place))

    def _close(self) -> None:
        if len(self._open) >= FEWEST_FRAMES:
            at_s, oval, sigma, place = (np.array(row) for row in zip(*self._open, strict=True))
            # Two unknowns of each frame: what they scatter by tells of both.
            scatter = float(np.var(oval, ddof=1)) / 2
            variance = max(scatter, float(np.mean(sigma**2))) / len(at_s) + _FLOOR**2
            mean, square = complex(oval.mean()), complex(place.mean())
            sample = _Sample(float(at_s[0]), float(at_s[-1]), mean, variance, square, self._part)
            self._samples.append(sample)
            self.fresh += 1
        self._open.clear()

    def log_evidence(self, skies: Sequence[OtherSky]) -> Array:
        """Return the log of how likely the ovals are under some skies, (k,)."""
        self.fresh, told = 0, np.zeros(len(skies))
        for part in {one.part for one in self._samples}:
            samples = [one for one in self._samples if one.part == part]
            if len(samples) >= FEWEST:
                told += self._of_part(samples, skies)
        return told

    def _of_part(self, samples: Sequence[_Sample], skies: Sequence[OtherSky]) -> Array:
        begin, end, variance = (
            np.array([getattr(one, name) for one in samples]) for name in ("begin_s", "end_s", "variance")
        )
        oval, place = (np.array([getattr(one, name) for one in samples]) for name in ("oval", "place"))
        middle = (begin + end) / 2
        lag = np.abs(middle[:, None] - middle)
        lenses = [
            (np.log(share), 2 * np.diag(variance) + fixed**2 + growing**2 * place[:, None] * place.conj())
            for share, fixed, growing in _LENSES
        ]
        anyhow = [
            np.log(share) + _log_density(oval, lenses[0][1] + size**2 * np.exp(-lag / stays_s))
            for share, size, stays_s in _ANYHOW
        ]
        told = []
        for sky in skies:
            expected, relative = self._expected(np.stack([begin, middle, end]), sky)
            shared = relative[:, None] * relative * np.exp(-lag / _AIR_S) + _AIR**2
            shared = shared + _TURNS**2 * np.eye(len(oval))
            air = shared * (expected[:, None] * expected.conj())
            usual = [share + _log_any_roll(oval, expected, steady + air) for share, steady in lenses]
            told.append(np.logaddexp.reduce([*usual, *anyhow]))
        return np.array(told)

    def _expected(self, utc_s: Array, sky: OtherSky) -> tuple[Complex, Array]:
        """Return ovals (n,) of a camera that is not turned, and by what share each may be off.

        `utc_s`: (3, n) begin, middle and end of the samples: low down the flattening changes within them.
        """
        sun, later = sky.geometry.sun, utc_s + sky.later_s
        altitude = np.maximum(sun.altaz_deg(later)[0], _LOWEST_DEG)
        flat = 1 - flattening(altitude, self._site.pressure_hpa, self._site.temperature_c)
        # The long axis lies across the zenith; position angles go the other way round in a picture.
        turned = -0.5 * flat * np.exp(-2j * np.radians(sun.parallactic_angle_deg(later)))
        mean = (turned[0] + 4 * turned[1] + turned[2]) / 6
        return np.asarray(mean), np.asarray(_AIR_LOW * np.exp(-np.maximum(altitude[1], 0.0) / _AIR_LOW_DEG))


def _log_density(left: Complex, covariance: Complex) -> float:
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, left)
    return -float((np.abs(white) ** 2).sum()) - 2 * float(np.log(np.diagonal(root).real).sum())


def _log_any_roll(oval: Complex, expected: Complex, covariance: Complex) -> float:
    """Return the log density of ovals that are the expected ones, all turned by an angle nobody knows."""
    root = np.linalg.cholesky(covariance)
    white, wanted = np.linalg.solve(root, np.stack([oval, expected], axis=1)).T
    along = 2 * abs(np.vdot(wanted, white))
    apart = float((np.abs(white) ** 2 + np.abs(wanted) ** 2).sum())
    return _log_bessel(along) - apart - 2 * float(np.log(np.diagonal(root).real).sum())


def _log_bessel(x: float) -> float:
    """Return the log of the modified Bessel function of order 0 (NIST handbook of functions, 10.40.1)."""
    return float(np.log(np.i0(x))) if x < 50 else x - 0.5 * np.log(2 * np.pi * x) + 1 / (8 * x)
