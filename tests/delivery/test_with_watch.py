"""From a file in the camera's folder to a phone: the whole way, once."""

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sentinel.core.settings import Settings
from tests.delivery.receivers import PASSWORD, TOKEN, http_receiver, secret_file
from tests.watch.files import jpeg, put
from tests.watch.running import Running, SetClock, settings_for

NOON = datetime(2027, 6, 21, 10, 0, tzinfo=UTC)


def glaring(taken: datetime) -> bytes:
    """A frame as it looks when the solar filter has come off: invented, and white all over."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    sink = io.BytesIO()
    Image.fromarray(np.full((200, 300), 255, dtype=np.uint8)).save(sink, "JPEG", exif=exif)
    return sink.getvalue()


@pytest.mark.slow
def test_a_lost_filter_sounds_the_siren_and_reaches_the_phone_with_its_picture(tmp_path: Path) -> None:
    folder, state, sounded = tmp_path / "frames", tmp_path / "state", tmp_path / "sounded"
    folder.mkdir()
    clock = SetClock()
    clock.step((NOON - clock.now_utc()).total_seconds())
    with http_receiver() as receiver:
        beat = secret_file(tmp_path, "beat", f"http://127.0.0.1:{receiver.port}/{TOKEN}")
        plain = settings_for(folder, heartbeat={"url_from": beat, "every_min": 0.05})
        channels = [
            {"name": "siren", "command": ["touch", str(sounded)], "severities": ["now"]},
            {"name": "phone", "url_from": secret_file(tmp_path, "url", receiver.url)},
        ]
        settings = Settings.model_validate(plain.model_dump() | {"channels": channels})
        naive = NOON.replace(tzinfo=None) - timedelta(minutes=10)
        for number in range(8):
            put(folder / f"{number}.jpg", jpeg(number, start=naive), age_s=600 - 60 * number)
        with Running(settings, state, clock) as watch:
            watch.wait(lambda: len(watch.names()) == 8)
            put(folder / "8.jpg", glaring(naive + timedelta(minutes=8)))
            watch.wait(receiver.pictures)
            watch.wait(sounded.exists)
            watch.wait(lambda: receiver.pings >= 2)
    titles = receiver.titles()
    assert any(title.startswith("DO NOT LOOK IN") for title in titles)
    (picture,) = receiver.pictures()
    assert len(picture) <= 40_000
    assert Image.open(io.BytesIO(picture)).size[0] > 200
    assert len(Image.open(io.BytesIO(picture)).getexif()) == 0
    for path in state.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert TOKEN.encode() not in content
            assert PASSWORD.encode() not in content
