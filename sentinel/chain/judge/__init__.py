"""Measurements, forecasts, ticks and marks -> incidents: what a sleeping person would want to be told."""

from sentinel.chain.judge.core import Judge, JudgeState

__all__ = ["Judge", "JudgeState"]
