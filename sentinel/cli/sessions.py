"""The commands on sessions, past or planned: before the trip, at the mount by day, and afterwards."""

from pathlib import Path
from typing import Any

import typer

from sentinel.cli.common import (
    AsJson,
    ConfigFiles,
    MarksFile,
    On,
    Send,
    argument,
    command,
    configs,
    json_line,
    on_cluster,
    option,
    print_screen,
    progress_bar,
)
from sentinel.core.typed import read_moment

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201


@command("measure DCIM/101ABCDE --config sentinel.yaml --out night.ecsv --resume")
def measure(
    frames: list[Path] = argument(..., "FRAME...", "Frames, or folders of frames."),
    *,
    config: ConfigFiles = None,
    out: Path | None = option(None, "TABLE", "Keep the measurements in this table (ECSV) as they come."),
    resume: bool = option(False, "--resume", "Go on with that table; what it holds is not measured again."),
    on: On = None,
    send: Send = False,
    as_json: AsJson = False,
) -> None:
    """Measure single frames or folders of them.

    Where the disc is, how sharp, how much of its limb is seen. Needs no settings; with them it knows
    how large the sun should be. With --out nothing that was measured is lost, wherever it is cut short.
    """
    from sentinel.core.tables import measurement_row
    from sentinel.jobs.measuring import MeasureRequest, measured

    request = MeasureRequest(
        frames=frames, configs=config or (), table=out, resume=resume, on=on_cluster(on, send=send)
    )
    failed = False
    with progress_bar() as progress:
        for frame in measured(request, progress):
            failed = failed or frame.error is not None
            row = measurement_row(frame) | {"error": frame.error}
            if as_json:
                print(json_line(row), flush=True)
            elif frame.error is not None:
                print(f"{frame.frame}: cannot be used: {frame.error}", flush=True)
            else:
                print_screen([_measured_line(row)], hang=2)
    if failed:
        raise typer.Exit(1)


@command("replay replay_data/midnight-sun --out .out/night")
def replay(
    session: Path = argument(
        ..., "SESSION", "A folder of frames, a measurements.ecsv or a state folder of a watch."
    ),
    out: Path = option(..., "DIR", "Folder for journal and files."),
    *,
    config: ConfigFiles = None,
    marks: MarksFile = None,
    on: On = None,
    send: Send = False,
    as_json: AsJson = False,
) -> None:
    """Run a past session as the watch would have, on the session's own clock, as fast as the machine allows.

    Leaves measurements, forecasts, incidents, alerts and the journal in --out, and prints a summary. Sends
    nothing to anybody.
    """
    from sentinel.jobs.replay import ReplayRequest, replay
    from sentinel.jobs.report.summary import summary_json, summary_lines

    with progress_bar() as progress:
        summary = replay(
            ReplayRequest(session, out, config or (), marks, on_cluster(on, send=send)), progress
        )
    if as_json:
        print(json_line(summary_json(summary)))
        return
    print_screen(summary_lines(summary))
    print(f"Files     {out}")


@command("align /srv/camera/east --config east.yaml --top pole --hold 12h")
def align(
    session: Path = argument(
        ..., "SESSION", "Frames taken while tracking: a folder, a measurements.ecsv or a state folder."
    ),
    *,
    config: ConfigFiles = None,
    marks: MarksFile = None,
    top: str | None = option(
        None,
        "pole|away|west|east",
        "Towards what the stored picture's top points with the lens at the sun, if not as the settings say.",
    ),
    paused: tuple[str, str] | None = option(
        None, "FROM TO", "When the drive stood for some minutes, pictures going on."
    ),
    hold: str | None = option(
        None,
        "12h",
        "For how long a disc has to stay for the axis to be left alone; the hours of sleep and a "
        "visit, if not given.",
    ),
    as_json: AsJson = False,
) -> None:
    """Tell how far the polar axis is off, what to turn or whether to leave it, and what is not yet known.

    After a mark `realigned` only what came since counts.
    """
    from sentinel.chain.intake.session import open_session
    from sentinel.jobs.align import align, alignment_json, alignment_lines, hold_of, pause_of, with_top
    from sentinel.jobs.replay import recorded_session, session_settings

    source = open_session(session)
    settings = with_top(session_settings(source, config or ()), top)
    hold_s = None if hold is None else hold_of(hold)
    with progress_bar() as progress:
        past = recorded_session(source, settings, marks, progress)
    end_utc = past.events[-1][1]
    zone = settings.alerts.zone
    stood = [read_moment(text, end_utc, zone=zone, past=True, where="--paused") for text in paused or ()]
    spans = pause_of(stood[0], stood[1], past.frames, zone) if stood else ()
    found = align(settings, past.events, hold_s=hold_s, paused=spans)
    if as_json:
        print(json_line(alignment_json(found, settings)))
    else:
        print("\n".join(alignment_lines(found, settings)))


