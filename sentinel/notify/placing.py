"""Where the disc should end up, for somebody at the camera's screen: sun-widths and gaps, never pixels."""

from datetime import datetime

from sentinel.notify.left_alone import clock_time
from sentinel.records import Place

_FRACTIONS = {0: "", 1: "a quarter", 2: "half", 3: "three quarters"}


def placing(place: Place, now_utc: datetime) -> str:
    """Return one sentence: where in the picture the disc should be, how exactly, and how long it is good."""
    sides = [_side(place.right_widths, "right", "left"), _side(place.up_widths, "up", "down")]
    moved = " and ".join(side for side in sides if side)
    where = f"{moved} of the picture's middle" if moved else "in the middle of the picture"
    gap = f"gap to the {place.gap_edge} edge {place.gap_widths:.1f} sun-widths"
    good = (
        f"good until {clock_time(place.holds_until_utc, now_utc)}Z"
        if place.holds_until_utc
        else "good for 48 h"
    )
    within = f"within {widths(place.tolerance_widths)} is fine; " if place.tolerance_widths >= 0.125 else ""
    return f"the disc should end up {where} ({gap}); {within}{good}"


def _side(amount: float, positive: str, negative: str) -> str:
    return f"{widths(abs(amount))} {positive if amount > 0 else negative}" if abs(amount) >= 0.125 else ""


def widths(amount: float) -> str:
    """Return a length in sun-widths, to the quarter: `1 and a half sun-widths`."""
    quarters = round(amount * 4)
    whole, part = divmod(quarters, 4)
    if whole == 0:
        return f"{_FRACTIONS[part]} {'of a ' if part != 2 else 'a '}sun-width" if part else "no sun-width"
    text = f"{whole} and {_FRACTIONS[part]}" if part else f"{whole}"
    return f"{text} sun-width" + ("" if quarters == 4 else "s")
