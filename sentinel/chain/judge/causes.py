"""Which condition explains which, in what order they are judged, and how long each must be clean."""

from collections.abc import Mapping
from types import MappingProxyType

CAUSES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "runaway": ("over-bright",),
        "moved": ("runaway", "over-bright"),
        "drift-exit": ("runaway", "no-frames"),
        "visit": ("over-bright",),
        "lost-disc": ("over-bright", "runaway", "no-frames", "eclipse", "visit"),
        "unverified": ("over-bright", "runaway", "no-frames", "lost-disc", "drift-exit"),
        "covered-limb": ("over-bright", "runaway", "no-frames", "eclipse"),
        "soft-focus": ("over-bright", "runaway", "no-frames", "wrong-place"),
        "dimmed": ("over-bright", "runaway", "no-frames", "eclipse", "wrong-place"),
    }
)
"""By effect: what explains it while it is open, so that only the cause is said."""

# Judged in this order, causes before their effects.
ORDER = (
    "over-bright", "visit", "no-frames", "runaway", "eclipse", "wrong-place", "mixed-cameras", "clock",
    "settings:tracking", "settings:lens", "lens",
    "moved", "drift-exit", "axis-limit", "lost-disc", "unverified", "covered-limb", "soft-focus", "dimmed",
    "storage", "supply:camera-battery", "supply:mount-battery", "supply:card", "supply:timer",
    "before-sleep",
)  # fmt: skip
SETTLE_S: Mapping[str, float] = MappingProxyType(
    {
        "covered-limb": 600.0,
        "soft-focus": 600.0,
        "dimmed": 600.0,
        "drift-exit": 60.0,
        "over-bright": 60.0,
        "wrong-place": 600.0,
    }
)
"""How long each must be clean before it is over; 0 where its detector sees to that itself."""

ON_THE_LIST = MappingProxyType(
    {
        "drift-exit": "drift",
        "axis-limit": "axis-limit",
        "storage": "storage",
        "supply:camera-battery": "battery",
        "supply:mount-battery": "mount-battery",
        "supply:card": "card",
        "supply:timer": "timer",
    }
)
"""The job of the evening's list that says a condition beforehand."""
