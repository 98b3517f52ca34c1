"""Whole invented sessions: nobody woken for nothing, and everything found. The benchmark counts many more."""

import pytest

from tests.judge import worlds
from tests.judge.worlds import Session, judged, opened

QUIET = [worlds.calm, worlds.clouds, worlds.recentrings, worlds.nights, worlds.wind]
TRUE = [
    (worlds.stop, "runaway", "now", 2),
    (worlds.reversal, "runaway", "now", 2),
    (worlds.snag, "runaway", "now", 12),
    (worlds.knock, "moved", None, 4),
    (worlds.focus, "soft-focus", "soon", 90),
    (worlds.filter_lost, "over-bright", "now", 1),
    (worlds.cap, "lost-disc", "now", 31),
]


@pytest.mark.slow
@pytest.mark.parametrize("make", QUIET)
@pytest.mark.parametrize("seed", [41, 42])
def test_nobody_is_woken_for_nothing(make: worlds.Make, seed: int) -> None:
    said, _ = judged(make(seed, 24.0))
    assert [one for one in said if one.severity == "now"] == []


@pytest.mark.slow
@pytest.mark.parametrize(("make", "condition", "severity", "within_frames"), TRUE)
@pytest.mark.parametrize("seed", [51, 52])
def test_what_happens_is_found(
    make: worlds.Make, condition: str, severity: str | None, within_frames: int, seed: int
) -> None:
    session = make(seed, 24.0)
    said, _ = judged(session)
    assert session.onset is not None
    assert [one for one in said if one.severity == "now" and one.time_utc < session.onset] == []
    hit = opened([one for one in said if one.time_utc >= session.onset], condition, severity)
    assert hit is not None
    assert frames_between(session, hit.time_utc) <= within_frames


def frames_between(session: Session, until: object) -> int:
    return sum(session.onset < one.time_utc <= until for one in session.frames)  # type: ignore[operator]


@pytest.mark.slow
def test_a_camera_that_stops_is_found_by_ticks() -> None:
    session = worlds.camera_stop(51, 24.0)
    said, _ = judged(session)
    assert session.onset is not None
    silent = opened(said, "no-frames", "now")
    assert silent is not None
    patience_s = max(180.0, 3 * session.settings.camera.interval_s)
    late_s = (silent.time_utc - session.onset).total_seconds()
    assert 0 < late_s <= patience_s + session.settings.camera.interval_s + 31
