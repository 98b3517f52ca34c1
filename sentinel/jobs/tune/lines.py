"""A tuning in words and numbers: for a terminal, and as JSON."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from textwrap import wrap
from typing import Any

from sentinel.core.words import many
from sentinel.jobs.tune.choose import Advice, Recommendation
from sentinel.jobs.tune.grid import Value, about
from sentinel.jobs.tune.run import Tuning
from sentinel.jobs.tune.scoring import Score
from sentinel.jobs.tune.trial import PreparedSession

WIDTH = 80

_BY_MARKS = """
Judged without a file of true events (--truth): a wake-up counts as deserved if a mark of something done at
the camera follows it, or the disc is put in a better place, before or soon after it is over; as needless if
it was over without; as undecided if the session ends before, or if it is of a kind that does not mend itself
(the mount, the filter). What is deserved or undecided must be found again by whatever is chosen. The marks
stay as they were: nobody knows what would have been done under other settings.
"""
_BY_FILE = """
Judged by a file of true events: a wake-up is deserved if it is about one of them or comes during one; of
what can be foreseen (edge, axis, supplies) also if something was done at the camera after it.
"""


_READ = """
`needless` wake-ups and `soon` messages are those of a day. Medians in minutes: `lead` from the first
message to what was foreseen, `delay` from a fault's onset to the first message; `(now)` the same of the
first that wakes.
"""


def sessions_line(result: Tuning) -> str:
    """Return how much the advice stands on."""
    frames = sum(one.frames for one in result.sessions)
    return (
        f"{many(len(result.sessions), 'session')}, {result.days:.1f} days, {many(frames, 'frame')}, "
        f"{many(result.settings_tried, 'setting')} tried"
    )


def tuning_lines(result: Tuning, overlay: Path, configs: Sequence[Path]) -> list[str]:
    """Return what came of a tuning, in lines of at most 80 columns."""
    lines = [f"{sessions_line(result)}.", "", *_session_table(result), ""]
    for written, text in ((False, _BY_MARKS), (True, _BY_FILE)):
        if any(one.criteria.written is written for one in result.sessions):
            lines += wrap(text.strip(), WIDTH)
    for doubt in doubts(result):
        lines += wrap(doubt, WIDTH)
    table = list(_threshold_table(result))
    if table:
        lines += ["", *wrap(_READ.strip(), WIDTH), "", *table]
    lines += ["", *_remarks(result)]
    changes = result.combined.changes
    if not changes:
        lines.append("Nothing is to be changed: no value tried does better in these sessions.")
        return lines
    for name in changes:
        lines += wrap(f"{name}: {' '.join(reasons(result, name))}", WIDTH, subsequent_indent="  ")
    compared = _compared(result, result.base, result.combined.scores)
    lines += wrap(f"All together: {compared}.", WIDTH, subsequent_indent="  ")
    base = "".join(f"--config {path} " for path in configs) or "--config SETTINGS "
    lines.append(f"Use       {base}--config {overlay}")
    return lines


def doubts(result: Tuning) -> list[str]:
    """Return what to keep in mind before the advice is taken, a sentence or two each."""
    said = []
    if len(result.sessions) == 1:
        said.append("One session: what is chosen by it could not be tried on another.")
    unmarked = [one.name for one in result.sessions if not (one.criteria.written or one.criteria.acts_s)]
    if unmarked:
        said.append(
            f"Nothing done at the camera is noted in {', '.join(unmarked)}: if you were there without a "
            "mark, what is called needless may have been deserved. Say what happened with --truth."
        )
    return said


def reasons(result: Tuning, name: str) -> list[str]:
    """Return why a threshold is changed, a sentence each."""
    one = next(advice for advice in result.advice if advice.name == name)
    assert one.value is not None  # noqa: S101 - it is changed
    base = result.base
    scores = result.tried[name][one.value]
    said = [f"was {one.now:g}, now {one.value:g}: {_compared(result, base, scores)}."]
    helped = sum(s.needless < b.needless for s, b in zip(scores, base, strict=True))
    if one.spared:
        conditions = sorted({c for b in base for c in b.needless_for})
        where = f" in {helped} of {len(base)} sessions" if len(base) > 1 else ""
        wakes = many(one.spared, "needless wake-up")
        said.append(f"Spares {wakes}{where} (needless were: {', '.join(conditions)}).")
    elif one.sooner:
        said.append(f"{one.sooner} true events are told sooner, at no other cost.")
    if one.why:
        said.append(f"{one.why}.")
    mine = {part.strip() for part in about(name).split(",")}
    if not any(h.condition in mine for session in result.sessions for h in session.criteria.true_events):
        said.append(f"No true {about(name)} in these sessions: how much later one is told is not shown.")
    return said


_COLUMNS = ("wake-ups", "needless", " soon", " found", "woken", " lead", "(now)", "delay", "(now)")
"""Of the table of thresholds."""
_PAIRS = ("wake-ups", "needless/day", "soon/day", "found", "woken for", "lead", "lead of now", "delay",
          "delay of now")  # fmt: skip
"""The same in a sentence."""
_ALWAYS = ("needless/day", "found")


def _compared(result: Tuning, before: Sequence[Score], after: Sequence[Score]) -> str:
    pairs = zip(_PAIRS, _numbers(result, before), _numbers(result, after), strict=True)
    return ", ".join(
        f"{name} {old}" if old == new else f"{name} {old} -> {new}"
        for name, old, new in pairs
        if old != new or (name in _ALWAYS and old != "-")
    )


def _numbers(result: Tuning, scores: Sequence[Score]) -> tuple[str, ...]:
    f = result.figures(scores)
    return (
        str(f.wake_ups),
        f"{f.needless_per_day:.2f}",
        f"{f.soon_per_day:.2f}",
        f"{f.found}/{f.true_events}" if f.true_events else "-",
        str(f.woken_for) if f.true_events else "-",
        *("-" if m is None else f"{m:.0f}" for m in f[-4:]),
    )


def _row(form: str, *cells: object) -> str:
    return form.format(*cells).rstrip()


def _session_table(result: Tuning) -> Iterator[str]:
    form = "{:14} {:>5} {:>8} {:>8} {:>8} {:>9} {:>4} {:>6}  {}"
    yield _row(
        form,
        "session",
        "days",
        "wake-ups",
        "deserved",
        "needless",
        "undecided",
        "soon",
        "events",
        "judged by",
    )
    for one in result.sessions:
        score = one.base
        judged_by = "file" if one.criteria.written else many(len(one.criteria.acts_s), "act")
        yield _row(
            form, one.name[-14:], f"{one.days:.1f}", score.wakes, score.deserved, score.needless,
            score.undecided, score.soon, len(score.responses), judged_by,
        )  # fmt: skip


def _threshold_table(result: Tuning) -> Iterator[str]:
    """Yield a row for each value of each threshold that makes a difference."""
    form = "{:>10}  " + " ".join(f"{{:>{len(name)}}}" for name in _COLUMNS) + "  {}"
    telling = [one for one in result.advice if one.choice is not Recommendation.SILENT]
    if telling:
        yield _row(form, "value", *_COLUMNS, "")
    for one in telling:
        rows: dict[Value, Sequence[Score]] = {one.now: result.base, **result.tried[one.name]}
        chosen = result.combined.changes.get(one.name)
        yield one.name
        for value in sorted(rows):
            note = "now" if value == one.now else "use" if value == chosen else ""
            yield _row(form, f"{value:g}", *_numbers(result, rows[value]), note)


def _remarks(result: Tuning) -> Iterator[str]:
    """Yield what was not chosen, and why; nothing where there is nothing of a kind."""
    whys: dict[str, list[str]] = {}
    for one in result.advice:
        why = kept_because(result, one)
        if why:
            whys.setdefault(why, []).append(one.name)
    silent = [one.name for one in result.advice if one.choice is Recommendation.SILENT]
    said = [f"Not changed, because {why}: {', '.join(names)}." for why, names in whys.items()]
    if silent:
        said.append(f"These sessions tell nothing about {', '.join(silent)}.")
    if result.untried:
        said.append(f"Not tried, for --trials: {', '.join(result.untried)}.")
    for text in said:
        yield from wrap(text, WIDTH, subsequent_indent="  ")


def kept_because(result: Tuning, one: Advice) -> str:
    """Return why a threshold that makes a difference is not changed; empty where it is, or tells nothing."""
    if one.choice is Recommendation.KEEP:
        return one.why
    return result.combined.dropped.get(one.name, "")


def tuning_json(result: Tuning, overlay: Path) -> dict[str, Any]:
    """Return all that came of a tuning as JSON values."""
    return {
        "sessions": [_session_json(one) for one in result.sessions],
        "overlay": str(overlay),
        "changes": result.combined.changes,
        "before": result.figures(result.base).rounded(),
        "after": result.figures(result.combined.scores).rounded(),
        "thresholds": [_advice_json(result, one) for one in result.advice],
        "not_tried": list(result.untried),
    }


def _session_json(one: PreparedSession) -> dict[str, Any]:
    score = one.base
    return {
        "session": one.name,
        "days": round(one.days, 4),
        "frames": one.frames,
        "judged_by": "file" if one.criteria.written else "marks",
        "acts": len(one.criteria.acts_s),
        "deserved": score.deserved,
        "needless": score.needless,
        "needless_for": list(score.needless_for),
        "undecided": score.undecided,
    }


def _advice_json(result: Tuning, one: Advice) -> dict[str, Any]:
    changes = result.combined.changes
    return {
        "threshold": one.name,
        "value": one.now,
        "use": changes.get(one.name),
        "tells_nothing": one.choice is Recommendation.SILENT,
        "why": " ".join(reasons(result, one.name)) if one.name in changes else kept_because(result, one),
        "tried": [
            {"value": value, **result.figures(result.tried[one.name][value]).rounded()}
            for value in sorted(result.tried[one.name])
        ],
    }
