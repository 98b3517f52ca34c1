"""The standing of a watch at one moment, in the order in which it matters. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime, timedelta
from math import isfinite
from types import MappingProxyType

from sentinel.notify.left_alone import left_alone, pressing
from sentinel.notify.placing import placing
from sentinel.notify.wording import Teller, message, words_for
from sentinel.records import Edge, Forecast, Severity, Surroundings
from sentinel.settings import Settings
from sentinel.status.board import Board

SAME_VISIT = timedelta(hours=12)
"""What falls due within so long after the first is done on the same visit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """An open incident."""

    condition: str
    severity: Severity
    since_utc: datetime
    title: str
    what: str
    act: str
    """What to do about it; empty: nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Something to be done on the next visit."""

    due_utc: datetime | None
    """When it must be done; None: whenever somebody is there."""
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Something that runs out."""

    name: str
    lasts_until_utc: datetime | None
    """None: longer than can be foreseen."""
    renewed_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Messages:
    """How messages get through."""

    last_utc: datetime | None = None
    last_title: str = ""
    last_target: str = ""
    waiting: int = 0
    trouble: str = ""
    """Why the oldest one waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """All that is shown."""

    written_utc: datetime
    interval_s: float
    frame: str | None
    frame_utc: datetime | None
    """Exposure of the newest picture."""
    left_alone: str
    leave_until_utc: datetime | None
    leave_reason: str | None
    set_off_utc: datetime | None
    """When to set off at the latest, by the travel time."""
    stop_edge_min: float | None
    """From now to the edge if the mount stopped now."""
    stop_edge: Edge | None
    troubles: tuple[Trouble, ...]
    jobs: tuple[Job, ...]
    verified_utc: datetime | None
    """Exposure of the last picture on which the sun was measured."""
    focus_ratio: float | None
    """Edge width over that at the same altitude before; smoothed over the last frames."""
    edge_width_px: float | None
    frames: int
    frames_expected: int
    unusable: int
    folder: str
    waiting_files: int
    supplies: tuple[Supply, ...]
    free_bytes: int | None
    state_free_bytes: int | None
    axis_turned_deg: float | None
    axis_limit_deg: float | None
    clock_offset_s: float | None
    """Camera clock minus UTC, as used; None: not known yet."""
    clock_synchronised: bool | None
    messages: Messages
    forecast: Forecast | None


_DUE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "drift": "recentre the sun: it drifts to the {edge} edge",
        "axis-limit": "unwind the axis one full turn, watch the cables, recentre, mark unwound",
        "storage": "make room on the disk of the frames",
        "battery": "change the camera's battery, mark battery",
        "mount-battery": "change the mount's battery, mark battery with the text mount",
        "card": "change the card, mark card",
        "timer": "restart the timer's count, mark timer",
    }
)

_SUPPLIES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "camera_battery_h": ("battery", "camera battery"),
        "mount_battery_h": ("mount-battery", "mount battery"),
        "card_frames": ("card", "card"),
        "timer_frames": ("timer", "timer count"),
    }
)

_EXPECTED_THINGS = frozenset({"sunset", "horizon"})


def standing_of(
    board: Board,
    settings: Settings,
    now_utc: datetime,
    *,
    waiting_files: int = 0,
    clock_offset_s: float | None = None,
    focus_ratio: float | None = None,
    messages: Messages | None = None,
) -> Standing:
    """Return the standing at a moment."""
    forecast, around = _finite(board.forecast), board.around
    due = forecast.due if forecast is not None else ()
    stop_utc = forecast.stop_edge_utc if forecast is not None else None
    troubles = _troubles(board, now_utc)
    return Standing(
        written_utc=now_utc,
        interval_s=settings.camera.interval_s,
        frame=board.frame.frame if board.frame is not None else None,
        frame_utc=board.newest_utc,
        left_alone=left_alone(forecast, now_utc, pressing_of(troubles)),
        leave_until_utc=due[0].time_utc if due else None,
        leave_reason=due[0].reason if due else None,
        set_off_utc=forecast.next_visit_utc if forecast is not None else None,
        stop_edge_min=_stop_min(forecast, stop_utc),
        stop_edge=forecast.stop_edge if forecast is not None else None,
        troubles=troubles,
        jobs=_jobs(forecast),
        verified_utc=board.disc.time_utc if board.disc is not None else None,
        focus_ratio=focus_ratio,
        edge_width_px=board.disc.disc.edge_width_px if board.disc is not None else None,
        frames=board.frames,
        frames_expected=board.expected(settings.camera.interval_s),
        unusable=board.unusable,
        folder=_folder(around),
        waiting_files=waiting_files,
        supplies=_supplies(board, settings),
        free_bytes=around.free_bytes if around is not None else None,
        state_free_bytes=around.state_free_bytes if around is not None else None,
        axis_turned_deg=forecast.axis_turned_deg if forecast is not None else None,
        axis_limit_deg=settings.mount.axis_limit_deg if settings.mount.tracking != "none" else None,
        clock_offset_s=clock_offset_s,
        clock_synchronised=around.clock_synchronised if around is not None else None,
        messages=messages or Messages(),
        forecast=forecast,
    )


