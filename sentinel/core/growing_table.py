"""A table of measurements that grows row by row, and loses none of them wherever it is cut short."""

from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from sentinel.core.errors import RequestProblem, refused
from sentinel.core.files import replaced
from sentinel.core.records import MeasuredFrame, frame_order
from sentinel.core.tables import ecsv_head, exact_columns, exact_row, read_rows

_MADE_BY = "settings_crc32"
"""In a table's meta: what tells the settings apart by which it was measured."""


class GrowingTable:
    """Rows that are on disk as soon as they are added; put in order of exposure when all is done.

    The head of such a table says the frame's size, so that rows without one wait for the first that has it.

    `made_by`: what tells the settings apart by which it is measured.
    `resume`: go on with a table that is there; False: there must be none.
    Raises `RequestProblem` if there is one and it is not to be gone on with, or it is none of these or of
    other settings, or cannot be written.
    """

    def __init__(self, path: Path, made_by: int, *, resume: bool) -> None:
        self._path, self._made_by = path, made_by
        self._waiting: list[MeasuredFrame] = []
        self._file: BinaryIO | None = None
        self.rows: dict[str, MeasuredFrame] = {}
        """What it holds, by the frame's name."""
        if path.exists() and not resume:
            mend = "go on with it by --resume, or name another file"
            raise RequestProblem("is there already", where=str(path), mend=mend)
        with refused("cannot be written", where=path, mend="check it"):
            if path.exists() and _cut_to_whole_lines(path):
                self._take_up()
            else:
                path.touch()

    def _take_up(self) -> None:
        rows, meta = read_rows(self._path)
        if meta.get(_MADE_BY) != self._made_by:
            what = "was measured with other settings" if _MADE_BY in meta else "is no table of `measure`"
            raise RequestProblem(what, where=str(self._path), mend="name another file")
        # Of a frame that was measured again the last row counts.
        self.rows = {frame.frame: frame for frame in rows}
        # An earlier program's table may have other columns: rows of now belong under a head of now.
        self.finish()
        self._file = self._path.open("ab", buffering=0)

    def __enter__(self) -> "GrowingTable":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()

    def add(self, frame: MeasuredFrame) -> None:
        """Put a row on disk."""
        self.rows[frame.frame] = frame
        if self._file is None:
            self._waiting.append(frame)
            if not (frame.width_px and frame.height_px):
                return
            self._file = self._path.open("ab", buffering=0)
            self._file.write(self._head(frame).encode())
            for waited in self._waiting:
                self._file.write(exact_row(waited).encode())
            return
        self._file.write(exact_row(frame).encode())

    def _head(self, frame: MeasuredFrame) -> str:
        size = {"frame_width_px": frame.width_px, "frame_height_px": frame.height_px}
        return ecsv_head(exact_columns(), size | {_MADE_BY: self._made_by})

    def finish(self) -> None:
        """Put all rows in order of exposure; the table is there, whole, at any moment."""
        ordered = sorted(self.rows.values(), key=frame_order)
        sized = next((frame for frame in ordered if frame.width_px and frame.height_px), None)
        if sized is None:
            return
        with replaced(self._path) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
            file.write(self._head(sized))
            file.writelines(map(exact_row, ordered))


def _cut_to_whole_lines(path: Path) -> int:
    """Cut off a last line that was not written to its end; return how many bytes are left."""
    with path.open("r+b") as file:
        content = file.read()
        whole = content.rfind(b"\n") + 1
        if whole < len(content):
            file.truncate(whole)
    return whole
