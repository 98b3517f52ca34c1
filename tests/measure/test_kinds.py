"""The measuring room against the second renderer: no sun refused, no ghost believed, doubt honest.

Frame i of a kind is made from the seed [S, i]; both stand in the test's name or its failure.
"""

from dataclasses import replace
from math import hypot
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sentinel.chain.intake.pixels import from_jpeg
from sentinel.chain.measure import ExpectedDisc, flags, measure
from sentinel.core.records import Disc
from tests.measure.camera_kinds import CAMERA_KINDS, CAMERA_NO_SUNS, half_fogged
from tests.measure.kinds import BLUE, KINDS, NO_SUNS, ORANGE, RED, Kind, annular, arc, ghosted, plain
from tests.measure.low_kinds import LOW_KINDS
from tests.measure.more_kinds import MORE_KINDS, MORE_NO_SUNS
from tests.measure.second import Ghost, View, clipped_share, colours_of, jpeg_of, linear_law

EVERY_KIND = (*KINDS, *MORE_KINDS, *CAMERA_KINDS, *LOW_KINDS)
EVERY_NO_SUN = NO_SUNS | MORE_NO_SUNS | CAMERA_NO_SUNS


def of(view: View, expected: ExpectedDisc | None = None) -> Disc:
    pixels = from_jpeg(jpeg_of(view))
    return measure(
        pixels.values, transfer="srgb", full_scale=255.0, expected=expected, brightest=pixels.brightest
    )


def off(disc: Disc, view: View) -> float:
    return hypot(disc.x_px - view.x, disc.y_px - view.y)


def check(kind: Kind, seed: tuple[int, int]) -> float:
    """Measure a frame; return the error over its sigma."""
    view = kind.make(np.random.default_rng(seed))
    disc = of(view)
    assert disc.found, (seed, disc.flags)
    wrong = off(disc, view) > max(4 * disc.centre_sigma_px, 0.002 * view.radius)
    assert not wrong, (seed, off(disc, view), disc)
    return off(disc, view) / disc.centre_sigma_px


@pytest.mark.parametrize("kind", EVERY_KIND, ids=lambda kind: kind.name)
def test_a_sun_of_each_kind_is_found_and_its_doubt_is_honest(kind: Kind) -> None:
    assert check(kind, (31, 0)) < 4


@pytest.mark.slow
@pytest.mark.parametrize("kind", EVERY_KIND, ids=lambda kind: kind.name)
def test_more_suns_of_each_kind(kind: Kind) -> None:
    ratios = [check(kind, (37, i)) for i in range(6)]
    assert max(ratios) < 4
    assert float(np.sqrt(np.mean(np.square(ratios)))) < 2.5


@pytest.mark.parametrize("kind", EVERY_NO_SUN)
def test_what_is_no_sun_is_not_taken_for_one(kind: str) -> None:
    disc = of(EVERY_NO_SUN[kind](np.random.default_rng([31, 0])))
    assert not disc.found
    assert disc.flags


@pytest.mark.slow
@pytest.mark.parametrize("kind", EVERY_NO_SUN)
def test_more_that_is_no_sun(kind: str) -> None:
    assert [i for i in range(8) if of(EVERY_NO_SUN[kind](np.random.default_rng([37, i]))).found] == []


GHOST = Ghost(x=1400.0, y=820.0, radius=250.0, share=0.2, law=linear_law(0.6))
SUN = View(x=520.4, y=430.8, radius=250.0, light=0.6, ghosts=(GHOST,))


def test_of_two_suns_the_brighter_is_the_sun_and_the_other_is_named() -> None:
    # The sun's edge is washed out, the ghost's is not: by its edge alone the ghost would win.
    soft = replace(SUN, spreads=((1.0, 9.0),))
    disc = of(soft)
    assert off(disc, soft) < 0.2
    ghost_first = replace(soft, ghosts=(replace(GHOST, share=0.34),))
    assert off(of(ghost_first), soft) < 0.2


def test_a_ghost_that_was_fitted_first_is_named_beside_the_sun() -> None:
    expected = ExpectedDisc(radius_px=250.0, share=0.06, place_px=(GHOST.x, GHOST.y))
    disc = of(SUN, expected)
    assert off(disc, SUN) < 0.05
    assert flags.SECOND_DISC in disc.flags


def test_ghosts_of_every_strength() -> None:
    for i in range(3):
        view = ghosted(np.random.default_rng([54, i]))
        assert off(of(view), view) < 0.3, i


