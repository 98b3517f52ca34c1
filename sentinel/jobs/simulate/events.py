"""What happens during a scenario, and when: frozen, strict, no unknown keys."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Section
from sentinel.core.times import parse_utc


def _time(value: Any) -> Any:
    """Turn ISO 8601 text into an aware datetime; leave everything else to the type's own check."""
    if isinstance(value, str):
        try:
            return parse_utc(value)
        except RequestProblem as problem:
            raise ValueError(str(problem)) from None
    if isinstance(value, datetime) and value.tzinfo is None:
        raise ValueError("the time has no zone; write it like 2027-06-21T03:02:00Z")
    return value


UtcTime = Annotated[datetime, BeforeValidator(_time)]
Moment = Annotated[float | datetime, BeforeValidator(_time)]
"""Hours from the start, or a time like 2027-06-21T03:02:00Z."""

Pixel = Annotated[tuple[float, float], Field(strict=False)]
Fraction = Annotated[float, Field(ge=0, le=1)]


class _Event(Section):
    at: Moment


class _Spell(_Event):
    """Something that lasts: from `at` to `until`, or to the end of the session."""

    until: Moment | None = None


class DriveStop(_Spell):
    """The drive stops; it runs on from where it stands at `until`."""

    kind: Literal["stop"] = "stop"


class Reverse(_Spell):
    """The drive turns back, at `speed` times its rate."""

    kind: Literal["reverse"] = "reverse"
    speed: float = Field(1.0, gt=0, le=500)


class Snag(_Event):
    """The drive slows evenly from `at` to `until`, then stays at `to` times its rate: 0 stopped, -1 back."""

    kind: Literal["snag"] = "snag"
    until: Moment
    to: float = Field(-1.0, ge=-500, lt=1)


class Resume(_Event):
    """The drive is started again, after a snag, and runs as it should."""

    kind: Literal["resume"] = "resume"


class Rate(_Event):
    """The drive is switched to another rate."""

    kind: Literal["rate"] = "rate"
    tracking: Literal["solar", "sidereal", "lunar", "none"]


class Knock(_Event):
    """Something strikes camera or tripod, or the balance crosses over: the disc jumps, then is steady."""

    kind: Literal["knock"] = "knock"
    arcmin: float = Field(gt=0, le=600)
    toward_deg: float = 0.0
    """Where the disc jumps to, clockwise from the picture's up."""


class Recentre(_Event):
    """The operator puts the disc somewhere."""

    kind: Literal["recentre"] = "recentre"
    to_px: Pixel
    hand_error_px: float = Field(0.0, ge=0)
    """1 sigma on either axis of how far the hand misses."""
    unwound: bool = False
    """The axis was turned back by whole turns, so that it points at the sun again; from less than one, to its
    beginning."""
    marked: bool = False
    """The operator told the program so (`marks.jsonl`)."""


class Realign(_Event):
    """The operator turns the mount's bolts, then puts the disc back where it was or where `to_px` says."""

    kind: Literal["realign"] = "realign"
    azimuth_error_deg: float = Field(ge=-45, le=45)
    altitude_error_deg: float = Field(ge=-20, le=20)
    to_px: Pixel | None = None


class Sink(_Event):
    """A tripod leg sinks: the axis tips evenly between `at` and `until`."""

    kind: Literal["sink"] = "sink"
    until: Moment
    azimuth_deg: float = Field(0.0, ge=-20, le=20)
    altitude_deg: float = Field(0.0, ge=-20, le=20)


class Wind(_Spell):
    """Gusts: so much jitter, instead of the mount's usual."""

    kind: Literal["wind"] = "wind"
    arcsec: float = Field(ge=0, le=3600)


class CloudBank(_Spell):
    """A sheet of cloud, drawn across the sun by the wind."""

    kind: Literal["cloud"] = "cloud"
    transmission: float = Field(0.1, gt=0, le=1)
    """Median."""
    patchiness: float = Field(0.6, ge=0, le=3)
    """0 even, 0.3 streaky, 1 cores and holes."""
    size_deg: float = Field(2.0, gt=0, le=60)
    """Largest structure."""
    drift_deg_min: float = Field(0.25, ge=0, le=30)
    glow: float = Field(0.02, ge=0, le=1)
    edge_min: float = Field(8.0, ge=0)
    """How long it takes to come in and to clear."""


class Frost(_Spell):
    """Frost or dirt on the filter: evenly dimmer, growing over `ramp_min`; gone at `until`."""

    kind: Literal["frost"] = "frost"
    dimming: Fraction = 0.4
    ramp_min: float = Field(40.0, ge=0)


class FocusDrift(_Event):
    """Focus wanders from what it was at `at` to a blur of `sigma_px` at `until`, and stays there."""

    kind: Literal["focus"] = "focus"
    until: Moment
    sigma_px: float = Field(ge=0, le=200)


class FilterLost(_Spell):
    """The solar filter falls off; put back at `until`."""

    kind: Literal["filter-lost"] = "filter-lost"


class Cap(_Spell):
    """Nothing but black: a cap, a hand, a body in the beam."""

    kind: Literal["cap"] = "cap"


class Missing(_Spell):
    """The camera takes no pictures."""

    kind: Literal["missing"] = "missing"


class ClockJump(_Event):
    """The camera's clock jumps: positive, it then shows a later time."""

    kind: Literal["clock"] = "clock"
    step_s: float = Field(ge=-1e8, le=1e8)


class InventedEclipse(_Event):
    """An invented eclipse: the moon crosses the sun from first contact at `at` to last contact at `until`."""

    kind: Literal["eclipse"] = "eclipse"
    until: Moment
    magnitude: float = Field(0.6, gt=0, le=1.05)
    """Share of the sun's diameter that is covered at most."""
    from_deg: float = 300.0
    """Where the moon comes from, clockwise from the picture's up."""


AnyEvent = Annotated[
    DriveStop | Reverse | Snag | Resume | Rate | Knock | Recentre | Realign | Sink | Wind | CloudBank | Frost
    | FocusDrift | FilterLost | Cap | Missing | ClockJump | InventedEclipse,
    Field(discriminator="kind"),
]  # fmt: skip
