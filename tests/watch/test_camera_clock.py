"""Real files of a camera whose clock is wrong: told within ten pictures, and mended by its setting."""

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.watch.files import jpeg, put
from tests.watch.running import Running, frames_in, incidents_in, settings_for

LENS = {"focal_length_mm": 400.0, "pixel_pitch_um": 45.8, "interval_s": 1.0}


def pictures(folder: Path, count: int, ahead_s: float, first: int = 0) -> None:
    """Take pictures a second apart, as a camera does whose clock is so far ahead."""
    for number in range(first, first + count):
        taken = datetime.now(UTC).replace(tzinfo=None) + timedelta(seconds=ahead_s)
        put(folder / f"{number:03d}.jpg", jpeg(number, start=taken, interval_s=0.0))
        time.sleep(1.0)


@pytest.mark.parametrize("ahead_s", [7200.0, -3600.0])
def test_a_clock_that_is_off_is_told_within_ten_pictures_and_mended_by_the_offset_it_names(
    tmp_path: Path, ahead_s: float
) -> None:
    folder, state = tmp_path / "in", tmp_path / "state"
    folder.mkdir()
    with Running(settings_for(folder, camera=LENS), state) as watch:
        watch.wait(watch.home.status_json.exists)
        time.sleep(2.0)
        pictures(folder, 10, ahead_s)
        watch.wait(lambda: len(watch.frames()) == 10)
        (told,) = watch.wait(lambda: [i for i in incidents_in(watch.home.journal) if i.condition == "clock"])
        assert watch.wait(lambda: watch.status()["agenda"]["clock"])
        assert "is not known: the camera's clock is" in watch.status()["left_alone"]
        assert watch.status()["forecast"] is None
    assert told.detail["set_to_s"] == ahead_s
    mended = settings_for(folder, camera=LENS | {"clock_offset_s": told.detail["set_to_s"]})
    with Running(mended, state) as watch:
        watch.wait(watch.home.status_json.exists)
        pictures(folder, 4, ahead_s, first=10)
        watch.wait(lambda: len(watch.frames()) == 14)
        watch.wait(lambda: watch.status()["frames"] == 14)
        assert watch.status()["agenda"]["clock"] is None
        assert not [t for t in watch.status()["troubles"] if t["condition"] == "clock"]
    for frame in frames_in(watch.home.journal):
        assert frame.arrived_utc is not None
        assert abs((frame.arrived_utc - frame.time_utc).total_seconds()) < 20, frame.frame
