"""Things that cannot be: a disc with the sun down, a mount no axis explains, two cameras in one folder."""

from math import asin, cos, degrees, radians, sin
from typing import NamedTuple

from sentinel.chain.judge.camera_details import MixedCameras, WrongPlace
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.track.cameras import Cameras
from sentinel.chain.track.context import Context, SunPosition
from sentinel.chain.track.observation import Observation
from sentinel.core.angles import half_turn_deg
from sentinel.core.foreseen import ASKED_SHARE, Contradiction
from sentinel.core.records import Forecast, Severity
from sentinel.core.times import utc_s

AXIS_FAR_DEG = 12.0
AXIS_SIGMAS = 5.0
"""So sure it must be that it is as far: nobody is sent to look at settings that are right."""
TELLS_DEG = 5.0
"""Of a place nearer to the equator or to Greenwich the wrong sign makes too little difference to be it."""
HOUR_DEG = 15.0
ZONES_H = 12
"""Zones are off by so many hours at most, either way."""
_BY_LIGHT = "light"
"""The story of settings that the sun's light and track surely contradict."""


class Plausibility(NamedTuple):
    """What the judge remembers of the impossible; bounded."""

    down: int = 0
    """Discs in a row seen with the sun down."""
    down_s: float = 0.0
    impossible: Finding | None = None
    """Discs were seen with the sun down: true until a clock is set, however high the sun is by now."""
    contradicted: Finding | None = None
    """The forecast says that place or clock cannot be true, or its axis is one that nobody would set."""

    @property
    def settings_wrong(self) -> bool:
        """Whether place or clock cannot be as the settings say."""
        return self.impossible is not None or (
            self.contradicted is not None and self.contradicted.story == _BY_LIGHT
        )


def mixed_finding(cameras: Cameras, now_s: float) -> Finding | None:
    """Return what to say of frames from another camera, for an hour after the last."""
    if (
        cameras.stray_s is None
        or cameras.stray is None
        or cameras.source is None
        or now_s - cameras.stray_s > 3600
    ):
        return None
    detail = MixedCameras(
        watched=cameras.source.camera,
        watched_size_px=(cameras.source.width_px, cameras.source.height_px),
        other=cameras.stray.camera,
        other_size_px=(cameras.stray.width_px, cameras.stray.height_px),
    )
    return Finding(severity=Severity.NOTE, onset_s=cameras.stray_s, frame=cameras.stray_frame, detail=detail)


def take_frame(state: Plausibility, sight: Observation, context: Context) -> tuple[Plausibility, Readings]:
    """Take one frame's sight, and see whether the sun is where it can be seen."""
    limits = context.thresholds
    down = sight.trusted and sight.in_frame > 0.5 and sight.sun.altitude_deg < limits.sun_down_deg
    if down:
        state = state._replace(down=state.down + 1, down_s=state.down_s if state.down else sight.time_s)
        finding = _down_finding(state, sight, context)
        if finding.severity is not None:
            state = state._replace(impossible=finding)
        return state, {"wrong-place": finding}
    if sight.trusted and state.down:
        state = state._replace(down=0)
    now = state.impossible or (_down_finding(state, sight, context) if state.down else state.contradicted)
    return state, {"wrong-place": now}


def clock_was_set(state: Plausibility) -> Plausibility:
    """Forget what was impossible by the clock as it was."""
    return state._replace(down=0, impossible=None)


def _down_finding(state: Plausibility, sight: Observation, context: Context) -> Finding:
    if state.down < context.thresholds.sun_down_frames:
        return Finding(severity=None, onset_s=state.down_s)
    detail = WrongPlace(
        sun_altitude_deg=round(sight.sun.altitude_deg, 1),
        longitude_deg=context.settings.site.longitude_deg,
        likely=tuple(likely_mistakes(sight.time_s, context)),
    )
    return Finding(
        severity=Severity.SOON, onset_s=state.down_s, frame=sight.frame, detail=detail, story="down"
    )


def likely_mistakes(time_s: float, context: Context) -> list[str]:
    """Return the mistakes that would put the sun above the horizon, the likeliest first.

    A wrong longitude is a wrong time: 15 degrees east are an hour later. A wrong date is always possible.
    """
    site = context.settings.site
    longitude = half_turn_deg(site.longitude_deg)

    def up(shift_h: float) -> bool:
        return context.sun_at(time_s + shift_h * 3600).altitude_deg > 0

    likely = []
    if abs(longitude) > TELLS_DEG and up(-2 * longitude / HOUR_DEG):
        likely.append("longitude-sign")
    other_deg = opposite_altitude_deg(context.sun_at(time_s), site.latitude_deg)
    if abs(site.latitude_deg) > TELLS_DEG and other_deg > 0:
        likely.append("latitude-sign")
    zone = next((h for h in range(1, ZONES_H + 1) if up(h) or up(-h)), None)
    if zone is not None:
        likely.append("time-zone")
    return [*likely, "date"]


def opposite_altitude_deg(sun: SunPosition, latitude_deg: float) -> float:
    """Return the sun's height at the same hour angle as far on the other side of the equator."""
    latitude, altitude, azimuth = (radians(a) for a in (latitude_deg, sun.altitude_deg, sun.azimuth_deg))
    declination = sin(latitude) * sin(altitude) + cos(latitude) * cos(altitude) * cos(azimuth)  # its sine
    return degrees(asin(max(-1.0, min(1.0, sin(altitude) - 2 * sin(latitude) * declination))))


def take_forecast(state: Plausibility, forecast: Forecast) -> Plausibility:
    """Take a forecast that place or clock contradict, or whose axis stands where nobody would put one."""
    old, told = state.contradicted, forecast.contradiction
    story = old.story if old is not None else ""
    if told is not None and not told.sure and story == _BY_LIGHT:
        return state
    if told is not None and (told.share >= ASKED_SHARE or story == "asked"):
        detail, story = _contradiction(told), _BY_LIGHT if told.sure else "asked"
    else:
        detail, story = _odd_axis(forecast), "axis"
    if detail is None:
        return state._replace(contradicted=None) if old is not None else state
    onset_s = old.onset_s if old is not None and old.story == story else utc_s(forecast.time_utc)
    finding = Finding(severity=Severity.SOON, onset_s=onset_s, detail=detail, story=story)
    return state._replace(contradicted=finding)


def _contradiction(said: Contradiction) -> WrongPlace | None:
    return WrongPlace(contradicted_share=round(said.share, 3), likely=said.likely, time_zone_hours=said.hours)


def _odd_axis(forecast: Forecast) -> WrongPlace | None:
    axis = forecast.mount.axis if forecast.mount is not None else None
    if axis is None or axis.fit_sigma_deg is None:
        return None
    sigma_azimuth, sigma_altitude = axis.fit_sigma_deg
    azimuth, altitude = axis.azimuth_error_deg, axis.altitude_error_deg
    sure_deg = max(abs(azimuth) - AXIS_SIGMAS * sigma_azimuth, abs(altitude) - AXIS_SIGMAS * sigma_altitude)
    if sure_deg <= AXIS_FAR_DEG:
        return None
    return WrongPlace(
        polar_azimuth_error_deg=round(azimuth, 2),
        polar_altitude_error_deg=round(altitude, 2),
        likely=("longitude-sign", "time-zone", "date"),
    )
