"""The commands of the first hour: a settings file, what every setting means, a drill before the trip."""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from sentinel.cli.common import ConfigFiles, command, print_findings, print_screen

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201


@command(
    "init east.yaml --yes --latitude 70.37 --longitude 31.1 --focal-length-mm 400 "
    "--pixel-pitch-um 3.92 --folder /srv/camera/east --channel phone=env:PHONE_URL --sleep 22:30-07:00 "
    "--zone Europe/Oslo"
)
def init(
    file: Annotated[Path, typer.Argument(metavar="[FILE]", help="The settings file to write.")] = Path(
        "sentinel.yaml"
    ),
    *,
    picture: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="PICTURE",
            help="A picture of the sun by this camera, read for lens and place; give two if you can.",
        ),
    ] = None,
    latitude: Annotated[str | None, typer.Option(metavar="DEG", help="North positive.")] = None,
    longitude: Annotated[str | None, typer.Option(metavar="DEG", help="East positive.")] = None,
    place_of_pictures: Annotated[
        bool,
        typer.Option("--place-of-pictures", help="Store the place that the pictures name; else it is asked."),
    ] = False,
    name: Annotated[str | None, typer.Option(metavar="NAME", help="Opens every message and page.")] = None,
    focal_length_mm: Annotated[
        str | None, typer.Option(metavar="MM", help="Of the lens, converter included.")
    ] = None,
    pixel_pitch_um: Annotated[str | None, typer.Option(metavar="UM", help="Of the stored pixels.")] = None,
    sensor_width_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Instead of the pitch, with a picture."),
    ] = None,
    interval_s: Annotated[str | None, typer.Option(metavar="S", help="From one picture to the next.")] = None,
    axis_limit_deg: Annotated[
        str | None, typer.Option(metavar="DEG", help="How far the polar axis may turn.")
    ] = None,
    folder: Annotated[
        str | None, typer.Option(metavar="DIR", help="Where the camera's pictures arrive.")
    ] = None,
    travel_min: Annotated[
        str | None, typer.Option(metavar="MIN", help="From your bed to the camera.")
    ] = None,
    sleep: Annotated[
        str | None,
        typer.Option(metavar="FROM-UNTIL", help="When you sleep, like 22:30-06:00, by --zone or in UTC."),
    ] = None,
    zone: Annotated[
        str | None, typer.Option(metavar="ZONE", help="Your time zone, like Europe/Oslo.")
    ] = None,
    channel: Annotated[
        str | None,
        typer.Option(
            metavar="NAME=WHERE",
            help="How you are told: phone=env:PHONE_URL, or siren=command:/path/to/siren 20.",
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing; what is not given is left at its default.")
    ] = False,
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
    explain: Annotated[
        str | None,
        typer.Option(metavar="KEY", help="One setting, like visit.travel_min, or a part, like camera."),
    ] = None,
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
    scenario: Annotated[
        str | None,
        typer.Argument(
            metavar="SCENARIO",
            help="What goes wrong: stop, reverse, cloud, filter, focus, no-frames or battery; none with "
            "--surprise.",
        ),
    ] = None,
    *,
    config: ConfigFiles = None,
    speed: Annotated[
        float | None,
        typer.Option(
            metavar="N",
            help="How many times faster than life; if not given, 1 with settings of your own, else 60.",
        ),
    ] = None,
    at: Annotated[
        str, typer.Option(metavar="SPAN", help="How long after the start it goes wrong.")
    ] = "25min",
    lasts: Annotated[str, typer.Option("--for", metavar="SPAN", help="How long it all takes.")] = "65min",
    surprise: Annotated[
        bool, typer.Option("--surprise", help="Say neither what goes wrong nor when.")
    ] = False,
    helper: Annotated[
        bool | None,
        typer.Option(
            "--helper/--no-helper",
            help="Whether a pretend helper goes to the camera when called; if not said, only without "
            "settings of your own.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="A new folder for it all; a temporary one else."),
    ] = None,
) -> None:
    """Go through a bad night from the sofa: a camera that is not there, a watch and channels that are."""
    from sentinel.jobs.rehearse.request import Request, outcome_lines, prepared

    request = Request(
        scenario, config or (), speed=speed, at=at, lasts=lasts, surprise=surprise, helper=helper, out=out
    )
    rehearsal = prepared(request, lambda line: print(line, flush=True))
    print_screen(outcome_lines(rehearsal.run(), rehearsal))