@command("tune last-year this-year --out tuned --config east.yaml")
def tune(
    sessions: list[Path] = argument(
        ...,
        "SESSION...",
        "Folders of frames, measurements.ecsv or state folders; replayed ones are the quickest. "
        "Or a folder that holds a season of these, each in its own.",
    ),
    out: Path = option(..., "DIR", "Folder for overlay and table."),
    *,
    config: ConfigFiles = None,
    truth: list[Path] | None = option(
        None,
        "FILE",
        "What truly happened (JSON lines, YAML or a scenario): one file for all sessions, or one "
        "for each in their order. Without it your marks decide what was needless.",
    ),
    only: str | None = option(None, "NAME[,NAME]", "Try only these thresholds."),
    trials: int = option(120, "N", "Try at most this many settings."),
    on: On = None,
    as_json: AsJson = False,
) -> None:
    """Find thresholds that would have woken you less often for nothing, and missed nothing, in past sessions.

    Judges the sessions again and again with one threshold changed. Leaves overlay.yaml (what to change and
    why, for a second --config) and tuning.ecsv (all that was tried). Changes no settings itself.
    """
    from sentinel.jobs.tune import TuneRequest, tune
    from sentinel.jobs.tune.files import OVERLAY_NAME, write_files
    from sentinel.jobs.tune.lines import tuning_json, tuning_lines

    names = [name.strip() for name in (only or "").split(",") if name.strip()]
    request = TuneRequest(
        sessions=sessions,
        out=out,
        configs=config or (),
        truths=truth or (),
        only=names,
        trials=trials,
        on=on_cluster(on),
    )
    with progress_bar() as progress:
        result = tune(request, progress)
    write_files(result, out)
    overlay = out / OVERLAY_NAME
    if as_json:
        print(json_line(tuning_json(result, overlay)))
    else:
        print("\n".join(tuning_lines(result, overlay, request.configs)))


@command("report /var/lib/sentinel/east --out night.html")
def report(
    folder: Path = argument(..., "DIR", "The folder that `replay --out` or `watch` wrote."),
    *,
    out: Path | None = option(None, "FILE", "The page to write; DIR/report.html if not given."),
    frames: Path | None = option(None, "FOLDER", "Where the pictures are now, if they were moved."),
    beside: Path | None = option(
        None,
        "OTHER",
        "A page of its own instead: this session and another, or another's pictures, at the same "
        "minutes, as seen and turned.",
    ),
    config: ConfigFiles = None,
) -> None:
    """Write the report of a watched or replayed session: one HTML page that needs nothing else.

    Beside it, frames.sha256 lists every picture's hash. A running watch is not disturbed. Settings are those
    the journal holds, unless others are given. With --beside both may also be folders of pictures that were
    never watched, each with its config.yaml.
    """
    from sentinel.jobs.beside.page import lines_of, write_beside
    from sentinel.jobs.report.page import write_report

    with progress_bar() as progress:
        if beside is None:
            page = write_report(folder, out, config or (), originals=frames, progress=progress)
        else:
            page, compared = write_beside(
                folder, beside, out, config or (), originals=frames, progress=progress
            )
    if beside is not None:
        print_screen(lines_of(compared))
    print(f"Report    {page}")


@command("plan 2027-06-18 2027-06-22 --config east.yaml --frame 6000x4000")
def plan(
    from_: str = argument(..., "FROM", "When the trip begins: 2027-06-18, or with a time."),
    to: str = argument(..., "TO", "When it ends; of a bare date its end is meant."),
    *,
    config: ConfigFiles = None,
    frame: str | None = option(
        None, "SIZE", "The frame in pixels, like 6000x4000; else of a frame in frames.folder."
    ),
    frame_mb: float | None = option(
        None, "MB", "Megabytes of a picture; else the mean of those in frames.folder."
    ),
    as_json: AsJson = False,
) -> None:
    """Say before the trip what the sun will do, what falls due, and how good the alignment must be."""
    from sentinel.core.settings import load_settings
    from sentinel.jobs.plan.lines import plan_lines
    from sentinel.jobs.plan.making import plan_trip
    from sentinel.jobs.plan.request import read_trip
    from sentinel.service.journal.codec import plain

    settings = load_settings(configs(config))
    made = plan_trip(settings, read_trip(settings, from_, to, frame, frame_mb))
    print(json_line(plain(made)) if as_json else "\n".join(plan_lines(made, settings)))


@command("simulate replay_data/midnight-sun.yaml .out/session")
def simulate(
    scenario: Path = argument(..., "SCENARIO", "A scenario (YAML); see those in replay_data/."),
    out: Path = argument(..., "OUT", "A new or empty folder for the session."),
    *,
    frames: bool = option(
        True, "--frames/--measurements-only", "Render pictures, or only write what measuring would give."
    ),
) -> None:
    """Make up a session from a scenario: pictures or measurements, settings, and the truth in truth.ecsv.

    Everything in it is invented; the same scenario gives the same session.
    """
    from sentinel.jobs.simulate.scenario import load_scenario
    from sentinel.jobs.simulate.session import simulate

    with progress_bar() as progress:
        simulate(load_scenario(scenario), out, frames=frames, progress=progress)
    print(f"The session is in {out}; its truth in {out / 'truth.ecsv'}. Invented data.")


def _measured_line(row: dict[str, Any]) -> str:
    flags = f"  [{row['flags']}]" if row["flags"] else ""
    if not row["found"]:
        return f"{row['frame']}: no disc; level {row['brightness']:.3f} of full scale{flags}"
    return (
        f"{row['frame']}: centre ({row['x_px']:.2f}, {row['y_px']:.2f}) ± {row['centre_sigma_px']:.2f} px, "
        f"radius {row['radius_px']:.2f} px, limb {row['limb_in_frame']:.0%} in frame, "
        f"{row['limb_coverage']:.0%} seen, edge {row['edge_width_px']:.1f} px, "
        f"level {row['brightness']:.3f}{flags}"
    )
