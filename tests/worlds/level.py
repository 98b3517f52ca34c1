"""A camera's level sensor: weighs against which side of the picture its own weight pulls the least."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.worlds.mount import Lens, Setting, pictured
from tests.worlds.sky import Array

# EXIF's Orientation by which side of the stored picture is up: (right, down) of that side.
SIDES = {1: (0.0, -1.0), 3: (0.0, 1.0), 6: (-1.0, 0.0), 8: (1.0, 0.0)}


@dataclass(frozen=True)
class LevelSensor:
    """What the camera writes of how it is held."""

    changes_deg: float = 55.0
    """Beyond which angle from upright another side is the upper one."""
    least_pull: float = 0.4
    """Share of the camera's weight that must lie in the picture's plane, or the side told last holds."""
    always: int | None = None
    """It writes this, however it is held: told to be silent, stuck, or glued to the wrong side."""


def pulls(enu: Array, setting: Setting, lens: Lens, latitude_deg: float) -> Array:
    """Return where up lies in the picture, (2, n) right and down, of the length that lies in its plane."""
    level = np.hypot(enu[:, 0], enu[:, 1])
    upward = np.array([0.0, 0.0, 1.0]) - enu[:, 2:] * enu
    step = 1e-5
    here, above = (
        np.array(pictured(enu + part * upward, setting, lens, latitude_deg)) for part in (0.0, step)
    )
    way = above - here
    return np.asarray(way / np.hypot(*way) * level)


def told(sensor: LevelSensor, pull: Array, held: int) -> NDArray[np.int_]:
    """Return what the camera writes beside pictures in turn, (n,), the first after it wrote `held`."""
    written = []
    for right, down in pull.T:
        size = float(np.hypot(right, down))
        if sensor.always is not None:
            held = sensor.always
        elif size > sensor.least_pull:
            off = {tag: (right * x + down * y) / size for tag, (x, y) in SIDES.items()}
            if off[held] < np.cos(np.radians(sensor.changes_deg)):
                held = max(off, key=lambda tag: off[tag])
        written.append(held)
    return np.array(written, dtype=int)
