"""How the camera sat on its mount through a session, as its forecasts and its fast runs tell it.

A forecast knows only what came before it. Looking back, each part of the track is told by the forecast that
knew most about it, and by what came later as long as nothing shows that the camera was turned in between. A
drive that stops or turns back carries the disc along the mount's own equator: minutes of that tell the roll
better than hours of drift.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import hypot, inf

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.core.foreseen import MountFit
from sentinel.core.records import Forecast, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.sky import Optics, Sun, axis_vector, in_mount_frame, pose_seeing, project, rate_arcsec_s
from sentinel.sky.arrays import Array

SETTLED_SHARE = 0.85
"""A roll less likely than this among all that explain the track tells nothing: it may be the mirrored one."""
TURNED_SIGMAS, TURNED_LEAST_DEG = 3.0, 1.0
"""Two parts whose rolls differ by more than both had the camera turned between them."""
CLEARLY = 4.0
"""Of two axes the true one is nearer to what is known by this factor."""
FAST_SHARE = 0.3
"""Of the sky's own rate: what moves faster is no drift."""
EVEN = 0.05
"""The steps of a run on a drive, or on none, are as long as each other to within this share."""
STRAIGHT = 0.999
"""And lie on one line: their sum is so long a share of what they are together."""
RUN_STEPS = 3
STEP_LONGEST_S = 600.0
RUN_SIGMA_DEG = 0.05
"""No run tells a roll better: wind and gears. From simulated runs, no source."""
UNKNOWN_SIGMA_DEG = 180.0
LEAST_SIGMA_DEG = 1e-4
"""Nothing is known without any doubt."""


@dataclass(frozen=True, slots=True)
class Attitude:
    """How camera and axis stood over some frames."""

    roll_deg: float
    """Of the camera on the mount, as `sky.mount.Pose` counts it."""
    roll_sigma_deg: float
    """Were it about that one."""
    roll_share: float
    """How likely it is about that one, 0 to 1."""
    azimuth_error_deg: float
    altitude_error_deg: float
    axis_sigma_deg: float
    """Of the axis, on the sky."""
    scale_arcsec_px: float
    fitted_errors_deg2: tuple[tuple[float, ...], ...] = ()
    """Where more than the track has told it: see `errors_deg2`."""

    @property
    def known(self) -> bool:
        """Whether the session tells it at all."""
        return self.roll_share >= SETTLED_SHARE

    @property
    def placed(self) -> bool:
        """Whether the axis is known too."""
        return self.known and self.axis_sigma_deg < UNKNOWN_SIGMA_DEG

    def errors_deg2(self, latitude_deg: float) -> Array:
        """Return the covariance of roll and the axis's errors in azimuth and altitude, (3, 3)."""
        if self.fitted_errors_deg2:
            return np.array(self.fitted_errors_deg2)
        # In azimuth an axis moves less than it turns: not at all at the pole.
        level = max(abs(np.cos(np.radians(latitude_deg))), 1e-6)
        sigmas = self.roll_sigma_deg, self.axis_sigma_deg / level, self.axis_sigma_deg
        return np.diag(np.square(np.maximum(sigmas, LEAST_SIGMA_DEG)))


def attitudes(
    frames: Sequence[MeasuredFrame],
    forecasts: Iterable[Forecast],
    parts: Sequence[int],
    settings: Settings,
    sun: Sun,
) -> list[Attitude]:
    """Return how camera and axis stood at each frame.

    `frames`: in order of exposure.
    `parts`: the part of the track that each belongs to, as `chain.track.parts_of` gives them.
    """
    if not frames:
        return []
    begins, at = _begins(frames, parts)
    told = _shared(_told(begins, sorted(forecasts, key=lambda one: one.time_utc), settings))
    for k, lead in enumerate(told):
        here = [frame for frame, part in zip(frames, at, strict=True) if part == k]
        told[k] = _with_runs(lead, here, settings, sun)
    settled = _shared(told)
    return [settled[k] for k in at]


