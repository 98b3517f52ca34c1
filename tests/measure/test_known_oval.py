"""Low suns partly hid whose flattening the session has told: a second renderer's and the shipped night's."""

import io
from dataclasses import replace
from functools import cache
from math import cos, hypot, isfinite, pi, sin
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from numpy.typing import NDArray
from PIL import Image

from sentinel.chain.intake.decode import read_picture
from sentinel.chain.measure import ExpectedDisc, KnownOval, measure
from sentinel.core.records import Disc
from tests.measure.kinds import plain
from tests.measure.openings import field
from tests.measure.second import Plane, Rng, View, jpeg_of

NIGHT = Path(__file__).parents[2] / "replay_data" / "midnight-sun"
Ovals = dict[str, KnownOval | None]


def low_sun(rng: Rng, **changes: object) -> View:
    given = {
        "width": 600, "height": 450, "radius": float(rng.uniform(70, 130)),
        "squeezed": float(rng.uniform(0.02, 0.07)), "squeezed_along": float(rng.uniform(0, pi)),
        "light": float(rng.uniform(0.3, 0.8)),
    } | changes  # fmt: skip
    return plain(rng, **given)


def below(view: View, light: Plane) -> Plane:
    """How far under the disc's middle every place lies, px."""
    ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
    along = view.squeezed_along
    return np.asarray((xs - view.x) * cos(along) + (ys - view.y) * sin(along), np.float32)


def hill(rng: Rng) -> View:
    view = low_sun(rng)
    crest, rough = rng.uniform(-0.3, 0.4) * view.radius, rng.uniform(0.0, 0.05) * view.radius

    def hide(light: Plane, rng: Rng) -> Plane:
        edge = below(view, light) - crest + rough * field(rng, light.shape, 25.0)
        return np.asarray(light / (1 + np.exp(np.clip(edge / 1.2, -30, 30))), np.float32)

    return replace(view, extra=hide)


def bank(rng: Rng) -> View:
    """A bank of cloud with a soft edge, lit by the sun."""
    view = low_sun(rng)
    crest, soft, glow = rng.uniform(-0.3, 0.4) * view.radius, rng.uniform(3, 25), rng.uniform(0, 0.04)

    def hide(light: Plane, rng: Rng) -> Plane:
        edge = below(view, light) - crest + 0.06 * view.radius * field(rng, light.shape, 60.0)
        cloud = 1 / (1 + np.exp(np.clip(-edge / soft, -30, 30)))
        return np.asarray(light * (1 - cloud) + glow * cloud, np.float32)

    return replace(view, extra=hide)


KINDS = {"hill": hill, "bank": bank}


@cache
def drawn(kind: str, seed: int) -> tuple[View, NDArray[np.uint8]]:
    view = KINDS[kind](np.random.default_rng([seed, 5]))
    return view, np.asarray(Image.open(io.BytesIO(jpeg_of(view))).convert("L"))


def oval_of(view: View, turned_deg: float = 0.0) -> KnownOval:
    stretch_px = view.radius * view.squeezed / 2
    oval = -stretch_px * np.exp(2j * (view.squeezed_along + np.radians(turned_deg)))
    return KnownOval((float(oval.real), float(oval.imag)), 0.03 + 0.03 * stretch_px)


def seen(kind: str, seed: int, oval: KnownOval | None) -> tuple[Disc, float]:
    """Return the disc and how far it is from where the sun was drawn."""
    view, grey = drawn(kind, seed)
    expected = ExpectedDisc(
        radius_px=view.radius, share=0.02, sd_share=0.001, place_px=(view.x + 2, view.y - 1), oval=oval
    )
    disc = measure(grey, transfer="srgb", full_scale=255.0, expected=expected)
    return disc, hypot(disc.x_px - view.x, disc.y_px - view.y) if disc.found else np.nan


