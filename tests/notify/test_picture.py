"""The small picture: upright, within its bytes, with what is known drawn in, and nothing else in the file."""

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from sentinel.chain.notify.picture import (
    AHEAD,
    GROUND,
    LIMB,
    Grey,
    Sketch,
    behind,
    picture_jpeg,
)
from sentinel.chain.notify.upright import Upright, upright_of
from sentinel.core.records import Disc, Forecast, MeasuredFrame
from sentinel.core.settings import Camera, Settings, Site
from sentinel.core.times import utc_s
from sentinel.sky import Sun
from tests.forecasts import foreseen

NOON = datetime(2027, 6, 21, 9, 56, tzinfo=UTC)
WIDE, HIGH = 1500, 1000


def settings(latitude_deg: float = 70.37) -> Settings:
    return Settings(
        site=Site(latitude_deg=latitude_deg, longitude_deg=31.1),
        camera=Camera(focal_length_mm=400, pixel_pitch_um=23.5),
    )


def airless(latitude_deg: float = 70.37) -> Settings:
    """No air: refraction alone would move the disc, and bends all directions of a sun that is down."""
    chosen = settings(latitude_deg)
    return chosen.model_copy(update={"site": chosen.site.model_copy(update={"pressure_hpa": 0.0})})


def frame(
    at: datetime = NOON, x_px: float = 900.0, y_px: float = 300.0, *, found: bool = True
) -> MeasuredFrame:
    disc = Disc(found=True, x_px=x_px, y_px=y_px, radius_px=78.0) if found else Disc(found=False)
    return MeasuredFrame(frame="a.jpg", time_utc=at, width_px=WIDE, height_px=HIGH, disc=disc)


def rendered(one: MeasuredFrame, *, grain: float = 0.0) -> Grey:
    """A bright disc on dark, where the frame says; invented, and no more than a drawing needs."""
    y, x = np.mgrid[:HIGH, :WIDE]
    levels: NDArray[Any] = np.full((HIGH, WIDE), 6.0)
    if one.disc.found:
        levels[np.hypot(x - one.disc.x_px, y - one.disc.y_px) < one.disc.radius_px] = 180.0
    levels += np.random.default_rng(7).normal(0, grain, levels.shape)
    return np.asarray(np.clip(levels, 0, 255), dtype=np.uint8)


def sketch(one: MeasuredFrame, *, up_deg: float = 0.0, **changes: Any) -> Sketch:
    return replace(Sketch(frame=one, upright=Upright(up_deg=up_deg, up_sure=True)), **changes)


def opened(content: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(content))
    image.load()
    return image


def brightest(content: bytes) -> tuple[float, float]:
    """Where the disc is in the picture, as a fraction of its width and height without the line of words."""
    levels = np.asarray(opened(content).convert("L"), dtype=float)
    levels = np.where(levels > 150, 1.0, 0.0)[: -22 or None]
    y, x = np.nonzero(levels)
    return float(np.median(x)) / levels.shape[1], float(np.median(y)) / levels.shape[0]


@pytest.mark.parametrize("most_bytes", [40_000, 10_000, 5_000])
@pytest.mark.parametrize("grain", [0.0, 25.0])
@pytest.mark.parametrize("up_deg", [0.0, 33.0])
def test_it_fits_whatever_is_in_the_frame(most_bytes: int, grain: float, up_deg: float) -> None:
    one = frame()
    content = picture_jpeg(rendered(one, grain=grain), sketch(one, up_deg=up_deg), most_bytes=most_bytes)
    assert len(content) <= most_bytes
    assert max(opened(content).size) >= 200


def test_nothing_but_pixels_is_in_the_file() -> None:
    one = frame()
    image = opened(picture_jpeg(rendered(one), sketch(one), most_bytes=40_000))
    assert len(image.getexif()) == 0
    assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


@pytest.mark.parametrize(
    ("up_deg", "at"), [(0, (0.6, 0.3)), (90, (0.3, 0.4)), (180, (0.4, 0.7)), (-90, (0.7, 0.6))]
)
def test_the_zenith_is_up(up_deg: float, at: tuple[float, float]) -> None:
    """Up pointing right in the frame (90 degrees clockwise): the frame's right side is the picture's top."""
    one = frame()
    content = picture_jpeg(rendered(one), sketch(one, up_deg=up_deg), most_bytes=40_000)
    assert brightest(content) == pytest.approx(at, abs=0.02)


