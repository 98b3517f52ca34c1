"""What belongs together goes out as one message; a `now` that is new never shares one. Pure."""

from collections.abc import Sequence
from dataclasses import replace

from sentinel.core.records import Alert, Severity
from sentinel.core.words import SMS_LENGTH

GRAVEST = (
    "over-bright", "runaway", "visit", "lost-disc", "no-frames", "drift-exit", "axis-limit", "soft-focus",
)  # fmt: skip
"""What a message that tells of several things begins with; the rest in the order found."""


def grouped(alerts: Sequence[Alert]) -> tuple[Alert, ...]:
    """Return one moment's messages, those of one kind and gravity joined, in order of the first."""
    groups: dict[object, list[Alert]] = {}
    for number, alert in enumerate(alerts):
        alone = alert.kind == "digest" or (alert.kind == "first" and alert.severity is Severity.NOW)
        key: object = number if alone else (alert.kind, alert.severity, alert.answers)
        groups.setdefault(key, []).append(alert)
    return tuple(_joined(group) for group in groups.values())


def _joined(group: list[Alert]) -> Alert:
    if len(group) == 1:
        return group[0]
    first, *rest = sorted(group, key=lambda alert: weight(alert.condition))
    return replace(
        first,
        title=f"{first.title}, and {len(rest)} more",
        body="\n".join([first.body, *(f"Also: {other.title}. {other.body}" for other in rest)]),
        short=_short(first, rest),
        repeat=max(alert.repeat for alert in group),
        also=tuple((other.condition, other.which) for other in rest),
    )


def weight(condition: str) -> int:
    """Return where a condition stands among others of its severity, the gravest first."""
    return GRAVEST.index(condition) if condition in GRAVEST else len(GRAVEST)


def _short(first: Alert, rest: list[Alert]) -> str:
    text = first.short
    for number, other in enumerate(rest):
        more = f"{text} Also: {other.short}"
        if len(more) > SMS_LENGTH:
            left = f"{text} And {len(rest) - number} more."
            return left if len(left) <= SMS_LENGTH else text
        text = more
    return text
