"""The standing as a page for a phone: one file that asks nobody for anything, and knows its own age."""

from sentinel.core.pages import jpeg_url, page
from sentinel.core.records import Mark
from sentinel.core.times import format_utc, utc_s
from sentinel.core.words import TimeWriter, opened
from sentinel.service.status.facts import facts_of, stop_words
from sentinel.service.status.lines import visit_lines
from sentinel.service.status.standing import Standing

BUTTONS: tuple[tuple[str, str], ...] = (
    ("visit", "At the camera, 15 min"),
    ("seen", "Seen"),
    ("recentred", "Recentred"),
    ("unwound", "Unwound"),
    ("refocused", "Refocused"),
    ("realigned", "Axis realigned"),
    ("battery", "Camera battery changed"),
    ("mount-battery", "Mount battery changed"),
    ("card", "Card changed"),
    ("timer", "Timer restarted"),
)
"""Kinds of marks, and what their buttons say."""


def undo_value(mark: Mark) -> str:
    """Return what the button sends that takes a mark back."""
    return f"{mark.kind} {format_utc(mark.time_utc)}"


def undo_label(mark: Mark, times: TimeWriter) -> str:
    """Return what that button says."""
    return f"Undo: {dict(BUTTONS).get(mark.kind, mark.kind)}, {times.at(mark.time_utc)}"


def page_html(
    standing: Standing,
    picture: bytes | None = None,
    picture_words: str = "",
    *,
    buttons: bool = False,
    drill: bool = False,
) -> str:
    """Return the page.

    `standing`: what to show. Names of files may hold anything; they stay text.
    `picture`: a small JPEG of the last picture; None: there is none.
    `picture_words`: what is drawn on it.
    `buttons`: whether somebody takes what its buttons say.
    `drill`: its times are those of a drill, which no phone's clock knows: they are said as times, not as
        ages.
    """
    frame_utc = standing.frame_utc
    times = standing.times.as_of(standing.written_utc)
    return page(
        __package__,
        "page.html.jinja",
        s=standing,
        title=opened(standing.camera, "Watch over the sun"),
        written=times.at(standing.written_utc),
        written_ms=round(1000 * utc_s(standing.written_utc)),
        # Written after each frame and each tick: older than this, whatever writes it is dead.
        page_limit_s=round(standing.late_s),
        frame_ms=None if frame_utc is None else round(1000 * utc_s(frame_utc)),
        frame_time="" if frame_utc is None else times.at(frame_utc),
        frame_limit_s=round(standing.late_s),
        level=standing.level(standing.written_utc),
        stop_words=stop_words(standing),
        jobs=visit_lines(standing, standing.written_utc),
        facts=facts_of(standing),
        picture=None if picture is None else jpeg_url(picture),
        picture_words=picture_words,
        buttons=BUTTONS if buttons else (),
        age="" if drill else "age",
        undoable=[(undo_value(mark), undo_label(mark, times)) for mark in standing.undoable],
    )
