"""What an incident is told by, in numbers: each condition has a record of its own (`chain/judge/details`)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """The evidence of an incident; what is at its default is not known, or not so, and is not kept."""

    lasted_s: float | None = None
    """For how long it was so, once that is over."""
    others: Mapping[str, Any] = field(default_factory=dict)
    """What another version of the program kept, under names that this one does not know."""

    @property
    def which(self) -> str:
        """What tells apart incidents of one condition, like the supply that runs out; empty: nothing."""
        return ""

    @property
    def happens_utc(self) -> datetime | None:
        """When that which it foresees happens; None: it foresees nothing."""
        return None


NO_DETAIL = Detail()
