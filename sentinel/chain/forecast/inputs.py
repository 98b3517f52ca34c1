"""What a forecast is made from."""

from dataclasses import dataclass

from sentinel.chain.forecast.departure import Departure
from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.ensemble import Ensemble
from sentinel.chain.forecast.exits import Frame
from sentinel.chain.forecast.geometry import SlowChange
from sentinel.chain.forecast.nodes import MOVES
from sentinel.chain.forecast.past_forecasts import Misses
from sentinel.chain.forecast.periodic_error import PeriodicError
from sentinel.chain.forecast.place_and_clock import SettingsDoubt
from sentinel.chain.forecast.sun_path import HORIZON_H, SunPath, SunUp
from sentinel.chain.forecast.turning import Turning, turning_of
from sentinel.chain.forecast.visits import SuppliesUsed
from sentinel.core.settings import Settings
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

CHANGED_SHARE = 0.9
"""Share of the draws with a change above which the drift counts as changed."""
PERHAPS_CHANGED_SHARE = 0.05
CAUSE_KNOWN = 0.95
CAUSE_KNOWN_S = 5400.0
"""Whether a changed drift is the drive's or the axis's shows after so long, at the soonest."""
CHANGED_TOLD_S = 12 * 3600.0
_FLAGS = {SlowChange.TIPS: "tips", SlowChange.RAMPS: "ramps", SlowChange.CREEPS: "creeps"}


@dataclass(frozen=True, slots=True)
class Inputs:
    """All that a forecast stands on."""

    settings: Settings
    sun: Sun
    frame: Frame
    scale_arcsec_px: float
    """Arcseconds a pixel, by the disc."""
    used: SuppliesUsed
    interval_s: float
    draws: Ensemble
    sun_ahead: SunPath
    tracks_px: Array
    """Their tracks at the coming times, (2, n, draws)."""
    misses: Misses
    """How wrong it may be, by how past forecasts came true."""
    periodic_error: PeriodicError | None
    """The drive's periodic error, to and fro along the equator."""
    last: TrackedDisc
    arc_h: float
    stretches: int
    no_whole_disc: bool
    """No whole disc has been seen."""
    departure: Departure | None
    out_since_s: float | None
    """Since when the limb has been seen beyond an edge."""
    expected_exit_s: float | None
    """The last forecast's median exit."""
    changed_s: float | None
    """When the drift became another and the track from before was let go; None: it did not."""
    halting_since_s: float | None
    """Since when the drive has been halting now and then; None: it does not."""
    settings_doubt: SettingsDoubt
    axis_before_deg: tuple[float, float] | None
    """Where the axis was before the drift became another within the present part; None: it did not."""
    possible_day: SunUp
    """When the sun may be up: by the settings, or were a mistake in them that is not excluded."""
    possible_px: tuple[Array, ...]
    """Tracks as `tracks_px`, were such mistakes made."""

    @property
    def seen_s(self) -> float:
        """Exposure of the last disc that it stands on."""
        return (self.departure.last if self.departure is not None else self.last).utc_s

    def turning(self, now_s: float) -> Turning:
        """Return when the drive turns, as far as is foreseen."""
        return turning_of(self.settings, self.sun, self.used.axis_from_utc_s, now_s + HORIZON_H * 3600)

    def axis_turned_deg(self) -> float:
        """Return how far the axis has turned by now, or by when the disc left the mount's track.

        It goes on while nobody sees it, by night too; but not unseen beyond its limit, where it stops.
        """
        now_s, limit = self.sun_ahead.now_s, self.settings.mount.axis_limit_deg
        if self.departure is not None:
            now_s = min(now_s, self.departure.since_s)
        both = (self.last.utc_s, max(self.last.utc_s, now_s))
        turning = self.turning(both[1])
        seen, turned = (self.used.axis_turned_deg(at_s, 1.0, turning) for at_s in both)
        return turned if limit is None else min(turned, max(limit, seen))

    def drift_changed_s(self) -> float | None:
        """Return since when the disc drifts otherwise than it did; None: that is not likely, or long ago."""
        if self.halting_since_s is not None:
            return self.halting_since_s
        changed_s = self.draws.changed_s(CHANGED_SHARE)
        if changed_s is not None:
            return changed_s
        old = self.changed_s is None or self.sun_ahead.now_s - self.changed_s > CHANGED_TOLD_S
        return None if old else self.changed_s

    def cause_flags(self) -> tuple[str, ...]:
        """Return what is known of why the disc drifts otherwise than it did."""
        if self.halting_since_s is not None:
            return ("halts",)
        share = {change: float(self.draws.of_mounts(change).mean()) for change in SlowChange}
        if self.draws.changed_s(PERHAPS_CHANGED_SHARE) is not None:
            return ("cause-open",)
        young = self.changed_s is not None and self.last.utc_s - self.changed_s < CAUSE_KNOWN_S
        for change, flag in _FLAGS.items():
            if share[change] > CAUSE_KNOWN and not young:
                return (flag,)
        moves = sum(share[change] for change in MOVES)
        return ("cause-open",) if moves > 1 - CAUSE_KNOWN or young else ()
