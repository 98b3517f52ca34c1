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

    def tell(self, which: str, title: str, body: str, severity: Severity) -> None:
        """Tell of something under a name, not more than once an hour."""
        now_s = self._clock.monotonic_s()
        if now_s - self._told_s.get((which, severity), -TOLD_AGAIN_S) < TOLD_AGAIN_S:
            return
        self._told_s[which, severity] = now_s
        self._send(which, title, body, severity)

    def blind(self, which: str, why: str, body: str, *, told: bool = True) -> None:
        """Note what keeps frames from being judged, and tell of it where it is to be `told` already."""
        self._liveness.blind.add(which)
        if told:
            self.tell(which, f"THE WATCH IS BLIND: {why}", body, Severity.NOW)

    def sees_again(self, which: str, body: str) -> None:
        """Take back what `blind` noted, and what was told of it."""
        self._liveness.blind.discard(which)
        if self._told_s.pop((which, Severity.NOW), None) is not None:
            self._send(which, "The watch sees again", body, Severity.NOW, over=True)

    def _send(self, which: str, title: str, body: str, severity: Severity, *, over: bool = False) -> None:
        log.error("%s: %s", title, body)
        self._delivery.tell(title, body, severity, which=which, over=over)

    def of_pictures(self, state: WatchState) -> None:
        """Say when pictures cannot be judged: one is a pity, but when none can be the watch is blind."""
        new, self._told_failures = state.failures != self._told_failures, state.failures
        if state.failures_running >= FAILURES_BLIND:
            body = f"The last {state.failures_running} pictures could not be judged: look after the camera."
            self.blind(STUMBLED, "it cannot judge", body, told=new)
            return
        if state.failures_running == 0:
            self.sees_again(STUMBLED, "Pictures are judged again.")
        if new:
            body = "A picture could not be judged. Look at the log; the watch goes on."
            self.tell(STUMBLED, "The watch stumbled", body, Severity.SOON)

    def of_the_folder(self, trouble: str) -> None:
        """Say when the folder cannot be looked after, and at which entry."""
        if trouble:
            body = f"{trouble}. No picture is taken up until then: look after the camera yourself."
            self.blind(FOLDER, "it cannot look after the folder", body)
        else:
            self.sees_again(FOLDER, "The folder of the pictures is looked after again.")

    def of_a_mark(self, why: str) -> None:
        """Say that a mark could not be read, though its maker was told that it is noted."""
        body = f"{why}. What it was to say is not known: note it again."
        self.tell("mark", "A mark could not be read", body, Severity.SOON)

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
