"""The one who does exactly as the program tells, no more and no less; and the account of what was lost."""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from sentinel.chain.judge.camera_details import BeforeSleep
from sentinel.chain.judge.details import RATE_OPEN, RATE_UNUSUAL, DriftExit, DriveRate, LostDisc, Runaway
from sentinel.chain.judge.edge import GETS_UP_MIN
from sentinel.chain.notify.tasks import SEEN_BY_EYE
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import RequestProblem
from sentinel.core.foreseen import Place
from sentinel.core.records import Alert, Event, Mark, MeasuredFrame, Tick
from sentinel.jobs.align import Alignment, align, alignment_lines
from sentinel.service.status.board import Board
from sentinel.service.status.lines import until_lines
from sentinel.service.status.making import standing_of
from sentinel.service.status.standing import until
from tests.worlds.people import HEARS, MARKS, SLEEPS_H, THICK, Account, Scene, middle, spans_of
from tests.worlds.world import World

BLOCK = 240
ALIGNS_H = (1.0, 2.0, 3.5, 6.0, 9.0, 20.0)
VAIN_S = 7200.0
"""For so long a way in vain explains that nothing is done."""
IN_THE_SKY = "the sun is in the sky"
READY_S = 180.0
"""From the first message to the door."""
WAITS_S = 1200.0


def time_of(time_s: float) -> datetime:
    return datetime.fromtimestamp(round(time_s, 3), UTC)


@dataclass
class Trip:
    """A way to the camera: when one gets there, and why one went."""

    arrives_s: float
    why: str
    forced: set[str] = field(default_factory=set)
    """Jobs that the list names."""


