"""Which files and contents were handed on already: weeks of them, in few bytes each."""

from array import array
from bisect import bisect_left
from hashlib import blake2b
from itertools import chain


class Numbers:
    """A set of 64-bit numbers that grows by eight bytes each: weeks of them in a small computer's memory."""

    UNSORTED = 1024

    def __init__(self) -> None:
        self._sorted = array("Q")
        self._new: set[int] = set()

    def add(self, number: int) -> None:
        """Put a number in."""
        if number not in self:
            self._new.add(number)
        if len(self._new) > self.UNSORTED:
            self._sorted = array("Q", sorted(chain(self._sorted, self._new)))
            self._new.clear()

    def discard(self, number: int) -> None:
        """Take a number out, if it is in."""
        self._new.discard(number)
        place = bisect_left(self._sorted, number)
        if place < len(self._sorted) and self._sorted[place] == number:
            del self._sorted[place]

    def copy(self) -> "Numbers":
        """Return another of the same content."""
        other = Numbers()
        other._sorted, other._new = self._sorted[:], self._new.copy()
        return other

    def __contains__(self, number: int) -> bool:
        if number in self._new:
            return True
        place = bisect_left(self._sorted, number)
        return place < len(self._sorted) and self._sorted[place] == number

    def __len__(self) -> int:
        return len(self._sorted) + len(self._new)


class SeenFiles:
    """Files and contents that were handed on already, in few bytes each.

    A name is known together with size and time of change, because a camera uses its numbers again. Content is
    known by its digest: a copy, a hard link and a moved file are no new frame.
    """

    def __init__(self) -> None:
        self._files = Numbers()
        self._contents = Numbers()

    def add(self, frame: str, size_bytes: int, modified_ns: int, digest: str | None) -> None:
        """Remember a file and its content."""
        self._files.add(_number(frame, size_bytes, modified_ns))
        if digest is not None:
            self._contents.add(int(digest[:16], 16))

    def forget(self, frame: str, size_bytes: int, modified_ns: int, digest: str | None) -> None:
        """Take a file as new when it is seen again."""
        self._files.discard(_number(frame, size_bytes, modified_ns))
        if digest is not None:
            self._contents.discard(int(digest[:16], 16))

    def holds_file(self, frame: str, size_bytes: int, modified_ns: int) -> bool:
        """Say whether a file is known."""
        return _number(frame, size_bytes, modified_ns) in self._files

    def holds_content(self, digest: str) -> bool:
        """Say whether some file of this content is known."""
        return int(digest[:16], 16) in self._contents

    def copy(self) -> "SeenFiles":
        """Return another that knows the same."""
        other = SeenFiles()
        other._files, other._contents = self._files.copy(), self._contents.copy()
        return other

    def __len__(self) -> int:
        return len(self._files)


def _number(frame: str, size_bytes: int, modified_ns: int) -> int:
    # The same in every process, so that what is known can be kept.
    text = f"{size_bytes} {modified_ns} {frame}".encode()
    return int.from_bytes(blake2b(text, digest_size=8).digest())
