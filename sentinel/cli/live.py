"""The commands of the watch: the daemon, what it knows, what it is told, and whether all is ready for it."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, get_args

import typer

from sentinel.cli.common import (
    AsJson,
    ConfigFiles,
    StateFolder,
    command,
    configs,
    json_line,
    print_findings,
)
from sentinel.core.errors import RequestProblem
from sentinel.core.records import MarkKind
from sentinel.core.typed import read_moment, read_span_s

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201


NOT_WATCHED = 3
"""Exit status of `status` while no watch is running: nobody looks after the camera."""


@command("watch --config east.yaml --state /var/lib/sentinel/east")
def watch(*, config: ConfigFiles = None, state: StateFolder = None) -> None:
    """Watch the camera's folder: the daemon. Ends on SIGTERM, SIGINT and SIGHUP."""
    from sentinel.service.watch.start import watch

    watch(configs(config), state)


@command("status --config east.yaml --until 07:00")
def status(
    *,
    config: ConfigFiles = None,
    state: StateFolder = None,
    until: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="May it be left alone until then, and with what done beforehand?"),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what the watch knows now: first of all, until when the camera may be left alone."""
    from sentinel.core.clock import SystemClock
    from sentinel.service.status.lines import from_json, status_lines, until_json
    from sentinel.service.watch.state_folder import state_folder_of

    files = state_folder_of(config or (), state)
    now_utc = files.now_utc(SystemClock())
    text = files.read_status()
    watched = files.is_watched()
    if as_json and until is None:
        print(text, end="")
    elif until is None:
        standing = from_json(text, where=str(files.status_json))
        print("\n".join(status_lines(standing, now_utc, watched=watched)))
    else:
        standing = from_json(text, where=str(files.status_json))
        until_utc = read_moment(until, now_utc, zone=standing.zone, where="--until")
        found = until_json(standing, until_utc, now_utc, watched=watched)
        print(json_line(found) if as_json else "\n".join(found["lines"]))
    if not watched:
        raise typer.Exit(NOT_WATCHED)


@command("mark recentred --at 03:10 --config east.yaml")
def mark(
    kind: Annotated[
        str, typer.Argument(metavar="KIND", help=f"What was done: {', '.join(get_args(MarkKind))}.")
    ],
    text: Annotated[
        list[str] | None, typer.Argument(metavar="TEXT", help="Whatever else is to be remembered.")
    ] = None,
    *,
    minutes: Annotated[
        str | None,
        typer.Option(
            metavar="SPAN",
            help="How long a visit lasts, like 20 or 2h; all but the filter alarm is held back.",
        ),
    ] = None,
    at: Annotated[str | None, typer.Option(metavar="TIME", help="When it was; now, if not given.")] = None,
    config: ConfigFiles = None,
    state: StateFolder = None,
) -> None:
    """Note what the operator did."""
    from sentinel.core.clock import SystemClock
    from sentinel.core.settings import load_settings
    from sentinel.core.words import times_in
    from sentinel.service.watch.marks import leave_mark, made_mark, make_folders
    from sentinel.service.watch.state_folder import state_folder_of

    files = state_folder_of(config or (), state)
    now_utc = files.now_utc(SystemClock())
    zone = load_settings(config).alerts.zone if config else files.zone()
    at_utc = read_moment(at, now_utc, zone=zone, past=True, where="--at") if at else None
    lasts_min = read_span_s(minutes, bare="min", where="--minutes") / 60 if minutes else None
    made = made_mark(kind, " ".join(text or ()), now_utc, at=at_utc, minutes=lasts_min)
    make_folders(files)
    leave_mark(files.marks, made)
    later = "" if files.is_watched() else "; the watch is not running and takes it up when it starts"
    lasts = f", for {made.minutes:g} min" if made.minutes is not None else ""
    print(f"Noted: {kind} at {times_in(zone).dated(made.time_utc)}{lasts}{later}")


@command("check --config east.yaml --send-test")
def check(
    *,
    config: ConfigFiles = None,
    state: StateFolder = None,
    clock: Annotated[
        Path | None,
        typer.Option("--clock", metavar="PHOTO", help="A picture of a clock, to find the camera's offset."),
    ] = None,
    shown: Annotated[
        str | None, typer.Option("--shown", metavar="TIME", help="The time the clock in the picture shows.")
    ] = None,
    send_test: Annotated[
        bool, typer.Option("--send-test", help="Send a test message down every channel; say which arrived.")
    ] = False,
) -> None:
    """Validate settings and surroundings: folder, space, clock, channels."""
    from sentinel.core.clock import SystemClock
    from sentinel.core.settings import load_settings
    from sentinel.service.watch.checkup import check, clock_offset

    if clock is not None:
        if shown is None:
            raise RequestProblem(
                "which time did it show?", where="--clock", mend="add --shown 2026-06-21T12:00:00Z"
            )
        zone = load_settings(config).alerts.zone if config else None
        shown_utc = read_moment(shown, SystemClock().now_utc(), zone=zone, past=True, where="--shown")
        offset_s, said = clock_offset(clock, shown_utc)
        print(f"camera: {{clock_offset_s: {offset_s:g}}}   # {said}")
        if not config:
            return
    wrong = print_findings(check(configs(config), state))
    arrived = not send_test or _sent_tests(configs(config))
    if wrong:
        raise typer.Exit(2)
    if not arrived:
        raise typer.Exit(1)


def _sent_tests(configs: Sequence[Path]) -> bool:
    """Send the test messages and print what became of each; return whether all arrived."""
    from sentinel.core.clock import SystemClock
    from sentinel.core.settings import load_settings
    from sentinel.service.delivery.checking import send_test

    try:
        settings = load_settings(configs)
    except RequestProblem:
        return False  # as the check has just said
    results = send_test(settings, SystemClock())
    for one in results:
        became = "arrived" if one.delivered else f"did not arrive ({one.why})"
        line = f"test message: {one.channel}: {became}, {one.took_s:.1f} s"
        print(line, file=sys.stdout if one.delivered else sys.stderr)
    return all(one.delivered for one in results)