class Operator:
    """Feeds a session to the pipeline and does what comes of it."""

    def __init__(self, world: World, *, aligns: bool = False) -> None:
        who = "with the tool, aligned" if aligns else "with the tool"
        self.scene = Scene(world, who, seed=1)
        self.world, self.settings, self.aligns = world, world.settings, aligns
        self.pipeline = Pipeline(self.settings, start_utc=time_of(world.start_s))
        self.board = Board()
        self.trip: Trip | None = None
        self.events: list[tuple[Event, datetime]] = []
        self.said: list[tuple[float, str, str, str]] = []
        """Time, severity, condition, text: all that went out."""
        self.nows: list[tuple[float, bool]] = []
        """When somebody was to be woken, and whether it was heard."""
        self.promises: list[tuple[float, float]] = []
        """When a disc was put as told, and until when that was to hold."""
        self.vain: list[float] = []
        """Ways made with the sun down."""
        self._listed_s = -np.inf
        self._done: set[str] = set()
        """What was done on the last visit, by its marks."""
        self._alarms: list[float] = []
        """Sunrises at which it was said to be there."""
        self._up_until_s = -np.inf
        self._looks_for_sun = ""
        """Why one looks up now and then, where one is told to: to go once the sun is to be seen."""
        self._block: dict[int, MeasuredFrame] = {}
        self._looks = [world.start_s + hours * 3600 for hours in ALIGNS_H] if aligns else []

    # --- the loop -----------------------------------------------------------------------------------------

    def watch(self) -> Account:
        run = self.scene.run
        for k in range(run.n):
            time_s = float(run.times_s[k])
            if self.trip is not None and time_s >= self.trip.arrives_s:
                self._at_camera(time_s, self.trip)
            frame = self._frame(k) if self.scene.alive(time_s) else None
            self._step(frame or Tick(time_utc=time_of(time_s)), time_s)
            self._step(Tick(time_utc=time_of(time_s + 30)), time_s + 30)
            self._of_the_day(time_s)
        account = self.scene.account
        account.lost = accounted(self)
        return account

    def _frame(self, k: int) -> MeasuredFrame | None:
        if k not in self._block:
            frames = self.scene.run.frames(k, k + BLOCK)
            start = self.world.start_s
            self._block = {round((f.time_utc.timestamp() - start) / self.world.interval_s): f for f in frames}
            self._block.setdefault(k, None)  # type: ignore[arg-type]
        return self._block[k]

    def _step(self, event: Event, time_s: float) -> None:
        now = time_of(time_s)
        outcome = self.pipeline.step(event, now)
        self.board.update(event, outcome, now)
        if self._looks:
            self.events.append((event, now))
        for alert in outcome.alerts:
            self._hears(alert, time_s)

    # --- what is said -------------------------------------------------------------------------------------

    def _hears(self, alert: Alert, time_s: float) -> None:
        severity, scene = str(alert.severity), self.scene
        self.said.append((time_s, severity, alert.condition, f"{alert.title}. {alert.body}"))
        scene.note(time_s, severity, f"{alert.condition}: {alert.title}. {alert.body}")
        if alert.condition == "before-sleep":
            self._before_sunset(time_s)
        if alert.condition == "visit":
            # Asked whether it was done, who did it marks it.
            self._mend_marks(alert.body.partition("mark it:")[2], time_s)
        if alert.kind not in ("first", "repeat"):
            return
        asleep = scene.asleep(time_s)
        if severity == "now":
            heard = not asleep or scene.rng.random() < HEARS
            self.nows.append((time_s, heard))
            if heard:
                scene.account.wakes += asleep and time_s > self._up_until_s
                self._up_until_s = max(self._up_until_s, time_s + READY_S)
                leaves_s = self._rises_s() - self.world.travel_min * 60
                self._sets_off(time_s, max(time_s + READY_S * asleep, leaves_s), alert.condition)
        elif severity == "soon" and not asleep:
            self._plans(alert, time_s)
        if SEEN_BY_EYE in alert.body.lower() or "If the sun shines" in alert.body:
            self._looks_for_sun = alert.condition

    def _plans(self, alert: Alert, time_s: float) -> None:
        """Go in time for what can wait a little, where it says to go at all."""
        forecast = self.board.forecast
        if alert.condition == "drift-exit" and forecast is not None:
            told = (i.detail for i in self.board.open.values() if isinstance(i.detail, DriftExit))
            at = next((one.put_at_utc for one in told), None)
            early = forecast.exit.early_utc
            leave_s = time_s + 1200
            if early is not None:
                leave_s = min(leave_s, early.timestamp() - 1800)
            if at:
                leave_s = at.timestamp() - 600
            if not self.scene.asleep(max(leave_s, time_s)):
                # What falls into the night is a matter for the list of the evening.
                self._sets_off(time_s, max(leave_s, time_s), alert.condition)
        elif alert.condition in {"axis-limit", "unverified", "moved"}:
            self._sets_off(time_s, time_s + 900, alert.condition)
        elif "Go back" in alert.body or (alert.condition == "lost-disc" and self._clear(time_s)):
            self._sets_off(time_s, time_s, alert.condition)

    def _rises_s(self) -> float:
        """Return the sunrise at which it is told to be there; -inf: none is."""
        told = (one.detail for one in self.board.open.values() if isinstance(one.detail, DriftExit))
        rises = [one.sunrise_utc for one in told if one.at_sunrise and one.sunrise_utc is not None]
        return max((at.timestamp() for at in rises), default=-np.inf)

    def _before_sunset(self, time_s: float) -> None:
        """Go for what the list says must be done while the sun is up, and for all else that is on it."""
        lists = [i.detail for i in self.board.open.values() if isinstance(i.detail, BeforeSleep)]
        jobs = [job for listed in lists for job in listed.jobs or ()]
        if any(job.by_utc is not None for job in jobs):
            at_s = max((job.put_at_utc.timestamp() for job in jobs if job.put_at_utc), default=time_s)
            leaves_s = max(time_s + READY_S, at_s - self.world.travel_min * 60)
            self._sets_off(time_s, leaves_s, "list before sunset", {job.job for job in jobs})

    def _mend_marks(self, asked: str, time_s: float) -> None:
        for kind in self._done & set(asked.strip(" .").split(", ")):
            self._step(Mark(time_utc=time_of(time_s), kind=kind), time_s)  # type: ignore[arg-type]

    def _clear(self, time_s: float) -> bool:
        return bool(self.scene.run.depth[self.scene.i(time_s)] < 1.0)

    def _sees_sun(self, time_s: float) -> bool:
        """Whether it stands in the sky for whoever looks up, through thin cloud too."""
        return self.scene.sun_up(time_s) and bool(self.scene.run.depth[self.scene.i(time_s)] < THICK)

    def _sets_off(self, time_s: float, leaves_s: float, why: str, forced: set[str] | None = None) -> None:
        arrives_s = leaves_s + self.world.travel_min * 60
        if self.trip is not None and self.trip.arrives_s <= arrives_s:
            self.trip.forced |= forced or set()
            return
        self.scene.note(time_s, "plans to be there", f"{time_of(arrives_s):%d %H:%M}: {why}")
        self.trip = Trip(arrives_s, why, forced or set())
        self._up_until_s = arrives_s + self.world.travel_min * 60

    def _of_the_day(self, time_s: float) -> None:
        """Read the list before bed and the status on waking; align on the first day."""
        notes, scene = self.world.notes, self.scene
        to_bed_s = (notes["sleep_s"] - time_s) % 86_400
        since_woken_s = (time_s - notes["sleep_s"] - SLEEPS_H * 3600) % 86_400
        if to_bed_s <= 3000 and time_s - self._listed_s > 40_000:
            self._listed_s = time_s
            self._before_bed(time_s)
        leave_s = self._alarms[0] - self.world.travel_min * 60 if self._alarms else np.inf
        if time_s >= leave_s - GETS_UP_MIN * 60:
            self._alarms.pop(0)
            self._sets_off(time_s, leave_s, "sunrise", {"drift"})
        if self._looks_for_sun and not scene.asleep(time_s) and self._sees_sun(time_s):
            self._sets_off(time_s, time_s + READY_S, f"{self._looks_for_sun}: {IN_THE_SKY}")
            self._looks_for_sun = ""
        if since_woken_s < self.world.interval_s:
            self._on_waking(time_s)
        if self._looks and time_s >= self._looks[0] and not scene.asleep(time_s):
            self._looks.pop(0)
            if scene.sun_up(time_s) and self.trip is None:
                self._align(time_s)

    def _before_bed(self, time_s: float) -> None:
        now = time_of(time_s)
        wake = time_of(time_s + (self.world.notes["sleep_s"] - time_s) % 86_400 + SLEEPS_H * 3600)
        standing = standing_of(self.board, self.settings, now)
        lines = until_lines(standing, wake + timedelta(hours=1), now)
        self.scene.note(time_s, "until", " | ".join(lines))
        lists = [i.detail for i in self.board.open.values() if isinstance(i.detail, BeforeSleep)]
        forced = {job.job for listed in lists for job in listed.jobs or ()}
        found = until(standing, wake + timedelta(hours=1), now)
        forced |= {job.name for job in found.jobs}
        # Being there at sunrise is a job of its own: one sets an alarm for it.
        ends = {*found.jobs, *([found.ends] if found.ends is not None else [])}
        self._alarms = sorted({job.due_utc.timestamp() for job in ends if job.name == "sunrise"})
        forced.discard("sunrise")
        if forced:
            self._sets_off(time_s, time_s, f"before sleep: {', '.join(sorted(forced))}", forced)

    def _due_before(self, end: datetime) -> set[str]:
        forecast = self.board.forecast
        due = forecast.due if forecast is not None else ()
        return {one.reason for one in due if one.time_utc < end and one.reason not in {"sunset", "horizon"}}

    def _on_waking(self, time_s: float) -> None:
        standing = standing_of(self.board, self.settings, time_of(time_s))
        self.scene.note(time_s, "wakes", standing.left_alone)
        grave = [t for t in standing.troubles if t.severity.rank <= 1 and t.condition != "before-sleep"]
        off = standing.set_off_utc
        if SEEN_BY_EYE in standing.left_alone.lower():
            self._looks_for_sun = "on waking"
        if grave or (off is not None and off.timestamp() < time_s + 2 * 3600):
            why = ", ".join(t.condition for t in grave) or str(standing.leave_reason)
            self._sets_off(time_s, time_s + 600, f"on waking: {why}")

    # --- at the camera ------------------------------------------------------------------------------------

    def _at_camera(self, time_s: float, trip: Trip) -> None:
        self.trip, scene = None, self.scene
        if not scene.sun_up(time_s) and abs(time_s - self._rises_s()) < WAITS_S:
            # Told to be there at sunrise, one waits for it.
            self.trip = replace(trip, arrives_s=time_s + self.world.interval_s)
            return
        self._looks_for_sun = ""
        scene.go(time_s)
        scene.note(time_s, "arrives", trip.why)
        self._done = set()
        self._mark("visit", time_s, minutes=8.0)
        opened = {i.condition: i for i in self.board.open.values()}
        jobs = trip.forced | self._due_before(time_of(time_s) + timedelta(hours=12)) | set(opened)
        touched = self._drive(time_s, opened, trip.why)
        if "axis-limit" in jobs and self.world.axis_limit_deg is not None:
            scene.unwind(time_s)
            self._mark("unwound", time_s)
            touched = True
        if jobs & {"battery", "supply"}:
            scene.power(time_s)
            self._mark("battery", time_s)
        self._recentre(time_s, jobs, touched=touched)
        self._block = {}

    def _drive(self, time_s: float, opened: dict[str, Any], why: str = "") -> bool:
        """See to the drive where it says so."""
        scene = self.scene
        runaway, lost = (opened[name].detail if name in opened else None for name in ("runaway", "lost-disc"))
        if isinstance(runaway, Runaway) and runaway.pace_of_sky is not None:
            # Told that it stopped, ran back or lost pace: check clutch and cables, restart it.
            scene.mend_drive(time_s)
            return True
        slips = isinstance(runaway, DriveRate) and runaway.looks_like in {RATE_UNUSUAL, RATE_OPEN}
        if runaway is not None and (slips or scene.world.notes.get("switched")):
            # Told to set the rate; and where no drive has such a rate, to look for what slips.
            scene.mend_drive(time_s)
            return True
        # Told to see whether it turns, one sees it, under any sky.
        asked = any("drive" in text for _, _, condition, text in self.said if condition in opened)
        asked = asked or IN_THE_SKY in why
        if asked and scene.rate_now(time_s) <= 0:
            scene.mend_drive(time_s)
            return True
        if isinstance(lost, LostDisc) and "mount" in lost.likely and scene.rate_now(time_s) <= 0:
            scene.mend_drive(time_s)
            return True
        return False

    def _recentre(self, time_s: float, jobs: set[str], *, touched: bool) -> None:
        scene, forecast = self.scene, self.board.forecast
        i = scene.i(time_s)
        if not scene.sun_up(time_s):
            if jobs & {"drift", "drift-exit", "lost-disc", "runaway", "moved"}:
                self.vain.append(time_s)
                scene.note(time_s, "in vain", "the sun is down")
            return
        # Who stands there looks whether the disc is in the picture, as long as it can be seen at all.
        gone = scene.run.ways[-1].room_px[i] < 0 and bool(scene.run.depth[i] < THICK)
        places = forecast.places if forecast is not None else None
        place = places.now if places is not None else None
        asked = bool(jobs & {"drift", "drift-exit", "lost-disc", "runaway", "moved"})
        if not (touched or gone or asked):
            return
        # Told to recentre without a place that is worth it, one puts it into the middle.
        gains = places is not None and places.touch_gains is not False
        place = place if gains and not gone else None
        to_px = self._told_px(place, i) if place is not None else middle(self.world)
        if not scene.place(time_s, to_px):
            return
        holds = place.holds_until_utc if place is not None else time_of(time_s)
        self.promises.append((time_s, np.inf if holds is None else holds.timestamp()))
        scene.note(time_s, "promised", "48 h" if holds is None else f"{holds:%d %H:%M}")
        self._mark("recentred", time_s)

    def _told_px(self, place: Place, i: int) -> tuple[float, float]:
        """Return the pixel that the words mean: they name quarters of a sun-width."""
        width, at = 2 * float(self.scene.run.radius_px[i]), middle(self.world)
        right, up = (round(4 * amount) / 4 for amount in (place.right_widths, place.up_widths))
        return at[0] + right * width, at[1] - up * width

    def _mark(self, kind: str, time_s: float, minutes: float | None = None) -> None:
        self._done.add(kind)
        if self.scene.rng.random() > MARKS:
            return
        mark = Mark(time_utc=time_of(time_s), kind=kind, minutes=minutes)  # type: ignore[arg-type]
        self._step(mark, time_s)

    def _align(self, time_s: float) -> None:
        """Turn the bolts where it says so."""
        since = [k for k, (event, _) in enumerate(self.events) if isinstance(event, MeasuredFrame)]
        if len(since) < 8:
            return
        try:
            found: Alignment = align(self.settings, self.events)
        except RequestProblem as problem:
            self.scene.note(time_s, "align", str(problem))
            return
        self.scene.note(time_s, "align", " | ".join(alignment_lines(found, self.settings)))
        turns = [b.error_deg if b.determined and b.is_off else 0.0 for b in found.bolts]
        if not any(turns) or found.good_enough:
            return
        self.scene.go(time_s)
        self.scene.turn_bolts(time_s, -turns[0], -turns[1])
        self._mark("realigned", time_s)
        self.scene.place(time_s, middle(self.world))
        self._mark("recentred", time_s)
        self._block = {}


