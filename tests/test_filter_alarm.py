"""From pixels to the alert: a solar filter that goes, in part or whole, is told by the second frame."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import ExifTags, Image

from sentinel.jobs.replay import ReplayRequest, replay
from tests.measure.second import View, colours_of

START_UTC = datetime(2027, 6, 20, 10, 0, tzinfo=UTC)
BEFORE, AFTER = 14, 2
CONFIG = """
site: {latitude_deg: 70.37, longitude_deg: 31.1}
camera: {focal_length_mm: 400, pixel_pitch_um: 12.4, interval_s: 60}
"""
SUN = View(width=900, height=600, x=452.0, y=301.0, radius=150.0, light=0.5)
ORANGE_RED = (1.0, 0.3, 0.05)


def shot(view: View, minute: int, folder: Path) -> None:
    """Write a frame as a camera does, its time in the header."""
    exif = Image.Exif()
    taken = f"{START_UTC + timedelta(minutes=minute):%Y:%m:%d %H:%M:%S}"
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = taken
    Image.fromarray(colours_of(replace(view, seed=minute))).save(
        folder / f"{minute:04d}.jpg", quality=90, exif=exif
    )


@pytest.mark.parametrize(
    ("bare", "found"),
    [
        # Light past a rim that lifted: the disc is still seen, burnt out.
        (replace(SUN, light=3.0, glow=0.05), True),
        (replace(SUN, light=3.0, filter_rgb=ORANGE_RED), True),
        # Half of the opening is bare: no limb is left, a part of the frame is white.
        (replace(SUN, light=60.0, glow=0.5, glow_radii=0.5), False),
        # All of it.
        (replace(SUN, light=3000.0, glow=0.5, glow_radii=2.0), False),
    ],
)
def test_a_filter_that_goes_is_told_by_the_second_frame(bare: View, found: bool, tmp_path: Path) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    (folder / "config.yaml").write_text(CONFIG, encoding="utf-8")
    filtered = replace(SUN, filter_rgb=bare.filter_rgb)
    for minute in range(BEFORE):
        shot(filtered, minute, folder)
    for minute in range(BEFORE, BEFORE + AFTER):
        shot(bare, minute, folder)
    replay(ReplayRequest(folder, out))
    told = [json.loads(line) for line in (out / "alerts.jsonl").read_text(encoding="utf-8").splitlines()]
    alarms = [one for one in told if one["condition"] == "over-bright"]
    assert [one["severity"] for one in alarms] == ["now"]
    assert alarms[0]["time_utc"] <= f"{START_UTC + timedelta(minutes=BEFORE + 1):%Y-%m-%dT%H:%M:%S}Z"
    assert [one["condition"] for one in told if one["severity"] == "now"] == ["over-bright"]
    incidents = [
        json.loads(line) for line in (out / "incidents.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    opened = next(one for one in incidents if one["condition"] == "over-bright")
    assert opened["detail"]["disc_found"] == found
