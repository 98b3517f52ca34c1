"""What can be foreseen: `drift-exit`, `axis-limit`, `supply`, `storage`, and a drive at the wrong rate."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple

from sentinel.judge.lifecycle import Finding, Readings
from sentinel.judge.scene import Scene
from sentinel.records import Due, Forecast, Mark, Place, Severity, Surroundings
from sentinel.sky.mount import LUNAR_DRIVE_ARCSEC_S
from sentinel.times import DAY_S, format_utc, from_utc_s, utc_s

SUPPLIES: Mapping[str, str] = {
    "battery": "camera-battery", "mount-battery": "mount-battery", "card": "card", "timer": "timer",
}  # fmt: skip
RATE_RATIOS: Mapping[str, float] = {"solar": 1.0, "sidereal": 1.002_737_909, "lunar": 14.492 / 15}
"""Of the usual rates over the mean solar rate; drives sold as lunar run at 14.685 or 14.492 "/s."""
_LUNAR_DRIVE = LUNAR_DRIVE_ARCSEC_S / 15
_RATE_FORECASTS = 3
_RATE_SETTLED = 2
_RATE_SETTLED_H = 2.0
"""So many forecasts must agree on a rate; after so many hours of track so many do."""
_RATE_LATE_H = 2.5
_AGREE_S = 1200.0
PAST_LIMIT_MIN = 10.0


class Exit(NamedTuple):
    """What one forecast says of the edge."""

    told_s: float
    early_s: float | None
    clear_s: float | None
    """The same, of a sun that is well clear of the horizon line: what is worth waking for."""
    median_s: float | None
    edge: str | None
    young: bool
    """Too little arc behind it."""
    departed: bool = False
    """The disc does not follow the mount's model: knocked, pushed, or on its way out."""
    place: Place | None = None
    """Where to put the disc."""


class Room(NamedTuple):
    """Free space where the frames arrive."""

    time_s: float
    free_bytes: int
    frame_bytes: float | None
    first_s: float
    first_bytes: int


class Ahead(NamedTuple):
    """What the judge remembers of the future; bounded."""

    exit: Exit | None = None
    """What the last forecast said."""
    near_s: float | None = None
    """Since which forecast the edge has been near in all of them."""
    due: tuple[Due, ...] = ()
    due_s: float = 0.0
    done: tuple[tuple[str, float], ...] = ()
    """What the operator saw to, and when: an older forecast does not know of it."""
    rates: tuple[float, ...] = ()
    rate: Finding | None = None
    room: Room | None = None
    near: tuple[str, ...] = ()
    """Conditions that are open, for which the leads are longer."""
    unwound_asked: bool = False
    placed: int = 0
    """How often the disc has been put elsewhere: what was foreseen before is another story."""
    limit_s: float | None = None
    """When the axis comes, or was to come, to its limit; None: not within two days."""


def forecast_came(state: Ahead, forecast: Forecast, scene: Scene) -> Ahead:
    """Take a new forecast."""
    early, median = forecast.exit_early_utc, forecast.exit_utc
    clear = forecast.exit_clear_utc if "exit-at-horizon" in forecast.flags else early
    told_s = utc_s(forecast.time_utc)
    new = Exit(
        told_s,
        utc_s(early) if early is not None else None,
        utc_s(clear) if clear is not None else None,
        utc_s(median) if median is not None else None,
        forecast.edge,
        "too-little-arc" in forecast.flags or (forecast.arc_h or 0.0) < 1.0,
        "departed" in forecast.flags,
        _worth_taking(forecast),
    )
    near = new.clear_s is not None and new.clear_s - told_s <= (_leads_min(scene)[0] * 60 + _AGREE_S)
    near_s = (told_s if state.near_s is None else state.near_s) if near else None
    limit_s = _limit_s(forecast, told_s, state.limit_s)
    state = state._replace(exit=new, near_s=near_s, due=forecast.due, due_s=told_s, limit_s=limit_s)
    return _rated(state, forecast, scene)


def _limit_s(forecast: Forecast, told_s: float, before_s: float | None) -> float | None:
    """Return when the axis comes to its limit; what is overdue has been so since it was."""
    due_s = next((utc_s(one.time_utc) for one in forecast.due if one.reason == "axis-limit"), None)
    overdue = due_s is not None and due_s <= told_s + 1
    return before_s if overdue and before_s is not None and before_s <= told_s else due_s


