"""The commands of the first hour: a settings file, what every setting means, a drill before the trip."""

import sys
from pathlib import Path
from typing import Any

import typer

from sentinel.cli.common import ConfigFiles, argument, command, option, print_findings, print_screen

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201


@command(
    "init east.yaml --yes --latitude 70.37 --longitude 31.1 --focal-length-mm 400 "
    "--pixel-pitch-um 3.92 --folder /srv/camera/east --channel phone=env:PHONE_URL --sleep 22:30-07:00 "
    "--zone Europe/Oslo"
)
def init(
    file: Path = argument(Path("sentinel.yaml"), "[FILE]", "The settings file to write."),
    *,
    picture: list[Path] | None = option(
        None, "PICTURE", "A picture of the sun by this camera, read for lens and place; give two if you can."
    ),
    latitude: str | None = option(None, "DEG", "North positive."),
    longitude: str | None = option(None, "DEG", "East positive."),
    place_of_pictures: bool = option(
        False, "--place-of-pictures", "Store the place that the pictures name; else it is asked."
    ),
    name: str | None = option(None, "NAME", "Opens every message and page."),
    focal_length_mm: str | None = option(None, "MM", "Of the lens, converter included."),
    pixel_pitch_um: str | None = option(None, "UM", "Of the stored pixels."),
    sensor_width_mm: float | None = option(None, "MM", "Instead of the pitch, with a picture."),
    interval_s: str | None = option(None, "S", "From one picture to the next."),
    axis_limit_deg: str | None = option(None, "DEG", "How far the polar axis may turn."),
    folder: str | None = option(None, "DIR", "Where the camera's pictures arrive."),
    travel_min: str | None = option(None, "MIN", "From your bed to the camera."),
    sleep: str | None = option(None, "FROM-UNTIL", "When you sleep, like 22:30-06:00, by --zone or in UTC."),
    zone: str | None = option(None, "ZONE", "Your time zone, like Europe/Oslo."),
    channel: str | None = option(
        None, "NAME=WHERE", "How you are told: phone=env:PHONE_URL, or siren=command:/path/to/siren 20."
    ),
    yes: bool = option(False, "--yes", "Ask nothing; what is not given is left at its default."),
) -> None:
    """Write a settings file of some twenty lines, asking what cannot be guessed; then check it."""
    from sentinel.jobs.init.interview import Interview
    from sentinel.jobs.init.writing import refuse_existing, settings_text, write_new
    from sentinel.service.watch.checkup import check

    refuse_existing(file)
    given = {
        "site.latitude_deg": latitude, "site.longitude_deg": longitude, "camera.name": name,
        "camera.focal_length_mm": focal_length_mm, "camera.pixel_pitch_um": pixel_pitch_um,
        "camera.interval_s": interval_s, "mount.axis_limit_deg": axis_limit_deg, "frames.folder": folder,
        "visit.travel_min": travel_min, "alerts.zone": zone, "sleep": sleep, "channel": channel,
    }  # fmt: skip
    called = "camera" if file.stem == "sentinel" else file.stem
    interview = Interview(given, _Terminal(), asks=not yes, name=called)
    answers = interview.answers(picture or (), sensor_width_mm, place_of_pictures=place_of_pictures)
    text = settings_text(answers)
    write_new(file, text)
    print(f"\n{text}\nWritten: {file}. Checked:")
    if print_findings(check([file], None)):
        print(f"Next: mend what is said above in {file}, then\n  sentinel check --config {file}")
        raise typer.Exit(2)
    print(f"Next: go through a bad night from the sofa\n  sentinel rehearse stop --config {file} --speed 10")


class _Terminal:
    """Whoever sits there."""

    def ask(self, question: str, default: Any) -> str:
        """Return the reply."""
        return str(typer.prompt(question, default=default, type=str)).strip()

    def confirm(self, question: str) -> bool:
        """Return whether it may be."""
        return typer.confirm(question, default=False)

    def say(self, line: str) -> None:
        """Tell something."""
        print(line, file=sys.stderr)


@command("settings --explain camera.clock_offset_s")
def settings(
    *,
    explain: str | None = option(None, "KEY", "One setting, like visit.travel_min, or a part, like camera."),
) -> None:
    """Print every setting with its meaning, unit, range and default: a file to copy from."""
    from sentinel.core.explained import explain as explained
    from sentinel.core.explained import explain_lines, reference_yaml

    print(
        reference_yaml() if explain is None else "\n".join(explain_lines(explained(explain))),
        end="" if explain is None else "\n",
    )


@command("rehearse stop --config east.yaml --speed 10")
def rehearse(
    scenario: str | None = argument(
        None,
        "SCENARIO",
        "What goes wrong: stop, reverse, cloud, filter, focus, no-frames or battery; none with --surprise.",
    ),
    *,
    config: ConfigFiles = None,
    speed: float | None = option(
        None, "N", "How many times faster than life; if not given, 1 with settings of your own, else 60."
    ),
    at: str = option("25min", "SPAN", "How long after the start it goes wrong."),
    lasts: str = option("65min", "--for SPAN", "How long it all takes."),
    surprise: bool = option(False, "--surprise", "Say neither what goes wrong nor when."),
    helper: bool | None = option(
        None,
        "--helper/--no-helper",
        "Whether a pretend helper goes to the camera when called; if not said, only without "
        "settings of your own.",
    ),
    out: Path | None = option(None, "DIR", "A new folder for it all; a temporary one else."),
) -> None:
    """Go through a bad night from the sofa: a camera that is not there, a watch and channels that are."""
    from sentinel.jobs.rehearse.request import Request, outcome_lines, prepared

    request = Request(
        scenario, config or (), speed=speed, at=at, lasts=lasts, surprise=surprise, helper=helper, out=out
    )
    rehearsal = prepared(request, lambda line: print(line, flush=True))
    print_screen(outcome_lines(rehearsal.run(), rehearsal))
