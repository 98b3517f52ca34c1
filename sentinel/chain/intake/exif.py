"""What a camera writes beside its pixels, as far as it can be believed."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite, nan
from typing import Any

from PIL import ExifTags, Image

_TIMES = (
    (ExifTags.Base.DateTimeOriginal, ExifTags.Base.SubsecTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
    (ExifTags.Base.DateTimeDigitized, ExifTags.Base.SubsecTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
    (ExifTags.Base.DateTime, ExifTags.Base.SubsecTime, ExifTags.Base.OffsetTime),
)
"""Time of the exposure, its digits after the point, its zone; the best first (Exif 2.32, CIPA DC-008)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tags:
    """The tags that matter here."""

    taken: datetime | None = None
    """Time of the exposure as written, naive, sub-seconds included."""
    zone_offset: timedelta | None = None
    """Written local time minus UTC, as the file says it."""
    exposure_s: float = nan
    iso: float = nan
    aperture: float = nan
    orientation: int | None = None
    """Which side of the stored picture was up, 1 to 8."""
    camera: str = ""


def read_tags(block: Image.Exif) -> Tags:
    """Read a block of tags; what is missing or makes no sense is left out."""
    tags: dict[int, Any] = {**block, **block.get_ifd(ExifTags.IFD.Exif)}
    taken, zone = _taken(tags)
    names = [_text(tags.get(tag)) for tag in (ExifTags.Base.Make, ExifTags.Base.Model)]
    if names[0] and names[1].lower().startswith(names[0].lower()):
        names = names[1:]
    return Tags(
        taken=taken,
        zone_offset=zone,
        exposure_s=_positive(tags.get(ExifTags.Base.ExposureTime)),
        iso=_positive(tags.get(ExifTags.Base.ISOSpeedRatings)),
        aperture=_positive(tags.get(ExifTags.Base.FNumber)),
        orientation=_orientation(tags.get(ExifTags.Base.Orientation)),
        camera=" ".join(name for name in names if name),
    )


def tiff_block(content: bytes) -> Image.Exif:
    """Return the tags of a file that is TIFF inside, whatever its maker put in place of TIFF's own mark.

    Raises `SyntaxError` if it is no such file.
    """
    mark = b"*\0" if content.startswith(b"II") else b"\0*"
    block = Image.Exif()
    block.load(b"Exif\0\0" + content[:2] + mark + content[4:])
    return block


def _taken(tags: Mapping[int, Any]) -> tuple[datetime | None, timedelta | None]:
    for time_tag, fraction_tag, zone_tag in _TIMES:
        taken = parse_time(_text(tags.get(time_tag)), _text(tags.get(fraction_tag)))
        if taken is not None:
            return taken, parse_zone(_text(tags.get(zone_tag)))
    return None, None


def parse_time(text: str, fraction: str = "") -> datetime | None:
    """Read ``YYYY:MM:DD HH:MM:SS`` and the digits after the point; None where the camera did not know."""
    parts = re.fullmatch(r"(\d{4})[:/-](\d\d)[:/-](\d\d)[ T](\d\d):(\d\d):(\d\d)", text)
    if parts is None:
        return None
    digits = fraction if fraction.isascii() and fraction.isdigit() else ""
    try:
        # A leap second stands as the second before it: datetime knows no 60.
        year, month, day, hour, minute, second = (int(part) for part in parts.groups())
        micro = int(f"{digits:0<6.6}")
        return datetime(year, month, day, hour, minute, min(second, 59), micro)  # noqa: DTZ001 - as written
    except ValueError:
        return None


def parse_zone(text: str) -> timedelta | None:
    """Read ``+HH:MM``; None where it is blank or wrong."""
    parts = re.fullmatch(r"([+-])(\d\d):(\d\d)", text)
    if parts is None or int(parts[2]) > 15 or int(parts[3]) > 59:
        return None
    offset = timedelta(hours=int(parts[2]), minutes=int(parts[3]))
    return -offset if parts[1] == "-" else offset


def _text(value: object) -> str:
    """Return text without padding or control characters."""
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value.split("\0")[0] if c.isprintable()).strip()


def _orientation(value: object) -> int | None:
    return value if isinstance(value, int) and 1 <= value <= 8 else None


def _positive(value: Any) -> float:
    """Return a number above 0, or NaN."""
    if isinstance(value, tuple) and value:
        value = value[0]
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return nan
    return number if isfinite(number) and number > 0 else nan
