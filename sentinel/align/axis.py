"""The polar axis, from frames taken while tracking: how far it is off, and what turning it will show.

Bolts are turned against the live view, one at a time. So each turn is told as what the disc does in the
picture meanwhile.
"""

import copy
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import hypot
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from sentinel.errors import RequestProblem
from sentinel.forecast import Forecaster
from sentinel.forecast.coming import coming
from sentinel.forecast.exits import Frame
from sentinel.forecast.staying import Mounting, stays_s, tracks_px
from sentinel.records import Disc, Event, Forecast, Mark, MeasuredFrame
from sentinel.settings import Settings
from sentinel.sky import Optics, Sun, axis_vector, in_mount_frame, pose_seeing, project
from sentinel.sky.arrays import Array
from sentinel.times import from_utc_s, utc_s

BoltName = Literal["azimuth", "altitude"]
Events = Sequence[tuple[Event, datetime]]

# Known well enough to act on: with 95 % certainty a turn by what was found leaves no more of the error than
# this share, or so little that it does not matter.
LEFT_SHARE = 1 / 3
LEFT_DEG = 0.1
LEFT_RATE = 5e-4
ROLL_SURE_SHARE = 0.99
"""A bolt turned by the mirrored answer is turned the wrong way: the watch may live with less."""
TELLING_SIGMAS = 2.0
"""An error smaller than this is none that the frames can tell."""
OTHER_AXIS_SIGMAS = 4.0
SHOWS_WIDTHS_DEG = 0.3
"""A bolt that moves the disc by less per degree hardly shows in the live view."""
LOOK_ON_S = (1200.0, 2400.0, 3600.0, 5400.0, 7200.0, 10_800.0, 14_400.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bolt:
    """One of the two adjustments of the axis."""

    name: BoltName
    error_deg: float
    sigma_deg: float
    right_widths: float
    """What the disc does in the stored picture while the error is turned out, in sun-widths."""
    up_widths: float
    roll_share: float = 1.0
    """How likely the camera's roll is that the errors stand on, 0 to 1."""

    @property
    def mirrored(self) -> bool:
        """Whether a camera turned by half a turn on a mirrored axis is still to be reckoned with."""
        return self.roll_share < ROLL_SURE_SHARE

    @property
    def determined(self) -> bool:
        """Whether it is known well enough to act on."""
        return not self.mirrored and 2 * self.sigma_deg <= max(LEFT_DEG, LEFT_SHARE * abs(self.error_deg))

    @property
    def is_off(self) -> bool:
        """Whether there is an error that the frames can tell."""
        return abs(self.error_deg) > TELLING_SIGMAS * self.sigma_deg

    @property
    def shows(self) -> bool:
        """Whether turning it moves the disc at this hour."""
        return hypot(self.right_widths, self.up_widths) > SHOWS_WIDTHS_DEG * abs(self.error_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The axis as it was known before it was last turned."""

    at_utc: datetime
    marked: bool
    """By the operator; else the track itself showed it."""
    azimuth_deg: float
    altitude_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """What the frames tell of the axis."""

    forecast: Forecast
    bolts: tuple[Bolt, Bolt]
    """Azimuth and altitude."""
    rate_determined: bool
    span_s: float
    frames_used: int
    """With a disc, since the axis was last turned."""
    before: Before | None
    known_from_utc: datetime | None
    """Where something is not determined: about when all will be if the tracking goes on; None: not soon."""
    stays_s: float
    """For how long a disc put in the middle stays on the axis as it is; inf: two days."""
    could_stay_s: float
    """The same, at least, once what is determined has been turned."""

    @property
    def determined(self) -> tuple[str, ...]:
        """What is known well enough to act on."""
        rate = ("rate",) if self.rate_determined else ()
        return tuple(bolt.name for bolt in self.bolts if bolt.determined) + rate


@dataclass(frozen=True, slots=True)
class _Seen:
    """A forecaster that has taken some events, and which of them its fit stands on."""

    forecaster: Forecaster
    discs: Sequence[MeasuredFrame]
    end_utc: datetime

    @property
    def forecast(self) -> Forecast:
        return self.forecaster.look(self.end_utc)


def align(settings: Settings, events: Events) -> Alignment:
    """Fit the axis to a session.

    Parameters
    ----------
    events
        As `replay.past_of` gives them. The axis is taken as turned at each `realigned` mark, and where the
        disc jumped and what followed fits no axis from before.

    Raises
    ------
    RequestProblem
        If the camera does not track, or no disc could be believed.
    """
    if settings.mount.tracking == "none":
        raise RequestProblem(
            "a camera that does not track has no polar axis to align",
            where="mount.tracking",
            mend="say at which rate the mount tracks",
        )
    sun = Sun(settings.site)
    seen, before = _since_turned(settings, sun, events)
    forecast = seen.forecast
    if forecast.seen_utc is None or forecast.polar_azimuth_error_deg is None or forecast.rate_ratio is None:
        since = f" since {before.at_utc:%H:%M} UTC, when the axis was turned" if before else ""
        raise RequestProblem(
            f"no disc could be believed{since}",
            where="the session",
            mend="look at single frames with sentinel measure, and at place and lens in the settings",
        )
    fit = _Fit(settings, sun, forecast, seen.discs[-1])
    bolts, rate_determined = _bolts(fit), _rate_is_known(forecast)
    known = rate_determined and all(bolt.determined for bolt in bolts)
    as_it_is_s, could_s = _staying(fit, bolts)
    return Alignment(
        forecast=forecast,
        bolts=bolts,
        rate_determined=rate_determined,
        span_s=(seen.discs[-1].time_utc - seen.discs[0].time_utc).total_seconds(),
        frames_used=len(seen.discs),
        before=before,
        known_from_utc=None if known else _known_from(fit, seen.forecaster),
        stays_s=as_it_is_s,
        could_stay_s=could_s,
    )


def _since_turned(settings: Settings, sun: Sun, events: Events) -> tuple[_Seen, Before | None]:
    """Return what there is since the axis was last turned, and the axis before."""
    turns = [
        k for k, (event, _) in enumerate(events) if isinstance(event, Mark) and event.kind == "realigned"
    ]
    seen = _watched(settings, sun, events[turns[-1] :] if turns else events)
    before = None
    if turns:
        begin = turns[-2] if len(turns) > 1 else 0
        earlier = _watched(settings, sun, events[begin : turns[-1]]) if turns[-1] > begin else None
        before = _before(earlier, events[turns[-1]][0].time_utc, marked=True)
    jumped_utc = seen.forecaster.stretch_began_utc
    if jumped_utc is None or jumped_utc <= seen.discs[0].time_utc:
        return seen, before
    since = events[turns[-1] :] if turns else events
    earlier = _watched(settings, sun, [one for one in since if one[0].time_utc < jumped_utc])
    later = _watched(settings, sun, [one for one in since if one[0].time_utc >= jumped_utc])
    if _are_apart(earlier.forecast, later.forecast):
        return later, _before(earlier, jumped_utc, marked=False)
    return seen, before


def _watched(settings: Settings, sun: Sun, events: Events) -> _Seen:
    forecaster = Forecaster(settings, sun)
    for event, at_utc in events:
        forecaster.feed(event, at_utc)
    frames = [event for event, _ in events if isinstance(event, MeasuredFrame)]
    return _Seen(forecaster, [f for f in frames if f.disc.found and f.error is None], events[-1][1])


def _before(earlier: _Seen | None, at_utc: datetime, *, marked: bool) -> Before | None:
    last = earlier.forecast if earlier is not None else None
    if last is None or last.polar_azimuth_error_deg is None or last.polar_altitude_error_deg is None:
        return None
    azimuth, altitude = last.polar_azimuth_error_deg, last.polar_altitude_error_deg
    return Before(at_utc=at_utc, marked=marked, azimuth_deg=azimuth, altitude_deg=altitude)


def _are_apart(one: Forecast, other: Forecast) -> bool:
    """Whether two fits cannot be of one axis."""
    return any(
        a is not None and b is not None and abs(a[0] - b[0]) > OTHER_AXIS_SIGMAS * hypot(a[1], b[1])
        for a, b in zip(_errors(one), _errors(other), strict=True)
    )


def _errors(forecast: Forecast) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """Return azimuth and altitude error, each with its sigma."""
    f = forecast
    azimuth = f.polar_azimuth_error_deg, f.polar_azimuth_error_sigma_deg
    altitude = f.polar_altitude_error_deg, f.polar_altitude_error_sigma_deg
    return _both(*azimuth), _both(*altitude)


def _both(value: float | None, sigma: float | None) -> tuple[float, float] | None:
    return None if value is None or sigma is None else (value, sigma)


@dataclass(frozen=True, slots=True)
class _Fit:
    """A fitted mount, and the camera on it."""

    settings: Settings
    sun: Sun
    forecast: Forecast
    like: MeasuredFrame
    """One of the frames."""

    @property
    def now_s(self) -> float:
        return utc_s(self.forecast.time_utc)

    @property
    def optics(self) -> Optics:
        """The lens with the scale that the discs show."""
        camera = self.settings.camera
        scale = self.forecast.scale_arcsec_px or camera.scale_arcsec_px
        return Optics.of_scale(scale, camera.pixel_pitch_um, self.like.width_px, self.like.height_px)

    @property
    def frame(self) -> Frame:
        return Frame(self.like.width_px, self.like.height_px, self.settings.frames.margin_px)

    @property
    def errors(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Azimuth and altitude error, each with its sigma."""
        azimuth, altitude = _errors(self.forecast)
        assert azimuth is not None and altitude is not None  # noqa: S101, PT018 - a track has been fitted
        return azimuth, altitude

    @property
    def mounting(self) -> Mounting:
        (azimuth, _), (altitude, _) = self.errors
        rate_arcsec_s = 15.0 * (self.forecast.rate_ratio or 0.0)
        return Mounting(azimuth, altitude, rate_arcsec_s, self.forecast.roll_deg or 0.0)

    @property
    def axis(self) -> Array:
        (azimuth, _), (altitude, _) = self.errors
        return axis_vector(self.settings.site.latitude_deg, azimuth, altitude)


def _bolts(fit: _Fit) -> tuple[Bolt, Bolt]:
    azimuth, altitude = fit.errors
    width_px = 2 * float(fit.sun.angular_radius_arcsec(fit.now_s)) / fit.optics.scale_arcsec_px
    moves = _moves_px(fit, (turned_azimuth(-azimuth[0]), turned_altitude(-altitude[0], fit.axis)))
    names: tuple[BoltName, BoltName] = ("azimuth", "altitude")
    one, other = (
        Bolt(
            name=name,
            error_deg=error,
            sigma_deg=sigma,
            right_widths=x / width_px,
            up_widths=-y / width_px,
            roll_share=fit.forecast.roll_share or 0.0,
        )
        for name, (error, sigma), (x, y) in zip(names, (azimuth, altitude), moves, strict=True)
    )
    return one, other


def turned_azimuth(clockwise_deg: float) -> Rotation:
    """Return how a mount turns in azimuth, clockwise seen from above; local frame (east, north, up)."""
    return Rotation.from_rotvec([0.0, 0.0, -np.radians(clockwise_deg)])


def turned_altitude(up_deg: float, axis: Array) -> Rotation:
    """Return how a mount turns in altitude: its axis (3,) comes up by the angle, in its own vertical."""
    level = np.array([axis[0], axis[1], 0.0]) / np.hypot(axis[0], axis[1])
    return Rotation.from_rotvec(np.cross(level, [0.0, 0.0, 1.0]) * np.radians(up_deg))


def _moves_px(fit: _Fit, turns: Sequence[Rotation]) -> list[tuple[float, float]]:
    """Return by how much the disc moves in the picture, x and y, while the whole mount is turned."""
    south, optics = fit.settings.site.latitude_deg < 0, fit.optics
    direction = fit.sun.middle_direction(fit.now_s)
    x0, y0 = fit.forecast.expected_px or optics.middle_px
    mounted = in_mount_frame(direction, fit.axis, 0.0, south=south)
    pose = pose_seeing(mounted, x0, y0, optics, roll_deg=fit.mounting.roll_deg)
    moves = []
    for turn in turns:
        # The mount turns one way: seen from it, the sun goes the other.
        seen = in_mount_frame(turn.inv().apply(direction), fit.axis, 0.0, south=south)
        x, y = project(seen, pose, optics)
        moves.append((float(x) - x0, float(y) - y0))
    return moves


def _rate_is_known(forecast: Forecast) -> bool:
    ratio, sigma = forecast.rate_ratio, forecast.rate_ratio_sigma
    if ratio is None or sigma is None:
        return False
    return 2 * sigma <= max(LEFT_RATE, LEFT_SHARE * abs(ratio - 1))


def _staying(fit: _Fit, bolts: tuple[Bolt, Bolt]) -> tuple[float, float]:
    """Return for how long a disc stays on the axis as it is, and at least when what is known is turned."""
    ahead = coming(fit.settings, fit.sun, fit.now_s)
    as_it_is = stays_s(fit.settings, fit.sun, fit.frame, fit.mounting, ahead, optics=fit.optics)
    around = np.arange(8) * np.pi / 4
    left = [
        (0.0 if bolt.determined else bolt.error_deg) + 2 * bolt.sigma_deg * side
        for bolt, side in zip(bolts, (np.cos(around), np.sin(around)), strict=True)
    ]
    turned = replace(fit.mounting, azimuth_error_deg=left[0], altitude_error_deg=left[1])
    could = stays_s(fit.settings, fit.sun, fit.frame, turned, ahead, optics=fit.optics)
    return float(as_it_is[0]), max(float(could.min()), float(as_it_is[0]))


def _known_from(fit: _Fit, forecaster: Forecaster) -> datetime | None:
    """Return about when axis and rate will be determined if the tracking goes on: frames are made up."""
    settings, trial, now_s = fit.settings, copy.deepcopy(forecaster), fit.now_s
    step_s = max(settings.camera.interval_s, 60.0)
    times_s = now_s + np.arange(1, LOOK_ON_S[-1] / step_s + 1) * step_s
    x, y = tracks_px(settings, fit.sun, fit.mounting, times_s, fit.optics, at_px=fit.forecast.expected_px)
    up = fit.sun.altaz_deg(times_s)[0] > settings.thresholds.sun_clear_deg
    looks = list(LOOK_ON_S)
    for k, time_s in enumerate(times_s.tolist()):
        if up[k]:
            trial.feed(_made_up(fit.like, time_s, float(x[0, k]), float(y[0, k])), from_utc_s(time_s))
        if looks and time_s - now_s >= looks[0]:
            looks.pop(0)
            then = replace(fit, forecast=trial.look(from_utc_s(time_s)))
            if _rate_is_known(then.forecast) and all(bolt.determined for bolt in _bolts(then)):
                return from_utc_s(time_s)
    return None


def _made_up(like: MeasuredFrame, time_s: float, x_px: float, y_px: float) -> MeasuredFrame:
    disc = Disc(
        found=True,
        x_px=x_px,
        y_px=y_px,
        radius_px=like.disc.radius_px,
        centre_sigma_px=like.disc.centre_sigma_px,
        limb_in_frame=1.0,
        limb_coverage=1.0,
    )
    return replace(like, frame="made-up", time_utc=from_utc_s(time_s), disc=disc)
