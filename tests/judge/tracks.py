"""Hand-made tracks: a disc moving on a line with jitter, as the measurements would show it."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import cos, nan, radians, sin
from typing import Any

import numpy as np

from sentinel.chain.judge.core import Judge, JudgeState
from sentinel.chain.track import Context, Follower
from sentinel.core.records import Disc, Event, Forecast, Incident, Mark, MeasuredFrame, Surroundings, Tick
from sentinel.core.settings import Settings, validate
from sentinel.sky import Sun
from tests.forecasts import foreseen

START = datetime(2026, 6, 21, 6, 0, tzinfo=UTC)
SIZE = (6000, 4000)
RADIUS = 469.0


def settings(**sections: Any) -> Settings:
    content: dict[str, Any] = {
        "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 3.92},
        "mount": {"axis_limit_deg": None},
    }
    for name, section in sections.items():
        content[name] = {**content.get(name, {}), **section}
    return validate(content, where="test")


class Judging:
    """Follower and judge in one, as the pipeline has them."""

    def __init__(self, settings: Settings, sun: Sun) -> None:
        self.context = Context(settings, sun)
        self._follower, self._judge = Follower(self.context), Judge(self.context)

    def fresh(self, start: datetime) -> JudgeState:
        return self._judge.fresh(start)

    def step(
        self, state: JudgeState, event: Event | Forecast, now: datetime
    ) -> tuple[JudgeState, tuple[Incident, ...]]:
        track = self._follower.step(state.track, event, now.timestamp())
        return self._judge.step(state, event, track, now)


@lru_cache(maxsize=8)
def _sun(latitude_deg: float, longitude_deg: float) -> Sun:
    site = settings(site={"latitude_deg": latitude_deg, "longitude_deg": longitude_deg}).site
    return Sun(site)


class Watch:
    """A judge fed by hand; keeps what was said."""

    def __init__(self, start: datetime = START, seed: int = 0, **sections: Any) -> None:
        self.settings = settings(**sections)
        site = self.settings.site
        sun = _sun(site.latitude_deg, site.longitude_deg) if not site.horizon else Sun(site)
        self.judge = Judging(self.settings, sun)
        self.now = start
        self.state: JudgeState = self.judge.fresh(start)
        self.said: list[Incident] = []
        self.log: list[tuple[Event | Forecast, datetime]] = []
        self.x, self.y = 3000.0, 2000.0
        self.speed = (2.0, -1.0)  # px a minute
        self.jitter = 0.6
        self.count = 0
        self.random = np.random.default_rng(seed)
        self.look: dict[str, Any] = {}
        """What every frame shows until told otherwise: fields of `Disc` and `MeasuredFrame`."""

    def step(self, event: Event | Forecast) -> list[Incident]:
        self.log.append((event, self.now))
        self.state, said = self.judge.step(self.state, event, self.now)
        self.said += said
        return list(said)

    def frame(self, **changes: Any) -> MeasuredFrame:
        """Return the frame that the camera takes now."""
        self.count += 1
        dx, dy = self.random.normal(0, self.jitter, 2)
        disc: dict[str, Any] = {
            "found": True,
            "x_px": self.x + float(dx),
            "y_px": self.y + float(dy),
            "radius_px": RADIUS + float(self.random.normal(0, 0.1)),
            "centre_sigma_px": 0.02,
            "limb_in_frame": 1.0,
            "limb_coverage": 1.0,
            "edge_width_px": 3.0 * float(np.exp(self.random.normal(0, 0.02))),
            "brightness": 0.4 * float(np.exp(self.random.normal(0, 0.004))),
            "saturated_fraction": 0.0,
        }
        whole: dict[str, Any] = {
            "frame": f"IMG_{self.count:04d}.JPG",
            "time_utc": self.now,
            "width_px": SIZE[0],
            "height_px": SIZE[1],
            "exposure_s": 1 / 500,
            "iso": 100.0,
            "aperture": 8.0,
            "camera": "Fernlicht F1",
        }
        names = set(Disc.__dataclass_fields__)
        for name, value in {**self.look, **changes}.items():
            (disc if name in names and name != "flags" else whole)[name] = value
        if not disc["found"]:
            lost = ("x_px", "y_px", "radius_px", "centre_sigma_px", "edge_width_px")
            disc |= dict.fromkeys(lost, nan)
            disc |= {"limb_in_frame": 0.0, "limb_coverage": 0.0, "brightness": disc["brightness"] * 0}
            disc |= {
                k: v for k, v in {**self.look, **changes}.items() if k in ("brightness", "saturated_fraction")
            }
        return MeasuredFrame(disc=Disc(**disc), **whole)

    def frames(self, minutes: float, every_s: float = 60.0, **changes: Any) -> list[Incident]:
        """Take frames for some minutes; the disc moves on at the present speed."""
        said: list[Incident] = []
        for _ in range(round(minutes * 60 / every_s)):
            self.now += timedelta(seconds=every_s)
            self.x += self.speed[0] * every_s / 60
            self.y += self.speed[1] * every_s / 60
            said += self.step(self.frame(**changes))
        return said

    def silence(self, minutes: float, every_s: float = 30.0) -> list[Incident]:
        """Let ticks pass."""
        said: list[Incident] = []
        for _ in range(round(minutes * 60 / every_s)):
            self.now += timedelta(seconds=every_s)
            said += self.step(Tick(time_utc=self.now))
        return said

    def mark(self, kind: Any, **fields: Any) -> list[Incident]:
        return self.step(Mark(time_utc=self.now, kind=kind, **fields))

    def forecast(self, **fields: Any) -> list[Incident]:
        return self.step(foreseen(time_utc=self.now, **fields))

    def disk(self, free: int, per_frame: float | None = None) -> list[Incident]:
        return self.step(Surroundings(time_utc=self.now, free_bytes=free, bytes_per_frame=per_frame))

    def sky_px_min(self) -> float:
        """Return how fast the disc goes on a mount that stands still, px a minute."""
        sun = self.judge.context.sun_at
        one, two = sun(self.now.timestamp()), sun(self.now.timestamp() + 60)
        chord = float(np.linalg.norm(np.subtract(one.direction, two.direction)))
        return chord / self.judge.context.sun_radius_rad(self.now.timestamp()) * RADIUS

    def runs(self, pace: float, way_deg: float = 20.0) -> None:
        """Let the disc go at so many times the sky's rate."""
        speed = pace * self.sky_px_min()
        self.speed = (speed * cos(radians(way_deg)), speed * sin(radians(way_deg)))

    def opened(self, condition: str) -> Incident | None:
        return next((one for one in self.said if one.condition == condition), None)

    def of(self, condition: str) -> list[tuple[str, str]]:
        return [(one.state, one.severity.value) for one in self.said if one.condition == condition]


def stepped(start: datetime, log: list[tuple[Event | Forecast, datetime]], judge: Judging) -> JudgeState:
    state = judge.fresh(start)
    for event, now in log:
        state, _ = judge.step(state, event, now)
    return state


Change = Callable[[MeasuredFrame], MeasuredFrame]


def stripped(frame: MeasuredFrame) -> MeasuredFrame:
    """Return a frame as a table without the optional columns gives it."""
    disc = replace(frame.disc, brightness=nan, saturated_fraction=nan, edge_width_px=nan, centre_sigma_px=nan)
    return replace(frame, disc=disc, exposure_s=nan, iso=nan, aperture=nan, camera="")
