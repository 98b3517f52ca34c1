"""What the operator answers, each answer held to the setting it is for."""

import shlex
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError

from sentinel.core.complaints import one_line
from sentinel.core.errors import RequestProblem
from sentinel.core.explained import explain
from sentinel.core.settings import Channel, Settings

Answers = dict[str, Any]
"""Values by the full path of their settings."""

QUESTIONS: Mapping[str, str] = {
    "site.latitude_deg": "Latitude, degrees, north positive",
    "site.longitude_deg": "Longitude, degrees, east positive",
    "camera.name": "A name for this camera, which opens every message",
    "camera.focal_length_mm": "Focal length, mm",
    "camera.pixel_pitch_um": "Pixel pitch of the stored pictures, um (sensor width over picture width)",
    "camera.interval_s": "Seconds from one picture to the next",
    "mount.axis_limit_deg": "How far may the polar axis turn before cables or mount stop it, degrees",
    "frames.folder": "Folder in which the camera's pictures arrive",
    "visit.travel_min": "Minutes from your bed to the camera",
}
NEEDED = (
    "site.latitude_deg", "site.longitude_deg", "camera.focal_length_mm", "camera.pixel_pitch_um",
    "frames.folder",
)  # fmt: skip
"""Nobody can guess these."""
OPTIONS = {
    "site.latitude_deg": "--latitude", "site.longitude_deg": "--longitude", "camera.name": "--name",
    "camera.focal_length_mm": "--focal-length-mm", "camera.pixel_pitch_um": "--pixel-pitch-um",
    "camera.interval_s": "--interval-s", "mount.axis_limit_deg": "--axis-limit-deg",
    "frames.folder": "--folder", "visit.travel_min": "--travel-min", "alerts.zone": "--zone",
}  # fmt: skip
"""By which option each may be given."""
ORDER = (
    "site.latitude_deg", "site.longitude_deg", "camera.name", "camera.focal_length_mm",
    "camera.pixel_pitch_um", "camera.interval_s", "mount.axis_limit_deg", "frames.folder",
    "visit.travel_min", "sleep.from_utc", "sleep.until_utc", "sleep.from_local", "sleep.until_local",
    "sleep.zone", "alerts.zone", "channels",
)  # fmt: skip
"""In which order they are written."""


def default_of(key: str) -> Any:
    """Return what is written where nothing is answered; None: there is nothing."""
    return None if key in NEEDED else explain(key).value


def answer(key: str, given: Any) -> Any:
    """Return an answer as the setting's value; text for a number is read as one.

    Raises `RequestProblem` if the setting may not be that.
    """
    section, name = key.split(".")
    field = Settings.model_fields[section].annotation.model_fields[name]  # type: ignore[union-attr]
    numeric = "float" in str(field.annotation)
    where = OPTIONS.get(key, key)
    if isinstance(given, str) and numeric:
        try:
            given = float(given.strip().replace(",", "."))
        except ValueError:
            raise RequestProblem(
                f"not a number: {given!r}", where=where, mend="write one like 70.37"
            ) from None
    try:
        kind: Any = Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation
        value = TypeAdapter(kind).validate_python(given)
    except ValidationError as error:
        mend = f"see `sentinel settings --explain {key}`"
        raise RequestProblem(one_line(error)[1], where=where, mend=mend) from None
    return round(value, 6) if isinstance(value, float) else value


def folder_answer(text: str) -> str:
    """Return the folder of the pictures as it is written: whole, because a service starts elsewhere."""
    return str(Path(text.strip()).expanduser().absolute())


def sleep_answer(text: str, zone: str | None) -> Answers:
    """Return the hours of sleep of a text like `22:30-06:00`, by the clock of the zone, or UTC without one.

    Raises `RequestProblem` if it is none.
    """
    try:
        begin, end = (datetime.strptime(part.strip(), "%H:%M") for part in text.split("-"))  # noqa: DTZ007
    except ValueError:
        raise RequestProblem(
            f"no hours of sleep: {text!r}", where="--sleep", mend="write them like 22:30-06:00"
        ) from None
    if zone is None:
        return {"sleep.from_utc": f"{begin:%H:%M}", "sleep.until_utc": f"{end:%H:%M}"}
    return {"sleep.from_local": f"{begin:%H:%M}", "sleep.until_local": f"{end:%H:%M}", "sleep.zone": zone}


def channel_answer(text: str) -> dict[str, Any]:
    """Return a channel of a text like `phone=env:PHONE_URL` or `siren=command:/usr/local/bin/siren 20`.

    Raises `RequestProblem` if it is none. What was written is never repeated: it may be an address with its
    password.
    """
    name, _, where = text.strip().partition("=")
    mend = "write it like phone=env:PHONE_URL, phone=file:PATH or siren=command:/usr/local/bin/siren 20"
    content: dict[str, Any] = {"name": name.strip()}
    try:
        if where.startswith("command:"):
            content["command"] = shlex.split(where.removeprefix("command:"))
        else:
            content["url_from"] = where.strip()
        Channel.model_validate(content)
    except ValidationError as error:
        path, complaint = one_line(error)
        raise RequestProblem(f"{path} {complaint}".strip(), where="--channel", mend=mend) from None
    except ValueError:
        raise RequestProblem("its command has an open quote", where="--channel", mend=mend) from None
    return content
