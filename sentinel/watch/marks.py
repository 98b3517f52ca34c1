"""Operator's marks on their way to the watch: a file each, because only the watch writes the journal."""

import json
import logging
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast, get_args

from sentinel.errors import RequestProblem
from sentinel.files import write_text_whole
from sentinel.intake.events import read_marks
from sentinel.records import Mark, MarkKind
from sentinel.times import format_utc, utc_s

log = logging.getLogger(__name__)

SLACK = timedelta(minutes=2)
DAY_MIN = 1440.0


def made_mark(
    kind: str, text: str, now_utc: datetime, *, at: datetime | None = None, minutes: float | None = None
) -> Mark:
    """Return a mark as the operator asks for it.

    Raises
    ------
    RequestProblem
        If there is no such kind, its time is to come, or minutes do not belong to it.
    """
    if kind not in get_args(MarkKind):
        raise RequestProblem(
            f"{kind!r} is no kind of mark", where="mark", mend=f"known are {', '.join(get_args(MarkKind))}"
        )
    if at is not None and at > now_utc + SLACK:
        raise RequestProblem("is still to come", where=f"--at {format_utc(at)}", mend="note what was done")
    if minutes is not None and (kind != "visit" or not 0 < minutes <= DAY_MIN):
        raise RequestProblem(
            "belongs to a visit, and is more than 0 and at most 1440", where="--minutes", mend="leave it out"
        )
    return Mark(time_utc=at or now_utc, kind=cast(MarkKind, kind), text=text, minutes=minutes)


def leave_mark(folder: Path, mark: Mark) -> None:
    """Leave a mark for the watch to take up, now or at its next start."""
    number, path = 0, folder / f"{utc_s(mark.time_utc):.3f}-{mark.kind}.json"
    while path.exists():
        number += 1
        path = folder / f"{utc_s(mark.time_utc):.3f}-{mark.kind}-{number}.json"
    content = {"time_utc": format_utc(mark.time_utc), "kind": mark.kind, "text": mark.text}
    if mark.minutes is not None:
        content["minutes"] = mark.minutes  # type: ignore[assignment]
    write_text_whole(path, json.dumps(content, ensure_ascii=False) + "\n")


def find_marks(folder: Path) -> list[tuple[Path, Mark]]:
    """Return the marks that wait, in order of time, each with its file."""
    found: list[tuple[Path, Mark]] = []
    try:
        paths = sorted(folder.glob("[!.]*.json"))
    except OSError:
        return []
    for path in paths:
        try:
            found += [(path, mark) for mark in read_marks(path)]
        except RequestProblem as problem:
            log.warning("%s", problem)
            path.replace(path.with_suffix(".unreadable"))
    return sorted(found, key=lambda item: item[1].time_utc)
