"""A world carried out: the track of the disc, what the camera would measure, and the truth beside it.

`Run` may be acted upon while it goes (a closed loop): `put` moves the disc from a moment on, `drive` sets the
rate. Everything is an array over the moments of exposure; acts change the arrays from their moment on.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from sentinel.core.records import Disc, Mark, MeasuredFrame
from tests.worlds import happenings as h
from tests.worlds import weather
from tests.worlds.level import pulls, told
from tests.worlds.mount import Setting, aimed, axis_errors_deg, oval_px, pictured, visible_pole
from tests.worlds.sky import Air, Array, Overhead, Seen
from tests.worlds.world import RATES_ARCSEC_S, World

Bools = NDArray[np.bool_]

LEAST_COVERAGE = 0.10
LEAST_LEVEL = 0.0033
"""Of the disc's middle: three of the darkest steps of an 8-bit picture at the limb."""


@dataclass(frozen=True)
class Way:
    """The disc's way from one act to the next, and what it would be if nobody acted any more."""

    begin: int
    x_px: Array
    y_px: Array
    room_px: Array
    """From the limb to the nearest edge of the frame; negative: over it."""


class Run:
    """A session as it happens."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._held = 1
        """What the camera wrote last of how it is held."""
        self.n = round(world.hours * 3600 / world.interval_s) + 1
        more = round(world.ahead_h * 3600 / world.interval_s)
        self.times_s: Array = np.asarray(world.start_s + np.arange(self.n + more) * world.interval_s)
        self.since_h: Array = (self.times_s - world.start_s) / 3600
        self._rng = [np.random.default_rng([world.seed, 900 + k]) for k in range(8)]
        sun = Overhead(world.latitude_deg, world.longitude_deg, self.times_s[0], self.times_s[-1])
        self.seen: Seen = sun.seen(self.times_s, self._air())
        self.radius_px: Array = self.seen.radius_arcsec / world.lens.arcsec_px
        size = len(self.times_s)
        self._turned, self._declined, self._roll = (
            np.zeros(size),
            np.zeros(size),
            np.full(size, world.roll_deg),
        )
        self._focal, self._slack = np.ones(size), np.zeros(size)
        self._tripod = np.tile(world.tripod, (size, 1))
        self._flexure()
        nominal = RATES_ARCSEC_S[world.tracking] * (1 + world.rate_share)
        self.rates: list[tuple[float, float]] = [(world.start_s, nominal)]
        self.ways: list[Way] = []
        self.marks: list[Mark] = []
        self._begin()
        self._light()

    # --- nature -------------------------------------------------------------------------------------------

    def _air(self) -> Air:
        world = self.world
        rng = self._rng[0] if world.air_seed is None else np.random.default_rng([world.air_seed, 900])
        step = 1800.0
        times = np.arange(self.times_s[0] - step, self.times_s[-1] + 2 * step, step)
        share = weather.wander(rng, len(times), step, 20 * 3600.0) * world.air_share
        low = weather.wander(rng, len(times), step, 4 * 3600.0) * world.inversion_arcmin
        return Air(world.pressure_hpa, world.temperature_c, times, share, low)

    def _flexure(self) -> None:
        """Tube and tripod bend with their own weight, hour angle by hour angle, and with the cold."""
        world, rng = self.world, self._rng[1]
        phases = rng.uniform(0, 2 * np.pi, 4)
        turn = np.radians(self.seen.hour_angle_deg)
        day = np.cos(turn - 0.8 + phases[2] * 0.1)
        self._bent = np.zeros((2, len(self.times_s)))
        for k in range(2):
            sag = world.sag_arcsec * np.sin(turn + phases[k]) * 0.7
            own = weather.wander(rng, len(self.times_s), world.interval_s, 3 * 3600.0)
            smooth = weather.wander(rng, len(self.times_s), world.interval_s, 9 * 3600.0)
            warm = world.thermal_arcsec * (0.4 * own + 0.7 * smooth + 0.5 * day * rng.normal())
            self._bent[k] = (sag + warm) / 3600
        self._worm_phase = phases[3]
        grid = np.arange(0, 4000)
        self._gear = weather.wander(rng, len(grid), 0.1, 0.8) * world.gear_arcsec

    def _geared(self, drive_deg: Array) -> Array:
        """Return what the gears make of the motor's turn: the worm's and the teeth's errors go with it."""
        world = self.world
        phase = 2 * np.pi * drive_deg / world.worm_deg + self._worm_phase
        worm = world.worm_arcsec * (np.sin(phase) + 0.3 * np.sin(2 * phase + 1.0))
        teeth = np.interp(np.mod(drive_deg / 0.1, 4000), np.arange(4000), self._gear, period=4000)
        return np.asarray(drive_deg + (worm + teeth) / 3600)

    def motor_deg(self, times_s: Array) -> Array:
        """Return how far the motor has turned the axis."""
        begins = np.array([time for time, _ in self.rates])
        rates = np.array([rate for _, rate in self.rates])
        ends = np.concatenate([np.diff(begins) * rates[:-1], [0.0]])
        turned = np.concatenate([[0.0], np.cumsum(ends)[:-1]])
        i = np.clip(np.searchsorted(begins, times_s, side="right") - 1, 0, None)
        return np.asarray((turned[i] + (times_s - begins[i]) * rates[i]) / 3600)

    # --- acts ---------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        world = self.world
        self._turned += self.seen.hour_angle_deg[0]
        self._declined += self.seen.declination_deg[0]
        before = [one for one in world.happenings if isinstance(one, h.Rate | h.Sink | h.Knock | h.Jump)]
        for one in sorted(before, key=lambda e: e.at_h):
            self.happen(one)
        self.put(0, world.start_px or world.lens.middle_px)
        for put in sorted((e for e in world.happenings if isinstance(e, h.Put)), key=lambda e: e.at_h):
            self.handle(put)

    def happen(self, one: h.AnyHappening) -> None:
        """Let one thing happen to the mount (the tracks are worked out by the next `put`)."""
        at_s = self.world.start_s + one.at_h * 3600
        late = self.times_s >= at_s
        if isinstance(one, h.Rate):
            self.drive(at_s, one.arcsec_s, one.over_h)
        elif isinstance(one, h.Sink):
            hours = np.clip(self.since_h - one.at_h, 0, one.until_h - one.at_h)
            bearing = np.radians(one.level_deg)
            level = np.array([np.sin(bearing), np.cos(bearing), 0.0])
            self._tripod = self._tripod + np.radians(one.deg_h) * hours[:, None] * level
        elif isinstance(one, h.Knock):
            self._tripod = self._tripod + np.where(late[:, None], np.radians(one.turn_deg), 0.0)
        elif isinstance(one, h.Jump):
            self._turned = self._turned + late * one.drive_deg
            self._declined = self._declined + late * one.declination_deg

    def drive(self, at_s: float, arcsec_s: float, over_h: float = 0.0) -> None:
        """Set the drive's rate from a moment on; what was to come is forgotten."""
        old = [rate for time, rate in self.rates if time <= at_s][-1]
        steps = max(int(over_h * 12), 1)
        kept = [(time, rate) for time, rate in self.rates if time < at_s]
        for k in range(steps):
            share = (k + 1) / steps
            kept.append((at_s + k * over_h * 3600 / steps, old + share * (arcsec_s - old)))
        self.rates = kept

    def handle(self, one: h.Put) -> None:
        """Let somebody put the disc somewhere, and do what else is to be done there."""
        i = self.index(one.at_h)
        if one.straight:
            self._tripod[i:] -= one.straight * self._tripod[i]
        self._roll[i:] += one.turned_deg
        self._focal[i:] *= one.lens
        if one.flip:
            self._declined[i:] = 180.0 - self._declined[i:]
            self._turned[i:] += 180.0
        self._slack[i:] = 0.0
        self.put(i, one.to_px)
        if one.slack_arcsec:
            rate = 15.0 * one.slack_share
            eaten = np.minimum(rate * (self.times_s[i:] - self.times_s[i]), one.slack_arcsec)
            self._slack[i:] = -eaten / 3600
            self.ways[-1] = self._way(i)
        if one.marked:
            time = datetime.fromtimestamp(self.times_s[i], UTC) + timedelta(seconds=59)
            self.marks.append(Mark(time_utc=time, kind=one.marked))  # type: ignore[arg-type]

    def turn_axis(self, i: int, azimuth_deg: float, altitude_deg: float) -> None:
        """Turn the whole mount at an exposure: clockwise seen from above, then its axis up."""
        pole = Rotation.from_rotvec(self._tripod[i]).apply(visible_pole(self.world.latitude_deg))
        level = np.array([pole[1], -pole[0], 0.0]) / np.hypot(pole[0], pole[1])
        turn = Rotation.from_rotvec(np.radians(altitude_deg) * level)
        turn = Rotation.from_rotvec([0.0, 0.0, -np.radians(azimuth_deg)]) * turn
        self._tripod[i:] = (turn * Rotation.from_rotvec(self._tripod[i:])).as_rotvec()

    def index(self, at_h: float) -> int:
        """Return the first exposure at or after an hour."""
        return int(np.searchsorted(self.times_s, self.world.start_s + at_h * 3600 - 1e-6))

    def put(self, i: int, to_px: tuple[float, float]) -> None:
        """Put the disc on a pixel at an exposure; the mount carries it on from there."""
        turn, decline = aimed(
            self.seen.enu[i], self._setting(i).at(0), self.world.lens, self.world.latitude_deg, to_px
        )
        self._turned[i:] += turn
        self._declined[i:] += decline
        self.ways.append(self._way(i))

    def renew(self) -> None:
        """Work the present way out anew: something has happened to the mount."""
        self.ways.append(self._way(self.ways[-1].begin))

    def _setting(self, begin: int = 0, end: int | None = None) -> Setting:
        late = slice(begin, end)
        drive = (
            self._geared(self.motor_deg(self.times_s[late]))
            + (self._turned + self._slack + self._bent[0])[late]
        )
        return Setting(
            tripod=self._tripod[late],
            drive_deg=drive,
            declination_deg=(self._declined + self._bent[1])[late],
            roll_deg=self._roll[late],
            cone_deg=self.world.cone_deg,
            skew_deg=self.world.skew_deg,
            focal=self._focal[late],
        )

    def _way(self, begin: int) -> Way:
        """Work out the way from an exposure on; before it there are no numbers."""
        lens, late = self.world.lens, slice(begin, None)
        x, y, room = np.full((3, len(self.times_s)), np.nan)
        px, py = pictured(self.seen.enu[late], self._setting(begin), lens, self.world.latitude_deg)
        gaps = [px + 0.5, lens.width_px - 0.5 - px, py + 0.5, lens.height_px - 0.5 - py]
        x[late], y[late] = px, py
        room[late] = np.nan_to_num(np.min(gaps, axis=0) - (self.radius_px * self._focal)[late], nan=-1e6)
        return Way(begin, x, y, room)

    # --- truth --------------------------------------------------------------------------------------------

    def way_at(self, i: int) -> Way:
        """Return the way that is gone at an exposure."""
        return [way for way in self.ways if way.begin <= i][-1]

    @property
    def track_px(self) -> tuple[Array, Array, Array]:
        """x, y and room as it came."""
        x, y, room = (np.array(part) for part in (self.ways[0].x_px, self.ways[0].y_px, self.ways[0].room_px))
        for way in self.ways[1:]:
            x[way.begin :], y[way.begin :] = way.x_px[way.begin :], way.y_px[way.begin :]
            room[way.begin :] = way.room_px[way.begin :]
        return x, y, room

    @property
    def line_deg(self) -> Array:
        """Height of the horizon line as the settings have it."""
        return _line(self.world.horizon, self.seen.azimuth_deg)

    @property
    def above_deg(self) -> Array:
        """How high the disc's middle stands above what really hides it."""
        return np.asarray(
            self.seen.altitude_deg - np.maximum(self.line_deg, _line(self.world.ridge, self.seen.azimuth_deg))
        )

    def exit_s(self, i: int) -> float:
        """Return when the limb first touches an edge after an exposure, nobody acting; inf: not in 48 h."""
        way = self.way_at(i)
        end = np.searchsorted(self.times_s, self.times_s[i] + 48 * 3600)
        above = self.seen.altitude_deg - self.line_deg
        out = (way.room_px[i:end] <= 0) & (above[i:end] > 0)
        if not out.any():
            return float("inf")
        k = int(out.argmax())
        if k == 0:
            return float(self.times_s[i])
        k += i
        before, after = way.room_px[k - 1], way.room_px[k]
        if before <= 0:
            low, high = above[k - 1], above[k]
            return float(self.times_s[k - 1] - low / (high - low) * self.world.interval_s)
        return float(self.times_s[k - 1] + before / (before - after) * self.world.interval_s)

    def gone_s(self, i: int) -> float:
        """Return when nothing of the disc is left in the frame, the sun up; inf: never within the truth."""
        way, size = self.way_at(i), self.radius_px * self._focal
        out = (way.room_px[i:] < -2 * size[i:]) & (self.above_deg[i:] > 0)
        return float(self.times_s[i + int(out.argmax())]) if out.any() else float("inf")

    def axis_deg(self, i: int) -> tuple[float, float]:
        """Return azimuth and altitude error of the axis."""
        azimuth, altitude = axis_errors_deg(self._tripod[i], self.world.latitude_deg)
        return float(azimuth[0]), float(altitude[0])

    @property
    def whole(self) -> Bools:
        """Whether the whole disc is in the frame, or the sun is down: n exposures."""
        room = self.track_px[2][: self.n]
        return np.asarray((room >= 0) | (self.above_deg[: self.n] <= 0))

    # --- what the camera sees -----------------------------------------------------------------------------

    def _light(self) -> None:
        world, rng = self.world, self._rng[2]
        size = len(self.times_s)
        cloud = weather.cloud(rng, self.since_h, world.interval_s, world.spells)
        depth, self._veiled, self._gain = cloud.depth, np.zeros(size), np.ones(size)
        self._burnt, self._soft = np.zeros(size), np.ones(size)
        self._shake = np.full(size, world.wind_arcsec)
        self._there = np.ones(size, dtype=bool)
        for one in world.happenings:
            since_h = self.since_h - one.at_h
            if isinstance(one, h.Smoke):
                depth = depth + one.depth * np.clip(since_h / one.over_h, 0, 1)
            elif isinstance(one, h.Filter):
                share = np.where(since_h >= 0, np.clip(since_h * 60 / max(one.over_min, 1e-6), 0, 1), 0.0)
                self._gain = self._gain * (1 + share * (one.gain - 1))
                self._burnt = np.maximum(self._burnt, share * one.saturated)
                self._veiled = np.maximum(self._veiled, share * one.veiled)
            elif isinstance(one, h.Focus):
                self._soft = 1 + (one.ratio - 1) * np.clip(since_h / one.over_h, 0, 1)
            elif isinstance(one, h.Gusts):
                inside = (since_h >= 0) & (self.since_h < one.until_h)
                self._shake = np.where(inside, one.arcsec, self._shake)
            elif isinstance(one, h.Missing):
                self._there &= ~((since_h >= 0) & (self.since_h < one.until_h))
        self._there &= self._rng[3].random(size) >= world.missing_share
        self._there[0] = True
        mass = weather.air_mass(self.seen.altitude_deg)
        haze = 1 + 0.1 * weather.wander(rng, size, world.interval_s, 4 * 3600.0)
        through = 10 ** (-0.4 * world.extinction_mag * haze * (mass - 1)) * np.exp(-depth)
        self.depth: Array = np.asarray(depth)
        self._level = world.level * through
        self._glow, self._ragged, self._mass = cloud.glow * world.level, cloud.ragged, mass
        self._noise = self._rng[4].standard_normal((6, size))
        self._oval_noise = self._rng[5].standard_normal((2, size))

    def frames(self, begin: int = 0, end: int | None = None) -> list[MeasuredFrame]:
        """Return what measuring the exposures gives; those that are missing are left out."""
        world, lens = self.world, self.world.lens
        some = np.arange(begin, self.n if end is None else min(end, self.n))
        some = some[self._there[some]]
        if not len(some):
            return []
        x, y, _ = (part[some] for part in self.track_px)
        radius = self.radius_px[some] * self._focal[some]
        inside = _inside(x, y, radius, lens.width_px, lens.height_px)
        over = _share_above(self.above_deg[some] * 3600 / lens.arcsec_px / self._focal[some] / radius)
        veiled = np.maximum(self._ragged[some], self._veiled[some] * (0.8 + 0.1 * self._noise[5][some]))
        stops = np.array([world.brackets[k % len(world.brackets)] for k in some])
        level = self._level[some] * self._gain[some] * 2.0**stops
        coverage = inside * over * (1 - np.clip(veiled, 0, 1))
        found = (coverage >= LEAST_COVERAGE) & (level > LEAST_LEVEL) & (self.seen.altitude_deg[some] > -1.2)
        shake = self._shake[some] / lens.arcsec_px
        doubt = world.centre_px * (1 + 2 * veiled) / np.sqrt(np.maximum(coverage, 0.02)) + 0.02 / np.sqrt(
            np.maximum(level, 1e-3)
        )
        doubt = doubt * np.where(coverage < 0.4, (0.4 / np.maximum(coverage, 0.05)) ** 1.5, 1.0)
        if world.centre_px == 0:
            doubt = np.zeros_like(doubt)
        x = x + self._noise[0][some] * np.hypot(shake, doubt)
        y = y + self._noise[1][some] * np.hypot(shake, doubt)
        wide = np.hypot(1.9 * self._soft[some], 2.0 * self._mass[some] ** 0.6 / lens.arcsec_px)
        wide = wide * (1 + 0.03 * self._noise[2][some])
        median = np.clip(0.8 * level * (1 + 0.004 * self._noise[3][some]), 0, 1)
        burnt = np.maximum(self._burnt[some], np.clip((level - 1.0) / 0.8, 0, 1))
        ovals, oval_doubt = self._ovals(some, doubt, coverage)
        sides = self._sides(some)
        frames = []
        for k, i in enumerate(some):
            disc = Disc(
                found=False,
                brightness=float(self._glow[i] * 2.0 ** stops[k] + 2e-4),
                saturated_fraction=float(burnt[k] * 0.1) if self._burnt[i] else 0.0,
            )
            if found[k]:
                disc = Disc(
                    found=True,
                    x_px=round(float(x[k]), 3),
                    y_px=round(float(y[k]), 3),
                    radius_px=round(float(radius[k] + 0.5 * doubt[k] * self._noise[4][i]), 3),
                    centre_sigma_px=round(max(float(doubt[k]), 0.02), 3),
                    limb_in_frame=round(float(inside[k]), 4),
                    limb_coverage=round(float(coverage[k]), 3),
                    edge_width_px=round(float(wide[k]), 3),
                    oval_cos2_px=round(float(ovals[0, k]), 4),
                    oval_sin2_px=round(float(ovals[1, k]), 4),
                    oval_sigma_px=round(float(oval_doubt[k]), 4),
                    brightness=round(float(median[k]), 5),
                    saturated_fraction=round(float(burnt[k]), 4),
                )
            frames.append(replace(self._frame(int(i), disc), orientation=sides[k]))
        return _burst(frames, world.burst)

    def ovals_px(self, begin: int, end: int) -> Array:
        """Return how far from round the disc is at the exposures from one to before another, (2, n)."""
        late = slice(begin, end)
        return oval_px(
            self.seen.enu[late],
            self.seen.squeezed[late],
            np.radians(self.seen.radius_arcsec[late] / 3600),
            self._setting(begin, end),
            self.world.lens,
            self.world.latitude_deg,
        )

    def _ovals(self, some: NDArray[np.intp], doubt: Array, coverage: Array) -> tuple[Array, Array]:
        """Return the ovals measured on some discs, (2, n), and their doubt, px; NaN where none is told."""
        world, begin, end = self.world, int(some[0]), int(some[-1]) + 1
        # Air bends long stretches of the limb as one, the more the more of it there is.
        boiling = 0.0 if world.centre_px == 0 else 0.15 * self._mass[some] ** 0.8 / world.lens.arcsec_px
        sigma = np.hypot(0.5 * doubt, boiling)
        found = self.ovals_px(begin, end)[:, some - begin] + sigma * self._oval_noise[:, some]
        told = coverage > 0.8
        return np.where(told, found, np.nan), np.where(told, np.maximum(sigma, 3e-3), np.nan)

    def _sides(self, some: NDArray[np.intp]) -> list[int | None]:
        """Return what the camera writes of how it was held at some exposures."""
        sensor, begin, end = self.world.level_sensor, int(some[0]), int(some[-1]) + 1
        if sensor is None:
            return [None] * len(some)
        pull = pulls(
            self.seen.enu[begin:end], self._setting(begin, end), self.world.lens, self.world.latitude_deg
        )
        written = told(sensor, pull[:, some - begin], self._held)
        self._held = int(written[-1])
        return [int(side) for side in written]

    def _frame(self, i: int, disc: Disc) -> MeasuredFrame:
        world = self.world
        at = datetime.fromtimestamp(round(self.times_s[i] + world.told.clock_offset_s, 3), UTC)
        nan = float("nan")
        return MeasuredFrame(
            frame=f"{i:06d}.jpg",
            time_utc=at,
            width_px=world.lens.width_px,
            height_px=world.lens.height_px,
            disc=disc,
            exposure_s=0.001 * 2.0 ** world.brackets[i % len(world.brackets)] if world.exif else nan,
            iso=100.0 if world.exif else nan,
            aperture=8.0 if world.exif else nan,
        )


