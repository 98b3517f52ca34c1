"""What the messages of a session are measured by: what truly happened, and what the operator did. Pure."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from statistics import median
from typing import NamedTuple

from sentinel.jobs.tune.episodes import Episode, SessionEpisodes

FORESEEN_H = {"drift-exit": 6.0, "axis-limit": 6.0, "storage": 24.0, "supply": 24.0}
"""What comes at a time that can be known beforehand, and how long before it a message may come."""

GRACE_S = 300.0
"""Nobody notes an onset to the second: a message that comes so much earlier is still about it."""
AFTERWARDS_S = 900.0
"""What the operator did is noted up to so long after it was over."""
UNENDED_S = 6 * 3600.0
"""A fault of which nobody wrote when it was over lasts so long."""

UNHEALING = frozenset({"runaway", "over-bright"})
"""Nothing of this kind mends itself: that it was over without a mark means a mark was forgotten, or that it
was a false alarm. Only somebody's word tells which."""

ACTS = frozenset(
    {"visit", "recentred", "unwound", "refocused", "realigned", "battery", "mount-battery", "card", "timer"},
)
"""Marks of a hand at the camera; `seen` and `remark` need none."""

FILTER = "over-bright"


class WakeUpVerdict(StrEnum):
    """Whether it was right to wake somebody."""

    DESERVED = "deserved"
    NEEDLESS = "needless"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueEvent:
    """Something that truly happened, or is taken to have; times in POSIX seconds."""

    condition: str
    which: str = ""
    onset_s: float
    """Of what can be foreseen: when it comes to pass."""
    until_s: float | None = None
    written: bool = False
    """It stands in a file of true events; else it follows from what the operator did."""

    @property
    def foreseen(self) -> bool:
        """Whether a message is to come before it."""
        return self.condition in FORESEEN_H

    @property
    def from_s(self) -> float:
        """From when on a message about it is right."""
        return self.onset_s - (FORESEEN_H[self.condition] * 3600 if self.foreseen else GRACE_S)

    @property
    def end_s(self) -> float:
        """Until when."""
        return self.until_s if self.until_s is not None else self.onset_s + UNENDED_S

    def meets(self, episode: Episode) -> bool:
        """Whether an episode is about this."""
        same = episode.condition == self.condition and (not self.which or self.which == episode.which)
        over_s = inf if episode.cleared_s is None else episode.cleared_s
        return same and episode.noted_s <= self.end_s and over_s >= self.from_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """What one session's messages are measured by."""

    true_events: tuple[TrueEvent, ...] = ()
    acts_s: tuple[float, ...] = ()
    """When a hand was at the camera, in order."""
    written: bool = False
    """A file says what truly happened; what it does not say did not."""
    spare_s: float = 1200.0
    """A foreseen thing must be told so long before: time to get there, and ten minutes."""
    frame_s: float = 60.0
    """Between two frames."""

    def verdict(self, episode: Episode) -> WakeUpVerdict:
        """Return whether it was right to wake somebody for an episode."""
        if any(one.written and self._troubled(one, episode) for one in self.true_events):
            return WakeUpVerdict.DESERVED
        if self.settles(episode.condition):
            return WakeUpVerdict.NEEDLESS
        if self.acted(episode):
            return WakeUpVerdict.DESERVED
        unhealed = not self.written and episode.condition in UNHEALING
        return WakeUpVerdict.UNDECIDED if unhealed or episode.cleared_s is None else WakeUpVerdict.NEEDLESS

    def settles(self, condition: str) -> bool:
        """Whether a file has the last word on a condition.

        Who acts in time has no exit to write down: of what is foreseen the acts count beside the file.
        """
        return self.written and condition not in FORESEEN_H

    def acted(self, episode: Episode) -> bool:
        """Whether a hand was at the camera between the message and its end."""
        first_s = episode.noted_s if episode.told_s is None else episode.told_s
        next_act = bisect_left(self.acts_s, first_s)
        until_s = inf if episode.cleared_s is None else episode.cleared_s + AFTERWARDS_S
        return next_act < len(self.acts_s) and self.acts_s[next_act] <= until_s

    @staticmethod
    def _troubled(one: TrueEvent, episode: Episode) -> bool:
        woke_s = episode.noted_s if episode.woke_s is None else episode.woke_s
        begin_s = one.onset_s - (0 if one.foreseen else GRACE_S)
        return one.meets(episode) or begin_s <= woke_s <= one.end_s


def deduced_events(said: SessionEpisodes, criteria: Criteria) -> tuple[TrueEvent, ...]:
    """Return what no file says and must be found again: all told of that was not needless."""
    found: list[TrueEvent] = []
    for one in said.episodes:
        if one.told_s is None or any(known.meets(one) for known in criteria.true_events):
            continue
        if criteria.settles(one.condition) or criteria.verdict(one) is WakeUpVerdict.NEEDLESS:
            continue
        foreseen = one.condition in FORESEEN_H
        onset_s = one.onset_s
        if foreseen:
            onset_s = max(one.told_s, one.told_s if one.deadline_s is None else one.deadline_s)
        until_s = max(onset_s, one.cleared_s) if one.cleared_s is not None else None
        found.append(TrueEvent(condition=one.condition, which=one.which, onset_s=onset_s, until_s=until_s))
    return tuple(found)


