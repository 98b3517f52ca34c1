"""Files of every kind, whole and broken, as pictures or as one line that says what is wrong."""

import io
import os
import socket
import struct
import sys
import zlib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from math import isnan
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import ExifTags, Image

from sentinel.chain.intake import decode
from sentinel.chain.intake.decode import read_header, read_picture
from sentinel.chain.intake.examine import MeasureJob, examine
from sentinel.chain.intake.exif import parse_time, parse_zone
from sentinel.chain.intake.pixels import HOLE
from sentinel.core.errors import FrameProblem
from tests.measure.scenes import Scene, render_linear

RNG = np.random.default_rng(8)
GREY = np.round(np.linspace(0, 200, 96 * 64).reshape(64, 96) + RNG.normal(0, 3, (64, 96))).clip(0, 255)
GREY8 = GREY.astype(np.uint8)
GREY16 = (GREY * 250).astype(np.uint16)


def jpeg(mode: str = "L", **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(GREY8).convert(mode).save(buffer, "JPEG", quality=95, **options)
    return buffer.getvalue()


def exif_of(tags: Mapping[Any, object], top: Mapping[Any, object] | None = None) -> Image.Exif:
    block = Image.Exif()
    block.get_ifd(ExifTags.IFD.Exif).update(tags)
    block.update(top or {})
    return block


def save(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def problem_of(path: Path, read: Callable[[Path], object] = read_picture) -> str:
    with pytest.raises(FrameProblem) as caught:
        read(path)
    line = str(caught.value)
    assert "\n" not in line
    assert path.name.split("\n")[0] in line
    return line


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"optimize": True}])
@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
def test_a_jpeg_of_any_make_is_grey_at_full_size(
    tmp_path: Path, mode: str, options: dict[str, object]
) -> None:
    picture = read_picture(save(tmp_path / "a.jpg", jpeg(mode, **options)))
    assert picture.values.shape == (64, 96)
    assert picture.values.dtype == np.uint8
    assert (picture.transfer, picture.full_scale, picture.step) == ("srgb", 255.0, 1)
    assert np.abs(picture.values.astype(float) - GREY8).mean() < 2.5


def test_a_jpeg_of_several_pictures_gives_the_first(tmp_path: Path) -> None:
    path = tmp_path / "pair.jpg"
    first, second = Image.fromarray(GREY8), Image.fromarray(255 - GREY8)
    first.save(path, "MPO", save_all=True, append_images=[second], quality=95)
    assert np.abs(read_picture(path).values.astype(float) - GREY8).mean() < 2.5
    cut = save(tmp_path / "cut.jpg", path.read_bytes()[:-900])
    assert read_picture(cut).values.shape == (64, 96)


def test_bytes_behind_a_jpeg_do_no_harm(tmp_path: Path) -> None:
    assert read_picture(save(tmp_path / "a.jpg", jpeg() + bytes(4096))).values.shape == (64, 96)


@pytest.mark.parametrize(
    ("name", "pixels", "kind", "transfer"),
    [
        ("a.png", GREY8, np.uint8, "srgb"),
        ("b.png", GREY16, np.uint16, "srgb"),
        ("a.tif", GREY8, np.uint8, "srgb"),
        ("b.tif", GREY16, np.uint16, "linear"),
    ],
)
def test_png_and_tiff_keep_their_depth(
    tmp_path: Path, name: str, pixels: np.ndarray, kind: type, transfer: str
) -> None:
    Image.fromarray(pixels).save(tmp_path / name)
    picture = read_picture(tmp_path / name)
    assert picture.values.dtype == kind
    assert np.array_equal(picture.values, pixels)
    assert picture.transfer == transfer
    assert picture.full_scale == np.iinfo(kind).max


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_sixteen_bit_colour_tiff_in_either_byte_order(tmp_path: Path, order: str, planar: str) -> None:
    colour = np.stack([GREY16] * 3, axis=-1 if planar == "contig" else 0)
    tifffile.imwrite(
        tmp_path / "a.tif",
        colour,
        byteorder=cast(Any, order),
        photometric="rgb",
        planarconfig=cast(Any, planar),
    )
    picture = read_picture(tmp_path / "a.tif")
    assert np.abs(picture.values.astype(int) - GREY16.astype(int)).max() <= 1


