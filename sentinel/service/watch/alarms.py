"""What the watch says of itself, past the journal, which may be the trouble: at once, and not for ever."""

import logging

from sentinel.core.clock import Clock
from sentinel.core.records import Severity
from sentinel.service.delivery.worker import Worker
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.session_facts import note_start
from sentinel.service.watch.liveness import Liveness
from sentinel.service.watch.snapshot import WatchState

log = logging.getLogger(__name__)

TOLD_AGAIN_S = 3600.0
STUMBLED, FOLDER = "stumbled", "folder"
FAILURES_BLIND = 3
"""So many pictures in a row that cannot be judged, and it is not the pictures."""
STARTS_TOLD = (6, 11, 21, 51)
"""So many starts within an hour are told: not each."""


class Alarms:
    """Tells people, and remembers what they were told; the heartbeat ends while nothing is judged."""

    def __init__(self, clock: Clock, liveness: Liveness, delivery: Worker) -> None:
        self._clock, self._liveness, self._delivery = clock, liveness, delivery
        self._told_failures = 0
        self._told_s: dict[tuple[str, Severity], float] = {}
        """When which trouble was told."""

    def tell(self, which: str, title: str, body: str, severity: Severity, *, over: bool = False) -> None:
        """Tell of something under a name, not more than once an hour; `over` takes it back."""
        now_s = self._clock.monotonic_s()
        if over:
            self._told_s.pop((which, severity), None)
        elif now_s - self._told_s.get((which, severity), -TOLD_AGAIN_S) < TOLD_AGAIN_S:
            return
        else:
            self._told_s[which, severity] = now_s
        log.error("%s: %s", title, body)
        self._delivery.tell(title, body, severity, which=which, over=over)

    def of_pictures(self, state: WatchState) -> None:
        """Say when pictures cannot be judged: one is a pity, but when none can be the watch is blind."""
        blind = state.failures_running >= FAILURES_BLIND
        if blind:
            self._liveness.blind.add(STUMBLED)
        elif state.failures_running == 0:
            self._sees_again(STUMBLED, "Pictures are judged again.")
        if state.failures == self._told_failures:
            return
        self._told_failures = state.failures
        if blind:
            body = f"The last {state.failures_running} pictures could not be judged: look after the camera."
            self.tell(STUMBLED, "THE WATCH IS BLIND: it cannot judge", body, Severity.NOW)
            return
        body = "A picture could not be judged. Look at the log; the watch goes on."
        self.tell(STUMBLED, "The watch stumbled", body, Severity.SOON)

    def of_the_folder(self, trouble: str) -> None:
        """Say when the folder cannot be looked after, and at which entry."""
        if trouble:
            self._liveness.blind.add(FOLDER)
            body = f"{trouble}. No picture is taken up until then: look after the camera yourself."
            self.tell(FOLDER, "THE WATCH IS BLIND: it cannot look after the folder", body, Severity.NOW)
        else:
            self._sees_again(FOLDER, "The folder of the pictures is looked after again.")

    def of_a_mark(self, why: str) -> None:
        """Say that a mark could not be read, though its maker was told that it is noted."""
        body = f"{why}. What it was to say is not known: note it again."
        self.tell("mark", "A mark could not be read", body, Severity.SOON)

    def _sees_again(self, which: str, body: str) -> None:
        if which in self._liveness.blind:
            self._liveness.blind.discard(which)
            self.tell(which, "The watch sees again", body, Severity.NOW, over=True)

    def of_starts(self, journal: Journal) -> None:
        """Say when the watch is started again and again: the service manager never gives up, silently."""
        starts = note_start(journal, self._clock.now_utc())
        if starts in STARTS_TOLD:
            self.tell(
                "restarts",
                f"The watch was started again {starts - 1} times within an hour",
                "It crashes, hangs, or its power comes and goes. Look at its log and its power supply.",
                Severity.SOON,
            )