def _worth_taking(forecast: Forecast) -> Place | None:
    """Return where to put the disc: now, or, where that gains nothing yet, at the latest time that does.

    A place is promised to hold at the safe level, and wherever a hand may put the disc about it: to leave it
    where it is may be promised longer.
    """
    best, early = forecast.best_place, forecast.exit_early_utc
    if best is None or early is None or _outlasts(best, early):
        return best
    later = [place for place in forecast.later_places if place.at_utc < early and _outlasts(place, early)]
    return max(later, key=lambda place: place.at_utc, default=None)


def _outlasts(place: Place, time_utc: datetime) -> bool:
    return place.holds_until_utc is None or place.holds_until_utc > time_utc


def _rated(state: Ahead, forecast: Forecast, scene: Scene) -> Ahead:
    """Compare the fitted rate with the one the mount is said to run at."""
    ratio, sigma = forecast.rate_ratio, forecast.rate_ratio_sigma
    tracking, limits = scene.settings.mount.tracking, scene.thresholds
    if ratio is None or sigma is None or tracking == "none":
        return state
    if "cause-open" in forecast.flags or "tips" in forecast.flags:
        # Something changed, and whether it is the drive's rate is not known, or it is not.
        return state._replace(rates=(), rate=_otherwise(state.rate, forecast, scene))
    usual = [RATE_RATIOS[tracking]] + ([_LUNAR_DRIVE] if tracking == "lunar" else [])
    off = min((ratio - one for one in usual), key=abs)
    # The fit has weighed the usual rates against each other; its sigma spans those it has not ruled out yet.
    # With so much track hardly an honest drive is still in doubt, and the answer is worth less every hour.
    late = (forecast.arc_h or 0.0) > _RATE_LATE_H
    clear = abs(off) > (limits.rate_late_sigmas if late else limits.rate_wrong_sigmas) * sigma
    if not (clear and abs(off) > limits.rate_wrong_fraction):
        # While more than one mount explains the track, some of them at another rate, that says nothing.
        return state if "roll-open" in forecast.flags else state._replace(rates=(), rate=None)
    rates = (*state.rates[-(_RATE_FORECASTS - 1) :], off)
    if len(rates) < (_RATE_SETTLED if (forecast.arc_h or 0.0) > _RATE_SETTLED_H else _RATE_FORECASTS):
        return state._replace(rates=rates)
    nearest = min((*RATE_RATIOS.items(), ("lunar", _LUNAR_DRIVE)), key=lambda named: abs(named[1] - ratio))
    looks_like = nearest[0] if abs(nearest[1] - ratio) < max(0.0008, 3 * sigma) else "none of the usual rates"
    detail: dict[str, Any] = {
        "kind": "wrong-rate",
        "rate_ratio": round(ratio, 6),
        "rate_ratio_sigma": round(sigma, 6),
        "configured": tracking,
        "sure": abs(off) > limits.rate_wrong_sigmas * sigma,
        "looks_like": looks_like,
        "drift_arcmin_h": round(abs(ratio - 1) * 15 * 60, 2),
    }
    if looks_like == tracking:
        # Neither as configured nor as anything else: a slope that the air or the axis may have drawn.
        return state._replace(rates=(), rate=None)
    onset_s = state.rate.onset_s if state.rate is not None else utc_s(forecast.time_utc)
    # A solar rate where another was configured keeps the sun: worth a word, not a visit.
    severity = Severity.NOTE if looks_like == "solar" else Severity.SOON
    finding = Finding(severity=severity, onset_s=onset_s, detail=detail, story=f"rate {looks_like}")
    return state._replace(rates=rates, rate=finding)


def _otherwise(before: Finding | None, forecast: Forecast, scene: Scene) -> Finding | None:
    """Return what to say of a disc that drifts otherwise than it did, not by the drive for sure."""
    if forecast.drift_changed_utc is None:
        # A change is possible, no more: what was said stands until it is decided.
        return before
    cause = "tips" if "tips" in forecast.flags else "open"
    drift = forecast.drift_arcmin_h or 0.0
    detail: dict[str, Any] = {
        "kind": "wrong-rate",
        "cause": cause,
        "changed_utc": format_utc(forecast.drift_changed_utc),
        "drift_arcmin_h": round(drift, 2),
        "configured": scene.settings.mount.tracking,
    }
    severity = Severity.SOON if drift >= scene.thresholds.drift_soon_arcmin_h else Severity.NOTE
    if before is not None and before.story == f"drift {cause}" and before.severity is Severity.SOON:
        severity = Severity.SOON
    onset_s = utc_s(forecast.drift_changed_utc)
    if before is not None and before.story.startswith("drift"):
        onset_s = before.onset_s
    return Finding(severity=severity, onset_s=onset_s, detail=detail, story=f"drift {cause}")


