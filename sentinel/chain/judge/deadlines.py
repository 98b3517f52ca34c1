"""What can be foreseen: `drift-exit`, `axis-limit`, `supply`, `storage`, and a drive at the wrong rate."""

from dataclasses import replace
from typing import NamedTuple

from sentinel.chain.forecast.visits import DiskSpace, after_look
from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.judge.camera_details import Storage, Supply
from sentinel.chain.judge.conditions import SUPPLIES
from sentinel.chain.judge.details import (
    RATE_CHANGES,
    RATE_OPEN,
    RATE_UNUSUAL,
    AxisLimit,
    DriftCause,
    DriftChanged,
    DriveRate,
    Runaway,
)
from sentinel.chain.judge.drive_rates import looks_like, off_by
from sentinel.chain.judge.edge import (
    ExitTold,
    Trust,
    blind_finding,
    exit_finding,
    exit_told,
    graded,
    leads_min,
)
from sentinel.chain.judge.jobs import blind_since_utc, is_hour_angle
from sentinel.chain.judge.lifecycle import Case, Finding, Readings
from sentinel.chain.judge.nights import night_on
from sentinel.chain.judge.seen import PLACING, Seen
from sentinel.chain.judge.supplies import running_out, supply_finding
from sentinel.chain.track.context import Context
from sentinel.core.foreseen import Due
from sentinel.core.records import Forecast, Mark, MeasuredFrame, Severity, Surroundings
from sentinel.core.times import from_utc_s, utc_s

_RATE_FORECASTS = 3
_RATE_SETTLED = 2
_RATE_SETTLED_H = 2.0
"""So many forecasts must agree on a rate; after so many hours of track so many do."""
_RATE_LATE_H = 2.5
_CAUSES: tuple[DriftCause, ...] = ("halts", "tips", "creeps")
_AGREE_S = 1200.0
PAST_LIMIT_MIN = 10.0
_SLACK_S = 1800.0
"""How well the moment at which a drift became another is known, and the gears' slack."""


class Deadlines(NamedTuple):
    """What the judge remembers of the future; bounded."""

    exit: ExitTold | None = None
    """What the last forecast said."""
    near_s: float | None = None
    """Since which forecast the edge has been near in all of them."""
    due: tuple[Due, ...] = ()
    due_s: float = 0.0
    done: tuple[tuple[str, float], ...] = ()
    """What the operator saw to, and when: an older forecast does not know of it."""
    rates: tuple[float, ...] = ()
    rate: Finding | None = None
    room: DiskSpace | None = None
    near: tuple[str, ...] = ()
    """Conditions that are open, for which the leads are longer."""
    unwound_asked: bool = False
    placed: int = 0
    """How often the disc has been put elsewhere: what was foreseen before is another story."""
    placed_s: float | None = None
    """When it last was, and when it was first seen after that."""
    landed_s: float | None = None
    drift_arcmin_h: float = 0.0
    """As last foreseen, and as it was before the disc was last put elsewhere."""
    drift_before_arcmin_h: float = 0.0
    limit_s: float | None = None
    """When the axis comes, or was to come, to its limit; None: not within two days."""
    seen: Seen = Seen()
    blind_s: float | None = None
    """Since when nobody knows where the disc stands: it was put elsewhere and not seen since."""


def note_seen(state: Deadlines, event: MeasuredFrame | Mark) -> Deadlines:
    """Take note of what was seen and done: pictures are evidence, and a hand moves the disc."""
    if isinstance(event, MeasuredFrame) and event.disc.found and state.landed_s is None:
        state = state._replace(landed_s=utc_s(event.time_utc))
    seen = state.seen.after(event)
    return state if seen is state.seen else state._replace(seen=seen)


def note_clock(state: Deadlines, off: ClockOff | None) -> Deadlines:
    """Take note of how far the camera's clock is off."""
    clock = off if off is not None and off.disputed else None
    return state if clock == state.seen.clock else state._replace(seen=state.seen._replace(clock=clock))


def take_forecast(state: Deadlines, forecast: Forecast, context: Context) -> Deadlines:
    """Take a new forecast."""
    told_s, settings = utc_s(forecast.time_utc), context.settings
    if forecast.pointing is not None and (state.placed_s is None or state.landed_s is not None):
        state = state._replace(drift_arcmin_h=forecast.pointing.drift_arcmin_h)
    blind_utc = blind_since_utc(forecast, state.seen)
    if blind_utc is not None:
        # It stands on discs of before: where the disc is now it does not know.
        state = state._replace(exit=None, near_s=None)
    else:
        state = _with_exit(state, exit_told(forecast, settings, state.seen), told_s, context)
    limit_s = _limit_s(forecast, told_s, state.limit_s)
    state = state._replace(
        due=forecast.due,
        due_s=told_s,
        limit_s=limit_s,
        blind_s=None if blind_utc is None else utc_s(blind_utc),
    )
    return _rated(state, forecast, context)