def _begins(frames: Sequence[MeasuredFrame], parts: Sequence[int]) -> tuple[list[float], list[int]]:
    """Return when each part begins, and for each frame the part it is in or comes after."""
    begins, at, now = [-inf], [], 0
    seen = -1
    for frame, part in zip(frames, parts, strict=True):
        if part > seen:
            if seen >= 0:
                begins.append(utc_s(frame.time_utc))
                now += 1
            seen = part
        at.append(now)
    return begins, at


def _told(begins: Sequence[float], forecasts: Sequence[Forecast], settings: Settings) -> list[Attitude]:
    """Return for each part what the forecast that knew most about it says."""
    nothing = Attitude(
        0.0, UNKNOWN_SIGMA_DEG, 0.0, 0.0, 0.0, UNKNOWN_SIGMA_DEG, settings.camera.scale_arcsec_px
    )
    best: list[Attitude] = []
    for begin, end in pairwise([*begins, inf]):
        own = [one.mount for one in forecasts if begin <= utc_s(one.time_utc) < end]
        followed = [one for one in own if one is not None and one.departed_utc is None]
        found = [_of(one, one.roll_sigma_deg) for one in followed if one.roll_sigma_deg is not None]
        best.append(max(found, key=_rank, default=nothing))
    return best


def _rank(one: Attitude) -> tuple[bool, bool, float]:
    """Return how well an attitude is known, to compare."""
    return one.known, one.roll_share > 0.5, -one.roll_sigma_deg


def _of(mount: MountFit, roll_sigma_deg: float) -> Attitude:
    axis = mount.axis
    return Attitude(
        roll_deg=mount.roll_deg,
        roll_share=mount.roll_share,
        roll_sigma_deg=roll_sigma_deg,
        azimuth_error_deg=axis.azimuth_error_deg if axis is not None else 0.0,
        altitude_error_deg=axis.altitude_error_deg if axis is not None else 0.0,
        # A mount that stands has an axis that nothing tells.
        axis_sigma_deg=UNKNOWN_SIGMA_DEG if axis is None else mount.axis_sigma_deg or 0.0,
        scale_arcsec_px=mount.scale_arcsec_px,
    )


def _shared(own: Sequence[Attitude]) -> list[Attitude]:
    """Return each part's attitude, or that of a neighbour who knew more and saw the camera sit alike."""
    settled = list(own)
    order = range(len(settled))
    # There and back: what is known late holds for what came before, and the other way round.
    for k, neighbour in (*((k, k - 1) for k in order[1:]), *((k, k + 1) for k in reversed(order[:-1]))):
        one, other = settled[k], settled[neighbour]
        if _rank(other) > _rank(one):
            one = _of_two(one, other) if other.known and not one.known else one
            settled[k] = one if _turned(one, other) else other
    return settled


def _of_two(one: Attitude, other: Attitude) -> Attitude:
    """Return what is open to half a turn as the axis that a neighbour knows decides it, if that does.

    A camera turned by half a turn on a mirrored axis draws nearly the same track.
    """
    half = replace(
        one,
        roll_deg=one.roll_deg + 180,
        azimuth_error_deg=-one.azimuth_error_deg,
        altitude_error_deg=-one.altitude_error_deg,
    )
    off, half_off = (
        hypot(
            each.azimuth_error_deg - other.azimuth_error_deg,
            each.altitude_error_deg - other.altitude_error_deg,
        )
        for each in (one, half)
    )
    if max(off, half_off) < CLEARLY * min(off, half_off):
        return one
    return replace(one if off < half_off else half, roll_share=1.0, axis_sigma_deg=min(off, half_off))


def _turned(one: Attitude, other: Attitude) -> bool:
    off = abs(half_turn_deg(one.roll_deg - other.roll_deg))
    return off > max(TURNED_LEAST_DEG, TURNED_SIGMAS * hypot(one.roll_sigma_deg, other.roll_sigma_deg))