def placed_anew(state: Ahead, when_s: float) -> Ahead:
    """Forget what was foreseen of the edge until then: the disc is elsewhere since."""
    state = state._replace(placed=state.placed + 1)
    newer = state.exit is not None and state.exit.told_s > when_s
    return state if newer else state._replace(exit=None, near_s=None)


def marked(state: Ahead, mark: Mark) -> Ahead:
    """Take what the operator saw to."""
    when_s = utc_s(mark.time_utc)
    if mark.kind in {"recentred", "realigned"}:
        state = placed_anew(state, when_s)
        return state._replace(done=_and(state.done, "drift", when_s), rates=(), rate=None)
    if mark.kind == "unwound":
        return state._replace(done=_and(state.done, "axis-limit", when_s), unwound_asked=False)
    if mark.kind == "battery":
        name = "mount-battery" if "mount" in mark.text.lower() else "battery"
        return state._replace(done=_and(state.done, name, when_s))
    if mark.kind in {"card", "timer"}:
        return state._replace(done=_and(state.done, mark.kind, when_s))
    return state


def _and(done: tuple[tuple[str, float], ...], reason: str, when_s: float) -> tuple[tuple[str, float], ...]:
    return (*(item for item in done if item[0] != reason), (reason, when_s))


def surroundings_came(state: Ahead, event: Surroundings) -> Ahead:
    """Take what the computer read of its disk."""
    if event.free_bytes is None:
        return state
    time_s = utc_s(event.time_utc)
    old = state.room
    # Somebody made room: the rate is counted from there.
    anew = old is None or event.free_bytes > old.free_bytes + 0.01 * old.free_bytes
    first = (time_s, event.free_bytes) if anew or old is None else (old.first_s, old.first_bytes)
    return state._replace(room=Room(time_s, event.free_bytes, event.bytes_per_frame, *first))


def readings(state: Ahead, now_s: float, scene: Scene, *, tracking: bool) -> Readings:
    """Return what to say at this moment of all that can be foreseen.

    Parameters
    ----------
    tracking
        The disc is seen at this moment, and the mount carries it.
    """
    found: Readings = {}
    found["drift-exit"] = _exit_finding(state, state.exit, now_s, scene) if state.exit is not None else None
    overdue = {reason: when for reason, when in state.done if when >= state.due_s}
    due = {one.reason: utc_s(one.time_utc) for one in state.due if one.reason not in overdue}
    limit_s = state.limit_s if "axis-limit" in due else None
    found["axis-limit"] = _limit_finding(state, limit_s, now_s, scene, tracking=tracking)
    for reason, supply in SUPPLIES.items():
        found[f"supply:{supply}"] = _supply_finding(supply, due.get(reason), now_s, scene)
    if state.room is not None:
        found["storage"] = _storage_finding(state.room, now_s, scene)
    return found


def _leads_min(scene: Scene) -> tuple[float, float]:
    travel = scene.settings.visit.travel_min
    return travel + scene.thresholds.lead_soon_min, travel + scene.thresholds.lead_now_min


def _graded(
    left_min: float, soon_min: float, now_min: float, clear_min: float
) -> tuple[bool, Severity | None]:
    """Return whether anything is amiss, and how grave it is."""
    if left_min <= soon_min:
        return True, Severity.NOW if left_min <= now_min else Severity.SOON
    return left_min <= soon_min + clear_min, None


def _exit_finding(state: Ahead, last: Exit, now_s: float, scene: Scene) -> Finding | None:
    if last.early_s is None or last.clear_s is None:
        return None
    soon_min, now_min = _leads_min(scene)
    left_min = (last.clear_s - now_s) / 60
    amiss, severity = _graded(left_min, soon_min, now_min, scene.thresholds.lead_clear_min)
    if not amiss:
        return None
    median_min = None if last.median_s is None else (last.median_s - now_s) / 60
    if severity is not None:
        severity = _believed(state, last, severity, median_min, scene)
    detail: dict[str, Any] = {
        "minutes_left": round(left_min, 1),
        "exit_early_utc": format_utc(from_utc_s(last.early_s)),
        "exit_utc": None if last.median_s is None else format_utc(from_utc_s(last.median_s)),
        "edge": last.edge,
        "lead_soon_min": soon_min,
        "lead_now_min": now_min,
    }
    if last.place is not None:
        holds = last.place.holds_until_utc
        if utc_s(last.place.at_utc) > last.told_s + 60:
            detail["put_at_utc"] = format_utc(last.place.at_utc)
        detail |= {
            "put_right_widths": round(last.place.right_widths, 2),
            "put_up_widths": round(last.place.up_widths, 2),
            "put_holds_until_utc": None if holds is None else format_utc(holds),
        }
    return Finding(severity=severity, onset_s=now_s, detail=detail, story=f"place {state.placed}")