def pressing_of(troubles: Iterable[Trouble]) -> str:
    """Return what of these cannot wait; empty: nothing."""
    return pressing((one.condition, one.severity, one.what) for one in troubles)


def _finite(forecast: Forecast | None) -> Forecast | None:
    """Return a forecast without values that are no numbers: what they are part of is not known."""
    if forecast is None:
        return None
    unknown = {f.name: None for f in fields(forecast) if not _all_finite(getattr(forecast, f.name))}
    unknown.pop("later_places", None)
    places = tuple(place for place in forecast.later_places if _all_finite(place))
    return replace(forecast, **unknown, later_places=places)  # type: ignore[arg-type]


def _all_finite(value: object) -> bool:
    if isinstance(value, float):
        return isfinite(value)
    if isinstance(value, tuple):
        return all(_all_finite(item) for item in value)
    if is_dataclass(value):
        return all(_all_finite(getattr(value, f.name)) for f in fields(value))
    return True


def _stop_min(forecast: Forecast | None, stop_utc: datetime | None) -> float | None:
    """Return how long a stop would leave; it changes so slowly that the forecast's own moment will do."""
    if forecast is None or stop_utc is None:
        return None
    return round((stop_utc - forecast.time_utc).total_seconds() / 60, 1)


def _troubles(board: Board, now_utc: datetime) -> tuple[Trouble, ...]:
    """Return what is open, as it reads now: what was so only when it opened is left out."""
    teller = Teller(now_utc=now_utc, again=True)
    return tuple(
        Trouble(
            condition=incident.condition,
            severity=incident.severity,
            since_utc=incident.onset_utc,
            title=words.title,
            what=message(incident, teller),
            act=words.act,
        )
        for incident in board.by_gravity
        for words in (words_for(incident, teller),)
    )


def _jobs(forecast: Forecast | None) -> tuple[Job, ...]:
    """Return what the next visit should see to: what falls due first, and all that is due soon after."""
    if forecast is None:
        return ()
    todo = [due for due in forecast.due if due.reason not in _EXPECTED_THINGS]
    first = todo[0].time_utc if todo else None
    edge = forecast.edge or "nearest"
    place = forecast.best_place
    jobs = [
        Job(due_utc=due.time_utc, what=_DUE_WORDS.get(due.reason, due.reason).format(edge=edge))
        for due in todo
        if first is not None and due.time_utc - first <= SAME_VISIT
    ]
    if place is not None and forecast.touch_gains:
        jobs.append(Job(due_utc=None, what=f"recentre: {placing(place, forecast.time_utc)}"))
    elif forecast.touch_gains is False and not jobs:
        jobs.append(Job(due_utc=None, what="nothing: a touch would gain no time, leave it alone"))
    return tuple(jobs)


def _folder(around: Surroundings | None) -> str:
    return (around.folder if around is not None else None) or "not looked at yet"


def _supplies(board: Board, settings: Settings) -> tuple[Supply, ...]:
    due = {one.reason: one.time_utc for one in board.forecast.due} if board.forecast is not None else {}
    found = []
    for setting, (reason, name) in _SUPPLIES.items():
        if getattr(settings.supplies, setting) is None:
            continue
        mark = board.marks.get("battery" if "battery" in reason else reason)
        found.append(
            Supply(
                name=name,
                lasts_until_utc=due.get(reason),
                renewed_utc=mark.time_utc if mark is not None else None,
            )
        )
    return tuple(found)
