"""One site, one camera on one mount, one stretch of time: drawn at random, or said in full."""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from sentinel.core.settings import Camera, Frames, Mount, Settings, Site, Sleep, Supplies
from tests.worlds.happenings import AnyHappening
from tests.worlds.level import LevelSensor
from tests.worlds.mount import Lens, misaligned
from tests.worlds.sky import Array, Overhead
from tests.worlds.weather import Spell

RATES_ARCSEC_S = {"solar": 15.0, "sidereal": 15.041_07, "lunar": 14.685, "none": 0.0}
TRUE_LUNAR_ARCSEC_S = 14.492


@dataclass(frozen=True)
class Told:
    """What the settings say, where that is not what is there."""

    latitude_deg: float | None = None
    longitude_deg: float | None = None
    tracking: str | None = None
    focal_mm: float | None = None
    pitch_um: float | None = None
    clock_offset_s: float = 0.0
    """The camera's clock minus UTC, of which the settings know nothing."""


@dataclass(frozen=True)
class World:
    """Everything that is not set is perfect."""

    seed: int = 0
    latitude_deg: float = 70.37
    longitude_deg: float = 31.1
    start_s: float = datetime(2026, 6, 20, 12, tzinfo=UTC).timestamp()
    hours: float = 6.0
    ahead_h: float = 48.0
    """For so long after the end the truth is known."""
    interval_s: float = 60.0
    lens: Lens = field(default_factory=Lens)
    tracking: str = "solar"
    across_deg: float = 0.0
    """Axis off the pole, eastward, as an angle on the sky."""
    along_deg: float = 0.0
    roll_deg: float = 0.0
    cone_deg: float = 0.0
    skew_deg: float = 0.0
    start_px: tuple[float, float] | None = None
    rate_share: float = 0.0
    """The drive's rate is off by this share."""
    worm_arcsec: float = 0.0
    worm_deg: float = 2.0
    gear_arcsec: float = 0.0
    wind_arcsec: float = 0.0
    sag_arcsec: float = 0.0
    thermal_arcsec: float = 0.0
    centre_px: float = 0.0
    """Error of measuring a whole disc."""
    pressure_hpa: float = 1010.0
    temperature_c: float = 10.0
    air_seed: int | None = None
    """Two worlds with the same one lie under one air; None: its own."""
    air_share: float = 0.0
    """Day-to-day change of refraction, 1 sigma."""
    inversion_arcmin: float = 0.0
    extinction_mag: float = 0.2
    level: float = 0.45
    horizon: tuple[tuple[float, float], ...] = ()
    """As it is, and as the settings say it."""
    ridge: tuple[tuple[float, float], ...] = ()
    """Stands higher there, and nobody has said so."""
    spells: tuple[Spell, ...] = ()
    missing_share: float = 0.0
    burst: int = 1
    """Pictures at each release, two seconds apart."""
    brackets: tuple[float, ...] = (0.0,)
    """Stops, in turn."""
    exif: bool = True
    level_sensor: LevelSensor | None = None
    told: Told = Told()
    happenings: tuple[AnyHappening, ...] = ()
    change_h: float | None = None
    """When that happens which the session is about."""
    notes: dict[str, float] = field(default_factory=dict)
    travel_min: float = 10.0
    sleep: tuple[str, str] | None = None
    supplies: dict[str, float] = field(default_factory=dict)
    axis_limit_deg: float | None = None

    @property
    def south(self) -> bool:
        return self.latitude_deg < 0

    @property
    def tripod(self) -> Array:
        """The tripod's turn: which is all that is wrong with the axis."""
        return misaligned(self.latitude_deg, self.across_deg, self.along_deg)

    @property
    def settings(self) -> Settings:
        told = self.told
        latitude = self.latitude_deg if told.latitude_deg is None else told.latitude_deg
        longitude = self.longitude_deg if told.longitude_deg is None else told.longitude_deg
        supplies = {k: int(v) if k.endswith("frames") else v for k, v in self.supplies.items()}
        return Settings(
            site=Site(
                latitude_deg=latitude,
                longitude_deg=longitude,
                pressure_hpa=self.pressure_hpa,
                temperature_c=self.temperature_c,
                horizon=self.horizon,
            ),
            camera=Camera(
                focal_length_mm=told.focal_mm or self.lens.focal_mm,
                pixel_pitch_um=told.pitch_um or self.lens.pitch_um,
                interval_s=self.interval_s,
            ),
            mount=Mount.model_validate(
                {"tracking": told.tracking or self.tracking, "axis_limit_deg": self.axis_limit_deg}
            ),
            frames=Frames(margin_px=0.0),
            supplies=Supplies.model_validate(supplies),
            visit={"travel_min": self.travel_min},  # type: ignore[arg-type]
            sleep=Sleep(from_utc=self.sleep[0], until_utc=self.sleep[1]) if self.sleep else Sleep(),
        )

    def with_happenings(self, *more: AnyHappening, change_h: float | None = None) -> "World":
        """Return the same world in which more happens."""
        told = self.change_h if change_h is None else change_h
        return replace(self, happenings=(*self.happenings, *more), change_h=told)


def usual_roll(rng: np.random.Generator) -> float:
    """Return how a camera sits: mostly level, some upright, some upside down, a few anyhow."""
    if rng.random() < 0.12:
        return float(rng.uniform(0, 360))
    square = rng.choice([0.0, 90.0, 180.0, 270.0], p=[0.7, 0.1, 0.1, 0.1])
    return float((square + rng.normal(0, 12)) % 360)