def without_forecast(state: Deadlines, now_s: float, context: Context) -> Deadlines:
    """Go on with what was foreseen before: what is foreseen now stands on times that cannot be believed."""
    if state.exit is None:
        return state
    return _with_exit(state, state.exit._replace(told_s=now_s), now_s, context)


def _with_exit(state: Deadlines, new: ExitTold, told_s: float, context: Context) -> Deadlines:
    last_chance_s = new.leaves_s if new.sets_s is None else new.sets_s
    near = (
        last_chance_s is not None and last_chance_s - told_s <= leads_min(context.settings)[0] * 60 + _AGREE_S
    )
    near_s = (told_s if state.near_s is None else state.near_s) if near else None
    return state._replace(exit=new, near_s=near_s)


def _limit_s(forecast: Forecast, told_s: float, before_s: float | None) -> float | None:
    """Return when the axis comes to its limit; what is overdue has been so since it was first told."""
    due_s = next((utc_s(one.time_utc) for one in forecast.due if one.reason == "axis-limit"), None)
    overdue = due_s is not None and due_s <= told_s + 1
    return before_s if overdue and before_s is not None and before_s <= told_s else due_s


def _rated(state: Deadlines, forecast: Forecast, context: Context) -> Deadlines:
    """Compare the fitted rate with the one the mount is said to run at."""
    tracking, limits = context.settings.mount.tracking, context.thresholds
    if forecast.mount is None or tracking == "none":
        return state
    ratio, sigma = forecast.mount.rate_ratio, forecast.mount.rate_ratio_sigma
    if not {"cause-open", *_CAUSES}.isdisjoint(forecast.flags):
        # Something changed, and whether it is the drive's rate is not known, or it is not.
        return state._replace(rates=(), rate=_otherwise(state, forecast, context))
    off = off_by(ratio, tracking)
    # The fit has weighed the usual rates against each other; its sigma spans those it has not ruled out yet.
    # With so much track hardly an honest drive is still in doubt, and the answer is worth less every hour.
    late = forecast.mount.arc_h > _RATE_LATE_H
    clear = abs(off) > (limits.rate_late_sigmas if late else limits.rate_wrong_sigmas) * sigma
    if not (clear and abs(off) > limits.rate_wrong_fraction):
        if "roll-open" in forecast.flags:
            # While more than one mount explains the track, some of them at another rate, that says nothing.
            return state
        # Nor is a rate right again that is hardly known, as it is after the disc was put elsewhere.
        right = abs(off) + sigma < limits.rate_wrong_fraction
        return state._replace(rates=(), rate=None if right else state.rate)
    rates = (*state.rates[-(_RATE_FORECASTS - 1) :], off)
    if len(rates) < (_RATE_SETTLED if forecast.mount.arc_h > _RATE_SETTLED_H else _RATE_FORECASTS):
        return state._replace(rates=rates)
    likeness = RATE_CHANGES if "ramps" in forecast.flags else looks_like(ratio, sigma, tracking)
    detail = DriveRate(
        kind="wrong-rate",
        rate_ratio=round(ratio, 6),
        rate_ratio_sigma=round(sigma, 6),
        configured=tracking,
        sure=abs(off) > limits.rate_wrong_sigmas * sigma,
        looks_like=likeness,
        drift_arcmin_h=round(abs(ratio - 1) * 15 * 60, 2),
    )
    if likeness == tracking:
        # Neither as configured nor as anything else: a slope that the air or the axis may have drawn.
        return state._replace(rates=(), rate=None)
    # When it was noticed: the drift that it explains, where that was told of before, changed earlier.
    named = state.rate is not None and state.rate.story.startswith("rate")
    onset_s = state.rate.onset_s if state.rate is not None and named else utc_s(forecast.time_utc)
    # A solar rate where another was configured keeps the sun: worth a word, not a visit.
    severity = Severity.NOTE if likeness == "solar" else Severity.SOON
    # Whether it is known not to be a usual one goes to and fro, and changes nothing of what is to be done.
    story = "rate of no name" if likeness in {RATE_OPEN, RATE_UNUSUAL} else f"rate {likeness}"
    finding = Finding(severity=severity, onset_s=onset_s, detail=detail, story=story)
    return state._replace(rates=rates, rate=finding)


