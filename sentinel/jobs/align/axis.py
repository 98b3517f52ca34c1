"""The polar axis, from frames taken while tracking: how far off, how well known, how long good for."""

import copy
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import hypot

import numpy as np

from sentinel.chain.following import Following
from sentinel.chain.forecast.dwell import tracks_px
from sentinel.chain.judge.arrival_lag import ArrivalLags
from sentinel.chain.notify.camera_clock import disagreement
from sentinel.chain.track import Context
from sentinel.chain.undo import standing_marks
from sentinel.core.errors import RequestProblem
from sentinel.core.foreseen import MountFit, PolarAxis
from sentinel.core.records import Disc, Event, Forecast, Mark, MeasuredFrame
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S, Settings
from sentinel.core.times import from_utc_s, utc_s
from sentinel.core.words import times_in
from sentinel.jobs.align.bolts import Bolt, bolts_of
from sentinel.jobs.align.fitted import Fit, axis_of, errors_of
from sentinel.jobs.align.holding import Holding, holding, wanted_s
from sentinel.sky import Sun, separation_deg

Events = Sequence[tuple[Event, datetime]]
Paused = tuple[tuple[datetime, datetime], ...]
"""Spans in which the drive is said to have stood."""

# The rate is known well enough if with 95 % certainty it is off by no more than this, or this share of what
# it was found to be off.
LEFT_RATE = 5e-4
LEFT_RATE_SHARE = 1 / 3
OTHER_AXIS_SIGMAS = 4.0
LOOK_ON_S = (1200.0, 2400.0, 3600.0, 5400.0, 7200.0, 10_800.0, 14_400.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeTurn:
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
    before: BeforeTurn | None
    known_from_utc: datetime | None
    """Where something is not determined: about when all will be if the tracking goes on; None: not soon."""
    wanted_s: float
    """For how long a disc is to stay."""
    paused: Paused
    pause_pace: float | None
    """How fast the disc went in the pause that was told, by its own size, over the sky's own pace."""
    stop_room_min: float
    """How long a disc in the middle stays in the frame if the drive stops, whichever way the camera sits."""
    as_it_is: Holding | None
    """How long a disc stays on the axis as it is; None: not all of it is determined."""
    turned: Holding | None
    """The same once what is off has been turned."""

    @property
    def mount(self) -> MountFit:
        """The mount as fitted."""
        assert self.forecast.mount is not None  # noqa: S101 - a track has been fitted
        return self.forecast.mount

    @property
    def axis(self) -> PolarAxis:
        """The axis as fitted."""
        assert self.mount.axis is not None  # noqa: S101 - a track has been fitted
        return self.mount.axis

    @property
    def determined(self) -> tuple[str, ...]:
        """What is known well enough to act on."""
        rate = ("rate",) if self.rate_determined else ()
        return tuple(bolt.name for bolt in self.bolts if bolt.determined) + rate

    @property
    def good_enough(self) -> bool:
        """Whether the disc stays for as long as it is to, from any hour, for all that the axis may be."""
        return self.as_it_is is not None and self.as_it_is.least_s >= self.wanted_s


@dataclass(frozen=True, slots=True)
class _Seen:
    """What was followed through some events, and which of them the fit stands on."""

    following: Following
    discs: Sequence[MeasuredFrame]
    end_utc: datetime

    @property
    def forecast(self) -> Forecast:
        return self.following.look(self.end_utc)


def align(
    settings: Settings, events: Events, *, hold_s: float | None = None, paused: Paused = ()
) -> Alignment:
    """Fit the axis to a session.

    `events`: as `replay.recorded_session` gives them. The axis is taken as turned at each `realigned` mark,
        and where the disc jumped and what followed fits no axis from before.
    `hold_s`: for how long a disc is to stay; None: `holding.wanted_s`.
    `paused`: when the drive stood: the disc then runs due west, which tells how the camera sits.
    Raises `RequestProblem` if the camera does not track, or no disc could be believed.
    """
    if settings.mount.tracking == "none":
        raise RequestProblem(
            "a camera that does not track has no polar axis to align",
            where="mount.tracking",
            mend="say at which rate the mount tracks",
        )
    _refuse_wrong_times(settings, events)
    kept = standing_marks(event for event, _ in events if isinstance(event, Mark))
    events = [one for one in events if not isinstance(one[0], Mark) or one[0] in kept]
    sun = Sun(settings.site)
    seen, before = _since_turned(settings, sun, events, paused)
    forecast = seen.forecast
    if forecast.mount is None or forecast.mount.axis is None:
        times = times_in(settings.alerts.zone)
        since = f" since {times.at(before.at_utc)}, when the axis was turned" if before else ""
        raise RequestProblem(
            f"no disc could be believed{since}",
            where="the session",
            mend="look at single frames with sentinel measure, and at place and lens in the settings",
        )
    fit = Fit(settings, sun, forecast, seen.discs[-1])
    bolts, rate_determined = bolts_of(fit), _rate_is_known(fit)
    known = rate_determined and all(bolt.determined for bolt in bolts)
    as_it_is, turned = holding(fit, bolts) if known else (None, None)
    return Alignment(
        forecast=forecast,
        bolts=bolts,
        rate_determined=rate_determined,
        span_s=(seen.discs[-1].time_utc - seen.discs[0].time_utc).total_seconds(),
        frames_used=len(seen.discs),
        before=before,
        known_from_utc=None if known else _known_from(fit, seen.following),
        wanted_s=wanted_s(settings) if hold_s is None else hold_s,
        paused=paused,
        pause_pace=_pause_pace(fit, seen.discs, paused),
        stop_room_min=fit.room_deg * 3600 / (MEAN_SOLAR_RATE_ARCSEC_S * 60),
        as_it_is=as_it_is,
        turned=turned,
    )


def _refuse_wrong_times(settings: Settings, events: Events) -> None:
    """Refuse exposures whose times disagree with when the frames came: no angle that stands on them is right.

    Raises `RequestProblem` if they do.
    """
    lags = ArrivalLags()
    for event, _ in events:
        if isinstance(event, MeasuredFrame):
            lags, _ = lags.after(event, settings.thresholds)
    off = lags.off
    if off is None or not off.disputed:
        return
    told = settings.camera.clock_offset_s
    mend = "if this computer's clock is right, "
    if off.steady and told != "auto":
        mend += f"write {told + off.ahead_s:.0f}, and take frames anew"
    else:
        mend += "set the camera's clock"
    raise RequestProblem(
        f"no angle can be told: {disagreement(off)}", where="camera.clock_offset_s", mend=mend
    )


def _since_turned(
    settings: Settings, sun: Sun, events: Events, paused: Paused
) -> tuple[_Seen, BeforeTurn | None]:
    """Return what there is since the axis was last turned, and the axis before."""

    def watched(some: Events) -> _Seen:
        return _watched(settings, sun, some, paused)

    turns = [
        k for k, (event, _) in enumerate(events) if isinstance(event, Mark) and event.kind == "realigned"
    ]
    seen = watched(events[turns[-1] :] if turns else events)
    before = None
    if turns:
        begin = turns[-2] if len(turns) > 1 else 0
        earlier = watched(events[begin : turns[-1]]) if turns[-1] > begin else None
        before = _before(earlier, events[turns[-1]][0].time_utc, marked=True)
    part = seen.following.track.part
    if not seen.discs or not part.number or part.began_s <= utc_s(seen.discs[0].time_utc):
        return seen, before
    jumped_utc = from_utc_s(part.began_s)
    if _after_pause(jumped_utc, paused, settings):
        return seen, before
    since = events[turns[-1] :] if turns else events
    earlier = watched([one for one in since if one[0].time_utc < jumped_utc])
    later = watched([one for one in since if one[0].time_utc >= jumped_utc])
    if _are_apart(earlier.forecast, later.forecast):
        return later, _before(earlier, jumped_utc, marked=False)
    return seen, before


def _after_pause(jumped_utc: datetime, paused: Paused, settings: Settings) -> bool:
    """Whether the disc jumped only because the drive had stood."""
    soon = timedelta(seconds=3 * settings.camera.interval_s)
    return any(begin <= jumped_utc <= end + soon for begin, end in paused)


def _watched(settings: Settings, sun: Sun, events: Events, paused: Paused) -> _Seen:
    following = Following(Context(settings, sun), paused)
    for event, at_utc in events:
        following.feed(event, at_utc)
    frames = [event for event, _ in events if isinstance(event, MeasuredFrame)]
    return _Seen(following, [f for f in frames if f.disc.found and f.error is None], events[-1][1])


def _before(earlier: _Seen | None, at_utc: datetime, *, marked: bool) -> BeforeTurn | None:
    axis = axis_of(earlier.forecast) if earlier is not None else None
    if axis is None:
        return None
    azimuth, altitude = axis.azimuth_error_deg, axis.altitude_error_deg
    return BeforeTurn(at_utc=at_utc, marked=marked, azimuth_deg=azimuth, altitude_deg=altitude)


def _are_apart(one: Forecast, other: Forecast) -> bool:
    """Whether two fits cannot be of one axis."""
    a, b = axis_of(one), axis_of(other)
    if a is None or b is None:
        return False
    return any(
        abs(mine[0] - theirs[0]) > OTHER_AXIS_SIGMAS * hypot(mine[1], theirs[1])
        for mine, theirs in zip(errors_of(a), errors_of(b), strict=True)
    )


def _pause_pace(fit: Fit, discs: Sequence[MeasuredFrame], paused: Paused) -> float | None:
    paces = []
    for one, other in pairwise(discs):
        if not any(begin <= one.time_utc and other.time_utc <= end for begin, end in paused):
            continue
        then, now = (fit.sun.middle_direction(utc_s(frame.time_utc)) for frame in (one, other))
        gone_px = hypot(other.disc.x_px - one.disc.x_px, other.disc.y_px - one.disc.y_px)
        paces.append(gone_px * fit.optics.scale_arcsec_px / (3600 * float(separation_deg(then, now))))
    return float(np.median(paces)) if paces else None


def _rate_is_known(fit: Fit) -> bool:
    off = abs(fit.mount.rate_ratio - 1)
    return 2 * fit.mount.rate_ratio_sigma <= max(LEFT_RATE, LEFT_RATE_SHARE * off)


def _known_from(fit: Fit, following: Following) -> datetime | None:
    """Return about when axis and rate will be determined if the tracking goes on: frames are made up."""
    settings, trial, now_s = fit.settings, copy.deepcopy(following), fit.now_s
    step_s = max(settings.camera.interval_s, 60.0)
    times_s = now_s + np.arange(1, LOOK_ON_S[-1] / step_s + 1) * step_s
    x, y = tracks_px(settings, fit.sun, fit.mounting, times_s, fit.optics, at_px=fit.expected_px)
    up = fit.sun.altaz_deg(times_s)[0] > settings.thresholds.sun_clear_deg
    looks = list(LOOK_ON_S)
    for k, time_s in enumerate(times_s.tolist()):
        if up[k]:
            trial.feed(_made_up(fit.like, time_s, float(x[0, k]), float(y[0, k])), from_utc_s(time_s))
        if looks and time_s - now_s >= looks[0]:
            looks.pop(0)
            then = replace(fit, forecast=trial.look(from_utc_s(time_s)))
            if _rate_is_known(then) and all(bolt.determined for bolt in bolts_of(then)):
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
