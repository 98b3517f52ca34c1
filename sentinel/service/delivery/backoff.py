"""How long to wait before another attempt. Pure: chance is handed in."""

from collections.abc import Callable

from sentinel.core.records import Severity

FIRST_S = {Severity.NOW: 5.0, Severity.SOON: 15.0, Severity.NOTE: 15.0}
MOST_S = {Severity.NOW: 120.0, Severity.SOON: 900.0, Severity.NOTE: 900.0}
DOUBTFUL_FIRST_S = 60.0
DOUBTFUL_MOST_S = {Severity.NOW: 900.0, Severity.SOON: 7200.0, Severity.NOTE: 7200.0}
"""A message that may have arrived is not pressed on people: copies get rarer, until it expires."""
TARGET_GAP_S = 30.0
"""A target that failed is left in peace for at most so long, whatever else waits for it."""


def retry_wait_s(severity: Severity, attempts: int, doubtful: int, chance: Callable[[], float]) -> float:
    """Return seconds until the next attempt at a message.

    `attempts`: attempts made, at least 1.
    `doubtful`: how many of them may have arrived.
    `chance`: gives numbers from 0 to 1; the wait is spread by a quarter either way, so that what failed
        together does not come back together.
    """
    plain_s = min(FIRST_S[severity] * 2.0 ** min(attempts - 1, 20), MOST_S[severity])
    if doubtful:
        rare_s = DOUBTFUL_FIRST_S * 2.0 ** min(doubtful - 1, 20)
        plain_s = max(plain_s, min(rare_s, DOUBTFUL_MOST_S[severity]))
    return plain_s * (0.75 + 0.5 * chance())


def target_pause_s(failures: int, chance: Callable[[], float]) -> float:
    """Return seconds for which a target is left in peace after so many failures in a row."""
    if failures == 0:
        return 0.0
    return min(2.0 ** min(failures, 20), TARGET_GAP_S) * (0.75 + 0.5 * chance())
