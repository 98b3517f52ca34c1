"""The check reads a few frames of the folder: what they contradict is found before the first night."""

import os
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sentinel.core.settings import Settings, validate
from sentinel.core.times import utc_s
from sentinel.service.watch.check_frames import contradictions
from tests.watch.files import T0, jpeg, put

LENS = {"focal_length_mm": 400.0, "pixel_pitch_um": 45.8}
SITE = {"latitude_deg": 70.0, "longitude_deg": 30.0}


def settings_with(**sections: dict[str, Any]) -> Settings:
    """A lens that fits the pictures of `files.jpeg`, under their midnight sun, and what is changed."""
    content: dict[str, Any] = {"site": SITE, "camera": LENS}
    for name, section in sections.items():
        content[name] = content.get(name, {}) | section
    return validate(content, where="test")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return arrived(tmp_path, late_s=4.0)


def arrived(folder: Path, *, late_s: float = 4.0, spread_s: float = 2.0, zone: str | None = None) -> Path:
    """Twelve pictures, each written so long after its exposure."""
    for number in range(12):
        path = put(folder / f"{number:03d}.jpg", jpeg(number, zone=zone))
        taken = utc_s(T0.replace(tzinfo=UTC) + timedelta(minutes=number))
        os.utime(path, (0, taken + late_s + spread_s * (number % 3)))
    return folder


def test_frames_that_fit_the_settings_contradict_nothing(folder: Path) -> None:
    assert list(contradictions(folder, settings_with())) == []


def test_a_camera_that_is_called_wrong_is_no_matter_in_an_empty_folder(tmp_path: Path) -> None:
    assert list(contradictions(tmp_path, settings_with(camera={"focal_length_mm": 40.0}))) == []


@pytest.mark.parametrize(
    ("late_s", "says"),
    [
        (
            -7200 + 5,
            "exposures are steadily 2 h ahead of their files; the files name no time zone, .* write 7200",
        ),
        (3600 * 5.5 + 5, "5 h 30 min behind .* write -19800"),
        (240, "4 min behind .* write -240"),
        (86_400 * 200, "200 days behind"),
    ],
)
def test_a_clock_that_disagrees_is_told_with_the_offset_to_set(
    tmp_path: Path, late_s: float, says: str
) -> None:
    (line,) = contradictions(arrived(tmp_path, late_s=late_s), settings_with())
    assert line.startswith("camera.clock_offset_s: ")
    assert re.search(says, line), line


def test_a_clock_whose_zone_the_files_name_is_not_said_to_lack_one(tmp_path: Path) -> None:
    (line,) = contradictions(arrived(tmp_path, late_s=240, zone="+00:00"), settings_with())
    assert "4 min behind their files; if this computer's clock" in line


def test_the_offset_that_was_told_ends_the_complaint(tmp_path: Path) -> None:
    arrived(tmp_path, late_s=-7200 + 5)
    # The exposures are at night by the offset; the place is another matter under a midnight sun.
    assert list(contradictions(tmp_path, settings_with(camera={"clock_offset_s": 7200.0}))) == []
    assert list(contradictions(tmp_path, settings_with(camera={"clock_offset_s": "auto"}))) == []


def test_a_card_that_was_copied_tells_nothing_of_the_clock(tmp_path: Path) -> None:
    arrived(tmp_path)
    copied = datetime(2027, 7, 1, tzinfo=UTC).timestamp()
    for number, path in enumerate(sorted(tmp_path.iterdir())):
        os.utime(path, (0, copied + 0.1 * number))
    assert list(contradictions(tmp_path, settings_with())) == []


SHIPPED = Path(__file__).parents[2] / "replay_data" / "midnight-sun"


@pytest.fixture
def rendered(tmp_path: Path) -> Path:
    """Four of the shipped frames: 400 mm, 23.52 um, the sun north over Vardo."""
    for path in sorted(SHIPPED.rglob("*.JPG"))[200:204]:
        put(tmp_path / path.name, path.read_bytes())
    return tmp_path


OF_SHIPPED = {"focal_length_mm": 400.0, "pixel_pitch_um": 23.52, "clock_offset_s": 37.4}


def test_the_shipped_frames_contradict_nothing(rendered: Path) -> None:
    assert list(contradictions(rendered, settings_with(camera=OF_SHIPPED))) == []


def test_a_lens_that_the_disc_contradicts_is_told_with_what_it_is(rendered: Path) -> None:
    (line,) = contradictions(rendered, settings_with(camera=OF_SHIPPED | {"focal_length_mm": 560.0}))
    assert line.startswith("camera.focal_length_mm: ")
    assert any(f"the lens is {mm} mm" in line for mm in range(396, 405)), line


def test_a_latitude_of_the_wrong_sign_is_told(rendered: Path) -> None:
    (line,) = contradictions(rendered, settings_with(camera=OF_SHIPPED, site={"latitude_deg": -70.0}))
    assert line.startswith("site: a sun is seen at 2027-06-20 21:")
    assert "with site.latitude_deg 70 it was up" in line


def test_a_margin_that_leaves_no_room_is_told(folder: Path) -> None:
    for margin, says in (
        (150.0, "leaves nothing of a frame of 200 px"),
        (70.0, "do not fit into 200 px"),
    ):
        (line,) = contradictions(folder, settings_with(frames={"margin_px": margin}))
        assert line.startswith("frames.margin_px: ")
        assert says in line


def test_files_that_are_no_pictures_do_not_end_the_check(folder: Path) -> None:
    put(folder / "999.jpg", b"not a picture")
    os.mkfifo(folder / "998.jpg")
    assert list(contradictions(folder, settings_with())) == []
