"""The life of an incident: a table of (phase, signal), and nothing said twice.

1. A detector says of its condition, each time it can judge it: clean, some evidence, or confirmed.
2. Confirmed while a cause or a visit holds the condition back is its own signal, `held`: known, not said.
3. An open incident goes through `easing` before it clears; evidence on the way brings it back unsaid.
4. A pair that is not in the table is a mistake in the judge: it raises and changes nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from sentinel.core.detail import NO_DETAIL, Detail
from sentinel.core.records import Incident, IncidentState, Severity
from sentinel.core.times import from_utc_s


class Phase(StrEnum):
    """Where an incident stands."""

    QUIET = "quiet"
    SUSPECTED = "suspected"
    HELD = "held"
    """Confirmed and not said, because a cause or a visit explains it."""
    OPEN = "open"
    EASING = "easing"
    """Open, and clean for a while already."""


class Signal(StrEnum):
    """What a detector's reading means for the incident."""

    EVIDENCE = "evidence"
    CONFIRMED = "confirmed"
    HELD = "held"
    CLEAN = "clean"
    SETTLED = "settled"
    """Clean for as long as the condition asks before it is called over."""


_Q, _S, _H, _O, _E = Phase.QUIET, Phase.SUSPECTED, Phase.HELD, Phase.OPEN, Phase.EASING

TABLE: Mapping[tuple[Phase, Signal], Phase] = MappingProxyType(
    {
        (_Q, Signal.EVIDENCE): _S, (_Q, Signal.CONFIRMED): _O, (_Q, Signal.HELD): _H, (_Q, Signal.CLEAN): _Q,
        (_S, Signal.EVIDENCE): _S, (_S, Signal.CONFIRMED): _O, (_S, Signal.HELD): _H, (_S, Signal.CLEAN): _Q,
        (_H, Signal.EVIDENCE): _H, (_H, Signal.CONFIRMED): _O, (_H, Signal.HELD): _H, (_H, Signal.CLEAN): _Q,
        (_O, Signal.EVIDENCE): _O, (_O, Signal.CONFIRMED): _O, (_O, Signal.HELD): _O, (_O, Signal.CLEAN): _E,
        (_E, Signal.EVIDENCE): _O, (_E, Signal.CONFIRMED): _O, (_E, Signal.HELD): _O, (_E, Signal.CLEAN): _E,
        (_E, Signal.SETTLED): _Q,
    }
)  # fmt: skip


def advance(phase: Phase, signal: Signal) -> Phase:
    """Return the next phase; a pair that is not in the table raises `ValueError`."""
    try:
        return TABLE[phase, signal]
    except KeyError:
        raise ValueError(f"an incident that is {phase} cannot take {signal}") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What a detector found amiss with one condition at one moment."""

    severity: Severity | None
    """None: evidence, not enough of it yet."""
    onset_s: float
    detail: Detail = NO_DETAIL
    frame: str | None = None
    story: str = ""
    """What makes it a different story worth telling again, like the kind of a runaway."""
    urgent: bool = False
    """Said even during a visit: the filter, and nothing else."""


Readings = dict[str, Finding | None]
"""By condition: what was found, or None where it was judged and is clean. Absent: not judged just now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One condition's incident as it stands."""

    condition: str
    phase: Phase = Phase.QUIET
    severity: Severity | None = None
    """As last said."""
    onset_s: float = 0.0
    story: str = ""
    detail: Detail = NO_DETAIL
    frame: str | None = None
    clean_since_s: float | None = None

    @property
    def open(self) -> bool:
        """Whether it was said and not taken back."""
        return self.phase is Phase.OPEN or self.phase is Phase.EASING

    @property
    def quiet(self) -> bool:
        """Whether there is nothing to remember of it."""
        return self.phase is Phase.QUIET


def _say(case: Case, state: IncidentState, now_utc: datetime) -> Incident:
    assert case.severity is not None  # noqa: S101 - only open cases speak
    return Incident(
        time_utc=now_utc,
        # Supplies each have their own life and share their name.
        condition=case.condition.partition(":")[0],
        state=state,
        severity=case.severity,
        onset_utc=from_utc_s(case.onset_s),
        frame=case.frame,
        detail=case.detail,
    )


def judged(
    case: Case, finding: Finding | None, *, held: bool, settle_s: float, now_s: float, now_utc: datetime
) -> tuple[Case, Incident | None]:
    """Return the case after one reading, and what is to be said of it.

    `held`: a cause or a visit explains the condition: a new one is not said.
    `settle_s`: how long it must stay clean before it is called over.
    """
    if finding is None:
        return _clean(case, settle_s=settle_s, now_s=now_s, now_utc=now_utc)
    if finding.severity is None:
        phase = advance(case.phase, Signal.EVIDENCE)
        if phase is case.phase:
            return case, None
        onset_s = finding.onset_s if phase is Phase.SUSPECTED else case.onset_s
        return replace(case, phase=phase, onset_s=onset_s, clean_since_s=None), None
    phase = advance(case.phase, Signal.HELD if held else Signal.CONFIRMED)
    if phase is Phase.HELD:
        return replace(case, phase=phase, onset_s=finding.onset_s), None
    if not case.open:
        opened = _told(replace(case, onset_s=finding.onset_s), finding, finding.severity, phase)
        return opened, _say(opened, "opened", now_utc)
    worse = case.severity is None or finding.severity.rank < case.severity.rank
    if held or not (worse or finding.story != case.story):
        return replace(case, phase=phase, detail=finding.detail, clean_since_s=None), None
    # The same story never gets milder before it is over; another one has a gravity and an onset of its own.
    own = case if finding.story == case.story else replace(case, onset_s=finding.onset_s)
    changed = _told(own, finding, finding.severity, phase)
    return changed, _say(changed, "changed", now_utc)


def _told(case: Case, finding: Finding, severity: Severity, phase: Phase) -> Case:
    return replace(
        case,
        phase=phase,
        severity=severity,
        story=finding.story,
        detail=finding.detail,
        frame=finding.frame or case.frame,
        clean_since_s=None,
    )


def _clean(case: Case, *, settle_s: float, now_s: float, now_utc: datetime) -> tuple[Case, Incident | None]:
    phase = advance(case.phase, Signal.CLEAN)
    if phase is not Phase.EASING:
        return Case(condition=case.condition, phase=phase), None
    since_s = now_s if case.clean_since_s is None else min(case.clean_since_s, now_s)
    if now_s - since_s < settle_s:
        return replace(case, phase=phase, clean_since_s=since_s), None
    over = Case(condition=case.condition, phase=advance(phase, Signal.SETTLED))
    detail = replace(case.detail, lasted_s=round(now_s - case.onset_s, 1))
    return over, _say(replace(case, detail=detail), "cleared", now_utc)
