"""Watches over a days-long time-lapse of the sun, so that the photographer can sleep."""

__version__ = "0.1.0"
