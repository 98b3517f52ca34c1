"""What a few frames of the camera's folder say of the settings: clock, lens, place, margin."""

import statistics
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from sentinel.chain.intake.decode import Header, readable_headers
from sentinel.chain.intake.examine import job_of_the_past
from sentinel.chain.intake.exposure_time import exposure_time
from sentinel.chain.intake.pool import measure_all
from sentinel.chain.intake.session import find_frames
from sentinel.chain.intake.session_discs import CLEAR, LENS_SHARE
from sentinel.chain.judge.arrival_lag import DISPUTED_S, clock_off
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.solar_size import YEAR_ARCSEC, solar_radius_arcsec
from sentinel.core.times import file_time_utc, utc_s
from sentinel.core.words import span

MEASURED = 3
"""So many are measured; over all frames, so that a cloud does not hide them all."""
ARRIVALS = 10
LEAST_ARRIVALS = 3
WELL_DOWN_DEG = -2.0
"""No disc is seen with the sun below this, whatever the refraction: as the judge has it."""


def contradictions(folder: Path, settings: Settings) -> Iterator[str]:
    """Yield what in the frames contradicts the settings, a line each that says how to mend it."""
    files = find_frames(folder, settings.frames.patterns)
    if not files:
        return
    headers = list(readable_headers(files[-ARRIVALS:]))
    yield from _clock(headers, settings)
    yield from _margin(headers, settings)
    places = {round(n * (len(files) - 1) / (MEASURED - 1)) for n in range(MEASURED)}
    chosen = [files[place] for place in sorted(places)]
    jobs = [job_of_the_past(file.path, file.frame, settings.camera) for file in chosen]
    frames = [frame for frame in measure_all(jobs) if frame.disc.found and frame.disc.limb_coverage >= CLEAR]
    yield from _lens(frames, settings)
    yield from _place(frames, settings)


def _clock(headers: list[tuple[Path, Header]], settings: Settings) -> Iterator[str]:
    """Compare when pictures say they were taken with when their files were written."""
    told = settings.camera.clock_offset_s
    if told == "auto":
        return
    taken_s: list[float] = []
    lags_s: list[float] = []
    zoned = True
    for path, header in headers:
        if header.taken is None:
            continue
        zoned = zoned and header.zone is not None
        written_utc = file_time_utc(path.stat().st_mtime)
        taken_utc, _ = exposure_time(header.taken, header.zone, told, written_utc)
        taken_s.append(utc_s(taken_utc))
        lags_s.append((written_utc - taken_utc).total_seconds())
    if len(lags_s) < LEAST_ARRIVALS:
        return
    off = clock_off(taken_s, lags_s, DISPUTED_S)
    if off is None or not off.steady:
        return
    cause = "" if zoned else "; the files name no time zone, which is the likely cause"
    apart, way = span(timedelta(seconds=abs(off.ahead_s))), "ahead of" if off.ahead_s > 0 else "behind"
    yield (
        f"camera.clock_offset_s: exposures are steadily {apart} {way} their files{cause}; "
        f"if this computer's clock is right, write {told + off.ahead_s:.0f}"
    )


def _margin(headers: list[tuple[Path, Header]], settings: Settings) -> Iterator[str]:
    margin = settings.frames.margin_px
    for _, header in headers[-1:]:
        shorter = min(header.width_px, header.height_px)
        sun = 2 * YEAR_ARCSEC[1] / settings.camera.scale_arcsec_px
        if 2 * margin >= shorter:
            yield f"frames.margin_px: {margin:g} leaves nothing of a frame of {shorter} px; make it smaller"
        elif 2 * margin + sun > shorter:
            yield (
                f"frames.margin_px: a sun of {sun:.0f} px and twice {margin:g} do not fit into {shorter} px; "
                "make it smaller, or check the lens"
            )


def _lens(frames: list[MeasuredFrame], settings: Settings) -> Iterator[str]:
    if not frames:
        return
    camera = settings.camera
    scale = statistics.median(solar_radius_arcsec(utc_s(f.time_utc)) / f.disc.radius_px for f in frames)
    ratio = scale / camera.scale_arcsec_px
    if abs(ratio - 1) > LENS_SHARE:
        width = 2 * statistics.median(f.disc.radius_px for f in frames)
        yield (
            f"camera.focal_length_mm: the sun is {width:.0f} px wide, not {width * ratio:.0f}: with these "
            f"pixels the lens is {camera.focal_length_mm / ratio:.0f} mm, or with this lens "
            f"camera.pixel_pitch_um is {camera.pixel_pitch_um * ratio:.2f}"
        )


def _place(frames: list[MeasuredFrame], settings: Settings) -> Iterator[str]:
    """Hold place and time against the sun: it was up when it was seen."""
    if not frames:
        return
    from sentinel.sky import Sun  # noqa: PLC0415 - the ephemeris takes longer to load than the rest of the check

    times = [utc_s(frame.time_utc) for frame in frames]
    low = Sun(settings.site).true_altitude_deg(times)
    if min(low) >= WELL_DOWN_DEG:
        return
    depth, worst = min(zip(low, frames, strict=True), key=lambda pair: pair[0])
    site = settings.site
    mends = []
    for name, other in (
        ("latitude_deg", site.model_copy(update={"latitude_deg": -site.latitude_deg})),
        ("longitude_deg", site.model_copy(update={"longitude_deg": -site.longitude_deg})),
    ):
        if min(Sun(other).true_altitude_deg(times)) >= WELL_DOWN_DEG:
            mends.append(f"with site.{name} {getattr(other, name):g} it was up")
    mend = ", or ".join(mends) or "check site, camera.clock_offset_s and the time zone"
    yield (
        f"site: a sun is seen at {worst.time_utc:%Y-%m-%d %H:%M}Z, when it stood {-depth:.0f} degrees "
        f"below the horizon there; {mend}"
    )
