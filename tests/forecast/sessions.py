"""Invented sessions with known truth, light enough for hundreds: positions only, on the product's geometry.

Worm, wind and flexure are of several kinds on purpose; the forecaster knows none of them.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache

import numpy as np

from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Camera, Frames, Mount, Settings, Site
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.simulate.exposures import orientations
from sentinel.sky.arrays import Array
from sentinel.sky.mount import (
    Optics,
    Pose,
    Tracking,
    axis_vector,
    in_mount_frame,
    pose_seeing,
    project,
    rate_arcsec_s,
    zenith_in_picture_deg,
)
from sentinel.sky.sun import Sun

ARCSEC = np.pi / 180 / 3600
FLEXURES = ("ou", "ou-slow", "walk", "sines", "ramp", "steps", "none")


@lru_cache(maxsize=512)
def sun_over(latitude_deg: float, longitude_deg: float, temperature_c: float = 5.0) -> Sun:
    return Sun(Site(latitude_deg=latitude_deg, longitude_deg=longitude_deg, temperature_c=temperature_c))


@dataclass(frozen=True)
class Session:
    """A mount, a camera and a stretch of time. Everything that is not set is perfect."""

    latitude_deg: float = 70.37
    longitude_deg: float = 31.1
    start_utc: datetime = datetime(2026, 6, 20, 12, tzinfo=UTC)
    interval_s: float = 60.0
    watched_h: float = 3.0
    followed_h: float = 54.0
    focal_length_mm: float = 400.0
    pixel_pitch_um: float = 3.92
    width_px: int = 6000
    height_px: int = 4000
    tracking: Tracking = "solar"
    true_tracking: Tracking | None = None
    azimuth_error_deg: float = 0.0
    altitude_error_deg: float = 0.0
    rate_error: float = 0.0
    roll_deg: float = 0.0
    start_px: tuple[float, float] | None = None
    worm_arcsec: float = 0.0
    worm_period_s: float = 480.0
    wind_arcsec: float = 0.0
    flexure: str = "none"
    flexure_arcsec: float = 0.0
    recentred: tuple[tuple[float, tuple[float, float]], ...] = ()
    """Hours after the start, and where the disc is put."""
    seed: int = 0
    disc_sigma_px: float = 0.03
    horizon: tuple[tuple[float, float], ...] = ()
    told_focal_length_mm: float | None = None
    """What the settings say, where they are wrong."""
    level_sensor: bool = False
    """The camera writes which side of its picture is up."""

    @cached_property
    def settings(self) -> Settings:
        return Settings(
            site=replace_site(self.sun.site, self.horizon),
            camera=Camera(
                focal_length_mm=self.told_focal_length_mm or self.focal_length_mm,
                pixel_pitch_um=self.pixel_pitch_um,
                interval_s=self.interval_s,
            ),
            mount=Mount(tracking=self.tracking, axis_limit_deg=None),
            frames=Frames(margin_px=0.0),
        )

    @property
    def sun(self) -> Sun:
        return sun_over(self.latitude_deg, self.longitude_deg)

    @property
    def optics(self) -> Optics:
        return Optics(self.focal_length_mm, self.pixel_pitch_um, self.width_px, self.height_px)

    @property
    def start_s(self) -> float:
        return utc_s(self.start_utc)

    @cached_property
    def times_s(self) -> Array:
        return self.start_s + np.arange(0, self.followed_h * 3600, self.interval_s)

    @cached_property
    def mounted(self) -> Array:
        """The sun in the mount's frame at `times_s`."""
        axis = axis_vector(self.latitude_deg, self.azimuth_error_deg, self.altitude_error_deg)
        nominal = rate_arcsec_s(self.true_tracking or self.tracking)
        rate = nominal * (1 + self.rate_error)
        theta = rate * ARCSEC * (self.times_s - self.start_s)
        seen = self.sun.middle_direction(self.times_s)
        return in_mount_frame(seen, axis, theta, south=self.latitude_deg < 0)

    @cached_property
    def radius_px(self) -> Array:
        return self.sun.angular_radius_arcsec(self.times_s) / self.optics.scale_arcsec_px

    @cached_property
    def shake_px(self) -> tuple[Array, Array]:
        """What the geometry does not know, x and y: worm along the drive, flexure either way."""
        rng = np.random.default_rng([self.seed, 1])
        n = len(self.times_s)
        since = self.times_s - self.start_s
        phase = rng.uniform(0, 2 * np.pi, 2)
        turn = 2 * np.pi * since / self.worm_period_s
        worm = self.worm_arcsec * (np.sin(turn + phase[0]) + 0.25 * np.sin(2 * turn + phase[1]))
        roll = np.radians(self.roll_deg)
        flex = [flexure(self.flexure, self.flexure_arcsec, since, self.interval_s, rng)[:n] for _ in range(2)]
        x = worm * np.cos(roll) + flex[0]
        y = -worm * np.sin(roll) + flex[1]
        return x / self.optics.scale_arcsec_px, y / self.optics.scale_arcsec_px

    def poses(self) -> list[tuple[float, Pose]]:
        """Poses and the second of the session from which each holds."""
        starts = [(0.0, self.start_px or self.optics.middle_px), *self.recentred]
        poses = []
        for hours, (x, y) in starts:
            i = min(int(np.ceil(hours * 3600 / self.interval_s)), len(self.times_s) - 1)
            pose = pose_seeing(self.mounted[i], x, y, self.optics, roll_deg=self.roll_deg)
            poses.append((hours * 3600, pose))
        return poses

    @cached_property
    def tracks_px(self) -> list[tuple[float, Array, Array]]:
        """Per pose its start and its track over the whole time, worm and flexure in it."""
        tracks = []
        for since, pose in self.poses():
            x, y = project(self.mounted, pose, self.optics)
            tracks.append((since, x + self.shake_px[0], y + self.shake_px[1]))
        return tracks

    @cached_property
    def orientations(self) -> list[int]:
        """What the camera's level sensor writes."""
        axis = axis_vector(self.latitude_deg, self.azimuth_error_deg, self.altitude_error_deg)
        up_deg = zenith_in_picture_deg(
            self.sun.middle_direction(self.times_s), self.optics.middle_px, axis, self.roll_deg, self.optics,
            south=self.latitude_deg < 0,
        )  # fmt: skip
        return orientations(up_deg)

    @cached_property
    def above_deg(self) -> Array:
        """How high the sun stands above the horizon line."""
        altitude, azimuth = self.sun.altaz_deg(self.times_s)
        line = np.zeros_like(altitude)
        if self.horizon:
            points = np.array(sorted(self.horizon))
            line = np.interp(azimuth, points[:, 0], points[:, 1], period=360)
        return np.asarray(altitude - line)

    @property
    def up(self) -> Array:
        return np.asarray(self.above_deg > 0, dtype=float)

    def track_at(self, hours: float) -> tuple[Array, Array]:
        """The track of the pose that holds after so many hours."""
        return [(x, y) for since, x, y in self.tracks_px if since <= hours * 3600][-1]

    def true_exit_s(self, hours: float, x: Array | None = None, y: Array | None = None) -> float:
        """POSIX seconds at which the limb first touches an edge after so many hours; inf: not within 48 h."""
        if x is None or y is None:
            x, y = self.track_at(hours)
        from_s = self.start_s + hours * 3600
        return first_touch_s(self, x, y, from_s)

    def holds_s(self, i: int, x_px: float, y_px: float) -> float:
        """Seconds for which the limb keeps off the edges when the disc is put there at time index `i`."""
        pose = pose_seeing(
            self.mounted[i],
            x_px - self.shake_px[0][i],
            y_px - self.shake_px[1][i],
            self.optics,
            roll_deg=self.roll_deg,
        )
        x, y = project(self.mounted, pose, self.optics)
        from_s = float(self.times_s[i])
        touch = first_touch_s(self, x + self.shake_px[0], y + self.shake_px[1], from_s)
        return min(touch - from_s, 48 * 3600.0)

    def frames(self) -> list[MeasuredFrame]:
        """The measured frames of the watched time, wind and measuring noise in them."""
        rng = np.random.default_rng([self.seed, 2])
        n = int(self.watched_h * 3600 / self.interval_s) + 1
        wind = rng.standard_normal((2, n)) * self.wind_arcsec / self.optics.scale_arcsec_px
        error = rng.standard_normal((3, n)) * self.disc_sigma_px
        frames = []
        for i in range(n):
            x, y = self.track_at(i * self.interval_s / 3600)
            frames.append(
                self.frame(i, x[i] + wind[0, i] + error[0, i], y[i] + wind[1, i] + error[1, i], error[2, i])
            )
        return frames

    def frame(self, i: int, x: float, y: float, radius_error: float = 0.0) -> MeasuredFrame:
        radius = float(self.radius_px[i]) + radius_error
        seen = limb_share(x, y, radius, self.width_px, self.height_px)
        found = bool(seen > 0.12 and self.up[i])
        disc = Disc(found=False)
        if found:
            disc = Disc(
                found=True, x_px=float(x), y_px=float(y), radius_px=radius,
                centre_sigma_px=self.disc_sigma_px / max(seen, 0.1), limb_in_frame=seen, limb_coverage=seen,
            )  # fmt: skip
        return MeasuredFrame(
            frame=f"{i:06d}.jpg", time_utc=from_utc_s(float(self.times_s[i])),
            width_px=self.width_px, height_px=self.height_px, disc=disc,
            orientation=self.orientations[i] if self.level_sensor else None,
        )  # fmt: skip


