"""Operator's marks on their way to the watch: a file each, because only the watch writes the journal."""

import json
import os
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast, get_args

from sentinel.chain.intake.events import read_marks
from sentinel.core.errors import RequestProblem
from sentinel.core.files import unused
from sentinel.core.records import Mark, MarkKind
from sentinel.core.times import format_utc, utc_s
from sentinel.service.watch.state_folder import StateFolder

SLACK = timedelta(minutes=2)
DAY_MIN = 1440.0


def made_mark(
    kind: str,
    text: str,
    now_utc: datetime,
    *,
    at: datetime | None = None,
    minutes: float | None = None,
    undoes_utc: datetime | None = None,
) -> Mark:
    """Return a mark as the operator asks for it.

    Raises `RequestProblem` if there is no such kind, its time is to come, or minutes do not belong to it.
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
    if kind == "undo" and text and text not in get_args(MarkKind):
        raise RequestProblem(
            f"{text!r} is no kind of mark to take back", where="mark undo", mend="name its kind, or nothing"
        )
    known = cast(MarkKind, kind)
    said, exactly = text.lower(), text.strip().lower() == "mount"
    if known == "battery" and "mount" in said and "camera" not in said and not exactly:
        # Of two batteries the wrong one would be counted anew.
        raise RequestProblem(
            "which one: `battery` is the camera's",
            where=f"mark battery {text!r}",
            mend="for the mount's say `sentinel mark mount-battery`; for the camera's leave the mount out",
        )
    return Mark(time_utc=at or now_utc, kind=known, text=text, minutes=minutes, undoes_utc=undoes_utc)


def leave_mark(folder: Path, mark: Mark) -> None:
    """Leave a mark for the watch to take up, now or at its next start; whoever it is."""
    path = unused(folder / f"{utc_s(mark.time_utc):.3f}-{mark.kind}.json")
    content = {"time_utc": format_utc(mark.time_utc), "kind": mark.kind, "text": mark.text}
    if mark.minutes is not None:
        content["minutes"] = mark.minutes  # type: ignore[assignment]
    if mark.undoes_utc is not None:
        content["undoes_utc"] = format_utc(mark.undoes_utc)
    unfinished = path.with_name(f".{path.stem}.{os.getpid()}")
    # Never through a link, which another user may have put there.
    handle = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            os.fchmod(handle, 0o640 if _given_to_owner(handle, folder) else 0o644)
            file.write(json.dumps(content, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(handle)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


def make_folders(files: StateFolder) -> None:
    """Make the folder of marks in a state folder where it is missing, as belonging to whoever watches.

    Raises `RequestProblem` if there is no such state folder, or that cannot be.
    """
    files.refuse_unknown()
    missing = [path for path in (files.marks, files.folder) if not path.exists()]
    files.create()
    for path in reversed(missing):
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            os.fchmod(handle, 0o750)
            _given_to_owner(handle, path.parent)
        finally:
            os.close(handle)


def _given_to_owner(handle: int, folder: Path) -> bool:
    """Let what root makes belong to the owner of the folder it lies in; return whether it does."""
    owner = folder.stat()
    if os.geteuid() == 0:
        os.fchown(handle, owner.st_uid, owner.st_gid)
    return os.fstat(handle).st_uid == owner.st_uid


def find_marks(folder: Path, unreadable: Callable[[str], None] = lambda _: None) -> list[tuple[Path, Mark]]:
    """Return the marks that wait, in order of time, each with its file.

    One that cannot be read is put aside under another name, and `unreadable` is told.
    """
    found: list[tuple[Path, Mark]] = []
    try:
        paths = sorted(folder.glob("[!.]*.json"))
    except OSError:
        return []
    for path in paths:
        try:
            found += [(path, mark) for mark in read_marks(path)]
        except RequestProblem as problem:
            with suppress(OSError):
                path.replace(path.with_suffix(".unreadable"))
                unreadable(str(problem))
    return sorted(found, key=lambda item: item[1].time_utc)
