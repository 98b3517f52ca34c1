"""The renderer obeys physics: geometry, convolution, order of operations, noise."""

from dataclasses import replace

import numpy as np
import pytest

from sentinel.jobs.simulate.light import limb_darkening_coefficients
from sentinel.jobs.simulate.render import render
from sentinel.jobs.simulate.scene import (
    Blur,
    Caption,
    Cloud,
    Dust,
    MoonDisc,
    Noise,
    Ridge,
    Scene,
    Spot,
    SunDisc,
)

SUN = SunDisc(x_px=110.317, y_px=104.769, radius_px=70.0)
QUIET = Scene(width_px=220, height_px=210, sun=SUN, sky=0.0, noise=None)


def centroid(image: np.ndarray) -> tuple[float, float, float]:
    """Flux and centre of light."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    flux = image.sum(dtype=float)
    return flux, float((image * x).sum(dtype=float) / flux), float((image * y).sum(dtype=float) / flux)


def disc_flux(radius_px: float, brightness: float = SUN.brightness) -> float:
    """Flux of a whole disc by integrating P5 over it in closed form."""
    mean = 2 * sum(a / (i + 2) for i, a in enumerate(limb_darkening_coefficients(550.0)))
    return float(np.pi * radius_px**2 * mean * brightness)


@pytest.mark.parametrize("radius_px", [12.0, 30.0, 77.85, 470.3])
@pytest.mark.parametrize("flattening", [0.0, 0.06])
def test_centre_and_size_are_true(radius_px: float, flattening: float) -> None:
    size = int(2 * radius_px + 30)
    sun = SunDisc(
        x_px=size / 2 + 0.317,
        y_px=size / 2 - 0.231,
        radius_px=radius_px,
        flattening=flattening,
        zenith_deg=23,
    )
    image = render(replace(QUIET, width_px=size, height_px=size, sun=sun))
    flux, x, y = centroid(image)
    assert (x, y) == pytest.approx((sun.x_px, sun.y_px), abs=0.003)
    assert np.sqrt(flux / disc_flux(1.0) / (1 - flattening)) == pytest.approx(radius_px, abs=0.003)


def test_the_limbs_stand_where_the_egg_says() -> None:
    """Both limbs at equal distance from the middle, the widest row below it."""
    sun = replace(SUN, flattening=0.1, egg=0.01)
    lit = render(replace(QUIET, sun=sun, blur=Blur(sigma_px=0))) > 0.5 * 0.3 * SUN.brightness
    rows = np.nonzero(lit.any(axis=1))[0]
    assert rows.min() == pytest.approx(SUN.y_px - 63.0, abs=1.0)
    assert rows.max() == pytest.approx(SUN.y_px + 63.0, abs=1.0)
    assert lit.sum() == pytest.approx(np.pi * 70 * 63, rel=0.01)
    upper, lower = lit[rows.min() : 105].sum(), lit[105 : rows.max() + 1].sum()
    assert lower > upper


@pytest.mark.parametrize("blur", [Blur(sigma_px=1), Blur(sigma_px=5), Blur(sigma_px=2, vertical_sigma_px=3)])
def test_blur_conserves_light_and_moves_nothing(blur: Blur) -> None:
    sharp = centroid(render(replace(QUIET, blur=Blur(sigma_px=0))))
    assert centroid(render(replace(QUIET, blur=blur))) == pytest.approx(sharp, rel=1e-5)


def test_blur_adds_its_variance() -> None:
    """Second moments grow by sigma squared, along the vertical by the vertical's too."""

    def moments(blur: Blur) -> tuple[float, float]:
        image = render(replace(QUIET, blur=blur)).astype(float)
        flux, x0, y0 = centroid(image)
        y, x = np.mgrid[: image.shape[0], : image.shape[1]]
        return float((image * (x - x0) ** 2).sum() / flux), float((image * (y - y0) ** 2).sum() / flux)

    sharp = moments(Blur(sigma_px=0))
    soft = moments(Blur(sigma_px=2.0, vertical_sigma_px=1.5))
    assert soft[0] - sharp[0] == pytest.approx(4.0, abs=0.02)
    assert soft[1] - sharp[1] == pytest.approx(4.0 + 2.25, abs=0.02)


def test_what_lies_outside_the_frame_shines_in() -> None:
    """A blurred disc that is cut by the edge is the same as the whole one, cut afterwards."""
    whole = render(replace(QUIET, blur=Blur(sigma_px=3)))
    cut = replace(QUIET, width_px=120, sun=replace(SUN, x_px=SUN.x_px - 50), blur=Blur(sigma_px=3))
    assert np.allclose(render(cut), whole[:, 50:170], atol=2e-6)


def test_noise_is_read_and_shot() -> None:
    noise = Noise(read=0.002, full_well_e=20_000, seed=3)
    sky = 0.25
    image = render(Scene(width_px=600, height_px=500, sky=sky, noise=noise))
    assert image.mean() == pytest.approx(sky, abs=1e-4)
    assert image.std() == pytest.approx(np.sqrt(0.002**2 + sky / 20_000), rel=0.01)
    assert not np.array_equal(image[:256], image[244:500])


def test_the_same_scene_gives_the_same_image() -> None:
    scene = replace(QUIET, noise=Noise(seed=5), clouds=(Cloud(mean=0.5, contrast=0.5, seed=2),))
    assert np.array_equal(render(scene), render(scene))


