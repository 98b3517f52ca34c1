"""Where was it? The public share is attacked by all that it holds; a full one gives way to the same attacks.

The attacks share no line with the program: altitudes by pvlib, ellipses by OpenCV, text as it stands.
"""

import base64
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pandas as pd
import pvlib
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy.optimize import least_squares

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Site
from sentinel.core.times import parse_utc
from sentinel.jobs.film import FilmRequest, FilmSummary, film
from sentinel.jobs.film.lines import film_lines
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.report.page import write_report
from sentinel.jobs.report.record import read_record
from sentinel.jobs.share.making import plan_share, share
from sentinel.jobs.share.plan import PIXELS_TELL, ShareRequest
from sentinel.jobs.share.public import place_words, public_page, public_record, rounded_deg
from sentinel.jobs.simulate.scene import Sunspot
from sentinel.jobs.simulate.session import simulate
from tests.simulate.worlds import BINNED, midsummer

LATITUDE_DEG, LONGITUDE_DEG = 70.3731, 31.1442
ROUNDED = (70.4, 31.1)
SECRETS = (
    "70.37",
    "31.14",
    "hut-siren",
    "east-hut",
    "Secret One",
    "Berlin",
    "FERNL",
    "FERN0",
    "DCIM",
    "1234",
)
Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A night of low sun, replayed with settings that name names."""
    camera = BINNED.model_copy(
        update={"width_px": 900, "height_px": 600, "interval_s": 480.0, "model": "Secret One"}
    )
    scenario = midsummer(
        site=Site(latitude_deg=LATITUDE_DEG, longitude_deg=LONGITUDE_DEG, elevation_m=1234),
        camera=camera,
        hours=8.0,
        start_utc=parse_utc("2027-06-20T18:00:00Z"),
        mount={"azimuth_error_deg": 0.2, "altitude_error_deg": 0.3},
        spots=(Sunspot(latitude_deg=15, west_deg=-20, radius=0.05),),
        seed=9,
    )
    made = simulate(scenario, tmp_path_factory.mktemp("secret") / "pictures", workers=1).out
    more = made.parent / "more.yaml"
    more.write_text(
        "camera: {name: east-hut}\nalerts: {zone: Europe/Berlin}\n"
        "channels: [{name: hut-siren, command: [/bin/true], severities: [now]}]\n"
    )
    out = made.parent / "replayed"
    replay(ReplayRequest(made, out, (made / "config.yaml", more)))
    return out


@pytest.fixture(scope="module")
def full(session: Path) -> str:
    return write_report(session).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def public(session: Path) -> Path:
    out = session.parent / "public"
    share(plan_share(ShareRequest(folder=session, out=out, public=True, with_pictures=True)))
    return out


@pytest.fixture(scope="module")
def page(public: Path) -> str:
    return (public / "report.html").read_text(encoding="utf-8")


def test_who_gives_pictures_away_is_told_what_their_pixels_tell(session: Path, public: Path) -> None:
    request = ShareRequest(folder=session, out=public.parent / "other", public=True, with_pictures=True)
    assert any(PIXELS_TELL in line for line in plan_share(request).lines)
    assert PIXELS_TELL in (public / "index.html").read_text(encoding="utf-8")
    without = ShareRequest(folder=session, out=public.parent / "other", public=True)
    assert not any(PIXELS_TELL in line for line in plan_share(without).lines)


def text_of(html: str) -> str:
    return re.sub(r"<[^>]+>", " ", re.sub(r"data:image/[^\"]+", "", html))


def altitudes(html: str) -> list[tuple[pd.Timestamp, float]]:
    """Times with an altitude beside them, as they are printed."""
    found = re.findall(
        r"(?:2027-)?(\d\d-\d\d)[ T](\d\d:\d\d:\d\d)(?: UTC|Z)?\D{1,4}(-?\d+\.\d)°", text_of(html)
    )
    return [(pd.Timestamp(f"2027-{day}T{at}", tz="UTC"), float(altitude)) for day, at, altitude in found]


def place_from(pairs: list[tuple[pd.Timestamp, float]]) -> Array:
    """The latitude and longitude at which the sun stands so high at these times."""
    times = pd.DatetimeIndex([at for at, _ in pairs])
    seen = np.array([altitude for _, altitude in pairs])

    def off(place: Array) -> Array:
        sun = pvlib.solarposition.get_solarposition(
            times, place[0], place[1], pressure=101_000, temperature=10
        )
        return np.asarray(np.asarray(sun["apparent_elevation"]) - seen)

    return np.asarray(least_squares(off, np.array(ROUNDED), diff_step=1e-4).x)


def nearer_than_rounded_deg(place: Array) -> float:
    """By how much an estimate is nearer to the truth than the rounded place is; negative: it is not."""
    level = np.cos(np.radians(LATITUDE_DEG))
    truth = np.array([LATITUDE_DEG, LONGITUDE_DEG * level])

    def apart(latitude: float, longitude: float) -> float:
        return float(np.hypot(*(np.array([latitude, longitude * level]) - truth)))

    return apart(*ROUNDED) - apart(*place)


def stills(html: str) -> Iterator[NDArray[np.uint8]]:
    for one in re.findall(r"data:image/jpeg;base64,([^\"]+)", html):
        yield np.asarray(Image.open(io.BytesIO(base64.b64decode(one))).convert("L"))


def still_times(html: str) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(
        [
            pd.Timestamp(f"{day}T{at}" if day.startswith("2027") else f"2027-{day}T{at}", tz="UTC")
            for day, at in re.findall(r"<figcaption>([\d-]+)[ T](\d\d:\d\d:\d\d)", html)
        ]
    )


def flatness(image: NDArray[np.uint8]) -> float:
    """Short over long axis of the bright disc."""
    level = 0.5 * float(np.quantile(image, 0.6))
    _, mask = cv2.threshold(image, level, 255, cv2.THRESH_BINARY)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, axes, _ = cv2.fitEllipseDirect(max(contours, key=cv2.contourArea))
    return float(min(axes) / max(axes))


def true_altitudes(times: pd.DatetimeIndex) -> Array:
    sun = pvlib.solarposition.get_solarposition(
        times, LATITUDE_DEG, LONGITUDE_DEG, pressure=101_000, temperature=10
    )
    return np.asarray(sun["apparent_elevation"])


def test_the_printed_altitudes_of_a_full_report_give_the_place(full: str) -> None:
    pairs = altitudes(full)
    assert len(pairs) >= 6
    place = place_from(pairs)
    assert np.hypot(place[0] - LATITUDE_DEG, (place[1] - LONGITUDE_DEG) / 3) < 0.1
    assert str(LATITUDE_DEG) in full


def test_a_public_one_prints_none(page: str) -> None:
    assert altitudes(page) == []
    assert "70.4° N, 31.1° E" in page
    assert "to better than a tenth of a degree" in page


def test_nothing_in_any_file_names_what_is_not_to_be_named(public: Path, full: str) -> None:
    assert sum(secret in full for secret in SECRETS) >= 6, "the full report would be caught"
    for path in public.rglob("*"):
        assert not any(secret in str(path.relative_to(public)) for secret in SECRETS)
        if not path.is_file():
            continue
        held = path.read_bytes()
        if path.suffix == ".jpg":
            assert b"Exif" not in held[:4000]
            assert not Image.open(io.BytesIO(held)).getexif()
            continue
        text = re.sub(rb"[0-9a-f]{64}", b"", re.sub(rb"data:image/[^\"]+", b"", held))
        assert not [secret for secret in SECRETS if secret.encode() in text], path


def test_the_page_is_the_same_for_every_place_that_rounds_alike(session: Path) -> None:
    """What is computed is computed for the rounded place: so nothing printed can tell more."""
    record = read_record(session)
    pages = []
    for latitude, longitude in ((LATITUDE_DEG, LONGITUDE_DEG), (70.4449, 31.0551), (70.3551, 31.1449)):
        site = record.settings.site.model_copy(
            update={"latitude_deg": latitude, "longitude_deg": longitude, "elevation_m": 77.0}
        )
        moved = replace(record, settings=record.settings.model_copy(update={"site": site}))
        pages.append(re.sub(r"data:image/[^\"]+", "", public_page(moved, public_record(moved))))
    assert pages[0] == pages[1] == pages[2]


def test_the_stills_do_not_show_the_altitude(full: str, page: str) -> None:
    for html, shown in ((full, True), (page, False)):
        flat = np.array([flatness(image) for image in stills(html)])
        altitude = true_altitudes(still_times(html))
        assert len(flat) == len(altitude) >= 6
        # Refraction's own slope, by the textbook's formula: the lower limb is lifted more than the upper.
        lifted = [
            1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60
            for h in (altitude - 0.265, altitude + 0.265)
        ]
        expected = 1 - (lifted[0] - lifted[1]) / 0.53
        slope = np.polyfit(expected, flat, 1)[0]
        assert (slope > 0.7) if shown else (abs(slope) < 0.25), (shown, slope)


def test_the_stills_do_not_show_the_air_s_dimming(full: str, page: str) -> None:
    for html, shown in ((full, True), (page, False)):
        light = np.array([float(np.median(image[100:180, 100:180])) for image in stills(html)])
        spread = np.ptp(light) / light.mean()
        assert (spread > 0.1) if shown else (spread < 0.03), (shown, spread)


def test_an_estimate_from_the_public_stills_is_no_better_than_the_rounded_place(page: str) -> None:
    """The best an attacker can do with them: altitudes from what flatness is left, and a fit."""
    times = still_times(page)
    pairs = []
    for at, image in zip(times, stills(page), strict=True):
        grid = np.linspace(1.0, 40.0, 400)
        lift = [1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60 for h in (grid - 0.265, grid + 0.265)]
        pairs.append((at, float(np.interp(flatness(image), 1 - (lift[0] - lift[1]) / 0.53, grid))))
    assert nearer_than_rounded_deg(place_from(pairs)) < 0.01


def test_both_hashes_are_listed(public: Path, session: Path) -> None:
    record = read_record(session)
    originals = (public / "originals.sha256").read_text().splitlines()
    assert [line.split()[0] for line in originals] == [frame.sha256 for frame in record.frames]
    drawn = (public / "pictures" / "frames.sha256").read_text().splitlines()
    assert len(drawn) == len(originals)
    assert [line.split()[1] for line in drawn] == [f"{line.split()[1]}.jpg" for line in originals]


def test_places_are_rounded_to_what_is_said() -> None:
    assert rounded_deg(70.3731) == 70.4
    assert rounded_deg(-0.04) == 0.0
    assert rounded_deg(359.97) == 360.0
    assert rounded_deg(31.25) in (31.2, 31.3)


def test_place_words(session: Path) -> None:
    record = read_record(session)
    for latitude, longitude, words in ((-33.27, 200.02, "33.3° S, 160.0° W"), (0.0, 0.0, "0.0° N, 0.0° E")):
        site = record.settings.site.model_copy(update={"latitude_deg": latitude, "longitude_deg": longitude})
        moved = replace(record, settings=record.settings.model_copy(update={"site": site}))
        assert place_words(public_record(moved)) == words


def filmed(session: Path, **asked: object) -> FilmSummary:
    usual: dict[str, object] = {"folder": session, "size_px": SIZE, "public": True}
    return film(FilmRequest(**{**usual, **asked}))  # type: ignore[arg-type]


SIZE = 400


@pytest.fixture(scope="module")
def public_stills(session: Path) -> Path:
    return filmed(session, stills=True, out=session.parent / "stills-public").out


@pytest.fixture(scope="module")
def full_stills(session: Path) -> Path:
    return filmed(session, stills=True, public=False, up="solar-north", out=session.parent / "stills").out


def colours(folder: Path) -> list[tuple[pd.Timestamp, NDArray[np.uint8]]]:
    """Pictures of a disc, with the times that stand on them."""
    found = []
    for path in sorted(folder.iterdir()):
        _, day, at = path.stem.split("-", 1)[0], *path.stem.split("-", 1)[1].rsplit("T", 1)
        if at.endswith("Z"):
            with Image.open(path) as image:
                stamp = pd.Timestamp(f"{day}T{at[:2]}:{at[2:4]}:{at[4:6]}Z")
                found.append((stamp, np.asarray(image.convert("RGB"))))
    return found


def disc_of(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The part without words: they stand in the corners."""
    y, x = np.ogrid[:SIZE, :SIZE]
    away = np.hypot(x - (SIZE - 1) / 2, y - (SIZE - 1) / 2)
    grey = picture.mean(axis=2)
    grey[away > 0.47 * SIZE] = 0
    return np.asarray(grey, np.uint8)


