"""The pure step of the judge: what came in, in the order it came, to what is to be said of it."""

import dataclasses
from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from sentinel.chain.judge import (
    ahead,
    bedtime,
    brackets,
    delivery,
    lens,
    motion,
    optics,
    sanity,
    sighting,
    timekeeping,
    visit,
)
from sentinel.chain.judge.ahead import Ahead
from sentinel.chain.judge.bedtime import Bedtime
from sentinel.chain.judge.brackets import Brackets
from sentinel.chain.judge.causes import CAUSES, ON_THE_LIST, ORDER, SETTLE_S
from sentinel.chain.judge.delivery import Delivery
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.lens import Lens
from sentinel.chain.judge.lifecycle import Case, Finding, Readings, judged
from sentinel.chain.judge.motion import Motion
from sentinel.chain.judge.moves import Move
from sentinel.chain.judge.optics import Optics
from sentinel.chain.judge.sanity import Sanity
from sentinel.chain.judge.scene import Scene, Sight, sight_of
from sentinel.chain.judge.sighting import Sighting
from sentinel.chain.judge.supplies import COUNT_OVER
from sentinel.chain.judge.timekeeping import Timekeeping
from sentinel.chain.judge.track import is_tracking
from sentinel.chain.judge.visit import Visit
from sentinel.core.records import (
    Event,
    Forecast,
    Incident,
    Mark,
    MeasuredFrame,
    Severity,
    Surroundings,
)
from sentinel.core.settings import Settings
from sentinel.core.times import format_utc, from_utc_s, utc_s
from sentinel.sky import Sun

_MEASURED = ("lost-disc", "unverified", "covered-limb", "soft-focus", "dimmed")

_PLACE = {condition: place for place, condition in enumerate(ORDER)}

UNWINDING_S = 180.0
"""Nobody unwinds a mount in less."""
AT_LIMIT_S = 900.0
"""A mount that stops so near the time at which its axis was to reach its limit stands at it."""

_NOT_HELD_BY_VISIT = frozenset({"over-bright", "visit", "before-sleep"})


class JudgeState(NamedTuple):
    """All the judge remembers; bounded, comparable, and rebuilt by stepping the same events again."""

    start_s: float
    motion: Motion = Motion()
    sighting: Sighting = Sighting()
    optics: Optics = Optics()
    delivery: Delivery = Delivery()
    timekeeping: Timekeeping = Timekeeping()
    ahead: Ahead = Ahead()
    ahead_s: float = 0.0
    """When what can be foreseen was last gone through."""
    visit: Visit = Visit()
    sanity: Sanity = Sanity()
    bedtime: Bedtime = Bedtime()
    forecast: Forecast | None = None
    brackets: Brackets = Brackets()
    lens: Lens = Lens()
    sight: Sight | None = None
    """Of the last usable frame."""
    cases: tuple[Case, ...] = ()
    """Whatever is not quiet."""