def has(content: bytes, colour: tuple[int, int, int]) -> int:
    pixels = np.asarray(opened(content).convert("RGB"), dtype=float)
    return int((np.abs(pixels - colour).max(axis=-1) < 60).sum())


def test_limb_and_track_are_drawn_where_there_are_any() -> None:
    lost = frame(found=False)
    bare = picture_jpeg(rendered(lost), sketch(lost), most_bytes=40_000)
    assert has(bare, LIMB) == has(bare, AHEAD) == 0
    expected = sketch(lost, expected_px=(700.0, 500.0), expected_radius_px=78.0)
    assert has(picture_jpeg(rendered(lost), expected, most_bytes=40_000), LIMB) > 30
    times = tuple(utc_s(NOON) + 600.0 * n for n in range(12))
    track = Upright(
        up_deg=0, up_sure=True, track_s=times, track_px=tuple((300.0 + 80 * n, 800.0) for n in range(12))
    )
    assert has(picture_jpeg(rendered(lost), sketch(lost, upright=track), most_bytes=40_000), AHEAD) > 300


def test_the_edge_of_the_frame_is_drawn_all_round_and_the_margin_dashed_inside_it() -> None:
    one = frame()
    drawn = picture_jpeg(rendered(one), sketch(one, margin_px=120.0), most_bytes=60_000)
    pixels = np.asarray(opened(drawn), dtype=float)
    scale = 720 / WIDE  # the largest picture is so wide
    high = round(HIGH * scale)
    light = pixels.mean(axis=2)
    for side in (light[:3], light[high - 2 : high + 3], light[:high, :3].T, light[:high, -3:].T):
        assert (side.max(axis=0) > 60).mean() > 0.95
    # Dashes along the whole of each side, with as much between them.
    red = pixels[..., 0] - pixels[..., 1:].mean(axis=2)
    inset, across, down = round(120 * scale), slice(80, 640), slice(80, high - 80)
    wide = light.shape[1]
    sides = (
        red[inset - 3 : inset + 4, across],
        red[high - inset - 2 : high - inset + 5, across],
        red[down, inset - 3 : inset + 4].T,
        red[down, wide - inset - 4 : wide - inset + 3].T,
    )
    for side in sides:
        for quarter in np.array_split(side.max(axis=0) > 25, 4):
            assert 0.2 < quarter.mean() < 0.9


def test_the_places_that_are_drawn_say_what_they_are() -> None:
    """In the middle of a drawn circle there is nothing but its label."""
    lost, seen = frame(found=False), frame()
    for one, colour, (x, y), name in (
        (lost, LIMB, (400.0, 600.0), "expected_px"),
        (seen, AHEAD, (400.0, 600.0), "target_px"),
        (seen, AHEAD, (910.0, 310.0), "target_px"),
    ):
        places: dict[str, Any] = {name: (x, y), "expected_radius_px": 78.0}
        content = picture_jpeg(rendered(one), sketch(one, **places), most_bytes=40_000)
        image = opened(content).convert("RGB")
        scale = image.width / WIDE
        middle = image.crop(
            (
                round((x - 60) * scale),
                round((y - 20) * scale),
                round((x + 60) * scale),
                round((y + 20) * scale),
            )
        )
        pixels = np.asarray(middle, dtype=float)
        assert (np.abs(pixels - colour).max(axis=-1) < 60).sum() > 20
        assert (np.abs(pixels - GROUND).max(axis=-1) < 30).sum() > 100, "readable on the sun too"


