"""Whatever one entry of the folder is, it costs that entry alone, now and after a restart."""

import io
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from sentinel.chain.intake.exposure_time import TIME_FROM_FILE
from sentinel.chain.intake.live import LiveFolder
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.chain.intake.session import find_frames
from sentinel.core.times import file_time_utc
from tests.watch.files import jpeg, put
from tests.watch.running import Running, settings_for
from tests.watch.test_folder_intake import Pool, arrived, intake_for


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "in"
    path.mkdir()
    return path


def dated(text: str, zone: str) -> bytes:
    """A picture whose clock and zone say this."""
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: text, 0x9011: zone})
    sink = io.BytesIO()
    Image.fromarray(np.full((200, 300), len(text + zone + text[:2]), np.uint8)).save(sink, "JPEG", exif=exif)
    return sink.getvalue()


def of_many_parts(parts: int) -> bytes:
    """A FITS file without a picture, of so many parts."""
    sink = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU()]).writeto(sink)
    head = sink.getvalue()
    sink = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU()]).writeto(sink)
    part = sink.getvalue()[len(head) :]
    return head + part * parts


def nested(folder: Path, depth: int, name: str = "d") -> Path:
    """Make folders within folders; by steps, because a path has a longest length."""
    handle = os.open(folder, os.O_RDONLY)
    for _ in range(depth):
        os.mkdir(name, dir_fd=handle)
        below = os.open(name, os.O_RDONLY, dir_fd=handle)
        os.close(handle)
        handle = below
    os.close(handle)
    return folder.joinpath(*[name] * depth)


def remove_nested(folder: Path) -> None:
    """Nothing in the library can."""
    os.system(f"rm -rf '{folder}'")


def test_strange_entries_cost_themselves_alone(folder: Path, tmp_path: Path) -> None:
    start = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    put(folder / "0.jpg", jpeg(0, start=start))
    put(folder / "year1.jpg", dated("0001:01:01 00:30:00", "+14:00"))
    put(folder / "year9999.jpg", dated("9999:12:31 23:59:59", "-14:00"))
    put(folder / "zero.jpg", dated("0000:00:00 00:00:00", "+00:00"))
    put(folder / "parts.fits", of_many_parts(5000))
    ages = {"far.jpg": 253_402_300_800 + 86_400, "past.jpg": -(10**11)}
    for number, (name, at) in enumerate(ages.items()):
        # Without a time of its own, so that the file's has to do.
        sink = io.BytesIO()
        Image.fromarray(np.full((200, 300), 100 + number, np.uint8)).save(sink, "JPEG")
        put(folder / name, sink.getvalue())
        os.utime(folder / name, (at, at))
    deep = nested(folder / ".." / "in", 520)
    put(deep / "deep.jpg", jpeg(1, start=start))
    settings = settings_for(folder, frames={"patterns": ["*.jpg", "*.fits"]})
    wanted = {"0.jpg", "parts.fits", "year1.jpg", "year9999.jpg", "zero.jpg", *ages}
    try:
        with Running(settings, tmp_path / "state") as watch:
            watch.wait(lambda: len(watch.names()) == len(wanted) + 1)
        with Running(settings, tmp_path / "state") as watch:
            put(folder / "2.jpg", jpeg(2, start=start))
            watch.wait(lambda: "2.jpg" in watch.names())
            frames = {frame.frame: frame for frame in watch.frames()}
    finally:
        remove_nested(folder)
    assert len(watch.names()) == len(wanted) + 2 == len(set(watch.names()))
    assert frames["0.jpg"].error is None
    assert "holds no picture" in (frames["parts.fits"].error or "")
    for name in ("year1.jpg", "year9999.jpg", "zero.jpg", *ages):
        assert TIME_FROM_FILE in frames[name].flags
        assert 1970 <= frames[name].time_utc.year <= datetime.now(UTC).year


@pytest.mark.parametrize("seconds", [253_402_300_800.0 + 86_400, 1e300, -1e12, -62_135_596_801.0])
def test_a_time_that_cannot_be_is_as_good_as_none(seconds: float) -> None:
    assert file_time_utc(seconds).year == 1970


def test_folders_nested_beyond_the_longest_path_are_a_row_with_the_reason(folder: Path) -> None:
    put(folder / "0.jpg", jpeg(0), age_s=100)
    nested(folder, 25, "d" * 200)
    try:
        intake = intake_for(folder, pool := Pool())
        intake.turn(pool)  # type: ignore[arg-type]
        assert arrived(intake) == ["0.jpg", "all caught up"]
        intake._live._patience_s = 0.0
        intake.turn(pool)  # type: ignore[arg-type]
        (row,) = arrived(intake)
        assert row.endswith(": cannot be looked at (File name too long)")
        intake.turn(pool)  # type: ignore[arg-type]
        assert arrived(intake) == [], "once"
        assert [found.frame for found in find_frames(folder, ("*.jpg",))] == ["0.jpg"]
    finally:
        remove_nested(folder)


def test_an_entry_that_fails_for_a_moment_is_a_frame_all_the_same(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(folder / "0.jpg", jpeg(0), age_s=100)
    put(folder / "1.jpg", jpeg(1), age_s=100)
    live, see = LiveFolder(folder, ["*.jpg"], SeenFiles()), LiveFolder._see

    def failing(self: LiveFolder, entry: "os.DirEntry[str]", *rest: object) -> None:
        if entry.name == "1.jpg":
            raise OSError(5, "Input/output error")
        see(self, entry, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(LiveFolder, "_see", failing)
    assert [file.frame for file in live.look(0.0, 1e12).ready] == ["0.jpg"]
    monkeypatch.undo()
    (file,) = live.look(5.0, 1e12).ready
    assert (file.frame, file.problem) == ("1.jpg", "")


def test_what_nobody_foresaw_is_told_with_the_entry(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(folder / "a.jpg", jpeg(0), age_s=100)
    intake = intake_for(folder, Pool())
    intake._settings = settings_for(folder, intake={"rescan_s": 1.0})

    def ill(*_: object) -> None:
        if len(told) == 3:
            intake.stop.set()
        told.append(intake.trouble)
        raise ZeroDivisionError("what nobody foresaw")

    told: list[str] = []
    monkeypatch.setattr(LiveFolder, "_as_finished", ill)
    monkeypatch.setattr(intake, "_wait", lambda _: None)
    intake.run()
    assert told[0] == told[1] == "", "once may be a mishap"
    assert told[2] == "a.jpg: ZeroDivisionError: what nobody foresaw"
