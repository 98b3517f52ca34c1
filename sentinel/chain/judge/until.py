"""May the camera be left alone until a time, and with what done beforehand? It checks itself. Pure."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sentinel.chain.judge.agenda import Agenda, Job
from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.judge.places import place_for
from sentinel.core.foreseen import Place
from sentinel.core.records import Forecast

Lead = Callable[[str], timedelta]
"""How long before it is due a job counts as due."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What must be done, and what that comes to."""

    until_utc: datetime
    """The time asked for."""
    jobs: tuple[Job, ...]
    """What can and must be done beforehand."""
    holds_until_utc: datetime | None
    """Until when it holds with these done; None: as long as is foreseen."""
    ends: Job | None = None
    """What ends it; None: that nobody can foresee more."""
    known: bool = True
    """Whether anything is known of the mount."""
    clock: ClockOff | None = None
    """How far the camera's clock is off, where that is why nothing is."""
    unseen_since_utc: datetime | None = None
    """Or since when the sun has not been seen for hours of daylight,"""
    blind_since_utc: datetime | None = None
    """or no disc since it was put elsewhere,"""
    departed_utc: datetime | None = None
    """or the mount has not followed the sun."""
    others: tuple[Job, ...] = ()
    """What falls due and cannot be done beforehand, or gains nothing then."""

    @property
    def needed(self) -> tuple[Job, ...]:
        """All that falls due until then, with what must be done for it."""
        return _in_order([*self.jobs, *self.others])

    @property
    def holds(self) -> bool:
        """Whether it holds until the time asked for."""
        return self.known and (self.holds_until_utc is None or self.holds_until_utc >= self.until_utc)

    def again_utc(self, agenda: Agenda) -> datetime | None:
        """Return when to set off again; None: it holds, or nobody can say."""
        if self.holds or self.ends is None or self.holds_until_utc is None:
            return None
        if self.ends.name == "sunrise":
            return agenda.set_off_utc(self.ends)
        return self.holds_until_utc - timedelta(minutes=agenda.travel_min + agenda.visit_min)


def _no_lead(name: str) -> timedelta:
    del name
    return timedelta(0)


def answer(
    agenda: Agenda,
    forecast: Forecast | None,
    until_utc: datetime,
    now_utc: datetime,
    lead: Lead = _no_lead,
    *,
    lasting: bool = True,
) -> Answer:
    """Return what must be done so that the camera may be left alone until a time, and whether it then may.

    `lasting`: the disc is to be put where it lasts so long; else where the next visit would put it anyhow.
    """
    needed = [job for job in agenda.jobs if job.due_utc - lead(job.name) < until_utc]
    needed = [
        _placed_for(_awake(job, agenda, now_utc), forecast, until_utc if lasting else None) for job in needed
    ]
    doable = [job for job in needed if _gains(job, agenda, now_utc)]
    ends = [job for job in needed if job not in doable]
    if any(job.name == "axis-limit" for job in doable):
        doable, more = _with_recentring(agenda, doable, forecast, now_utc)
        # Whoever puts the disc back with the unwinding has no other recentring to do.
        ends = [job for job in ends if job.name != "drift" or agenda.dark(now_utc)]
        there = any(job.name == "sunrise" for job in ends)
        ends += [job for job in more if job.due_utc < until_utc and not there]
    when = [(job.due_utc, job) for job in ends]
    when += [(job.lasts_until_utc, job) for job in doable if job.lasts_until_utc is not None]
    holds, last = min(when, key=lambda one: one[0], default=(None, None))
    known = agenda.known_until_utc
    if known is not None and known < until_utc and (holds is None or known < holds):
        holds, last = known, None
    if last is not None and holds is not None and last.name == "drift" and agenda.dark(holds):
        # It comes up over the edge: nobody can put it back before that.
        last = _sunrise(agenda, last)
    departed = forecast.departed_utc if forecast is not None else None
    lost = agenda.blind_since_utc or agenda.unseen_since_utc or departed
    return Answer(
        until_utc=until_utc,
        jobs=_in_order(doable),
        others=_in_order(ends),
        holds_until_utc=holds,
        ends=last,
        known=known is not None and lost is None,
        clock=agenda.clock,
        unseen_since_utc=agenda.unseen_since_utc,
        blind_since_utc=agenda.blind_since_utc,
        departed_utc=departed,
    )


def _sunrise(agenda: Agenda, job: Job) -> Job:
    """Return being there when the sun comes up, for what a job no longer keeps by then."""
    rises = agenda.rises_utc
    if rises is None:
        return job
    return Job(name="sunrise", due_utc=rises, by_utc=rises, edge=job.edge)


def _in_order(jobs: Iterable[Job]) -> tuple[Job, ...]:
    return tuple(sorted(jobs, key=lambda job: (job.due_utc, job.name)))


def _awake(job: Job, agenda: Agenda, now_utc: datetime) -> Job:
    """Return a recentring that falls into sleep as one to be done before: by sunset, where that is sooner."""
    sets, bed = agenda.sets_utc, agenda.to_bed_utc
    if job.name != "drift" or sets is None or bed is None or not now_utc < sets <= bed < job.by_utc:
        return job
    return replace(job, by_utc=sets)


def _placed_for(job: Job, forecast: Forecast | None, until_utc: datetime | None) -> Job:
    """Return a recentring with the place that serves the time asked for."""
    if job.name != "drift" or forecast is None:
        return job
    place = place_for(forecast, job.by_utc, until_utc)
    return replace(job, place=place, lasts_until_utc=job.due_utc if place is None else place.holds_until_utc)


def _gains(job: Job, agenda: Agenda, now_utc: datetime) -> bool:
    """Whether doing it beforehand is possible and gains anything."""
    if job.name == "sunrise" or (job.name == "drift" and agenda.dark(now_utc)):
        return False
    if job.place is not None and not agenda.in_time(job.place.at_utc, now_utc):
        return False
    return job.lasts_until_utc is None or job.lasts_until_utc > max(job.due_utc, now_utc)


def _with_recentring(
    agenda: Agenda, doable: list[Job], forecast: Forecast | None, now_utc: datetime
) -> tuple[list[Job], list[Job]]:
    """Return the jobs with the recentring that an unwinding asks for, once, and who must be there for it."""
    if any(job.name == "drift" for job in doable):
        return doable, []
    rises = agenda.rises_utc
    if agenda.dark(now_utc):
        # It can be unwound in the dark; where the disc then stands shows when the sun is up.
        later = [] if rises is None else [Job(name="sunrise", due_utc=rises, by_utc=rises)]
        return [_recentred(job, None, rises) for job in doable], later
    place = forecast.places.now if forecast is not None and forecast.places is not None else None
    return [_recentred(job, place, now_utc) for job in doable], []


def _recentred(job: Job, place: Place | None, at_utc: datetime | None) -> Job:
    """Return an unwinding with the recentring that goes with it; any other job as it is."""
    if job.name != "axis-limit":
        return job
    ends = (job.lasts_until_utc, place.holds_until_utc if place is not None else None)
    lasts = min((one for one in ends if one is not None), default=None)
    return replace(job, place=place, recentre_utc=at_utc, lasts_until_utc=lasts)
