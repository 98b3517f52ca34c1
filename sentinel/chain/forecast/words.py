"""What a forecast stands on, in one plain sentence."""

from collections.abc import Set

from sentinel.core.times import from_utc_s
from sentinel.core.words import minute

LOW_SUN_H = 12
"""A low sun so far ahead is named."""
_DOUBTS = {
    "too-little-arc": "too little arc yet: what mounts usually do counts for much, so the interval is wide",
    "roll-open": "the camera's roll is still open: far-off times may change",
    "low-sun": f"low sun within {LOW_SUN_H} h: refraction is then uncertain by arcminutes, and times that "
    "fall there allow for it",
    "all-clipped": "no whole disc seen yet",
    "focal-length": "the disc's size contradicts the configured focal length: the disc is believed",
    "rate": "the drive does not run at the configured rate",
    "contradicted": "the sun contradicts the settings' place or the camera's clock: the axis is hardly known",
    "widened": "the disc has lately not gone where it was foreseen to, and the interval is wider for it",
    "drift-changed": "the disc's drift has changed: of the track from before only the axis counts",
}


def basis_of(
    flags: Set[str], *, arc_h: float, stretches: int, rate: str, since_s: float | None, seen_s: float
) -> str:
    """Return the sentence; `since_s` is when the disc left its track."""
    seen = _said(seen_s)
    if since_s is not None:
        begin = _said(since_s)
        first = f"straight line: since {begin} the disc moves as the mount model cannot explain"
        if "stopped" in flags:
            first = f"mount taken as stopped since {begin}: the disc moves with the sky"
        return f"{first}; last seen {seen}"
    arc = f"{arc_h * 60:.0f} min" if arc_h < 2 else f"{arc_h:.0f} h"
    parts = [f"mount model ({rate} rate) on {arc} of track"]
    if stretches > 1:
        parts[0] += f" in {stretches} stretches"
    parts += [text for flag, text in _DOUBTS.items() if flag in flags]
    if "unseen" in flags:
        parts.append(f"not seen since {seen}")
    return "; ".join(parts)


def _said(time_s: float) -> str:
    return f"{minute(from_utc_s(round(time_s)))} UTC"
