"""A report that does not tell where it was: written from nothing, with what may be known and no more.

Where a camera stood follows from much that a full report shows. An altitude at a known second is a line on
the map, and hundreds of them, each to a tenth of a degree, are a point. So are the disc's flattening, the
vertical's direction, the light through the air, the track that refraction bends, sunrise and sunset. None of
these is in here; what must be computed for a place is computed for the rounded one, and tells no more.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sentinel import __version__
from sentinel.core.pages import jpeg_url, page
from sentinel.core.records import MeasuredFrame
from sentinel.core.tables import write_ecsv
from sentinel.core.times import from_utc_s, utc_s
from sentinel.core.words import count, many, minute, site_words, span
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.report import spots as spot_words
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.incidents import witnesses
from sentinel.jobs.report.pictures import (
    STILL_PX,
    STILL_RADII,
    STILLS,
    Pictures,
    light_jpeg,
    read_pictures,
    spread,
    sun_light,
)
from sentinel.jobs.report.record import Record
from sentinel.jobs.report.sentences import facts, sentences
from sentinel.jobs.report.spot_plots import sun_map
from sentinel.jobs.report.spots import motion_together, named_blobs
from sentinel.jobs.spots.looking import squeezes
from sentinel.jobs.steady import Crop, rounded

PLACE_STEP_DEG = 0.1
CLEAR = 0.97
"""Of the limb: less of it shows what hides it, and a ridge is known from maps."""
EVEN_LEVEL = 0.5
"""To which the light of every still is brought: how much of it the air takes tells the altitude."""

_LEFT_OUT = """
The place, but for its latitude and longitude to a tenth of a degree; its height, its weather, its horizon.

The sun's altitudes and azimuths, its track through the frame, and how far that is off the computed one.

How flat the air made the disc (the stills are made round again), which way the vertical was, and how bright
and how sharp the disc was from picture to picture.

Which picture showed the sun and which did not: sunrise, sunset and what stands before them.

Mount, camera, lens, settings, time zone; names of people, channels, files and folders; serial numbers; all
that the camera writes beside its pixels.

Forecasts, incidents, messages, and what the operator noted.
"""

LEFT_OUT = tuple(" ".join(part.split()) for part in _LEFT_OUT.strip().split("\n\n"))
"""What a reader of the public report is told is not in it."""

Light = NDArray[np.float32]


def public_record(record: Record) -> Record:
    """Return a session as if it had been taken at the rounded place."""
    site = record.settings.site
    rounded = site.model_copy(
        update={
            "latitude_deg": rounded_deg(site.latitude_deg),
            "longitude_deg": rounded_deg(site.longitude_deg),
            "elevation_m": 0.0,
            "horizon": (),
        }
    )
    return replace(record, settings=record.settings.model_copy(update={"site": rounded}))


def rounded_deg(angle_deg: float) -> float:
    """Return a latitude or longitude as it may be told."""
    return round(round(angle_deg / PLACE_STEP_DEG) * PLACE_STEP_DEG, 1)


def place_words(record: Record) -> str:
    """Return the rounded place."""
    site = record.settings.site
    return site_words(site.latitude_deg, site.longitude_deg, decimals=1)


def public_table(path: Path, record: Record) -> None:
    """Write when each picture was taken, to the second, under its number."""
    rows = [
        (record.links[id(frame)].number if id(frame) in record.links else 0, _second(frame))
        for frame in record.frames
    ]
    write_ecsv(path, ("number", "time_utc"), rows, meta={}, kinds={"number": "int64", "time_utc": "string"})


def _second(frame: MeasuredFrame) -> str:
    return from_utc_s(round(utc_s(frame.time_utc))).strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundStill:
    """The sun of one exposure, made round and evenly bright."""

    time_utc: str
    data_url: str


def public_page(true: Record, record: Record, progress: Progress = silent) -> str:
    """Return the public report; `record` is the session as `public_record` gives it."""
    w = Analysis(record)
    pictures = read_pictures(w, progress)
    named = named_blobs(w, pictures)
    spots = [one for one in named if one.blob.kind == "sun"]
    s = w.summary
    return page(
        __package__,
        "public.html.jinja",
        place=place_words(record),
        begin=minute(s.start_utc),
        end=minute(s.end_utc),
        length=span(s.end_utc - s.start_utc),
        pictures_words=f"{many(s.frames, 'picture')} of {count(s.expected)} expected",
        interval_s=s.interval_s,
        gaps=s.gaps,
        minute=minute,
        span=span,
        stills=round_stills(Analysis(true), pictures),
        spot_lines=sentences("spot_lines", record, pictures, named, motion_together(named)),
        named=named,
        pictures=pictures,
        spot_words=spot_words,
        map=sun_map(w, spots) if spots and pictures.north_good else None,
        facts=facts("size_facts", w.constancy, False),
        chain=record.chain,
        chain_lines=sentences("chain_lines", record, witnesses(record)),
        left_out=LEFT_OUT,
        version=__version__,
    )


def round_stills(w: Analysis, pictures: Pictures) -> list[RoundStill]:
    """Return stills that do not tell the altitude: clear, the air's squeeze undone, evenly bright."""
    if pictures.up == "camera":
        return []
    clear = [one for one in w.record.frames if one.disc.found and one.disc.limb_coverage >= CLEAR]
    chosen = [one for one in spread(clear, STILLS) if one.disc.whole]
    if not chosen:
        return []
    crop = Crop.of_radii(STILL_PX, STILL_RADII, float(np.median([one.disc.radius_px for one in chosen])))
    up, zenith = w.up_angles(chosen, pictures.up).deg, w.up_angles(chosen, "zenith").deg
    columns = zip(
        chosen, up.tolist(), zenith.tolist(), squeezes(chosen, w.record.settings, w.sun), strict=True
    )
    stills = []
    for frame, up_deg, zenith_deg, squeeze in columns:
        light = sun_light(w, frame, crop, up_deg)
        if light is not None:
            made = _even(rounded(light, float(squeeze), zenith_deg - up_deg, order=3))
            stills.append(RoundStill(time_utc=_second(frame), data_url=jpeg_url(light_jpeg(made))))
    return stills


def _even(light: Light) -> Light:
    level = max(float(np.quantile(light, 0.9)), 1e-6)
    return np.asarray(np.clip(light * (EVEN_LEVEL / level), 0, 1), dtype=np.float32)
