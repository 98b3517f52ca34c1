"""The pure step of the judge: what came in, in the order it came, to what is to be said of it."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from math import inf
from typing import NamedTuple

from sentinel.chain.judge import (
    arrivals,
    bedtime,
    brackets,
    deadlines,
    eclipse,
    lens,
    mount,
    optics,
    plausibility,
    timekeeping,
    visibility,
    visit,
)
from sentinel.chain.judge.arrivals import Arrivals
from sentinel.chain.judge.bedtime import Bedtime
from sentinel.chain.judge.brackets import Brackets
from sentinel.chain.judge.conditions import BY_NAME, PLACE
from sentinel.chain.judge.deadlines import Deadlines
from sentinel.chain.judge.details import Runaway
from sentinel.chain.judge.edge import ended_by_night, left_as_told
from sentinel.chain.judge.jobs import agenda_of, exit_worth_utc
from sentinel.chain.judge.lens import Lens
from sentinel.chain.judge.lifecycle import Case, Finding, Readings, judged
from sentinel.chain.judge.optics import EdgeAndLight
from sentinel.chain.judge.others import Company, own_sun
from sentinel.chain.judge.plausibility import Plausibility
from sentinel.chain.judge.supplies import COUNT_OVER
from sentinel.chain.judge.timekeeping import Timekeeping
from sentinel.chain.judge.two_clocks import TwoClocks
from sentinel.chain.judge.visibility import Visibility
from sentinel.chain.judge.visit import VisitState
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import is_tracking
from sentinel.chain.track.runs import Moved
from sentinel.chain.track.state import Track
from sentinel.core.other_cameras import OtherCamera, SunSeen
from sentinel.core.records import (
    Event,
    Forecast,
    Incident,
    Mark,
    MeasuredFrame,
    Severity,
    Surroundings,
)
from sentinel.core.times import from_utc_s, utc_s

UNWINDING_S = 180.0
"""Nobody unwinds a mount in less."""
GOOD_COVERED = 0.3
"""After a visit a disc with less of its limb covered is a good picture: cloud may be about."""
LOOKED_AHEAD_S = 55.0
"""What can be foreseen is gone through once a minute, whose ticks may come a little early."""
AT_LIMIT_S = 900.0
"""A mount that stops so near the time at which its axis was to reach its limit stands at it."""


class JudgeState(NamedTuple):
    """All the judge remembers; bounded, comparable, and rebuilt by stepping the same events again."""

    start_s: float
    track: Track = Track()
    """What the disc was doing after the last event."""
    visibility: Visibility = Visibility()
    optics: EdgeAndLight = EdgeAndLight()
    arrivals: Arrivals = Arrivals()
    timekeeping: Timekeeping = Timekeeping()
    deadlines: Deadlines = Deadlines()
    deadlines_s: float = 0.0
    """When what can be foreseen was last gone through."""
    visit: VisitState = VisitState()
    plausibility: Plausibility = Plausibility()
    bedtime: Bedtime = Bedtime()
    brackets: Brackets = Brackets()
    lens: Lens = Lens()
    sight: Observation | None = None
    """Of the last usable frame."""
    company: Company = Company()
    """What other cameras of the site tell."""
    clocks: TwoClocks = TwoClocks()
    """This camera's clock beside theirs."""
    sun: SunSeen | None = None
    """What this one tells them."""
    cases: tuple[Case, ...] = ()
    """Whatever is not quiet."""