def test_the_transfer_curve_can_be_set(tmp_path: Path) -> None:
    path = save(tmp_path / "a.jpg", jpeg())
    assert read_picture(path, transfer="linear").transfer == "linear"


def test_fits_keeps_its_first_row_first_and_says_utc(tmp_path: Path) -> None:
    header = fits.Header({"DATE-OBS": "2031-06-21T02:14:05.25", "EXPTIME": 0.004, "INSTRUME": "Fernlicht F1"})
    fits.writeto(tmp_path / "a.fits", GREY16, header)
    picture = read_picture(tmp_path / "a.fits")
    assert np.array_equal(picture.values, GREY16)
    assert picture.transfer == "linear"
    assert picture.full_scale == 65535.0
    assert picture.header.taken == datetime(2031, 6, 21, 2, 14, 5, 250000)  # noqa: DTZ001
    assert picture.header.taken_is_utc
    assert picture.header.exposure_s == 0.004
    assert picture.header.camera == "Fernlicht F1"


@pytest.mark.parametrize(
    ("pixels", "full"), [(GREY8, 255.0), (GREY.astype(np.float32) * 9, GREY.max() * 9), (GREY / 300, 1.0)]
)
def test_fits_of_other_numbers(tmp_path: Path, pixels: np.ndarray, full: float) -> None:
    fits.writeto(tmp_path / "a.fits", pixels)
    picture = read_picture(tmp_path / "a.fits")
    assert picture.full_scale == pytest.approx(full)
    assert picture.values == pytest.approx(pixels, rel=1e-5)


def test_fits_colour_planes_and_a_picture_behind_an_empty_first_part(tmp_path: Path) -> None:
    planes = np.stack([GREY16] * 3)
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(planes)]).writeto(tmp_path / "a.fits")
    picture = read_picture(tmp_path / "a.fits")
    assert (picture.header.width_px, picture.header.height_px) == (96, 64)
    assert np.abs(picture.values.astype(int) - GREY16.astype(int)).max() <= 1


def test_a_header_tells_time_zone_and_exposure(tmp_path: Path) -> None:
    base = ExifTags.Base
    tags = {
        base.DateTimeOriginal: "2031:06:21 02:14:05",
        base.SubsecTimeOriginal: "437",
        base.OffsetTimeOriginal: "+02:00",
        base.ExposureTime: 0.008,
        base.ISOSpeedRatings: 200,
        base.FNumber: 8.0,
    }
    block = exif_of(tags, {base.Make: "Fernlicht", base.Model: "Fernlicht F1", base.Orientation: 6})
    header = read_header(save(tmp_path / "a.jpg", jpeg(exif=block)))
    assert header.taken == datetime(2031, 6, 21, 2, 14, 5, 437000)  # noqa: DTZ001
    assert header.zone_offset == timedelta(hours=2)
    assert (header.exposure_s, header.iso, header.aperture) == pytest.approx((0.008, 200, 8))
    assert header.camera == "Fernlicht F1"
    assert (header.width_px, header.height_px) == (96, 64)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_never_turns_the_pixels(tmp_path: Path, orientation: int) -> None:
    block = exif_of({}, {ExifTags.Base.Orientation: orientation})
    picture = read_picture(save(tmp_path / "a.jpg", jpeg(exif=block)))
    assert np.array_equal(picture.values, read_picture(save(tmp_path / "b.jpg", jpeg())).values)


@pytest.mark.parametrize(
    ("text", "fraction", "micro"), [("2031:06:21 02:14:05", "5", 500000), ("2031-06-21T02:14:05", "", 0)]
)
def test_times_as_cameras_write_them(text: str, fraction: str, micro: int) -> None:
    assert parse_time(text, fraction) == datetime(2031, 6, 21, 2, 14, 5, micro)  # noqa: DTZ001


