"""The page: pairs of pictures as seen and with solar north up, and by how much one is turned to the other."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite
from pathlib import Path

import numpy as np

from sentinel import __version__
from sentinel.chain.judge.low_sun import LOW_DEG, clock_difference
from sentinel.chain.notify.camera_clock import clocks_apart
from sentinel.core.angles import half_turn_deg
from sentinel.core.files import write_text_whole
from sentinel.core.other_cameras import TOLD_S, ClockDifference
from sentinel.core.pages import jpeg_url, page
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.core.words import many, signed
from sentinel.jobs.beside.sides import APART_KM, Pair, apart_km, low_suns, open_side, pairs_of
from sentinel.jobs.beside.turning import ImageTurn, Places, mean_turn, turn_between
from sentinel.jobs.originals import picture_of
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.pictures import STILL_PX, STILL_RADII, light_jpeg, sun_light
from sentinel.jobs.spots.looking import blobs_in, disc_views
from sentinel.jobs.steady import Crop, Up

PAGE_NAME = "beside.html"
SHOWN = 4
"""Pairs that are shown; all of them are measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPair:
    """A pair on the page: pictures as data URLs, as seen and north up; empty where north is not known."""

    pair: Pair
    seen: tuple[str, str]
    north_up: tuple[str, str]
    altitudes_deg: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All that the page shows."""

    names: tuple[str, str]
    pairs: int
    shown: tuple[ShownPair, ...]
    computed: ImageTurn
    """By how much the first is turned clockwise against the second: by places, times and cameras' rolls."""
    found: ImageTurn
    """The same by the spots alone."""
    clocks: ClockDifference | None
    """By how much the first one's times are ahead; None: the two are too far apart to be compared so."""


def write_beside(
    folder: Path,
    other: Path,
    out: Path | None = None,
    configs: Sequence[Path] = (),
    *,
    originals: Path | None = None,
    progress: Progress = silent,
) -> tuple[Path, Comparison]:
    """Write the page of two sessions side by side; return where it is and what it says.

    `configs` and `originals` are the first one's; the other brings its own settings.
    """
    path = out or folder / PAGE_NAME
    compared = compared_sides(
        open_side(folder, configs, originals, progress), open_side(other, (), None, progress), progress
    )
    write_text_whole(path, page_of(compared))
    return path, compared


def compared_sides(one: Analysis, other: Analysis, progress: Progress = silent) -> Comparison:
    """Return two sessions measured against each other."""
    pairs = pairs_of(one, other)
    sides = (_Side(one, [pair.one for pair in pairs]), _Side(other, [pair.other for pair in pairs]))
    places = [
        (sides[0].spots(k), sides[1].spots(k))
        for k in reported(range(len(pairs)), "spots in both", len(pairs), progress)
    ]
    chosen = np.unique(np.linspace(0, len(pairs) - 1, SHOWN).round().astype(int)).tolist()
    return Comparison(
        names=_names(sides[0].name, sides[1].name),
        pairs=len(pairs),
        shown=tuple(
            ShownPair(
                pair=pairs[k],
                seen=(sides[0].still(k, "camera"), sides[1].still(k, "camera")),
                north_up=(sides[0].still(k, "solar-north"), sides[1].still(k, "solar-north")),
                altitudes_deg=(sides[0].altitude_deg(k), sides[1].altitude_deg(k)),
            )
            for k in chosen
        ),
        computed=_computed(sides),
        found=mean_turn([turn_between(a, b) for a, b in places]),
        clocks=_clocks(one, other),
    )


def _clocks(one: Analysis, other: Analysis) -> ClockDifference | None:
    site = one.record.settings.site
    if apart_km(site, other.record.settings.site) > APART_KM:
        return None
    return clock_difference(low_suns(one), low_suns(other), site)


def _names(one: str, other: str) -> tuple[str, str]:
    """Return what the two are called: by their cameras, where these have names that differ."""
    return (one, other) if one and other and one != other else ("the first", "the other")


def _computed(sides: "tuple[_Side, _Side]") -> ImageTurn:
    one, other = sides
    if not (one.north_known and other.north_known):
        return ImageTurn(float("nan"), float("nan"))
    off = half_turn_deg(one.north.deg - other.north.deg)
    sigma_deg = hypot(float(one.north.sigma_deg.max()), float(other.north.sigma_deg.max()))
    middle = float(off[0])
    deg = float(half_turn_deg(np.asarray(middle + np.mean(half_turn_deg(off - middle)))))
    return ImageTurn(deg, sigma_deg)


