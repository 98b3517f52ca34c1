"""Files -> grey pictures and what their headers say, in bounded time and memory.

A file is opened without waiting for a pipe and read once; links are followed, a watch's within its folder
alone. What it is, is decided by its first bytes; only raw files, which look like TIFF, are known by their
names. Whatever is broken becomes a `FrameProblem` of one line.
"""

import errno
import io
import os
import stat
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sentinel.chain.intake.colours import Colours, colours_of
from sentinel.chain.intake.exif import Tags, read_tags, tiff_block
from sentinel.chain.intake.pixels import (
    MAX_PIXELS,
    Pixels,
    from_jpeg,
    from_pillow,
    from_raw,
    from_tiff,
    raw_preview,
    raw_size,
)
from sentinel.chain.intake.session import FoundFile
from sentinel.core.errors import FrameProblem
from sentinel.core.files import shown_name

# FITS is imported where it is needed: astropy takes longer to import than a frame to measure.
# ruff: noqa: PLC0415

Format = Literal["jpeg", "png", "tiff", "fits", "raw"]
Transfer = Literal["srgb", "linear"]
AnyTransfer = Literal["auto", "srgb", "linear"]

MAX_FILE_BYTES = 500_000_000
HEADER_BYTES = 262_144
"""Enough of a JPEG for its header: Exif stands within the first 64 KiB, and others may stand before it."""

MISNAMED = "misnamed"
"""The file's name ends like another format's."""
TAGS_UNREADABLE = "tags-unreadable"
"""What the camera wrote beside the picture makes no sense."""