class Judge:
    """Steps events and forecasts, in the order in which they come, into incidents.

    It reads no clock and words nothing: the same events at the same times give the same incidents and an
    equal state.
    """

    def __init__(self, context: Context) -> None:
        self._context = context

    def fresh(self, start_utc: datetime) -> JudgeState:
        """Return the state at the start of a watch."""
        return JudgeState(start_s=utc_s(start_utc))

    def step(
        self, state: JudgeState, event: Event | Forecast, track: Track, now_utc: datetime
    ) -> tuple[JudgeState, tuple[Incident, ...]]:
        """Take one event or forecast; return the new state and the incidents that opened, changed or cleared.

        `event`: a measured frame, tick, mark, surroundings, or a renewed forecast.
        `track`: what the disc is doing, that event taken in.
        `now_utc`: when it is taken up; never decreasing.
        """
        now_s = utc_s(now_utc)
        before, state = state.track, state._replace(track=track)
        if before.visit.going and (not track.visit.going or track.visit.from_s != before.visit.from_s):
            state = self._visit_ended(state)
        if isinstance(event, MeasuredFrame):
            state, found = self._frame(state, event, before, now_s)
        elif isinstance(event, Forecast):
            state, found = self._forecast(state, event)
        elif isinstance(event, Mark):
            state, found = self._mark(state, event), {}
        elif isinstance(event, Surroundings):
            state, found = self._surroundings(state, event), {}
        elif isinstance(event, OtherCamera):
            state, found = self._other(state, event)
        else:
            fine = state.sight is not None and state.sight.trusted and state.track.run is None
            last = state.track.forecast if state.deadlines.seen.clock is None else None
            found = arrivals.silence_readings(
                state.arrivals,
                state.start_s,
                now_s,
                self._context,
                mount_was_fine=fine,
                alone_until_utc=exit_worth_utc(last) if last is not None and fine else None,
            )
        state, passed = self._time(state, now_s)
        found |= passed
        return self._weighed(state, found, now_s, now_utc)

    def _frame(
        self, state: JudgeState, frame: MeasuredFrame, before: Track, now_s: float
    ) -> tuple[JudgeState, Readings]:
        """Take one file that arrived; `before` is what the disc did until then."""
        if frame.error is not None:
            return state._replace(arrivals=arrivals.take_damaged(state.arrivals)), {}
        context, track = self._context, state.track
        mixed = plausibility.mixed_finding(track.cameras, now_s)
        if not track.own or track.seen is None:
            return state, {"mixed-cameras": mixed}
        if track.cameras.source != before.cameras.source:
            # Another camera: edges and light of the one before say nothing of it.
            state = state._replace(visibility=Visibility(), optics=EdgeAndLight(), lens=Lens())
        exposed, sight = brackets.labelled(state.brackets, track.seen)
        delivered, found = arrivals.take_frame(state.arrivals, sight, now_s, context)
        times, more = timekeeping.take_frame(state.timekeeping, frame, before.path, context)
        found |= more
        saneness = state.plausibility
        if times.step is not None and times.step is not state.timekeeping.step:
            saneness = plausibility.clock_was_set(saneness)
        more = mount.readings(track, sight, context, state.visibility.back)
        if more.get("runaway", 0) is None and not saneness.settings_wrong:
            more["runaway"] = state.deadlines.rate
        elif more.get("runaway", 0) is None and any(map(deadlines.is_of_rate, state.cases)):
            # By a place or a time that cannot be right a healthy drive looks wrong, and none is right again.
            del more["runaway"]
        found |= self._at_limit(more, foreseen=state.deadlines)
        seeing, more = visibility.take_frame(
            state.visibility, sight, track.path.drift, context, state.company
        )
        found |= more
        found |= left_as_told(found, state.deadlines.exit, state.cases, sight.time_s)
        looking, more = optics.take_frame(
            state.optics,
            sight,
            context,
            cloudy_s=seeing.hints[-1] if seeing.hints else None,
            known=not exposed.learning,
        )
        found |= more
        saneness, more = plausibility.take_frame(saneness, sight, context)
        found |= more
        found["mixed-cameras"] = mixed
        found["eclipse"] = eclipse.finding(sight.time_s, context)
        size = lens.take_frame(state.lens, sight, context)
        found |= {"settings:lens": size.wrong, "lens": size.changed}
        found["settings:tracking"] = mount.tracking_finding(track, context)
        foreseen = state.deadlines
        if before.run is not None and track.run is None:
            # What was foreseen while the disc ran away is of no use now that it is carried again.
            foreseen = deadlines.placed_anew(foreseen, sight.time_s)
        if track.moved is not before.moved and track.moved is not None:
            foreseen = deadlines.placed_anew(foreseen, track.moved.onset_s, now_s)
            foreseen = self._perhaps_unwound(foreseen, track.moved, track.forecast)
        foreseen = deadlines.note_clock(deadlines.note_seen(foreseen, frame), times.lags.off)
        clocks = state.clocks.after_frame(frame, sight, track.forecast, times.lags.soonest_s, context)
        good = sight.trusted and sight.covered < GOOD_COVERED and track.steady
        state = state._replace(
            visibility=seeing,
            optics=looking,
            brackets=exposed,
            lens=size,
            arrivals=delivered,
            timekeeping=times,
            plausibility=saneness,
            deadlines=foreseen,
            visit=visit.take_frame(state.visit, found=sight.found, good=good, going=track.visit.going),
            sight=sight,
            sun=own_sun(
                state.sun, sight, track, context, checking=state.visit.checking, low=clocks.newest(frame)
            ),
            clocks=clocks,
        )
        return state, found

    def _other(self, state: JudgeState, news: OtherCamera) -> tuple[JudgeState, Readings]:
        """Take what another camera of the site tells."""
        clocks, compared = state.clocks.after_other(news.camera, news.sun.low, self._context.settings.site)
        found: Readings = {"clocks-differ": clocks.finding} if compared else {}
        return state._replace(company=state.company.after(news), clocks=clocks), found

    @staticmethod
    def _at_limit(found: Readings, foreseen: Deadlines) -> Readings:
        """Say of a mount that stops where its axis ends that it does: who restarts it there winds on."""
        running, limit_s = found.get("runaway"), foreseen.limit_s
        if running is None or limit_s is None or abs(running.onset_s - limit_s) > AT_LIMIT_S:
            return found
        if not isinstance(running.detail, Runaway):
            return found
        told = replace(running, detail=replace(running.detail, at_axis_limit=True))
        return {**found, "runaway": told}

    @staticmethod
    def _perhaps_unwound(foreseen: Deadlines, move: Moved, last: Forecast | None) -> Deadlines:
        """Ask whether the axis was unwound where it had turned far and a pause ended in a jump."""
        turned = last.mount.axis_turned_deg if last is not None and last.mount is not None else 0.0
        paused = move.arrived_s - move.onset_s >= UNWINDING_S
        return foreseen._replace(unwound_asked=True) if paused and turned > 90 else foreseen

    def _forecast(self, state: JudgeState, forecast: Forecast) -> tuple[JudgeState, Readings]:
        if state.timekeeping.lags.doubtful:
            return state, {}
        foreseen = deadlines.take_forecast(state.deadlines, forecast, self._context)
        state = state._replace(
            deadlines=foreseen,
            deadlines_s=0.0,
            plausibility=plausibility.take_forecast(state.plausibility, forecast),
        )
        return state, {}

    def _mark(self, state: JudgeState, mark: Mark) -> JudgeState:
        """Take the operator's word for what was done."""
        state = state._replace(deadlines=deadlines.take_mark(state.deadlines, mark), deadlines_s=0.0)
        state = state._replace(cases=deadlines.mended_by(state.cases, mark, self._context))
        if mark.kind == "visit":
            seen, last = state.visibility.seen, state.sight
            unseen_s = last.time_s - seen.time_s if last is not None and seen is not None else None
            return state._replace(visit=visit.begun(state.visit, state.track.visit, mark, unseen_s=unseen_s))
        if mark.kind == "refocused":
            return state._replace(optics=optics.refocused(state.optics))
        return state

    @staticmethod
    def _surroundings(state: JudgeState, event: Surroundings) -> JudgeState:
        """Take what the computer reads of its disk, its folder and itself."""
        return state._replace(
            start_s=state.start_s + (event.away_s or 0.0),
            deadlines=deadlines.take_surroundings(state.deadlines, event),
            clocks=state.clocks.after_surroundings(event),
            arrivals=arrivals.take_surroundings(state.arrivals, event),
        )

    def _time(self, state: JudgeState, now_s: float) -> tuple[JudgeState, Readings]:
        """Let time pass: visits end, old news fades, what was far comes near."""
        context = self._context
        if now_s - state.deadlines_s < LOOKED_AHEAD_S:
            return self._visit_readings(state, now_s)
        state = state._replace(deadlines_s=now_s)
        sight = state.sight
        seen = sight is not None and sight.trusted and now_s - sight.time_s < 3 * context.interval_s
        run = state.track.run
        tracking = seen and run is None and is_tracking(state.track.path, context)
        if state.timekeeping.lags.doubtful:
            kept = deadlines.without_forecast(state.deadlines, now_s, context)
            state = state._replace(deadlines=kept)
        turns = run is None or run.kind == "wrong-rate"
        found = deadlines.readings(state.deadlines, now_s, context, tracking=tracking, turns=turns)
        if context.settings.sleep.is_told:
            night = bedtime.time_passed(state.bedtime, state.deadlines, state.track.forecast, now_s, context)
            state = state._replace(bedtime=night)
            found["before-sleep"] = bedtime.finding(state.bedtime, now_s, context)
        state, more = self._visit_readings(state, now_s)
        return state, found | more

    @staticmethod
    def _visit_ended(state: JudgeState) -> JudgeState:
        """Begin to see what a visit has left behind."""
        if state.arrivals.last_s is None:
            # It was over before the first picture: there is nothing it can have left wrong.
            return state
        return state._replace(
            visit=state.visit._replace(checking=True),
            visibility=state.visibility._replace(dark_since_s=None, dark_frames=0, steady=None),
            optics=optics.cleaned(state.optics),
        )

    def _visit_readings(self, state: JudgeState, now_s: float) -> tuple[JudgeState, Readings]:
        open_visit = any(case.condition == "visit" for case in state.cases)
        if not (state.track.visit.going or state.visit.checking or open_visit):
            return state, {}
        up = self._context.sun_at(now_s).clear_deg > self._context.thresholds.sun_clear_deg
        now_utc, seen = from_utc_s(now_s), state.deadlines.seen
        agenda = agenda_of(state.track.forecast, self._context.settings, now_utc, seen)
        until_utc = agenda.alone_until_utc(now_utc)
        visited, found = visit.readings(
            state.visit,
            state.track.visit,
            now_s,
            self._context,
            sun_up=up,
            cloudy=bool(state.visibility.hints),
            sky_clear=state.visibility.missed,
            until_s=None if until_utc is None else utc_s(until_utc),
            known=agenda.known_until_utc is not None,
            ends=next((job.name for job in agenda.pending), ""),
            unmarked=tuple(mark for case in state.cases if (mark := deadlines.mark_of(case))),
        )
        return (state if visited == state.visit else state._replace(visit=visited)), found

    def _weighed(
        self, state: JudgeState, found: Readings, now_s: float, now_utc: datetime
    ) -> tuple[JudgeState, tuple[Incident, ...]]:
        """Pass each reading through the table of the incident's life."""
        cases = {case.condition: case for case in state.cases}
        if not cases and not any(found.values()):
            return state, ()
        said: list[Incident] = []
        for condition in sorted(found, key=PLACE.__getitem__):
            finding, case = found[condition], cases.get(condition)
            if case is None:
                if finding is None:
                    continue
                case = Case(condition=condition)
            held = finding is not None and self._held(state, condition, finding, cases, now_s)
            settle_s = BY_NAME[condition].settle_s
            case, incident = judged(case, finding, held=held, settle_s=settle_s, now_s=now_s, now_utc=now_utc)
            cases[condition] = case
            if incident is not None:
                last, seen = state.visibility.seen, state.deadlines.seen
                said.append(ended_by_night(incident, last, seen, self._context.settings))
        kept = tuple(case for case in cases.values() if not case.quiet)
        return (state if kept == state.cases else state._replace(cases=kept)), tuple(said)

    def _busy(self, state: JudgeState, now_s: float) -> bool:
        """Whether somebody was seen to push the disc about a moment ago, announced or not."""
        return now_s - (state.track.pushed_about_s or -inf) < self._context.busy_s

    def _held(
        self, state: JudgeState, condition: str, finding: Finding, cases: Mapping[str, Case], now_s: float
    ) -> bool:
        """Whether a cause, a visit or the list of the evening already says it."""
        if finding.urgent:
            return False
        row = BY_NAME[condition]
        if state.track.visit.going and not row.said_on_visits:
            return True
        run = state.track.run
        if condition == "runaway" and run is not None and now_s < run.people_until_s:
            return True
        for cause in row.explained_by:
            case = cases.get(cause)
            if case is not None and case.open and _explains(case):
                return True
        awaited = state.visit.checking and not state.visit.failed
        if row.by_measurement and (awaited or self._busy(state, now_s)):
            return True
        if condition == "drift-exit" and (state.track.moving is not None or self._busy(state, now_s)):
            return True
        listed = row.job is not None and bedtime.announced(state.bedtime, row.job, now_s)
        if listed and condition.startswith("supply:"):
            # What fails in the night is told by what fails; that its count is over ends an older word.
            case = cases.get(condition)
            return not (finding.story == COUNT_OVER and case is not None and case.open)
        return listed and finding.severity is not Severity.NOW


def _explains(cause: Case) -> bool:
    """Whether it explains its effects: a wrong rate, or an edge that is still far, does not yet."""
    if cause.condition in {"runaway", "drift-exit", "visit"}:
        return cause.severity is Severity.NOW
    return True
