"""What sample pictures say: where they were taken, by which lens, and how large the sun is in them."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite
from pathlib import Path
from typing import Any

from PIL import ExifTags, Image

from sentinel.chain.intake.decode import read_header
from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.exif import tiff_block
from sentinel.chain.intake.pool import measure_all
from sentinel.chain.intake.session_discs import CLEAR, LENS_SHARE
from sentinel.core.angles import ARCSEC_PER_RAD
from sentinel.core.errors import FrameProblem, RequestProblem
from sentinel.core.files import shown_name
from sentinel.core.solar_size import solar_radius_arcsec
from sentinel.core.times import utc_s
from sentinel.jobs.init.answers import Answers

FULL_FRAME_MM = 43.267
"""Diagonal of 36 mm x 24 mm: what a focal length's 35-mm equivalent refers to (Exif 2.32, CIPA DC-008)."""
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
"""Units of the focal plane's resolution (Exif; 4 and 5 are common practice, no source)."""
FOCAL, PITCH = "camera.focal_length_mm", "camera.pixel_pitch_um"
SAME_PLACE_DEG = 0.05
"""Two pictures of one place agree within a few kilometres; more is a phone's old fix."""
PLACE_DIGITS = 3
"""A hundred metres: the sun's altitude changes by less than 4 seconds of arc."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadPicture:
    """One picture, as far as it tells anything."""

    name: str
    width_px: int
    place_deg: tuple[float, float] | None
    """Latitude and longitude."""
    focal_length_mm: float | None
    pixel_pitch_um: float | None
    """By the header; of the stored pixels."""
    scale_arcsec_px: float | None
    """By the disc measured in it."""
    radius_px: float | None


def read_samples(paths: Sequence[Path]) -> list[ReadPicture]:
    """Read and measure pictures.

    Raises `RequestProblem` if one cannot be read.
    """
    frames = measure_all([MeasureJob(path, shown_name(path), "auto") for path in paths])
    samples = []
    for path, frame in zip(paths, frames, strict=True):
        if frame.error is not None:
            raise RequestProblem(
                frame.error, where=shown_name(path), mend="give a picture as the camera wrote it"
            )
        block = _tags(path)
        exif, gps = block.get_ifd(ExifTags.IFD.Exif), block.get_ifd(ExifTags.IFD.GPSInfo)
        clear = frame.disc.found and frame.disc.limb_coverage >= CLEAR
        samples.append(
            ReadPicture(
                name=path.name,
                width_px=frame.width_px,
                place_deg=_place(gps),
                focal_length_mm=_positive(exif.get(ExifTags.Base.FocalLength)),
                pixel_pitch_um=_pitch_um(exif, frame.width_px, frame.height_px),
                scale_arcsec_px=solar_radius_arcsec(utc_s(frame.time_utc)) / frame.disc.radius_px
                if clear
                else None,
                radius_px=frame.disc.radius_px if clear else None,
            )
        )
    return samples


def _tags(path: Path) -> Image.Exif:
    try:
        read_header(path)
        with Image.open(path) as image:
            return image.getexif()
    except FrameProblem:
        return Image.Exif()
    except Exception:  # noqa: BLE001 - raw files, which look like TIFF, or broken tags
        try:
            return tiff_block(path.read_bytes())
        except Exception:  # noqa: BLE001
            return Image.Exif()


def place_of(samples: Sequence[ReadPicture]) -> tuple[float, float] | None:
    """Return where the pictures say they were taken, to 100 m; None: not said, or they disagree."""
    places = [sample.place_deg for sample in samples if sample.place_deg is not None]
    if not places or len(places) < len(samples):
        return None
    first = places[0]
    if any(abs(a - b) > SAME_PLACE_DEG for place in places for a, b in zip(first, place, strict=True)):
        return None
    return round(first[0], PLACE_DIGITS), round(first[1], PLACE_DIGITS)


def lens_of(
    samples: Sequence[ReadPicture], told: Answers, sensor_width_mm: float | None
) -> tuple[Answers, list[str]]:
    """Return the answers with focal length and pixel pitch as far as they are known, and what is to be said.

    The disc is the judge: it gives what one of the two is, where the other is known.

    Raises `RequestProblem` if what was told contradicts the disc.
    """
    sample = next((one for one in samples if one.scale_arcsec_px), samples[0] if samples else None)
    if sample is None:
        return told, []
    focal, pitch = told.get(FOCAL), told.get(PITCH)
    if pitch is None and sensor_width_mm is not None:
        pitch = sensor_width_mm / sample.width_px * 1000
    if sample.scale_arcsec_px is None:
        known = {FOCAL: focal or sample.focal_length_mm, PITCH: pitch or sample.pixel_pitch_um}
        said = [f"{sample.name}: no whole sun in it, so the lens could not be checked"]
        return told | {key: round(value, 4) for key, value in known.items() if value}, said
    if focal is not None and pitch is not None:
        _hold_against_disc(sample, focal, pitch)
        return told | {PITCH: round(pitch, 4)}, [_lens_words(sample, focal, pitch)]
    length_px = ARCSEC_PER_RAD / sample.scale_arcsec_px  # the focal length in pixels
    pitch = pitch or (None if focal else sample.pixel_pitch_um)
    focal = focal or (length_px * pitch / 1000 if pitch else sample.focal_length_mm)
    if focal is None:
        return told, [f"{sample.name}: its header names neither focal length nor sensor; say one of them"]
    pitch = pitch or focal / length_px * 1000
    said = [_lens_words(sample, focal, pitch)]
    nominal = sample.focal_length_mm
    if nominal and abs(focal / nominal - 1) > LENS_SHARE:
        said.append(f"{sample.name}: its header says {nominal:g} mm: is there a converter?")
    return told | {FOCAL: round(focal, 1), PITCH: round(pitch, 4)}, said


def _lens_words(sample: ReadPicture, focal_mm: float, pitch_um: float) -> str:
    width = 2 * (sample.radius_px or 0.0)
    return f"{sample.name}: the sun is {width:.0f} px wide: {focal_mm:.1f} mm, pixels of {pitch_um:.3f} um"


def _hold_against_disc(sample: ReadPicture, focal_mm: float, pitch_um: float) -> None:
    """Refuse a lens that the disc contradicts."""
    expected = pitch_um / focal_mm / 1000 * ARCSEC_PER_RAD
    ratio = (sample.scale_arcsec_px or 0.0) / expected
    if abs(ratio - 1) <= LENS_SHARE:
        return
    width = 2 * (sample.radius_px or 0.0)
    raise RequestProblem(
        f"the sun is {width:.0f} px wide; by {focal_mm:g} mm and {pitch_um:g} um it were {width * ratio:.0f}",
        where=sample.name,
        mend=f"with these pixels it is {focal_mm / ratio:.0f} mm (a converter?), with this lens "
        f"{pitch_um * ratio:.2f} um (pictures made smaller?)",
    )


def _pitch_um(exif: dict[int, Any], width_px: int, height_px: int) -> float | None:
    """Return the pitch of the stored pixels, by the sensor's resolution or else by the 35-mm equivalent."""
    resolution = _positive(exif.get(ExifTags.Base.FocalPlaneXResolution))
    unit_mm = _UNIT_MM.get(exif.get(ExifTags.Base.FocalPlaneResolutionUnit, 2))
    # What made the picture smaller may have left the sensor's own numbers in place.
    shrunk = (_positive(exif.get(ExifTags.Base.ExifImageWidth)) or width_px) / width_px
    if resolution and unit_mm:
        return unit_mm * 1000 / resolution * max(shrunk, 1.0)
    focal = _positive(exif.get(ExifTags.Base.FocalLength))
    equivalent = _positive(exif.get(ExifTags.Base.FocalLengthIn35mmFilm))
    if focal and equivalent:
        return FULL_FRAME_MM * focal / equivalent / hypot(width_px, height_px) * 1000
    return None


def _place(gps: dict[int, Any]) -> tuple[float, float] | None:
    """Return latitude and longitude in degrees; None where the camera did not know."""
    found = []
    for value, reference, negative, most in (
        (ExifTags.GPS.GPSLatitude, ExifTags.GPS.GPSLatitudeRef, "S", 90),
        (ExifTags.GPS.GPSLongitude, ExifTags.GPS.GPSLongitudeRef, "W", 180),
    ):
        try:
            degrees, minutes, seconds = (float(part) for part in gps[value])
            angle = degrees + minutes / 60 + seconds / 3600
        except (KeyError, TypeError, ValueError, ZeroDivisionError):
            return None
        if not (isfinite(angle) and 0 <= angle <= most):
            return None
        found.append(-angle if str(gps.get(reference, "")).strip("\0 ").upper() == negative else angle)
    # A receiver without a fix writes noughts.
    return (found[0], found[1]) if any(found) else None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if isfinite(number) and number > 0 else None
