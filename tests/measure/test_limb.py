"""The outline's geometry."""

from math import pi

import numpy as np
import pytest

from sentinel.chain.measure.limb import Limb, shape_columns


def test_an_oval_limb_has_its_half_axes_where_they_are_said_to_be() -> None:
    direction = 0.4
    limb = Limb(10.0, 20.0, 97.0, (3 * np.cos(2 * direction), 3 * np.sin(2 * direction)))
    assert limb.half_axes_px == pytest.approx((100.0, 94.0))
    assert limb.at(np.array([direction, direction + pi / 2])) == pytest.approx([100.0, 94.0])
    x, y = limb.outline()
    u = (x - 10) * np.cos(direction) + (y - 20) * np.sin(direction)
    v = -(x - 10) * np.sin(direction) + (y - 20) * np.cos(direction)
    assert (u / 100) ** 2 + (v / 94) ** 2 == pytest.approx(np.ones(x.size))


def test_the_middle_of_an_egg_lies_between_its_opposite_limbs() -> None:
    radius, flattening, k, tilt = 470.0, 0.06, 1.2, 0.8
    t = np.linspace(0, 2 * pi, 4000, endpoint=False)
    u, v = radius * np.cos(t), radius * (1 - flattening) * np.sin(t) - k * np.cos(t) ** 2
    x, y = u * np.cos(tilt) - v * np.sin(tilt), u * np.sin(tilt) + v * np.cos(tilt)
    # Fit the room's own terms to that outline about a centre of its own.
    limb = Limb(0.0, 0.0, 456.0, (14 * np.cos(2 * tilt), 14 * np.sin(2 * tilt)))
    for _ in range(8):
        angle = np.arctan2(y - limb.y_px, x - limb.x_px)
        miss = np.hypot(x - limb.x_px, y - limb.y_px) - limb.at(angle)
        limb = limb.moved(np.linalg.lstsq(shape_columns(angle), miss, rcond=None)[0])
    assert np.hypot(*limb.middle()) < 0.03
    assert np.hypot(limb.x_px, limb.y_px) > 0.2
    assert limb.half_axes_px[0] == pytest.approx(radius, abs=0.1)