def _believed(
    state: Ahead, last: Exit, severity: Severity, median_min: float | None, scene: Scene
) -> Severity | None:
    """Return the severity that the forecasts so far, and the arc they stand on, can bear."""
    soon_min, now_min = _leads_min(scene)
    at_hand = median_min is not None and median_min <= now_min
    if at_hand and not last.young and not last.departed:
        return severity
    if last.young and not at_hand and (median_min is None or median_min > soon_min):
        # The early quantile of a guess is near because the guess is wide, not because the edge is.
        return None
    agreed_s = last.told_s - (state.near_s if state.near_s is not None else last.told_s)
    if agreed_s < scene.thresholds.drift_confirm_min * 60:
        # One forecast, or a few in the minutes in which somebody pushes the disc about.
        return None
    return Severity.SOON if last.young and not at_hand else severity


def _limit_finding(
    state: Ahead, when_s: float | None, now_s: float, scene: Scene, *, tracking: bool
) -> Finding | None:
    if when_s is None:
        if state.unwound_asked:
            return Finding(severity=Severity.NOTE, onset_s=now_s, detail={"asked": "unwound"}, story="asked")
        return None
    left_min = (when_s - now_s) / 60
    soon_min, now_min = _leads_min(scene)
    amiss, severity = _graded(left_min, soon_min, now_min, scene.thresholds.lead_clear_min)
    if not amiss and not state.unwound_asked:
        return None
    detail: dict[str, Any] = {"minutes_left": round(left_min, 1), "limit_utc": format_utc(from_utc_s(when_s))}
    story = ""
    if left_min < -PAST_LIMIT_MIN and tracking:
        # It should stand still by now and does not: unwound, or it turns further than it is said to.
        detail |= {"asked": "unwound", "tracks_on": True}
        return Finding(severity=Severity.NOTE, onset_s=now_s, detail=detail, story="past")
    if not amiss:
        # A pause and a jump look like an unwinding that nobody marked: it is counted as none, and asked.
        detail["asked"] = "unwound"
        severity, story = Severity.NOTE, "asked"
    elif state.unwound_asked:
        detail["perhaps_unwound"] = True
    if _is_hour_angle(when_s, scene):
        detail["limit"] = "hour-angle"
    return Finding(severity=severity, onset_s=now_s, detail=detail, story=story)


def _is_hour_angle(when_s: float, scene: Scene) -> bool:
    """Whether it is the end of the allowed hour angles that comes then, not of the axis's travel."""
    allowed = scene.settings.mount.hour_angle_limit_deg
    if allowed is None:
        return False
    off_deg = (float(scene.sun.hour_angle_deg(when_s)) - allowed[1] + 180) % 360 - 180
    return abs(off_deg) < 1.0


def _supply_finding(supply: str, when_s: float | None, now_s: float, scene: Scene) -> Finding | None:
    if when_s is None:
        return None
    return _running_out(
        (when_s - now_s) / 3600, now_s, scene, {"supply": supply, "empty_utc": format_utc(from_utc_s(when_s))}
    )


def _running_out(left_h: float, now_s: float, scene: Scene, detail: dict[str, Any]) -> Finding | None:
    limits = scene.thresholds
    amiss, severity = _graded(left_h, limits.supply_soon_h, limits.supply_now_h, 0.25)
    if not amiss:
        return None
    return Finding(severity=severity, onset_s=now_s, detail={"hours_left": round(left_h, 2), **detail})


def full_s(room: Room | None, scene: Scene) -> float | None:
    """Return when the disk will be full, by what a frame takes and by what it has filled so far."""
    if room is None:
        return None
    rate = 0.0 if room.frame_bytes is None else room.frame_bytes / scene.interval_s
    if room.time_s - room.first_s >= 1800:
        rate = max(rate, (room.first_bytes - room.free_bytes) / (room.time_s - room.first_s))
    if rate <= 0 or room.free_bytes / rate > 10 * DAY_S:
        return None
    return room.time_s + room.free_bytes / rate


def _storage_finding(room: Room, now_s: float, scene: Scene) -> Finding | None:
    when_s = full_s(room, scene)
    if when_s is None:
        return None
    detail = {"free_mb": round(room.free_bytes / 1e6, 1), "full_utc": format_utc(from_utc_s(round(when_s)))}
    return _running_out((when_s - now_s) / 3600, now_s, scene, detail)