def _burst(frames: list[MeasuredFrame], count: int) -> list[MeasuredFrame]:
    if count == 1:
        return frames
    return [
        replace(f, frame=f"{f.frame[:-4]}-{k}.jpg", time_utc=f.time_utc + timedelta(seconds=2 * k))
        for f in frames
        for k in range(count)
    ]


def _line(points: tuple[tuple[float, float], ...], azimuth_deg: Array) -> Array:
    if not points:
        return np.zeros_like(azimuth_deg)
    table = np.array(sorted(points))
    return np.asarray(np.interp(azimuth_deg, table[:, 0], table[:, 1], period=360))


def _share_above(height: Array) -> Array:
    """Return the share of a circle's circumference above a line, the middle so many radii above it."""
    return np.asarray(1 - np.arccos(np.clip(height, -1, 1)) / np.pi)


def _inside(x: Array, y: Array, radius: Array, width: int, height: int) -> Array:
    """Return the share of the limb in the frame; a corner counts its two edges one after the other."""
    gaps = np.stack([x + 0.5, width - 0.5 - x, y + 0.5, height - 0.5 - y])
    outside = (1 - _share_above(np.nan_to_num(gaps / radius, nan=-2.0))).sum(axis=0)
    return np.asarray(np.clip(1 - outside, 0, 1))