def by_day(rng: np.random.Generator, rms_deg: float = 0.7, tail: float = 0.1) -> tuple[float, float]:
    """Return how far an axis set by day is off, across and along, on the sky; now and then far."""
    scale = rms_deg / np.sqrt(2) * (2.5 if rng.random() < tail else 1.0)
    return float(rng.normal(0, scale)), float(rng.normal(0, scale))


def season(rng: np.random.Generator, latitude_deg: float) -> float:
    """Return a start, POSIX seconds: about midsummer at high latitudes, any day elsewhere."""
    day = datetime(2027, 6, 21, tzinfo=UTC) + timedelta(days=183 if latitude_deg < 0 else 0)
    high = abs(latitude_deg) > 66.6
    width = max(1.0, min(25.0, 4.0 * (abs(latitude_deg) - 66.6))) if high else 70.0
    return (
        day + timedelta(days=float(rng.uniform(-width, width)), hours=float(rng.uniform(0, 24)))
    ).timestamp()


def equipment(rng: np.random.Generator) -> Lens:
    """Return a lens before a sensor, the pictures perhaps made smaller."""
    focal = float(np.round(np.exp(rng.uniform(np.log(300), np.log(900)))))
    pitch = float(np.round(rng.uniform(3.2, 5.9), 2))
    side = (36.0, 24.0) if focal > 650 or rng.random() < 0.6 else (23.5, 15.6)
    binned = int(rng.choice([1, 1, 2, 4]))
    width, height = (int(s * 1000 / pitch / binned) for s in side)
    return Lens(focal, pitch * binned, width, height, float(rng.normal(0, 8e-4)))


def drawn(
    seed: int,
    *,
    hours: float = 6.0,
    latitude_deg: float | None = None,
    rms_deg: float = 0.7,
    light_h: float | None = None,
    kind: int = 11,
) -> World:
    """Return a random world without happenings.

    `light_h`: the sun stays above 4 degrees for so many hours from the start; None: as long as the session,
    at most 8.
    """
    rng = np.random.default_rng([seed, kind])
    if latitude_deg is None:
        high = rng.random() < 0.6
        latitude_deg = float(np.round(rng.uniform(68, 82) if high else rng.uniform(40, 58), 3))
        latitude_deg *= -1.0 if rng.random() < 0.5 else 1.0
    longitude = float(np.round(rng.uniform(-180, 180), 3))
    start_s = _in_light(rng, latitude_deg, longitude, min(hours, 8.0) if light_h is None else light_h)
    # By a generator of its own, so that nothing else is drawn otherwise.
    lens = replace(equipment(rng), stretched=float(np.random.default_rng([seed, kind, 1]).normal(0, 1e-4)))
    across, along = by_day(rng, rms_deg)
    return World(
        seed=seed,
        latitude_deg=latitude_deg,
        longitude_deg=longitude,
        start_s=start_s,
        hours=hours,
        interval_s=float(rng.choice([30.0, 60.0, 60.0, 60.0, 60.0, 120.0])),
        lens=lens,
        across_deg=across,
        along_deg=along,
        roll_deg=usual_roll(rng) + (180.0 if latitude_deg < 0 else 0.0),
        cone_deg=float(rng.normal(0, 0.3)),
        skew_deg=float(rng.normal(0, 0.1)),
        start_px=near_middle(rng, lens),
        rate_share=float(rng.normal(0, 8e-5)),
        worm_arcsec=float(rng.uniform(4, 28)),
        worm_deg=float(rng.choice([1.0, 2.0, 2.5])),
        gear_arcsec=float(rng.uniform(0, 4)),
        wind_arcsec=float(rng.uniform(1, 5)),
        sag_arcsec=float(rng.uniform(0, 20)),
        thermal_arcsec=float(rng.uniform(2, 15)),
        centre_px=float(rng.uniform(0.03, 0.1)),
        temperature_c=float(np.round(rng.uniform(-15, 15))),
        air_share=0.012,
        inversion_arcmin=float(rng.uniform(0, 3)),
        extinction_mag=float(rng.uniform(0.12, 0.32)),
        level=float(rng.uniform(0.3, 0.6)),
    )


def near_middle(rng: np.random.Generator, lens: Lens) -> tuple[float, float]:
    """Return where a person puts the disc who means the middle."""
    middle = lens.middle_px
    return (
        middle[0] + float(rng.uniform(-0.1, 0.1)) * lens.width_px,
        middle[1] + float(rng.uniform(-0.1, 0.1)) * lens.height_px,
    )


def _in_light(rng: np.random.Generator, latitude: float, longitude: float, light_h: float) -> float:
    """Return a start that leaves so many hours of sun above 4 degrees."""
    best = (-1.0, 0.0)
    for _ in range(40):
        begin = season(rng, latitude)
        times = begin + np.arange(0, max(light_h, 0.25) * 3600, 900.0)
        enu = Overhead(latitude, longitude, begin, float(times[-1])).airless_enu(times)
        good = float(np.mean(enu[:, 2] > np.sin(np.radians(4.0))))
        if good == 1.0:
            return begin
        best = max(best, (good, begin))
    return best[1]
