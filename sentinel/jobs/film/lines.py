"""What a film came to, in words and as JSON."""

from dataclasses import asdict
from datetime import timedelta
from typing import Any

from sentinel.core.words import capital, count, many, minute, span
from sentinel.jobs.film.making import FilmSummary
from sentinel.jobs.film.stamp import up_words
from sentinel.jobs.film.strip import StripSummary
from sentinel.service.journal.codec import plain


def film_lines(summary: FilmSummary) -> list[str]:
    """Return the summary for a terminal: every frame of the session is counted once."""
    s = summary
    counted = (
        (s.unseen, "without a disc, on cards"),
        (s.unreadable, "unreadable, on cards"),
        (s.failed, "not to be read now, which the film says"),
        (s.untold, "left out, so that nothing tells the place"),
        (s.strays, "left out, dated far from all others"),
    )
    rest = "".join(f", {count(number)} {words}" for number, words in counted if number)
    length = span(timedelta(seconds=s.pictures / s.fps))
    scale = f"{s.size_px} x {s.size_px} px, each of them {s.frame_px:.2f} px of the frame"
    return [
        f"Session   {minute(s.start_utc)} to {minute(s.end_utc)} UTC, {many(s.frames, 'frame')}",
        f"Shown     {count(s.shown)}{rest}; {many(s.cards, 'card')} for what was not seen",
        f"Up        {capital(s.up_why or _up_words(s))}",
        f"Size      {scale}; {many(s.pictures, 'picture')}, {length} at {s.fps:g} a second",
        *([] if s.dust is None else [f"Dust      {_dust_words(s.dust)}"]),
        f"File      {s.out}",
    ]


def _dust_words(number: int) -> str:
    """Return what was marked."""
    if not number:
        return "none was told from spots: it takes a disc that moves over the sensor under a clear sky"
    return f"{many(number, 'mark')} on the sensor named, none removed; the report's table has them too"


def _up_words(s: FilmSummary) -> str:
    """Return which way is up, how well that is known, and by what."""
    said = up_words(s.up, s.up_sigma_deg)
    if s.up == "camera":
        return said
    by = f"the track and {many(s.up_spots, 'spot')}" if s.up_spots else "the track"
    return f"{said} at the worst, by {by}; from first to last turned alike ± {s.up_change_sigma_deg:.2f}°"


def strip_lines(summary: StripSummary) -> list[str]:
    """Return what a strip shows, for a terminal."""
    s = summary
    hours, suns = many(s.hours, "full hour"), many(s.suns, "sun")
    return [
        f"Hours     {hours} with the sun up, {suns} drawn, {s.enlarged:.0f} times too large",
        f"Up        {capital(s.up_why or up_words(s.up, s.up_sigma_deg))}",
        f"File      {s.out}, {s.width_px} x {s.height_px} px",
    ]


def json_values(summary: FilmSummary | StripSummary) -> dict[str, Any]:
    """Return either as JSON values under names with units."""
    told: dict[str, Any] = plain({**asdict(summary), "out": str(summary.out)})
    return told
