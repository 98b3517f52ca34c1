"""Small real files for the tests of the watch, written the way cameras and servers write them."""

import io
import os
import struct
import zlib
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

T0 = datetime(2027, 6, 21, 1, 0, 0)  # noqa: DTZ001 - a camera's clock knows no zone


def jpeg(
    number: int,
    *,
    interval_s: float = 60.0,
    size: tuple[int, int] = (300, 200),
    start: datetime = T0,
    zone: str | None = None,
) -> bytes:
    """Return a small JPEG with a disc and the time of its exposure; each number is another picture."""
    y, x = np.mgrid[: size[1], : size[0]]
    disc = np.hypot(x - size[0] / 2 - number % 7, y - size[1] / 2) < 0.2 * size[1]
    noise = np.random.default_rng(number).integers(0, 6, disc.shape)
    image = Image.fromarray(np.where(disc, 180, 4).astype(np.uint8) + noise.astype(np.uint8))
    exif = Image.Exif()
    taken = start + timedelta(seconds=number * interval_s)
    exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    if zone is not None:
        exif.get_ifd(0x8769)[0x9011] = zone
    sink = io.BytesIO()
    image.save(sink, "JPEG", quality=90, exif=exif)
    return sink.getvalue()


def png() -> bytes:
    """Return the smallest valid PNG."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    parts = chunk(b"IHDR", head), chunk(b"IDAT", zlib.compress(b"\0\x7f")), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def fits(rows: int = 100) -> bytes:
    """Return a FITS file of zeros, one byte a pixel."""
    cards = [
        "SIMPLE  =                    T",
        "BITPIX  =                    8",
        "NAXIS   =                    2",
    ]
    cards += ["NAXIS1  =                  100", f"NAXIS2  = {rows:20d}", "END"]
    head = "".join(card.ljust(80) for card in cards).ljust(2880).encode()
    return head + bytes(-(-100 * rows // 2880) * 2880)


def put(path: Path, content: bytes, *, age_s: float = 0.0) -> Path:
    """Write a file, last changed so long ago."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    if age_s:
        changed = path.stat().st_mtime - age_s
        os.utime(path, (changed, changed))
    return path
