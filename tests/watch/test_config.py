"""The settings that are shipped: valid, complete where they say so, and free of anybody's secrets."""

from pathlib import Path

import pytest

from sentinel.core.plain_yaml import read_yaml
from sentinel.core.settings import Section, Settings, load_settings

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLE = CONFIG / "example.yaml"
NO_DEFAULT = {"site.latitude_deg", "site.longitude_deg", "camera.focal_length_mm", "camera.pixel_pitch_um"}


def keys(section: type[Section], prefix: str = "") -> set[str]:
    found = set()
    for name, field in section.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Section):
            found |= keys(field.annotation, f"{prefix}{name}.")
        else:
            found.add(prefix + name)
    return found


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.yaml")), ids=lambda path: path.name)
def test_shipped_settings_are_valid(path: Path) -> None:
    assert load_settings([path])


def test_the_example_names_every_setting_with_its_default() -> None:
    content = read_yaml(EXAMPLE)
    missing, other = set(), {}
    defaults = Settings.model_validate(
        {
            "site": {k: content["site"][k] for k in ("latitude_deg", "longitude_deg")},
            "camera": {k: content["camera"][k] for k in ("focal_length_mm", "pixel_pitch_um")},
        }
    ).model_dump(mode="json")
    for key in sorted(keys(Settings)):
        section, _, name = key.rpartition(".")
        held = content.get(section, {}) if section else content
        if not isinstance(held, dict) or name not in held:
            missing.add(key)
        elif key not in NO_DEFAULT:
            default = (defaults[section] if section else defaults)[name]
            if held[name] != default:
                other[key] = (held[name], default)
    assert missing == set()
    assert other == {}


def test_every_line_of_the_example_says_what_it_is() -> None:
    lines = EXAMPLE.read_text(encoding="utf-8").splitlines()
    silent = [line for line in lines if line.startswith("  ") and ":" in line and "#" not in line]
    assert silent == []
