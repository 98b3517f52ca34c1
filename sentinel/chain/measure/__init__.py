"""Pixels -> numbers: where the disc is, how sharp, how much of its limb is seen, how bright."""

from sentinel.chain.measure.choice import ExpectedDisc
from sentinel.chain.measure.disc import measure
from sentinel.chain.measure.priors import KnownOval

__all__ = ["ExpectedDisc", "KnownOval", "measure"]
