"""A scenario -> light and focus at each exposure: air, cloud, frost, cap, filter, moon, horizon."""

from dataclasses import dataclass

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.jobs.simulate.events import Cap, CloudBank, FilterLost, FocusDrift, Frost, InventedEclipse
from sentinel.jobs.simulate.fields import smooth_series
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.scene import Cloud
from sentinel.jobs.simulate.world import Truth, World
from sentinel.sky import HorizonLine, Moon, altaz_deg, refraction_deg, true_altitude_deg
from sentinel.sky.arrays import Array, Bools
from sentinel.sky.refraction import air_mass

_NIGHT_DEG = -1.0  # lower than this nothing of the disc is seen from anywhere near the sea's level


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What stands between sun and sensor; arrays of one shape (times,)."""

    level: Array
    """Linear level of the disc's centre but for cloud."""
    sky: Array
    gain: Array
    """Exposure over the scenario's usual one."""
    blur_px: Array
    """Gaussian sigma of optics and seeing."""
    vertical_blur_px: Array
    """Added in quadrature along the vertical: dispersion."""
    above_horizon_px: Array
    """Height of the disc's middle above the horizon line, along the vertical."""
    horizon_slope: Array
    """Rise of the horizon line to the right of who looks at it."""
    night: Bools
    capped: Bools
    filter_lost: Bools
    moon_x_px: Array
    """NaN where the moon is not near."""
    moon_y_px: Array
    moon_radius_px: Array
    clouds: tuple[tuple[Cloud, ...], ...]
    """The sheets of cloud before each exposure."""


def conditions(world: World, truth: Truth) -> Conditions:
    """Return the conditions at the truth's times."""
    scenario, times = world.scenario, truth.utc_s
    camera = scenario.camera
    mass = air_mass(truth.altitude_deg)
    stops = np.array(camera.bracket_stops)
    gain = 2.0 ** stops[np.arange(len(times)) % len(stops)]
    hours = (times - scenario.start_s) / 3600
    haze = 1 + scenario.air.haze * smooth_series(hours, scale=1.5, seed=500 + scenario.seed)
    extinguished = 10 ** (-0.4 * scenario.air.extinction_mag * haze * (mass - 1))
    seeing_px = scenario.air.seeing_arcsec * mass**0.6 / 2.3548 / truth.local_scale_arcsec_px
    height_px, slope = _above_horizon(world, truth)
    moon_x, moon_y, moon_radius = _moon(world, truth)
    return Conditions(
        level=camera.level * extinguished * (1 - _frost(scenario, times)),
        sky=np.full(times.shape, scenario.air.sky),
        gain=gain,
        blur_px=np.hypot(_focus_px(scenario, times), seeing_px),
        vertical_blur_px=_dispersion_px(scenario, truth),
        above_horizon_px=height_px,
        horizon_slope=slope,
        night=truth.altitude_deg < _NIGHT_DEG,
        capped=scenario.during_any(Cap, times),
        filter_lost=scenario.during_any(FilterLost, times),
        moon_x_px=moon_x,
        moon_y_px=moon_y,
        moon_radius_px=moon_radius,
        clouds=_clouds(scenario, times, 3600 / world.optics.scale_arcsec_px),
    )


def _frost(scenario: Scenario, times: Array) -> Array:
    """Return the share of light that frost or dirt takes."""
    left = np.ones(times.shape)
    for event in scenario.events_of(Frost):
        begin_s, end_s = scenario.span_s(event)
        grown = np.clip((times - begin_s) / max(60 * event.ramp_min, 1e-3), 0, 1)
        left *= np.where(times < end_s, 1 - event.dimming * grown, 1.0)
    return 1 - left


def _focus_px(scenario: Scenario, times: Array) -> Array:
    """Return the blur by optics and focus alone; each drift begins where the one before had come to."""
    when, what = [scenario.start_s], [scenario.camera.blur_px]
    for event in scenario.events_of(FocusDrift):
        at_s = scenario.seconds(event.at)
        when += [at_s, scenario.seconds(event.until)]
        what += [float(np.interp(at_s, when[: len(what)], what)), event.sigma_px]
    return np.asarray(np.interp(times, when, what))


def _dispersion_px(scenario: Scenario, truth: Truth) -> Array:
    """Return the sigma of a line evenly lit over the spread of refraction across the camera's band."""
    site = scenario.site
    true = true_altitude_deg(np.maximum(truth.altitude_deg, 0.0), site.pressure_hpa, site.temperature_c)
    refraction = refraction_deg(true, site.pressure_hpa, site.temperature_c) * 3600
    spread = scenario.air.dispersion * refraction
    return np.asarray(spread / np.sqrt(12) / truth.local_scale_arcsec_px)


