"""What is to be done at the camera: each thing once, until when, and how long it then lasts. Pure.

Everything that says what comes next says it from here: the list before sleep, the status, the headline.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache

from sentinel.chain.judge.agenda import Agenda, Job
from sentinel.chain.judge.nights import Night, night_before, night_of, night_on, rise_of, sun_of
from sentinel.chain.judge.places import place_at, place_for
from sentinel.chain.judge.seen import Seen
from sentinel.core.angles import half_turn_deg
from sentinel.core.foreseen import Due, Place
from sentinel.core.records import Forecast
from sentinel.core.settings import Settings, Site
from sentinel.core.times import DAY_S, from_utc_s, utc_s
from sentinel.sky import daylight

KNOWN = timedelta(hours=48)
"""As far as forecasts look."""
OUTLIVED = timedelta(minutes=5)
"""What is seen to work so shortly before its count ended, or later, is seen to outlive it."""
NATURAL = frozenset({"sunset", "horizon"})
"""Due and no job: nobody need get up for it."""
SHOWS = timedelta(minutes=15)
"""A clear sun is measured within so long of coming up: until then it may just be low, red and faint."""
LOOK_S = 300.0
"""How often it is worth looking whether the sun has been up unseen for too long."""
HIDDEN = timedelta(minutes=30)
"""A sun that no picture has shown for so long is behind cloud without a gap: broken cloud shows it sooner,
and what drifts over the edge by itself was seen until it left."""
PICTURED = frozenset({"battery", "card", "timer"})
"""Without these no pictures come."""


def exit_worth_utc(forecast: Forecast) -> datetime | None:
    """Return when the disc comes to the edge, of a sun that is well clear of the horizon line.

    What the air lifts over the edge in the minutes of rising or setting, and lets back, is no exit.
    """
    if "exit-at-horizon" in forecast.flags:
        return forecast.exit.clear_utc
    told = next((one.time_utc for one in forecast.due if one.reason == "drift"), None)
    return forecast.exit.early_utc or told


def blind_since_utc(forecast: Forecast, seen: Seen) -> datetime | None:
    """Return since when nobody knows where the disc stands; None: it is known as well as the forecast is."""
    placed, pointing = seen.placed_utc, forecast.pointing
    if placed is None or pointing is None or pointing.seen_utc >= placed:
        return None
    return placed


def hidden_since_utc(seen: Seen, leaves_utc: datetime | None) -> datetime | None:
    """Return since when cloud has hidden a disc that leaves at a time; None: it was seen until then."""
    last_utc, frame_utc = seen.disc_utc, seen.frame_utc
    if last_utc is None or frame_utc is None or leaves_utc is None:
        return None
    return last_utc if min(frame_utc, leaves_utc) - last_utc >= HIDDEN else None


def agenda_of(
    forecast: Forecast | None, settings: Settings, now_utc: datetime, seen: Seen | None = None
) -> Agenda:
    """Return what is to be done, as of now."""
    seen = seen or Seen()
    now_s = utc_s(now_utc)
    night = night_of(settings.site, now_s)
    if seen.clock is not None:
        forecast = None  # its times are those of a clock that is wrong
    due = forecast.due if forecast is not None else ()
    jobs = [_renewal(one, settings, now_utc, seen, forecast) for one in due if _renewed(one)]
    blind = blind_since_utc(forecast, seen) if forecast is not None else None
    if blind is not None and _after(seen.disc_utc, blind):
        blind = None  # it is seen where it is, and a forecast of it is on its way
    if forecast is not None:
        jobs += _placings(forecast, settings, now_utc, seen, blind)
        jobs += [_limit(one, forecast, settings, now_utc) for one in due if one.reason == "axis-limit"]
    known = forecast is not None and forecast.pointing is not None
    return Agenda(
        time_utc=now_utc,
        known_until_utc=now_utc + KNOWN if known else None,
        travel_min=settings.visit.travel_min,
        visit_min=settings.thresholds.visit_default_min,
        jobs=tuple(sorted(jobs, key=lambda job: (job.due_utc, job.name))),
        sets_utc=night.sets_utc if night is not None else None,
        rises_utc=night.rises_utc if night is not None else None,
        goes=_goes(due, night),
        blind_since_utc=blind,
        unseen_since_utc=unseen_since_utc(seen, settings, now_utc) if seen.clock is None else None,
        up_unseen=_up_unseen(forecast, settings, now_utc, seen) if known and blind is None else None,
        clock=seen.clock,
        to_bed_utc=to_bed_utc(settings, now_utc),
    )


def _goes(due: Iterable[Due], night: Night | None) -> Due | None:
    """Return when the sun goes next, as all that is told of it counts: when not all of it is up any more."""
    goes = next((one for one in due if one.reason in NATURAL), None)
    sets = night.sets_utc if night is not None else None
    if goes is None or night is None or sets is None or not sets <= goes.time_utc:
        return goes
    return replace(goes, time_utc=sets) if utc_s(goes.time_utc) <= night.rises_s else goes


def unseen_since_utc(seen: Seen, settings: Settings, now_utc: datetime) -> datetime | None:
    """Return when the sun was last seen, if it has been up unseen for so long that somebody should look."""
    last_utc, most_s = seen.disc_utc, 60 * settings.thresholds.unverified_soon_min
    if last_utc is None or (now_utc - last_utc).total_seconds() < most_s:
        return None
    up_s = _up_s(settings.site, utc_s(last_utc), utc_s(now_utc) // LOOK_S * LOOK_S)
    return last_utc if up_s >= most_s else None


def _up_unseen(forecast: Forecast | None, settings: Settings, now_utc: datetime, seen: Seen) -> Job | None:
    """Return the sunrise since which it is up and not seen; None: it is, or that is called unverified."""
    most_s = 60 * settings.thresholds.unverified_soon_min
    night = night_before(settings.site, utc_s(now_utc), within_s=most_s)
    rises_utc = night.rises_utc if night is not None else None
    if forecast is None or night is None or rises_utc is None or now_utc < rises_utc + SHOWS:
        return None
    if seen.disc_utc is None or seen.disc_utc >= rises_utc:
        return None
    rise = rise_of(forecast, settings, night.rises_s, seen.size_px)
    return Job(name="sunrise", due_utc=rises_utc, by_utc=rises_utc, rise=rise)


@lru_cache(maxsize=8)
def _up_s(site: Site, begin_s: float, end_s: float) -> float:
    """Return for how long the sun was up."""
    return sum(end - begin for begin, end in daylight(sun_of(site), begin_s, end_s).spans)


def to_bed_utc(settings: Settings, now_utc: datetime) -> datetime | None:
    """Return when the sleep that is on began, or else the next begins; None where none is configured."""
    span = settings.sleep.night_s(utc_s(now_utc))
    return None if span is None else from_utc_s(span[0])


def _renewed(due: Due) -> bool:
    return due.reason not in NATURAL and due.reason not in {"drift", "axis-limit"}


def _renewal(due: Due, settings: Settings, now_utc: datetime, seen: Seen, forecast: Forecast | None) -> Job:
    """Return what is to be renewed, and how long it lasts when that is done now."""
    lasts_s = settings.supplies.last_s(settings.camera.interval_s).get(due.reason)
    return Job(
        name=due.reason,
        due_utc=due.time_utc,
        by_utc=due.time_utc,
        lasts_until_utc=None if lasts_s is None else now_utc + timedelta(seconds=lasts_s),
        outlived=due.time_utc <= now_utc and outlived(due.reason, due.time_utc, seen, forecast),
    )


def outlived(reason: str, due_utc: datetime, seen: Seen, forecast: Forecast | None) -> bool:
    """Return whether a supply is seen to work though its count is over: pictures are evidence."""
    if reason in PICTURED:
        return seen.frame_utc is not None and seen.frame_utc >= due_utc - OUTLIVED
    follows = forecast is None or forecast.departed_utc is None
    return reason == "mount-battery" and follows and _after(seen.disc_utc, due_utc - OUTLIVED)


def _after(one: datetime | None, other: datetime) -> bool:
    return one is not None and one >= other


def is_hour_angle(due_utc: datetime, settings: Settings) -> bool:
    """Whether it is the end of the allowed hour angles that comes then, not of the axis's travel."""
    allowed = settings.mount.hour_angle_limit_deg
    if allowed is None:
        return False
    hour_angle_deg = float(sun_of(settings.site).hour_angle_deg(utc_s(due_utc)))
    return abs(half_turn_deg(hour_angle_deg - allowed[1])) < 1.0


