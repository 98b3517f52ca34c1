"""What is taken from the session's picture files: stills to look at, and the dark blobs on the disc."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from skimage.transform import downscale_local_mean

from sentinel.chain.intake.decode import Picture
from sentinel.chain.measure.levels import Levels
from sentinel.core.records import MeasuredFrame
from sentinel.core.srgb import srgb_encode
from sentinel.core.times import utc_s
from sentinel.jobs.originals import picture_of
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.spots.follow import FollowedBlob, followed
from sentinel.jobs.spots.looking import clear_frames
from sentinel.jobs.steady import UP_WORDS, Crop, Up, centred

STRIP_NAME = "strip.png"
STRIP_WIDE_PX = 1400
STILLS = 8
STILL_PX, STILL_RADII = 280, 1.15
JPEG_QUALITY = 82
NORTH_GOOD_DEG = 2.0
SHOWN_LEVEL = 0.6
"""Of full scale: how bright the brightest of the stills is shown."""

Light = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """A picture of the sun, centred, turned and cropped."""

    frame: MeasuredFrame
    altitude_deg: float
    jpeg: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """What was taken from a session's files."""

    stills: tuple[Still, ...] = ()
    up: Up = "camera"
    """What is up in the stills."""
    north_sigma_deg: float = float("inf")
    """How well solar north is known in the pictures; infinite: it is not."""
    strip: bytes = b""
    """The sun's hours on one picture, as `film --strip` left it in the session's folder; empty: none."""
    brightened: float = 1.0
    """Factor by which the stills' light was raised, the same for all."""
    looked_at: int = 0
    """Pictures in which blobs were looked for."""
    blobs: tuple[FollowedBlob, ...] = ()

    @property
    def up_words(self) -> str:
        """How the stills are turned."""
        return UP_WORDS[self.up]

    @property
    def north_known(self) -> bool:
        """Whether anything is known of it."""
        return isfinite(self.north_sigma_deg)

    @property
    def north_good(self) -> bool:
        """Whether north is known well enough for latitudes and longitudes worth printing."""
        return self.north_sigma_deg < NORTH_GOOD_DEG


def read_pictures(w: Analysis, progress: Progress = silent, home: Path | None = None) -> Pictures:
    """Return what a report shows of the pictures themselves; nothing, where these are not to be found.

    `home` is the session's folder, in which a strip of its hours may lie.
    """
    strip = _strip(home / STRIP_NAME) if home is not None else b""
    folder, frames = w.record.originals, w.record.frames
    clear = [frames[i] for i in clear_frames(frames)]
    sigma_deg = w.up_angles(clear, "solar-north").sigma_deg
    north_sigma_deg = float(sigma_deg.max()) if sigma_deg.size else inf
    if folder is None:
        return Pictures(north_sigma_deg=north_sigma_deg, strip=strip)
    looks = w.looks(clear, folder, progress)
    up: Up = "solar-north" if isfinite(north_sigma_deg) else "camera"
    stills, brightened = _stills(w, up)
    return Pictures(
        stills=stills,
        up=up,
        strip=strip,
        brightened=brightened,
        north_sigma_deg=north_sigma_deg,
        looked_at=len(looks),
        blobs=tuple(followed(looks)),
    )


def _stills(w: Analysis, up: Up) -> tuple[tuple[Still, ...], float]:
    """Return a picture of each part of the session that shows the sun, and by how much all are brightened."""
    chosen = spread(w.record.frames, STILLS)
    if not chosen:
        return (), 1.0
    radius_px = float(np.median([frame.disc.radius_px for frame in chosen]))
    crop = Crop.of_radii(STILL_PX, STILL_RADII, radius_px)
    angles = w.up_angles(chosen, up).deg.tolist()
    suns = [sun_light(w, frame, crop, up_deg) for frame, up_deg in zip(chosen, angles, strict=True)]
    brightest = max((float(np.quantile(light, 0.99)) for light in suns if light is not None), default=0.0)
    gain = max(1.0, SHOWN_LEVEL / brightest) if brightest > 0 else 1.0
    stills = tuple(
        Still(
            frame=frame,
            altitude_deg=float(w.sun.altaz_deg(utc_s(frame.time_utc))[0]),
            jpeg=light_jpeg(light * np.float32(gain)),
        )
        for frame, light in zip(chosen, suns, strict=True)
        if light is not None
    )
    return stills, gain