@pytest.mark.parametrize("seed", [(101, 16), (101, 26), (102, 2), (103, 14)], ids=str)
def test_of_two_discs_at_full_scale_the_one_of_the_steeper_edge_is_the_sun(seed: tuple[int, int]) -> None:
    """The ghost is full too, stands apart or lies across the sun, once so that neither's limb is whole."""
    view = ghosted(np.random.default_rng(seed))
    disc = of(view)
    assert off(disc, view) < max(3 * disc.centre_sigma_px, 0.1)


@pytest.mark.parametrize("seed", [(7, 0), (7, 1), (7, 2), (7, 6)], ids=str)
def test_a_twentieth_of_the_limb_is_enough(seed: tuple[int, int]) -> None:
    """Such a sliver is 5 to 8 px deep."""
    view = arc(0.05, 0.10)(np.random.default_rng(seed))
    disc = of(view)
    assert off(disc, view) < min(3 * disc.centre_sigma_px, 10.0)


@pytest.mark.parametrize(("radius", "share", "blur"), [(1200.0, 0.06, 1.2), (350.0, 0.095, 4.0)])
def test_a_sliver_is_measured_though_its_rough_circle_is_far_off(
    radius: float, share: float, blur: float
) -> None:
    x = -radius * np.cos(np.pi * share) - 0.5
    view = View(x=float(x), y=610.3, radius=radius, light=0.5, spreads=((1.0, blur),))
    disc = of(view)
    assert off(disc, view) < min(3 * disc.centre_sigma_px, 20.0)


def test_a_frame_is_not_called_dark_where_something_is_lit() -> None:
    dark = View(x=-5000.0, y=-5000.0)
    lit = np.zeros((dark.height, dark.width), np.float32)
    lit[:, :9] = 1.0
    streak = replace(dark, extra=lambda light, _: light + lit)
    assert of(streak).flags == (flags.NO_LIMB,)
    assert of(dark).flags == (flags.NO_LIGHT,)


def test_where_glare_hides_the_limb_the_flag_says_so() -> None:
    disc = of(View(light=120.0, glow=0.5, glow_radii=2.0))
    assert not disc.found
    assert flags.GLARE in disc.flags or flags.ALL_WHITE in disc.flags


@pytest.mark.parametrize(
    ("light", "colours"), [(1.5, ORANGE), (2.5, ORANGE), (2.5, RED), (3.0, (1.0, 1.0, 1.0))]
)
def test_one_channel_that_runs_over_is_saturation(light: float, colours: tuple[float, float, float]) -> None:
    view = View(light=light, filter_rgb=colours)
    disc = of(view)
    assert disc.saturated_fraction == pytest.approx(clipped_share(view, colours_of(view)), abs=0.2)


@pytest.mark.parametrize("ceiling", [228, 240, 250])
def test_a_converter_that_clips_below_its_last_code_is_saturation(ceiling: int) -> None:
    view = View(light=3.0, ceiling=ceiling)
    assert of(view).saturated_fraction > 0.9
    assert of(replace(view, light=0.7)).saturated_fraction < 0.02


def test_saturation_is_seen_where_no_disc_is() -> None:
    for ceiling in (235, 255):
        disc = of(View(radius=2500.0, light=8.0, ceiling=ceiling))
        assert not disc.found
        assert disc.saturated_fraction > 0.9


KNOWN = ExpectedDisc(radius_px=250.0, share=0.06)


def test_what_is_known_changes_no_clear_disc() -> None:
    view = replace(SUN, ghosts=())
    without = of(view)
    for place in (None, (522.0, 428.0), (1500.0, 200.0)):
        disc = of(view, replace(KNOWN, place_px=place))
        assert off(disc, view) == pytest.approx(off(without, view), abs=0.01)
        assert disc.flags == without.flags


def test_a_sun_of_another_size_is_still_found_and_said_so() -> None:
    view = replace(SUN, ghosts=(), radius=350.0)
    disc = of(view, KNOWN)
    assert off(disc, view) < 0.05
    assert flags.UNEXPECTED_SIZE in disc.flags


def test_a_lamp_out_of_focus_of_another_size_is_no_sun() -> None:
    lamp = View(radius=60.0, law=linear_law(0.0), light=0.8)
    assert flags.LIKE_A_LAMP in of(lamp).flags  # nothing tells it from an even sun
    assert not of(lamp, KNOWN).found


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_a_small_low_sun_is_found_though_its_limb_boils_by_thirteen_seconds_of_arc(seed: int) -> None:
    view = View(
        radius=60.0, x=900.3 + seed, y=600.2, spreads=((1.0, 1.0),), seeing=0.8, seeing_scale=20.0, seed=seed
    )
    disc = of(view)
    assert off(disc, view) < 4 * disc.centre_sigma_px
    assert flags.SOFT not in disc.flags
    assert disc.edge_width_px == pytest.approx(2.5631 * np.hypot(1.0, 12**-0.5), rel=0.15)