def _limit(due: Due, forecast: Forecast, settings: Settings, now_utc: datetime) -> Job:
    # A drive that stands is reckoned with as one that goes: it is to be started again.
    ratio = (forecast.mount.rate_ratio if forecast.mount is not None else 1.0) or 1.0
    hour_angle = is_hour_angle(due.time_utc, settings)
    # What stops at the meridian may go on from there until the sun comes to it again.
    still_deg = forecast.mount.axis_unwound_deg if forecast.mount is not None else 0.0
    lasts_s = DAY_S if hour_angle else settings.mount.axis_lasts_s(ratio, still_deg) or DAY_S
    # Where whole turns come off, the next limit comes when it comes, whenever this is done.
    since = due.time_utc if hour_angle else forecast.time_utc if still_deg > 0 else now_utc
    lasts = since + timedelta(seconds=lasts_s)
    return Job(
        name="axis-limit",
        due_utc=due.time_utc,
        by_utc=due.time_utc,
        lasts_until_utc=lasts,
        hour_angle=hour_angle,
    )


# Where the disc is put, which needs the sun.


def out_at_sunrise(site_night: Night | None, exit_s: float, lead_s: float) -> bool:
    """Whether nobody could see to an exit between sunrise and it: only before sunset, or at sunrise."""
    return site_night is not None and site_night.sets_s < exit_s < site_night.rises_s + lead_s


