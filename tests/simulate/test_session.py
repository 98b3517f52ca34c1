"""A session on disk: frames, EXIF, settings, truth; or measurements alone."""

import json
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from PIL import ExifTags, Image

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import load_settings
from sentinel.core.tables import read_measurements
from sentinel.jobs.progress import silent
from sentinel.jobs.simulate.events import FilterLost, Missing, Recentre, Reverse
from sentinel.jobs.simulate.scenario import Scenario, load_scenario
from sentinel.jobs.simulate.scene import Sunspot
from sentinel.jobs.simulate.session import _jobs, _write_frames, simulate
from sentinel.jobs.simulate.synthesize import plan_session
from tests.simulate.worlds import BINNED, midsummer

SMALL = BINNED.model_copy(
    update={
        "width_px": 300,
        "height_px": 200,
        "pixel_pitch_um": 118.0,
        "zone_offset_h": 2.0,
        "clock_offset_s": 9.5,
    }
)

SCENARIO_TEXT = """
site: {latitude_deg: 70.37, longitude_deg: 31.1}
camera: {focal_length_mm: 400, pixel_pitch_um: 118, width_px: 300, height_px: 200}
start_utc: 2027-06-21T10:00:00Z
hours: 0.1
seed: 3
"""


def small(seed: int = 0) -> Scenario:
    return midsummer(
        Reverse(at=0.05),
        camera=SMALL,
        hours=0.2,
        spots=(Sunspot(latitude_deg=12, west_deg=10, radius=0.05),),
        seed=seed,
    )


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_scenario_file_becomes_a_session(tmp_path: Path) -> None:
    scenario = tmp_path / "night.yaml"
    scenario.write_text(SCENARIO_TEXT)
    told: list[tuple[str, int, int]] = []
    made = simulate(
        load_scenario(scenario), tmp_path / "out", progress=lambda *step: told.append(step), workers=1
    )
    assert made.frames == 6
    assert told[-1] == ("rendering", 6, 6)
    assert sorted(p.name for p in made.out.iterdir()) == ["DCIM", "config.yaml", "truth.ecsv"]
    table = Table.read(made.out / "truth.ecsv")
    assert table.colnames == ["frame", "time_utc", "x_px", "y_px", "radius_px", "found"]
    assert (table.meta["frame_width_px"], table.meta["frame_height_px"]) == (300, 200)
    assert all((made.out / name).is_file() for name in table["frame"])
    assert table["found"].all()
    settings = load_settings([made.out / "config.yaml"])
    assert settings.camera.pixel_pitch_um == 118
    assert settings.frames.folder == "."


def test_exif_says_what_the_camera_believed(tmp_path: Path) -> None:
    made = simulate(small(), tmp_path / "out", workers=1)
    table = Table.read(made.out / "truth.ecsv")
    with Image.open(made.out / table["frame"][0]) as picture:
        exif = picture.getexif()
        inner = exif.get_ifd(ExifTags.IFD.Exif)
        assert picture.size == (300, 200)
    # True time 10:00:00.370 UTC, zone two hours, clock 9.5 s fast.
    assert table["time_utc"][0] == "2027-06-21T10:00:00.370Z"
    assert inner[0x9003] == "2027:06:21 12:00:09"
    assert inner[0x9291] == "870"
    assert inner[0x9011] == "+02:00"
    assert exif[0x0112] == 1
    assert load_settings([made.out / "config.yaml"]).camera.clock_offset_s == 9.5


def test_the_same_scenario_gives_the_same_bytes(tmp_path: Path) -> None:
    for name, workers in (("a", 1), ("b", 1)):
        simulate(small(seed=5), tmp_path / name, workers=workers)
    assert files(tmp_path / "a") == files(tmp_path / "b")
    simulate(small(seed=6), tmp_path / "c", workers=1)
    assert files(tmp_path / "a") != files(tmp_path / "c")


@pytest.mark.slow
def test_several_processes_give_the_same_bytes(tmp_path: Path) -> None:
    scenario = midsummer(camera=SMALL, hours=0.5)
    simulate(scenario, tmp_path / "a", workers=1)
    simulate(scenario, tmp_path / "b", workers=2)
    assert files(tmp_path / "a") == files(tmp_path / "b")