def test_small_sharp_suns_are_not_soft() -> None:
    view = View(radius=40.0, spreads=((1.0, 0.9),))
    assert flags.SOFT not in of(view).flags
    assert flags.SOFT in of(replace(view, spreads=((1.0, 3.0),))).flags


def test_a_sliver_at_the_edge_is_no_accident() -> None:
    for depth in (0.5, 1.0, 2.0, 3.0, 5.0, 8.0):
        of(View(x=-300.0 + depth, radius=300.0))
        of(View(y=-300.0 + depth, radius=300.0))


def test_the_sun_s_own_brightness_does_not_decide() -> None:
    """The same sun through tone curves of 0.5 to 3 stands in the same place."""
    rng = np.random.default_rng(9)
    view = replace(plain(rng), filter_rgb=(1.0, 1.0, 1.0), light=0.7)
    for tone in (0.5, 1.0, 2.0, 3.0):
        assert off(of(replace(view, tone=tone)), view) < 0.1


ORANGE_RED, VIOLET = (1.0, 0.3, 0.05), (0.5, 0.1, 1.0)


@pytest.mark.parametrize("colours", [ORANGE, RED, BLUE, ORANGE_RED, VIOLET])
@pytest.mark.parametrize("light", [1.2, 2.0])
def test_a_channel_that_runs_over_is_seen_at_any_grey_level(
    light: float, colours: tuple[float, float, float]
) -> None:
    view = View(light=light, filter_rgb=colours)
    assert of(view).saturated_fraction == pytest.approx(clipped_share(view, colours_of(view)), abs=0.2)


def test_the_dark_moon_before_most_of_the_disc_does_not_tell_its_colours() -> None:
    """Most of what lies within the limb of a ring is black."""
    ring = View(light=0.5, filter_rgb=ORANGE_RED, moon=(902.0, 603.0, 270.0), noise=0.0)
    disc = of(ring)
    assert off(disc, ring) < 0.1
    whole = of(replace(ring, moon=None))
    assert disc.channel_ratio == pytest.approx(whole.channel_ratio, rel=0.2)


def test_dew_on_one_side_of_the_filter_pulls_the_centre_no_farther_than_is_said() -> None:
    ratios = []
    for i in (0, 3, 5, 8, 16):
        view = half_fogged(np.random.default_rng([9001, i]))
        disc = of(view)
        ratios.append(off(disc, view) / disc.centre_sigma_px)
    assert max(ratios) < 3


def test_a_trail_is_told_by_its_length_and_way_and_costs_no_place() -> None:
    view = replace(SUN, ghosts=(), trail=(0.0, 9.0))
    disc = of(view)
    assert off(disc, view) < 0.03
    assert disc.edge_width_cos2_px < -1.5
    assert abs(disc.edge_width_sin2_px) < 0.2
    assert np.isnan(of(replace(view, x=-0.4 * view.radius)).edge_width_cos2_px)


@pytest.mark.parametrize("seed", [104, 113, 62, 54, 37])
def test_a_ring_as_wide_as_the_rays_are_deep_is_not_pulled_by_the_moon(seed: int) -> None:
    """The moon's edge lies about the inner ends of the rays, in some directions beyond them."""
    ring = annular(np.random.default_rng([9001, seed]))
    disc = of(ring)
    assert off(disc, ring) < 3 * disc.centre_sigma_px
    assert abs(disc.radius_px - ring.radius) < 0.1


def test_what_a_session_has_told_of_its_colours_spares_them_only_while_none_may_run_over() -> None:
    asked: list[float] = []

    def counted(view: View, expected: ExpectedDisc) -> Disc:
        pixels = from_jpeg(jpeg_of(view))

        def brightest() -> NDArray[Any]:
            asked.append(view.light)
            assert pixels.brightest is not None
            return pixels.brightest()

        return measure(
            pixels.values, transfer="srgb", full_scale=255.0, expected=expected, brightest=brightest
        )

    view = View(light=0.5, filter_rgb=ORANGE_RED, radius=250.0)
    first = counted(view, KNOWN)
    assert first.channel_ratio == pytest.approx(0.5 * 0.85 / first.brightness, rel=0.15)
    told = replace(KNOWN, channel_ratio=first.channel_ratio)
    assert counted(view, told).saturated_fraction == 0.0
    assert counted(replace(view, light=1.5), told).saturated_fraction > 0.5
    assert asked == [0.5, 1.5]