def exit_night(settings: Settings, exit_s: float) -> Night | None:
    """Return the night before an exit that leaves no time to see to it after sunrise; None: there is time."""
    lead_s = 60 * settings.thresholds.lead_now_min
    night = night_before(settings.site, exit_s, within_s=lead_s)
    return night if out_at_sunrise(night, exit_s, lead_s) else None


def exit_of(
    forecast: Forecast, settings: Settings, now_utc: datetime
) -> tuple[datetime | None, Night | None]:
    """Return when the disc leaves, and the night at the end of which it has; None: it stays."""
    leaves = exit_worth_utc(forecast)
    if settings.mount.parked_at_night:
        # The drive stands from the first night after the disc was seen, until somebody points it anew.
        seen_utc = forecast.pointing.seen_utc if forecast.pointing is not None else now_utc
        night = night_of(settings.site, utc_s(seen_utc))
        rises = night.rises_utc if night is not None else None
        if night is not None and rises is not None and (leaves is None or leaves > rises):
            return rises, night if rises > now_utc else None
    if leaves is None:
        return None, None
    if leaves <= now_utc:
        # It is out: by night nobody can put it back.
        return leaves, night_on(settings.site, utc_s(now_utc))
    return leaves, exit_night(settings, utc_s(leaves))


def _placings(
    forecast: Forecast, settings: Settings, now_utc: datetime, seen: Seen, blind: datetime | None
) -> Iterable[Job]:
    """Yield putting the disc elsewhere while that can be done, or being there when the sun comes up."""
    if blind is not None:
        night = night_on(settings.site, utc_s(now_utc))
        rises = night.rises_utc if night is not None else None
        if rises is not None:
            yield Job(name="sunrise", due_utc=rises, by_utc=rises)
        return
    leaves, night = exit_of(forecast, settings, now_utc)
    if leaves is None:
        return
    rises = night.rises_utc if night is not None else None
    sets = night.sets_utc if night is not None else None
    parked = settings.mount.parked_at_night and rises == leaves
    if rises is None or night is None:
        place = place_for(forecast, leaves, None)
        hidden = hidden_since_utc(seen, leaves)
        yield replace(_drift(forecast, leaves, leaves, place), hidden_since_utc=hidden)
        return
    due = max(leaves, rises)
    if sets is not None and now_utc < sets and not parked:
        place = place_for(forecast, sets, None)
        if place is not None and place.outlasts(rises):
            yield _drift(forecast, due, sets, place)
            return
    rise = None if parked else rise_of(forecast, settings, night.rises_s, seen.size_px)
    then = place_at(forecast, rises)
    lasts = None if then is None else then.holds_until_utc
    yield Job(
        name="sunrise",
        due_utc=rises,
        by_utc=rises,
        edge=forecast.exit.edge,
        rise=rise,
        place=None if parked else then,
        lasts_until_utc=rises if lasts is not None and lasts < rises else lasts,
    )


def _drift(forecast: Forecast, due_utc: datetime, by_utc: datetime, place: Place | None) -> Job:
    lasts = due_utc if place is None else place.holds_until_utc
    return Job(
        name="drift",
        due_utc=due_utc,
        by_utc=by_utc,
        lasts_until_utc=lasts,
        place=place,
        edge=forecast.exit.edge,
    )
