"""Angles brought into one turn: one way for all rooms."""

from typing import TypeVar

from sentinel.sky.arrays import Array

Angle = TypeVar("Angle", float, Array)


def half_turn_deg(angle_deg: Angle) -> Angle:
    """Return angles brought into -180 (inclusive) to 180."""
    return (angle_deg + 180) % 360 - 180
