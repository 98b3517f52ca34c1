"""Sessions in which the world changes, each kind by a function of a seed."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.worlds import happenings as h
from tests.worlds import weather
from tests.worlds.run import Run
from tests.worlds.world import TRUE_LUNAR_ARCSEC_S, Told, World, drawn, near_middle

AFTER_H = 8.0
SOLAR = 15.0


def rng_of(seed: int, row: int) -> np.random.Generator:
    return np.random.default_rng([seed, 5000 + row])


def kept_in(world: World, until_h: float, rng: np.random.Generator) -> World:
    """Let the operator recentre in time up to an hour, as one does who is there."""
    for _ in range(60):
        run = Run(world)
        soon = [run.exit_s(way.begin) for way in run.ways]
        begins = [run.since_h[way.begin] for way in run.ways[1:]] + [until_h]
        late = [
            (exit_s - world.start_s) / 3600
            for exit_s, end_h in zip(soon, begins, strict=True)
            if (exit_s - world.start_s) / 3600 < min(end_h, until_h) + (0.6 if end_h >= until_h else 0.0)
        ]
        if not late:
            return world
        at_h = max(late[0] - float(rng.uniform(0.6, 1.0)), 0.2)
        taken = [one.at_h for one in world.happenings if isinstance(one, h.Put)]
        at_h = max([at_h, *(t + 0.25 for t in taken if t <= late[0])])
        if at_h >= until_h - 0.05:
            return world
        put = h.Put(
            at_h=at_h,
            to_px=near_middle(rng, world.lens),
            slack_arcsec=float(rng.uniform(0, 60)),
            marked="recentred" if rng.random() < 0.75 else "",
        )
        world = world.with_happenings(put)
    return world


def base(
    seed: int,
    row: int,
    *,
    after_h: float = AFTER_H,
    rms_deg: float = 0.35,
    first_h: float = 2.0,
    **more: float,
) -> tuple[World, np.random.Generator]:
    """Return a world whose change comes after some hours of good tracking."""
    rng = rng_of(seed, row)
    change_h = float(rng.uniform(first_h, first_h + 4.5))
    world = drawn(
        seed,
        hours=change_h + after_h,
        rms_deg=rms_deg,
        light_h=min(change_h + after_h, 9.0),
        kind=row,
        **more,
    )
    world = kept_in(world, change_h, rng)
    return replace(world, change_h=change_h), rng


def changed(world: World, *more: h.AnyHappening) -> World:
    return world.with_happenings(*more)


def when(world: World) -> float:
    assert world.change_h is not None
    return world.change_h


# --- the mount ---


def stop(seed: int) -> World:
    world, _ = base(seed, 20, after_h=1.5)
    return changed(world, h.Rate(at_h=when(world), arcsec_s=0.0))


def reverse(seed: int) -> World:
    world, rng = base(seed, 21, after_h=1.5)
    pace = float(np.exp(rng.uniform(np.log(1.0), np.log(8.0))))
    return changed(world, h.Rate(at_h=when(world), arcsec_s=-SOLAR * pace))


def slow_reverse(seed: int) -> World:
    world, rng = base(seed, 22, after_h=1.5)
    return changed(world, h.Rate(at_h=when(world), arcsec_s=-SOLAR * float(rng.uniform(0.15, 0.6))))


def slip(seed: int) -> World:
    world, rng = base(seed, 23, after_h=4.0)
    return changed(world, h.Rate(at_h=when(world), arcsec_s=SOLAR * float(rng.uniform(0.90, 0.97))))


def lunar_slow(seed: int) -> World:
    """A lunar rate from the beginning, a picture every five minutes."""
    rng = rng_of(seed, 24)
    world = replace(drawn(seed, hours=8.0, rms_deg=0.35, kind=24), interval_s=300.0)
    rate = TRUE_LUNAR_ARCSEC_S if rng.random() < 0.5 else 14.685
    world = kept_in(changed(world, h.Rate(at_h=0.0, arcsec_s=rate)), 5.0, rng)
    return replace(world, change_h=0.0)


def switched(seed: int) -> World:
    """The rate switched, and in a third of the sessions back after some hours."""
    world, rng = base(seed, 25)
    rate = float(rng.choice([14.685, TRUE_LUNAR_ARCSEC_S, 15.041_07, 15.041_07]))
    happens = [h.Rate(at_h=when(world), arcsec_s=rate)]
    if rng.random() < 0.33:
        happens.append(h.Rate(at_h=when(world) + float(rng.uniform(1.0, 3.0)), arcsec_s=SOLAR))
    return changed(world, *happens)


def cold(seed: int) -> World:
    world, rng = base(seed, 26)
    slow = h.Rate(at_h=when(world), arcsec_s=SOLAR * (1 - 0.005), over_h=float(rng.uniform(0.1, 3.0)))
    return changed(world, slow)


def screw(seed: int) -> World:
    """A drive whose rate falls all the time, as a straight screw against a swinging arm has it."""
    rng = rng_of(seed, 47)
    world = drawn(seed, hours=9.0, rms_deg=0.35, light_h=9.0, kind=47)
    slow = h.Rate(at_h=0.0, arcsec_s=SOLAR * (1 - float(rng.uniform(0.01, 0.03))), over_h=9.0)
    return replace(changed(world, slow), change_h=0.0, notes={"told_from_h": 1.0})


def sink(seed: int) -> World:
    world, rng = base(seed, 27)
    rate = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
    one = h.Sink(
        at_h=when(world),
        deg_h=rate,
        level_deg=float(rng.uniform(0, 360)),
        until_h=when(world) + float(rng.uniform(1.0, 8.0)),
    )
    return replace(changed(world, one), notes={"deg_h": rate})


def stop_under_wrong_rate(seed: int) -> World:
    rng = rng_of(seed, 28)
    change_h = float(rng.uniform(2.5, 6.0))
    world = drawn(seed, hours=change_h + 1.5, rms_deg=0.35, light_h=change_h + 1.5, kind=28)
    rate = float(rng.choice([14.685, TRUE_LUNAR_ARCSEC_S, 15.041_07]))
    world = kept_in(changed(world, h.Rate(at_h=0.0, arcsec_s=rate)), change_h, rng)
    return replace(changed(world, h.Rate(at_h=change_h, arcsec_s=0.0)), change_h=change_h)


def stop_under_cloud(seed: int) -> World:
    world, rng = base(seed, 29, after_h=7.0)
    cloudy_h = when(world) - float(rng.uniform(0.2, 0.8))
    clear_h = when(world) + float(rng.uniform(0.5, 1.8))
    kinds = ["broken", "overcast", "fog"]
    spells = (
        weather.Spell("clear", 0.0, cloudy_h),
        weather.Spell(str(rng.choice(kinds)), cloudy_h, clear_h),
        weather.Spell("clear", clear_h, 1e3),
    )
    world = replace(world, spells=spells, notes={"told_from_h": clear_h + 0.25})
    return changed(world, h.Rate(at_h=when(world), arcsec_s=0.0))


def pause(seed: int) -> World:
    """The drive stands for some minutes and goes on."""
    world, rng = base(seed, 30, after_h=4.0)
    goes_on = when(world) + float(rng.uniform(1.0, 3.0)) / 60
    return changed(world, h.Rate(at_h=when(world), arcsec_s=0.0), h.Rate(at_h=goes_on, arcsec_s=SOLAR))


def knock(seed: int) -> World:
    world, rng = base(seed, 31)
    turn = rng.normal(0, 0.15, 3)
    return changed(
        world, h.Knock(at_h=when(world), turn_deg=(float(turn[0]), float(turn[1]), float(turn[2])))
    )


def load_slips(seed: int) -> World:
    """The balance crosses over: one jump of arcminutes, then steady."""
    world, rng = base(seed, 32)
    jump = rng.normal(0, 0.12, 2)
    return changed(world, h.Jump(at_h=when(world), drive_deg=float(jump[0]), declination_deg=float(jump[1])))


# --- light ---


def filter_slips(seed: int) -> World:
    world, rng = base(seed, 40, after_h=1.5, rms_deg=0.2)
    one = h.Filter(
        at_h=when(world),
        over_min=float(rng.choice([0.1, 3.0, 20.0])),
        gain=float(rng.uniform(1.0, 1.8)),
        saturated=float(rng.uniform(0.10, 0.35)),
        veiled=float(rng.choice([0.0, rng.uniform(0.1, 0.4)])),
    )
    return replace(changed(world, one), notes={"told_from_h": when(world) + 0.4 * one.over_min / 60})


def smoke(seed: int) -> World:
    world, rng = base(seed, 41, rms_deg=0.1)
    one = h.Smoke(at_h=when(world), over_h=float(rng.uniform(2.0, 5.0)), depth=float(rng.uniform(0.6, 1.4)))
    return replace(changed(world, one), notes={"told_from_h": when(world) + one.over_h})


def sunset(seed: int, ridge: bool = False) -> World:
    """The sun goes down behind a line that the settings have, or by a ridge that nobody has told."""
    rng = rng_of(seed, 42)
    latitude = float(rng.uniform(40, 60)) * (1 if rng.random() < 0.5 else -1)
    world = drawn(seed, hours=16.0, latitude_deg=latitude, rms_deg=0.15, light_h=3.0, kind=42)
    points = tuple((float(a), float(rng.uniform(0, 5))) for a in range(0, 360, 30))
    world = replace(world, horizon=points, inversion_arcmin=1.5)
    if ridge:
        # Well above the line that is told, all about: or it would seldom be met.
        world = replace(world, ridge=tuple((a, height + float(rng.uniform(1, 4))) for a, height in points))
    world = kept_in(world, world.hours, rng)
    run = Run(world)
    down = np.nonzero(run.above_deg < 0)[0]
    at_h = float(run.since_h[down[0]]) if len(down) else 3.0
    return replace(world, change_h=at_h, hours=min(at_h + 2.0, world.hours))


def unknown_ridge(seed: int) -> World:
    return sunset(seed, ridge=True)


def weathered(seed: int) -> World:
    rng = rng_of(seed, 43)
    world = drawn(seed, hours=36.0, rms_deg=0.35, light_h=9.0, kind=43)
    world = replace(world, spells=weather.chain(rng, world.hours + 1, "clear"))
    gusts = h.Gusts(
        at_h=float(rng.uniform(3, 20)), until_h=float(rng.uniform(20, 30)), arcsec=float(rng.uniform(8, 25))
    )
    return kept_in(changed(world, gusts), world.hours, rng)


# --- people ---


def people(seed: int, row: int, after_h: float = AFTER_H) -> tuple[World, np.random.Generator, h.Put]:
    world, rng = base(seed, row, after_h=after_h)
    put = h.Put(
        at_h=when(world),
        to_px=near_middle(rng, world.lens),
        slack_arcsec=float(rng.uniform(0, 60)),
        marked="recentred" if rng.random() < 0.5 else "",
    )
    return world, rng, put


def recentred(seed: int) -> World:
    """A plain re-centring, and nothing is wrong before or after."""
    world, _, put = people(seed, 54)
    return changed(world, put)


def lens_swapped(seed: int) -> World:
    world, rng, put = people(seed, 50)
    factor = float(
        rng.choice([0.5, 0.714, 1.4, 2.0, 1.0 + rng.uniform(0.02, 0.06), 1.0 - rng.uniform(0.02, 0.06)])
    )
    return changed(world, replace(put, lens=factor))


def flipped(seed: int) -> World:
    world, _, put = people(seed, 51)
    return changed(world, replace(put, flip=True))


def camera_turned(seed: int) -> World:
    world, rng, put = people(seed, 52)
    return changed(world, replace(put, turned_deg=float(rng.choice([90.0, 180.0, rng.uniform(15, 345)]))))


def backlash(seed: int) -> World:
    world, rng, put = people(seed, 53, after_h=2.0)
    return changed(
        world,
        replace(
            put,
            slack_arcsec=float(rng.uniform(60, 300)),
            slack_share=float(np.exp(rng.uniform(np.log(0.1), 0))),
        ),
    )


# --- settings ---


def told_wrong(
    seed: int, row: int, told: Callable[[World, np.random.Generator], Told], **more: float
) -> World:
    rng = rng_of(seed, row)
    world = drawn(seed, hours=8.0, rms_deg=0.5, kind=row, **more)
    world = kept_in(world, 5.0, rng)
    return replace(world, told=told(world, rng), change_h=0.0)


def wrong_hemisphere(seed: int) -> World:
    return told_wrong(seed, 60, lambda world, _: Told(latitude_deg=-world.latitude_deg))


def wrong_longitude(seed: int) -> World:
    return told_wrong(seed, 61, lambda world, _: Told(longitude_deg=-world.longitude_deg))


def wrong_zone(seed: int) -> World:
    def told(_: World, rng: np.random.Generator) -> Told:
        return Told(clock_offset_s=3600.0 * float(rng.choice([-2, -1, 1, 2, 3])))

    latitude = float(rng_of(seed, 620).uniform(70, 80)) * (1 if seed % 2 else -1)
    return told_wrong(seed, 62, told, latitude_deg=latitude)


def wrong_both_signs(seed: int) -> World:
    def told(world: World, _: np.random.Generator) -> Told:
        return Told(latitude_deg=-world.latitude_deg, longitude_deg=-world.longitude_deg)

    return told_wrong(seed, 66, told)


def wrong_half_day(seed: int) -> World:
    """A clock set by a dial of twelve hours."""
    return told_wrong(seed, 67, lambda _, __: Told(clock_offset_s=12 * 3600.0))


def wrong_month(seed: int) -> World:
    def told(_: World, rng: np.random.Generator) -> Told:
        return Told(clock_offset_s=30 * 86_400.0 * float(rng.choice([-1.0, 1.0])))

    return told_wrong(seed, 68, told)


def wrong_latitude(seed: int) -> World:
    """Ten degrees off, as of a place entered from memory."""

    def told(world: World, rng: np.random.Generator) -> Told:
        return Told(latitude_deg=world.latitude_deg + 10.0 * float(rng.choice([-1.0, 1.0])))

    return told_wrong(seed, 69, told)


def told_none(seed: int) -> World:
    """A mount that tracks and is said not to; it stops in the end."""
    world, _ = base(seed, 63, after_h=1.5)
    return changed(replace(world, told=Told(tracking="none")), h.Rate(at_h=when(world), arcsec_s=0.0))


def wrong_focal(seed: int) -> World:
    def told(world: World, rng: np.random.Generator) -> Told:
        return Told(focal_mm=world.lens.focal_mm * float(rng.choice([0.5, 2.0])))

    return told_wrong(seed, 64, told)


def wrong_pitch(seed: int) -> World:
    def told(world: World, rng: np.random.Generator) -> Told:
        return Told(pitch_um=world.lens.pitch_um * float(rng.choice([0.9, 1.1])))

    return told_wrong(seed, 65, told)


# --- frames ---


def frames_missing(seed: int) -> World:
    world = drawn(seed, hours=24.0, rms_deg=0.2, light_h=9.0, kind=70)
    return kept_in(replace(world, missing_share=0.3), 24.0, rng_of(seed, 70))


def bursts(seed: int) -> World:
    rng = rng_of(seed, 71)
    world = drawn(seed, hours=12.0, rms_deg=0.2, light_h=9.0, kind=71)
    return kept_in(replace(world, burst=int(rng.integers(3, 6))), 12.0, rng)


def brackets(seed: int) -> World:
    rng = rng_of(seed, 72)
    world = drawn(seed, hours=12.0, rms_deg=0.2, light_h=9.0, kind=72)
    stops = tuple(float(s) for s in rng.choice([-2.0, -1.0, 1.0, 2.0], size=2, replace=False))
    return kept_in(replace(world, brackets=(0.0, *stops), exif=False), 12.0, rng)


def history(seed: int) -> World:
    """Frames of hours lie there when the watch begins, at the change."""
    world, _ = base(seed, 73, after_h=2.0)
    return world


# --- no change at all ---


def normal(seed: int) -> World:
    rng = rng_of(seed, 80)
    return kept_in(drawn(seed, hours=6.0, kind=80), 6.0, rng)


def long_session(seed: int) -> World:
    rng = rng_of(seed, 81)
    world = drawn(seed, hours=120.0, rms_deg=0.35, light_h=9.0, kind=81)
    return kept_in(world, 120.0, rng)


def at_latitude(latitude_deg: float) -> Callable[[int], World]:
    def make(seed: int) -> World:
        rng = rng_of(seed, 82)
        south = latitude_deg < 0
        world = drawn(
            seed, hours=6.0, latitude_deg=latitude_deg, rms_deg=0.9, kind=820 + abs(int(latitude_deg)) + south
        )
        return kept_in(world, 6.0, rng)

    return make


# --- several at a time ---


def slip_under_cloud(seed: int) -> World:
    """The clutch begins to slip behind cloud; the disc is somewhere else when it comes out."""
    world, rng = base(seed, 90, after_h=5.0)
    begin_h, end_h = when(world) - float(rng.uniform(0.1, 0.5)), when(world) + float(rng.uniform(0.3, 0.8))
    spells = (
        weather.Spell("clear", 0.0, begin_h),
        weather.Spell(str(rng.choice(["broken", "overcast"])), begin_h, end_h),
        weather.Spell("clear", end_h, 1e3),
    )
    world = replace(world, spells=spells, notes={"told_from_h": end_h})
    return world.with_happenings(h.Rate(at_h=when(world), arcsec_s=SOLAR * float(rng.uniform(0.90, 0.97))))


def rate_touched_on_a_visit(seed: int) -> World:
    """Who recentres brushes against the switch of the drive."""
    world, rng, put = people(seed, 91)
    rate = float(rng.choice([14.685, TRUE_LUNAR_ARCSEC_S, 15.041_07]))
    return world.with_happenings(put, h.Rate(at_h=when(world), arcsec_s=rate))


def stop_at_night(seed: int) -> World:
    """The mount stops after sunset; in the morning the sun rises without a disc."""
    rng = rng_of(seed, 92)
    latitude = float(rng.uniform(40, 58)) * (1 if rng.random() < 0.5 else -1)
    world = drawn(seed, hours=30.0, latitude_deg=latitude, rms_deg=0.2, light_h=3.0, kind=92)
    run = Run(world)
    down = np.flatnonzero(run.above_deg < -2)
    up = np.flatnonzero((run.above_deg > 3) & (run.since_h > run.since_h[down[0]]))
    change_h, rise_h = float(run.since_h[down[0]]) + 0.5, float(run.since_h[up[0]])
    world = kept_in(replace(world, hours=rise_h + 3.0), change_h, rng)
    world = replace(world, change_h=change_h, notes={"told_from_h": rise_h})
    return world.with_happenings(h.Rate(at_h=change_h, arcsec_s=0.0))