def replace_site(site: Site, horizon: tuple[tuple[float, float], ...]) -> Site:
    return site.model_copy(update={"horizon": horizon})


def limb_share(x: float, y: float, radius: float, width: int, height: int) -> float:
    """Fraction of a circle inside the frame."""
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    px, py = x + radius * np.cos(turn), y + radius * np.sin(turn)
    return float(np.mean((px > -0.5) & (px < width - 0.5) & (py > -0.5) & (py < height - 0.5)))


def first_touch_s(session: Session, x: Array, y: Array, from_s: float, until_h: float = 48.0) -> float:
    """POSIX seconds at which the limb first touches an edge with the sun up; inf: not in that time."""
    times = session.times_s
    keep = session.radius_px
    room = np.min(
        [
            x + 0.5 - keep,
            session.width_px - 0.5 - x - keep,
            y + 0.5 - keep,
            session.height_px - 0.5 - y - keep,
        ],
        axis=0,
    )
    out = (room <= 0) & (session.up > 0) & (times >= from_s) & (times <= from_s + until_h * 3600)
    if not out.any():
        return float("inf")
    i = int(out.argmax())
    if i == 0 or times[i - 1] < from_s:
        return float(times[i])
    if not session.up[i - 1]:
        # Out as it rises.
        low, high = session.above_deg[i - 1], session.above_deg[i]
        return float(times[i - 1] - low / (high - low) * (times[i] - times[i - 1]))
    if room[i - 1] <= 0:
        return float(times[i])
    share = room[i - 1] / (room[i - 1] - room[i])
    return float(times[i - 1] + share * (times[i] - times[i - 1]))


