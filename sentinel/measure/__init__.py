"""Pixels -> numbers: where the disc is, how sharp, how much of its limb is seen, how bright."""

from sentinel.measure.choice import Expected
from sentinel.measure.disc import measure

__all__ = ["Expected", "measure"]
