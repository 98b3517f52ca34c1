"""Which thresholds are swept, and over which values."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from pydantic import ValidationError

from sentinel.chain.judge.conditions import decided_by
from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Thresholds

Value = float | int
Trial = tuple[str, Value]


@dataclass(frozen=True, slots=True)
class Swept:
    """One threshold and the steps tried, the nearest to the present value first."""

    name: str
    factors: tuple[float, ...]
    floor: float = 0.0
    """What the factors leave out: a ratio of 1.5 is half above a floor of 1."""


_EASIER = (1.4, 2.0, 0.7, 0.5)
_STRICTER = (0.7, 1.4, 0.5, 2.0)

SWEPT: tuple[Swept, ...] = (
    Swept("lost_now_min", (1.35, 2.0, 0.65, 3.0)),
    Swept("lost_soon_min", _EASIER),
    Swept("lead_now_min", _STRICTER),
    Swept("lead_soon_min", _STRICTER),
    Swept("drift_confirm_min", (2.0, 4.0, 0.5)),
    Swept("lead_clear_min", (2.0, 0.5)),
    Swept("runaway_jitter_ratio", (1.3, 1.6, 0.8, 0.6)),
    Swept("runaway_rate_fraction", _EASIER),
    Swept("runaway_match_fraction", (0.7, 1.4, 0.5)),
    Swept("runaway_angle_deg", (0.7, 1.4, 0.5)),
    Swept("runaway_creep_min", (1.5, 0.7, 2.0)),
    Swept("rate_wrong_fraction", (1.5, 0.7, 2.0)),
    Swept("rate_wrong_sigmas", (1.3, 0.8, 1.6)),
    Swept("no_frames_intervals", (1.35, 2.0, 0.75)),
    Swept("no_frames_min", (1.4, 2.0, 3.0, 0.7)),
    Swept("focus_now_min", _EASIER),
    Swept("focus_now_ratio", (1.25, 1.5, 0.8), floor=1.0),
    Swept("focus_soon_min", _EASIER),
    Swept("focus_soon_ratio", (1.3, 1.6, 0.8), floor=1.0),
    Swept("dimmed_fraction", (1.2, 1.4, 0.85)),
    Swept("dimmed_soon_min", _EASIER),
    Swept("covered_fraction", (1.5, 2.0, 0.7)),
    Swept("covered_soon_min", _EASIER),
    Swept("unverified_soon_min", (1.5, 0.7)),
    Swept("supply_now_h", (0.7, 0.5, 1.5)),
    Swept("supply_soon_h", (0.7, 0.5, 1.5)),
)
"""In the order of what they weigh.

All others are left alone: those of the filter alarm (`bright_*`) and all by which cloud is known (`cloud_*`,
`faint_*`, and the `clear` fractions), because cloud excuses glare; `sun_*`, on which the forecasts stand; and
what is a wish rather than a finding (`visit_*`).
"""

LEADS = frozenset({"lead_now_min", "lead_soon_min", "supply_now_h", "supply_soon_h"})
"""How early the operator wants to hear: longer is always earlier, so that alone is no reason."""

# The first may not grow beyond the second.
_ORDERED = (
    ("lead_now_min", "lead_soon_min"),
    ("lost_soon_min", "lost_now_min"),
    ("unverified_note_min", "unverified_soon_min"),
    ("covered_clear_fraction", "covered_fraction"),
    ("dimmed_clear_fraction", "dimmed_fraction"),
    ("focus_clear_ratio", "focus_soon_ratio"),
    ("focus_soon_ratio", "focus_now_ratio"),
    ("focus_soon_min", "focus_now_min"),
    ("supply_now_h", "supply_soon_h"),
)


def about(name: str) -> str:
    """Return which conditions a threshold decides."""
    return ", ".join(decided_by(name))


def asked_for(names: Sequence[str]) -> tuple[Swept, ...]:
    """Return the thresholds of these names, or all where none is named.

    Raises `RequestProblem` if a name is none, or one that is left alone.
    """
    known = {one.name: one for one in SWEPT}
    for name in names:
        if name not in known:
            what = (
                f"{name!r} is left alone by tuning"
                if name in Thresholds.model_fields
                else f"{name!r} is no threshold"
            )
            raise RequestProblem(what, where="--only", mend=f"name some of {', '.join(known)}")
    return tuple(one for one in SWEPT if not names or one.name in names)


def outermost(base: Thresholds, asked: Iterable[Swept]) -> tuple[Trial, ...]:
    """Return what is tried first: the lowest and the highest value of each threshold."""
    steps = ((one.name, values(base, one)) for one in asked)
    return tuple((name, value) for name, found in steps for value in sorted({*_ends(found)}))


def between(base: Thresholds, asked: Iterable[Swept]) -> tuple[Trial, ...]:
    """Return the values between those, the nearest to the present one of every threshold before any second.

    Where neither end makes a difference, nothing between them is taken to make one.
    """
    steps = [
        [(one.name, value) for value in found if value not in _ends(found)]
        for one, found in ((one, values(base, one)) for one in asked)
    ]
    return tuple(trial for layer in zip_longest(*steps) for trial in layer if trial is not None)


def _ends(found: Sequence[Value]) -> tuple[Value, ...]:
    return (min(found), max(found)) if found else ()


def values(base: Thresholds, swept: Swept) -> list[Value]:
    """Return the values to try, all within the setting's own bounds and in order with its neighbours."""
    now = getattr(base, swept.name)
    found: list[Value] = []
    for factor in swept.factors:
        value = float(f"{swept.floor + (now - swept.floor) * factor:.3g}")
        if value != now and value not in found and allowed(base, {swept.name: value}):
            found.append(value)
    return found


def allowed(base: Thresholds, changes: Mapping[str, Value]) -> bool:
    """Whether the settings bear the changes, and no pair of thresholds gets out of order by them."""
    try:
        new = changed(base, changes)
    except ValidationError:
        return False
    return all(
        getattr(new, low) <= getattr(new, high) or getattr(base, low) > getattr(base, high)
        for low, high in _ORDERED
    )


def changed(base: Thresholds, changes: Mapping[str, Value]) -> Thresholds:
    """Return the thresholds with some changed; checked like any others."""
    content: dict[str, Any] = {**base.model_dump(), **changes}
    return Thresholds.model_validate(content)
