"""Who looks after the camera: one that does as the program tells, and the same person without it.

A closed loop. The world goes on; each of them sleeps eight hours a night (the second not at all), needs some
minutes to the camera, and puts the disc where it is meant to within a tenth of a sun-width.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from tests.worlds import happenings as h
from tests.worlds.run import Run
from tests.worlds.sky import Array
from tests.worlds.world import RATES_ARCSEC_S, World

HAND_WIDTHS = 0.1
VISIT_S = 1500.0
"""There, there at work, and back: so much sleep a visit costs."""
HEARS = 0.9
MARKS = 0.75
SLEEPS_H = 8.0
THICK = 4.0
"""Optical depth through which nobody finds the disc."""
WINDS_DEG = 40.0
"""Who has no forecast unwinds when so little is left for the time to the next visit."""


@dataclass(frozen=True)
class Step:
    """Something that was said or done, for the account afterwards."""

    time_s: float
    what: str
    text: str = ""


@dataclass
class Account:
    """How a session went for one of them."""

    who: str
    log: list[Step] = field(default_factory=list)
    wakes: int = 0
    visits: int = 0
    lost: dict[str, int] = field(default_factory=dict)
    """Minutes of sun without the whole disc, by why."""
    sun_min: int = 0
    nights: int = 0
    awake_s: float = 0.0
    spans: list[tuple[float, float, str]] = field(default_factory=list)

    @property
    def kept(self) -> float:
        """Share of the sun's minutes with the whole disc in the frame."""
        return 1 - sum(self.lost.values()) / max(self.sun_min, 1)

    @property
    def slept_h(self) -> float:
        """Hours of sleep a night."""
        return SLEEPS_H - self.awake_s / 3600 / max(self.nights, 1)


