"""Stills, spots and dust on the page of a small rendered session. Invented, all of it."""

import base64
import io
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.page import write_report
from sentinel.jobs.report.pictures import Pictures, read_pictures, spread
from sentinel.jobs.report.record import read_record
from sentinel.jobs.report.spots import named_blobs
from sentinel.jobs.simulate.scene import Dust, Sunspot
from sentinel.jobs.simulate.session import simulate
from tests.report.sessions import dark, frame, journal_of
from tests.simulate.worlds import BINNED, midsummer

SPOTS = ((14.0, -30.0), (-20.0, 25.0))
DUST = ((455.0, 300.0), (500.0, 330.0))


@pytest.fixture(scope="module")
def pictures_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    camera = BINNED.model_copy(update={"width_px": 900, "height_px": 600, "interval_s": 420.0})
    scenario = midsummer(
        camera=camera,
        hours=7.0,
        mount={"azimuth_error_deg": 0.3, "altitude_error_deg": 0.4, "roll_deg": 25.0},
        spots=tuple(Sunspot(latitude_deg=lat, west_deg=west, radius=0.05) for lat, west in SPOTS),
        dust=tuple(Dust(x_px=x, y_px=y, radius_px=5, depth=0.25) for x, y in DUST),
        seed=4,
    )
    return simulate(scenario, tmp_path_factory.mktemp("pictures") / "session", workers=1).out


@pytest.fixture(scope="module")
def replayed(pictures_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("replayed")
    replay(ReplayRequest(pictures_folder, out))
    return out


@pytest.fixture(scope="module")
def seen(replayed: Path) -> tuple[Analysis, Pictures]:
    analysis = Analysis(read_record(replayed))
    return analysis, read_pictures(analysis)


def test_spots_and_dust_are_where_they_were_put(seen: tuple[Analysis, Pictures]) -> None:
    analysis, pictures = seen
    named = named_blobs(analysis, pictures)
    assert pictures.up == "solar-north"
    spots = [one for one in named if one.blob.kind == "sun"]
    dust = [one for one in named if one.blob.kind == "sensor"]
    assert [len(spots), len(dust), len(named)] == [2, 2, 4]
    # They stand as they did in the middle of the session: 7/2 hours of 13.2 degrees a day farther west.
    went = 3.5 / 24 * 13.3
    for latitude, west in SPOTS:
        nearest = min(spots, key=lambda one: abs(one.latitude_deg - latitude))
        assert nearest.latitude_deg == pytest.approx(latitude, abs=0.6)
        assert nearest.west_deg == pytest.approx(west + went, abs=0.8)
        assert nearest.name.startswith("S")
    for x, y in DUST:
        off = [np.hypot(np.median(one.blob.x_px) - x, np.median(one.blob.y_px) - y) for one in dust]
        assert min(off) < 0.6


def test_the_stills_show_the_spots_at_one_place(seen: tuple[Analysis, Pictures]) -> None:
    """Solar north up by our turn; where the spot must stand then, by hand: B0 is 1.7 in this night."""
    _, pictures = seen
    assert len(pictures.stills) >= 6
    for still in pictures.stills:
        image = Image.open(io.BytesIO(still.jpeg))
        assert not image.getexif()
        light = np.asarray(image, dtype=float)
        radius = image.width / 2 / 1.15
        for latitude, west in SPOTS:
            b, m, b0 = np.radians([latitude, west + 1.9, 1.7])
            up = np.sin(b) * np.cos(b0) - np.cos(b) * np.cos(m) * np.sin(b0)
            x, y = (
                (image.width - 1) / 2 + radius * np.cos(b) * np.sin(m),
                (image.height - 1) / 2 - radius * up,
            )
            around = light[int(y) - 8 : int(y) + 9, int(x) - 10 : int(x) + 11]
            assert around.min() < 0.75 * np.median(around)
    times = [still.frame.time_utc for still in pictures.stills]
    assert times == sorted(times)


def test_the_page_shows_them(replayed: Path, tmp_path: Path) -> None:
    page = write_report(replayed, tmp_path / "page.html").read_text(encoding="utf-8")
    images = re.findall(r'<img src="data:image/jpeg;base64,([^"]+)"', page)
    assert len(images) >= 6
    assert all(Image.open(io.BytesIO(base64.b64decode(one))).format == "JPEG" for one in images)
    assert "2 kept to the sun, 2 to the sensor" in page
    assert "img-src data:" in page
    assert write_report(replayed, tmp_path / "again.html").read_text(encoding="utf-8") == page


def test_pictures_that_are_not_there_or_not_the_same_are_not_shown(
    replayed: Path, pictures_folder: Path, tmp_path: Path
) -> None:
    moved = tmp_path / "moved"
    pictures_folder.rename(moved)
    try:
        page = write_report(replayed, tmp_path / "page.html").read_text(encoding="utf-8")
        assert "The picture files were not to be found" in page
        assert "<img" not in page
        again = write_report(replayed, tmp_path / "page.html", originals=moved).read_text(encoding="utf-8")
        assert again.count("<img") >= 6
    finally:
        moved.rename(pictures_folder)
    record = read_record(replayed)
    victim = spread(record.frames, 8)[3]
    path = pictures_folder / victim.frame
    before = path.read_bytes()
    path.write_bytes(before + b"changed")
    try:
        stills = read_pictures(Analysis(record)).stills
        assert victim.frame not in [still.frame.frame for still in stills]
        assert len(stills) == 7
    finally:
        path.write_bytes(before)


def test_from_each_part_of_the_time_the_picture_that_shows_most() -> None:
    frames = [frame(n) if n % 10 else dark(n) for n in range(80)]
    chosen = spread(frames, 8)
    assert len(chosen) == 8
    assert all(one.disc.found for one in chosen)
    assert spread([dark(n) for n in range(5)], 8) == []
    only = frame(0)
    assert spread([only], 8) == [only]


def test_a_table_of_measurements_has_no_pictures(tmp_path: Path) -> None:
    page = write_report(journal_of(tmp_path / "table", [frame(n) for n in range(20)]))
    assert "sentinel report DIR --frames FOLDER" in page.read_text(encoding="utf-8")
