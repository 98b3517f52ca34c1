"""What stands before the lens, and what lens and sensor do to it: frozen descriptions for `render`.

Pixels as everywhere: x right, y down, the centre of the first stored pixel is (0, 0). Levels are linear, 1 is
full scale. A direction in the picture is an angle in degrees clockwise from the picture's up: 0 up, 90 right.
"""

from dataclasses import dataclass
from math import cos, log, radians, sin

from pydantic import Field

from sentinel.core.settings import Section
from sentinel.jobs.simulate.events import Fraction


class Sunspot(Section):
    """An invented spot, where it stands on the sun in the session's first exposure; it turns with the sun."""

    latitude_deg: float = Field(ge=-60, le=60)
    west_deg: float = Field(ge=-180, le=180)
    """Heliographic longitude from the middle of the disc; east is negative."""
    radius: float = Field(gt=0, le=0.5)
    """Of its penumbra, in disc radii."""
    contrast: Fraction = 0.7
    """How much darker than its surroundings the umbra is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A sunspot as it stands in the picture: place and size in disc radii (x right, y down of the centre)."""

    x: float
    y: float
    radius: float
    contrast: float = 0.7
    """How much darker than its surroundings the umbra is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SunDisc:
    """The sun's disc as it would stand in the frame without blur."""

    x_px: float
    """Middle between the opposite limbs."""
    y_px: float
    radius_px: float
    """Long half-axis: half the width across the vertical."""
    brightness: float = 0.6
    """Linear level at the disc's centre, before cloud and gain."""
    flattening: float = 0.0
    """Share of the vertical diameter that refraction takes away."""
    egg: float = 0.0
    """How far, in radii, the widest row lies below the middle: the lower half is squeezed more."""
    zenith_deg: float = 0.0
    """Direction of the zenith in the picture, clockwise from up."""
    wavelength_nm: float = 550.0
    spots: tuple[Spot, ...] = ()
    ripple_px: float = 0.0
    """Root mean square waviness of the limb by bad seeing; the mean limb stays in place."""
    ripple_seed: int = 0


class Dust(Section):
    """Dirt on the sensor: a soft shadow that does not move with the sun."""

    x_px: float
    y_px: float
    radius_px: float = Field(gt=0, le=2000)
    depth: Fraction = 0.15
    """Share of the light it takes at its middle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cloud:
    """A sheet of cloud: optical depth -ln(mean) exp(contrast g), g a smooth random field of unit variance."""

    mean: float
    """Median transmission, above 0 to 1."""
    contrast: float = 0.0
    """0: even; 0.3: streaky; 1: patchy, holes and cores."""
    scale_px: float = 300.0
    """Size of the largest structure."""
    shift_px: tuple[float, float] = (0.0, 0.0)
    """How far wind has carried the sheet."""
    glow: float = 0.0
    """Scattered light: level near the sun, in units of its brightness, where the sheet is opaque."""
    seed: int = 0

    @property
    def depth(self) -> float:
        """Median optical depth."""
        return -log(self.mean)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ridge:
    """The horizon line: everything on one side of it is hidden."""

    x_px: float
    """A point on the line."""
    y_px: float
    facing_deg: float = 180.0
    """Direction in which the hidden side lies, clockwise from up: 180 hides what is below."""
    roughness_px: float = 0.0
    """Root mean square height of its crags; 0: a straight edge."""
    shift_px: float = 0.0
    """How far the crags have moved along the line, to the right of who looks to the hidden side."""
    seed: int = 0

    @property
    def normal(self) -> tuple[float, float]:
        """Unit vector (x, y) towards the hidden side."""
        return sin(radians(self.facing_deg)), -cos(radians(self.facing_deg))


@dataclass(frozen=True, slots=True, kw_only=True)
class MoonDisc:
    """The moon's dark face before the sun."""

    x_px: float
    y_px: float
    radius_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Caption:
    """Text that the camera stamps over the picture."""

    text: str
    x_px: float
    y_px: float
    height_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """Seeing, focus and optics: a Gaussian, wider along the vertical by dispersion near the horizon."""

    sigma_px: float = 1.0
    vertical_sigma_px: float = 0.0
    """Added in quadrature along the vertical (`SunDisc.zenith_deg`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Read noise in units of full scale; shot noise from the electrons a full pixel holds."""

    read: float = 0.0005
    full_well_e: float = 60_000.0
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One exposure. The default is a black frame."""

    width_px: int
    height_px: int
    sun: SunDisc | None = None
    sky: float = 0.0005
    """Even level of the sky, by scatter in the air and in the filter."""
    halo: float = 0.0
    """Scatter close to the disc: level at the limb, in units of the sun's brightness."""
    clouds: tuple[Cloud, ...] = ()
    moon: MoonDisc | None = None
    horizon: Ridge | None = None
    blur: Blur = Blur()
    dust: tuple[Dust, ...] = ()
    gain: float = 1.0
    """Exposure against the right one: 6 over-exposes six times."""
    filter_factor: float = 1.0
    """How much more light than through the filter comes in: 1e5 when it is gone."""
    noise: Noise | None = Noise()
    caption: Caption | None = None