_SUFFIXES: dict[str, Format] = {
    ".jpg": "jpeg", ".jpeg": "jpeg", ".jpe": "jpeg", ".mpo": "jpeg", ".png": "png",
    ".tif": "tiff", ".tiff": "tiff", ".fits": "fits", ".fit": "fits", ".fts": "fits",
    ".arw": "raw", ".cr2": "raw", ".cr3": "raw", ".dng": "raw", ".nef": "raw", ".nrw": "raw", ".orf": "raw",
    ".pef": "raw", ".raf": "raw", ".rw2": "raw", ".srw": "raw",
}  # fmt: skip
_SIGNATURES: tuple[tuple[bytes, Format], ...] = (
    (b"\xff\xd8\xff", "jpeg"), (b"\x89PNG\r\n\x1a\n", "png"), (b"SIMPLE  =", "fits"),
    (b"II*\0", "tiff"), (b"MM\0*", "tiff"), (b"II+\0", "tiff"), (b"MM\0+", "tiff"),
    (b"IIU\0", "raw"), (b"IIRO", "raw"), (b"IIRS", "raw"), (b"MMOR", "raw"), (b"FUJIFILM", "raw"),
)  # fmt: skip
_PILLOW: dict[Format, str] = {"jpeg": "JPEG", "png": "PNG", "tiff": "TIFF"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Header(Tags):
    """What a file says about its picture."""

    width_px: int
    """Sensor pixels; for a raw file too, though its picture is read at half size."""
    height_px: int
    format: Format
    taken_is_utc: bool = False
    flags: tuple[str, ...] = ()
    """Doubts about the file."""

    @property
    def zone(self) -> timedelta | None:
        """Whose clock the time of the exposure is told by; None: the file does not say."""
        # FITS says UTC; the camera's clock set it all the same.
        return timedelta(0) if self.taken_is_utc else self.zone_offset

    @property
    def zone_s(self) -> float | None:
        """The same in seconds."""
        return None if self.zone is None else self.zone.total_seconds()


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture(Pixels):
    """A decoded grey frame, as stored; its flags are the doubts about the file."""

    transfer: Transfer
    header: Header


def read_header(path: Path, *, within: Path | None = None) -> Header:
    """Read a file's header without its pixels; a link is followed, but not out of the folder `within`.

    Raises `FrameProblem` if it is no regular file, or no picture that can be read.
    """
    content, size = _read(path, HEADER_BYTES, within)
    with _as_problems(path):
        kind = _kind(path, content)
        if kind != "jpeg" and size > len(content):
            content, _ = _read(path, MAX_FILE_BYTES, within)
        try:
            return _header(path, kind, content)
        except OSError:
            if size <= len(content):
                raise
        content, _ = _read(path, MAX_FILE_BYTES, within)
        return _header(path, kind, content)


def readable_headers(files: Iterable[FoundFile]) -> Iterator[tuple[Path, Header]]:
    """Yield each file whose header can be read, with it; the others are left out."""
    for file in files:
        with suppress(FrameProblem):
            yield file.path, read_header(file.path)


def read_picture(path: Path, *, transfer: AnyTransfer = "auto", within: Path | None = None) -> Picture:
    """Read a whole file into a grey picture in its stored orientation.

    A link is followed, but not out of the folder `within`.

    Raises `FrameProblem` if it is no regular file, or its pixels cannot be read to the last.
    """
    content, _ = _read(path, MAX_FILE_BYTES, within)
    with _as_problems(path):
        kind = _kind(path, content)
        header = _header(path, kind, content)
        pixels = _pixels(kind, content)
    if not pixels.values.size:
        raise FrameProblem("holds no pixels", where=shown_name(path))
    chosen = transfer if transfer != "auto" else _usual_transfer(kind, pixels.values)
    return Picture(
        values=pixels.values,
        transfer=chosen,
        full_scale=pixels.full_scale,
        header=header,
        step=pixels.step,
        shift_px=pixels.shift_px,
        flags=(*header.flags, *pixels.flags),
        brightest=pixels.brightest,
    )


def read_colours(
    path: Path,
    *,
    transfer: AnyTransfer = "auto",
    reduction: float = 1.0,
    buffer: Callable[[int], NDArray[np.uint8]] | None = None,
) -> Colours:
    """Read a whole file into colours for a screen, in its stored orientation.

    `reduction`: how many stored pixels go into one that is shown: a file that can be is decoded smaller, by
        less than that.
    `buffer`: gives room for so many bytes: what the picture is decoded into then. A new one for each of
        thousands of pictures costs a third of the decoding.
    Raises `FrameProblem` if it is no regular file, or its pixels cannot be read to the last.
    """
    content, _ = _read(path, MAX_FILE_BYTES, None)
    with _as_problems(path):
        kind = _kind(path, content)
        linear = None if transfer == "auto" else transfer == "linear"
        return colours_of(kind, content, reduction=reduction, linear=linear, buffer=buffer)


def _usual_transfer(kind: Format, values: NDArray[Any]) -> Transfer:
    """JPEG, PNG and 8-bit TIFF are sRGB; FITS, raw and deeper TIFF are linear."""
    if kind in ("jpeg", "png") or (kind == "tiff" and values.dtype == np.uint8):
        return "srgb"
    return "linear"


def _read(path: Path, limit: int, within: Path | None) -> tuple[bytes, int]:
    """Return up to `limit` bytes of a regular file, and its size."""
    where = shown_name(path)
    try:
        fd = os.open(_target(path, within), os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOFOLLOW)
    except OSError as error:
        raise FrameProblem(_why_not_opened(error, path), where=where, mend="check the file") from None
    except ValueError as error:
        raise FrameProblem(f"cannot be opened ({error})", where=where) from None
    try:
        status = os.fstat(fd)
        if not stat.S_ISREG(status.st_mode):
            raise FrameProblem(f"is {_special(status.st_mode)}, not a file", where=where)
        if status.st_size == 0:
            raise FrameProblem("is empty", where=where)
        if status.st_size > MAX_FILE_BYTES:
            raise FrameProblem(f"is {status.st_size / 1e6:.0f} MB long; no frame is", where=where)
        with os.fdopen(fd, "rb", buffering=0, closefd=False) as file:
            content = file.read(min(limit, status.st_size))
    except OSError as error:
        raise FrameProblem(f"cannot be read ({error.strerror})", where=where) from None
    finally:
        os.close(fd)
    return content or b"", status.st_size


def _target(path: Path, within: Path | None) -> Path:
    """Return where a link leads; the path itself if it is none."""
    if not path.is_symlink():
        return path
    # Not `Path.resolve`, which raises where links go round.
    target = Path(os.path.realpath(path))
    if within is not None and not target.is_relative_to(os.path.realpath(within)):
        raise FrameProblem(
            "is a link that leads out of the watched folder, where anything might change it",
            where=shown_name(path),
            mend="put the file itself, or a hard link, into the folder",
        )
    return target


def _why_not_opened(error: OSError, path: Path) -> str:
    if error.errno == errno.ELOOP:
        return "is a link that leads in a circle"
    if error.errno == errno.ENOENT and path.is_symlink():
        return "is a link to a file that is not there"
    return f"cannot be opened ({error.strerror})"


def _special(mode: int) -> str:
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a named pipe"), (stat.S_ISSOCK, "a socket"))
    return next((name for test, name in kinds if test(mode)), "a device")


def _kind(path: Path, content: bytes) -> Format:
    found = next((kind for signature, kind in _SIGNATURES if content.startswith(signature)), None)
    if content[4:11] == b"ftypcrx" or (found == "tiff" and _SUFFIXES.get(path.suffix.lower()) == "raw"):
        found = "raw"
    if found is None:
        raise FrameProblem("is no picture of a kind read here (JPEG, TIFF, PNG, FITS, camera raw)")
    return found


@contextmanager
def _as_problems(path: Path) -> Iterator[None]:
    """Turn whatever a decoder raises into one line."""
    where = shown_name(path)
    try:
        with warnings.catch_warnings():
            # Decoders warn of much that is no harm, and of large pictures, whose size is checked here.
            warnings.simplefilter("ignore")
            yield
    except FrameProblem as problem:
        raise FrameProblem(problem.what, where=problem.where or where, mend=problem.mend) from None
    except MemoryError:
        raise FrameProblem("needs more memory than there is", where=where) from None
    except Image.DecompressionBombError:
        raise FrameProblem("claims more pixels than any camera's", where=where) from None
    except Exception as error:  # noqa: BLE001 - decoders raise anything on broken bytes
        raise FrameProblem(f"is damaged ({_short(error)})", where=where) from None


def _short(error: Exception) -> str:
    text = " ".join(str(error).split())[:120]
    return "".join(c for c in text if c.isprintable()) or type(error).__name__


def _sized(width: int, height: int) -> tuple[int, int]:
    if width * height > MAX_PIXELS:
        raise FrameProblem(f"claims {width} x {height} pixels, more than any camera's")
    return width, height


def _header(path: Path, kind: Format, content: bytes) -> Header:
    named = _SUFFIXES.get(path.suffix.lower())
    flags = (MISNAMED,) if named is not None and named != kind else ()
    if kind == "fits":
        from sentinel.chain.intake.fits_file import read_fits_header

        size, tags = read_fits_header(content)
        return _with_tags(_sized(*size), kind, tags, flags)
    if kind == "raw":
        return _with_tags(_sized(*raw_size(content)), kind, _raw_tags(content), flags)
    with Image.open(io.BytesIO(content), formats=(_PILLOW[kind],)) as image:
        size = _sized(*image.size)
        try:
            tags = read_tags(image.getexif())
        except Exception:  # noqa: BLE001 - broken tags raise anything, and the pixels may still be sound
            tags, flags = Tags(), (*flags, TAGS_UNREADABLE)
    return _with_tags(size, kind, tags, flags)


def _raw_tags(content: bytes) -> Tags:
    """Tags of a raw file: most are TIFF inside, the others keep them in their preview."""
    for block in (tiff_block, _preview_block):
        try:
            tags = read_tags(block(content))
        except Exception:  # noqa: BLE001, S112 - another kind, or broken: the next may do
            continue
        if tags.taken is not None:
            return tags
    return Tags()


def _preview_block(content: bytes) -> Image.Exif:
    with Image.open(io.BytesIO(raw_preview(content)), formats=("JPEG",)) as image:
        return image.getexif()


def _with_tags(size: tuple[int, int], kind: Format, tags: Tags, flags: tuple[str, ...]) -> Header:
    return Header(
        width_px=size[0],
        height_px=size[1],
        format=kind,
        taken_is_utc=kind == "fits",
        flags=flags,
        **asdict(tags),
    )


def _pixels(kind: Format, content: bytes) -> Pixels:
    if kind == "jpeg":
        return from_jpeg(content)
    if kind == "raw":
        return from_raw(content)
    if kind == "fits":
        from sentinel.chain.intake.fits_file import from_fits

        return from_fits(content)
    with Image.open(io.BytesIO(content), formats=(_PILLOW[kind],)) as image:
        return from_tiff(content, image) if kind == "tiff" else from_pillow(image)