class Judge:
    """Steps events and forecasts, in the order in which they come, into incidents.

    It reads no clock and words nothing: the same events at the same times give the same incidents and an
    equal state.
    """

    def __init__(self, settings: Settings, sun: Sun) -> None:
        self._scene = Scene(settings, sun)

    def fresh(self, start_utc: datetime) -> JudgeState:
        """Return the state at the start of a watch."""
        return JudgeState(start_s=utc_s(start_utc))

    def step(
        self, state: JudgeState, event: Event | Forecast, now_utc: datetime
    ) -> tuple[JudgeState, tuple[Incident, ...]]:
        """Take one event or forecast; return the new state and the incidents that opened, changed or cleared.

        Parameters
        ----------
        event
            A measured frame, tick, mark, surroundings, or a renewed forecast.
        now_utc
            When it is taken up; never decreasing.
        """
        now_s = utc_s(now_utc)
        if state.visit.going:
            state = self._visited(state, now_s)
        if isinstance(event, MeasuredFrame):
            state, found = self._frame(state, event, now_s)
        elif isinstance(event, Forecast):
            state, found = self._forecast(state, event)
        elif isinstance(event, Mark):
            state, found = self._mark(state, event), {}
        elif isinstance(event, Surroundings):
            state, found = self._surroundings(state, event), {}
        else:
            facts = self._last_facts(state)
            found = delivery.waited(state.delivery, state.start_s, now_s, self._scene, facts)
        state, passed = self._time(state, now_s)
        found |= passed
        return self._weighed(state, found, now_s, now_utc)

    def _frame(self, state: JudgeState, frame: MeasuredFrame, now_s: float) -> tuple[JudgeState, Readings]:
        """Take one file that arrived."""
        if frame.error is not None:
            return state._replace(delivery=delivery.damaged(state.delivery)), {}
        scene = self._scene
        saneness, own = sanity.own(
            state.sanity,
            frame,
            utc_s(frame.time_utc),
            last_s=state.delivery.taken_s,
            interval_s=scene.interval_s,
        )
        if not own:
            found: Readings = {"mixed-cameras": sanity.mixed_finding(saneness, now_s)}
            return state._replace(sanity=saneness), found
        if saneness.source != state.sanity.source:
            # Another camera: pixels, edges and light of the one before say nothing of it.
            state = state._replace(motion=Motion(), sighting=Sighting(), optics=Optics(), lens=Lens())
        exposed, sight = brackets.told(state.brackets, sight_of(frame, scene))
        delivered, found = delivery.came(state.delivery, sight, now_s, scene)
        times, more = timekeeping.came(state.timekeeping, frame, state.motion.track, scene)
        found |= more
        if times.step is not None and times.step is not state.timekeeping.step:
            saneness = sanity.clock_was_set(saneness)
        moving, more = motion.saw(state.motion, sight, state.forecast, scene)
        if more.get("runaway", 0) is None and saneness.impossible is None:
            # By a place or a time that cannot be right a healthy drive looks wrong.
            more["runaway"] = state.ahead.rate
        found |= self._at_limit(more, foreseen=state.ahead)
        seeing, more = sighting.saw(state.sighting, sight, moving.track.drift, scene)
        found |= more
        looking, more = optics.saw(
            state.optics,
            sight,
            scene,
            cloudy_s=seeing.hints[-1] if seeing.hints else None,
            known=not exposed.learning,
        )
        found |= more
        saneness, more = sanity.saw(
            saneness, sight, scene, stops=sighting.level_stops(sight), cloudy=bool(seeing.hints)
        )
        found |= more
        found["mixed-cameras"] = sanity.mixed_finding(saneness, now_s)
        found["eclipse"] = scene.eclipse_finding(sight.time_s)
        size = lens.saw(state.lens, sight, scene)
        found |= {"settings:lens": size.wrong, "lens": size.changed}
        found["settings:tracking"] = motion.tracking_finding(moving, scene)
        foreseen = state.ahead
        if state.motion.running is not None and moving.running is None:
            # What was foreseen while the disc ran away is of no use now that it is carried again.
            foreseen = ahead.placed_anew(foreseen, sight.time_s)
        if moving.move is not state.motion.move and moving.move is not None:
            foreseen = ahead.placed_anew(foreseen, moving.move.onset_s)
            foreseen = self._perhaps_unwound(foreseen, moving.move, state.forecast)
        foreseen = ahead.saw(foreseen, frame)
        good = sight.trusted and sight.covered < 0.3 and moving.leap is None and moving.running is None
        state = state._replace(
            motion=moving,
            sighting=seeing,
            optics=looking,
            brackets=exposed,
            lens=size,
            delivery=delivered,
            timekeeping=times,
            sanity=saneness,
            ahead=foreseen,
            visit=visit.saw(state.visit, good=good),
            sight=sight,
        )
        return state, found

    @staticmethod
    def _at_limit(found: Readings, foreseen: Ahead) -> Readings:
        """Say of a mount that stops where its axis ends that it does: who restarts it there winds on."""
        running, limit_s = found.get("runaway"), foreseen.limit_s
        if running is None or limit_s is None or abs(running.onset_s - limit_s) > AT_LIMIT_S:
            return found
        told = dataclasses.replace(running, detail={**running.detail, "at_axis_limit": True})
        return {**found, "runaway": told}

    @staticmethod
    def _last_facts(state: JudgeState) -> Mapping[str, object]:
        """Return how things stood when the last frame came."""
        last = state.forecast
        fine = state.sight is not None and state.sight.trusted and state.motion.running is None
        early = last.exit_early_utc if last is not None and fine else None
        return {"mount_was_fine": fine, "alone_until_utc": None if early is None else format_utc(early)}

    @staticmethod
    def _perhaps_unwound(foreseen: ahead.Ahead, move: Move, last: Forecast | None) -> ahead.Ahead:
        """Ask whether the axis was unwound where it had turned far and a pause ended in a jump."""
        turned = last.axis_turned_deg if last is not None else None
        paused = move.landed_s - move.onset_s >= UNWINDING_S
        return foreseen._replace(unwound_asked=True) if paused and (turned or 0.0) > 90 else foreseen

    def _forecast(self, state: JudgeState, forecast: Forecast) -> tuple[JudgeState, Readings]:
        foreseen = ahead.forecast_came(state.ahead, forecast, self._scene)
        state = state._replace(
            ahead=foreseen,
            ahead_s=0.0,
            motion=motion.forecast_came(state.motion, forecast, self._scene),
            sanity=sanity.forecast_came(state.sanity, forecast),
            forecast=forecast,
        )
        return state, {}

    def _mark(self, state: JudgeState, mark: Mark) -> JudgeState:
        """Take the operator's word for what was done."""
        state = state._replace(ahead=ahead.marked(state.ahead, mark), ahead_s=0.0)
        state = state._replace(cases=ahead.mended_by(state.cases, mark, self._scene))
        if mark.kind == "visit":
            return state._replace(visit=visit.marked(state.visit, mark, self._scene))
        if mark.kind in {"recentred", "unwound", "realigned"}:
            told = motion.told_recentred(
                state.motion, utc_s(mark.time_utc), forget_drift=mark.kind == "realigned"
            )
            return state._replace(motion=told)
        if mark.kind == "refocused":
            return state._replace(optics=optics.refocused(state.optics))
        return state

    @staticmethod
    def _surroundings(state: JudgeState, event: Surroundings) -> JudgeState:
        """Take what the computer reads of its disk, its folder and itself."""
        return state._replace(
            start_s=state.start_s + (event.away_s or 0.0),
            ahead=ahead.surroundings_came(state.ahead, event),
            delivery=delivery.looked_around(state.delivery, event),
        )

    def _time(self, state: JudgeState, now_s: float) -> tuple[JudgeState, Readings]:
        """Let time pass: visits end, old news fades, what was far comes near."""
        scene = self._scene
        if state.motion.move is not None:
            state = state._replace(motion=motion.time_passed(state.motion, now_s, scene))
        if now_s - state.ahead_s < 55:
            return self._visit_readings(state, now_s)
        state = state._replace(ahead_s=now_s)
        sight = state.sight
        seen = sight is not None and sight.trusted and now_s - sight.time_s < 3 * scene.interval_s
        tracking = seen and state.motion.running is None and is_tracking(state.motion.track, scene)
        found = ahead.readings(state.ahead, now_s, scene, tracking=tracking)
        if scene.settings.sleep.from_utc is not None:
            night = bedtime.time_passed(state.bedtime, state.ahead, state.forecast, now_s, scene)
            state = state._replace(bedtime=night)
            found["before-sleep"] = bedtime.finding(state.bedtime, now_s, scene)
        state, more = self._visit_readings(state, now_s)
        return state, found | more

    def _visited(self, state: JudgeState, now_s: float) -> JudgeState:
        going, ended = visit.time_passed(state.visit, now_s)
        state = state._replace(visit=going)
        if not ended:
            return state
        if state.delivery.last_s is None:
            # It was over before the first picture: there is nothing it can have left wrong.
            return state._replace(visit=going._replace(checking=False))
        # Whatever was done to the camera is judged by what comes now; that the mount stands shows already.
        runs = motion.is_running(state.motion, now_s, self._scene)
        return state._replace(
            motion=state.motion if runs else motion.told_recentred(state.motion, now_s, just_now=False),
            sighting=state.sighting._replace(dark_since_s=None, dark_frames=0, steady=None),
            optics=optics.cleaned(state.optics),
        )

    def _visit_readings(self, state: JudgeState, now_s: float) -> tuple[JudgeState, Readings]:
        open_visit = any(case.condition == "visit" for case in state.cases)
        if not (state.visit.going or state.visit.checking or open_visit):
            return state, {}
        up = self._scene.glance(now_s).clear_deg > self._scene.thresholds.sun_clear_deg
        visited, found = visit.readings(
            state.visit,
            now_s,
            self._scene,
            sun_up=up,
            cloudy=bool(state.sighting.hints),
            until_s=self._alone_until_s(state, now_s),
        )
        return (state if visited == state.visit else state._replace(visit=visited)), found

    def _alone_until_s(self, state: JudgeState, now_s: float) -> float | None:
        """Return until when the camera may be left alone, for the good word at the end of a visit."""
        now_utc = from_utc_s(now_s)
        agenda = agenda_of(state.forecast, self._scene.settings, now_utc, state.ahead.seen)
        until_utc = agenda.alone_until_utc(now_utc)
        return None if until_utc is None else utc_s(until_utc)

    def _weighed(
        self, state: JudgeState, found: Readings, now_s: float, now_utc: datetime
    ) -> tuple[JudgeState, tuple[Incident, ...]]:
        """Pass each reading through the table of the incident's life."""
        cases = {case.condition: case for case in state.cases}
        if not cases and not any(found.values()):
            return state, ()
        said: list[Incident] = []
        for condition in sorted(found, key=_PLACE.__getitem__):
            finding, case = found[condition], cases.get(condition)
            if case is None:
                if finding is None:
                    continue
                case = Case(condition=condition)
            held = finding is not None and self._held(state, condition, finding, cases, now_s)
            settle_s = SETTLE_S.get(condition, 0.0)
            case, incident = judged(case, finding, held=held, settle_s=settle_s, now_s=now_s, now_utc=now_utc)
            cases[condition] = case
            if incident is not None:
                said.append(incident)
        kept = tuple(case for case in cases.values() if not case.quiet)
        return (state if kept == state.cases else state._replace(cases=kept)), tuple(said)

    def _busy(self, state: JudgeState, now_s: float) -> bool:
        """Whether somebody was seen to push the disc about a moment ago, announced or not."""
        busy_s = state.motion.busy_s
        return busy_s is not None and now_s - busy_s < self._scene.busy_s

    def _held(
        self, state: JudgeState, condition: str, finding: Finding, cases: Mapping[str, Case], now_s: float
    ) -> bool:
        """Whether a cause, a visit or the list of the evening already says it."""
        if finding.urgent:
            return False
        if state.visit.going and condition not in _NOT_HELD_BY_VISIT:
            return True
        running = state.motion.running
        if condition == "runaway" and running is not None and now_s < running.people_until_s:
            return True
        for cause in CAUSES.get(condition, ()):
            case = cases.get(cause)
            if case is not None and case.open and _explains(case):
                return True
        awaited = state.visit.checking and not state.visit.failed
        if condition in _MEASURED and (awaited or self._busy(state, now_s)):
            return True
        if condition == "drift-exit" and (state.motion.leap is not None or self._busy(state, now_s)):
            return True
        job = ON_THE_LIST.get(condition)
        listed = job is not None and bedtime.announced(state.bedtime, job, now_s)
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
