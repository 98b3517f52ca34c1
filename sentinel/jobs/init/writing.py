"""The file itself: a line a setting, each with what it means, as the settings themselves say it."""

from pathlib import Path
from typing import Any

from sentinel.core.errors import RequestProblem, refused
from sentinel.core.explained import explain, yaml_value
from sentinel.jobs.init.answers import Answers

HEAD = "# Settings of sentinel. What else there is to set: see `sentinel settings`."

# The answers of an invented operator, from which config/example.yaml is written.
EXAMPLE: Answers = {
    "site.latitude_deg": 70.37,
    "site.longitude_deg": 31.1,
    "camera.name": "east",
    "camera.focal_length_mm": 400.0,
    "camera.pixel_pitch_um": 3.92,
    "camera.interval_s": 60.0,
    "mount.axis_limit_deg": 360.0,
    "frames.folder": "/srv/camera/east",
    "visit.travel_min": 10.0,
    "sleep.from_local": "22:30",
    "sleep.until_local": "07:00",
    "sleep.zone": "Europe/Oslo",
    "alerts.zone": "Europe/Oslo",
    "channels": [{"name": "phone", "url_from": "env:PHONE_URL"}],
}
EXAMPLE_HEAD = (
    "# An example, as `sentinel init` writes it; place, camera and phone are invented. What else can be set:",
    "# config/every-setting.yaml, `sentinel settings`, or --explain KEY.",
)


def settings_text(answers: Answers, head: tuple[str, ...] = (HEAD,)) -> str:
    """Return the file of some answers."""
    rows: list[tuple[str, str]] = []
    section = ""
    for key, value in answers.items():
        if key == "channels":
            rows += _channel_rows(value)
            continue
        part, name = key.split(".")
        if part != section:
            rows.append((f"{part}:", ""))
            section = part
        rows.append((f"  {name}: {yaml_value(value)}", _meaning(key)))
    wide = max(len(text) for text, meaning in rows if meaning)
    lines = [f"{text:<{wide}}  # {meaning}" if meaning else text for text, meaning in rows]
    return "\n".join((*head, *lines)) + "\n"


def _meaning(key: str) -> str:
    return explain(key).meaning.split(";")[0]


def _channel_rows(channels: list[dict[str, Any]]) -> list[tuple[str, str]]:
    rows = [("channels:", "")]
    for channel in channels:
        for number, (name, value) in enumerate(channel.items()):
            meaning = _meaning(f"channels[].{name}").split(",")[0].split(":")[0]
            rows.append((f"  {'-' if number == 0 else ' '} {name}: {yaml_value(value)}", meaning))
    return rows


def refuse_existing(path: Path) -> None:
    """Refuse a file that is there already: it may be a night's work.

    Raises `RequestProblem` if it is.
    """
    if path.exists() or path.is_symlink():
        raise RequestProblem(
            "is there already, and is left as it is",
            where=str(path),
            mend="name another file, or move it away",
        )


def write_new(path: Path, text: str) -> None:
    """Write a file that was not there; whatever is, stays.

    Raises `RequestProblem` if it is there by now, or cannot be written.
    """
    refuse_existing(path)
    with (
        refused("cannot be written", where=path, mend="name a file in a folder that exists"),
        path.open("x", encoding="utf-8") as file,
    ):
        file.write(text)
