"""A scenario -> measured frames without pixels: truth with the errors that measuring makes."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import nan
from typing import Any

import numpy as np

from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.srgb import srgb_decode, srgb_encode
from sentinel.core.times import from_utc_s
from sentinel.jobs.simulate.conditions import Conditions, conditions
from sentinel.jobs.simulate.exposures import Exposures, clock_time, exposures
from sentinel.jobs.simulate.files import LUMA, MAKE
from sentinel.jobs.simulate.light import limb_darkening
from sentinel.jobs.simulate.picture import tints_of
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.visibility import TrueVisibility, visibility
from sentinel.jobs.simulate.world import Truth, World
from sentinel.sky.arrays import Array
from sentinel.sky.refraction import air_mass

GAUSS_10_90 = 2.5631
"""10-90 % rise of a Gaussian edge, in sigmas."""
_MEDIAN_MU = np.sqrt([0.5])  # half the disc's area is brighter than its limb darkening there
_LEAST_SIGMA_PX = 0.008
_OVAL_TOLD = 0.8
"""Of the limb: on less an oval is not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPlan:
    """A scenario worked out: every exposure with its truth, conditions and visibility."""

    scenario: Scenario
    taken: Exposures
    truth: Truth
    state: Conditions
    seen: TrueVisibility


def plan_session(scenario: Scenario) -> SessionPlan:
    """Work a scenario out."""
    taken = exposures(scenario)
    world = World(scenario)
    truth = world.at(taken.utc_s)
    state = conditions(world, truth)
    seen = visibility(scenario.camera, truth, state)
    return SessionPlan(scenario=scenario, taken=taken, truth=truth, state=state, seen=seen)


def synthesize(scenario: Scenario) -> list[MeasuredFrame]:
    """Return what measuring a scenario's frames would give, in order of exposure, without rendering them.

    Times are the camera's clock less what of its error the operator knows.
    """
    return measured(plan_session(scenario))


def measured(work: SessionPlan) -> list[MeasuredFrame]:
    """Return the measured frames of a scenario that is worked out."""
    camera = work.scenario.camera
    known_s = camera.clock_offset_s if camera.clock_offset_known else 0.0
    return [
        MeasuredFrame(
            frame=name,
            time_utc=from_utc_s(round(clock_time(work.taken, i).timestamp() - known_s, 3)),
            width_px=camera.width_px,
            height_px=camera.height_px,
            disc=disc,
            exposure_s=float(work.taken.exposure_s[i]),
            iso=float(camera.iso),
            aperture=camera.aperture,
            camera=f"{MAKE} {camera.model}",
        )
        for i, (name, disc) in enumerate(zip(work.taken.names, _discs(work), strict=True))
    ]


def _discs(work: SessionPlan) -> Iterator[Disc]:
    """Return the discs as measuring tells them, to as many decimals as are worth anything."""
    x, y, radius, sigma = _fitted(work)
    width, width_cos2, width_sin2 = _edge_width_px(work)
    oval_cos2, oval_sin2, oval_sigma = _oval_px(work, sigma)
    brightness, saturated = _brightness(work)
    of_any_frame: dict[str, tuple[Array, int]] = {
        "brightness": (brightness, 5),
        "saturated_fraction": (saturated, 4),
    }
    of_discs = {
        "x_px": (x, 4),
        "y_px": (y, 4),
        "radius_px": (radius, 4),
        "centre_sigma_px": (sigma, 4),
        "limb_in_frame": (work.seen.limb_in_frame, 4),
        "limb_coverage": (work.seen.limb_coverage, 3),
        "edge_width_px": (width, 3),
        "edge_width_cos2_px": (width_cos2, 3),
        "edge_width_sin2_px": (width_sin2, 3),
        "oval_cos2_px": (oval_cos2, 4),
        "oval_sin2_px": (oval_sin2, 4),
        "oval_sigma_px": (oval_sigma, 4),
    }
    for i, found in enumerate(work.seen.found.tolist()):
        told = of_any_frame | of_discs if found else of_any_frame
        numbers: dict[str, Any] = {
            name: round(float(values[i]), digits) for name, (values, digits) in told.items()
        }
        yield Disc(found=found, **numbers)