class _Side:
    """One session's pictures of the common minutes."""

    def __init__(self, w: Analysis, frames: list[MeasuredFrame]) -> None:
        self._w, self._frames = w, frames
        self.north, self.zenith = w.up_angles(frames, "solar-north"), w.up_angles(frames, "zenith")
        self.north_known = bool(np.isfinite(self.north.sigma_deg).all())
        self._views = disc_views(frames, self.north.deg, self.zenith.deg, w.record.settings, w.sun)
        radius_px = float(np.median([frame.disc.radius_px for frame in frames]))
        self._crop = Crop.of_radii(STILL_PX, STILL_RADII, radius_px)

    @property
    def name(self) -> str:
        """The camera's name; empty: it has none."""
        return self._w.record.settings.camera.name or ""

    def altitude_deg(self, k: int) -> float:
        """Return the sun's altitude in a picture."""
        return float(self._w.sun.altaz_deg(utc_s(self._frames[k].time_utc))[0])

    def spots(self, k: int) -> Places:
        """Return the dark blobs of a picture as they stand in it, right + i up in radii."""
        frame, view, record = self._frames[k], self._views[k], self._w.record
        picture = picture_of(record.originals, frame, record.settings.camera.transfer)
        if picture is None:
            return np.zeros(0, dtype=np.complex128)
        places = [view.on_disc(blob.x_px, blob.y_px) for blob in blobs_in(picture, frame, view)]
        return np.array([complex(float(right), -float(down)) for right, down in places], dtype=np.complex128)

    def still(self, k: int, up: Up) -> str:
        """Return a picture as a data URL; empty: it cannot be read, or turned."""
        if up != "camera" and not self.north_known:
            return ""
        up_deg = 0.0 if up == "camera" else float(self.north.deg[k])
        light = sun_light(self._w, self._frames[k], self._crop, up_deg)
        if light is None:
            return ""
        # Two cameras, two filters: each picture is shown as bright as the other.
        level = max(float(np.quantile(light, 0.9)), 1e-6)
        return jpeg_url(light_jpeg(light * np.float32(0.5 / level)))


def turn_lines(c: Comparison) -> list[str]:
    """Return in sentences by how much the one is turned to the other."""
    computed = (
        "By computation the turn is not known: how one of the cameras was rolled on its mount was not told "
        "by its track."
    )
    if isfinite(c.computed.deg):
        computed = (
            f"By computation (place, time, and the cameras' rolls as their tracks tell them) {c.names[0]} is "
            f"turned by {signed(c.computed.deg, 2)} ± {c.computed.sigma_deg:.2f} degrees against "
            f"{c.names[1]}, clockwise positive, in the mean of {many(c.pairs, 'pair')} of pictures, at most "
            "a minute and a half apart."
        )
    found = "The spots do not tell it: fewer than two could be laid over one another in one way alone."
    if isfinite(c.found.deg):
        found = (
            "The spots, laid over one another with no knowledge of place or time, say "
            f"{signed(c.found.deg, 2)} ± {c.found.sigma_deg:.2f} degrees ({many(c.found.spots, 'spot')} at "
            "best)."
        )
    lines = [computed, found]
    if isfinite(c.computed.deg) and isfinite(c.found.deg):
        off = float(half_turn_deg(np.asarray(c.found.deg - c.computed.deg)))
        sigma = hypot(c.computed.sigma_deg, c.found.sigma_deg)
        lines.append(
            f"They differ by {signed(off, 2)} ± {sigma:.2f} degrees, {abs(off) / sigma:.1f} sigma: "
            + (
                "two places, one sun."
                if abs(off) < 3 * sigma
                else "more than chance; one of clock, place, roll or pictures is not what it is taken for."
            )
        )
    return lines


def clock_line(clocks: ClockDifference, names: tuple[str, str]) -> str:
    """Return in a sentence whether the two clocks agree, as far as the sun may tell it."""
    if not clocks.told:
        return (
            f"Whether the two clocks agree to {TOLD_S:.0f} seconds the sun does not tell: that takes one "
            f"that sinks or rises steeply, seen by both for most of an hour below {LOW_DEG:.0f} degrees."
        )
    return (
        f"By the shape of the low sun's disc, in {many(clocks.pictures, 'picture')}, "
        f"{clocks_apart(clocks, f'the clock of {names[0]}', f'that of {names[1]}')}."
    )


def lines_of(c: Comparison) -> list[str]:
    """Return all that the two sessions tell together."""
    return [*turn_lines(c), *([clock_line(c.clocks, c.names)] if c.clocks is not None else [])]


def page_of(c: Comparison) -> str:
    """Return the page."""
    return page(__package__, "beside.html.jinja", c=c, lines=lines_of(c), version=__version__)
