"""Several cameras beside each other: who needs somebody first. Pure."""

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any

from sentinel.chain.notify.headline import Headline, pressing
from sentinel.core.files import shown_name
from sentinel.core.words import TimeWriter, capital, many, small, times_in
from sentinel.service.journal.codec import plain
from sentinel.service.status.facts import ago
from sentinel.service.status.lines import NOT_RUNNING, as_of_words, until_json
from sentinel.service.status.standing import Standing

WIDE = 80
"""Columns of a terminal."""
FAR = datetime.max.replace(tzinfo=UTC)


class Need(IntEnum):
    """How urgently a camera needs somebody, the most urgent first."""

    NOW = 0
    """Somebody must go now."""
    BLIND = 1
    """Nobody looks after it, or nothing is heard of it: nobody knows what it needs."""
    LATER = 2
    """By the time that it says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraNews:
    """What was heard of one camera."""

    where: str
    """State folder or address, as it was asked for."""
    standing: Standing | None = None
    """None: there is none to be had, for the reason in `problem`."""
    problem: str = ""
    watched: bool = True
    """Whether its watch runs, as far as is known."""

    @property
    def name(self) -> str:
        """What people call it; where it was asked for, as long as it has not told its name."""
        told = self.standing.camera if self.standing is not None else None
        return shown_name(told or self.where)

    def lack(self, now_utc: datetime) -> str:
        """Return why what is known of it is not to be relied on; empty: it is."""
        s = self.standing
        if s is None:
            return f"Nothing is known of it: {self.problem}."
        if not self.watched:
            return NOT_RUNNING
        if s.written_utc - now_utc > timedelta(seconds=s.late_s):
            # It could be dead for as long and still look fresh.
            ahead = ago(s.written_utc, now_utc)
            return f"Its news is {ahead}: how old it is cannot be told. Set the clocks."
        if now_utc - s.written_utc > timedelta(seconds=s.late_s):
            return f"Last heard of {ago(s.written_utc, now_utc)}. Check its computer, power and link."
        return ""

    def exit_status(self, now_utc: datetime) -> int:
        """Return that of `status` for this camera alone: 3 nobody looks after it, 1 nothing is known, 0."""
        if self.standing is None:
            return 1
        return NOT_WATCHED if self.lack(now_utc) else 0


NOT_WATCHED = 3
"""Exit status of `status` while nobody looks after a camera."""


def _urgency(news: CameraNews, now_utc: datetime) -> tuple[Need, datetime]:
    """Return how a camera needs somebody, and since or until when: what sorts first needs it first."""
    s, lack = news.standing, news.lack(now_utc)
    if s is None:
        return Need.BLIND, now_utc
    trouble, head = pressing(s.troubles), s.headline(now_utc)
    if trouble is not None:
        return Need.NOW, trouble.since_utc
    if head.set_off_utc is not None and head.set_off_utc <= now_utc:
        return Need.NOW, head.set_off_utc
    if lack:
        return Need.BLIND, s.written_utc
    return Need.LATER, _wanted_utc(s, head, now_utc)


def _wanted_utc(s: Standing, head: Headline, now_utc: datetime) -> datetime:
    """Return when somebody is wanted next; what is not known is looked at before what is."""
    if head.set_off_utc or head.until_utc:
        return head.set_off_utc or head.until_utc or now_utc
    certain = s.agenda.known_until_utc is not None and s.agenda.unseen_since_utc is None
    return FAR if certain and s.agenda.blind_since_utc is None else now_utc


def who_first(cameras: Iterable[CameraNews], now_utc: datetime) -> list[CameraNews]:
    """Return the cameras in the order in which they need somebody."""
    return sorted(cameras, key=lambda news: (*_urgency(news, now_utc), news.name, news.where))


def need_of(news: CameraNews, now_utc: datetime) -> Need:
    """Return how a camera needs somebody."""
    return _urgency(news, now_utc)[0]


def need_words(news: CameraNews, now_utc: datetime) -> str:
    """Return in a few words what a camera needs."""
    need = need_of(news, now_utc)
    if need is Need.NOW:
        return "GO NOW"
    if need is Need.BLIND or news.standing is None:
        return "NO NEWS" if news.watched else "NOT WATCHED"
    s = news.standing
    head = s.headline(now_utc)
    if head.set_off_utc is not None:
        return f"set off by {s.times.as_of(now_utc).at(head.set_off_utc)}"
    return head.title


def summary_words(cameras: Sequence[CameraNews], now_utc: datetime) -> str:
    """Return in one sentence how many need somebody, for the line above all."""
    needs = [need_of(news, now_utc) for news in cameras]
    now, blind = needs.count(Need.NOW), needs.count(Need.BLIND)
    needing = (
        f"{now} {'needs' if now == 1 else 'need'} somebody now"
        if now
        else "none is known to need anybody now"
    )
    missing = f", {blind} {'is' if blind == 1 else 'are'} without watch or news" if blind else ""
    said = f"{needing}{missing}" if now or blind else "none needs anybody now"
    return f"{many(len(cameras), 'camera')}: {said}."


def told_lines(news: CameraNews, now_utc: datetime, until_utc: datetime | None = None) -> list[str]:
    """Return what a camera's watch has told, a sentence or two a line; nothing where there is no news."""
    s = news.standing
    if s is None:
        return []
    if until_utc is not None:
        lines: list[str] = until_json(s, until_utc, now_utc, watched=True)["lines"]
    else:
        lines = [s.headline(now_utc).sentence]
    if news.lack(now_utc):
        # No promise any more: nobody has looked since.
        lines[0] = f"Told at {s.times.as_of(now_utc).at(s.written_utc)}: {small(lines[0])}"
    first = pressing(s.troubles)
    # The first is what the headline tells of.
    return lines + [f"{capital(t.severity.value)}: {t.title}" for t in s.troubles if t is not first]


