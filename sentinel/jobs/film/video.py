"""Planes -> an MP4 that plays on phones and in browsers: H.264, 4:2:0, its index in front.

PyAV is used itself, and not through imageio, which takes no planes of two sizes: each picture would be made
into red, green and blue only to be taken apart again, and neither its quality nor its colours could be said.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from sentinel.core.errors import Problem
from sentinel.core.files import replaced
from sentinel.jobs.film.rendering import Planes

# The library is an extra: without it everything else works.
# ruff: noqa: PLC0415

QUALITY = "18"
"""Of x264, lower is better: a disc's grain is kept and its sky is not. By eye."""
SPEED, SEARCH = "veryfast", "subme=1:ref=1:weightp=0"
"""Nothing moves in a film whose sun stands still: a finer search for motion takes twice as long for a
twentieth of the file."""
SECONDS_BETWEEN_WHOLE_PICTURES = 2
"""So that a player can be put to any place at once."""
_COLOURS = "colorprim=bt709:transfer=bt709:colormatrix=bt709:fullrange=off"


class VideoWriter:
    """Takes one picture after another."""

    shrink = 2

    def __init__(self, container: Any, size_px: int, fps: float) -> None:
        rate = Fraction(fps).limit_denominator(1001)
        options = {"crf": QUALITY, "preset": SPEED, "x264-params": f"{SEARCH}:{_COLOURS}"}
        stream = container.add_stream("libx264", rate=rate, options=options)
        stream.width = stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.gop_size = max(1, round(SECONDS_BETWEEN_WHOLE_PICTURES * fps))
        self._container, self._stream, self._size_px = container, stream, size_px
        self._time_base, self._written = 1 / rate, 0

    def write(self, planes: Planes, name: str, times: int = 1) -> None:
        """Show a picture for so many periods; its name is for stills."""
        del name
        import av

        pixels = planes.bytes()
        for _ in range(times):
            frame = av.VideoFrame(self._size_px, self._size_px, "yuv420p")
            for plane, values in zip(frame.planes, pixels, strict=True):
                rows = np.frombuffer(memoryview(plane), np.uint8).reshape(values.shape[0], plane.line_size)
                rows[:, : values.shape[1]] = values
            frame.pts, frame.time_base = self._written, self._time_base
            self._written += 1
            self._container.mux(self._stream.encode(frame))

    def end(self) -> None:
        """Write what is still held back."""
        self._container.mux(self._stream.encode(None))


@contextmanager
def video_at(path: Path, size_px: int, fps: float) -> Iterator[VideoWriter]:
    """Hand out a writer of a film that appears whole or not at all.

    Raises `Problem` if it cannot be written.
    """
    import av

    with replaced(path) as temporary:
        try:
            # Without metadata: nothing in the file says where or by whom it was made.
            with av.open(
                str(temporary), "w", format="mp4", options={"movflags": "+faststart", "fflags": "+bitexact"}
            ) as container:
                writer = VideoWriter(container, size_px, fps)
                yield writer
                writer.end()
        except av.FFmpegError as error:
            raise Problem(
                f"cannot be written ({error.strerror})", where=str(path), mend="check space and permissions"
            ) from None
