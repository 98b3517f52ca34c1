"""The angle of a pixel, by the size of the discs; and that they are seen through another lens."""

from collections import deque

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.core.records import Disc
from sentinel.sky.sun import Sun

DISCS = 201
FOCAL_DOUBT = 0.05
NEW_LENS_FRACTION = 0.012
NEW_LENS_DISCS = 5
_LEAST_CLIPPED = 5


class Scale:
    """Learns from disc after disc."""

    def __init__(self, nominal_arcsec_px: float) -> None:
        self._nominal = nominal_arcsec_px
        self._whole: deque[float] = deque(maxlen=DISCS)
        self._clipped: deque[float] = deque(maxlen=DISCS)

    @property
    def whole_seen(self) -> bool:
        """Whether a whole disc has been seen."""
        return bool(self._whole)

    @property
    def arcsec_px(self) -> float:
        """Arcseconds a pixel, by the discs' size; by lens and sensor only until one has been seen."""
        if self._whole:
            return float(np.median(self._whole))
        if len(self._clipped) >= _LEAST_CLIPPED:
            clipped = float(np.median(self._clipped))
            if abs(clipped / self._nominal - 1) > FOCAL_DOUBT:
                return clipped
        return self._nominal

    def learn(self, disc: Disc, tracked: TrackedDisc, sun: Sun) -> bool:
        """Learn from a disc; return whether the last ones show that the lens is another one."""
        ratio = float(sun.angular_radius_arcsec(tracked.utc_s)) / tracked.radius_px
        if not (disc.whole and disc.limb_coverage > 0.5):
            self._clipped.append(ratio)
            return False
        self._whole.append(ratio)
        if len(self._whole) < 4 * NEW_LENS_DISCS:
            return False
        last = list(self._whole)[-NEW_LENS_DISCS:]
        steps = np.array(last) / float(np.median(self._whole)) - 1
        if np.abs(steps).min() < NEW_LENS_FRACTION or np.ptp(steps) > NEW_LENS_FRACTION / 2:
            return False
        self._whole.clear()
        self._whole.extend(last)
        self._clipped.clear()
        return True