def flexure(kind: str, size_arcsec: float, since_s: Array, step_s: float, rng: np.random.Generator) -> Array:
    """Slow wander of about `size_arcsec` (1 sigma) over hours, of one of the `FLEXURES`."""
    n = len(since_s)
    if kind in ("ou", "ou-slow"):
        tau = rng.uniform(1.0, 3.0) * 3600 if kind == "ou" else rng.uniform(3.0, 8.0) * 3600
        keep = np.exp(-step_s / tau)
        kicks = rng.standard_normal(n) * size_arcsec * np.sqrt(1 - keep**2)
        return recursive(kicks, keep, rng.standard_normal() * size_arcsec)
    if kind == "walk":
        # Reaches its size in six hours and goes on, with a weak pull home.
        keep = np.exp(-step_s / (24 * 3600))
        return recursive(rng.standard_normal(n) * size_arcsec * np.sqrt(step_s / (6 * 3600)), keep, 0.0)
    if kind == "sines":
        wave = np.zeros(n)
        for _ in range(3):
            period = rng.uniform(2.0, 9.0) * 3600
            wave += np.sin(2 * np.pi * since_s / period + rng.uniform(0, 2 * np.pi)) * rng.uniform(0.5, 1)
        return size_arcsec * wave / 0.95
    if kind == "ramp":
        # Warms or cools toward a new state, each some hours: exponential approaches, smoothed.
        wave = np.zeros(n)
        for start in rng.uniform(-6, 54, 9) * 3600:
            rise = np.clip((since_s - start) / (rng.uniform(1.0, 4.0) * 3600), 0, 60)
            wave += rng.standard_normal() * (1 - np.exp(-rise))
        return size_arcsec * 0.8 * wave
    if kind == "steps":
        wave = np.zeros(n)
        for start in rng.uniform(0, 54, 12) * 3600:
            wave += rng.standard_normal() / (1 + np.exp(-(since_s - start) / 900.0))
        return size_arcsec * 0.6 * wave
    return np.zeros(n)


def recursive(kicks: Array, keep: float, start: float) -> Array:
    values = np.empty(len(kicks))
    value = start
    for i, kick in enumerate(kicks):
        values[i] = value
        value = value * keep + kick
    return values


def usual_roll(rng: np.random.Generator) -> float:
    """Most cameras stand level, some on their side, a few anyhow."""
    kind = rng.random()
    if kind < 0.1:
        return float(rng.uniform(0, 360))
    square = 0.0 if kind < 0.8 else float(rng.choice([90.0, 180.0, 270.0]))
    return float((square + rng.normal(0, 15)) % 360)


