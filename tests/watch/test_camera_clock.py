"""Real files of a camera whose clock is wrong: it is told, and mended by the setting that is named."""

import time
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import pytest

from sentinel.core.records import Incident
from sentinel.service.journal.codec import plain
from tests.watch.files import jpeg, put
from tests.watch.running import Running, incidents_in, settings_for

LENS = {"focal_length_mm": 400.0, "pixel_pitch_um": 45.8, "interval_s": 1.0}


AHEAD_S = (7200.0, -3600.0)
MOST_PICTURES = 60
"""Ten will do where pictures come evenly; on a machine that is busy with much else they stutter."""


def pictures(folders: dict[float, Path], count: int, first: int = 0) -> None:
    """Take pictures a second apart with both cameras, as they do whose clocks are so far ahead."""
    for number in range(first, first + count):
        for ahead_s, folder in folders.items():
            taken = datetime.now(UTC).replace(tzinfo=None) + timedelta(seconds=ahead_s)
            put(folder / f"{number:03d}.jpg", jpeg(number, start=taken, interval_s=0.0))
        time.sleep(1.0)


# Pictures come a second apart here; tests/test_clocks_disagree.py holds the same without waiting for them.
@pytest.mark.slow
def test_a_clock_that_is_off_is_told_and_mended_by_the_offset_it_names(tmp_path: Path) -> None:
    folders = {ahead_s: tmp_path / f"in{ahead_s:g}" for ahead_s in AHEAD_S}
    states = {ahead_s: tmp_path / f"state{ahead_s:g}" for ahead_s in AHEAD_S}
    for folder in folders.values():
        folder.mkdir()
    set_to_s = {}
    with ExitStack() as stack:
        watches = {
            ahead_s: stack.enter_context(Running(settings_for(folder, camera=LENS), states[ahead_s]))
            for ahead_s, folder in folders.items()
        }
        for watch in watches.values():
            watch.wait(watch.home.status_json.exists)
        # The first brings up what measures; the rest come a second apart, whatever the machine.
        pictures(folders, 1)
        for watch in watches.values():
            watch.wait(watch.frames)
        taken = 1
        while taken < MOST_PICTURES and (taken < 10 or not all(map(told_of_clock, watches.values()))):
            pictures(folders, 1, first=taken)
            taken += 1
        for ahead_s, watch in watches.items():
            set_to_s[ahead_s] = told_to_set(watch, taken)
    assert set_to_s == {ahead_s: ahead_s for ahead_s in AHEAD_S}
    with ExitStack() as stack:
        for ahead_s, folder in folders.items():
            mended = settings_for(folder, camera=LENS | {"clock_offset_s": set_to_s[ahead_s]})
            watches[ahead_s] = stack.enter_context(Running(mended, states[ahead_s]))
        for watch in watches.values():
            watch.wait(watch.home.status_json.exists)
        pictures(folders, 4, first=taken)
        for watch in watches.values():
            assert_silent(watch, taken + 4)
    for watch in watches.values():
        lags_s = [
            (f.arrived_utc - f.time_utc).total_seconds() for f in watch.frames() if f.arrived_utc is not None
        ]
        # A picture that comes while the measuring is still brought up waits for it.
        assert abs(median(lags_s)) < 20, lags_s


def told_of_clock(watch: Running) -> list[Incident]:
    return [one for one in incidents_in(watch.home.journal) if one.condition == "clock"]


def told_to_set(watch: Running, taken: int) -> float:
    """Wait until the watch has told of the clock; return the offset that it names."""
    watch.wait(lambda: len(watch.frames()) == taken)
    told = watch.wait(lambda: told_of_clock(watch))
    assert watch.wait(lambda: watch.status()["agenda"]["clock"])
    assert "is not known: the camera's clock is" in watch.status()["left_alone"]
    assert watch.status()["forecast"] is None
    return float(plain(told[-1].detail)["set_to_s"])


def assert_silent(watch: Running, taken: int) -> None:
    """Hold that once the offset is set nothing is told of the clock."""
    watch.wait(lambda: len(watch.frames()) == taken)
    watch.wait(lambda: watch.status()["frames"] == taken)
    assert watch.status()["agenda"]["clock"] is None
    assert not [t for t in watch.status()["troubles"] if t["condition"] == "clock"]
