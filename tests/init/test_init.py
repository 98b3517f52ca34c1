"""The first settings file: by options, by answers, off pictures; nothing is lost or stored unasked."""

import io
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from sentinel.core.errors import RequestProblem
from sentinel.core.plain_yaml import read_yaml
from sentinel.core.settings import Settings, Sleep, load_settings, validate
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.init.answers import sleep_answer
from sentinel.jobs.init.writing import EXAMPLE, EXAMPLE_HEAD, settings_text
from tests.command import Run, runner

ROOT = Path(__file__).parents[2]
FRAME = min((ROOT / "replay_data" / "midnight-sun").rglob("*.JPG"))
GPS, EXIF_IFD, FOCAL = 0x8825, 0x8769, 0x920A
PLACE = ("--latitude", "70.37", "--longitude", "31.1")
LENS = ("--focal-length-mm", "400", "--pixel-pitch-um", "3.92")


@pytest.fixture
def sentinel(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., tuple[int, str, str]]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PHONE_URL", "json://localhost/")
    (tmp_path / "in").mkdir()
    run: Run = runner(capsys, monkeypatch)
    return run


def picture(path: Path, *, latitude: float, focal_mm: float = 400.0) -> Path:
    """The shipped frame, its camera with a receiver and a lens that names itself."""
    with Image.open(FRAME) as image:
        exif = image.getexif()
        exif.get_ifd(EXIF_IFD)[FOCAL] = focal_mm
        degrees = abs(latitude)
        gps = exif.get_ifd(GPS)
        gps[1], gps[2] = "N" if latitude > 0 else "S", (float(int(degrees)), 60 * (degrees % 1), 0.0)
        gps[3], gps[4] = "E", (31.0, 6.0, 0.0)
        image.save(path, "JPEG", exif=exif, quality=90)
    return path


def test_the_example_is_what_init_writes() -> None:
    text = (ROOT / "config" / "example.yaml").read_text(encoding="utf-8")
    assert text == settings_text(EXAMPLE, EXAMPLE_HEAD)
    assert 18 <= len(text.splitlines()) <= 26
    values = [line for line in text.splitlines() if line.startswith("  ")]
    assert all("  # " in line for line in values), "every value says what it is"


def test_options_write_a_file_that_is_checked_and_say_what_comes_next(sentinel: Run, tmp_path: Path) -> None:
    args = ("init", "east.yaml", "--yes", *PLACE, *LENS, "--folder", "in", "--name", "Ridge east")
    people = ("--sleep", "22:30-06:00", "--zone", "Asia/Tokyo", "--channel", "phone=env:PHONE_URL")
    status, out, _ = sentinel(*args, *people)
    loaded = load_settings([tmp_path / "east.yaml"])
    assert (loaded.site.latitude_deg, loaded.camera.focal_length_mm) == (70.37, 400.0)
    assert loaded.camera.name == "Ridge east"
    assert loaded.frames.folder == str(tmp_path / "in")
    night = loaded.sleep.night_s(utc_s(datetime(2027, 6, 21, 10, tzinfo=UTC)))
    assert night is not None
    assert [f"{from_utc_s(time_s):%H:%M}" for time_s in night] == ["13:30", "21:00"], "Tokyo is 9 h ahead"
    assert loaded.channels[0].url_from == "env:PHONE_URL"
    assert "the sun is" in out
    assert "sentinel rehearse stop --config east.yaml" in out
    assert status in {0, 2}, "2 only where this computer's own clock or disk is found wrong"


