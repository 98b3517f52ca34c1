"""A past session judged as the watch would have, on its own clock."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from sentinel.chain.intake.events import read_marks, session_events
from sentinel.chain.intake.examine import job_of_the_past
from sentinel.chain.intake.pool import measure_all
from sentinel.chain.intake.session import (
    CONFIG_NAME,
    JOURNAL_NAME,
    MARKS_NAME,
    Session,
    find_frames,
    open_session,
)
from sentinel.chain.intake.session_discs import SessionDiscs
from sentinel.chain.intake.workers import OnCluster
from sentinel.chain.pipeline import Pipeline
from sentinel.chain.runner import run
from sentinel.chain.undo import standing_marks
from sentinel.core.errors import RequestProblem
from sentinel.core.files import file_hash, made_folder
from sentinel.core.records import Event, Mark, MeasuredFrame, frame_order
from sentinel.core.settings import Settings, load_settings
from sentinel.core.tables import read_measurements
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.report.summary import Summary, summarise
from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.session_facts import (
    keep_frames_folder,
    keep_settings,
    kept_frames_folder,
    kept_settings,
)


@dataclass(frozen=True, slots=True)
class ReplayRequest:
    """What is to be replayed, and with what."""

    session: Path
    out: Path
    configs: Sequence[Path] = ()
    marks: Path | None = None
    on: OnCluster | None = None
    """Where frames are measured, if not here."""


def replay(request: ReplayRequest, progress: Progress = silent) -> Summary:
    """Run a session and write the journal and the files made from it into `request.out`.

    Raises `RequestProblem` if session, settings or marks are wrong, or the output folder holds what must not
    be replaced.
    """
    session = open_session(request.session)
    settings = session_settings(session, request.configs)
    make_room(request.out, session)
    past = recorded_session(session, settings, request.marks, progress, request.on)
    return _run_into(request.out, settings, past, _frames_folder(session), progress)


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """What a session is made of once it has been read."""

    frames: Sequence[MeasuredFrame]
    """In order of exposure, at least one."""
    events: Sequence[tuple[Event, datetime]]
    """Frames, marks and all else, in the order in which they are taken up."""
    watched: bool = False
    """Whether a watch stood by from the first event on."""

    @property
    def start_utc(self) -> datetime:
        """When waiting for frames began: with the first, where nothing but marks came before it."""
        return self.events[0][1] if self.watched else self.frames[0].time_utc


def recorded_session(
    session: Session,
    settings: Settings,
    marks_file: Path | None = None,
    progress: Progress = silent,
    on: OnCluster | None = None,
) -> RecordedSession:
    """Read a session; frames that have not been measured yet are.

    Raises `RequestProblem` if it holds no frames, or its table or marks are wrong.
    """
    marks_file = marks_file or session.beside(MARKS_NAME)
    marks = read_marks(marks_file) if marks_file else []
    if session.journal is not None:
        with Journal.read(session.journal) as journal:
            frames = sorted(journal.frames(), key=frame_order)
            past = RecordedSession(
                frames, list(journal.events()), watched=journal.origin is not Origin.REPLAY
            )
    else:
        frames = sorted(_measured(session, settings, progress, on), key=frame_order)
        past = RecordedSession(frames, list(session_events(frames, marks)))
    if not past.frames:
        raise RequestProblem(
            "holds no frames", where=str(session.home), mend="check the folder and frames.patterns"
        )
    return past


def session_settings(session: Session, configs: Sequence[Path]) -> Settings:
    """Return the settings given, or else those that lie beside the session, or that its journal holds."""
    if configs:
        return load_settings(configs)
    beside = session.beside(CONFIG_NAME)
    if beside is None and session.journal is not None:
        with Journal.read(session.journal) as journal:
            kept = kept_settings(journal)
        if kept:
            return kept[-1].settings
    if beside is None:
        raise RequestProblem(
            f"no {CONFIG_NAME} lies beside the session",
            where=str(session.home),
            mend="name one with --config",
        )
    return load_settings([beside])


def make_room(out: Path, session: Session) -> None:
    """Create the output folder; refuse one that is the session's own, or that a watch keeps.

    Raises `RequestProblem` if it must not be written to, or cannot be created.
    """
    if session.home.resolve() == out.resolve():
        raise RequestProblem(
            "is the session's own folder", where=str(out), mend="choose another folder for --out"
        )
    if (out / JOURNAL_NAME).is_file():
        with Journal.read(out / JOURNAL_NAME) as held:
            if held.origin is not Origin.REPLAY:
                raise RequestProblem(
                    "holds the journal of a watch, not of a replay",
                    where=str(out),
                    mend="choose another folder for --out",
                )
    made_folder(out)


def _measured(
    session: Session, settings: Settings, progress: Progress, on: OnCluster | None
) -> list[MeasuredFrame]:
    if session.table is not None:
        return read_measurements(session.table)
    assert session.folder is not None  # noqa: S101 - neither table nor journal
    files = find_frames(session.folder, settings.frames.patterns)
    jobs = [job_of_the_past(found.path, found.frame, settings.camera) for found in files]
    frames = measure_all(jobs, SessionDiscs.of(settings), on=on)
    measured = reported(frames, "measuring", len(jobs), progress)
    # The frames' hashes are what a report's chain of evidence stands on; the measuring processes are busy.
    return [replace(frame, sha256=file_hash(job.path)) for job, frame in zip(jobs, measured, strict=True)]


def _frames_folder(session: Session) -> Path | None:
    """Return where the frames lie: the session's folder, beside its table, or where its journal says."""
    if session.journal is None:
        return session.home
    with Journal.read(session.journal) as journal:
        return kept_frames_folder(journal)


def _run_into(
    out: Path, settings: Settings, past: RecordedSession, frames_folder: Path | None, progress: Progress
) -> Summary:
    """Judge the events into a new journal, put it in an old one's place, write the files made from it."""
    unfinished = out / f".unfinished.{JOURNAL_NAME}"
    for leftover in out.glob(f"{unfinished.name}*"):
        leftover.unlink()
    events = past.events
    pipeline = Pipeline(settings, start_utc=past.start_utc)
    with Journal.create(unfinished, Origin.REPLAY) as journal:
        keep_settings(journal, settings)
        if frames_folder is not None:
            keep_frames_folder(journal, frames_folder)
        run(reported(events, "judging", len(events), progress), pipeline, journal)
        incidents, alerts = list(journal.incidents()), list(journal.alerts())
        export(journal, out)
    for stale in out.glob(f"{JOURNAL_NAME}-*"):
        stale.unlink()
    unfinished.replace(out / JOURNAL_NAME)
    last = pipeline.following.look(events[-1][1])
    marks = standing_marks(event for event, _ in events if isinstance(event, Mark))
    return summarise(past.frames, incidents, alerts, last, settings, marks=marks)