class Scene:
    """A session with somebody in it: the run, its supplies, its fault, and what hands do."""

    def __init__(self, world: World, who: str, *, seed: int = 0) -> None:
        self.world, self.run = world, Run(world)
        self.account = Account(who)
        self.rng = np.random.default_rng([world.seed, seed, 77])
        self.wound_s = world.start_s
        self.powered_s = world.start_s
        self.clear = 0
        """The last exposure that showed the disc."""
        self.dark: list[tuple[float, float]] = []
        self._faults = list(self.run.rates)
        """What the drive does from when on, if its axis may turn so far."""
        self._limits: list[float] = []
        self._unwound: list[float] = []
        self._left_deg = [0.0]
        self._carry()

    # --- what is true -------------------------------------------------------------------------------------

    def asleep(self, time_s: float) -> bool:
        """Whether it is night by the operator's own clock."""
        begin = self.world.notes["sleep_s"]
        return (time_s - begin) % 86_400 < SLEEPS_H * 3600

    def i(self, time_s: float) -> int:
        return min(int(np.searchsorted(self.run.times_s, time_s - 1e-6)), self.run.n - 1)

    def sun_up(self, time_s: float) -> bool:
        return bool(self.run.above_deg[self.i(time_s)] > 0.3)

    def rate_now(self, time_s: float) -> float:
        return [rate for at, rate in self.run.rates if at <= time_s + 1e-6][-1]

    # --- what hands do ------------------------------------------------------------------------------------

    def note(self, time_s: float, what: str, text: str = "") -> None:
        self.account.log.append(Step(time_s, what, text))

    def go(self, time_s: float) -> None:
        self.account.visits += 1
        if self.asleep(time_s):
            self.account.awake_s += VISIT_S

    def place(self, time_s: float, to_px: tuple[float, float]) -> bool:
        """Put the disc somewhere, as near as a hand does, if it is to be seen; the gears take up slack."""
        i = self.i(time_s)
        if not self.sun_up(time_s) or self.run.depth[i] > THICK:
            self.note(time_s, "in vain", "nothing to be seen that could be put anywhere")
            return False
        width = 2 * float(self.run.radius_px[i])
        off, way = self.rng.uniform(0, HAND_WIDTHS) * width, self.rng.uniform(0, 2 * np.pi)
        put = h.Put(
            at_h=float(self.run.since_h[i]),
            to_px=(to_px[0] + off * np.cos(way), to_px[1] + off * np.sin(way)),
            slack_arcsec=float(self.rng.uniform(0, 60)),
        )
        self.run.handle(put)
        self.note(time_s, "put", f"{to_px[0]:.0f} {to_px[1]:.0f}")
        return True

    def mend_drive(self, time_s: float) -> None:
        """Let the drive run as it should from now on."""
        nominal = RATES_ARCSEC_S[self.world.tracking] * (1 + self.world.rate_share)
        began = self.world.change_h is not None and time_s >= self.world.start_s + self.world.change_h * 3600
        to_come = [(at, rate) for at, rate in self._faults if at > time_s and not began]
        self._faults = [
            *((at, rate) for at, rate in self._faults if at <= time_s),
            (time_s, nominal),
            *to_come,
        ]
        self._carry()
        self.note(time_s, "mended the drive")

    def unwind(self, time_s: float) -> None:
        """Turn the axis back by whole turns; it goes on from there if it stood at its limit.

        It is to point at the sun again, so that what is left is the sun's way beyond them.
        """
        sun_deg = self._left_deg[-1] + (time_s - self.wound_s) * 15 / 3600
        self._left_deg.append(sun_deg % 360 if sun_deg >= 360 else 0.0)
        self.wound_s = time_s
        self._unwound.append(time_s)
        self._carry()
        self.note(time_s, "unwound")

    def power(self, time_s: float) -> None:
        self._blank(time_s)
        self.powered_s = time_s
        self.note(time_s, "changed the battery")

    def turn_bolts(self, time_s: float, azimuth_deg: float, altitude_deg: float) -> None:
        """Turn the mount; clumsily."""
        clumsy = 1 + self.rng.uniform(-0.05, 0.05, 2)
        slip = self.rng.uniform(-0.02, 0.02, 2)
        turned = np.array([azimuth_deg, altitude_deg]) * clumsy + slip * (
            np.array([azimuth_deg, altitude_deg]) != 0
        )
        self.run.turn_axis(self.i(time_s), float(turned[0]), float(turned[1]))
        self.note(time_s, "turned the bolts", f"azimuth {turned[0]:+.3f} altitude {turned[1]:+.3f}")

    def turned_deg(self, time_s: float) -> float:
        motor = self.run.motor_deg(np.array([self.wound_s, time_s]))
        return self._left_deg[-1] + float(motor[1] - motor[0])

    def at_limit(self, time_s: float) -> bool:
        """Whether the axis stands where it ends."""
        return any(limit <= time_s and not self.wound_s > limit for limit in self._limits)

    def _carry(self) -> None:
        """Work out what the drive does: as it is, but no further than the axis may turn."""
        self.run.rates, self._limits = [], []
        spans = pairwise([self.world.start_s, *self._unwound, np.inf])
        for (begin, end), left_deg in zip(spans, self._left_deg, strict=True):
            before = [rate for at, rate in self._faults if at <= begin][-1]
            inside = [(begin, before), *((at, rate) for at, rate in self._faults if begin < at < end)]
            self._carry_on(inside, end, left_deg)
        self.run.renew()

    def _carry_on(self, rates: list[tuple[float, float]], end_s: float, turned_deg: float) -> None:
        limit = self.world.axis_limit_deg
        for (at, rate), until in zip(rates, [*(at for at, _ in rates[1:]), end_s], strict=True):
            self.run.rates.append((at, rate))
            if limit is not None and rate > 0:
                ends_s = at + (limit - turned_deg) * 3600 / rate
                if ends_s < until:
                    self.run.rates.append((ends_s, 0.0))
                    self._limits.append(ends_s)
                    return
            turned_deg += rate * (until - at) / 3600 if np.isfinite(until) else 0.0

    # --- what came of it ----------------------------------------------------------------------------------

    def empty_s(self) -> float:
        """Return when the camera's battery is empty."""
        hours = self.world.supplies.get("camera_battery_h")
        # What is told is on the safe side, as people enter it.
        return np.inf if hours is None else self.powered_s + hours / 0.8 * 3600

    def _blank(self, until_s: float) -> None:
        if self.empty_s() < until_s:
            self.dark.append((self.empty_s(), until_s))

    def alive(self, time_s: float) -> bool:
        """Whether the camera takes pictures."""
        return time_s < self.empty_s()

    def lost(self) -> Array:
        """Return which minutes of sun are lost, (n,) bool; none is where thick cloud hides it anyhow."""
        run = self.run
        self._blank(float(run.times_s[run.n - 1]))
        room, times = run.track_px[2][: run.n], run.times_s[: run.n]
        up = (run.above_deg[: run.n] > 0) & (run.depth[: run.n] <= THICK)
        out = room < 0
        for begin, end in self.dark:
            out |= (times >= begin) & (times < end)
        self.account.sun_min = int(up.sum())
        self.account.nights = int(self.world.hours // 24)
        return np.asarray(out & up)


def middle(world: World) -> tuple[float, float]:
    return world.lens.middle_px


def _looks_over(scene: Scene, time_s: float, next_s: float) -> None:
    """What anybody does who is there and knows the mount: restart what stands, unwind, change, recentre."""
    scene.go(time_s)
    if scene.rate_now(time_s) <= 0 and not scene.at_limit(time_s):
        scene.mend_drive(time_s)
    limit = scene.world.axis_limit_deg
    if limit is not None and limit - scene.turned_deg(time_s) < (next_s - time_s) * 15 / 3600 + WINDS_DEG:
        scene.unwind(time_s)
    if scene.empty_s() - next_s < 15 * 3600:
        scene.power(time_s)


def never_sleeps(world: World, every_s: float = 5400.0) -> Account:
    """Go every ninety minutes and put the disc into the middle."""
    scene = Scene(world, "never sleeps")
    for time_s in np.arange(world.start_s + every_s, world.start_s + world.hours * 3600, every_s):
        _looks_over(scene, float(time_s), float(time_s) + every_s)
        scene.place(float(time_s), middle(world))
    return closed(scene, "between two visits")


def without(world: World) -> Account:
    """Three visits a day, waking, half-way and before bed; asleep at night."""
    scene = Scene(world, "without a tool")
    wake_s = world.notes["sleep_s"] + SLEEPS_H * 3600
    for day in range(-1, int(world.hours // 24) + 2):
        for hours in (0.3, 8.0, 15.5):
            time_s = wake_s + day * 86_400 + hours * 3600
            if world.start_s < time_s < world.start_s + world.hours * 3600:
                _looks_over(scene, time_s, time_s + (9 if hours > 15 else 8) * 3600)
                scene.place(time_s, middle(world))
    return closed(scene, "between two visits")


def closed(scene: Scene, why: str) -> Account:
    """Close an account in which all losses are of one kind."""
    lost = scene.lost()
    scene.account.lost = {why: int(lost.sum())}
    times = scene.run.times_s
    scene.account.spans = [(float(times[a]), float(times[b - 1]), why) for a, b in spans_of(lost)]
    return scene.account


def spans_of(lost: Array) -> list[tuple[int, int]]:
    """Return begin and end (exclusive) of each stretch."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(lost, dtype=int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def straight_line(world: World) -> Account:
    """A line through the last hour every ten minutes, an alarm when the disc runs; the person is the same."""
    scene = Scene(world, "line and speed alarm")
    quiet_until_s, k = world.start_s + 600.0, 2
    while k < scene.run.n:
        time_s = float(scene.run.times_s[k])
        calls = _calls(scene, k, quiet_until_s)
        if calls is None:
            k += 1
            continue
        late_s, runs = calls
        there_s = time_s + late_s + world.travel_min * 60
        k = scene.i(there_s)
        if there_s >= scene.run.times_s[scene.run.n - 1]:
            break
        _looks_over(scene, there_s, there_s + 9 * 3600)
        if runs:
            scene.mend_drive(there_s)
        placed = scene.place(there_s, _upstream(scene, there_s))
        quiet_until_s = there_s + (1200 if placed else 3600)
        k += 1
    return closed(scene, "line")


def _calls(scene: Scene, k: int, quiet_until_s: float) -> tuple[float, bool] | None:
    """Return how long until somebody hears a call, and whether for a disc that runs; None: no call."""
    run, world = scene.run, scene.world
    time_s = float(run.times_s[k])
    if (time_s + 3600 - world.notes["sleep_s"]) % 86_400 < world.interval_s:
        # Before bed: as the list of the evening would; supplies and the axis are on it too.
        left_s = min(_line_s(scene, k), scene.empty_s() - time_s - 14 * 3600)
        turns_deg = (world.axis_limit_deg or np.inf) - scene.turned_deg(time_s)
        left_s = min(left_s, turns_deg * 240 - 3600)
        return (0.0, False) if left_s < SLEEPS_H * 3600 + 7200 else None
    hidden = run.depth[k] > THICK or not scene.sun_up(time_s)
    scene.clear = scene.clear if hidden else k
    if time_s < quiet_until_s or not scene.sun_up(time_s):
        return None
    if not hidden and run.ways[-1].room_px[k] < -1.5 * run.radius_px[k]:
        # There is no line any more; who is awake looks at a picture now and then.
        return None if scene.asleep(time_s) or k % 30 else (0.0, True)
    runs = not hidden and _runs(scene, k)
    # Behind cloud the line goes on as it was.
    left_s = _line_s(scene, scene.clear) - (time_s - run.times_s[scene.clear])
    if not runs and (k % 10 or left_s > 35 * 60):
        return None
    late_s = 0.0
    if scene.asleep(time_s):
        scene.account.wakes += 1
        while scene.rng.random() > HEARS:
            late_s += 300.0
    return late_s, runs


def _line(scene: Scene, k: int) -> tuple[Array, Array]:
    run = scene.run
    way = run.ways[-1]
    begin = max(way.begin, k - int(3600 / run.world.interval_s), 0)
    t = run.times_s[begin : k + 1] - run.times_s[k]
    if len(t) < 5:
        return np.array([way.x_px[k], way.y_px[k]]), np.zeros(2)
    fits = [np.polyfit(t, part[begin : k + 1], 1) for part in (way.x_px, way.y_px)]
    return np.array([fit[1] for fit in fits]), np.array([fit[0] for fit in fits])


def _line_s(scene: Scene, k: int) -> float:
    """Return seconds until the line meets an edge."""
    at, speed = _line(scene, k)
    lens, radius = scene.world.lens, float(scene.run.radius_px[k])
    size = np.array([lens.width_px, lens.height_px], dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = np.where(speed > 0, (size - radius - at) / speed, (radius - at) / speed)
    return float(np.nanmin(np.where(np.abs(speed) < 1e-9, np.inf, ahead)))


def _upstream(scene: Scene, time_s: float) -> tuple[float, float]:
    """Return the place from which the line takes longest."""
    k = scene.i(time_s)
    _, speed = _line(scene, k)
    lens, radius = scene.world.lens, float(scene.run.radius_px[k])
    free = np.array([lens.width_px, lens.height_px]) / 2 - 1.4 * radius
    if not np.hypot(*speed) > 0:
        return lens.middle_px
    reach = np.min(
        np.where(np.abs(speed) > 1e-12, np.maximum(free, 0) / np.maximum(np.abs(speed), 1e-12), np.inf)
    )
    back = -speed * reach
    return lens.middle_px[0] + float(back[0]), lens.middle_px[1] + float(back[1])


def _runs(scene: Scene, k: int) -> bool:
    """Whether the last two steps were longer than a tenth of the sky's."""
    run = scene.run
    way = run.ways[-1]
    if k - 2 < way.begin:
        return False
    steps = (
        np.hypot(np.diff(way.x_px[k - 2 : k + 1]), np.diff(way.y_px[k - 2 : k + 1]))
        * run.world.lens.arcsec_px
    )
    wind = 3 * run.world.wind_arcsec + 6 * run.world.worm_arcsec / 8
    return bool((steps > 0.10 * 15.0 * run.world.interval_s + wind).all())


Strategy = Callable[[World], Account]
