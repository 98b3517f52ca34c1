"""The settings that a session was judged by, as the report shows them: never a secret."""

from itertools import pairwise
from typing import Any

from sentinel.core.settings import Settings
from sentinel.jobs.report.record import Record


def settings_lines(settings: Settings) -> list[tuple[str, str, bool]]:
    """Return each setting with its value, and whether it is not the default; commands without arguments."""
    told = settings.model_dump(mode="json")
    least = {
        "site": {"latitude_deg": 0.0, "longitude_deg": 0.0},
        "camera": {"focal_length_mm": 1.0, "pixel_pitch_um": 1.0},
    }
    usual = Settings.model_validate(least).model_dump(mode="json")
    lines = []
    for section, values in told.items():
        if section == "channels":
            lines += [(f"channels.{one['name']}", _channel(one), True) for one in values]
            continue
        for key, value in values.items():
            named = f"{section}.{key}"
            changed = value != usual[section][key] or (section == "site" and key in least["site"])
            lines.append((named, _setting(value), changed or key in least.get(section, {})))
    return lines


def _channel(one: dict[str, Any]) -> str:
    where = f"url_from {one['url_from']}" if one["url_from"] else f"command {one['command'][0]}"
    return f"{where}; {', '.join(one['severities'])}; called {one['called']}"


def _setting(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, list):
        return ", ".join(_setting(one) for one in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def changed_settings(record: Record) -> list[str]:
    """Return how the settings changed in the session, and where this page was made with others."""
    lines = []
    for before, after in pairwise(record.kept):
        names = _differing(before.settings, after.settings)
        lines.append(f"From event {after.after + 1} of the journal other settings held: {', '.join(names)}.")
    if record.kept and (names := _differing(record.kept[-1].settings, record.settings)):
        lines.append(f"This page was made with settings other than the session's last: {', '.join(names)}.")
    if not record.kept:
        lines.append("The journal holds no settings; those used here were given for this page.")
    return lines


def _differing(a: Settings, b: Settings) -> list[str]:
    one, other = a.model_dump(mode="json"), b.model_dump(mode="json")
    names: list[str] = []
    for section, values in one.items():
        if isinstance(values, dict):
            names += [f"{section}.{key}" for key, value in values.items() if other[section][key] != value]
        elif other[section] != values:
            names.append(section)
    return names
