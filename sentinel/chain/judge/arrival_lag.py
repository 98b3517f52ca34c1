"""How long after their exposures frames arrive, and what that says of the camera's clock. Pure."""

from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from sentinel.chain.intake.exposure_time import TIME_FROM_FILE
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import DAY_S, utc_s

if TYPE_CHECKING:
    from sentinel.core.settings import Thresholds

LAGS = 15
FEWEST_LAGS = 8
DISPUTED_S = 105.0
"""Two minutes, less what a quick link takes: from here on no time that stands on the exposures is told."""
STEADY_SHARE = 0.25
"""Of the time that the exposures span: what was copied together, or is being caught up, differs by more."""
STEADY_S = 10.0
"""A link that differs by less is steady, however fast the frames follow each other."""
STUTTER_S, STUTTER_SHARE = 120.0, 0.01
"""So much more, of how early they come, where they do: no link is at fault for that, however it stutters."""
ZONES_S, LEAST_ZONE_S = 900.0, 3600.0
"""Zones differ by whole quarters of an hour, and by an hour at least."""
LINK_S = 30.0
"""A clock so near to another zone's is in it; the rest is what the link takes."""
LONG_LINK_S = DAY_S
"""No link takes so long: pictures that arrive later are of another time, or their clock is."""
LEAST_SCATTER_S = 0.3
OFF_SCATTERS = 6.0
"""Of the median deviation, so four sigmas: by chance a lag or a beat is so far off once in ten days."""
ROUNDED_S = 0.1
"""Times in files are rounded: a clock that is off by the least that is noted is off by so little less."""


class ClockOff(NamedTuple):
    """The camera's clock and the computer's disagree."""

    ahead_s: float
    """By how much exposures are ahead of this computer's clock; negative: behind."""
    steady: bool = True
    """All by as much; else pictures of different times come at once, and no offset would help."""

    @property
    def disputed(self) -> bool:
        """Whether no time that stands on the exposures may be told."""
        return not self.steady or abs(self.ahead_s) >= DISPUTED_S


class ArrivalLags(NamedTuple):
    """The lags of the last frames at one setting of the camera's clock; bounded."""

    taken_s: tuple[float, ...] = ()
    lags_s: tuple[float, ...] = ()
    least_s: float = 0.0
    """The least at this setting: a link that fell behind has been quicker before."""
    odd_s: tuple[float, ...] = ()
    """Lags in a row that do not fit those."""
    off: ClockOff | None = None
    """What they say of the clock; None: nothing against it, or not known yet."""

    @property
    def soonest_s(self) -> float | None:
        """How soon after its exposure a frame has arrived, at the best; None: not known yet."""
        return self.least_s if len(self.lags_s) >= FEWEST_LAGS else None

    @property
    def doubtful(self) -> bool:
        """Whether the last frame came at a time that its own does not go with, decided yet or not."""
        if self.off is not None and self.off.disputed:
            return True
        if self.odd_s:
            return abs(self.odd_s[-1] - median(self.lags_s)) >= DISPUTED_S
        return 0 < len(self.lags_s) < FEWEST_LAGS and abs(self.lags_s[-1]) >= DISPUTED_S

    def after(self, frame: MeasuredFrame, limits: "Thresholds") -> tuple["ArrivalLags", float | None]:
        """Take one frame; return the lags with it, and by how much the clock was set on, if it shows that."""
        if frame.arrived_utc is None or TIME_FROM_FILE in frame.flags:
            # It was not seen to come, or its time is no word of the camera's.
            return self, None
        note_s, taken_s = limits.clock_note_s, utc_s(frame.time_utc)
        lag = utc_s(frame.arrived_utc) - taken_s
        if len(self.lags_s) < FEWEST_LAGS:
            return self._with(taken_s, lag, note_s), None
        usual = median(self.lags_s)
        scatter = max(median(abs(one - usual) for one in self.lags_s), LEAST_SCATTER_S)
        if abs(lag - usual) <= max(note_s - ROUNDED_S, OFF_SCATTERS * scatter):
            return self._with(taken_s, lag, note_s), None
        odd = (*self.odd_s[-LAGS:], lag)
        # On a link that stutters a few slow frames in a row are no step of the clock.
        needed = limits.clock_frames if scatter < 2 else FEWEST_LAGS
        newest = odd[-needed:]
        if len(newest) < needed or max(newest) - min(newest) > max(1.0, OFF_SCATTERS * scatter):
            return self._replace(odd_s=odd), None
        begun = ArrivalLags((taken_s,) * needed, newest, min(newest))
        # The lag grows by what the clock was set back.
        return begun._replace(off=clock_off(begun.taken_s, newest, note_s)), usual - median(newest)

    def _with(self, taken_s: float, lag_s: float, note_s: float) -> "ArrivalLags":
        least = min(self.least_s, lag_s) if self.lags_s else lag_s
        taken = (*self.taken_s[-(LAGS - 1) :], taken_s)
        lags = (*self.lags_s[-(LAGS - 1) :], lag_s)
        off = clock_off(taken, lags, note_s, least_s=least) if len(lags) >= FEWEST_LAGS else self.off
        return ArrivalLags(taken, lags, least, (), off)


def clock_off(
    taken_s: Sequence[float], lags_s: Sequence[float], note_s: float, *, least_s: float | None = None
) -> ClockOff | None:
    """Return by how much the clock is off, where frames arrive impossibly early, or all of them late alike.

    `least_s`: the least lag that there was before, at this setting of the clock.
    """
    least, usual = min(lags_s) if least_s is None else least_s, median(lags_s)
    span_s, spread_s = abs(taken_s[-1] - taken_s[0]), max(lags_s) - min(lags_s)
    early = usual < -note_s
    stutter_s = min(STUTTER_S, -STUTTER_SHARE * usual)
    steady = spread_s <= max(STEADY_S, STEADY_SHARE * span_s, stutter_s)
    if (steady and (early or least >= DISPUTED_S)) or (early and usual > -DISPUTED_S):
        # A frame arrives after its exposure, so the least late one tells most.
        return ClockOff(_in_its_zone(-least))
    if early or min(lags_s) >= LONG_LINK_S:
        return ClockOff(-usual, steady=False)
    return None


def _in_its_zone(ahead_s: float) -> float:
    """Return an offset without what the link takes, where it is that of a zone."""
    whole = round(ahead_s / ZONES_S) * ZONES_S
    return whole if abs(whole) >= LEAST_ZONE_S and abs(ahead_s - whole) <= LINK_S else ahead_s