class Response(NamedTuple):
    """When one true_event was noted, told and woken for, in POSIX seconds; None: never."""

    noted_s: float | None = None
    told_s: float | None = None
    woke_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How one judging of a session fares by its criteria."""

    wakes: int
    """Each time that somebody is woken, reminders too; of these so many needless, so many undecided."""
    needless: int
    undecided: int
    soon: int
    responses: tuple[Response, ...]
    """Of each true_event."""
    filter_alarms: tuple[tuple[float, float | None], ...]
    """When the filter alarm opened and was over: no threshold may change that."""
    incidents: int = 0
    """For how many incidents somebody is woken, however often."""
    needless_for: tuple[str, ...] = ()
    """The condition of each incident that somebody was woken for needlessly."""

    @property
    def deserved(self) -> int:
        """How many wake-ups were right."""
        return self.wakes - self.needless - self.undecided

    @property
    def found(self) -> int:
        """How many true_events were noticed."""
        return sum(one.noted_s is not None for one in self.responses)

    @property
    def woken(self) -> int:
        """For how many somebody was woken."""
        return sum(one.woke_s is not None for one in self.responses)


def score_session(said: SessionEpisodes, criteria: Criteria) -> Score:
    """Return how a judging fares."""
    verdicts = [criteria.verdict(one) for one in said.episodes]
    woken = Counter(_verdict_of({verdicts[place] for place in about}) for about in said.wake_ups)
    return Score(
        wakes=woken.total(),
        needless=woken[WakeUpVerdict.NEEDLESS],
        undecided=woken[WakeUpVerdict.UNDECIDED],
        soon=said.soon,
        responses=tuple(_reached(one, said.episodes) for one in criteria.true_events),
        filter_alarms=tuple((e.noted_s, e.cleared_s) for e in said.episodes if e.condition == FILTER),
        incidents=sum(one.woke_s is not None for one in said.episodes),
        needless_for=tuple(
            one.condition
            for one, verdict in zip(said.episodes, verdicts, strict=True)
            if one.woke_s is not None and verdict is WakeUpVerdict.NEEDLESS
        ),
    )


def _verdict_of(found: set[WakeUpVerdict]) -> WakeUpVerdict:
    """Return what a wake-up was, from the verdicts on all that it was for: one good reason is enough."""
    if WakeUpVerdict.DESERVED in found:
        return WakeUpVerdict.DESERVED
    return WakeUpVerdict.NEEDLESS if found == {WakeUpVerdict.NEEDLESS} else WakeUpVerdict.UNDECIDED


def _reached(true_event: TrueEvent, episodes: Sequence[Episode]) -> Response:
    mine = [one for one in episodes if true_event.meets(one)]
    latest_s = true_event.onset_s if true_event.foreseen else true_event.end_s

    def first(times: Iterable[float | None]) -> float | None:
        return min((time_s for time_s in times if time_s is not None and time_s <= latest_s), default=None)

    return Response(
        first(one.noted_s for one in mine),
        first(one.told_s for one in mine),
        first(one.woke_s for one in mine),
    )


class Figures(NamedTuple):
    """What a judging of some sessions comes to; medians in minutes over all events told of, None: of none."""

    wake_ups: int
    needless: int
    undecided: int
    soon_messages: int
    needless_per_day: float
    soon_per_day: float
    true_events: int
    found: int
    woken_for: int
    lead_min: float | None
    """From the first message to what was foreseen."""
    wake_lead_min: float | None
    """From the first that woke somebody."""
    delay_min: float | None
    """From a fault's onset to the first message."""
    wake_delay_min: float | None

    def rounded(self) -> dict[str, int | float | None]:
        """Return them as they are written into files."""
        return {
            name: round(value, 2 if name.endswith("_min") else 4) if isinstance(value, float) else value
            for name, value in self._asdict().items()
        }


def figures_of(scores: Sequence[Score], criteria: Sequence[Criteria], days: float) -> Figures:
    """Return what a judging of these sessions comes to, which lasted so many days together."""
    pairs = [
        (event, response)
        for score, own in zip(scores, criteria, strict=True)
        for event, response in zip(own.true_events, score.responses, strict=True)
    ]
    told = [(event, response.told_s) for event, response in pairs]
    woke = [(event, response.woke_s) for event, response in pairs]
    needless, soon = sum(score.needless for score in scores), sum(score.soon for score in scores)
    return Figures(
        sum(score.wakes for score in scores),
        needless,
        sum(score.undecided for score in scores),
        soon,
        needless / days,
        soon / days,
        len(pairs),
        sum(score.found for score in scores),
        sum(score.woken for score in scores),
        *(_median_min(times, foreseen=foreseen) for foreseen in (True, False) for times in (told, woke)),
    )


def _median_min(times: Sequence[tuple[TrueEvent, float | None]], *, foreseen: bool) -> float | None:
    sign = -1 if foreseen else 1
    minutes = [
        sign * (time_s - true_event.onset_s) / 60
        for true_event, time_s in times
        if time_s is not None and true_event.foreseen is foreseen
    ]
    return median(minutes) if minutes else None