def _fitted(work: SessionPlan) -> tuple[Array, Array, Array, Array]:
    """Return centre, radius and stated sigma of a limb fit.

    The error of a centre grows with blur and noise as the square root of the limb that is seen, and steeply
    where less than half of it is: an arc fixes its circle badly along the arc's own middle line. There the
    radius errs with the centre.
    """
    camera, truth, seen = work.scenario.camera, work.truth, work.seen
    random = np.random.default_rng((work.scenario.seed, 4))
    scatter = random.standard_normal((4, len(truth.utc_s)))
    limb = np.clip(seen.limb_coverage, 0.05, 1.0)
    light = np.maximum(work.state.level * work.state.gain * seen.transmission, 1e-3)
    noise = np.sqrt(camera.read_noise**2 + light / camera.full_well_e + _step_of_8_bit(light) ** 2 / 12)
    rays = 2 * np.pi * truth.radius_px * limb
    sigma = 3 * noise / light * work.state.blur_px**1.5 / np.sqrt(np.maximum(rays, 1)) + _LEAST_SIGMA_PX
    thick = 0.03 + 0.1 * (1 - limb) + 0.15 * np.exp(-seen.transmission / 0.03)
    patchy = np.where(seen.transmission < 0.99, thick, 0.0)
    sigma = np.hypot(sigma, patchy)
    along = sigma * np.minimum(limb**-1.5, 400.0)
    toward_x = truth.x_px - (camera.width_px - 1) / 2
    toward_y = truth.y_px - (camera.height_px - 1) / 2
    length = np.maximum(np.hypot(toward_x, toward_y), 1e-9)
    unit_x, unit_y = toward_x / length, toward_y / length
    radial, across = along * scatter[0], sigma * scatter[1]
    x = truth.x_px + radial * unit_x - across * unit_y
    y = truth.y_px + radial * unit_y + across * unit_x
    # A circle that lies too far out is also too large where only its inner side is seen.
    radius = truth.radius_px + np.where(limb < 0.95, radial, 0.0) + 1.5 * sigma * scatter[2]
    stated = np.sqrt((along**2 + sigma**2) / 2) * np.exp(0.15 * scatter[3])
    return x, y, radius, stated


def _step_of_8_bit(level: Array) -> Array:
    """Return how far apart two neighbouring 8-bit sRGB values are in light."""
    value = np.clip(srgb_encode(level), 0.01, 0.99)
    return np.asarray(srgb_decode(value + 1 / 255) - srgb_decode(value))


def _brightness(work: SessionPlan) -> tuple[Array, Array]:
    """Return the median level as a JPEG's grey shows it, and the share of pixels at full scale."""
    seen, state = work.seen, work.state
    centre = state.level * state.gain * (seen.transmission + seen.glow)
    shown = _grey(work, centre * float(limb_darkening(_MEDIAN_MU)[0]))
    profile = limb_darkening(np.linspace(0, 1, 201))
    full_from_mu = np.interp(1 / np.maximum(centre, 1e-9), profile, np.linspace(0, 1, 201), right=1.0)
    saturated = np.where(centre >= 1, 1 - full_from_mu**2, 0.0)
    background = _grey(work, (state.sky + state.level * seen.glow * 0.4) * state.gain)
    background = np.where(state.night | state.capped, 0.0, background)
    brightness = np.where(seen.found, shown, background)
    return (
        np.where(state.filter_lost, 1.0, brightness),
        np.where(state.filter_lost, 1.0, np.where(seen.found, saturated, 0.0)),
    )


def _grey(work: SessionPlan, level: Array) -> Array:
    """Return the linear level that a JPEG's grey decodes to, of a tinted picture."""
    if work.scenario.camera.file_format != "jpg":
        return np.clip(level, 0, 1)
    tints = tints_of(work.scenario, air_mass(work.truth.altitude_deg))
    luma = sum(
        weight * srgb_encode(np.clip(level * channel, 0, 1))
        for weight, channel in zip(LUMA, tints, strict=True)
    )
    return srgb_decode(np.asarray(luma))


def _edge_width_px(work: SessionPlan) -> tuple[Array, Array, Array]:
    """Return the mean edge width round the limb, and its second harmonic from +x towards +y.

    Pixels average over their own width; dispersion smears top and bottom more than the sides.
    """
    state, truth = work.state, work.truth
    random = np.random.default_rng((work.scenario.seed, 5))
    side = np.sqrt(state.blur_px**2 + 1 / 12)
    top = np.hypot(side, state.vertical_blur_px)
    doubt = 0.02 + 0.08 * (1 - work.seen.limb_coverage)
    mean = GAUSS_10_90 * (top + side) / 2
    half = GAUSS_10_90 * (top - side) / 2
    noise = random.standard_normal((3, len(side))) * doubt * mean
    toward = 2 * np.radians(truth.zenith_deg - 90)
    return mean + noise[0], half * np.cos(toward) + noise[1], half * np.sin(toward) + noise[2]


def _oval_px(work: SessionPlan, sigma_px: Array) -> Array:
    """Return the oval's two terms and their stated sigma, (3, n); NaN where too little limb tells of it."""
    truth = work.truth
    half = truth.radius_px * truth.flattening / 2
    # The long axis lies across the zenith's direction, which is told from up.
    toward = 2 * np.radians(truth.zenith_deg)
    random = np.random.default_rng((work.scenario.seed, 6))
    noise = random.standard_normal((2, len(half))) * sigma_px
    oval = np.stack([half * np.cos(toward) + noise[0], half * np.sin(toward) + noise[1], sigma_px])
    return np.where(work.seen.limb_coverage > _OVAL_TOLD, oval, nan)
