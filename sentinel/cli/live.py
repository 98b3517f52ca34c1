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
    argument,
    command,
    configs,
    json_line,
    option,
    print_findings,
    print_screen,
)
from sentinel.core.errors import RequestProblem
from sentinel.core.files import is_address
from sentinel.core.records import MarkKind
from sentinel.core.typed import read_moment, read_span_s

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201


States = Annotated[
    list[str] | None,
    typer.Option(
        "--state",
        metavar="STATE",
        help="A watch's state folder, or http://HOST:PORT of the page that it serves; more than one: who "
        "needs somebody first.",
    ),
]
TokenFrom = Annotated[
    str | None,
    typer.Option(
        metavar="PLACE",
        help="Where the token of served pages stands: env:NAME or file:PATH (mode 0600).",
    ),
]


@command("watch --config east.yaml --state /var/lib/sentinel/east")
def watch(*, config: ConfigFiles = None, state: StateFolder = None) -> None:
    """Watch the camera's folder: the daemon. Ends on SIGTERM, SIGINT and SIGHUP."""
    from sentinel.service.watch.start import watch

    watch(configs(config), state)


@command("status --config east.yaml --until 07:00")
def status(
    *,
    config: ConfigFiles = None,
    state: States = None,
    until: str | None = option(
        None, "TIME", "May it be left alone until then, and with what done beforehand?"
    ),
    token_from: TokenFrom = None,
    as_json: AsJson = False,
) -> None:
    """Say what the watch knows now: first of all, until when the camera may be left alone.

    With more than one --state: who needs somebody first. Exit status: 3 while nobody looks after a camera,
    1 where nothing is known of one; the worst of all.
    """
    from sentinel.service.watch.state_folder import state_folder_of

    if state and (len(state) > 1 or is_address(state[0])):
        _several_statuses(state, until, token_from, as_json=as_json)
        return
    from sentinel.core.clock import SystemClock
    from sentinel.service.status.lines import from_json, status_lines, until_json
    from sentinel.service.status.several import NOT_WATCHED

    files = state_folder_of(config or (), Path(state[0]) if state else None)
    now_utc = files.now_utc(SystemClock())
    text = files.read_status()
    watched = files.is_watched()
    if as_json and until is None:
        print(text, end="")
    elif until is None:
        standing = from_json(text, where=str(files.status_json))
        level = standing.level(now_utc, watched=watched)
        print_screen(status_lines(standing, now_utc, watched=watched), level)
    else:
        standing = from_json(text, where=str(files.status_json))
        until_utc = read_moment(until, now_utc, zone=standing.zone, where="--until")
        found = until_json(standing, until_utc, now_utc, watched=watched)
        if as_json:
            print(json_line(found))
        else:
            print_screen(found["lines"], "well" if found["holds"] and watched else "now")
    if not watched:
        raise typer.Exit(NOT_WATCHED)


def _several_statuses(states: list[str], until: str | None, token_from: str | None, *, as_json: bool) -> None:
    from sentinel.core.clock import SystemClock
    from sentinel.service.status.several import several_json, several_lines, worst_status, zone_of
    from sentinel.service.watch.hearing import hear, token_of

    cameras = hear(states, token_of(token_from))
    now_utc = SystemClock().now_utc()
    until_utc = read_moment(until, now_utc, zone=zone_of(cameras), where="--until") if until else None
    if as_json:
        print(json_line(several_json(cameras, now_utc, until_utc)))
    else:
        print_screen(several_lines(cameras, now_utc, until_utc))
    raise typer.Exit(worst_status(cameras, now_utc))


@command("page /var/lib/sentinel/east http://10.0.0.7:8712 --listen 127.0.0.1:8700")
def page(
    states: list[str] = argument(..., "STATE...", "State folders, or http://HOST:PORT of served pages."),
    *,
    out: Path = option(Path("cameras.html"), "FILE", "The page to write, as things stand now."),
    listen: str | None = option(
        None, "ADDRESS", "Serve it instead, made anew for whoever asks, until stopped."
    ),
    beyond_loopback: bool = option(
        False, "--beyond-loopback", "An address that other computers can reach is meant."
    ),
    token_from: TokenFrom = None,
) -> None:
    """Show several cameras on one page for a phone: who needs somebody first.

    Each with its name, until when it may be left alone, what is open and how old the news is.
    """
    from sentinel.service.watch.cameras_server import serve_cameras, write_cameras
    from sentinel.service.watch.hearing import token_of

    token = token_of(token_from)
    if listen is None:
        write_cameras(states, token, out)
        print(f"Page      {out}")
        return
    serve_cameras(
        states,
        token,
        listen,
        beyond_loopback=beyond_loopback,
        ready=lambda at: print(f"Page      {at}", flush=True),
    )


@command("mark recentred --at 03:10 --config east.yaml")
def mark(
    kind: str = argument(..., "KIND", f"What was done: {', '.join(get_args(MarkKind))}."),
    text: list[str] | None = argument(None, "TEXT", "Whatever else is to be remembered."),
    *,
    minutes: str | None = option(
        None, "SPAN", "How long a visit lasts, like 20 or 2h; all but the filter alarm is held back."
    ),
    at: str | None = option(None, "TIME", "When it was; now, if not given."),
    config: ConfigFiles = None,
    state: StateFolder = None,
) -> None:
    """Note what the operator did."""
    from sentinel.core.clock import SystemClock
    from sentinel.core.words import times_in
    from sentinel.service.watch.marks import leave_mark, made_mark, make_folders
    from sentinel.service.watch.state_folder import state_folder_of

    files = state_folder_of(config or (), state)
    now_utc = files.now_utc(SystemClock())
    zone = _zone_of(config) if config else files.zone()
    at_utc = read_moment(at, now_utc, zone=zone, past=True, where="--at") if at else None
    lasts_min = read_span_s(minutes, bare="min", where="--minutes") / 60 if minutes else None
    made = made_mark(kind, " ".join(text or ()), now_utc, at=at_utc, minutes=lasts_min)
    make_folders(files)
    leave_mark(files.marks, made)
    later = "" if files.is_watched() else "; the watch is not running and takes it up when it starts"
    lasts = f", for {made.minutes:g} min" if made.minutes is not None else ""
    print(f"Noted: {kind} at {times_in(zone).dated(made.time_utc)}{lasts}{later}")


def _zone_of(config: list[Path] | None) -> str | None:
    """Return the operator's time zone as settings have it; None: none are named, or they have none."""
    if not config:
        return None
    from sentinel.core.settings import load_settings

    return load_settings(config).alerts.zone


@command("check --config east.yaml --send-test")
def check(
    *,
    config: ConfigFiles = None,
    state: StateFolder = None,
    clock: Path | None = option(None, "PHOTO", "A picture of a clock, to find the camera's offset."),
    shown: str | None = option(None, "TIME", "The time the clock in the picture shows."),
    send_test: bool = option(
        False, "--send-test", "Send a test message down every channel; say which arrived."
    ),
) -> None:
    """Validate settings and surroundings: folder, space, clock, channels."""
    from sentinel.core.clock import SystemClock
    from sentinel.service.watch.checkup import check, clock_offset

    if clock is not None:
        if shown is None:
            raise RequestProblem(
                "which time did it show?", where="--clock", mend="add --shown 2026-06-21T12:00:00Z"
            )
        now_utc, zone = SystemClock().now_utc(), _zone_of(config)
        shown_utc = read_moment(shown, now_utc, zone=zone, past=True, where="--shown")
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
