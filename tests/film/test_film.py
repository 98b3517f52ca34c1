"""Films as people get them: decoded again, measured again, counted again."""

import resource
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import av
import numpy as np
import pytest
from astropy.table import Table
from numpy.typing import NDArray
from PIL import Image

from sentinel.chain.intake.colours import Colours
from sentinel.chain.measure import measure
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.tables import read_measurements
from sentinel.core.words import times_in
from sentinel.jobs.film import FilmRequest, FilmSummary, film
from sentinel.jobs.film.lines import film_lines, json_values
from sentinel.jobs.film.rendering import EDGE, card
from sentinel.jobs.film.stamp import Stamper, seen_words
from sentinel.jobs.replay import ReplayRequest, replay
from tests.film.sessions import DUST, decoded, pictures_of, session
from tests.report.sessions import frame as report_frame
from tests.report.sessions import settings as report_settings

SIZE = 240


@pytest.fixture
def cloudy(tmp_path: Path) -> Path:
    """A session in which a file is broken, cloud passes, and pictures are missing."""
    return session("cloudy", tmp_path)


def made(folder: Path, **asked: object) -> FilmSummary:
    usual = {"size_px": SIZE, "up": "camera", "fps": 10.0, "frames": folder / "session"}
    request: dict[str, object] = {**usual, **asked}
    return film(FilmRequest(folder=folder / "out", **request))  # type: ignore[arg-type]


def stored_in(path: Path) -> NDArray[np.uint8]:
    with Image.open(path) as image:
        return np.asarray(image)


