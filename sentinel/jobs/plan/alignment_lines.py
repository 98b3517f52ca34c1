"""How good the mount must be, as a small table for a photographer."""

from collections.abc import Iterator
from datetime import timedelta
from itertools import zip_longest
from textwrap import wrap

from sentinel.core.settings import Settings
from sentinel.core.words import span
from sentinel.jobs.plan.records import AlignmentNeeds, Plan, Stays, Tolerance
from sentinel.sky import rate_arcsec_s

WIDTH = 80
"""Columns of a terminal."""
INDENT = 11
NO_BOLT = 0.05
"""Where azimuth moves the axis by less than this share of its own angle it is not worth a word."""


def item(name: str, text: str) -> list[str]:
    """Return a name and its text, as lines of at most `WIDTH` columns; none where there is no text."""
    return wrap(text, WIDTH, initial_indent=f"{name:<{INDENT}}", subsequent_indent=" " * INDENT)


def hours_text(hours: float) -> str:
    """Return a duration as people say it; days where hours would have to be divided in the head."""
    return f"{hours / 24:.3g} days" if hours > 240 else span(timedelta(hours=hours))


def alignment_lines(plan: Plan, settings: Settings) -> Iterator[str]:
    """Yield the lines on what the mount must do; none where nothing can be said."""
    if plan.tripod is not None:
        least, usual = (
            f"{minutes:.1f} min" if minutes < 60 else hours_text(minutes / 60)
            for minutes in (plan.tripod.least_min, plan.tripod.usual_min)
        )
        yield from item(
            "Recentre",
            f"Nothing follows the sun: from the middle of a level frame it reaches the edge after {least} at "
            f"the least, usually {usual}. Recentre that often, or half as often where it is put at the side "
            "from which it comes.",
        )
    alignment = plan.alignment
    if alignment is None:
        return
    yield from item(
        "Alignment",
        "How far axis and drive may be off for a disc put in the middle to stay, whichever way the axis is "
        "off, from the worst and the usual time of day; camera level with the equator. Worm, wind and "
        "bending come on top.",
    )
    left = [
        f"{'to stay':<12}{'axis within':<12}{'usually':<12}drive",
        *(_tolerance(row, alignment) for row in alignment.tolerances),
    ]
    right = [f"{'axis off':<9}{'stays':<12}usually", *map(_stays, alignment.stays)]
    for one, other in zip_longest(left, right, fillvalue=""):
        yield f"  {one:<45}{other}".rstrip()
    yield from item("", _notes(alignment, settings))


def _tolerance(row: Tolerance, alignment: AlignmentNeeds) -> str:
    most_deg, most = alignment.largest_tried_deg, alignment.largest_tried_fraction
    worst, usual = (_degrees(value, most_deg) for value in (row.axis_worst_deg, row.axis_usual_deg))
    return f"{hours_text(row.stays_h):<12}{worst:<12}{usual:<12}{_percent(row.rate_worst_fraction, most)}"


def _degrees(value: float | None, most: float) -> str:
    if value is None:
        return "none"
    if value > 0.99 * most:
        return f"over {most:.0f} deg"
    return f"{value:.2f} deg" if value >= 0.1 else f"{value:.3f} deg"


def _percent(value: float | None, most: float) -> str:
    if value is None:
        return "none"
    return f"over {most:.0%}" if value > 0.99 * most else f"{100 * value:.2g} %"


def _stays(row: Stays) -> str:
    worst, usual = (
        "over 48 h" if hours is None else hours_text(hours) for hours in (row.worst_h, row.usual_h)
    )
    return f"{f'{row.axis_error_deg:g} deg':<9}{worst:<12}{usual}"


def _notes(alignment: AlignmentNeeds, settings: Settings) -> str:
    notes = []
    drive = rate_arcsec_s(settings.mount.tracking) / rate_arcsec_s("solar") - 1
    if drive:
        kept = alignment.aligned_worst_h
        holds = "longer than 48 h" if kept is None else f"{hours_text(kept)} at worst"
        notes.append(
            f"The drive is on the {settings.mount.tracking} rate, {100 * abs(drive):.2g} % off the sun's; "
            f"even a perfect axis keeps the disc only {holds}. Set it to solar if it can."
        )
    else:
        notes.append("A drive left on the star rate is 0.27 % fast: it loses the sun by a degree a day.")
    if any(row.axis_worst_deg is None for row in alignment.tolerances):
        notes.append(
            "none: not even a perfect mount keeps it so long, for the sun itself moves; recentre before."
        )
    if NO_BOLT < alignment.azimuth_ratio < 0.95:
        ratio = 1 / alignment.azimuth_ratio
        notes.append(
            f"In azimuth the mount may be turned {ratio:.1f} times the angle for the axis to move by it."
        )
    return " ".join(notes)
