"""Two views of one sky: what other cameras of the site tell of the sun, and what that decides.

Through a front filter cloud and a cap are both black, and one camera has to wait and see. Two know: if both
lost the sun at about the same time it is cloud; if one lost it and the others go on seeing it, it is a fault
of that one. Only what is fresh counts, so a camera that is silent or broken counts for nothing; nor does one
that does not expect the sun: behind its own horizon line, visited, or on a mount that does not carry it.
"""

from typing import NamedTuple

from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.state import Track
from sentinel.core.other_cameras import LowSunSeen, OtherCamera, SunSeen, SunState
from sentinel.core.times import from_utc_s, utc_s

MOST = 8
"""Cameras that are remembered; a site has fewer."""
FRESH_INTERVALS = 4.0
FRESH_S = 240.0
"""News so much older than one's own picture tells nothing of it: three intervals, and the way it takes."""
TOGETHER_S = 300.0
"""Cloud comes to all cameras of a site within so long: at a walking pace over 400 m. Faults do not."""
ALONE_S = 180.0
"""Another sees the sun for so long without a break while it went out here from one picture to the next: no
small cloud hangs before one camera alone for longer, and three pictures have shown it."""
CLOUDED_ALONE_S = 600.0
"""The same where cloud led up to it here: its last rags may hang before one of them for a while."""
CLOUDED_WAKE_S = 1800.0
"""So long after it was last seen that is worth waking for: a tree or a ridge that nobody has told of frays
the limb as cloud does, and most trees have let the sun go on by then."""


class Company(NamedTuple):
    """What was last heard of each other camera; bounded."""

    heard: tuple[OtherCamera, ...] = ()

    def after(self, news: OtherCamera) -> "Company":
        """Return the same after news of one of them."""
        kept = tuple(one for one in self.heard if one.camera != news.camera)
        return Company((*kept[-(MOST - 1) :], news))

    def fresh(self, time_s: float, interval_s: float) -> tuple[OtherCamera, ...]:
        """Return those that tell of a time."""
        most_s = max(FRESH_INTERVALS * interval_s, FRESH_S)
        return tuple(one for one in self.heard if abs(time_s - utc_s(one.sun.frame_utc)) <= most_s)

    def clouded(self, dark_since_s: float, time_s: float, interval_s: float) -> bool:
        """Whether another lost the sun when it was lost here: then it is cloud."""
        return any(
            one.sun.state == "missing" and abs(utc_s(one.sun.since_utc) - dark_since_s) <= TOGETHER_S
            for one in self.fresh(time_s, interval_s)
        )

    def alone(self, dark_since_s: float, time_s: float, interval_s: float) -> "Alone":
        """Return for how long the sun has been missing here and here alone."""
        fresh = self.fresh(time_s, interval_s)
        if any(one.sun.state == "missing" for one in fresh):
            return Alone()
        seers = [one for one in fresh if one.sun.state == "seen"]
        if not seers:
            return Alone()
        longest = min(seers, key=lambda one: one.sun.since_utc)
        since_s = max(utc_s(longest.sun.since_utc), dark_since_s)
        seconds = max(utc_s(longest.sun.frame_utc) - since_s, 0.0)
        return Alone(seconds, since_s, (longest.camera,))


class Alone(NamedTuple):
    """For how long others have seen the sun that is missing here; 0: they have not."""

    seconds: float = 0.0
    since_s: float = 0.0
    seen_by: tuple[str, ...] = ()


def own_sun(
    before: SunSeen | None,
    sight: Observation,
    track: Track,
    context: Context,
    *,
    checking: bool,
    low: LowSunSeen | None = None,
) -> SunSeen:
    """Return what to tell the others after a frame.

    `low`: what it tells of the clock.
    `checking`: a visit is over, and it is not known yet whether it ended well.
    """
    state: SunState = "seen" if sight.trusted else "missing"
    expected = sight.sun.clear_deg > context.thresholds.sun_clear_deg
    explained = track.visit.going or checking or track.run is not None or track.moving is not None
    if state == "missing" and (explained or not expected):
        state = "unknown"
    time_utc = from_utc_s(sight.time_s)
    if before is None or before.state != state:
        return SunSeen(state=state, since_utc=time_utc, frame_utc=time_utc, low=low)
    # A frame may come late.
    latest_utc = max(before.frame_utc, time_utc)
    return SunSeen(state=state, since_utc=before.since_utc, frame_utc=latest_utc, low=low)
