"""Is a file all there? Told from its two ends, before anything is decoded."""

import os
import stat
from enum import StrEnum
from pathlib import Path

_TAIL_BYTES = 65_536
_FITS_BLOCK = 2880
_FITS_CARD = 80


class Completeness(StrEnum):
    """What a look at both ends of a file says."""

    WHOLE = "whole"
    CUT = "cut"
    """It begins like a picture whose end is not there yet, or it holds nothing yet."""
    UNTOLD = "untold"
    """Its kind has no end to look for."""
    LOCKED = "locked"
    """It may not be opened."""
    GONE = "gone"


def completeness_of(path: Path) -> Completeness:
    """Say whether a file is whole, without waiting for anybody; what is no regular file is untold."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return Completeness.GONE
    except OSError:
        return Completeness.LOCKED
    try:
        status = os.fstat(handle)
        return _by_ends(handle, status.st_size) if stat.S_ISREG(status.st_mode) else Completeness.UNTOLD
    except OSError:
        return Completeness.LOCKED
    finally:
        os.close(handle)


def _by_ends(handle: int, size: int) -> Completeness:
    if size == 0:
        return Completeness.CUT
    head = os.pread(handle, _FITS_BLOCK, 0)
    if head.startswith(b"\xff\xd8\xff"):
        return _told(_jpeg_is_whole(handle, size))
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return _told(b"IEND\xaeB`\x82" in os.pread(handle, 64, max(size - 64, 0)))
    if head.startswith(b"SIMPLE  ="):
        return _told(_fits_is_whole(handle, size))
    if not head.strip(b"\0"):
        # Some cameras and servers claim the room first and fill it afterwards.
        return Completeness.CUT
    return Completeness.UNTOLD


def _told(whole: bool) -> Completeness:
    return Completeness.WHOLE if whole else Completeness.CUT


def _jpeg_is_whole(handle: int, size: int) -> bool:
    """Look for the end-of-image marker; makers pad it with zeros or append data of their own."""
    tail = os.pread(handle, _TAIL_BYTES, max(size - _TAIL_BYTES, 0)).rstrip(b"\0")
    if tail.endswith(b"\xff\xd9"):
        return True
    content = os.pread(handle, size, 0)
    # Behind the start of the scan every FF of the data is followed by 00 or a restart marker: FF D9 is the
    # end. Before it, a thumbnail in the header has an end of its own.
    at = 2
    while at + 4 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xDA:
            return content.find(b"\xff\xd9", at) >= 0
        at += 2 + int.from_bytes(content[at + 2 : at + 4], "big") if marker != 0xFF else 1
    return False


def _fits_is_whole(handle: int, size: int) -> bool:
    """Compare the size with what the primary header announces (FITS standard 4.0, section 4.4.1.1)."""
    cards: dict[str, int] = {}
    at = 0
    while at < min(size, 100 * _FITS_BLOCK):
        block = os.pread(handle, _FITS_BLOCK, at).decode("ascii", "replace")
        at += _FITS_BLOCK
        for card in (block[i : i + _FITS_CARD] for i in range(0, len(block), _FITS_CARD)):
            name = card[:8].strip()
            if name == "END":
                return size >= at + _fits_data_bytes(cards)
            if name == "BITPIX" or name.startswith("NAXIS"):
                value = card[10:].split("/")[0].strip()
                cards[name] = int(value) if value.lstrip("-").isdigit() else 0
    return False


def _fits_data_bytes(cards: dict[str, int]) -> int:
    axes = cards.get("NAXIS", 0)
    if not 0 < axes < 1000:
        return 0
    count = 1
    for axis in range(1, axes + 1):
        count *= max(cards.get(f"NAXIS{axis}", 0), 0)
    return count * abs(cards.get("BITPIX", 8)) // 8
