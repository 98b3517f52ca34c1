"""What a film came to, in words and as JSON."""

from datetime import timedelta
from typing import Any

from sentinel.core.times import format_utc
from sentinel.core.words import capital, many, minute, span
from sentinel.jobs.film.making import FilmSummary
from sentinel.jobs.film.stamp import up_words


def film_lines(summary: FilmSummary) -> list[str]:
    """Return the summary for a terminal: every frame of the session is counted once."""
    s = summary
    left = [
        f"{many(s.unseen, 'without a disc', 'without a disc')} on cards" if s.unseen else "",
        f"{many(s.unreadable, 'unreadable', 'unreadable')} on cards" if s.unreadable else "",
        f"{many(s.failed, 'not to be read now', 'not to be read now')}, which the film says" if s.failed else "",
        f"{many(s.strays, 'left out, its date far from all others', 'left out, their dates far from all others')}"
        if s.strays
        else "",
    ]
    rest = "".join(f", {words}" for words in left if words)
    length = span(timedelta(seconds=s.pictures / s.fps))
    scale = f"{s.size_px} x {s.size_px} px, one for {s.frame_px:.2f} of the frame"
    lines = [
        f"Session   {minute(s.begin_utc)} to {minute(s.end_utc)} UTC, {many(s.frames, 'frame')}",
        f"Shown     {many(s.shown, 'frame')}{rest}; {many(s.cards, 'card')} for what was not seen",
        f"Up        {capital(s.up_why or up_words(s.up, s.up_sigma_deg))}",
        f"Size      {scale}; {many(s.pictures, 'picture')}, {length} at {s.fps:g} a second",
        f"File      {s.out}",
    ]
    return lines


def film_json(summary: FilmSummary) -> dict[str, Any]:
    """Return the summary as JSON values under names with units."""
    s = summary
    return {
        "out": str(s.out),
        "start_utc": format_utc(s.begin_utc),
        "end_utc": format_utc(s.end_utc),
        **{
            name: getattr(s, name)
            for name in (
                "frames", "shown", "cards", "unseen", "unreadable", "failed", "strays", "pictures", "fps",
                "size_px", "frame_px", "up", "up_sigma_deg", "up_why",
            )
        },
    }  # fmt: skip
