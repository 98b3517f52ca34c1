"""The commands: they parse and print, nothing else."""

import json
import math
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, get_args

import typer

from sentinel import __version__
from sentinel.errors import Problem, RequestProblem
from sentinel.records import MarkKind
from sentinel.times import format_utc, parse_utc

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201

# The base of all complaints about the command line; typer carries its own copy of the class, in a place that
# differs between its versions.
_UsageComplaint: type[Exception] = next(
    kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException"
)

app = typer.Typer(
    name="sentinel",
    help="Keeps the watch over a days-long time-lapse of the sun, so that the photographer can sleep.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

ConfigFiles = Annotated[
    list[Path] | None,
    typer.Option("--config", metavar="FILE", help="Settings (YAML); later files overlay earlier ones."),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Machine-readable standard output; all else goes to standard error.")
]

StateFolder = Annotated[
    Path | None,
    typer.Option(
        "--state", metavar="DIR", help="Where the watch keeps its own files; else as the settings say."
    ),
]


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"sentinel {__version__}")
        raise typer.Exit


@app.callback()
def _sentinel(
    *,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    pass


@app.command()
def measure(
    frames: Annotated[list[Path], typer.Argument(metavar="FRAME...", help="Frames, or folders of frames.")],
    *,
    as_json: AsJson = False,
) -> None:
    """Measure single frames or folders of them.

    Where the disc is, how sharp, how much of its limb is seen. Needs no settings.
    """
    from sentinel.files import shown_name
    from sentinel.intake.pool import Job, measure_all
    from sentinel.intake.session import find_frames
    from sentinel.settings import Frames
    from sentinel.tables import measurement_row

    jobs: list[Job] = []
    for path in frames:
        if not path.is_dir():
            jobs.append(Job(path, shown_name(path)))
            continue
        found = find_frames(path, Frames().patterns)
        if not found:
            raise RequestProblem("holds no frames", where=str(path), mend="check the folder")
        jobs += [Job(file.path, file.frame) for file in found]
    failed = False
    with _progress() as progress:
        for done, frame in enumerate(measure_all(jobs), 1):
            progress("measuring", done, len(jobs))
            failed = failed or frame.error is not None
            row = measurement_row(frame) | {"error": frame.error}
            print(_json_line(row) if as_json else _measured_line(row), flush=True)
    if failed:
        raise typer.Exit(1)


@app.command()
def replay(
    session: Annotated[
        Path, typer.Argument(help="A folder of frames, a measurements.ecsv or a state folder.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where journal and files are written.")],
    *,
    config: ConfigFiles = None,
    marks: Annotated[
        Path | None, typer.Option("--marks", metavar="FILE", help="What the operator did (marks.jsonl).")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Run a past session through the rooms of the watch.

    On the session's own clock, as fast as the machine allows.
    """
    from sentinel.replay import Request, replay
    from sentinel.report.summary import summary_json, summary_lines

    with _progress() as progress:
        summary = replay(Request(session, out, config or (), marks), progress)
    if as_json:
        print(_json_line(summary_json(summary)))
        return
    print("\n".join(summary_lines(summary)))
    print(f"Files     {out}")


@app.command()
def align(
    session: Annotated[
        Path,
        typer.Argument(help="Frames taken while tracking: a folder, a measurements.ecsv or a state folder."),
    ],
    *,
    config: ConfigFiles = None,
    marks: Annotated[
        Path | None, typer.Option("--marks", metavar="FILE", help="What the operator did (marks.jsonl).")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell how far the polar axis is off, what to turn, and what is not yet known.

    After a mark `realigned` only what came since counts.
    """
    from sentinel.align import align, alignment_json, alignment_lines
    from sentinel.intake.session import open_session
    from sentinel.replay import past_of, session_settings

    source = open_session(session)
    settings = session_settings(source, config or ())
    with _progress() as progress:
        past = past_of(source, settings, marks, progress)
    found = align(settings, past.events)
    if as_json:
        print(_json_line(alignment_json(found, settings)))
    else:
        print("\n".join(alignment_lines(found, settings)))


@app.command()
def tune(
    sessions: Annotated[
        list[Path],
        typer.Argument(metavar="SESSION...", help="Folders of frames, measurements.ecsv or state folders."),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where overlay and table are written.")],
    *,
    config: ConfigFiles = None,
    truth: Annotated[
        list[Path] | None,
        typer.Option(
            "--truth",
            metavar="FILE",
            help="What truly happened; one file for all sessions, or one for each in their order.",
        ),
    ] = None,
    only: Annotated[
        str | None, typer.Option("--only", metavar="NAME[,NAME]", help="Try these thresholds alone.")
    ] = None,
    trials: Annotated[int, typer.Option("--trials", help="Try at most so many settings.")] = 120,
    as_json: AsJson = False,
) -> None:
    """Try the thresholds on past sessions: lead time against needless wake-ups.

    Leaves a settings overlay to use, and a table of all that was tried.
    """
    from sentinel.tune import Request, tune
    from sentinel.tune.files import OVERLAY_NAME, write_files
    from sentinel.tune.lines import tuning_json, tuning_lines

    names = [name.strip() for name in (only or "").split(",") if name.strip()]
    request = Request(
        sessions=sessions, out=out, configs=config or (), truths=truth or (), only=names, trials=trials
    )
    with _progress() as progress:
        result = tune(request, progress)
    write_files(result, out)
    overlay = out / OVERLAY_NAME
    if as_json:
        print(_json_line(tuning_json(result, overlay)))
    else:
        print("\n".join(tuning_lines(result, overlay, request.configs)))


@app.command()
def report(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="What `replay --out` or `watch` left behind: its journal.")
    ],
    *,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write; report.html in DIR if not given."),
    ] = None,
    config: ConfigFiles = None,
) -> None:
    """Write the report of a watched or replayed session: one page that needs nothing else.

    Settings are those the journal holds, unless others are given.
    """
    from sentinel.report.page import write_report

    print(f"Report    {write_report(folder, out, config or ())}")


@app.command()
def watch(*, config: ConfigFiles = None, state: StateFolder = None) -> None:
    """Watch the camera's folder: the daemon. Ends on SIGTERM and SIGINT."""
    from sentinel.watch.start import watch

    watch(_configs(config), state)


@app.command()
def status(
    *,
    config: ConfigFiles = None,
    state: StateFolder = None,
    until: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="What must be done beforehand so that it may be left until then."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what the watch knows now: first of all, until when the camera may be left alone."""
    from sentinel.clock import SystemClock
    from sentinel.status.lines import from_json, status_lines, until_lines
    from sentinel.watch.start import home_of

    home = home_of(config or (), state)
    now_utc = SystemClock().now_utc()
    text = home.read_status()
    if as_json and until is None:
        print(text, end="")
        return
    standing = from_json(text, where=str(home.status_json))
    lines = (
        status_lines(standing, now_utc, watched=home.is_watched())
        if until is None
        else until_lines(standing, moment(until, now_utc), now_utc)
    )
    print(_json_line({"lines": lines}) if as_json else "\n".join(lines))


@app.command()
def mark(
    kind: Annotated[str, typer.Argument(help=f"What was done: {', '.join(get_args(MarkKind))}.")],
    text: Annotated[list[str] | None, typer.Argument(help="Whatever else is to be remembered.")] = None,
    *,
    minutes: Annotated[
        float | None, typer.Option(help="How long a visit lasts; all but the filter alarm is held back.")
    ] = None,
    at: Annotated[str | None, typer.Option(metavar="TIME", help="When it was; now, if not given.")] = None,
    config: ConfigFiles = None,
    state: StateFolder = None,
) -> None:
    """Note what the operator did."""
    from sentinel.clock import SystemClock
    from sentinel.watch.marks import leave_mark, made_mark
    from sentinel.watch.start import home_of

    now_utc = SystemClock().now_utc()
    at_utc = moment(at, now_utc, past=True) if at else None
    made = made_mark(kind, " ".join(text or ()), now_utc, at=at_utc, minutes=minutes)
    home = home_of(config or (), state)
    home.create()
    leave_mark(home.marks, made)
    later = "" if home.is_watched() else "; the watch is not running and takes it up when it starts"
    print(f"Noted: {kind} at {format_utc(made.time_utc)}{later}")


@app.command()
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
    from sentinel.watch.checkup import check, clock_offset

    if clock is not None:
        if shown is None:
            raise RequestProblem(
                "which time did it show?", where="--clock", mend="add --shown 2026-06-21T12:00:00Z"
            )
        offset_s, said = clock_offset(clock, parse_utc(shown))
        print(f"camera: {{clock_offset_s: {offset_s:g}}}   # {said}")
        if not config:
            return
    wrong = False
    for finding in check(_configs(config), state):
        wrong = wrong or finding.wrong
        print(finding.line, file=sys.stderr if finding.wrong else sys.stdout)
    arrived = not send_test or _sent_tests(_configs(config))
    if wrong:
        raise typer.Exit(2)
    if not arrived:
        raise typer.Exit(1)


def _sent_tests(configs: Sequence[Path]) -> bool:
    """Send the test messages and print what became of each; return whether all arrived."""
    from sentinel.clock import SystemClock
    from sentinel.delivery.checking import send_test
    from sentinel.settings import load_settings

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


@app.command()
def plan(
    from_: Annotated[
        str, typer.Argument(metavar="FROM", help="When the trip begins: 2027-06-18, or with a time.")
    ],
    to: Annotated[str, typer.Argument(metavar="TO", help="When it ends; of a bare date its end is meant.")],
    *,
    config: ConfigFiles = None,
    frame: Annotated[
        str | None,
        typer.Option(
            metavar="SIZE", help="The frame in pixels, like 6000x4000; else of a frame in frames.folder."
        ),
    ] = None,
    frame_mb: Annotated[
        float | None,
        typer.Option(metavar="MB", help="Megabytes of a picture; else the mean of those in frames.folder."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say before the trip what the sun will do, what falls due, and how good the alignment must be."""
    from sentinel.journal.codec import plain
    from sentinel.plan.lines import plan_lines
    from sentinel.plan.making import plan_trip
    from sentinel.plan.request import read_trip
    from sentinel.settings import load_settings

    settings = load_settings(_configs(config))
    made = plan_trip(settings, read_trip(settings, from_, to, frame, frame_mb))
    print(_json_line(plain(made)) if as_json else "\n".join(plan_lines(made, settings)))


@app.command()
def simulate(
    scenario: Annotated[Path, typer.Argument(help="A scenario (YAML); those in replay_data/ are examples.")],
    out: Annotated[Path, typer.Argument(help="An empty or new folder for the session.")],
    *,
    frames: Annotated[
        bool,
        typer.Option(
            "--frames/--measurements-only", help="Render frames, or write their measurements alone."
        ),
    ] = True,
) -> None:
    """Render a synthetic session with its truth beside it."""
    from sentinel.simulate.session import simulate

    with _progress() as progress:
        simulate(scenario, out, frames=frames, progress=progress)
    print(f"The session is in {out}; its truth in {out / 'truth.ecsv'}. Invented data.")


def moment(text: str, now_utc: datetime, *, past: bool = False) -> datetime:
    """Read a time; of a bare time of day (UTC) the next one is meant, or the last one where it is past."""
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)Z?", text.strip())
    if match is None:
        return parse_utc(text)
    time_utc = now_utc.replace(hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0)
    if past:
        return time_utc if time_utc <= now_utc else time_utc - timedelta(days=1)
    return time_utc if time_utc > now_utc else time_utc + timedelta(days=1)


def _configs(config: list[Path] | None) -> list[Path]:
    if not config:
        raise RequestProblem("no settings are named", where="--config", mend="name a file with --config")
    return config


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """Show a bar on standard error, if anybody looks at it."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        tasks: dict[str, Any] = {}

        def show(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total)
            bar.update(tasks[what], completed=done, total=total)

        yield show


def _json_line(values: dict[str, Any]) -> str:
    plain = {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}
    return json.dumps(plain, ensure_ascii=False, allow_nan=False)


def _measured_line(row: dict[str, Any]) -> str:
    """Return one frame's measurement for a person."""
    flags = f"  [{row['flags']}]" if row["flags"] else ""
    if row["error"]:
        return f"{row['frame']}: cannot be used: {row['error']}"
    if not row["found"]:
        return f"{row['frame']}: no disc; level {row['brightness']:.3f} of full scale{flags}"
    return (
        f"{row['frame']}: centre ({row['x_px']:.2f}, {row['y_px']:.2f}) +/- {row['centre_sigma_px']:.2f} px, "
        f"radius {row['radius_px']:.2f} px, limb {row['limb_in_frame']:.0%} in frame, "
        f"{row['limb_coverage']:.0%} seen, edge {row['edge_width_px']:.1f} px, "
        f"level {row['brightness']:.3f}{flags}"
    )


def main() -> None:
    """Run the program; every failure is one line on standard error and an exit status."""
    # The work is spread over processes; threads inside numpy would only get in each other's way.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        status = app(standalone_mode=False)
    except Problem as problem:
        _say(str(problem))
        sys.exit(problem.exit_status)
    except _UsageComplaint as complaint:
        _say(_complaint_line(complaint))
        sys.exit(2)
    except (KeyboardInterrupt, typer.Abort):
        _say("stopped")
        sys.exit(1)
    except BrokenPipeError:
        # Whoever read the output has gone; there is nobody to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        _say(f"{error.filename or 'sentinel'}: {error.strerror or error}; check space and permissions")
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)


def _complaint_line(complaint: Any) -> str:
    context = getattr(complaint, "ctx", None)
    help_of = context.command_path if context else "sentinel"
    return f"{' '.join(complaint.format_message().split()).rstrip('.')}; see {help_of} --help"


def _say(line: str) -> None:
    print(f"sentinel: {line}", file=sys.stderr)
