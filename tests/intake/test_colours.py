"""Files in colour, as a screen shows them, by format."""

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from numpy.typing import NDArray
from PIL import Image

from sentinel.chain.intake.decode import read_colours
from sentinel.core.errors import FrameProblem
from sentinel.core.srgb import srgb_encode
from tests.intake.test_decode import raw_file

ORANGE = np.array([200, 120, 40])
HALF = 188
"""Linear 0.5 in sRGB, of 255 (IEC 61966-2-1)."""


def flat(shape: tuple[int, ...] = (60, 90)) -> NDArray[np.uint8]:
    return np.broadcast_to(ORANGE, (*shape, 3)).astype(np.uint8)


def read(path: Path, **more: Any) -> NDArray[np.uint8]:
    picture = read_colours(path, **more)
    assert picture.values.dtype == np.uint8
    assert picture.values.shape[2] == 3
    return picture.values


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif"])
def test_colours_come_out_as_they_were_saved(tmp_path: Path, name: str) -> None:
    Image.fromarray(flat()).save(tmp_path / name)
    assert np.abs(read(tmp_path / name).astype(int) - ORANGE).max() <= 2


@pytest.mark.parametrize(("reduction", "step"), [(1.0, 1), (1.9, 1), (2.0, 2), (3.5, 2), (4.1, 4), (30.0, 8)])
def test_a_jpeg_is_decoded_no_smaller_than_it_is_shown(tmp_path: Path, reduction: float, step: int) -> None:
    """By squares: the mean of each is where its middle is, whatever the frame's size."""
    ramp = np.repeat(np.arange(91)[None, :, None] * 2, 61, axis=0).repeat(3, axis=2).astype(np.uint8)
    Image.fromarray(ramp).save(tmp_path / "a.jpg", quality=98)
    picture = read_colours(tmp_path / "a.jpg", reduction=reduction)
    assert picture.step == step
    assert picture.values.shape == (-(-61 // step), -(-91 // step), 3)
    middle = (np.arange(picture.values.shape[1] - 1) + 0.5) * step - 0.5
    assert picture.values[2, :-1, 0] == pytest.approx(2 * middle, abs=2)


def test_a_room_of_ones_own_is_decoded_into(tmp_path: Path) -> None:
    Image.fromarray(flat()).save(tmp_path / "a.jpg")
    room = np.zeros(60 * 90 * 3, np.uint8)
    assert read(tmp_path / "a.jpg", buffer=lambda size: room[:size]).base is not None
    assert room.reshape(60, 90, 3)[30, 40] == pytest.approx(ORANGE, abs=2)


def test_four_inks_become_three_colours(tmp_path: Path) -> None:
    Image.fromarray(flat()).convert("CMYK").save(tmp_path / "a.jpg")
    assert read(tmp_path / "a.jpg")[30, 40] == pytest.approx(ORANGE, abs=6)


def test_linear_numbers_are_shown_by_the_curve_of_screens(tmp_path: Path) -> None:
    half = np.full((40, 50, 3), 32768, np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", half, photometric="rgb")
    assert read(tmp_path / "a.tif")[20, 20] == pytest.approx([HALF] * 3, abs=1)
    assert read(tmp_path / "a.tif", transfer="srgb")[20, 20] == pytest.approx([128] * 3, abs=1)
    fits.writeto(tmp_path / "a.fits", np.full((40, 50), 0.5, np.float32))
    assert read(tmp_path / "a.fits")[20, 20] == pytest.approx([HALF] * 3, abs=1)
    assert srgb_encode(np.array([0.0, 1.0])) == pytest.approx([0, 1])


def test_one_channel_is_grey_and_a_fourth_is_left_out(tmp_path: Path) -> None:
    Image.fromarray(np.full((40, 50), 90, np.uint8)).save(tmp_path / "grey.png")
    assert (read(tmp_path / "grey.png") == 90).all()
    Image.fromarray(np.dstack([flat(), np.full((60, 90), 7, np.uint8)])).save(tmp_path / "alpha.png")
    assert (read(tmp_path / "alpha.png") == ORANGE).all()
    Image.fromarray(np.full((40, 50), 40_000, np.uint16)).save(tmp_path / "deep.png")
    assert read(tmp_path / "deep.png")[20, 20] == pytest.approx([156] * 3, abs=1)


@pytest.mark.parametrize("reduction", [1.0, 2.5])
def test_a_raw_file_is_developed_at_its_own_size_or_at_half(tmp_path: Path, reduction: float) -> None:
    pytest.importorskip("rawpy")
    light = np.zeros((300, 400))
    light[100:200, 150:250] = 0.8
    picture = read_colours(raw_file(tmp_path / "a.dng", light, (0.9, 0.6, 0.3)), reduction=reduction)
    step = 2 if reduction >= 2 else 1
    assert picture.step == step
    assert picture.values.shape == (300 // step, 400 // step, 3)
    grey = picture.values.mean(axis=2)
    rows, columns = np.nonzero(grey > grey.max() / 2)
    middle = (np.array([columns.mean(), rows.mean()]) + 0.5) * step - 0.5
    assert middle == pytest.approx([199.5, 149.5], abs=1)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_half_a_file_is_no_picture(tmp_path: Path, kind: str) -> None:
    sink = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 255, (60, 90, 3), dtype=np.uint8)
    Image.fromarray(noise).save(sink, kind)
    (tmp_path / "a").write_bytes(sink.getvalue()[: len(sink.getvalue()) // 2])
    with pytest.raises(FrameProblem, match="is damaged"):
        read_colours(tmp_path / "a")