def _otherwise(state: Deadlines, forecast: Forecast, context: Context) -> Finding | None:
    """Return what to say of a disc that drifts otherwise than it did, not by the drive for sure."""
    before = state.rate
    if forecast.mount is None or forecast.pointing is None or forecast.mount.drift_changed_utc is None:
        # A change is possible, no more: what was said stands until it is decided.
        return before
    known = [cause for cause in _CAUSES if cause in forecast.flags]
    cause = known[0] if known else "open"
    changed_utc = forecast.mount.drift_changed_utc
    changed_s = utc_s(changed_utc)
    named = before is not None and before.story.startswith("rate") and changed_s <= before.onset_s
    drift = forecast.pointing.drift_arcmin_h
    if cause == "open" and (named or _came_by_hand(state, changed_s, drift, context)):
        # What the rate was named for, or what somebody did at the mount: a doubt about that is no news.
        return before
    detail = DriftChanged(
        kind="wrong-rate",
        cause=cause,
        changed_utc=changed_utc,
        drift_arcmin_h=round(drift, 2),
        configured=context.settings.mount.tracking,
    )
    worth_a_visit = cause == "halts" or drift >= context.thresholds.drift_soon_arcmin_h
    severity = Severity.SOON if worth_a_visit else Severity.NOTE
    if before is not None and before.story == f"drift {cause}" and before.severity is Severity.SOON:
        severity = Severity.SOON
    onset_s = changed_s
    if before is not None and before.story.startswith("drift"):
        onset_s = before.onset_s
    return Finding(severity=severity, onset_s=onset_s, detail=detail, story=f"drift {cause}")


def _came_by_hand(state: Deadlines, changed_s: float, drift_arcmin_h: float, context: Context) -> bool:
    """Whether the drift changed no later than the disc was last put elsewhere, and is no worse since.

    Whoever did that may have seen to the drive: what is still wrong is for the pictures since to say.
    """
    if state.placed_s is None:
        return False
    landed_s = state.placed_s if state.landed_s is None else state.landed_s
    worse = drift_arcmin_h - state.drift_before_arcmin_h >= context.thresholds.drift_soon_arcmin_h
    return changed_s <= landed_s + _SLACK_S and not worse


def is_of_rate(case: Case) -> bool:
    """Whether what is open is said of a disc that drifts, not of a mount that stopped or turned back."""
    return case.open and isinstance(case.detail, DriveRate | DriftChanged)


def placed_anew(state: Deadlines, when_s: float, known_s: float | None = None) -> Deadlines:
    """Forget what was foreseen of the edge until then: the disc is elsewhere since.

    `known_s`: from when on forecasts know of it; None: at once. One of the minutes in which a jump was not
    believed yet stands on discs of before, however late it was made.
    """
    state = state._replace(placed=state.placed + 1, placed_s=when_s, landed_s=None)
    state = state._replace(drift_before_arcmin_h=state.drift_arcmin_h)
    told_s = None if state.exit is None else state.exit.told_s
    newer = told_s is not None and (told_s > when_s if known_s is None else told_s >= known_s)
    return state if newer else state._replace(exit=None, near_s=None)


def take_mark(state: Deadlines, mark: Mark) -> Deadlines:
    """Take what the operator saw to."""
    when_s = utc_s(mark.time_utc)
    state = note_seen(state, mark)
    if mark.kind in PLACING and state.due_s < when_s:
        state = state._replace(blind_s=when_s)
    if mark.kind in {"recentred", "realigned"}:
        # Whoever puts the disc elsewhere has not touched the drive's rate; a mount set up anew is another.
        rate = state.rate if mark.kind == "recentred" else None
        state = placed_anew(state, when_s)
        return state._replace(done=_and(state.done, "drift", when_s), rates=(), rate=rate)
    if mark.kind == "unwound":
        state = placed_anew(state, when_s)
        return state._replace(done=_and(state.done, "axis-limit", when_s), unwound_asked=False)
    if mark.renews is not None:
        return state._replace(done=_and(state.done, mark.renews, when_s))
    return state


def _and(done: tuple[tuple[str, float], ...], reason: str, when_s: float) -> tuple[tuple[str, float], ...]:
    return (*(item for item in done if item[0] != reason), (reason, when_s))


def mark_of(case: Case) -> str:
    """Return the mark that ends an incident which pictures do not end; empty: there is none."""
    if not case.open:
        return ""
    if isinstance(case.detail, Supply):
        named = case.detail.which
        return next((reason for reason, name in SUPPLIES.items() if name == named), "")
    return "unwound" if isinstance(case.detail, AxisLimit) and case.detail.limit is None else ""