def test_what_cannot_be_written_ends_it_whoever_renders(tmp_path: Path) -> None:
    work = plan_session(midsummer(camera=SMALL, hours=0.5))
    taken = tmp_path / work.taken.names[3]
    (taken / "a folder stands in its place").mkdir(parents=True)
    for workers in (1, 2):
        with pytest.raises(OSError, match="directory") as caught:
            _write_frames(_jobs(work, tmp_path), silent, workers)
        assert caught.value.filename2 == str(taken)


def test_truth_follows_the_pixels(tmp_path: Path) -> None:
    made = simulate(small(), tmp_path / "out", workers=1)
    table = Table.read(made.out / "truth.ecsv")
    whole = 0
    for row in table:
        inside = 20 < row["x_px"] < 279
        if not (row["found"] and inside):
            continue
        whole += 1
        with Image.open(made.out / row["frame"]) as picture:
            grey = np.asarray(picture.convert("L"), dtype=float)
        y, x = np.nonzero(grey > 60)
        assert (x.mean(), y.mean()) == pytest.approx((row["x_px"], row["y_px"]), abs=0.3)
    assert whole >= 5
    assert not table["found"][-1]


def test_a_lost_filter_is_white(tmp_path: Path) -> None:
    scenario = midsummer(FilterLost(at=0.02), camera=SMALL, hours=0.05)
    made = simulate(scenario, tmp_path / "out", workers=1)
    table = Table.read(made.out / "truth.ecsv")
    with Image.open(made.out / table["frame"][-1]) as picture:
        assert (np.asarray(picture.convert("L")) > 250).mean() > 0.9
    assert table["found"].tolist() == [True, True, False]


@pytest.mark.parametrize("file_format", ["tif", "png", "fits"])
def test_other_formats(tmp_path: Path, file_format: str) -> None:
    camera = SMALL.model_copy(update={"file_format": file_format})
    made = simulate(midsummer(camera=camera, hours=0.02), tmp_path / "out", workers=1)
    path = next(made.out.rglob(f"*.{file_format.upper()}"))
    if file_format == "fits":
        assert fits.getheader(path)["DATE-OBS"] == "2027-06-21T10:00:09.870"
    else:
        with Image.open(path) as picture:
            assert picture.size == (300, 200)
    assert load_settings([made.out / "config.yaml"]).frames.patterns == (f"*.{file_format}",)


def test_measurements_alone(tmp_path: Path) -> None:
    event = Recentre(at=2.0, to_px=(700, 500), unwound=True, marked=True)
    made = simulate(midsummer(event, hours=3.0), tmp_path / "out", frames=False)
    assert sorted(p.name for p in made.out.iterdir()) == [
        "config.yaml", "marks.jsonl", "measurements.ecsv", "truth.ecsv",
    ]  # fmt: skip
    frames = read_measurements(made.out / "measurements.ecsv")
    assert len(frames) == made.frames == 180
    assert all(f.disc.found for f in frames)
    truth = Table.read(made.out / "truth.ecsv")
    assert list(truth["frame"]) == [f.frame for f in frames]
    off = [f.disc.x_px - x for f, x in zip(frames, truth["x_px"], strict=True)]
    assert 0 < max(map(abs, off)) < 1.0, "the truth, and what measuring makes of it"
    marks = [json.loads(line) for line in (made.out / "marks.jsonl").read_text().splitlines()]
    assert [(m["time_utc"], m["kind"]) for m in marks] == [
        ("2027-06-21T12:00:00Z", "unwound"),
        ("2027-06-21T12:00:00Z", "recentred"),
    ]


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(RequestProblem, match="holds something already"):
        simulate(small(), tmp_path)
    with pytest.raises(RequestProblem, match="is a file"):
        simulate(small(), tmp_path / "mine.txt")
    with pytest.raises(RequestProblem, match="cannot be created"):
        simulate(small(), tmp_path / "mine.txt" / "out")
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_wrong_scenario_leaves_nothing(tmp_path: Path) -> None:
    scenario = tmp_path / "night.yaml"
    scenario.write_text(SCENARIO_TEXT + "seeed: 4\n")
    with pytest.raises(RequestProblem, match="seeed is not a known setting"):
        simulate(load_scenario(scenario), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_session_without_a_frame_is_still_one(tmp_path: Path) -> None:
    made = simulate(midsummer(Missing(at=0.0), camera=SMALL, hours=0.2), tmp_path / "out")
    assert made.frames == 0
    assert len(Table.read(made.out / "truth.ecsv")) == 0
