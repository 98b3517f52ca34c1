"""Mutated pictures of every container through the measuring, by the thousand.

    python -m tests.endurance.mutated COUNT [SEED]

Headers are struck first: that is where it broke. Whatever is no frame is printed with what makes it again.
"""

import io
import random
import sys
import tempfile
from functools import lru_cache
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

KINDS = ("jpg", "png", "tif", "fits")


@lru_cache(maxsize=64)
def whole(kind: str, number: int) -> bytes:
    """Return a sound small file."""
    y, x = np.mgrid[:60, :90]
    disc = np.where(np.hypot(x - 45 - number, y - 30) < 20, 180, 4).astype(np.uint8)
    sink = io.BytesIO()
    if kind == "fits":
        header = fits.Header({"DATE-OBS": "2027-06-21T10:00:00", "EXPTIME": 0.001, "INSTRUME": "F1"})
        fits.PrimaryHDU(disc.astype(np.uint16), header=header).writeto(sink)
        return sink.getvalue()
    exif = Image.Exif()
    exif[0x0110] = "F1"
    exif.get_ifd(0x8769).update({0x9003: "2027:06:21 10:00:00", 0x9011: "+02:00", 0x829A: 0.001, 0x8827: 100})
    name = {"jpg": "JPEG", "png": "PNG", "tif": "TIFF"}[kind]
    Image.fromarray(disc).save(sink, name, exif=exif)
    return sink.getvalue()


def mutated(kind: str, chance: random.Random) -> bytes:
    """Return a file after a few accidents, most of them in its header."""
    content = bytearray(whole(kind, chance.randrange(5)))
    for _ in range(chance.randint(1, 6)):
        end = min(600, len(content)) if chance.random() < 0.7 else len(content)
        at, length = chance.randrange(max(end, 1)), chance.randint(1, 40)
        match chance.randrange(6):
            case 0:
                content[at : at + length] = bytes(length)
            case 1:
                content[at : at + length] = chance.randbytes(length)
            case 2:
                del content[at : at + length]
            case 3:
                content[at:at] = chance.randbytes(length)
            case 4:
                content[at : at + 1] = bytes([chance.choice((0, 1, 0x7F, 0x80, 0xFF, 0x30, 0x39, 0x20))])
            case _:
                other = whole(chance.choice(KINDS), 0)
                content[at : at + length] = other[at : at + length]
    return bytes(content)


def main() -> int:
    from sentinel.chain.intake.examine import MeasureJob, dated, examine  # noqa: PLC0415

    count, seed = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1
    bad = errors = 0
    with tempfile.TemporaryDirectory() as base:
        for number in range(count):
            kind = KINDS[number % len(KINDS)]
            path = Path(base) / f"one.{kind}"
            path.write_bytes(mutated(kind, random.Random(seed * 1_000_003 + number)))
            try:
                dated(MeasureJob(path, path.name))
                errors += examine(MeasureJob(path, path.name)).error is not None
            except Exception as error:  # noqa: BLE001 - that is what is looked for
                bad += 1
                print(f"{kind} seed {seed * 1_000_003 + number}: {type(error).__name__}: {error}")
    print(f"{count} files: {errors} frames with an error, {bad} that were none")
    return bool(bad)


if __name__ == "__main__":
    sys.exit(main())