def test_what_is_there_is_never_written_over(sentinel: Run, tmp_path: Path) -> None:
    kept = tmp_path / "sentinel.yaml"
    kept.write_text("mine", encoding="utf-8")
    status, _, err = sentinel("init", "--yes", *PLACE, *LENS, "--folder", "in")
    assert (status, kept.read_text(encoding="utf-8")) == (2, "mine")
    assert "left as it is" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (LENS, "not known: site.latitude_deg, site.longitude_deg, frames.folder; give --latitude, --longi"),
        (("--latitude", "97", *LENS), "--latitude: should be less than or equal to 90, not 97"),
        (("--latitude", "north"), "--latitude: not a number: 'north'"),
        ((*PLACE, *LENS, "--folder", "in", "--sleep", "late"), "--sleep: no hours of sleep: 'late'"),
        ((*PLACE, *LENS, "--folder", "in", "--zone", "Mars/Base"), "--zone: names no time zone"),
        ((*PLACE, *LENS, "--folder", "in", "--channel", "a b=env:X"), "--channel: name must be letters"),
        ((*PLACE, *LENS, "--folder", "in", "--channel", "a=json://secret-of-mine@h"), "--channel: url_from"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line_and_nothing_is_written(
    sentinel: Run, tmp_path: Path, options: tuple[str, ...], says: str
) -> None:
    status, _, err = sentinel("init", "--yes", *options)
    assert status == 2
    assert says in err
    assert err.count("\n") == 1
    assert "secret-of-mine" not in err
    assert not (tmp_path / "sentinel.yaml").exists()


def test_questions_are_asked_again_until_the_answer_can_be_taken(
    sentinel: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replies = ["97", "70.37", "31.1", "", "400", "3.92", "", "", "in", "25", "-", "21:00-05:00", "-"]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(replies) + "\n"))
    _, _, err = sentinel("init")
    assert "--latitude: should be less than or equal to 90, not 97" in err
    content = read_yaml(tmp_path / "sentinel.yaml")
    assert content["site"] == {"latitude_deg": 70.37, "longitude_deg": 31.1}
    assert content["camera"]["name"] == "camera"
    assert content["visit"] == {"travel_min": 25.0}
    assert content["sleep"] == {"from_utc": "21:00", "until_utc": "05:00"}
    assert "alerts" not in content
    assert "channels" not in content


def settings_off(sentinel: Run, tmp_path: Path, *options: object) -> Settings:
    (tmp_path / "sentinel.yaml").unlink(missing_ok=True)
    status, _, err = sentinel("init", "--yes", "--folder", "in", *options)
    assert (tmp_path / "sentinel.yaml").exists(), err
    assert status in {0, 2}
    return load_settings([tmp_path / "sentinel.yaml"])


def test_the_disc_gives_what_of_the_lens_is_not_told(sentinel: Run, tmp_path: Path) -> None:
    """The shipped frames were rendered for 400 mm and 23.52 um, 1500 pixels wide: 35.28 mm."""
    for told in (
        ("--focal-length-mm", "400"),
        ("--pixel-pitch-um", "23.52"),
        ("--sensor-width-mm", "35.28"),
    ):
        camera = settings_off(sentinel, tmp_path, *PLACE, "--picture", FRAME, *told).camera
        assert camera.focal_length_mm == pytest.approx(400, rel=0.005)
        assert camera.pixel_pitch_um == pytest.approx(23.52, rel=0.005)


def test_a_lens_that_the_disc_contradicts_is_refused(sentinel: Run, tmp_path: Path) -> None:
    options = ("--picture", FRAME, "--focal-length-mm", "280", "--pixel-pitch-um", "23.52")
    status, _, err = sentinel("init", "--yes", *PLACE, "--folder", "in", *options)
    assert status == 2
    assert "a converter?" in err
    assert any(f"it is {focal} mm" in err for focal in (399, 400, 401)), err
    assert not (tmp_path / "sentinel.yaml").exists()


def test_the_place_of_pictures_is_stored_only_when_it_was_said(sentinel: Run, tmp_path: Path) -> None:
    pictures = [picture(tmp_path / f"{name}.jpg", latitude=-33.75) for name in "ab"]
    options = ("--picture", pictures[0], "--picture", pictures[1])
    status, _, err = sentinel("init", "--yes", "--folder", "in", *options)
    assert status == 2
    assert "--place-of-pictures" in err
    assert "33.7" not in err
    loaded = settings_off(sentinel, tmp_path, *options, "--place-of-pictures")
    assert loaded.site.latitude_deg == pytest.approx(-33.75, abs=1e-3)
    assert loaded.site.longitude_deg == pytest.approx(31.1, abs=1e-3)
    assert loaded.camera.pixel_pitch_um == pytest.approx(23.52, rel=0.005), "the header's 400 mm and the disc"


