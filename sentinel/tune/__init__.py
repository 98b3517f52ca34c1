"""Past sessions -> which thresholds would have served better: lead time against needless wake-ups."""

from sentinel.tune.reading import Request
from sentinel.tune.run import tune

__all__ = ["Request", "tune"]
