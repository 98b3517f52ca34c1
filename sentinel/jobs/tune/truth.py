"""What truly happened in a session, as somebody wrote it down: the file given with `--truth`.

JSON lines (`.jsonl`), an object a line, or YAML with a list `events`; each event has `onset_utc`,
`condition`, and perhaps `until_utc` and `kind`. A scenario of `sentinel simulate` does as well.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError, field_validator

from sentinel.chain.judge.conditions import NAMES
from sentinel.core.complaints import one_line
from sentinel.core.errors import RequestProblem
from sentinel.core.files import numbered_lines
from sentinel.core.plain_yaml import read_yaml
from sentinel.core.settings import Section
from sentinel.core.times import utc_s
from sentinel.jobs.simulate.events import AnyEvent, UtcTime
from sentinel.jobs.simulate.scenario import Scenario, scenario_from
from sentinel.jobs.tune.scoring import TrueEvent

EXAMPLE = '{"onset_utc": "2026-06-21T03:01:00Z", "condition": "runaway"}'

# What the events of an invented scenario are called by the judge; what is not listed is nobody's alarm.
_OF_SCENARIO: Mapping[str, str] = {
    "stop": "runaway",
    "reverse": "runaway",
    "snag": "runaway",
    "knock": "moved",
    "focus": "soft-focus",
    "frost": "dimmed",
    "filter-lost": "over-bright",
    "cap": "lost-disc",
    "missing": "no-frames",
}
_MENDED_BY: Mapping[str, frozenset[str]] = {
    "focus": frozenset({"focus"}),
    **dict.fromkeys(("stop", "reverse", "snag", "rate"), frozenset({"resume", "rate"})),
}


class Noted(Section):
    """One true event, as it stands in the file."""

    onset_utc: UtcTime
    """When it began; of what can be foreseen: when the limb met the edge, or the axis its limit."""
    condition: str
    until_utc: UtcTime | None = None
    """When it was over."""
    kind: str = ""
    """Of a supply, which one; else for people."""

    @field_validator("condition")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in NAMES:
            raise ValueError(f"{name!r} is no condition; known are {', '.join(NAMES)}")
        return name


def read_truth(path: Path) -> tuple[TrueEvent, ...]:
    """Read true events, in order of their onset.

    Raises `RequestProblem`, naming the first line or event that is wrong.
    """
    content = {"events": _lines(path)} if path.suffix == ".jsonl" else read_yaml(path)
    if "start_utc" in content and "site" in content:
        return _of_scenario(scenario_from(content, where=str(path)))
    unknown = sorted(str(key) for key in content if key != "events")
    events = content.get("events")
    if unknown or not isinstance(events, list):
        what = f"{unknown[0]} is not known here" if unknown else "holds no list `events`"
        raise RequestProblem(what, where=str(path), mend=f"write true events: {EXAMPLE}")
    found = [_happening(event, path, number) for number, event in enumerate(events, 1)]
    return tuple(sorted(found, key=lambda one: (one.onset_s, one.condition)))


def _lines(path: Path) -> list[Any]:
    found = []
    for number, line in numbered_lines(path):
        try:
            found.append(json.loads(line))
        except (ValueError, RecursionError):
            raise RequestProblem(
                "is not JSON", where=f"{path} line {number}", mend=f"write {EXAMPLE}"
            ) from None
    return found


def _happening(event: Any, path: Path, number: int) -> TrueEvent:
    where = f"{path} event {number}"
    try:
        noted = Noted.model_validate(event)
    except ValidationError as error:
        key, complaint = one_line(error)
        raise RequestProblem(f"{key} {complaint}".strip(), where=where, mend=f"write {EXAMPLE}") from None
    until_s = None if noted.until_utc is None else utc_s(noted.until_utc)
    if until_s is not None and until_s < utc_s(noted.onset_utc):
        raise RequestProblem("ends before it begins", where=where, mend="check until_utc")
    which = noted.kind if noted.condition == "supply" else ""
    return TrueEvent(
        condition=noted.condition, which=which, onset_s=utc_s(noted.onset_utc), until_s=until_s, written=True
    )


def _of_scenario(scenario: Scenario) -> tuple[TrueEvent, ...]:
    """Return what an invented session's scenario says, each fault until it is mended."""
    found = []
    sigma_px = 0.0
    for event in sorted(scenario.events, key=lambda event: scenario.seconds(event.at)):
        condition = _OF_SCENARIO.get(event.kind)
        if event.kind == "rate" and event.tracking != scenario.mount.tracking:
            condition = "runaway"
        if event.kind == "focus":
            # Back to sharp is somebody's hand at the ring.
            condition = condition if event.sigma_px > sigma_px else None
            sigma_px = event.sigma_px
        if condition is not None:
            onset_s = scenario.seconds(event.at)
            until_s = None if condition == "moved" else _mended_s(scenario, event)
            found.append(TrueEvent(condition=condition, onset_s=onset_s, until_s=until_s, written=True))
    return tuple(found)


def _mended_s(scenario: Scenario, event: AnyEvent) -> float:
    """Return when an invented fault is over: by its own word, by what mends it, or at the end."""
    at_s = scenario.seconds(event.at)
    # A snag and a drift of focus say with `until` when they are at their worst.
    until = None if event.kind in {"snag", "focus"} else getattr(event, "until", None)
    if until is not None:
        return scenario.seconds(until)
    mends = _MENDED_BY.get(event.kind, frozenset())
    later = (scenario.seconds(other.at) for other in scenario.events if other.kind in mends)
    return min((time_s for time_s in later if time_s > at_s), default=scenario.end_s)


def within(true_events: tuple[TrueEvent, ...], start_s: float, end_s: float) -> tuple[TrueEvent, ...]:
    """Return those that concern a session which lasts from `start_s` to `end_s`."""
    return tuple(one for one in true_events if one.onset_s >= start_s - 60 and one.from_s <= end_s)