# --- what was lost, and why -------------------------------------------------------------------------------

REASONS = ("no time", "not told", "told late", "told wrongly", "not heard", "asked the impossible", "supply")


def accounted(operator: Operator) -> dict[str, int]:
    """Return lost minutes by why; and keep the spans in the account."""
    scene = operator.scene
    lost, run = scene.lost(), scene.run
    counts = dict.fromkeys(REASONS, 0)
    for begin, end in spans_of(lost):
        labels = [_why(operator, float(run.times_s[k]), float(run.times_s[begin])) for k in range(begin, end)]
        for label in labels:
            counts[label] += 1
        most = max(set(labels), key=labels.count)
        scene.account.spans.append((float(run.times_s[begin]), float(run.times_s[end - 1]), most))
    return counts


def _why(operator: Operator, minute_s: float, touch_s: float) -> str:
    world, scene = operator.world, operator.scene
    way_s = world.travel_min * 60 + READY_S + 60
    if not _powered(scene, minute_s):
        return "supply"
    onset_s = world.start_s + world.change_h * 3600 if world.change_h is not None else -np.inf
    if 0 <= touch_s - onset_s < 1800 and minute_s < onset_s + way_s + 4 * world.interval_s:
        return "no time"
    put_s = max((s.time_s for s in scene.account.log if s.what == "put" and s.time_s <= touch_s), default=0.0)
    nows = [(at, heard) for at, heard in operator.nows if put_s < at <= minute_s]
    in_time = [(at, heard) for at, heard in nows if at <= minute_s - way_s]
    if any(max(put_s, minute_s - VAIN_S) < at <= minute_s for at in operator.vain):
        return "asked the impossible"
    if not in_time:
        promised = [until for at, until in operator.promises if at == put_s]
        # A promise is wrong unless something has happened since that nobody could know.
        if promised and promised[0] > minute_s and not put_s < onset_s <= touch_s:
            return "told wrongly"
        return "told late" if nows else "not told"
    if not any(heard for _, heard in in_time):
        return "not heard"
    return "told wrongly"


def _powered(scene: Scene, time_s: float) -> bool:
    return not any(begin <= time_s < end for begin, end in scene.dark)


def as_told(world: World) -> tuple[Account, Operator]:
    """Live by the program's word."""
    operator = Operator(world)
    return operator.watch(), operator


def as_told_and_aligned(world: World) -> tuple[Account, Operator]:
    """The same, the bolts turned on the first day as `align` says."""
    operator = Operator(world, aligns=True)
    return operator.watch(), operator