def mended_by(cases: tuple[Case, ...], mark: Mark, context: Context) -> tuple[Case, ...]:
    """Return the incidents as a mark leaves them: that a mount was seen to is known, not that it tracks."""
    if mark.kind not in PLACING:
        return cases
    night = night_on(context.settings.site, utc_s(mark.time_utc))
    rises_utc = night.rises_utc if night is not None else None
    return tuple(
        replace(
            case,
            detail=replace(case.detail, marked=mark.kind, marked_utc=mark.time_utc, sunrise_utc=rises_utc),
        )
        if isinstance(case.detail, Runaway)
        else case
        for case in cases
    )


def take_surroundings(state: Deadlines, event: Surroundings) -> Deadlines:
    """Take what the computer read of its disk."""
    if event.free_bytes is None:
        return state
    return state._replace(room=after_look(state.room, event))


def readings(state: Deadlines, now_s: float, context: Context, *, tracking: bool, turns: bool) -> Readings:
    """Return what to say at this moment of all that can be foreseen.

    `tracking`: the disc is seen at this moment, and the mount carries it.
    `turns`: the axis goes towards its limit, as far as is known.
    """
    found: Readings = {}
    trust = Trust(state.near_s, state.placed, state.seen)
    found["drift-exit"] = exit_finding(trust, state.exit, now_s, context) if state.exit is not None else None
    if state.blind_s is not None:
        found["drift-exit"] = blind_finding(trust, state.blind_s, now_s, context)
    overdue = {reason: when for reason, when in state.done if when >= state.due_s}
    due = {one.reason: utc_s(one.time_utc) for one in state.due if one.reason not in overdue}
    # What stands at its limit has been told so; what stands before it comes to none.
    comes = turns or "axis-limit" in state.near
    limit_s = state.limit_s if "axis-limit" in due and comes else None
    found["axis-limit"] = _limit_finding(state, limit_s, now_s, context, tracking=tracking)
    for reason, supply in SUPPLIES.items():
        found[f"supply:{supply}"] = supply_finding(reason, due.get(reason), now_s, state.seen, context)
    if state.room is not None:
        found["storage"] = _storage_finding(state, now_s, context)
    return found


def _limit_finding(
    state: Deadlines, when_s: float | None, now_s: float, context: Context, *, tracking: bool
) -> Finding | None:
    if when_s is None:
        if state.unwound_asked:
            return Finding(
                severity=Severity.NOTE, onset_s=now_s, detail=AxisLimit(asked="unwound"), story="asked"
            )
        return None
    left_min = (when_s - now_s) / 60
    soon_min, now_min = leads_min(context.settings)
    amiss, severity = graded(left_min, soon_min, now_min, context.thresholds.lead_clear_min)
    if not amiss and not state.unwound_asked:
        return None
    limit_utc = from_utc_s(when_s)
    detail = AxisLimit(minutes_left=round(left_min, 1), limit_utc=limit_utc)
    if left_min < -PAST_LIMIT_MIN and tracking:
        # It should stand still by now and does not: unwound, or it turns further than it is said to.
        detail = replace(detail, asked="unwound", tracks_on=True)
        return Finding(severity=Severity.NOTE, onset_s=now_s, detail=detail, story="past")
    # Unwinding can be done in the dark; putting the disc anywhere cannot.
    night = night_on(context.settings.site, now_s)
    detail = replace(
        detail,
        # A pause and a jump look like an unwinding that nobody marked: it is counted as none, and asked.
        asked=None if amiss else "unwound",
        perhaps_unwound=amiss and state.unwound_asked,
        limit="hour-angle" if is_hour_angle(limit_utc, context.settings) else None,
        sunrise_utc=night.rises_utc if night is not None else None,
    )
    if not amiss:
        return Finding(severity=Severity.NOTE, onset_s=now_s, detail=detail, story="asked")
    return Finding(severity=severity, onset_s=now_s, detail=detail)


def full_s(state: Deadlines, context: Context) -> float | None:
    """Return when the disk will be full: as the forecast has it, if it knows of the room there is."""
    room = state.room
    if room is None:
        return None
    told_s = next((utc_s(one.time_utc) for one in state.due if one.reason == "storage"), None)
    if told_s is not None and state.due_s >= room.first_s:
        return told_s
    return room.full_s(context.interval_s)


def _storage_finding(state: Deadlines, now_s: float, context: Context) -> Finding | None:
    room, when_s = state.room, full_s(state, context)
    if room is None or when_s is None:
        return None
    left_h = (when_s - now_s) / 3600
    detail = Storage(
        hours_left=round(left_h, 2),
        free_mb=round(room.free_bytes / 1e6, 1),
        full_utc=from_utc_s(round(when_s)),
    )
    return running_out(left_h, now_s, context, detail)