def spread(frames: Sequence[MeasuredFrame], parts: int) -> list[MeasuredFrame]:
    """Return from each of so many equal parts of the time the frame in which most of the limb is seen."""
    seen = [frame for frame in frames if frame.disc.found and frame.disc.limb_in_frame > 0.3]
    if not seen:
        return []
    times = np.array([utc_s(frame.time_utc) for frame in seen])
    part = np.minimum((times - times[0]) / max(np.ptp(times), 1.0) * parts, parts - 1).astype(int)
    middle = times[0] + (part + 0.5) * np.ptp(times) / parts
    best: dict[int, tuple[tuple[float, float], MeasuredFrame]] = {}
    for k, frame in enumerate(seen):
        # Of those seen alike well, the one nearest to the middle of its part.
        rank = round(frame.disc.limb_coverage, 1), -abs(times[k] - middle[k])
        if part[k] not in best or rank > best[part[k]][0]:
            best[part[k]] = rank, frame
    return [best[number][1] for number in sorted(best)]


def sun_light(w: Analysis, frame: MeasuredFrame, crop: Crop, up_deg: float) -> Light | None:
    """Return a frame's sun, centred, turned and cropped; None: its file cannot be used."""
    picture = picture_of(w.record.originals, frame, w.record.settings.camera.transfer)
    return None if picture is None else _light_of(picture, frame, crop, up_deg)


def _light_of(picture: Picture, frame: MeasuredFrame, crop: Crop, up_deg: float) -> Light:
    """Return the linear light of a decoded picture's sun, (size, size), 0 to 1."""
    # What is to be shown smaller is averaged before: an interpolation alone would skip pixels.
    fold = max(1, int(crop.frame_px / picture.step))
    step, disc = picture.step * fold, frame.disc
    reach = crop.size_px * crop.frame_px
    left, top = (max(0, int((at - reach) / step)) * fold for at in (disc.x_px, disc.y_px))
    right, bottom = (int((at + reach) / picture.step) for at in (disc.x_px, disc.y_px))
    window = picture.values[top:bottom, left:right]
    ny, nx = (side // fold * fold for side in window.shape)
    light = Levels(window, picture.transfer, picture.full_scale).linear(window[:ny, :nx])
    if fold > 1:
        light = downscale_local_mean(light, (fold, fold)).astype(np.float32)
    centre = (
        disc.x_px - picture.shift_px[0] - left * picture.step,
        disc.y_px - picture.shift_px[1] - top * picture.step,
    )
    return np.clip(centred(light, centre, up_deg, crop, step=step, order=3), 0, 1)


def _strip(path: Path) -> bytes:
    """Return a strip that was made before, as a JPEG no wider than a page needs; empty: there is none."""
    try:
        with Image.open(path) as image:
            image.thumbnail((STRIP_WIDE_PX, STRIP_WIDE_PX))
            sink = io.BytesIO()
            image.convert("RGB").save(sink, "JPEG", quality=JPEG_QUALITY, optimize=True)
    except (OSError, ValueError, Image.DecompressionBombError):
        return b""
    return sink.getvalue()


def light_jpeg(light: Light) -> bytes:
    """Return linear light as a small grey JPEG, from pixels alone."""
    sink = io.BytesIO()
    Image.fromarray(np.rint(255 * srgb_encode(np.clip(light, 0, 1))).astype(np.uint8)).save(
        sink, "JPEG", quality=JPEG_QUALITY, optimize=True
    )
    return sink.getvalue()
