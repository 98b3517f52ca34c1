"""Past sessions -> which thresholds would have served better: lead time against needless wake-ups."""

from sentinel.tune.run import Request, tune

__all__ = ["Request", "tune"]
