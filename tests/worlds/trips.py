"""Five days somewhere, for the closed loop: a mount set by day, weather, a sleeper, perhaps a fault."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.worlds import happenings as h
from tests.worlds import weather
from tests.worlds.mount import Lens
from tests.worlds.sky import Overhead
from tests.worlds.world import World, drawn

HOURS = 120.0
BED_LOCAL_H = 22.5
FAULTS = ("stop", "reversal", "slip", "switched", "sink", "knock", "load", "cold")


def trip(seed: int, *, fault: str | None = None) -> World:
    """Return five days; every third seed has a fault, unless one is asked for (`none`: without)."""
    rng = np.random.default_rng([seed, 4242])
    latitude = float(np.round(rng.uniform(45, 85), 2)) * (1 if rng.random() < 0.5 else -1)
    world = drawn(seed, hours=HOURS, latitude_deg=latitude, light_h=0.25, kind=424)
    start_s = _start(rng, latitude, world.longitude_deg)
    bed_s = start_s - (_local_s(start_s, world.longitude_deg) - BED_LOCAL_H * 3600) % 86_400
    begin, end = (datetime.fromtimestamp(round(bed_s) + k * 8 * 3600, UTC) for k in (0, 1))
    lens = Lens(float(np.round(rng.uniform(400, 600))), 6.0, 6000, 4000, float(rng.normal(0, 8e-4)))
    world = replace(
        world,
        start_s=start_s,
        lens=lens,
        start_px=None,
        interval_s=60.0,
        spells=weather.chain(rng, HOURS + 49, "clear"),
        sleep=(f"{begin:%H:%M}", f"{end:%H:%M}"),
        axis_limit_deg=float(rng.choice([360.0, 400.0, 540.0])) if rng.random() < 0.33 else None,
        supplies={"camera_battery_h": float(rng.choice([20.0, 30.0, 60.0]))} if rng.random() < 0.33 else {},
        notes={"sleep_s": bed_s - bed_s % 60, "midnight_sun": float(abs(latitude) >= 70)},
    )
    if fault is None:
        fault = FAULTS[(seed // 3) % len(FAULTS)] if seed % 3 == 0 else "none"
    return world if fault == "none" else _faulty(world, fault, rng)


def _local_s(time_s: float, longitude_deg: float) -> float:
    """Return seconds of the day by the mean sun."""
    return (time_s + longitude_deg * 240.0) % 86_400


def _start(rng: np.random.Generator, latitude: float, longitude: float) -> float:
    """Return a start in the local forenoon, the sun well up; at 70 and more under the midnight sun."""
    solstice = datetime(2027, 6, 21, tzinfo=UTC) + timedelta(days=183 if latitude < 0 else 0)
    high = abs(latitude) >= 70
    width = min(25.0, 6.0 * (abs(latitude) - 68.0)) if high else 75.0
    while True:
        day = solstice + timedelta(days=float(rng.uniform(-width, width)) - 2.5 * high)
        day_s = day.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
        start_s = day_s + float(rng.uniform(8.5, 13.0)) * 3600 - longitude * 240.0
        enu = Overhead(latitude, longitude, start_s, start_s + 3600).airless_enu(
            np.array([start_s, start_s + 3600])
        )
        if enu[:, 2].min() > np.sin(np.radians(8.0)):
            return start_s


def _faulty(world: World, fault: str, rng: np.random.Generator) -> World:
    # In the first two thirds, so that there is something left to lose.
    at_h = float(rng.uniform(14.0, 80.0))
    notes = {**world.notes, "switched": 1.0} if fault == "switched" else world.notes
    happening: h.AnyHappening
    if fault == "stop":
        happening = h.Rate(at_h=at_h, arcsec_s=0.0)
    elif fault == "reversal":
        happening = h.Rate(at_h=at_h, arcsec_s=-15.0 * float(rng.uniform(0.15, 2.0)))
    elif fault == "slip":
        happening = h.Rate(at_h=at_h, arcsec_s=15.0 * float(rng.uniform(0.90, 0.97)))
    elif fault == "switched":
        happening = h.Rate(at_h=at_h, arcsec_s=float(rng.choice([14.685, 14.492, 15.041_07])))
    elif fault == "cold":
        happening = h.Rate(at_h=at_h, arcsec_s=15.0 * 0.995, over_h=2.0)
    elif fault == "sink":
        rate = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
        until_h = at_h + min(1.5 / rate, 10.0)
        happening = h.Sink(at_h=at_h, deg_h=rate, level_deg=float(rng.uniform(0, 360)), until_h=until_h)
    elif fault == "knock":
        turn = rng.normal(0, 0.2, 3)
        happening = h.Knock(at_h=at_h, turn_deg=(float(turn[0]), float(turn[1]), float(turn[2])))
    else:
        jump = rng.normal(0, 0.15, 2)
        happening = h.Jump(at_h=at_h, drive_deg=float(jump[0]), declination_deg=float(jump[1]))
    return replace(world.with_happenings(happening, change_h=at_h), notes=notes)


def fault_of(seed: int) -> str:
    """Return what is wrong in a seed's session."""
    return FAULTS[(seed // 3) % len(FAULTS)] if seed % 3 == 0 else "none"
