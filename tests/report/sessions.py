"""Small sessions for the report's tests, put into journals of their own. Invented, all of it."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sentinel.chain.intake.session import JOURNAL_NAME
from sentinel.core.records import (
    Alert,
    Disc,
    Event,
    Forecast,
    Incident,
    IncidentState,
    Mark,
    MarkKind,
    MeasuredFrame,
    Outcome,
    Posting,
    Severity,
)
from sentinel.core.settings import Settings, validate
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.session_facts import keep_frames_folder, keep_settings
from tests.forecasts import foreseen

NOON = datetime(2027, 6, 21, 9, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def settings(**more: object) -> Settings:
    """Return settings of a place where the sun does not set."""
    content = {
        "site": {"latitude_deg": 70.0, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 23.52},
        **more,
    }
    return validate(content, where="test")


def frame(number: int, **of_disc: float) -> MeasuredFrame:
    """Return a frame of the minute `number`, with a disc that hardly moves."""
    disc = {"x_px": 700.0 + 0.01 * number, "y_px": 480.0, "radius_px": 77.8, **of_disc}
    return MeasuredFrame(
        frame=f"100VIEWS/P{number:05}.JPG",
        time_utc=NOON + number * MINUTE,
        width_px=1500,
        height_px=1000,
        disc=Disc(
            found=True,
            centre_sigma_px=0.02,
            limb_in_frame=1.0,
            limb_coverage=1.0,
            edge_width_px=2.2,
            brightness=0.4,
            saturated_fraction=0.0,
            **disc,  # type: ignore[arg-type]
        ),
        exposure_s=0.002,
        iso=100.0,
        aperture=8.0,
        sha256=hashlib.sha256(str(number).encode()).hexdigest(),
    )


def dark(number: int) -> MeasuredFrame:
    """Return a frame of the minute `number` in which nothing is seen."""
    return replace(frame(number), disc=Disc(found=False, brightness=0.0, flags=("no-light",)))


def forecast(number: int, *, exit_h: float | None = None) -> Forecast:
    """Return what was forecast after the frame of the minute `number`."""
    now_utc = NOON + number * MINUTE
    exit_utc = None if exit_h is None else now_utc + timedelta(hours=exit_h)
    return foreseen(
        time_utc=now_utc,
        basis="mount model",
        seen_utc=now_utc,
        exit_utc=exit_utc,
        exit_early_utc=exit_utc and exit_utc - timedelta(minutes=5),
        exit_late_utc=exit_utc and exit_utc + timedelta(minutes=5),
        polar_azimuth_error_deg=0.1,
        polar_azimuth_error_sigma_deg=0.02,
        polar_altitude_error_deg=-0.2,
        polar_altitude_error_sigma_deg=0.03,
        rate_ratio=1.0,
        rate_ratio_sigma=1e-4,
        arc_h=number / 60,
    )


def incident(number: int, state: IncidentState = "opened", severity: Severity = Severity.SOON) -> Incident:
    """Return a change of one incident."""
    return Incident(
        time_utc=NOON + number * MINUTE,
        condition="soft-focus",
        state=state,
        severity=severity,
        onset_utc=NOON,
        message="The sun's edge is <soft>.",
    )


def alert(number: int, **more: object) -> Alert:
    """Return a message."""
    told = {"kind": "first", "severity": Severity.NOW, "condition": "x", "title": "Go & see", "body": "b"}
    return Alert(time_utc=NOON + number * MINUTE, **(told | more))  # type: ignore[arg-type]


def posting(target: str) -> Posting:
    """Return where the first alert of an outcome is to go."""
    return Posting(alert=0, target=target, due_utc=NOON, expires_utc=NOON + timedelta(days=1))


def mark(number: int, kind: MarkKind, text: str = "") -> Mark:
    """Return a mark of the operator's."""
    return Mark(time_utc=NOON + number * MINUTE, kind=kind, text=text)


def journal_of(
    folder: Path,
    events: Iterable[Event],
    outcomes: dict[int, Outcome] | None = None,
    *,
    told: Sequence[Settings] = (settings(),),
    origin: Origin = Origin.REPLAY,
    pictures: Path | None = None,
) -> Path:
    """Write a journal into a folder; `outcomes` by the number of the event, from 0. Return the folder."""
    folder.mkdir(exist_ok=True)
    with Journal.create(folder / JOURNAL_NAME, origin) as journal:
        for one in told:
            keep_settings(journal, one)
        if pictures is not None:
            keep_frames_folder(journal, pictures)
        for number, event in enumerate(events):
            journal.record(event, event.time_utc, (outcomes or {}).get(number, Outcome()))
    return folder
