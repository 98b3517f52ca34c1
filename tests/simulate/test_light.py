"""The transfer curve, the random fields, and what is written into files."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from PIL import ExifTags, Image

from sentinel.core.srgb import srgb_decode, srgb_encode
from sentinel.jobs.simulate.fields import smooth_at, smooth_field, smooth_series
from sentinel.jobs.simulate.files import (
    WARM_FILTER,
    Exif,
    encode_srgb8,
    encode_tinted8,
    write_picture,
)
from sentinel.jobs.simulate.light import limb_darkening
from sentinel.jobs.simulate.render import render
from sentinel.jobs.simulate.scene import Scene, SunDisc

IMAGE = render(
    Scene(width_px=160, height_px=120, sun=SunDisc(x_px=80.3, y_px=60.2, radius_px=40), noise=None)
)
TAGS = Exif(
    taken=datetime(2027, 6, 21, 3, 2, 1, tzinfo=UTC), exposure_s=1 / 500, iso=100, aperture=8.0, model="F1"
)


# IEC 61966-2-1, from memory: the curve's two pieces meet at 0.0031308 / 0.04045; 0.5 encoded is 0.21404
# linear, mid-grey 0.18 linear is 118 of 255, 50 % linear is 188 of 255.
def test_srgb_against_the_standard() -> None:
    assert srgb_encode(0.0031308) == pytest.approx(0.04045, abs=1e-5)
    assert srgb_decode(0.5) == pytest.approx(0.21404, abs=1e-5)
    assert encode_srgb8(np.array([0.0, 0.18, 0.5, 1.0, 7.0, -0.2], dtype=np.float32)).tolist() == [
        0,
        118,
        188,
        255,
        255,
        0,
    ]


def test_srgb_comes_back() -> None:
    level = np.linspace(0, 1, 1001)
    assert srgb_decode(srgb_encode(level)) == pytest.approx(level, abs=1e-9)


@pytest.mark.parametrize("wavelength_nm", [400.0, 700.0])
def test_no_limb_darkening_outside_the_table(wavelength_nm: float) -> None:
    with pytest.raises(ValueError, match=r"443\.885 to 669\.4 nm"):
        limb_darkening(np.array([0.5]), wavelength_nm)


def test_fields_are_of_zero_mean_and_unit_variance() -> None:
    fields = [
        smooth_field(np.arange(0.0, 2000, 10), np.arange(0.0, 2000, 10), scale=60, seed=seed)
        for seed in range(4)
    ]
    assert np.mean(fields) == pytest.approx(0.0, abs=0.05)
    assert np.std(fields) == pytest.approx(1.0, abs=0.08)
    series = smooth_series(np.arange(0.0, 160_000), scale=40, seed=1)
    assert (series.mean(), series.std()) == pytest.approx((0.0, 1.0), abs=0.03)


def test_a_field_is_the_same_however_it_is_looked_at() -> None:
    x, y = np.arange(-50.0, 150, 7), np.arange(300.0, 420, 5)
    grid = smooth_field(x, y, scale=90, seed=6, octaves=5)
    points = smooth_at(*np.meshgrid(x, y), scale=90, seed=6, octaves=5)
    assert np.allclose(grid, points, atol=1e-4)
    assert smooth_field(x[3:8], y[2:4], scale=90, seed=6, octaves=5) == pytest.approx(
        grid[2:4, 3:8], abs=1e-5
    )


def test_jpeg_keeps_the_light(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    write_picture(path, IMAGE, TAGS, quality=95)
    with Image.open(path) as picture:
        assert picture.mode == "RGB"
        grey = np.asarray(picture.convert("L"), dtype=float)
    assert np.abs(grey - encode_srgb8(IMAGE)).mean() < 0.5
    inner = np.hypot(*(np.mgrid[:120, :160] - np.array([60.2, 80.3])[:, None, None])) < 30
    assert srgb_decode(grey / 255)[inner].mean() == pytest.approx(IMAGE[inner].mean(), rel=0.005)


def test_a_tint_is_in_linear_light() -> None:
    values = encode_tinted8(np.full((1, 1), 0.5, dtype=np.float32), WARM_FILTER)[0, 0]
    assert srgb_decode(values / 255) == pytest.approx(0.5 * np.array(WARM_FILTER), rel=0.02)


def test_exif_is_read_back(tmp_path: Path) -> None:
    taken = datetime(2027, 6, 21, 3, 2, 1, 437_000, tzinfo=timezone(timedelta(hours=2)))
    path = tmp_path / "a.jpg"
    write_picture(path, IMAGE, replace(TAGS, taken=taken, orientation=6))
    with Image.open(path) as picture:
        exif = picture.getexif()
        inner = exif.get_ifd(ExifTags.IFD.Exif)
    # Tag numbers of the Exif standard 2.31.
    assert inner[0x9003] == "2027:06:21 03:02:01"
    assert inner[0x9291] == "437"
    assert inner[0x9011] == "+02:00"
    assert float(inner[0x829A]) == pytest.approx(1 / 500)
    assert inner[0x8827] == 100
    assert float(inner[0x829D]) == 8.0
    assert exif[0x0112] == 6
    assert exif[0x0110] == "F1"


def test_deep_files_hold_the_light(tmp_path: Path) -> None:
    for file_format in ("tif", "png", "fits"):
        write_picture(tmp_path / f"a.{file_format}", IMAGE, TAGS, file_format)
    with Image.open(tmp_path / "a.tif") as picture:
        assert np.allclose(np.asarray(picture) / 65_535, IMAGE, atol=1e-5)
    with Image.open(tmp_path / "a.png") as picture:
        assert np.array_equal(np.asarray(picture), encode_srgb8(IMAGE))
    header, data = (fits.getheader(tmp_path / "a.fits"), fits.getdata(tmp_path / "a.fits", memmap=False))
    assert np.allclose(data / 65_535, IMAGE, atol=1e-5)
    assert header["DATE-OBS"] == "2027-06-21T03:02:01.000"


def test_jpeg_bytes_are_the_same_each_time(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg"):
        write_picture(tmp_path / name, IMAGE, TAGS, quality=90)
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()