def test_a_frame_already_reduced_gives_the_same_picture() -> None:
    one = frame()
    full = rendered(one)
    small = np.asarray(Image.fromarray(full).resize((WIDE // 2, HIGH // 2), Image.Resampling.BOX))
    a, b = (picture_jpeg(grey, sketch(one), most_bytes=40_000) for grey in (full, small))
    assert opened(a).size == opened(b).size
    assert brightest(a) == pytest.approx(brightest(b), abs=0.005)


def test_a_dark_frame_is_shown_brighter_and_a_bright_one_as_it_is() -> None:
    one = frame()

    def level(grey: Grey) -> float:
        image = opened(picture_jpeg(grey, sketch(one), most_bytes=40_000)).convert("L")
        return float(np.asarray(image)[round(0.3 * 480), round(0.6 * 720)])

    assert level(rendered(one)) == pytest.approx(180, abs=4)
    assert level(rendered(one) // 4) == pytest.approx(150, abs=4)
    assert level(rendered(one) // 20) == pytest.approx(36, abs=4)


def test_the_way_behind_ends_at_the_last_jump() -> None:
    way = [frame(NOON - timedelta(minutes=60 - n), 400.0 + n, 300.0) for n in range(30)]
    way += [frame(NOON - timedelta(minutes=30 - n), 850.0 + n, 300.0) for n in range(30)]
    places = behind(way, frame())
    assert min(x for x, _ in places) >= 850.0
    assert len(places) == 30


def forecast(**changes: Any) -> Forecast:
    scale = airless().camera.scale_arcsec_px
    return foreseen(**{"time_utc": NOON, "rate_ratio": 1.0, "scale_arcsec_px": scale, **changes})


@pytest.mark.parametrize("latitude_deg", [70.37, 35.0, -35.0, -68.0])
@pytest.mark.parametrize("hour", [0, 4, 8, 13, 18, 22])
@pytest.mark.parametrize("roll_deg", [0.0, 25.0])
def test_up_is_the_parallactic_angle_and_the_roll(latitude_deg: float, hour: int, roll_deg: float) -> None:
    """On a perfect axis, by a formula of its own: Meeus eq. 14.1 (`parallactic_angle_deg`).

    Unrolled, the picture's up is the visible pole. In the north the zenith stands at the position angle q
    from it, counter-clockwise on the sky; in the south the pole is turned by 180 degrees. A camera rolled
    clockwise sees all of that turned counter-clockwise.
    """
    chosen, at = airless(latitude_deg), NOON.replace(hour=hour)
    sun = Sun(chosen.site)
    # In the middle of the frame: gnomonic projection turns nothing there.
    one = frame(at, (WIDE - 1) / 2, (HIGH - 1) / 2)
    found = upright_of(one, forecast(time_utc=at, roll_deg=roll_deg), chosen, sun).up_deg
    q = float(sun.parallactic_angle_deg(utc_s(at)))
    expected = -(q - (180.0 if latitude_deg < 0 else 0.0)) - roll_deg
    assert (found - expected + 180) % 360 - 180 == pytest.approx(0, abs=0.1)


def test_a_perfect_mount_keeps_the_sun_and_one_that_stands_still_loses_it() -> None:
    chosen = airless()
    sun = Sun(chosen.site)
    kept = np.array(upright_of(frame(), forecast(), chosen, sun).track_px)
    assert len(kept) == 145
    # But for the equation of time, which changes by 13.1 s a day at the solstice (published day lengths):
    # the true sun comes later to the meridian every day, and so lags to the east, which is left.
    lag_px = 13.1 * 15 * np.cos(np.radians(23.43)) / chosen.camera.scale_arcsec_px
    assert kept[-1] == pytest.approx((900.0 - lag_px, 300.0), abs=1.0)
    stopped = upright_of(frame(), forecast(flags=("departed", "stopped")), chosen, sun)
    # 15 degrees an hour times the cosine of the declination, to the west: to the right in the north.
    step = stopped.track_px[1][0] - stopped.track_px[0][0]
    assert step * chosen.camera.scale_arcsec_px / 600 == pytest.approx(
        15 * np.cos(np.radians(23.43)), rel=0.02
    )
    assert len(stopped.track_px) < 40


def test_what_goes_its_own_way_or_was_never_seen_has_no_track() -> None:
    chosen = settings()
    sun = Sun(chosen.site)
    assert upright_of(frame(), forecast(departed_utc=NOON), chosen, sun).track_px == ()
    assert upright_of(frame(found=False), None, chosen, sun).track_px == ()
    assert not upright_of(frame(found=False), None, chosen, sun).up_sure
    expected = upright_of(frame(found=False), forecast(expected_px=(200.0, 200.0)), chosen, sun)
    assert expected.track_px[0] == pytest.approx((200.0, 200.0), abs=0.01)
