"""YAML files -> frozen, validated settings.

Unknown keys, wrong types and impossible values are refused with the key's full path. Later files overlay
earlier ones. Every key has its unit in its name; `config/example.yaml` explains each.
"""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from sentinel.errors import RequestProblem


class Section(BaseModel):
    """A part of the settings: frozen, strict, no unknown keys."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


AzimuthAltitude = tuple[Annotated[float, Field(ge=-360, le=360)], Annotated[float, Field(ge=-5, le=90)]]


class Site(Section):
    """Where the camera stands."""

    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=360)
    elevation_m: float = Field(0.0, ge=-450, le=9000)
    pressure_hpa: float = Field(1010.0, ge=0, le=1100)
    temperature_c: float = Field(10.0, ge=-80, le=60)
    horizon: Annotated[tuple[Annotated[AzimuthAltitude, Field(strict=False)], ...], Field(strict=False)] = ()


class Camera(Section):
    """Lens and sensor, as the stored frames show them."""

    focal_length_mm: float = Field(gt=0, le=100_000)
    pixel_pitch_um: float = Field(gt=0, le=1000)
    interval_s: float = Field(60.0, gt=0, le=86_400)
    clock_offset_s: float | Literal["auto"] = 0.0
    transfer: Literal["auto", "srgb", "linear"] = "auto"

    @property
    def scale_arcsec_px(self) -> float:
        """Angle one pixel subtends on the lens axis."""
        return self.pixel_pitch_um / self.focal_length_mm * 206.264_806_247


class Mount(Section):
    """What carries the camera."""

    tracking: Literal["solar", "sidereal", "lunar", "none"] = "solar"
    axis_limit_deg: float | None = Field(360.0, gt=0)
    axis_start_deg: float = 0.0
    hour_angle_limit_deg: Annotated[tuple[float, float], Field(strict=False)] | None = None


class Frames(Section):
    """Which files are frames, and how much room the limb needs."""

    folder: str = ""
    patterns: Annotated[tuple[str, ...], Field(strict=False, min_length=1)] = (
        "*.jpg", "*.jpeg", "*.tif", "*.tiff", "*.png", "*.fits", "*.fit",
    )  # fmt: skip
    margin_px: float = Field(0.0, ge=0)


class Supplies(Section):
    """What runs out; each starts anew at its mark."""

    camera_battery_h: float | None = Field(None, gt=0)
    mount_battery_h: float | None = Field(None, gt=0)
    card_frames: int | None = Field(None, gt=0)
    timer_frames: int | None = Field(None, gt=0)


class Visit(Section):
    """What a visit to the camera costs."""

    travel_min: float = Field(10.0, ge=0, le=1440)


class Settings(Section):
    """Everything the program is told."""

    site: Site
    camera: Camera
    mount: Mount = Mount()
    frames: Frames = Frames()
    supplies: Supplies = Supplies()
    visit: Visit = Visit()


class _Loader(yaml.SafeLoader):
    """YAML 1.2's core schema, each key once: `no` is a word, `12:30` is text, `1e3` is a number."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012


for _tag, _pattern, _first in (
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", "-+0123456789"),
    ("float", r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?", "-+.0123456789"),
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(rf"^(?:{_pattern})$"), list(_first))


def _int_10(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    text = loader.construct_scalar(node)
    return int(text, 0) if text.lower().lstrip("+-").startswith(("0x", "0o")) else int(text)


def _mapping_once(loader: yaml.SafeLoader, node: yaml.MappingNode) -> dict[Any, Any]:
    seen: set[str] = set()
    for key, _ in node.value:
        if key.value in seen:
            raise yaml.constructor.ConstructorError(
                None, None, f"the key {key.value!r} stands twice", key.start_mark
            )
        seen.add(key.value)
    return dict(loader.construct_pairs(node, deep=True))


_Loader.add_constructor("tag:yaml.org,2002:int", _int_10)
_Loader.add_constructor("tag:yaml.org,2002:map", _mapping_once)


def read_yaml(path: Path) -> dict[str, Any]:
    """Return the mapping a YAML file holds.

    Raises
    ------
    RequestProblem
        If the file cannot be read, is no YAML, or is not a mapping at its top.
    """
    try:
        content = yaml.load(path.read_bytes(), Loader=_Loader)  # noqa: S506 - derived from SafeLoader
    except OSError as error:
        raise RequestProblem(
            f"cannot be read ({error.strerror})", where=str(path), mend="check the path"
        ) from None
    except (yaml.YAMLError, UnicodeDecodeError, ValueError, RecursionError) as error:
        mark = getattr(error, "problem_mark", None)
        line = f" line {mark.line + 1}" if mark else ""
        what = getattr(error, "problem", None) or "is not readable as YAML"
        raise RequestProblem(f"{what}", where=f"{path}{line}", mend="mend the YAML there") from None
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise RequestProblem("holds no settings", where=str(path), mend="start it with lines like `site:`")
    return content


def overlay(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return `base` with the keys of `over` laid on top, section by section."""
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        both = isinstance(below, dict) and isinstance(value, dict)
        merged[key] = overlay(below, value) if both else value  # type: ignore[arg-type]
    return merged


def one_line(error: ValidationError) -> tuple[str, str]:
    """Return the key path and the complaint of the first thing pydantic found wrong, in plain words."""
    first = error.errors(include_url=False)[0]
    path = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        return path, "is not a known setting"
    if first["type"] == "missing":
        return path, "is missing"
    return path, f"{first['msg'][0].lower()}{first['msg'][1:]}, not {first['input']!r}"


def validate(content: dict[str, Any], *, where: str) -> Settings:
    """Return settings from a mapping.

    Raises
    ------
    RequestProblem
        Naming the first wrong key by its full path.
    """
    try:
        return Settings.model_validate(content)
    except ValidationError as error:
        path, complaint = one_line(error)
        raise RequestProblem(
            f"{path} {complaint}",
            where=where,
            mend="see config/example.yaml for every setting and its unit",
        ) from None


def load_settings(paths: Sequence[Path]) -> Settings:
    """Read the settings of one or more files, later ones overlaying earlier ones."""
    content: dict[str, Any] = {}
    for path in paths:
        content = overlay(content, read_yaml(path))
    return validate(content, where=", ".join(str(path) for path in paths))
