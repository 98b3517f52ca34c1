"""The all-well digest: what was recorded, how it stands, and a running hash that proves it later. Pure."""

import hashlib
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import floor, isfinite
from statistics import median
from typing import Any, NamedTuple

from sentinel.chain.judge.seen import Seen
from sentinel.chain.notify.counting import GAP_INTERVALS, Counts, counts_words, missed_in
from sentinel.chain.notify.headline import Headline, Trouble
from sentinel.chain.notify.wording import name_of
from sentinel.core.records import Event, Forecast, Incident, MeasuredFrame, Severity, Surroundings
from sentinel.core.times import DAY_S, HOUR_S, of_day_s, utc_s
from sentinel.core.words import TimeWriter, many, span

NO_CONCERN = timedelta(days=60)
"""Space that lasts longer than any session."""
WIDTHS_AN_HOUR = 240


class Tally(NamedTuple):
    """What has come in so far; bounded."""

    frames: int = 0
    frames_then: int = 0
    """At the last digest."""
    missed: int = 0
    """Since the last digest."""
    gaps: int = 0
    longest_gap_s: float = 0.0
    unreadable: int = 0
    latest_s: float | None = None
    """Exposure of the newest frame."""
    hashed: int = 0
    hash: str = ""
    """Of all frames so far, in order of arrival, in hexadecimal: see `chained`."""
    hour: int = 0
    widths_px: tuple[float, ...] = ()
    """Edge widths of the hour that runs."""
    focus_px: tuple[tuple[int, float], ...] = ()
    """Hours since 1970 and the median edge width in each, for two days."""
    noted: tuple[tuple[str, int], ...] = ()
    """How often what is only a note was opened since the last digest, by condition."""
    surroundings: Surroundings | None = None
    forecast: Forecast | None = None
    last_frame: str | None = None
    """The last that shows a disc."""
    seen: Seen = Seen()
    counts: Counts = Counts()


def chained(previous: str, sha256: str) -> str:
    """Return the running hash after one more frame: SHA-256 of the previous one and the frame's own.

    Both in hexadecimal, taken as bytes; the first frame stands on nothing. Whoever has the files in their
    order of arrival can compute it again.
    """
    return hashlib.sha256(bytes.fromhex(previous) + bytes.fromhex(sha256)).hexdigest()


def hash_line(frames: int, running: str) -> str:
    """Return the running hash of so many frames as a digest tells it; empty: there is none."""
    return f"Running hash of {many(frames, 'frame')}: {running}." if running else ""


def told_hash(body: str) -> tuple[int, str] | None:
    """Return of how many frames a digest's words tell the running hash, and that; None: they tell none."""
    told = re.search(r"^Running hash of ([\d,]+) frames?: ([0-9a-f]{64})\.$", body, re.MULTILINE)
    return (int(told[1].replace(",", "")), told[2]) if told else None


def counted(
    tally: Tally, event: Event, incidents: tuple[Incident, ...], forecast: Forecast | None, interval_s: float
) -> Tally:
    """Take an event and what it led to."""
    if forecast is not None:
        tally = tally._replace(forecast=forecast)
    seen = tally.seen.after(event).with_incidents(incidents)
    tally = tally._replace(counts=tally.counts.with_incidents(incidents), seen=seen)
    if isinstance(event, Surroundings):
        tally = tally._replace(surroundings=_merged(tally.surroundings, event))
    elif isinstance(event, MeasuredFrame):
        tally = _frame(tally, event, interval_s)
    for one in incidents:
        if one.state == "opened" and one.severity is Severity.NOTE and name_of(one.condition):
            noted = Counter(dict(tally.noted))
            noted[one.condition] += 1
            tally = tally._replace(noted=tuple(noted.items()))
    return tally


def _merged(old: Surroundings | None, new: Surroundings) -> Surroundings:
    """Return what is known by now: a reading may say only part of it."""
    if old is None:
        return new
    return replace(
        new,
        free_bytes=old.free_bytes if new.free_bytes is None else new.free_bytes,
        bytes_per_frame=old.bytes_per_frame if new.bytes_per_frame is None else new.bytes_per_frame,
        waiting_messages=old.waiting_messages if new.waiting_messages is None else new.waiting_messages,
        last_message_utc=new.last_message_utc or old.last_message_utc,
    )


def _frame(tally: Tally, frame: MeasuredFrame, interval_s: float) -> Tally:
    new: dict[str, Any] = {}
    if frame.sha256:
        new |= {"hash": chained(tally.hash, frame.sha256), "hashed": tally.hashed + 1}
    if frame.error is not None:
        return tally._replace(unreadable=tally.unreadable + 1, **new)
    taken_s = utc_s(frame.time_utc)
    latest_s = taken_s if tally.latest_s is None else tally.latest_s
    step_s = taken_s - latest_s
    if step_s > GAP_INTERVALS * interval_s:
        new |= {
            "gaps": tally.gaps + 1,
            "missed": tally.missed + missed_in(step_s, interval_s),
            "longest_gap_s": max(tally.longest_gap_s, step_s),
        }
    new |= {"frames": tally.frames + 1, "latest_s": max(latest_s, taken_s)}
    if frame.disc.found:
        new |= {"last_frame": frame.frame, **_focus(tally, frame.disc.edge_width_px, taken_s)}
    return tally._replace(**new)