def grey_of(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(Image.fromarray(picture).convert("L"))


def test_it_is_what_phones_and_browsers_play(cloudy: Path) -> None:
    summary = made(cloudy)
    with av.open(str(summary.out)) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        assert (context.name, context.pix_fmt, context.profile) == ("h264", "yuv420p", "High")
        assert (context.width, context.height) == (SIZE, SIZE)
        assert stream.average_rate == 10
        assert {*container.metadata} <= {"major_brand", "minor_version", "compatible_brands"}
    content = summary.out.read_bytes()
    assert content.find(b"moov") < content.find(b"mdat")  # the index in front: it plays while it loads


def test_every_frame_of_the_session_is_counted_once(cloudy: Path) -> None:
    summary = made(cloudy)
    frames = read_measurements(cloudy / "out" / "measurements.ecsv")
    found = sum(frame.disc.found for frame in frames)
    broken = sum(frame.error is not None for frame in frames)
    assert broken == 1
    assert len(frames) - found - broken > 0  # cloud
    assert (summary.frames, summary.shown, summary.unreadable) == (len(frames), found, broken)
    assert summary.unseen == len(frames) - found - broken
    assert summary.shown + summary.unseen + summary.unreadable == summary.frames
    assert (summary.failed, summary.strays) == (0, 0)
    assert summary.cards == 3  # the broken one, the cloud, the pause
    assert summary.pictures == len(decoded(summary.out)) == found + 3 * 10


def test_a_card_lasts_a_second_and_shows_that_there_is_no_sun(cloudy: Path) -> None:
    pictures = decoded(made(cloudy).out)
    dark = [k for k, picture in enumerate(pictures) if picture[SIZE // 2 - 9 : SIZE // 2 + 9].mean() < 60]
    assert len(dark) >= 30
    assert set(range(3, 13)) <= set(dark)  # the fourth file is broken


@pytest.mark.parametrize("shape", [(200, 300, 3), (300, 200, 3)])
def test_a_picture_on_a_card_has_its_whole_edge(shape: tuple[int, int, int]) -> None:
    made = card(400, 2, ("Cloud",), Colours(np.zeros(shape, np.uint8))).bright
    lines = [np.flatnonzero((np.abs(made - EDGE) < 1).sum(axis=axis) > 60) for axis in (0, 1)]
    assert [len(one) for one in lines] == [2, 2]  # left and right, above and below
    wide, high = (float(np.ptp(one)) for one in lines)
    assert wide / high == pytest.approx(shape[1] / shape[0], rel=0.03)


def test_the_sun_stands_still(tmp_path: Path) -> None:
    """By our own eye in the decoded film: 0.05 px rms where the disc is whole."""
    session("jpg", tmp_path)
    offs = []
    for picture in decoded(made(tmp_path, stamps=frozenset()).out):
        disc = measure(grey_of(picture), transfer="srgb", full_scale=255.0)
        assert disc.found
        offs.append((disc.x_px - (SIZE - 1) / 2, disc.y_px - (SIZE - 1) / 2))
    assert len(offs) == 6
    # The words below the disc are no part of it; what is common to all pictures moves nothing.
    assert np.sqrt((np.array(offs) ** 2).mean()) < 0.05


def test_a_sun_that_leaves_the_frame_stays_in_the_middle_to_a_third_of_a_pixel(tmp_path: Path) -> None:
    session("leaving", tmp_path)
    frames = [one for one in read_measurements(tmp_path / "out" / "measurements.ecsv") if one.disc.found]
    parts = [k for k, one in enumerate(frames) if 0.3 < one.disc.limb_in_frame < 0.999]
    assert parts
    pictures = decoded(made(tmp_path, stamps=frozenset()).out)
    for k in parts:
        # What lies outside the frame is a grey of its own: without it the limb is whole where it is seen.
        grey = grey_of(pictures[k])
        disc = measure(np.where(grey < 40, 0, grey).astype(np.uint8), transfer="srgb", full_scale=255.0)
        assert disc.found
        assert np.hypot(disc.x_px - (SIZE - 1) / 2, disc.y_px - (SIZE - 1) / 2) < 0.3


@pytest.mark.parametrize("kind", ["hills", "trees", "bank"])
def test_a_sun_that_is_partly_covered_stays_in_the_middle_to_a_third_of_a_pixel_or_the_stamp_says_so(
    tmp_path: Path, kind: str
) -> None:
    """Behind hills, trees, and a cloud bank with its own edges; where it is, by the simulator's own word."""
    session(kind, tmp_path)
    frames = [one for one in read_measurements(tmp_path / "out" / "measurements.ecsv") if one.disc.found]
    table = Table.read(tmp_path / "session" / "truth.ecsv")
    truth = dict(zip(table["frame"], zip(table["x_px"], table["y_px"], strict=True), strict=True))
    summary = made(tmp_path)
    sure: list[float] = []
    unsure: list[float] = []
    for one in frames:
        apart = np.subtract((one.disc.x_px, one.disc.y_px), truth[one.frame])
        off = float(np.hypot(*apart)) / summary.frame_px
        said = seen_words(one, centre_sigma_px=one.disc.centre_sigma_px / summary.frame_px)
        (unsure if any("centre ±" in word for word in said) else sure).append(off)
    assert max(sure) < 0.3
    if kind == "bank":
        assert len(unsure) >= 2  # a cloud's edge is no limb, and hides one
    else:
        covered = [one for one in frames if one.disc.limb_coverage < 0.9]
        assert len(covered) >= 3
        assert len(unsure) <= len(covered) // 3
        assert max([*unsure, 0]) < 1.0


def test_dust_is_named_where_it_sits_on_the_sensor_and_not_removed(tmp_path: Path) -> None:
    session("dusty", tmp_path)
    plain = made(tmp_path, stills=True, stamps=frozenset(), out=tmp_path / "plain")
    summary = made(tmp_path, stills=True, stamps=frozenset(), out=tmp_path / "named", name_dust=True)
    assert summary.dust == len(DUST)
    assert "2 marks on the sensor named, none removed" in "\n".join(film_lines(summary))
    frames = read_measurements(tmp_path / "out" / "measurements.ecsv")
    places = []
    for path, frame in zip(sorted(summary.out.iterdir()), frames, strict=True):
        before, after = (stored_in(folder / path.name).astype(float) for folder in (plain.out, summary.out))
        changed = np.abs(after - before).max(axis=2)
        for one in DUST:
            x, y = (
                (at - centre) / summary.frame_px + (SIZE - 1) / 2
                for at, centre in ((one.x_px, frame.disc.x_px), (one.y_px, frame.disc.y_px))
            )
            left, top = round(x) - 12, round(y) - 12
            rows, columns = np.nonzero(changed[top : top + 25, left : left + 25] > 40)
            near = np.hypot(columns + left - x, rows + top - y) < 11
            assert near.sum() > 30
            assert abs(columns[near].mean() + left - x) < 1.2
            assert abs(rows[near].mean() + top - y) < 1.2
            # What sits there is seen as it was.
            assert not changed[round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3].any()
        places.append((x, y))
    assert np.ptp(np.array(places), axis=0).max() > 8  # it wanders over the sun that stands still


def test_without_dust_it_says_so(tmp_path: Path) -> None:
    session("jpg", tmp_path)
    summary = made(tmp_path, name_dust=True)
    assert summary.dust == 0
    assert "Dust      none was told from spots" in "\n".join(film_lines(summary))


def test_evened_discs_are_alike(tmp_path: Path) -> None:
    session("bracketed", tmp_path)

    def levels(**asked: bool) -> NDArray[np.float64]:
        pictures = decoded(made(tmp_path, replace=True, stamps=frozenset(), **asked).out)
        return np.array([p[100:140, 100:140].mean() for p in pictures])

    assert np.ptp(levels()) > 30
    assert np.ptp(levels(even=True)) < 4


def test_colours_are_those_of_the_picture(tmp_path: Path) -> None:
    session("jpg", tmp_path)
    first = stored_in(pictures_of(tmp_path)[0])
    disc = read_measurements(tmp_path / "out" / "measurements.ecsv")[0].disc
    x, y = round(disc.x_px), round(disc.y_px)
    stored = first[y - 8 : y + 9, x - 8 : x + 9].reshape(-1, 3).mean(axis=0)
    middle = slice(SIZE // 2 - 10, SIZE // 2 + 10)
    for asked in ({}, {"stills": True}):
        out = made(tmp_path, **asked).out
        shown = decoded(out)[0] if not asked else stored_in(min(out.iterdir()))
        assert shown[middle, middle].reshape(-1, 3).mean(axis=0) == pytest.approx(stored, abs=3)


def test_frames_as_they_were_show_their_edge_and_the_sun_wandering(tmp_path: Path) -> None:
    session("leaving", tmp_path)
    summary = made(tmp_path, steady=False, up=None, stamps=frozenset())
    assert summary.cards == 0
    assert summary.shown == summary.frames  # all can be read, with a disc or without
    pictures = decoded(summary.out)
    first, last = (grey_of(pictures[k]).astype(float) for k in (0, 12))
    assert abs(first - last).max() > 60
    corner = grey_of(pictures[0])
    rows = np.flatnonzero(corner[:, SIZE // 2 + 45] > 110)
    assert rows.size  # a line above and a line below
    wide, high = 450, 300
    assert np.ptp(rows) == pytest.approx(high * SIZE * 0.92 / wide, abs=4)


def test_stills_are_one_picture_a_frame_and_one_a_card(cloudy: Path) -> None:
    summary = made(cloudy, stills=True)
    names = sorted(path.name for path in summary.out.iterdir())
    assert len(names) == summary.pictures == summary.shown + summary.cards
    assert names[0] == "000001-2027-06-21T100000Z.png"
    assert names[3].endswith("-unreadable.png")
    with Image.open(summary.out / names[0]) as first:
        assert first.size == (SIZE, SIZE)


@pytest.mark.parametrize("kind", ["png", "tif", "fits"])
def test_other_formats_are_filmed_too(tmp_path: Path, kind: str) -> None:
    session(kind, tmp_path)
    summary = made(tmp_path)
    assert summary.shown == summary.frames == 6
    grey = grey_of(decoded(summary.out)[0])
    assert grey[SIZE // 2, SIZE // 2] > 100
    assert grey[30, 30] < 60


def test_what_is_there_is_not_written_over_unasked(cloudy: Path) -> None:
    first = made(cloudy)
    before = first.out.read_bytes()
    with pytest.raises(RequestProblem, match="is there already"):
        made(cloudy, radii=2.0)
    assert first.out.read_bytes() == before
    assert made(cloudy, radii=2.0, replace=True).out.read_bytes() != before


@pytest.mark.parametrize("stills", [False, True])
def test_interrupted_it_leaves_no_half_film(cloudy: Path, stills: bool) -> None:
    def stop(_what: str, done: int, _total: int) -> None:
        if done > 5:
            raise KeyboardInterrupt

    before = sorted(path.name for path in (cloudy / "out").iterdir())
    with pytest.raises(KeyboardInterrupt):
        film(FilmRequest(folder=cloudy / "out", size_px=SIZE, up="camera", stills=stills), stop)
    left = {path.name for path in (cloudy / "out").iterdir()} - set(before)
    assert not {name for name in left if not name.startswith("journal.sqlite-")}


FULL = """
import resource, signal, sys
from pathlib import Path
from sentinel.core.errors import Problem
from sentinel.jobs.film import FilmRequest, film
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (33_000, 33_000))
try:
    film(FilmRequest(folder=Path(sys.argv[1]), size_px=1080, up="camera"))
except Problem as problem:
    print(problem)
"""


def test_a_disk_that_takes_no_more_is_told_in_one_line(cloudy: Path) -> None:
    """A limit on the size of files stands in for the full disk."""
    told = subprocess.run(
        [sys.executable, "-c", FULL, str(cloudy / "out")], capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stderr
    assert "film.mp4: cannot be written (" in told.stdout
    assert told.stdout.count("\n") == 1
    assert not list((cloudy / "out").glob("*.mp4"))
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 33_000


def test_a_picture_that_is_gone_since_is_said_and_counted(cloudy: Path) -> None:
    pictures_of(cloudy)[1].unlink()
    summary = made(cloudy)
    assert summary.failed == 1
    assert summary.shown + summary.unseen + summary.unreadable + summary.failed == summary.frames
    assert "1 not to be read now, which the film says" in "\n".join(film_lines(summary))
    second = decoded(summary.out)[1]
    assert second[SIZE // 2 - 4 : SIZE // 2 + 4, :20].max() < 60


def test_a_picture_of_another_size_is_not_the_one_that_was_measured(cloudy: Path) -> None:
    Image.new("RGB", (100, 80)).save(pictures_of(cloudy)[1])
    assert made(cloudy).failed == 1


def test_pictures_that_are_elsewhere_are_asked_for(cloudy: Path) -> None:
    replay(ReplayRequest(cloudy / "session", cloudy / "out"))
    assert made(cloudy, frames=None).shown > 10
    (cloudy / "session").rename(cloudy / "moved")
    with pytest.raises(RequestProblem, match=r"are not to be found.*--frames"):
        made(cloudy, frames=None, replace=True)
    with pytest.raises(RequestProblem, match="holds none of the session's pictures"):
        made(cloudy, frames=cloudy / "out", replace=True)
    assert made(cloudy, frames=cloudy / "moved", replace=True).shown > 10


def test_without_the_library_it_says_what_to_install(cloudy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(RequestProblem, match=r"needs .* pip install 'av>="):
        made(cloudy)
    assert made(cloudy, stills=True).shown > 10


def test_half_an_hour_does_not_tell_how_the_camera_sits(cloudy: Path) -> None:
    with pytest.raises(RequestProblem, match="how the camera sat on its mount is not known"):
        made(cloudy, up="solar-north")
    with pytest.raises(RequestProblem, match=r"--public: how the camera sat .* a public film needs it"):
        made(cloudy, up=None, public=True)
    summary = made(cloudy, up=None)
    assert summary.up == "camera"
    assert "as the camera stores it, because how the camera sat" in "\n".join(film_lines(summary)).lower()


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"size_px": 1}, "--size"), ({"size_px": 301}, "ask for 302"), ({"radii": 0.0}, "--radii"),
        ({"radii": float("nan")}, "--radii"), ({"fps": 0.0}, "--fps"),
        ({"steady": False, "up": "zenith"}, "--up"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_before_any_work(
    tmp_path: Path, asked: dict[str, object], told: str
) -> None:
    with pytest.raises(RequestProblem, match=told):
        made(tmp_path, **asked)


def test_an_output_that_cannot_be_is_refused(cloudy: Path) -> None:
    with pytest.raises(RequestProblem, match="its folder does not exist"):
        made(cloudy, out=cloudy / "nowhere" / "film.mp4")
    with pytest.raises(RequestProblem, match="is a folder"):
        made(cloudy, out=cloudy / "out", replace=True)
    with pytest.raises(RequestProblem, match="is a file"):
        made(cloudy, out=cloudy / "out" / "journal.sqlite", replace=True, stills=True)


def test_the_summary_is_the_same_in_words_and_numbers(cloudy: Path) -> None:
    summary = made(cloudy)
    told = json_values(summary)
    assert told["shown"] == summary.shown
    assert f"{summary.frames} frames" in film_lines(summary)[0]
    assert isinstance(Problem("x"), Exception)


def test_an_hour_that_comes_twice_is_told_apart_on_the_stamp() -> None:
    """The end of summer time: two pictures an hour apart do not bear the same words."""
    settings = report_settings(alerts={"zone": "Europe/Oslo"})
    stamper = Stamper(settings, frozenset({"local"}), "camera", times_in("Europe/Oslo"))
    said = []
    for hour in (23, 0, 1, 2):
        day = 25 if hour < 3 else 24
        one = replace(report_frame(0), time_utc=datetime(2026, 10, day, hour, 30, tzinfo=UTC))
        said.append(stamper.words(one, up_sigma_deg=0.0, altitude_deg=5.0).top_right)
    assert said == [
        "2026-10-25 01:30:00 Oslo",
        "2026-10-25 02:30:00 Oslo (UTC+2)",
        "2026-10-25 02:30:00 Oslo (UTC+1)",
        "2026-10-25 03:30:00 Oslo",
    ]
