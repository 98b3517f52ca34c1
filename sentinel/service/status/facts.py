"""The plain facts of a standing, in words: the lower half of the page and of the text."""

from datetime import datetime, timedelta
from typing import NamedTuple

from sentinel.chain.notify.camera_clock import compared_words
from sentinel.chain.notify.counting import counts_words
from sentinel.chain.notify.headline import pressing
from sentinel.core.records import Severity
from sentinel.core.words import capital, many, span
from sentinel.service.status.standing import Standing

UNSEEN = timedelta(minutes=30)
"""A disc that was seen no later may be anywhere by now, if it is not where it should be."""
LITTLE_BYTES = 500_000_000


class Fact(NamedTuple):
    """One line."""

    name: str
    value: str
    bad: bool = False
    """To be shown so that it is not overlooked."""


def ago(time_utc: datetime, now_utc: datetime) -> str:
    """Return how long ago something was, as people say it; clocks that disagree are told."""
    if time_utc - now_utc > timedelta(seconds=5):
        return f"{span(time_utc - now_utc)} ahead of this computer's clock"
    return f"{span(max(now_utc - time_utc, timedelta(0)))} ago"


def stop_words(s: Standing) -> str:
    """Return how long a stop of the mount would leave."""
    if any(one.condition == "runaway" and one.severity is Severity.NOW for one in s.troubles):
        return "it does not follow the sun as it is"
    if s.agenda.dark(s.written_utc):
        return "the sun is down"
    unseen = s.verified_utc is None or s.written_utc - s.verified_utc > UNSEEN
    if unseen and (s.agenda.unseen_since_utc is not None or pressing(s.troubles) is not None):
        return "not known, the sun is not seen"
    if s.stop_edge_min is None:
        return "not known"
    edge = f" ({s.stop_edge} edge)" if s.stop_edge else ""
    if s.stop_edge_min <= 0:
        return f"the sun is at the edge already{edge}"
    return f"{s.stop_edge_min:.0f} min to the edge{edge}"


def facts_of(s: Standing) -> list[Fact]:
    """Return the facts in the order in which they matter."""
    seen = (
        "not yet"
        if s.verified_utc is None
        else f"{_at(s.verified_utc, s)}, {ago(s.verified_utc, s.written_utc)}"
    )
    return [
        Fact("Sun last seen", seen),
        _focus(s),
        *_frames(s),
        *_supplies(s),
        *_room(s),
        _clock(s),
        *_clocks(s),
        Fact("In all", capital(counts_words(s.counts))),
        _messages(s),
    ]


def _at(time_utc: datetime | None, s: Standing) -> str:
    return "never" if time_utc is None else s.times.as_of(s.written_utc).at(time_utc)


def _focus(s: Standing) -> Fact:
    if s.edge_width_px is None or s.edge_width_px != s.edge_width_px:
        return Fact("Focus", "not measured yet")
    edge = f"edge {s.edge_width_px:.1f} px"
    if s.focus_ratio is None:
        return Fact("Focus", f"{edge}; nothing at this altitude to compare with yet")
    return Fact(
        "Focus",
        f"{edge}, {s.focus_ratio:.2f} times the usual at this altitude",
        s.focus_ratio >= s.focus_soon_ratio,
    )


def _frames(s: Standing) -> list[Fact]:
    bad = f", {many(s.unusable, 'unusable file')}" if s.unusable else ""
    got = Fact("Pictures", f"{s.frames} of {s.frames_expected} expected{bad}")
    waiting = f", {many(s.waiting_files, 'file')} not finished" if s.waiting_files else ""
    return [got, Fact("Folder", f"{s.folder}{waiting}", s.folder in {"missing", "unreadable", "stuck"})]


def _supplies(s: Standing) -> list[Fact]:
    facts = []
    for supply in s.supplies:
        ends = supply.lasts_until_utc
        was = "was to last " if ends is not None and ends <= s.written_utc else ""
        until = f"{was}until {_at(ends, s)}" if ends else "longer than 48 h"
        renewed = f", renewed {_at(supply.renewed_utc, s)}" if supply.renewed_utc else ""
        facts.append(Fact(supply.name.capitalize(), f"{until}{renewed}"))
    if s.axis_turned_deg is not None:
        limit = f" of {s.axis_limit_deg:.0f}" if s.axis_limit_deg is not None else ""
        facts.append(Fact("Axis turned", f"{s.axis_turned_deg:.0f}{limit} degrees"))
    return facts


def _room(s: Standing) -> list[Fact]:
    rooms = (("Frames' disk", s.free_bytes), ("Watch's disk", s.state_free_bytes))
    return [
        Fact(name, f"{free / 1e9:.1f} GB free", free < LITTLE_BYTES)
        for name, free in rooms
        if free is not None
    ]


def _clock(s: Standing) -> Fact:
    camera = "not known yet" if s.clock_offset_s is None else f"camera {s.clock_offset_s:+.1f} s"
    heard = {True: "; computer's clock synchronised", False: "; computer's clock NOT synchronised", None: ""}
    return Fact("Clock", camera + heard[s.clock_synchronised], s.clock_synchronised is False)


def _clocks(s: Standing) -> list[Fact]:
    if s.clocks is None:
        return []
    if not s.clocks:
        return [Fact("Others' clocks", "not compared yet: that takes a low sun that both see")]
    return [
        Fact(
            f"Clock of {one.camera}",
            f"{compared_words(one.difference)} (low sun, {_at(one.until_utc, s)})",
            one.difference.sure,
        )
        for one in s.clocks
    ]


def _messages(s: Standing) -> Fact:
    m = s.messages
    last = f"{_at(m.last_utc, s)} {m.last_title} ({m.last_target})" if m.last_utc else "none yet"
    waits = f"; {m.waiting} waiting" if m.waiting else ""
    why = f" ({m.trouble})" if m.waiting and m.trouble else ""
    return Fact("Last message through", last + waits + why, bool(m.waiting))