def test_pictures_that_disagree_about_the_place_tell_none(sentinel: Run, tmp_path: Path) -> None:
    pictures = picture(tmp_path / "a.jpg", latitude=60.0), picture(tmp_path / "b.jpg", latitude=61.0)
    options = ("--picture", pictures[0], "--picture", pictures[1], "--place-of-pictures")
    status, _, err = sentinel("init", "--yes", "--folder", "in", *options)
    assert status == 2
    assert "not known: site.latitude_deg" in err


def test_hours_of_sleep_are_those_of_the_zone() -> None:
    assert sleep_answer("22:30-06:00", "Europe/Oslo") == {
        "sleep.from_local": "22:30", "sleep.until_local": "06:00", "sleep.zone": "Europe/Oslo",
    }  # fmt: skip
    assert sleep_answer("22:30 - 06:00", None) == {"sleep.from_utc": "22:30", "sleep.until_utc": "06:00"}
    for wrong in ("", "22", "22:30", "25:00-06:00", "a-b", "1-2-3"):
        with pytest.raises(RequestProblem):
            sleep_answer(wrong, None)


@pytest.mark.parametrize(
    ("now", "from_utc", "until_utc"),
    [
        ("2027-01-10T12:00", "01-10 21:30", "01-11 05:00"),
        ("2027-06-21T12:00", "06-21 20:30", "06-22 04:00"),
        ("2027-06-22T03:59", "06-21 20:30", "06-22 04:00"),
        ("2027-06-22T04:01", "06-22 20:30", "06-23 04:00"),
        # The clocks go forward, and back, while somebody sleeps.
        ("2027-03-27T23:00", "03-27 21:30", "03-28 04:00"),
        ("2027-10-30T23:00", "10-30 20:30", "10-31 05:00"),
    ],
)
def test_whoever_sleeps_by_the_clock_on_the_wall_sleeps_by_it_in_every_season(
    now: str, from_utc: str, until_utc: str
) -> None:
    sleep = Sleep(from_local="22:30", until_local="06:00", zone="Europe/Oslo")
    night = sleep.night_s(utc_s(datetime.fromisoformat(now).replace(tzinfo=UTC)))
    assert night is not None
    assert [f"{from_utc_s(time_s):%m-%d %H:%M}" for time_s in night] == [from_utc, until_utc]


@pytest.mark.parametrize(
    "wrong",
    [
        {"from_local": "22:30", "until_local": "06:00"},
        {"from_local": "22:30", "zone": "Europe/Oslo"},
        {"zone": "Europe/Oslo"},
        {
            "from_local": "22:30",
            "until_local": "06:00",
            "zone": "Europe/Oslo",
            "from_utc": "20:00",
            "until_utc": "05:00",
        },
    ],
)
def test_hours_of_sleep_told_in_part_or_twice_are_refused(wrong: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"zone \(or alerts.zone\) together|take one pair out"):
        Sleep.model_validate(wrong)


@pytest.mark.parametrize("own", [None, "Asia/Tokyo"])
def test_whoever_names_one_zone_sleeps_by_it(own: str | None) -> None:
    told: dict[str, Any] = {
        "site": {"latitude_deg": 60.0, "longitude_deg": 11.0},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 4.0},
        "alerts": {"zone": "Europe/Oslo"},
        "sleep": {"from_local": "22:30", "until_local": "06:00", "zone": own},
    }
    assert validate(told, where="east.yaml").sleep.zone == (own or "Europe/Oslo")
    with pytest.raises(
        RequestProblem, match=r"sleep needs from_local, until_local and zone \(or alerts.zone\)"
    ):
        validate({**told, "alerts": {}, "sleep": {**told["sleep"], "zone": None}}, where="east.yaml")


def test_settings_that_name_a_zone_and_no_sleep_are_read_again_as_they_are_kept() -> None:
    told: dict[str, Any] = {
        "site": {"latitude_deg": 60.0, "longitude_deg": 11.0},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 4.0},
        "alerts": {"zone": "Europe/Oslo"},
    }
    settings = validate(told, where="east.yaml")
    assert settings.sleep == Sleep()
    assert validate(settings.model_dump(mode="json"), where="the journal") == settings
