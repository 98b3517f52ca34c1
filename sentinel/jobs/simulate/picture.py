"""One exposure of a scenario as a scene to render."""

from math import atan, cos, degrees, hypot, radians, sin

import numpy as np

from sentinel.core.times import DAY_S
from sentinel.jobs.simulate.conditions import Conditions
from sentinel.jobs.simulate.files import NEUTRAL_FILTER, WARM_FILTER, Tint
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.scene import Blur, Caption, MoonDisc, Noise, Ridge, Scene, Spot, SunDisc, Sunspot
from sentinel.jobs.simulate.world import Truth
from sentinel.sky import DiscView, spot_rotation_deg_day
from sentinel.sky.arrays import Array

FILTER_FACTOR = 1e5
"""Light without the filter over light with it: optical density 5."""
_CAP_LEVEL = 1e-5
# Extinction in green and blue beyond that in red, magnitudes an air mass: why a low sun is red. Common
# practice, no source.
_REDDENING_MAG = (0.0, 0.04, 0.12)


def scene_of(scenario: Scenario, truth: Truth, state: Conditions, i: int, stamped: str = "") -> Scene:
    """Return the scene of exposure `i`; `stamped` is what the camera writes over it."""
    camera = scenario.camera
    noise = Noise(read=camera.read_noise, full_well_e=camera.full_well_e, seed=1_000_003 * scenario.seed + i)
    caption = _caption(camera.height_px, stamped) if stamped else None
    if state.capped[i]:
        return Scene(
            width_px=camera.width_px,
            height_px=camera.height_px,
            sky=_CAP_LEVEL,
            noise=noise,
            caption=caption,
        )
    sun = _sun(scenario, truth, state, i) if _may_shine_in(truth, state, i) else None
    return Scene(
        width_px=camera.width_px,
        height_px=camera.height_px,
        sun=sun,
        sky=_CAP_LEVEL if state.night[i] else float(state.sky[i]),
        halo=scenario.air.halo,
        clouds=state.clouds[i],
        moon=_moon(state, i),
        horizon=_horizon(scenario, truth, state, i),
        blur=Blur(sigma_px=float(state.blur_px[i]), vertical_sigma_px=float(state.vertical_blur_px[i])),
        dust=scenario.dust,
        gain=float(state.gain[i]),
        filter_factor=FILTER_FACTOR if state.filter_lost[i] else 1.0,
        noise=noise,
        caption=caption,
    )


def _may_shine_in(truth: Truth, state: Conditions, i: int) -> bool:
    """Return whether any of the sun is above the horizon line and before the camera."""
    below = float(state.above_horizon_px[i]) < -1.2 * float(truth.radius_px[i]) - 50
    return bool(np.isfinite(truth.x_px[i])) and not state.night[i] and not below


def tint_of(scenario: Scenario, air_mass: float, *, filtered: bool = True) -> Tint:
    """Return the colour of the picture: the filter's, reddened by the air; white without a filter."""
    if not filtered:
        return NEUTRAL_FILTER
    red, green, blue = tints_of(scenario, np.array([air_mass]))[:, 0].tolist()
    return red, green, blue


def tints_of(scenario: Scenario, air_mass: Array) -> Array:
    """Return the colours (3, times) at air masses (times,)."""
    filtered = np.array(WARM_FILTER if scenario.camera.tinted else NEUTRAL_FILTER)
    return np.asarray(filtered[:, None] * 10 ** (-0.4 * np.outer(_REDDENING_MAG, air_mass)))


def _sun(scenario: Scenario, truth: Truth, state: Conditions, i: int) -> SunDisc:
    return SunDisc(
        x_px=float(truth.x_px[i]),
        y_px=float(truth.y_px[i]),
        radius_px=float(truth.radius_px[i]),
        brightness=float(state.level[i]),
        flattening=float(truth.flattening[i]),
        egg=float(truth.egg[i]),
        zenith_deg=float(truth.zenith_deg[i]),
        spots=_spots(scenario.spots, truth, i),
        ripple_px=0.15 * float(state.blur_px[i]) if truth.altitude_deg[i] < 10 else 0.0,
        ripple_seed=1_000_003 * scenario.seed + i,
    )


def _spots(spots: tuple[Sunspot, ...], truth: Truth, i: int) -> tuple[Spot, ...]:
    """Return the spots on the near side, carried along by the sun's rotation since the first exposure."""
    radius_px = float(truth.radius_px[i])
    view = DiscView(
        x_px=0.0,
        y_px=0.0,
        radius_px=1.0,
        north_deg=float(truth.north_deg[i]),
        central_latitude_deg=float(truth.central_latitude_deg[i]),
        central_longitude_deg=float(truth.central_longitude_deg[i]),
        radius_arcsec=radius_px * float(truth.local_scale_arcsec_px[i]),
        flattening=1 - float(truth.flattening[i]),
        zenith_deg=float(truth.zenith_deg[i]),
    )
    days = float(truth.utc_s[i] - truth.utc_s[0]) / DAY_S
    seen = []
    for spot in spots:
        west_deg = spot.west_deg + days * float(spot_rotation_deg_day(spot.latitude_deg))
        longitude_deg = float(truth.central_longitude_deg[0]) + west_deg
        x, y, facing = view.place_px(spot.latitude_deg, longitude_deg)
        if facing > 0:
            seen.append(Spot(x=float(x), y=float(y), radius=spot.radius, contrast=spot.contrast))
    return tuple(seen)


def _moon(state: Conditions, i: int) -> MoonDisc | None:
    radius = float(state.moon_radius_px[i])
    if not radius > 0:
        return None
    return MoonDisc(x_px=float(state.moon_x_px[i]), y_px=float(state.moon_y_px[i]), radius_px=radius)


def _horizon(scenario: Scenario, truth: Truth, state: Conditions, i: int) -> Ridge | None:
    """Return the horizon line where it comes into the frame."""
    height = float(state.above_horizon_px[i])
    reach = hypot(scenario.camera.width_px, scenario.camera.height_px)
    if state.night[i] or not np.isfinite(height) or height > reach:
        return None
    zenith = radians(float(truth.zenith_deg[i]))
    # Counted from the south, so that the jump of 360 degrees does not fall where a midnight sun stands.
    around_deg = (float(truth.azimuth_deg[i]) + 180) % 360
    along_px = around_deg * 3600 / float(truth.local_scale_arcsec_px[i])
    return Ridge(
        x_px=float(truth.x_px[i]) - height * sin(zenith),
        y_px=float(truth.y_px[i]) + height * cos(zenith),
        facing_deg=float(truth.zenith_deg[i]) + 180 - degrees(atan(float(state.horizon_slope[i]))),
        roughness_px=scenario.ridge_roughness_px if scenario.site.horizon else 0.0,
        shift_px=along_px * cos(radians(float(truth.altitude_deg[i]))),
        seed=scenario.seed,
    )


def _caption(height_px: int, text: str) -> Caption:
    size = height_px / 25
    return Caption(text=text, x_px=size, y_px=height_px - 2.5 * size, height_px=size)