def test_a_public_film_shows_clear_high_discs_and_says_how_many_it_left_out(session: Path) -> None:
    summary = filmed(session, out=session.parent / "counted.mp4")
    assert summary.untold > 10
    assert summary.shown + summary.untold == summary.frames
    assert summary.cards == 0
    said = "\n".join(film_lines(summary))
    assert f"{summary.untold} left out, so that nothing tells the place" in said
    held = summary.out.read_bytes()
    assert not [secret for secret in SECRETS if secret.encode() in held]
    with av.open(str(summary.out)) as container:
        assert {*container.metadata} <= {"major_brand", "minor_version", "compatible_brands"}


def test_a_film_shows_the_altitude_by_shape_light_and_colour_and_a_public_one_does_not(
    public_stills: Path, full_stills: Path
) -> None:
    for folder, told in ((full_stills, True), (public_stills, False)):
        pictures = colours(folder)
        altitude = true_altitudes(pd.DatetimeIndex([at for at, _ in pictures]))
        high = altitude > 5.3
        flat = np.array([flatness(disc_of(picture)) for _, picture in pictures])
        lifted = [
            1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60
            for h in (altitude - 0.265, altitude + 0.265)
        ]
        expected = 1 - (lifted[0] - lifted[1]) / 0.53
        slope = np.polyfit(expected[high], flat[high], 1)[0]
        assert (slope > 0.6) if told else (abs(slope) < 0.3), slope
        middle = slice(SIZE // 2 - 30, SIZE // 2 + 30)
        light = np.array([picture[middle, middle].mean() for _, picture in pictures])[high]
        spread = np.ptp(light) / light.mean()
        assert (spread > 0.1) if told else (spread < 0.03), spread
        if not told:
            assert high.all() or altitude.min() > 4.9
            for _, picture in pictures:
                assert np.ptp(picture, axis=2).max() <= 2  # grey
                y, x = np.ogrid[:SIZE, :SIZE]
                away = np.hypot(x - (SIZE - 1) / 2, y - (SIZE - 1) / 2) / (SIZE / 2 / 1.25)
                beside = (away > 1.06) & (np.abs(y - SIZE / 2) < 0.4 * SIZE) & (np.abs(x - SIZE / 2) < SIZE)
                assert picture[beside & (away < 1.15)].max() < 8  # no sky, no frame's edge


def test_an_estimate_from_a_public_film_is_no_better_than_the_rounded_place(public_stills: Path) -> None:
    pairs = []
    grid = np.linspace(1.0, 40.0, 400)
    lift = [1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60 for h in (grid - 0.265, grid + 0.265)]
    for at, picture in colours(public_stills):
        flat = flatness(disc_of(picture))
        pairs.append((at, float(np.interp(flat, 1 - (lift[0] - lift[1]) / 0.53, grid))))
    assert nearer_than_rounded_deg(place_from(pairs)) < 0.01


def test_what_stands_on_a_public_film_is_the_same_for_every_place_that_rounds_alike(
    session: Path, public_stills: Path, full_stills: Path
) -> None:
    """The place, and which pictures are shown: by the rounded place alone."""
    moved = session.parent / "moved.yaml"
    moved.write_text("site: {latitude_deg: 70.4449, longitude_deg: 31.0551, elevation_m: 77.0}\n")
    for folder, public in ((public_stills, True), (full_stills, False)):
        up = None if public else "solar-north"
        other = filmed(
            session,
            stills=True,
            public=public,
            up=up,
            configs=(session.parent / "pictures" / "config.yaml", session.parent / "more.yaml", moved),
            out=folder.with_name(f"{folder.name}-2"),
        ).out
        corners = []
        for each in (folder, other):
            pictures = sorted(each.iterdir())
            words = [np.asarray(Image.open(path).convert("L"))[-60:, :150] for path in pictures[:6]]
            corners.append(([path.name for path in pictures], [np.where(one > 200, 1, 0) for one in words]))
        (names, words), (other_names, other_words) = corners
        same = names == other_names and all(
            np.array_equal(a, b) for a, b in zip(words, other_words, strict=True)
        )
        assert same == public


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"steady": False}, "--steady none: the sun's way"), ({"name_dust": True}, "--name-dust: dust shows"),
        ({"up": "zenith"}, "--up: how spots turn"), ({"up": "camera"}, "--up: how spots turn"),
    ],
)  # fmt: skip
def test_what_would_tell_the_place_is_refused(session: Path, asked: dict[str, object], told: str) -> None:
    with pytest.raises(RequestProblem, match=told):
        filmed(session, **asked)


def test_a_public_share_takes_the_public_film_and_no_other(session: Path) -> None:
    made = [filmed(session, public=public, up=None, replace=True).out.name for public in (True, False)]
    assert made == ["film-public.mp4", "film.mp4"]
    out = session.parent / "with-film"
    share(plan_share(ShareRequest(folder=session, out=out, public=True)))
    assert [path.name for path in out.glob("*.mp4")] == ["film-public.mp4"]
    assert (out / "film-public.mp4").read_bytes() == (session / "film-public.mp4").read_bytes()
    assert 'href="film-public.mp4"' in (out / "index.html").read_text(encoding="utf-8")
