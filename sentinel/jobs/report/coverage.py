"""What the session comes to: how much of the sun was recorded, how well, and hour by hour."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import nan

import numpy as np

from sentinel.chain.intake.decode import TAGS_UNREADABLE
from sentinel.chain.intake.examine import UNREADABLE
from sentinel.chain.intake.exposure_time import TIME_FROM_FILE
from sentinel.chain.intake.pool import UNMEASURED
from sentinel.chain.measure.flags import MEANING as DISC_MEANING
from sentinel.chain.notify.counting import GAP_INTERVALS
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.tables import MEANING as TABLE_MEANING
from sentinel.core.times import HOUR_S, from_utc_s, utc_s
from sentinel.jobs.report.record import Columns, Record
from sentinel.jobs.report.summary import Summary, TimeSpan
from sentinel.jobs.report.thinning import pieces
from sentinel.jobs.report.track_fit import TrackFit
from sentinel.sky import Optics, Sun, disc_axes, flattening
from sentinel.sky.arrays import Array, Bools, Indices
from sentinel.sky.horizon import daylight

STEP_S = 1.0
"""A change of the camera's clock that is worth a word."""

FLAG_MEANING: Mapping[str, str] = {
    **DISC_MEANING,
    **TABLE_MEANING,
    UNREADABLE: "the file could not be used as a picture",
    UNMEASURED: "measuring the file took too long or failed",
    TIME_FROM_FILE: "the file says no time of exposure; the file's own time stands in",
    TAGS_UNREADABLE: "what the camera wrote about the exposure could not be read",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """How much of the time the sun was there for was recorded."""

    up: timedelta
    """How long the sun's centre was above the horizon line, from the first frame to the last."""
    verified: float
    """Share of these in which its disc was measured; NaN: the sun was never up."""
    whole: float
    """Share in which all of its limb lay inside the frame."""
    longest: TimeSpan | None
    """The longest time with a disc measured in every frame, none missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """One hour of the session; NaN where there is nothing to say."""

    begin_utc: datetime
    frames: tuple[MeasuredFrame, ...]
    expected: int
    discs: int
    missing_min: float
    """Time in gaps."""
    poor: bool
    """Pictures are missing, or the sun was up and not seen."""
    altitude_deg: float
    off_arcsec: float
    """Median distance from the computed place."""
    radius_percent: float
    """Median of measured less computed radius."""
    edge_px: float
    running: str
    """Running hash after its last frame in order of arrival; empty: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """The disc's radius beside the sun's, by the configured lens."""

    percent: Array
    """(n,) measured less computed, NaN where the disc was not seen whole."""
    computed_arcsec: Array
    """(n,) the sun's radius across the vertical, which refraction leaves nearly as it is."""
    mean: float
    scatter: float
    half: float
    """Half of them lie within so much of the mean."""
    drift: float
    """How much the difference changes from the lowest to the highest tenth of altitudes."""
    frames: int
    lowest_deg: float
    """Altitude of the lowest of these discs."""
    flattening_there: float
    """Vertical over horizontal diameter that refraction makes there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """What the journal has of the clocks."""

    offsets_s: tuple[float, ...]
    """The camera's clock less UTC, as it was used."""
    steps: int
    """How often that changed by more than a second."""
    waits_s: tuple[float, float] | None
    """From exposure to arrival: the median, and what 95 % are within; None: not known."""
    readings: int
    """How often the computer's own clock was asked about."""
    synchronised: int


def clocks_of(record: Record) -> Clocks:
    """Return what the journal has of the clocks."""
    offsets_s = [s.camera_offset_s for s in record.surroundings if s.camera_offset_s is not None]
    waits_s = [
        (f.arrived_utc - f.time_utc).total_seconds() for f in record.frames if f.arrived_utc is not None
    ]
    heard = [s.clock_synchronised for s in record.surroundings if s.clock_synchronised is not None]
    return Clocks(
        offsets_s=tuple(offsets_s),
        steps=sum(abs(b - a) > STEP_S for a, b in pairwise(offsets_s)),
        waits_s=tuple(np.quantile(waits_s, [0.5, 0.95]).tolist()) if waits_s else None,
        readings=len(heard),
        synchronised=sum(heard),
    )


def share_of(columns: Columns, interval_s: float, sun: Sun) -> Share:
    """Return how much was recorded; each frame stands for the time until the next, at most one interval."""
    start, end = float(columns.utc_s[0]), float(columns.utc_s[-1])
    spans = daylight(sun, start, end).spans if end > start else ()
    up_s = sum(last - first for first, last in spans)
    step_s = np.append(np.diff(columns.utc_s), 0.0)
    stood_s = np.where(step_s > GAP_INTERVALS * interval_s, interval_s, step_s)
    stood_s = np.where(columns.above_deg >= 0, stood_s, 0.0)

    def share(which: Bools) -> float:
        return min(float(stood_s[which].sum()) / up_s, 1.0) if up_s > 0 else nan

    return Share(
        up=timedelta(seconds=up_s),
        verified=share(columns.found),
        whole=share(columns.whole),
        longest=_longest(columns, interval_s),
    )


def _longest(columns: Columns, interval_s: float) -> TimeSpan | None:
    times = columns.utc_s
    runs = _runs(times, columns.found, interval_s)
    best = max(runs, key=lambda run: times[run[-1]] - times[run[0]], default=None)
    if best is None:
        return None
    return TimeSpan(from_utc=from_utc_s(times[best[0]]), to_utc=from_utc_s(times[best[-1]]))


def _runs(times_s: Array, which: Bools, interval_s: float) -> list[Indices]:
    """Return the frames of each stretch in which something holds frame after frame, none missing."""
    at = np.flatnonzero(which)
    longest_s = GAP_INTERVALS * interval_s if interval_s else np.inf
    parted = (np.diff(at) > 1) | (np.diff(times_s[at]) > longest_s)
    return pieces(at, parted)


def runs_of(times_s: Array, which: Bools, interval_s: float) -> list[tuple[float, float]]:
    """Return from when to when something holds frame after frame, each frame standing for one interval."""
    runs = _runs(times_s, which, interval_s)
    return [(float(times_s[run[0]]), float(times_s[run[-1]]) + interval_s) for run in runs]


def sizes_of(columns: Columns, site: Site, optics: Optics) -> Sizes | None:
    """Return the measured radii beside the computed ones; None: no disc was ever seen whole."""
    good = columns.whole & (columns.coverage > 0.5) & (columns.altitude_deg > 0)
    if not good.any():
        return None
    computed = columns.sun_radius_arcsec * np.asarray(
        disc_axes(columns.altitude_deg, site.pressure_hpa, site.temperature_c)[1]
    )
    seen_arcsec = columns.radius_px * optics.local_scale_arcsec_px(columns.x_px, columns.y_px)
    percent = np.where(good, (seen_arcsec / computed - 1) * 100, np.nan)
    some = percent[good]
    low, high = np.quantile(columns.altitude_deg[good], [0.1, 0.9])
    lower, upper = good & (columns.altitude_deg <= low), good & (columns.altitude_deg >= high)
    lowest = float(columns.altitude_deg[good].min())
    return Sizes(
        percent=percent,
        computed_arcsec=computed,
        mean=float(some.mean()),
        scatter=float(some.std()),
        half=float(np.median(np.abs(some - some.mean()))),
        drift=float(np.median(percent[upper]) - np.median(percent[lower])),
        frames=int(good.sum()),
        lowest_deg=lowest,
        flattening_there=float(flattening(lowest, site.pressure_hpa, site.temperature_c)),
    )


def hours_of(
    record: Record, columns: Columns, track: TrackFit, sizes: Sizes | None, summary: Summary
) -> list[Hour]:
    """Return the session hour by hour, empty hours included."""
    first = int(columns.utc_s[0] // HOUR_S)
    hour = (columns.utc_s // HOUR_S).astype(int) - first
    off = track.off_arcsec
    percent = sizes.percent if sizes else np.full(len(columns), np.nan)
    gaps = [(utc_s(gap.from_utc), utc_s(gap.to_utc)) for gap in summary.gaps]
    bounds = np.searchsorted(hour, np.arange(hour[-1] + 2))
    least_missing_min = (summary.interval_s or record.settings.camera.interval_s) / 60
    unseen = ~columns.found & (columns.above_deg >= 0)
    found = []
    for k, (i, j) in enumerate(pairwise(bounds.tolist())):
        begin = (first + k) * HOUR_S
        own, expected = record.frames[i:j], _expected(begin, columns, summary.interval_s)
        missing_min = sum(max(0.0, min(b, begin + HOUR_S) - max(a, begin)) for a, b in gaps) / 60
        links = [record.links[id(frame)] for frame in own if id(frame) in record.links]
        last = max(links, key=lambda link: link.number, default=None)
        found.append(
            Hour(
                begin_utc=from_utc_s(begin),
                frames=own,
                expected=expected,
                discs=int(columns.found[i:j].sum()),
                missing_min=missing_min,
                poor=bool(unseen[i:j].any()) or len(own) < expected or missing_min > least_missing_min,
                altitude_deg=median_of(columns.altitude_deg[i:j]),
                off_arcsec=median_of(off[i:j]),
                radius_percent=median_of(percent[i:j]),
                edge_px=median_of(columns.edge_px[i:j]),
                running=last.running if last else "",
            )
        )
    return found


def _expected(begin_s: float, columns: Columns, interval_s: float) -> int:
    """Return how many frames of an even row, from the first frame to the last, fall into an hour."""
    if not interval_s:
        return 1
    start, end = float(columns.utc_s[0]), min(float(columns.utc_s[-1]) + interval_s / 2, begin_s + HOUR_S)

    def before(at: float) -> int:
        return max(0, int(np.ceil((at - start) / interval_s - 1e-9)))

    return max(0, before(end) - before(begin_s))


def flag_counts(frames: Sequence[MeasuredFrame]) -> list[tuple[str, int, str]]:
    """Return each doubt, how many frames have it, and what it means; the commonest first."""
    counts = Counter(flag for frame in frames for flag in frame.all_flags)
    commonest = sorted(counts, key=lambda flag: (-counts[flag], flag))
    return [(flag, counts[flag], FLAG_MEANING.get(flag, "")) for flag in commonest]


def median_of(values: Array) -> float:
    """Return the median of what is finite; NaN: nothing is."""
    return quantile_of(values, 0.5)


def quantile_of(values: Array, share: float) -> float:
    """Return the value that a share of what is finite lies below; NaN: nothing is."""
    some = values[np.isfinite(values)]
    return float(np.quantile(some, share)) if some.size else nan


def light_of(columns: Columns) -> Array:
    """Return the disc's light at equal exposure, in stops above the session's median, (n,).

    Where no exposure is told it is taken as constant; discs that are mostly at full scale tell nothing.
    """
    told = np.isfinite(columns.exposure) & (columns.exposure > 0)
    exposure = np.where(told, columns.exposure, 1.0) if told.any() else np.ones(len(columns))
    usable = columns.found & (columns.brightness > 0) & (columns.saturated < 0.5)
    usable &= told if told.any() else True
    with np.errstate(divide="ignore", invalid="ignore"):
        stops = np.where(usable, np.log2(columns.brightness / exposure), np.nan)
    return stops - median_of(stops) if usable.any() else stops
