"""From a file to a measured frame."""

import dataclasses
import pickle
import subprocess
import sys
from datetime import UTC, datetime
from math import hypot
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from sentinel.chain.intake.examine import UNREADABLE, MeasureJob, examine, on_the_sensor
from sentinel.core.records import Disc, MeasuredFrame
from tests.measure.scenes import Scene, develop, render_linear

SCENE = Scene(width=600, height=420, x=290.4, y=200.8, radius=120.0, quality=None)


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    return develop(SCENE, render_linear(SCENE))


def write(path: Path, grey: np.ndarray, orientation: int = 1, **tags: object) -> Path:
    block = Image.Exif()
    block[ExifTags.Base.Orientation] = orientation
    ifd = block.get_ifd(ExifTags.IFD.Exif)
    for name, value in tags.items():
        ifd[ExifTags.Base[name]] = value
    Image.fromarray(grey).save(path, quality=92, exif=block)
    return path


def off(frame: MeasuredFrame) -> float:
    return hypot(frame.disc.x_px - SCENE.x, frame.disc.y_px - SCENE.y)


def test_a_frame_is_measured_and_timed(tmp_path: Path, grey: np.ndarray) -> None:
    path = write(
        tmp_path / "a.jpg",
        grey,
        DateTimeOriginal="2031:06:21 04:14:35",
        OffsetTimeOriginal="+02:00",
        ExposureTime=0.004,
    )
    frame = examine(MeasureJob(path, "day/a.jpg", clock_offset_s=35.0))
    assert frame.frame == "day/a.jpg"
    assert frame.time_utc == datetime(2031, 6, 21, 2, 14, 0, tzinfo=UTC)
    assert (frame.width_px, frame.height_px) == (600, 420)
    assert frame.exposure_s == pytest.approx(0.004)
    assert frame.error is None
    assert frame.disc.found
    assert off(frame) < 0.02


@pytest.mark.parametrize("orientation", [3, 6])
def test_a_turned_camera_is_noted_and_does_not_move_the_disc(
    tmp_path: Path, grey: np.ndarray, orientation: int
) -> None:
    frame = examine(MeasureJob(write(tmp_path / "a.jpg", grey, orientation), "a"))
    assert off(frame) < 0.02
    assert frame.orientation == orientation


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif"])
def test_every_container_gives_the_same_disc(tmp_path: Path, grey: np.ndarray, suffix: str) -> None:
    Image.fromarray(grey).save(tmp_path / f"a.{suffix}")
    assert off(examine(MeasureJob(tmp_path / f"a.{suffix}", "a"))) < 0.02


def test_a_broken_file_keeps_its_time_and_says_what_is_wrong(tmp_path: Path, grey: np.ndarray) -> None:
    path = write(tmp_path / "a.jpg", grey, DateTimeOriginal="2031:06:21 02:14:00")
    path.write_bytes(path.read_bytes()[:-3000])
    frame = examine(MeasureJob(path, "a.jpg"))
    assert frame.error
    assert "\n" not in frame.error
    assert frame.time_utc == datetime(2031, 6, 21, 2, 14, 0, tzinfo=UTC)
    assert (frame.width_px, frame.height_px) == (600, 420)
    assert not frame.disc.found
    assert UNREADABLE in frame.flags


def test_a_missing_file_is_a_frame_with_an_error(tmp_path: Path) -> None:
    assert examine(MeasureJob(tmp_path / "gone.jpg", "gone.jpg")).error


def test_half_size_pixels_become_sensor_pixels() -> None:
    half = Disc(found=True, x_px=0.0, y_px=10.0, radius_px=50.0, centre_sigma_px=0.01, edge_width_px=2.0)
    half = dataclasses.replace(half, oval_cos2_px=0.25, oval_sin2_px=-0.125, oval_sigma_px=0.01)
    whole = on_the_sensor(half, 2)
    # The first half-size pixel covers sensor pixels 0 and 1, whose common middle is 0.5.
    assert (whole.x_px, whole.y_px, whole.radius_px, whole.edge_width_px) == (0.5, 20.5, 100.0, 4.0)
    assert (whole.oval_cos2_px, whole.oval_sin2_px, whole.oval_sigma_px) == (0.5, -0.25, 0.02)
    assert on_the_sensor(half, 1) is half


def test_it_can_be_sent_to_another_process(tmp_path: Path, grey: np.ndarray) -> None:
    frame = examine(MeasureJob(write(tmp_path / "a.jpg", grey), "a"))
    assert pickle.loads(pickle.dumps(examine)) is examine
    assert repr(pickle.loads(pickle.dumps(frame))) == repr(frame)


def test_importing_it_brings_in_no_slow_library() -> None:
    code = (
        "import sys; import sentinel.chain.intake.examine;"
        "print([m for m in ('astropy', 'scipy', 'skimage', 'rawpy', 'matplotlib') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
