"""Which thresholds are swept, and over which values."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import zip_longest
from typing import Any, NamedTuple, cast

from pydantic import ValidationError

from sentinel.chain.judge.conditions import decided_by
from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Thresholds

Value = float | int
Trial = tuple[str, Value]


class Swept(NamedTuple):
    """One threshold and the steps tried, the nearest to the present value first."""

    name: str
    factors: tuple[float, ...]
    floor: float
    """What the factors leave out: a ratio of 1.5 is half above a floor of 1."""
    at_most: str
    """The threshold beyond which it may not grow; empty: none."""


_ALL = tuple(
    Swept(name, **cast(dict[str, Any], field.json_schema_extra))
    for name, field in Thresholds.model_fields.items()
)
SWEPT = tuple(one for one in _ALL if one.factors)
"""What is swept; all others are left alone."""

LEADS = frozenset({"lead_now_min", "lead_soon_min", "supply_now_h", "supply_soon_h"})
"""How early the operator wants to hear: longer is always earlier, so that alone is no reason."""


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
        for low, *_, high in _ALL
        if high
    )


def changed(base: Thresholds, changes: Mapping[str, Value]) -> Thresholds:
    """Return the thresholds with some changed; checked like any others."""
    content: dict[str, Any] = {**base.model_dump(), **changes}
    return Thresholds.model_validate(content)
