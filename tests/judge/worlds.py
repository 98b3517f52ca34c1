"""Invented sessions for the judge: random mounts and weather, with one kind of thing happening to them."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import yaml

from sentinel.chain.intake.events import session_events
from sentinel.chain.judge.core import JudgeState
from sentinel.core.records import Forecast, Incident, Mark, MeasuredFrame
from sentinel.core.settings import Settings, Site, validate
from sentinel.jobs.simulate import events as happening
from sentinel.jobs.simulate.events import AnyEvent
from sentinel.jobs.simulate.scenario import Air, Scenario, SimCamera, SimMount
from sentinel.jobs.simulate.session import config_text
from sentinel.jobs.simulate.synthesize import measured, plan_session
from sentinel.sky import Sun
from tests.judge.tracks import Judging

START = datetime(2026, 6, 20, 6, tzinfo=UTC)


@dataclass(frozen=True)
class Session:
    """An invented session and what is to be found in it."""

    scenario: Scenario
    frames: list[MeasuredFrame]
    settings: Settings
    onset: datetime | None = None
    marks: tuple[Mark, ...] = ()
    notes: dict[str, Any] = field(default_factory=dict)

    @property
    def hours(self) -> float:
        return self.scenario.hours


def scenario(seed: int, *, hours: float = 48.0, night: bool = False) -> Scenario:
    """Return a random site, camera and mount whose disc stays in the frame while the sun is up."""
    random = np.random.default_rng((seed, 20))
    while True:
        found = _drawn(random, seed, hours, night)
        if _stays(found):
            return found


def _drawn(random: np.random.Generator, seed: int, hours: float, night: bool) -> Scenario:
    south = random.random() < 0.3
    latitude = float(random.uniform(40, 50) if night else random.uniform(68, 79))
    start = START + timedelta(hours=float(random.uniform(0, 24)))
    if south:
        latitude, start = -latitude, start + timedelta(days=183)
    binned = random.random() < 0.5
    factor = 4 if binned else 1
    interval_s = float(random.choice([30.0, 60.0, 60.0, 60.0, 120.0]))
    error = 0.05
    return Scenario(
        site=Site(latitude_deg=latitude, longitude_deg=float(random.uniform(-180, 180))),
        camera=SimCamera(
            focal_length_mm=float(random.choice([300.0, 400.0, 400.0, 600.0])),
            pixel_pitch_um=3.92 * factor,
            width_px=6000 // factor,
            height_px=4000 // factor,
            interval_s=interval_s,
        ),
        mount=SimMount(
            azimuth_error_deg=float(random.normal(0, error)),
            altitude_error_deg=float(random.normal(0, error)),
            rate_error=float(random.normal(0, 3e-5)),
            roll_deg=float(random.uniform(-180, 180)),
            worm_arcsec=float(random.uniform(5, 30)),
            worm_period_s=float(random.uniform(300, 900)),
            wind_arcsec=float(random.uniform(1, 5)),
            flexure_arcsec=float(random.uniform(5, 25)),
            axis_limit_deg=None,
        ),
        air=Air(seeing_arcsec=float(random.uniform(1.5, 4)), extinction_mag=float(random.uniform(0.1, 0.3))),
        start_utc=start,
        hours=hours,
        seed=seed,
    )


def _stays(found: Scenario, *, radii: float = 1.3, every_s: float = 1800.0) -> bool:
    coarse = found.changed(camera=found.camera.model_copy(update={"interval_s": every_s}))
    truth = plan_session(coarse).truth
    room = radii * float(np.nanmax(truth.radius_px))
    inside_x = (truth.x_px > room) & (truth.x_px < found.camera.width_px - room)
    inside_y = (truth.y_px > room) & (truth.y_px < found.camera.height_px - room)
    # In the minutes about rising and setting the air lifts the disc to wherever it likes.
    up = Sun(found.site).direction(truth.utc_s)[:, 2] > np.sin(np.radians(1.0))
    return bool(np.all((inside_x & inside_y)[up]))


def built(scenario_: Scenario, *, onset_h: float | None = None, **notes: Any) -> Session:
    """Measure a scenario without pixels."""
    settings = validate(yaml.safe_load(config_text(scenario_)), where="invented session")
    onset = None if onset_h is None else scenario_.start_utc + timedelta(hours=onset_h)
    return Session(scenario_, measured(plan_session(scenario_)), settings, onset, notes=notes)


Feed = Callable[[Any, datetime], Forecast | None]
Make = Callable[[int, float], Session]


def judged(session: Session, feed: Feed | None = None) -> tuple[list[Incident], JudgeState]:
    """Step a whole session through the judge; `feed` gives forecasts."""
    judge = Judging(session.settings, Sun(session.settings.site))
    said: list[Incident] = []
    state: JudgeState | None = None
    for event, now in session_events(session.frames, session.marks):
        state = state or judge.fresh(now)
        state, incidents = judge.step(state, event, now)
        said += incidents
        forecast = feed(event, now) if feed is not None else None
        if forecast is not None:
            state, incidents = judge.step(state, forecast, now)
            said += incidents
    assert state is not None
    return said, state


def opened(said: Sequence[Incident], condition: str, severity: str | None = None) -> Incident | None:
    """Return the first incident of a condition at a severity, opened or risen to it."""
    for incident in said:
        fits = incident.condition == condition and incident.state != "cleared"
        if fits and severity in {None, incident.severity}:
            return incident
    return None


# --- things that are no reason to wake anybody ---


def calm(seed: int, hours: float) -> Session:
    return built(scenario(seed, hours=hours))


def nights(seed: int, hours: float) -> Session:
    return built(scenario(seed, hours=hours, night=True))


def clouds(seed: int, hours: float) -> Session:
    base = scenario(seed, hours=hours)
    random = np.random.default_rng((seed, 21))
    banks: list[AnyEvent] = []
    count = max(round(10 * hours / 48), 1)
    for slot in range(count):
        width = hours / count
        length = float(random.uniform(0.1, 1.5))
        at = slot * width + float(random.uniform(0.05, max(width - length - 0.1, 0.1)))
        banks.append(
            happening.CloudBank(
                kind="cloud",
                at=at,
                until=min(at + length, hours - 0.01),
                transmission=float(10 ** random.uniform(-3, -0.5)),
                patchiness=float(random.uniform(0.1, 1.5)),
                drift_deg_min=float(random.uniform(0.05, 1.0)),
                edge_min=float(random.uniform(1.0, 12.0)),
            )
        )
    return built(base.with_events(*banks))


def wind(seed: int, hours: float) -> Session:
    base = scenario(seed, hours=hours)
    random = np.random.default_rng((seed, 22))
    spells: list[AnyEvent] = []
    for slot in range(6):
        at = hours * (slot + float(random.uniform(0.05, 0.3))) / 6
        until = at + hours / 6 * float(random.uniform(0.1, 0.6))
        spells.append(happening.Wind(kind="wind", at=at, until=until, arcsec=20.0))
    return built(base.with_events(*spells))


def recentrings(seed: int, hours: float) -> Session:
    """Five re-centrings: at once, in several pushes, or slewed evenly for minutes; none drifts out later."""
    base = scenario(seed, hours=hours)
    random = np.random.default_rng((seed, 23))
    camera = base.camera
    radius = 1.05 * 960 / (camera.pixel_pitch_um / camera.focal_length_mm * 206.265)
    while True:
        moves: list[AnyEvent] = []
        for slot in range(5):
            at = hours * (slot + float(random.uniform(0.1, 0.8))) / 5
            moves += _recentring(base, at, radius, random)
        found = base.with_events(*moves)
        if _stays(found, radii=1.1, every_s=300.0):
            return built(found)


def _recentring(base: Scenario, at: float, radius: float, random: np.random.Generator) -> Iterator[AnyEvent]:
    camera = base.camera

    def place() -> np.ndarray[Any, np.dtype[np.float64]]:
        low = np.array([1.4 * radius, 1.4 * radius])
        high = np.array([camera.width_px, camera.height_px]) - low
        middle = np.array([camera.width_px, camera.height_px]) / 2
        return np.where(low < high, random.uniform(np.minimum(low, middle), np.maximum(high, middle)), middle)

    goal = place()
    style = random.choice(["once", "pushes", "slew"])
    step_h = camera.interval_s / 3600
    if style == "pushes":
        for push in range(int(random.integers(1, 5))):
            x, y = place()
            yield happening.Recentre(kind="recentre", at=at + push * step_h * 0.9, to_px=(float(x), float(y)))
        at += 5 * step_h
    elif style == "slew":
        start = place()
        steps = int(random.integers(6, 40))
        for k in range(steps):
            x, y = start + (goal - start) * (k + 1) / (steps + 1)
            yield happening.Recentre(kind="recentre", at=at + k * 10 / 3600, to_px=(float(x), float(y)))
        at += steps * 10 / 3600
    yield happening.Recentre(kind="recentre", at=at, to_px=(float(goal[0]), float(goal[1])))


# --- things that are ---


def _when(seed: int, hours: float) -> float:
    """Return a random onset in the session, in hours; not in its first one."""
    last = max(hours - 4, 0.5 * hours)
    return float(np.random.default_rng((seed, 24)).uniform(min(1.2, 0.3 * hours), last))


def stop(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    return built(scenario(seed, hours=hours).with_events(happening.DriveStop(kind="stop", at=at)), onset_h=at)


def reversal(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    return built(
        scenario(seed, hours=hours).with_events(happening.Reverse(kind="reverse", at=at)), onset_h=at
    )


def snag(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    over = float(np.random.default_rng((seed, 25)).uniform(0.05, 0.5))
    event = happening.Snag(kind="snag", at=at, until=at + over)
    return built(scenario(seed, hours=hours).with_events(event), onset_h=at)


def knock(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    random = np.random.default_rng((seed, 26))
    base = scenario(seed, hours=hours)
    event = happening.Knock(
        kind="knock", at=at, arcmin=float(random.uniform(10, 25)), toward_deg=float(random.uniform(0, 360))
    )
    return built(base.with_events(event), onset_h=at)


def focus(seed: int, hours: float) -> Session:
    """Focus drifts; the onset is when the edge has become half as wide again."""
    at = _when(seed, 0.8 * hours)
    random = np.random.default_rng((seed, 27))
    base = scenario(seed, hours=hours)
    event = happening.FocusDrift(
        kind="focus",
        at=at,
        until=at + float(random.uniform(0.5, 6)),
        sigma_px=float(random.uniform(3.5, 6))
        * base.camera.blur_px
        * (1 if base.camera.width_px < 2000 else 2),
    )
    soft = built(base.with_events(event))
    sharp = measured(plan_session(base))
    crossed = next(
        one.time_utc
        for one, other in zip(soft.frames, sharp, strict=True)
        if one.disc.edge_width_px > 1.5 * other.disc.edge_width_px
    )
    return replace(soft, onset=crossed)


def filter_lost(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    event = happening.FilterLost(kind="filter-lost", at=at)
    return built(scenario(seed, hours=hours).with_events(event), onset_h=at)


def camera_stop(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    event = happening.Missing(kind="missing", at=at, until=hours - 0.5)
    return built(scenario(seed, hours=hours).with_events(event), onset_h=at)


def cap(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    event = happening.Cap(kind="cap", at=at)
    return built(scenario(seed, hours=hours).with_events(event), onset_h=at)


def frost(seed: int, hours: float) -> Session:
    at = _when(seed, hours)
    event = happening.Frost(kind="frost", at=at, dimming=0.5)
    return built(scenario(seed, hours=hours).with_events(event), onset_h=at)


def star_rate(seed: int, hours: float) -> Session:
    """A drive left on the star rate from the beginning, where the settings say solar."""
    base = scenario(seed, hours=min(hours, 6.0))
    mount = base.mount.model_copy(update={"tracking": "sidereal"})
    session = built(base.changed(mount=mount), onset_h=0.0)
    told = session.settings.model_copy(
        update={"mount": session.settings.mount.model_copy(update={"tracking": "solar"})}
    )
    return replace(session, settings=told)