def _above_horizon(world: World, truth: Truth) -> tuple[Array, Array]:
    line = HorizonLine(world.scenario.site.horizon)
    height_deg = truth.altitude_deg - line.altitude_deg(truth.azimuth_deg)
    step = 0.25
    rise = line.altitude_deg(truth.azimuth_deg + step) - line.altitude_deg(truth.azimuth_deg - step)
    slope = rise / (2 * step) / np.cos(np.radians(truth.altitude_deg))
    return height_deg * 3600 / truth.local_scale_arcsec_px, np.asarray(slope)


def _clouds(scenario: Scenario, times: Array, degree_px: float) -> tuple[tuple[Cloud, ...], ...]:
    sheets: list[list[Cloud]] = [[] for _ in times]
    for number, event in enumerate(scenario.events):
        if not isinstance(event, CloudBank):
            continue
        begin_s, end_s = scenario.span_s(event)
        edge_s = max(60 * event.edge_min, 1e-3)
        thick = np.clip(np.minimum((times - begin_s) / edge_s, (end_s - times) / edge_s), 0, 1)
        # The bank's own thickness wanders too, so that a long one is not evenly bad.
        wander = smooth_series((times - begin_s) / 1800, scale=1.0, seed=scenario.seed + 977 * number)
        thick = thick * np.exp(0.4 * event.patchiness * wander)
        toward = 2 * np.pi * ((0.137 * scenario.seed + 0.381 * number) % 1.0)
        for i in np.nonzero(thick > 1e-3)[0]:
            drift_px = event.drift_deg_min * degree_px * (times[i] - begin_s) / 60
            sheets[i].append(
                Cloud(
                    mean=max(event.transmission ** float(thick[i]), 1e-6),
                    contrast=event.patchiness,
                    scale_px=event.size_deg * degree_px,
                    shift_px=(float(drift_px * np.cos(toward)), float(drift_px * np.sin(toward))),
                    glow=event.glow,
                    seed=1000 * scenario.seed + number,
                )
            )
    return tuple(tuple(sheet) for sheet in sheets)


def _moon(world: World, truth: Truth) -> tuple[Array, Array, Array]:
    """Return centre and radius of the moon in the frame; NaN where it does not touch the sun."""
    x, y, radius = (np.full(truth.utc_s.shape, np.nan) for _ in range(3))
    scenario = world.scenario
    for event in scenario.events_of(InventedEclipse):
        begin_s, end_s = scenario.seconds(event.at), scenario.seconds(event.until)
        here = (truth.utc_s >= begin_s) & (truth.utc_s <= end_s)
        passed = 2 * (truth.utc_s[here] - begin_s) / (end_s - begin_s) - 1
        sun = truth.radius_px[here]
        radius[here] = 1.03 * sun
        nearest = sun + radius[here] - 2 * sun * event.magnitude
        half_path = np.sqrt(np.maximum((sun + radius[here]) ** 2 - nearest**2, 0))
        from_x, from_y = np.sin(np.radians(event.from_deg)), -np.cos(np.radians(event.from_deg))
        x[here] = truth.x_px[here] - passed * half_path * from_x + nearest * from_y
        y[here] = truth.y_px[here] - passed * half_path * from_y - nearest * from_x
    if scenario.moon:
        _true_moon(world, truth, x, y, radius)
    return x, y, radius


def _true_moon(world: World, truth: Truth, x: Array, y: Array, radius: Array) -> None:
    """Put the true moon where it touches the sun, by its offset along and across the vertical."""
    moon = Moon(world.scenario.site)
    altitude, azimuth = altaz_deg(moon.direction(truth.utc_s))
    across = half_turn_deg(azimuth - truth.azimuth_deg)
    across_px = across * np.cos(np.radians(altitude)) * 3600 / truth.local_scale_arcsec_px
    above_px = (altitude - truth.altitude_deg) * 3600 / truth.local_scale_arcsec_px
    radius_px = moon.angular_radius_arcsec(truth.utc_s) / truth.local_scale_arcsec_px
    near = np.hypot(across_px, above_px) < radius_px + truth.radius_px
    zenith = np.radians(truth.zenith_deg)
    # To the right of who faces the sun azimuth grows, in either hemisphere.
    moon_x = truth.x_px + above_px * np.sin(zenith) + across_px * np.cos(zenith)
    moon_y = truth.y_px - above_px * np.cos(zenith) + across_px * np.sin(zenith)
    x[near], y[near], radius[near] = moon_x[near], moon_y[near], radius_px[near]
