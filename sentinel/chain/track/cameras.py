"""Which camera is watched, where frames of more than one lie in a folder."""

from typing import NamedTuple

from sentinel.core.records import MeasuredFrame

ADOPT_FRAMES = 8
"""After so many frames from elsewhere and none from the watched camera, the other one is watched."""
SWAP_FRAMES = 3
"""The same for a camera never seen before, which takes the old one's place in the rhythm."""


class Source(NamedTuple):
    """A camera, told from others by its name in the file and the size of its pictures."""

    camera: str
    width_px: int
    height_px: int


class Cameras(NamedTuple):
    """The camera that is watched, and the last other one whose frames came."""

    source: Source | None = None
    last_s: float = 0.0
    """When the watched camera took its last frame."""
    stray: Source | None = None
    strays: int = 0
    """Frames in a row from elsewhere."""
    new: bool = False
    """Nothing was seen of it before the watched camera's last frame."""
    stray_frame: str = ""
    stray_s: float | None = None

    def after(self, frame: MeasuredFrame, time_s: float, interval_s: float) -> tuple["Cameras", bool]:
        """Return the same after a frame, and whether that is from the camera that is watched.

        That is the one the session began with, until only another one delivers for a while; one that was
        never seen before and takes its place in the rhythm has been put there for it.
        """
        source = Source(frame.camera, frame.width_px, frame.height_px)
        if self.source is None or source == self.source:
            return self._replace(source=source, last_s=time_s, strays=0), True
        going_on = self.stray == source and self.strays > 0
        strays = self.strays + 1 if going_on else 1
        new = self.new if going_on else self.stray != source
        swapped = new and strays >= SWAP_FRAMES and time_s - self.last_s > (SWAP_FRAMES - 0.5) * interval_s
        if strays >= ADOPT_FRAMES or swapped:
            return Cameras(source, time_s), True
        return self._replace(
            stray=source, strays=strays, new=new, stray_frame=frame.frame, stray_s=time_s
        ), False