def _with_runs(lead: Attitude, frames: Sequence[MeasuredFrame], settings: Settings, sun: Sun) -> Attitude:
    """Return the attitude as the fast runs among frames tell it, where there are any."""
    turns: list[complex] = []
    if lead.axis_sigma_deg >= UNKNOWN_SIGMA_DEG:
        return lead
    for one, other in pairwise([frame for frame in frames if frame.disc.found]):
        gap_s = utc_s(other.time_utc) - utc_s(one.time_utc)
        turn = _step(lead, one, other, settings, sun) if 0 < gap_s <= STEP_LONGEST_S else None
        if turn is not None:
            turns.append(turn)
    length = np.abs(np.array(turns))
    if len(turns) < RUN_STEPS or np.ptp(length) > 2 * EVEN * np.median(length):
        return lead
    total = sum(turns)
    off_deg = float(np.degrees(np.angle(total)))
    if (
        abs(total) < STRAIGHT * length.sum()
        or abs(off_deg) > TURNED_SIGMAS * lead.roll_sigma_deg + TURNED_LEAST_DEG
    ):
        return lead
    scatter_deg = float(np.degrees(np.angle(np.array(turns) / total).std()))
    sigma_deg = hypot(RUN_SIGMA_DEG, scatter_deg / np.sqrt(len(turns)))
    if lead.known and sigma_deg >= lead.roll_sigma_deg:
        return lead
    # Picture coordinates turn by minus the roll.
    return replace(lead, roll_deg=lead.roll_deg - off_deg, roll_sigma_deg=sigma_deg, roll_share=1.0)


def _step(
    lead: Attitude, one: MeasuredFrame, other: MeasuredFrame, settings: Settings, sun: Sun
) -> complex | None:
    """Return by what a fast step of the disc is turned against the computed one, of its length in pixels.

    The drive may run at any rate, or stand: that which makes the step as long as it was. None: no fast step.
    """
    begin_s, end_s = utc_s(one.time_utc), utc_s(other.time_utc)
    seen = complex(other.disc.x_px - one.disc.x_px, other.disc.y_px - one.disc.y_px)
    sky_px = rate_arcsec_s("solar") * (end_s - begin_s) / lead.scale_arcsec_px
    if not FAST_SHARE * sky_px < abs(seen):
        return None
    # The drive stands, and it follows the sun.
    turned_rad = 0.0, float(np.radians(rate_arcsec_s("solar") * (end_s - begin_s) / 3600))
    view = _view_at(lead, one, settings, sun)
    standing, following = (view(end_s, angle) for angle in turned_rad)
    # |standing + (following - standing) rate| is to be |seen|.
    driven = following - standing
    a, b = abs(driven) ** 2, (standing * driven.conjugate()).real
    inside = b * b - a * (abs(standing) ** 2 - abs(seen) ** 2)
    if a == 0 or inside < 0:
        return None
    steps = [standing + driven * (-b + sign * np.sqrt(inside)) / a for sign in (-1, 1)]
    turns = [seen * complex(step).conjugate() / abs(seen) for step in steps]
    return max(turns, key=lambda turn: turn.real)


def _view_at(
    lead: Attitude, one: MeasuredFrame, settings: Settings, sun: Sun
) -> Callable[[float, float], complex]:
    """Return what tells how far the disc has gone, x + i y, from a frame's exposure to a time.

    It is told the time and by how much the drive has turned until then, radians.
    """
    site, south = settings.site, settings.site.latitude_deg < 0
    axis = axis_vector(site.latitude_deg, lead.azimuth_error_deg, lead.altitude_error_deg)
    optics = Optics.of_scale(
        lead.scale_arcsec_px, settings.camera.pixel_pitch_um, one.width_px, one.height_px
    )
    begin = in_mount_frame(sun.middle_direction(utc_s(one.time_utc)), axis, 0.0, south=south)
    pose = pose_seeing(begin, one.disc.x_px, one.disc.y_px, optics, roll_deg=lead.roll_deg)

    def moved(time_s: float, turned_rad: float) -> complex:
        x, y = project(
            in_mount_frame(sun.middle_direction(time_s), axis, turned_rad, south=south), pose, optics
        )
        return complex(float(x) - one.disc.x_px, float(y) - one.disc.y_px)

    return moved
