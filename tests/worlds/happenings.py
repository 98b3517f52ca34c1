"""What may befall a session, each at an hour of it: times and rates only; `run` carries them out."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Happening:
    """Anything that comes at an hour."""

    at_h: float


@dataclass(frozen=True, kw_only=True)
class Rate(Happening):
    """From now on the drive turns at so many arcseconds a second (usually 15); negative: backwards."""

    arcsec_s: float
    over_h: float = 0.0
    """Gets there evenly within so long; 0: at once."""


@dataclass(frozen=True, kw_only=True)
class Sink(Happening):
    """A leg sinks: the tripod turns about a level axis."""

    deg_h: float
    level_deg: float
    """Bearing of the axis it turns about."""
    until_h: float = 1e9


@dataclass(frozen=True, kw_only=True)
class Knock(Happening):
    """A kick: the tripod turned at once."""

    turn_deg: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Jump(Happening):
    """The load slips in its clutches, at once: turns of drive and declination axis, in degrees."""

    drive_deg: float
    declination_deg: float


@dataclass(frozen=True, kw_only=True)
class Put(Happening):
    """Somebody puts the disc on a pixel; the gears take up their slack afterwards."""

    to_px: tuple[float, float]
    slack_arcsec: float = 0.0
    slack_share: float = 1.0
    """Part of the drive's turn that the slack eats until it is taken up."""
    turned_deg: float = 0.0
    """The camera is turned on its foot on that occasion."""
    flip: bool = False
    """The mount is turned over to the other side of the pier."""
    lens: float = 1.0
    """Another lens: focal length over the one before."""
    straight: float = 0.0
    """The axis is set: so much of its present error is taken away."""
    marked: str = ""
    """What the operator marks a minute later; empty: nothing."""


@dataclass(frozen=True, kw_only=True)
class Gusts(Happening):
    """Wind shakes the camera."""

    until_h: float
    arcsec: float


@dataclass(frozen=True, kw_only=True)
class Smoke(Happening):
    """The air grows thick, slowly, and stays so."""

    over_h: float
    depth: float


@dataclass(frozen=True, kw_only=True)
class Filter(Happening):
    """The filter slips within some minutes: more light, part of the picture burnt out."""

    over_min: float
    gain: float
    saturated: float
    veiled: float = 0.0
    """Share of the limb drowned in stray light."""


@dataclass(frozen=True, kw_only=True)
class Focus(Happening):
    """The focus wanders to an edge so many times as wide."""

    over_h: float
    ratio: float


@dataclass(frozen=True, kw_only=True)
class Missing(Happening):
    """No frames at all."""

    until_h: float


AnyHappening = Rate | Sink | Knock | Jump | Put | Gusts | Smoke | Filter | Focus | Missing