def test_dust_stays_while_the_sun_moves() -> None:
    dust = Dust(x_px=110, y_px=100, radius_px=8, depth=0.3)
    for shift in (0.0, 20.0):
        sun = replace(SUN, x_px=SUN.x_px + shift)
        clean, dusty = render(replace(QUIET, sun=sun)), render(replace(QUIET, sun=sun, dust=(dust,)))
        assert dusty[100, 110] / clean[100, 110] == pytest.approx(0.7, abs=0.001)
        assert np.array_equal(clean[100, :90], dusty[100, :90])


def test_cloud_takes_its_median() -> None:
    clear = render(QUIET)
    even = render(replace(QUIET, clouds=(Cloud(mean=0.4),)))
    assert np.allclose(even, 0.4 * clear, atol=1e-6)
    patchy = [
        render(replace(QUIET, clouds=(Cloud(mean=0.4, contrast=0.8, scale_px=30, seed=seed),)))
        for seed in range(12)
    ]
    ratio = np.array(patchy)[:, 70:140, 75:145] / clear[70:140, 75:145]
    assert np.median(ratio) == pytest.approx(0.4, abs=0.05)
    assert ratio.std() > 0.1


def test_cloud_moves_with_the_wind() -> None:
    def through(shift: float) -> np.ndarray:
        cloud = Cloud(mean=0.4, contrast=0.8, scale_px=60, shift_px=(shift, 0), seed=4)
        sharp = replace(QUIET, blur=Blur(sigma_px=0))
        return np.asarray(render(replace(sharp, clouds=(cloud,))) / render(sharp).clip(1e-9))

    assert through(10.0)[100, 90:130] == pytest.approx(through(0.0)[100, 80:120], abs=1e-4)


@pytest.mark.parametrize("facing_deg", [0.0, 90.0, 137.0, 180.0, 301.0])
def test_a_ridge_through_the_middle_hides_half(facing_deg: float) -> None:
    ridge = Ridge(x_px=SUN.x_px, y_px=SUN.y_px, facing_deg=facing_deg)
    image = render(replace(QUIET, horizon=ridge))
    assert image.sum(dtype=float) == pytest.approx(disc_flux(70) / 2, rel=2e-3)
    nx, ny = ridge.normal
    assert image[round(SUN.y_px + 20 * ny), round(SUN.x_px + 20 * nx)] < 1e-4


def test_the_moon_covers_the_sun_and_not_the_sky() -> None:
    moon = MoonDisc(x_px=SUN.x_px, y_px=SUN.y_px, radius_px=72)
    image = render(replace(QUIET, moon=moon, sky=0.01))
    assert np.allclose(image, 0.01, atol=1e-6)


def test_a_spot_is_dark_and_foreshortened() -> None:
    def width(x: float) -> float:
        spot = Spot(x=x, y=0.0, radius=0.1, contrast=1.0)
        ratio = render(replace(QUIET, sun=replace(SUN, spots=(spot,)))) / render(QUIET).clip(1e-9)
        return float((1 - ratio[105, 60:180]).clip(0, 1).sum())

    assert width(0.8) / width(0.0) == pytest.approx(0.6, abs=0.08)


def test_a_lost_filter_whitens_everything() -> None:
    low = replace(SUN, brightness=0.15)
    assert (render(replace(QUIET, sun=low, filter_factor=1e5)) > 1).all()


def test_no_blur_makes_light_negative() -> None:
    """A bare sun over-exposes ten thousand times: any ringing of the blur would leave black pixels."""
    bright = replace(QUIET, sun=replace(SUN, zenith_deg=20), gain=1e5)
    for vertical_sigma_px in (0.0, 0.02, 1.5):
        image = render(replace(bright, blur=Blur(sigma_px=0.8, vertical_sigma_px=vertical_sigma_px)))
        assert image.min() > -0.05


def test_gain_multiplies_light_before_noise() -> None:
    scene = replace(QUIET, sky=0.02)
    assert np.allclose(render(replace(scene, gain=6.0)), 6 * render(scene), rtol=1e-5)


def test_ripples_leave_the_mean_limb() -> None:
    rippled = [
        centroid(render(replace(QUIET, sun=replace(SUN, ripple_px=0.5, ripple_seed=i)))) for i in range(8)
    ]
    flux, x, y = centroid(render(QUIET))
    assert np.mean([r[0] for r in rippled]) == pytest.approx(flux, rel=5e-4)
    assert [r[1] for r in rippled] == pytest.approx([x] * 8, abs=0.02)
    assert [r[2] for r in rippled] == pytest.approx([y] * 8, abs=0.02)


def test_a_caption_shows_where_it_was_put() -> None:
    caption = Caption(text="21:03", x_px=10, y_px=250, height_px=24)
    image = render(Scene(width_px=400, height_px=300, noise=None, caption=caption))
    assert image[250:290, 10:90].max() > 0.9
    assert image[:240].max() < 0.01


def test_a_caption_outside_the_frame_is_refused() -> None:
    with pytest.raises(ValueError, match="outside the frame"):
        render(Scene(width_px=40, height_px=40, caption=Caption(text="x", x_px=50, y_px=5, height_px=10)))


def test_an_empty_scene_is_black() -> None:
    assert render(Scene(width_px=8, height_px=5, noise=None)).shape == (5, 8)
    far = replace(QUIET, sun=replace(SUN, x_px=-500.0))
    assert render(far).max() == 0.0