def _focus(tally: Tally, width_px: float, taken_s: float) -> dict[str, Any]:
    if not isfinite(width_px):
        return {}
    hour = floor(taken_s / HOUR_S)
    if hour <= tally.hour or not tally.widths_px:
        widths = (*tally.widths_px, width_px)[-WIDTHS_AN_HOUR:]
        return {"widths_px": widths, "hour": max(hour, tally.hour)}
    done = (tally.hour, median(tally.widths_px))
    return {"focus_px": (*tally.focus_px, done)[-48:], "hour": hour, "widths_px": (width_px,)}


def begun_anew(tally: Tally) -> Tally:
    """Return the tally after a digest: what is counted from one to the next begins anew."""
    return tally._replace(
        frames_then=tally.frames, missed=0, gaps=0, longest_gap_s=0.0, unreadable=0, noted=()
    )


def last_hour_utc(hours_utc: tuple[str, ...], now_utc: datetime) -> datetime | None:
    """Return the last configured time of day at or before now; None where none is configured."""
    now_s = utc_s(now_utc)
    ago = [(now_s - of_day_s(text)) % DAY_S for text in hours_utc]
    return now_utc - timedelta(seconds=min(ago)) if ago else None


def title_and_body(
    tally: Tally, head: Headline, troubles: Sequence[Trouble], interval_s: float, times: TimeWriter
) -> tuple[str, str]:
    """Return the digest's words, in a fixed order: until when, what is open, what there is to show for it."""
    told = [one for one in troubles if one.severity is not Severity.NOTE]
    lines = [
        head.sentence,
        _open_line(told, tally.noted),
        f"In all: {counts_words(tally.counts)}.",
        _frames_line(tally),
        _focus_line(tally),
        _link_line(tally.surroundings, times),
        _space_line(tally.surroundings, interval_s),
        hash_line(tally.hashed, tally.hash),
    ]
    return _title(head, told), "\n".join(line for line in lines if line)


def _title(head: Headline, told: Sequence[Trouble]) -> str:
    if told and head.title == told[0].title:
        # What cannot wait is the title, and names itself.
        return head.title if len(told) == 1 else f"{head.title}; {len(told)} open"
    open_now = f"{len(told)} open; " if told else ""
    if not told and head.title.startswith("leave alone"):
        return f"All well: {head.title}"
    return f"Digest: {open_now}{head.title}"


def _open_line(told: Sequence[Trouble], noted: tuple[tuple[str, int], ...]) -> str:
    parts = [f"Open: {'; '.join(one.title for one in told)}."] if told else []
    if noted:
        notes = ", ".join(name_of(name) + (f" ({count} times)" if count > 1 else "") for name, count in noted)
        parts.append(f"Noted: {notes}.")
    return " ".join(parts)


def _frames_line(tally: Tally) -> str:
    new = tally.frames - tally.frames_then
    since = f" ({new} since the last digest)" if tally.frames_then else ""
    bad = f" {tally.unreadable} unreadable." if tally.unreadable else ""
    if not tally.gaps:
        return f"Pictures: {tally.frames}{since}, none missed.{bad}"
    longest = span(timedelta(seconds=tally.longest_gap_s))
    gaps = f"{tally.missed} missed in {many(tally.gaps, 'gap')}, the longest {longest}"
    return f"Pictures: {tally.frames}{since}, {gaps}.{bad}"


def _focus_line(tally: Tally) -> str:
    if not tally.widths_px:
        return ""
    now_px = median(tally.widths_px)
    before = dict(tally.focus_px)
    # A day ago the sun stood at the same height, so the air was as thick.
    day_ago = before.get(tally.hour - 24)
    if day_ago is not None:
        return f"Focus: the sun's rim is {now_px:.1f} px wide, {day_ago:.1f} px at this hour yesterday."
    if before:
        first = tally.focus_px[0][1]
        return f"Focus: the sun's rim is {now_px:.1f} px wide, {first:.1f} px at first."
    return f"Focus: the sun's rim is {now_px:.1f} px wide."


def _link_line(known: Surroundings | None, times: TimeWriter) -> str:
    if known is None or known.waiting_messages is None:
        return ""
    last = f"; the last got through at {times.at(known.last_message_utc)}" if known.last_message_utc else ""
    if known.waiting_messages:
        return f"Link: {many(known.waiting_messages, 'message')} still waiting{last}."
    return f"Link: nothing waiting{last}."


def _space_line(known: Surroundings | None, interval_s: float) -> str:
    if known is None or known.free_bytes is None:
        return ""
    line = f"Space: {known.free_bytes / 1e9:.1f} GB free"
    if known.bytes_per_frame:
        left = timedelta(seconds=known.free_bytes / known.bytes_per_frame * interval_s)
        line += ", space is no concern" if left > NO_CONCERN else f", enough for {span(left)}"
    return f"{line}."
