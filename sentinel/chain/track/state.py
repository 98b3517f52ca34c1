"""All that is remembered of what the disc is doing."""

from typing import NamedTuple

from sentinel.chain.track.attendance import Attendance
from sentinel.chain.track.cameras import Cameras
from sentinel.chain.track.context import Context
from sentinel.chain.track.drive_line import DriveLine
from sentinel.chain.track.expected import Expected, Off, Place
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import Path
from sentinel.chain.track.runs import Moved, Moving, Part, Run
from sentinel.core.records import Forecast

TOLD_S = 900.0
"""A jump so near to the mark that tells of it is no news."""


class Track(NamedTuple):
    """All that is remembered of what the disc is doing; bounded, and rebuilt by the same events."""

    path: Path = Path()
    drive: DriveLine = DriveLine()
    run: Run | None = None
    """The mount does not carry the sun."""
    moving: Moving | None = None
    moved: Moved | None = None
    """The last jump, while it is news."""
    pushed_about_s: float | None = None
    """When somebody was last seen to push the disc about."""
    told_s: float | None = None
    """When the operator last said that the disc was put elsewhere."""
    seen_to: bool = False
    """The operator has marked what was done at the mount, and no disc has been seen since."""
    placed_s: float | None = None
    """When the disc was last put elsewhere, said or seen."""
    part: Part = Part()
    expected: Expected | None = None
    """Where the fit expects the disc of this part; None: it does not yet."""
    lately: tuple[Place, ...] = ()
    """The last discs of this part."""
    followed: bool = False
    """Whether the disc of the last frame belongs to this part."""
    seen: Observation | None = None
    """What the last usable frame of the watched camera shows."""
    own: bool = False
    """Whether the last frame was that one."""
    news: bool = False
    """Whether it told anything of the mount."""
    cameras: Cameras = Cameras()
    visit: Attendance = Attendance()
    forecast: Forecast | None = None

    @property
    def steady(self) -> bool:
        """Whether the mount carries the sun and nobody moves the disc, as far as is seen."""
        return self.run is None and self.moving is None

    @property
    def departed_s(self) -> float | None:
        """Since when the disc has gone its own way; None: it is carried, if less than it should be."""
        if self.run is not None:
            return None if self.run.crawls or self.run.from_start else self.run.onset_s
        return self.moving.onset_s if self.moving is not None and self.moving.flees else None

    def off(self, seen: Observation, context: Context) -> Off | None:
        """Return how far a disc is from where the fit expects it; None: nobody knows."""
        if self.expected is None or not self.lately:
            return None
        shaken_px = context.thresholds.runaway_jitter_ratio * self.path.jitter_px
        return self.expected.off((seen.time_s, seen.x_px, seen.y_px), self.lately, shaken_px)

    def parted(self, part: Part) -> "Track":
        """Return the same in a new part: of its way nothing is known yet."""
        return self._replace(part=part, expected=None, lately=())

    def resumed(self, time_s: float) -> "Track":
        """Return the same once a drive goes on that was told to stand: a new part, wherever the disc is."""
        path = self.path._replace(last=None, steps=(), trail=(), drift=(0.0, 0.0))
        after = self._replace(path=path, run=None, moving=None, moved=None, told_s=time_s, placed_s=time_s)
        return after.parted(self.part.then("put-elsewhere", time_s, told=True))

    def was_told(self, time_s: float) -> bool:
        """Whether the operator said a moment ago that the disc was put elsewhere: that it was is no news."""
        return self.told_s is not None and abs(time_s - self.told_s) < TOLD_S

    def is_running(self, now_s: float, interval_s: float) -> bool:
        """Whether the mount fails to carry the sun this very moment."""
        run = self.run
        return run is not None and not run.steady and now_s - run.seen_s <= 3 * interval_s