@pytest.mark.parametrize("kind", KINDS)
def test_half_of_a_flat_sun_is_put_right_where_the_session_told_how_flat_it_is(kind: str) -> None:
    known = [seen(kind, seed, oval_of(drawn(kind, seed)[0])) for seed in range(8)]
    without = [seen(kind, seed, None) for seed in range(8)]
    assert all(disc.found for disc, _ in known)
    off = np.array([off_px for _, off_px in known])
    before = np.array([off_px for disc, off_px in without if disc.found])
    assert np.sqrt((off**2).mean()) < 0.45
    assert np.sqrt((before**2).mean()) > 2.5 * np.sqrt((off**2).mean())
    assert all(off_px < 3 * 1.41 * disc.centre_sigma_px for disc, off_px in known)


@pytest.mark.parametrize("turned_deg", [30.0, 90.0])
def test_a_limb_that_tells_another_oval_is_measured_as_if_none_were_known(turned_deg: float) -> None:
    """A camera that was turned: six tenths of a clear limb say so."""
    told = [seed for seed in range(8) if 0.55 < seen("hill", seed, None)[0].limb_coverage < 0.8]
    assert len(told) >= 3
    for seed in told:
        right, wrong = (
            seen("hill", seed, None),
            seen("hill", seed, oval_of(drawn("hill", seed)[0], turned_deg)),
        )
        assert wrong[1] < right[1] + 0.3


def test_less_than_half_of_a_flat_sun_is_doubted_as_much_as_it_errs_where_nothing_told_how_flat_it_is() -> (
    None
):
    """A circle of the known size fits it badly; it was believed to a fifth of a pixel, and 3 to 8 px off."""
    arcs = [seen("hill", seed, None) for seed in (0, 4, 6, 13, 15)]
    assert max(off_px for _, off_px in arcs) > 3.0
    for disc, off_px in arcs:
        assert off_px < 3 * 1.41 * disc.centre_sigma_px


def test_what_is_known_of_the_oval_is_not_told_once_more() -> None:
    """The forecast weighs ovals of discs one by one: what they owe to those before them would count twice."""
    view = low_sun(np.random.default_rng(3))
    grey = np.asarray(Image.open(io.BytesIO(jpeg_of(view))).convert("L"))
    discs = []
    for oval in (None, oval_of(view), oval_of(view, 90.0)):
        expected = ExpectedDisc(radius_px=view.radius, share=0.02, sd_share=0.001, oval=oval)
        discs.append(measure(grey, transfer="srgb", full_scale=255.0, expected=expected))
    assert all(isfinite(disc.oval_sigma_px) for disc in discs)
    for disc in discs[1:]:
        assert disc.oval_cos2_px == pytest.approx(discs[0].oval_cos2_px, abs=0.02)
        assert disc.oval_sin2_px == pytest.approx(discs[0].oval_sin2_px, abs=0.02)
    hidden, _ = seen("hill", 1, oval_of(drawn("hill", 1)[0]))
    assert not isfinite(hidden.oval_sigma_px)


def test_of_the_shipped_night_s_cloudy_discs_none_is_a_third_of_a_pixel_off() -> None:
    """Fitted as circles they were up to two pixels off; 63, which no fit holds, is left to its doubt."""
    truth = {Path(row["frame"]).name: row for row in Table.read(NIGHT / "truth.ecsv")}
    for number in (45, 46, 58, 62):
        name = f"FERN{number:04}.JPG"
        (path,) = NIGHT.rglob(name)
        picture, row = read_picture(path), truth[name]
        expected = ExpectedDisc(
            radius_px=row["radius_px"], share=0.02, sd_share=0.001,
            place_px=(row["x_px"] + 2, row["y_px"] + 1), oval=KnownOval((1.12, -0.23), 0.06),
        )  # fmt: skip
        disc = measure(
            picture.values, transfer=picture.transfer, full_scale=picture.full_scale, expected=expected
        )
        off_px = hypot(disc.x_px - row["x_px"], disc.y_px - row["y_px"])
        assert off_px < 1 / 3, name
        assert off_px < 3 * disc.centre_sigma_px
