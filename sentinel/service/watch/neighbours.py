"""Asks the watches of the site's other cameras now and then whether they see the sun, on a thread of its own.

A share that hangs or a link that drips keeps nobody waiting: what is not heard in time is not heard.
"""

import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue

from sentinel.core.clock import Clock
from sentinel.core.errors import RequestProblem
from sentinel.core.files import is_address
from sentinel.core.monitoring import Neighbours
from sentinel.core.other_cameras import OtherCamera, SunSeen
from sentinel.service.delivery.secrets import resolve
from sentinel.service.watch.hearing import hear, refuse_unheard

EVERY_S = 20.0
"""A third of the usual interval: news comes well before the next picture is judged."""


class NeighbourReader(threading.Thread):
    """Hears of the other cameras.

    `chosen`: which they are.
    `own`: the own state folder, which is no neighbour.
    Raises `RequestProblem` if a neighbour cannot be asked, is this camera itself, or the token is not where
    the settings say.
    """

    def __init__(self, chosen: Neighbours, own: Path, clock: Clock) -> None:
        super().__init__(name="neighbours", daemon=True)
        for place in chosen.states:
            refuse_unheard(place)
            if not is_address(place) and Path(place).expanduser().resolve() == own.resolve():
                raise RequestProblem(
                    "is this camera's own state folder", where="neighbours.states", mend="name the others'"
                )
        self._places = [p if is_address(p) else str(Path(p).expanduser()) for p in chosen.states]
        at = chosen.token_from
        self._token = resolve(at, where="neighbours.token_from") if at is not None else None
        self._clock, self._rest = clock, threading.Event()
        self._heard: SimpleQueue[tuple[str, SunSeen]] = SimpleQueue()
        self._last: dict[str, SunSeen] = {}

    def news(self, now_utc: datetime) -> Iterator[OtherCamera]:
        """Yield what was heard since the last time, as heard now."""
        while not self._heard.empty():
            camera, sun = self._heard.get()
            yield OtherCamera(time_utc=now_utc, camera=camera, sun=sun)

    def run(self) -> None:
        """Ask for ever, where there is anybody."""
        while self._places:
            self.ask()
            self._rest.wait(EVERY_S)

    def ask(self) -> None:
        """Ask all of them once."""
        for news in hear(self._places, self._token):
            s = news.standing
            # What is silent, old or broken tells nothing; nor does what was told before.
            if s is None or s.sun is None or news.lack(self._clock.now_utc()):
                continue
            if self._last.get(news.where) == s.sun:
                continue
            self._last[news.where] = s.sun
            self._heard.put((news.name, s.sun))
