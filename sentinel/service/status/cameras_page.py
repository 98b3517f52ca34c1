"""Several cameras as a page for a phone: the same as the text says, with ages that go on counting."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from sentinel.core.files import shown_name
from sentinel.core.pages import page
from sentinel.core.times import utc_s
from sentinel.service.status.several import (
    CameraNews,
    need_of,
    need_words,
    summary_words,
    told_lines,
    who_first,
    writer_of,
)

LIMIT_S = 180
"""A page so old is no longer to be relied on: it asks anew every half minute, where it can."""


def cameras_html(
    cameras: Sequence[CameraNews], now_utc: datetime, link: Callable[[str], str] = lambda _: ""
) -> str:
    """Return the page.

    `cameras`: what was heard of each. Names and words of others may hold anything; they stay text.
    `now_utc`: when they were asked.
    `link`: returns, of where a camera was asked for, the address of its own page; empty: it has none.
    """
    ordered = who_first(cameras, now_utc)
    names = [news.name for news in ordered]
    return page(
        __package__,
        "cameras.html.jinja",
        title="Cameras",
        asked=writer_of(ordered).dated(now_utc),
        asked_ms=_ms(now_utc),
        limit_s=LIMIT_S,
        summary=summary_words(ordered, now_utc),
        cameras=[_shown(news, now_utc, link, named=names.count(news.name) == 1) for news in ordered],
    )


def _shown(news: CameraNews, now_utc: datetime, link: Callable[[str], str], *, named: bool) -> dict[str, Any]:
    """Return one camera as the template shows it; `named`: no other has its name."""
    s = news.standing
    return {
        "name": news.name,
        "where": "" if named else shown_name(news.where),
        "link": link(news.where),
        "need": need_of(news, now_utc).name.lower(),
        "needs": need_words(news, now_utc),
        "lack": news.lack(now_utc),
        "lines": told_lines(news, now_utc),
        "written_ms": None if s is None else _ms(s.written_utc),
        "written": "" if s is None else s.times.dated(s.written_utc),
        "limit_s": 0 if s is None else round(s.late_s),
        "frame_ms": None if s is None or s.frame_utc is None else _ms(s.frame_utc),
        "frame": "" if s is None else s.times.dated(s.frame_utc),
    }


def _ms(time_utc: datetime) -> int:
    return round(1000 * utc_s(time_utc))