def several_lines(
    cameras: Sequence[CameraNews], now_utc: datetime, until_utc: datetime | None = None
) -> list[str]:
    """Return all of them for a terminal, who needs somebody first on top."""
    ordered = who_first(cameras, now_utc)
    names = [news.name for news in ordered]
    lines = textwrap.wrap(f"{writer_of(ordered).dated(now_utc)}. {summary_words(ordered, now_utc)}", WIDE)
    for number, news in enumerate(ordered, 1):
        where = f" ({shown_name(news.where)})" if names.count(news.name) > 1 else ""
        lines += ["", f"{number}. {news.name}{where}: {need_words(news, now_utc)}"]
        age = [as_of_words(news.standing, now_utc)] if news.standing is not None else []
        for line in filter(None, (news.lack(now_utc), *told_lines(news, now_utc, until_utc), *age)):
            # What others tell may hold anything; here it must not move the cursor.
            lines += textwrap.wrap(
                shown_name(line.strip()), WIDE, initial_indent="   ", subsequent_indent="     "
            )
    return lines


def several_json(
    cameras: Sequence[CameraNews], now_utc: datetime, until_utc: datetime | None = None
) -> dict[str, Any]:
    """Return the same as JSON values, each camera's whole standing among them."""
    ordered = who_first(cameras, now_utc)
    return {
        "time_utc": plain(now_utc),
        "exit_status": worst_status(ordered, now_utc),
        "cameras": [_one_json(news, now_utc, until_utc) for news in ordered],
    }


def _one_json(news: CameraNews, now_utc: datetime, until_utc: datetime | None) -> dict[str, Any]:
    s = news.standing
    told: dict[str, Any] = {
        "name": news.name,
        "where": news.where,
        "need": need_of(news, now_utc).name.lower(),
        "needs": need_words(news, now_utc),
        "problem": news.lack(now_utc),
        "watched": news.watched and s is not None,
        "age_s": None if s is None else round((now_utc - s.written_utc).total_seconds(), 1),
        "status": plain(s),
    }
    if until_utc is not None and s is not None:
        told["until"] = until_json(s, until_utc, now_utc, watched=news.watched)
    return told


def worst_status(cameras: Iterable[CameraNews], now_utc: datetime) -> int:
    """Return the exit status: the worst of all."""
    return max((news.exit_status(now_utc) for news in cameras), default=0)


def zone_of(cameras: Iterable[CameraNews]) -> str | None:
    """Return the operator's time zone: that of the first camera that has one."""
    zones = (news.standing.zone for news in cameras if news.standing is not None)
    return next(filter(None, zones), None)


def writer_of(cameras: Iterable[CameraNews]) -> TimeWriter:
    """Return what writes the time above all of them."""
    return times_in(zone_of(cameras))
