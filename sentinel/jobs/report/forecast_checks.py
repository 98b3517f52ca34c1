"""What was forecast beside what came: only where the session itself shows it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

import numpy as np

from sentinel.core.records import Forecast
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.report.record import Columns
from sentinel.sky.arrays import Indices

HORIZON_S = 48 * 3600.0
"""As far as a forecast looks."""
CLAIMED_SHARE = 0.90
"""Of the truths, that an interval from the 5 % to the 95 % quantile is to hold."""
SPENT_S = 60.0
"""An exit nearer than this is one of now: there is no time left to be wrong about."""
NEAR_INTERVALS = 3.5
"""What came between two discs so many intervals apart is dated between them; of more, nobody knows when."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedExit:
    """The limb reached the edge less the margin, the sun being above the horizon line."""

    utc_s: float
    begin_s: float
    """From when on forecasts could know of it: its stretch began, or the mount ran away."""
    ran_away: bool
    """The mount did not follow the sun: no forecast made before that could know."""
    between_s: tuple[float, float]
    """When it was last known to be inside and first known to be over the edge: `utc_s` lies between them, and
    no picture shows where."""
    dated: bool
    """These are two pictures that follow each other."""

    @property
    def time_utc(self) -> datetime:
        """When it was."""
        return from_utc_s(self.utc_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedForecast:
    """One forecast, in hours from when it was made; None: none within 48 h."""

    utc_s: float
    early_h: float | None
    """5 % quantile."""
    middle_h: float | None
    late_h: float | None
    """95 %."""
    true_h: float | None
    """When it came; None: the session does not show it."""
    true_between_h: tuple[float, float] | None
    """Surely not before, and surely no later: the pictures about it."""
    stayed_h: float | None
    """For how long the disc is known to have stayed inside, where no exit came; None: an exit came."""
    ran_away: bool
    """The exit is that of a mount that had let the sun go already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Skill:
    """How good the forecasts were, in counts."""

    forecasts: int
    tested: int
    """Forecasts whose exit the session shows."""
    median_error: float | None
    """Of the median time, as a share of the time that was left."""
    median_error_span: timedelta | None
    """The same in time."""
    too_late: int
    """Tested forecasts whose 5 % time was later than the truth: these promised too much."""
    granted: float | None
    """Median share of the true time that the 5 % time granted, where it did not promise too much."""
    held: int
    """Tested forecasts whose 5 % to 95 % interval held the truth, as far as pictures show when that was."""
    untested: int
    """Forecasts after which the disc stayed inside until it was put elsewhere, or the session ended."""
    too_early: int
    """Of those, the ones whose median time passed with the disc still inside."""


def find_exits(columns: Columns, stretch: Indices, margin_px: float) -> tuple[ObservedExit, ...]:
    """Return when the limb reached the edge, to a fraction of the interval."""
    at = np.flatnonzero(columns.found & np.isfinite(columns.room_px) & (columns.above_deg > 0))
    room = columns.room_px[at] - margin_px
    exits = []
    for i in np.flatnonzero((room[:-1] > 0) & (room[1:] <= 0)):
        before, after = at[i], at[i + 1]
        # From one stretch to the next the disc was carried over the edge by hand.
        if stretch[before] != stretch[after] and stretch[after] >= 0:
            continue
        share = float(room[i] / (room[i] - room[i + 1]))
        exits.append(
            _left(columns, before, after, share, _begin(columns, stretch, after), stretch[after] < 0)
        )
    return tuple(exits)


def _left(  # noqa: PLR0917 - two discs, and what is known of the way between them
    columns: Columns, before: np.intp, after: np.intp, share: float, known_s: float, ran_away: bool
) -> ObservedExit:
    """Return the exit between two discs, so far on the way from the first to the second.

    Over a night the limb left as the sun rose: only with the sun up does it leave.
    """
    inside_s, end_s = float(columns.utc_s[before]), float(columns.utc_s[after])
    near_s = NEAR_INTERVALS * float(np.median(np.diff(columns.utc_s)))
    begin_s, at_s, hidden_s = inside_s, inside_s + share * (end_s - inside_s), 0.0
    down = before + np.flatnonzero(columns.above_deg[before:after] <= 0)
    if down.size:
        around = slice(down[-1], down[-1] + 2)
        at_s = float(np.interp(0.0, columns.above_deg[around], columns.utc_s[around]))
        begin_s, hidden_s = float(columns.utc_s[down[-1]]), float(columns.utc_s[down[0]]) - inside_s
    return ObservedExit(
        utc_s=at_s,
        begin_s=known_s,
        ran_away=bool(ran_away),
        between_s=(begin_s, end_s),
        dated=max(hidden_s, end_s - begin_s) <= near_s,
    )


def _begin(columns: Columns, stretch: Indices, after: np.intp) -> float:
    """Return since when the disc was on the path that took it out."""
    own = stretch[after]
    at = np.flatnonzero(columns.found[: after + 1])
    other = at[stretch[at] != own]
    first = other[-1] + 1 if other.size else 0
    return float(columns.utc_s[first])


def check_forecasts(
    forecasts: Sequence[Forecast],
    columns: Columns,
    stretch: Indices,
    exits: Sequence[ObservedExit],
    margin_px: float,
) -> tuple[CheckedForecast, ...]:
    """Return each forecast beside what came of it: nothing, where the limb was over the edge already."""
    checked = []
    seen = np.flatnonzero(columns.found & np.isfinite(columns.room_px) & (columns.above_deg > 0))
    for forecast in forecasts:
        if forecast.pointing is None:
            continue
        now = utc_s(forecast.time_utc)
        last = seen[columns.utc_s[seen] <= now][-1:]
        inside = bool((columns.room_px[last] > margin_px).all())
        came = next((e for e in exits if inside and e.begin_s <= now < e.utc_s), None)
        stays = _stayed_until(now, columns, stretch, exits) if inside and came is None else None
        if came is not None and not came.dated:
            stays, came = max(came.between_s[0], now), None
        checked.append(
            CheckedForecast(
                utc_s=now,
                early_h=_ahead_h(forecast.exit.early_utc, now),
                middle_h=_ahead_h(forecast.exit.median_utc, now),
                late_h=_ahead_h(forecast.exit.late_utc, now),
                true_h=_hours(came.utc_s if came else None, now),
                true_between_h=_both_h(came.between_s, now) if came else None,
                stayed_h=_hours(stays, now),
                ran_away=came is not None and came.ran_away,
            )
        )
    return tuple(checked)


def _both_h(times_s: tuple[float, float], now_s: float) -> tuple[float, float]:
    return (times_s[0] - now_s) / 3600, (times_s[1] - now_s) / 3600


def _ahead_h(time_utc: datetime | None, now_s: float) -> float | None:
    return None if time_utc is None else _hours(utc_s(time_utc), now_s)


def _hours(at_s: float | None, now_s: float) -> float | None:
    return None if at_s is None else (at_s - now_s) / 3600


def _stayed_until(
    now_s: float, columns: Columns, stretch: Indices, exits: Sequence[ObservedExit]
) -> float | None:
    """Return the last time at which the stretch of now still had its disc inside."""
    at = np.flatnonzero(stretch >= 0)
    before = at[columns.utc_s[at] <= now_s]
    if not before.size:
        return None
    own = stretch[before[-1]]
    ahead = at[(stretch[at] == own) & (columns.utc_s[at] > now_s)]
    if not ahead.size:
        return None
    end_s = float(columns.utc_s[ahead[-1]])
    return None if any(now_s < e.utc_s <= end_s for e in exits) else end_s


def skill_of(checked: Sequence[CheckedForecast]) -> Skill:
    """Return how good the forecasts were; what was at hand already is not counted as foreseen."""
    tested = [j for j in checked if j.true_h is not None and j.true_h * 3600 > SPENT_S]
    errors, errors_h, granted, too_late, held = [], [], [], 0, 0
    for one in tested:
        true_h = one.true_h or 0.0
        soonest_h, latest_h = one.true_between_h or (true_h, true_h)
        middle_h = HORIZON_S / 3600 if one.middle_h is None else one.middle_h
        early_h = HORIZON_S / 3600 if one.early_h is None else one.early_h
        errors.append(abs(middle_h - true_h) / true_h)
        errors_h.append(abs(middle_h - true_h))
        too_late += early_h > latest_h
        if early_h <= latest_h:
            granted.append(early_h / true_h)
        held += early_h <= latest_h and (one.late_h is None or one.late_h >= soonest_h)
    stayed = [j for j in checked if j.stayed_h is not None]
    return Skill(
        forecasts=len(checked),
        tested=len(tested),
        median_error=median(errors) if errors else None,
        median_error_span=timedelta(hours=median(errors_h)) if errors else None,
        too_late=too_late,
        granted=median(granted) if granted else None,
        held=held,
        untested=len(stayed),
        too_early=sum(
            j.middle_h is not None and j.stayed_h is not None and j.middle_h < j.stayed_h for j in stayed
        ),
    )