@pytest.mark.parametrize(
    "text", ["", "    :  :     :  :  ", "0000:00:00 00:00:00", "2031:13:40 99:99:99", "now"]
)
def test_a_camera_that_does_not_know_the_time_says_none(text: str) -> None:
    assert parse_time(text) is None


def test_zones() -> None:
    assert parse_zone("-03:30") == -timedelta(hours=3, minutes=30)
    assert parse_zone("   :  ") is None
    assert parse_zone("+99:00") is None


def test_a_file_without_tags_leaves_them_out(tmp_path: Path) -> None:
    header = read_header(save(tmp_path / "a.jpg", jpeg()))
    assert header.taken is None
    assert isnan(header.exposure_s)
    assert header.camera == ""


def test_tags_that_make_no_sense_are_a_doubt_and_no_error(tmp_path: Path) -> None:
    content = jpeg(exif=b"Exif\0\0MM\0*\0\0\xff\xff" + bytes(range(60)))
    picture = read_picture(save(tmp_path / "a.jpg", content))
    assert picture.values.shape == (64, 96)
    assert picture.header.taken is None


def test_what_a_file_is_its_first_bytes_decide(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.fromarray(GREY8).save(buffer, "PNG")
    picture = read_picture(save(tmp_path / "a.jpg", buffer.getvalue()))
    assert np.array_equal(picture.values, GREY8)
    assert decode.MISNAMED in picture.flags


@pytest.mark.parametrize("share", [0.001, 0.1, 0.5, 0.9, 0.995])
@pytest.mark.parametrize("kind", ["jpg", "png", "tif", "fits"])
def test_a_truncated_file_is_an_error(tmp_path: Path, kind: str, share: float) -> None:
    whole = tmp_path / f"whole.{kind}"
    noisy = RNG.integers(0, 255, (200, 300)).astype(np.uint8)
    if kind == "fits":
        fits.writeto(whole, noisy)
        # The last block of a FITS file is padding; without some of it the picture is whole.
        share = min(share, 0.9)
    else:
        Image.fromarray(noisy).save(whole)
    content = whole.read_bytes()
    problem_of(save(tmp_path / f"cut.{kind}", content[: max(1, int(len(content) * share))]))


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("options", [{}, {"optimize": True}, {"progressive": True}])
def test_a_hole_in_a_jpeg_is_an_error_or_a_doubt(
    tmp_path: Path, options: dict[str, object], share: float
) -> None:
    buffer = io.BytesIO()
    noisy = RNG.integers(0, 255, (300, 400)).astype(np.uint8)
    Image.fromarray(noisy).save(buffer, "JPEG", quality=92, **options)
    content = bytearray(buffer.getvalue())
    start = int(len(content) * share)
    content[start : start + 4096] = bytes(4096)
    path = save(tmp_path / "a.jpg", bytes(content))
    try:
        assert HOLE in read_picture(path).flags
    except FrameProblem as problem:
        assert "damaged" in str(problem)  # noqa: PT017
    assert HOLE not in read_picture(save(tmp_path / "b.jpg", buffer.getvalue())).flags


@pytest.mark.parametrize("options", [{"optimize": True}, {"progressive": True}])
@pytest.mark.parametrize("colours", [1, 3])
def test_black_sky_is_no_hole(tmp_path: Path, options: dict[str, object], colours: int) -> None:
    sky = np.zeros((1600, 2400), np.uint8)
    sky[600:900, 1000:1400] = RNG.integers(90, 200, (300, 400))
    buffer = io.BytesIO()
    picture = sky if colours == 1 else np.repeat(sky[..., None], 3, axis=2)
    Image.fromarray(picture).save(buffer, "JPEG", quality=90, **options)
    assert bytes(1024) in buffer.getvalue()
    assert HOLE not in read_picture(save(tmp_path / "a.jpg", buffer.getvalue())).flags


@pytest.mark.parametrize("levels", [2, 8, 64])
def test_a_palette_png_is_its_colours(tmp_path: Path, levels: int) -> None:
    steps = np.linspace(0, 255, levels).astype(np.uint8)
    values = steps[RNG.integers(0, levels, (40, 60))]
    colour = np.stack([values, values // 2, values // 4], axis=2)
    path = tmp_path / "a.png"
    Image.fromarray(colour).quantize(levels).save(path)
    grey = colour @ np.array([0.299, 0.587, 0.114])
    assert np.abs(read_picture(path).values - grey).max() < 2.5


@pytest.mark.parametrize(
    "content", [b"", b"\xff", b"hello", bytes(5000), b"GIF89a" + bytes(100), b"\xff\xd8\xff"]
)
def test_what_is_no_picture_is_an_error(tmp_path: Path, content: bytes) -> None:
    problem_of(save(tmp_path / "a.jpg", content))
    problem_of(tmp_path / "a.jpg", read_header)


def test_random_bytes_behind_every_signature_are_errors(tmp_path: Path) -> None:
    for number, (signature, _) in enumerate(decode._SIGNATURES):
        problem_of(save(tmp_path / f"{number}.jpg", signature + RNG.bytes(3000)))


def test_special_files_are_errors_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    assert "named pipe" in problem_of(tmp_path / "pipe.jpg")
    (tmp_path / "folder.jpg").mkdir()
    assert "folder" in problem_of(tmp_path / "folder.jpg")
    (tmp_path / "link.jpg").symlink_to(tmp_path / "nowhere")
    assert "link" in problem_of(tmp_path / "link.jpg")
    with socket.socket(socket.AF_UNIX) as end:
        end.bind(str(tmp_path / "s.jpg"))
        problem_of(tmp_path / "s.jpg")
    problem_of(tmp_path / "missing.jpg")


def test_a_name_that_breaks_lines_cannot_break_the_message(tmp_path: Path) -> None:
    path = save(tmp_path / "a\nb.jpg", b"junk")
    with pytest.raises(FrameProblem) as caught:
        read_picture(path)
    assert "\n" not in str(caught.value)


def png_claiming(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    data = zlib.compress(bytes(200_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width", "height"), [(20_000, 20_000), (60_000, 60_000), (2_000_000_000, 1)])
def test_a_giant_is_refused_before_its_pixels_are_made(tmp_path: Path, width: int, height: int) -> None:
    line = problem_of(save(tmp_path / "a.png", png_claiming(width, height)))
    assert "pixels" in line or "damaged" in line


def test_a_giant_fits_is_refused(tmp_path: Path) -> None:
    fits.writeto(tmp_path / "a.fits", GREY8)
    content = (
        (tmp_path / "a.fits")
        .read_bytes()
        .replace(b"NAXIS1  =                   96", b"NAXIS1  =              9000000")
    )
    problem_of(save(tmp_path / "b.fits", content))


def test_a_file_larger_than_any_frame_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    with path.open("wb") as file:
        file.write(jpeg())
        file.truncate(decode.MAX_FILE_BYTES + 1)
    assert "MB" in problem_of(path)


def test_a_raw_file_says_what_to_install_where_nothing_reads_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "rawpy", None)
    Image.fromarray(GREY8).save(tmp_path / "a.tif")
    assert "pip install 'rawpy" in problem_of((tmp_path / "a.tif").rename(tmp_path / "a.nef"))


def test_a_broken_raw_file_is_an_error(tmp_path: Path) -> None:
    pytest.importorskip("rawpy")
    problem_of(save(tmp_path / "a.cr2", b"II*\0" + RNG.bytes(4000)))


def test_reading_leaves_no_file_open(tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0  # noqa: PTH208
    (tmp_path / "folder.jpg").mkdir()
    save(tmp_path / "a.jpg", jpeg())
    for _ in range(20):
        read_picture(tmp_path / "a.jpg")
        problem_of(tmp_path / "folder.jpg")
    after = len(os.listdir("/proc/self/fd")) if before else 0  # noqa: PTH208
    assert after <= before + 1


def raw_file(path: Path, light: np.ndarray, gains: tuple[float, float, float]) -> Path:
    """Write light seen through a mosaic of red, green and blue filters as a plain DNG."""
    red, green, blue = gains
    mosaic = np.tile([[red, green], [green, blue]], (light.shape[0] // 2, light.shape[1] // 2))
    values = np.clip(light * mosaic * 15000 + 512, 0, 16383).astype(np.uint16)
    tags = [
        (50706, "B", 4, (1, 4, 0, 0), True), (50708, "s", 0, "Invented Camera", True),
        (33421, "H", 2, (2, 2), True), (33422, "B", 4, (0, 1, 1, 2), True),
        (50714, "H", 1, (512,), True), (50717, "H", 1, (16383,), True),
        (50721, "2i", 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (271, "s", 0, "Invented", True), (272, "s", 0, "Camera", True),
        (306, "s", 0, "2031:06:21 02:14:07", True),
    ]  # fmt: skip
    tifffile.imwrite(path, values, photometric=32803, extratags=tags)
    return path


@pytest.mark.parametrize("gains", [(0.6, 1.0, 0.5), (0.9, 0.02, 0.0), (0.1, 0.5, 1.0)])
def test_a_raw_frame_lies_where_its_filters_saw_it(tmp_path: Path, gains: tuple[float, float, float]) -> None:
    pytest.importorskip("rawpy")
    scene = Scene(width=1200, height=900, x=610.3, y=407.7, radius=200.0, noise=0.002)
    frame = examine(MeasureJob(raw_file(tmp_path / "a.dng", render_linear(scene), gains), "a.dng"))
    assert (frame.error, frame.width_px, frame.height_px) == (None, 1200, 900)
    assert (frame.camera, frame.time_utc) == ("Invented Camera", datetime(2031, 6, 21, 2, 14, 7, tzinfo=UTC))
    # A red filter alone sees the sun from half a pixel off the middle of its square.
    assert frame.disc.x_px == pytest.approx(scene.x, abs=0.03)
    assert frame.disc.y_px == pytest.approx(scene.y, abs=0.03)
    assert frame.disc.radius_px == pytest.approx(200.0, abs=0.3)


def test_a_link_is_followed_to_its_picture(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    outside, inside = save(tmp_path / "a.jpg", jpeg()), save(folder / "b.jpg", jpeg())
    for target in (outside, inside):
        link = folder / f"to-{target.name}"
        link.symlink_to(target)
        assert read_picture(link).values.shape == (64, 96)
        assert read_header(link).width_px == 96
    assert read_picture(folder / "to-b.jpg", within=folder).values.shape == (64, 96)


def test_a_watch_follows_no_link_out_of_its_folder_and_says_why(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    link = folder / "a.jpg"
    link.symlink_to(save(tmp_path / "a.jpg", jpeg()))
    with pytest.raises(FrameProblem, match="link that leads out of the watched folder"):
        read_picture(link, within=folder)


def test_links_that_lead_nowhere_are_said_so(tmp_path: Path) -> None:
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "not-there.jpg")
    assert "not there" in str(problem_of(tmp_path / "gone.jpg"))
    (tmp_path / "round.jpg").symlink_to(tmp_path / "round.jpg")
    assert "circle" in str(problem_of(tmp_path / "round.jpg"))


@pytest.mark.parametrize("kind", ["jpg", "png", "tif"])
def test_the_brightest_channel_is_kept_beside_the_grey(tmp_path: Path, kind: str) -> None:
    colour = np.zeros((160, 240, 3), np.uint8)
    colour[:80] = (255, 90, 10)
    path = tmp_path / f"a.{kind}"
    Image.fromarray(colour).save(path, quality=95)
    picture = read_picture(path)
    assert picture.brightest is not None
    brightest = picture.brightest()
    assert brightest[: brightest.shape[0] // 3].min() > 250
    assert picture.values[:70].max() < 150
    assert read_picture(save(tmp_path / "grey.jpg", jpeg())).brightest is None