def random_session(
    seed: int, watched_h: float = 6.0, interval_s: float | None = None, rolls: str = "usual"
) -> Session:
    """One of the sessions that the skill is stated on; `rolls`: `usual` or `any` (every roll alike)."""
    rng = np.random.default_rng([seed, 7])
    high = rng.random() < 0.6
    south = rng.random() < 0.5
    if high:
        latitude = rng.uniform(68, 79)
        day = datetime(2026, 6, 21, tzinfo=UTC) + timedelta(days=rng.uniform(-25, 25))
        if south:
            day += timedelta(days=183)
        start = day + timedelta(hours=rng.uniform(0, 24))
    else:
        latitude = rng.uniform(40, 50)
        start = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=rng.uniform(0, 365))
    longitude = float(np.round(rng.uniform(-180, 180), 3))
    latitude = float(np.round(-latitude if south else latitude, 3))
    if not high:
        by_day = morning(latitude, longitude, start, rng)
        if by_day is None:
            return random_session(seed + 100_000, watched_h, interval_s, rolls)
        start = by_day
    step = interval_s or float(rng.choice([30.0, 60.0, 60.0, 60.0, 90.0, 120.0]))
    focal = float(np.round(rng.uniform(300, 1000)))
    binning = int(rng.choice([1, 1, 2, 4]))
    pitch = float(np.round(rng.uniform(3, 6), 2))
    sensor = [(36.0, 24.0), (23.5, 15.6), (22.3, 14.9)][int(rng.integers(3))]
    if focal > 700:
        sensor = (36.0, 24.0)
    width, height = (int(side * 1000 / pitch / binning) for side in sensor)
    session = Session(
        latitude_deg=latitude, longitude_deg=longitude, start_utc=start, interval_s=step, watched_h=watched_h,
        focal_length_mm=focal, pixel_pitch_um=pitch * binning, width_px=width, height_px=height,
        azimuth_error_deg=float(rng.normal(0, 0.7)), altitude_error_deg=float(rng.normal(0, 0.7)),
        rate_error=float(rng.normal(0, 1e-4)),
        roll_deg=float(rng.uniform(0, 360)) if rolls == "any" else usual_roll(rng),
        worm_arcsec=float(rng.uniform(5, 30)), worm_period_s=float(rng.uniform(240, 720)),
        wind_arcsec=float(rng.uniform(1, 5)), flexure=str(rng.choice(FLEXURES[:-1])),
        flexure_arcsec=float(rng.uniform(5, 25)), seed=seed, disc_sigma_px=0.05,
        start_px=scattered((width, height), rng),
    )  # fmt: skip
    return with_operator(session, rng)


def morning(latitude: float, longitude: float, day: datetime, rng: np.random.Generator) -> datetime | None:
    """A start by day that leaves more than six hours above five degrees of altitude; None: a short day."""
    times = utc_s(day) + np.arange(0, 86_400 * 2, 600.0)
    altitude = sun_over(latitude, longitude).altaz_deg(times)[0]
    high = altitude > 5
    rises = np.flatnonzero(~high[:-1] & high[1:])
    sets = [int(np.argmax(~high[i + 1 :])) + i for i in rises[:1]]
    if not len(rises) or sets[0] - rises[0] < 40:
        return None
    latest = sets[0] - 38
    return from_utc_s(float(times[rng.integers(rises[0] + 1, max(latest, rises[0] + 2))]))


def scattered(size: tuple[int, int], rng: np.random.Generator) -> tuple[float, float]:
    """Near the middle, as a person puts it."""
    return (
        (size[0] - 1) / 2 + float(rng.uniform(-0.12, 0.12)) * size[0],
        (size[1] - 1) / 2 + float(rng.uniform(-0.1, 0.1)) * size[1],
    )


def with_operator(session: Session, rng: np.random.Generator) -> Session:
    """Re-centre before the limb would touch an edge in the watched time; now and then without need."""
    done: list[tuple[float, tuple[float, float]]] = []
    if rng.random() < 0.2:
        done.append((float(rng.uniform(0.5, 5.5)), scattered((session.width_px, session.height_px), rng)))
    for _ in range(40):
        now = replace(session, recentred=tuple(sorted(done)))
        ends = [since for since, _, _ in now.tracks_px[1:]] + [session.watched_h * 3600]
        for (since, x, y), end in zip(now.tracks_px, ends, strict=True):
            exit_s = first_touch_s(now, x, y, session.start_s + since) - session.start_s
            cuts = [h * 3600 for h in (1.0, 3.0, 6.0)]
            near = any(0 <= exit_s - cut < 1800 for cut in cuts if since <= cut < end + 1)
            if exit_s < end or near:
                at = max(exit_s - rng.uniform(1900, 3000), since + 600) / 3600
                # Later visits stay: what they were for may be mended already, and people come in vain too.
                done = [d for d in done if abs(d[0] - at) > 0.15]
                done.append((at, scattered((session.width_px, session.height_px), rng)))
                break
        else:
            return now
    return now
