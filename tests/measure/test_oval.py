"""How far from round a disc is: told without bias, with an honest doubt, and only where the limb tells it."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from sentinel.core.records import Disc
from tests.measure.second import Plane, Rng, View, jpeg_of, linear_law
from tests.measure.test_kinds import of


def slightly_flattened(rng: Rng, **more: object) -> View:
    """A sun that the air has flattened by up to a hundredth, as 10 to 40 degrees of altitude do."""
    radius = float(rng.uniform(150, 300))
    settings: dict[str, object] = {
        "width": 1000, "height": 800, "radius": radius,
        "x": float(rng.uniform(radius + 20, 980 - radius)),
        "y": float(rng.uniform(radius + 20, 780 - radius)),
        "law": linear_law(float(rng.uniform(0.4, 0.75))), "spreads": ((1.0, float(rng.uniform(0.8, 1.8))),),
        "squeezed": float(rng.uniform(0, 0.01)), "squeezed_along": float(rng.uniform(0, np.pi)),
        "seed": int(rng.integers(1 << 30)),
    }  # fmt: skip
    return View(**(settings | more))  # type: ignore[arg-type]


def off_px(disc: Disc, view: View) -> tuple[float, float]:
    """Error of the oval along the true one and across it, px."""
    half, along = view.radius * view.squeezed / 2, view.squeezed_along + np.pi / 2
    turned = (complex(disc.oval_cos2_px, disc.oval_sin2_px)) * np.exp(-2j * along) - half
    return turned.real, turned.imag


def veiled(light: Plane, rng: Rng) -> Plane:
    """Thin cloud that takes up to six tenths, more on one side."""
    knots = rng.random((4, 5)).astype(np.float32)
    cloud = cv2.resize(knots, light.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(light * (1 - 0.6 * cloud))


KINDS: dict[str, Callable[[Rng], View]] = {
    "clear": slightly_flattened,
    "out of focus": lambda rng: slightly_flattened(rng, spreads=((1.0, 4.0),)),
    "trailed": lambda rng: slightly_flattened(rng, trail=tuple(rng.uniform(-5, 5, 2).tolist())),
    "seeing": lambda rng: slightly_flattened(rng, seeing=float(rng.uniform(0.2, 0.8))),
    "noise": lambda rng: slightly_flattened(rng, noise=0.04),
    "veiled": lambda rng: slightly_flattened(rng, extra=veiled),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_whole_disc_s_oval_is_told_without_bias_and_its_doubt_is_honest(kind: str) -> None:
    seen = [(of(view), view) for view in (KINDS[kind](np.random.default_rng([77, i])) for i in range(8))]
    off = np.array([off_px(disc, view) for disc, view in seen])
    sigma = np.array([disc.oval_sigma_px for disc, _ in seen])
    assert np.abs(off).max(axis=1) == pytest.approx(np.zeros(8), abs=3.5 * sigma.max())
    assert (np.abs(off) < 3.5 * sigma[:, None]).all()
    assert abs(off[:, 0].mean()) < 3 * np.sqrt((sigma**2).mean() / 8), "small ovals are not rounded"
    assert sigma.max() < (0.5 if kind == "seeing" else 0.05)


def test_part_of_a_limb_tells_no_oval() -> None:
    view = slightly_flattened(np.random.default_rng(5))
    arc = of(replace(view, x=0.3 * view.radius))
    assert arc.found
    assert np.isnan([arc.oval_cos2_px, arc.oval_sin2_px, arc.oval_sigma_px]).all()
    assert np.isnan(Disc(found=False).oval_sigma_px)


def test_where_no_sun_is_there_is_no_oval() -> None:
    view = slightly_flattened(np.random.default_rng(6), light=0.0)
    assert jpeg_of(view)
    assert np.isnan(of(view).oval_cos2_px)
