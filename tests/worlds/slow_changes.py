"""Sessions in which a mount goes on changing by itself, each kind by a function of a seed."""

from dataclasses import replace

import numpy as np

from tests.worlds import happenings as h
from tests.worlds.changes import AFTER_H, SOLAR, base, changed, kept_in, people, rng_of, when
from tests.worlds.world import World, drawn


def warming(seed: int) -> World:
    """The drive's rate goes with the warmth of the day, to and fro in 24 hours."""
    rng = rng_of(seed, 100)
    share, phase_h = float(np.exp(rng.uniform(np.log(0.001), np.log(0.005)))), float(rng.uniform(0, 24))
    world = drawn(seed, hours=14.0, rms_deg=0.35, light_h=9.0, kind=100)

    def rate(hour: float) -> float:
        return SOLAR * (1 + share * float(np.sin(2 * np.pi * (hour - phase_h) / 24)))

    hours = np.arange(0.0, world.hours + world.ahead_h, 0.5).tolist()
    turns = [h.Rate(at_h=at_h, arcsec_s=rate(at_h + 0.5), over_h=0.5) for at_h in hours]
    world = kept_in(changed(world, h.Rate(at_h=0.0, arcsec_s=rate(0.0)), *turns), 6.0, rng)
    return replace(world, change_h=0.0, notes={"told_from_h": 1.0})


def settling(seed: int) -> World:
    """The tripod gives way under whoever recentred, and comes to rest slowly: half of it in some minutes."""
    world, rng, put = people(seed, 101)
    deg, halved_h = float(np.exp(rng.uniform(np.log(0.02), np.log(0.2)))), float(rng.uniform(0.15, 1.0))
    bearing_deg = float(rng.uniform(0, 360))
    sinks = [
        h.Sink(
            at_h=when(world) + k * halved_h, deg_h=deg * 0.5 ** (k + 1) / halved_h, level_deg=bearing_deg,
            until_h=when(world) + (k + 1) * halved_h,
        )
        for k in range(7)
    ]  # fmt: skip
    return changed(world, put, *sinks)


def clamp_creeps(seed: int) -> World:
    """The clamp of the declination axis, or of the tube, gives way a little every minute."""
    world, rng = base(seed, 102)
    deg_h = float(np.exp(rng.uniform(np.log(0.02), np.log(0.2)))) * float(rng.choice([-1, 1]))
    minutes = np.arange(0.0, (AFTER_H + world.ahead_h) * 60, 2.0).tolist()
    jumps = [
        h.Jump(at_h=when(world) + at_min / 60, drive_deg=0.0, declination_deg=deg_h / 30)
        for at_min in minutes
    ]
    return replace(changed(world, *jumps), notes={"deg_h": abs(deg_h)})


def loud_gear(seed: int) -> World:
    """Dirt in the worm: its periodic error is several times what it was from one hour on."""
    world, rng = base(seed, 103)
    period_h, swing_arcsec = float(rng.uniform(240, 640)) / 3600, float(rng.uniform(30, 90))
    faster = swing_arcsec / (period_h * 3600 / 4)
    turns = np.arange(0.0, AFTER_H + world.ahead_h, period_h / 2).tolist()
    rates = [
        h.Rate(at_h=when(world) + at_h, arcsec_s=SOLAR + faster * (-1) ** k) for k, at_h in enumerate(turns)
    ]
    return changed(world, *rates)


def night_gusts(seed: int) -> World:
    """Wind gets up, and shakes the camera harder than ever before."""
    world, rng = base(seed, 104)
    until_h = when(world) + float(rng.uniform(2, 6))
    return changed(world, h.Gusts(at_h=when(world), until_h=until_h, arcsec=float(rng.uniform(25, 80))))


def drive_halts(seed: int) -> World:
    """A dry joint: the drive stands for a while now and then, goes on, and never catches up."""
    world, rng = base(seed, 105)
    at_h, begins_h, rates = when(world), [], []
    while at_h < world.hours + world.ahead_h:
        at_h += 0.05 + float(rng.exponential(0.4))
        stood_h = float(rng.uniform(0.3, 2.0)) / 60
        begins_h.append(at_h)
        rates += [h.Rate(at_h=at_h, arcsec_s=0.0), h.Rate(at_h=at_h + stood_h, arcsec_s=SOLAR)]
        at_h += stood_h
    # Once is no habit.
    return replace(changed(world, *rates), notes={"told_from_h": begins_h[1] + 2 / 60})
