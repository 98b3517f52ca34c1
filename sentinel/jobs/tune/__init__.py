"""Past sessions -> which thresholds would have served better: lead time against needless wake-ups."""

from sentinel.jobs.tune.reading import TuneRequest
from sentinel.jobs.tune.run import tune

__all__ = ["TuneRequest", "tune"]
