"""Keeps `status.json` and `status.html` as fresh as the watch itself.

The picture is read and drawn on a thread of its own: a share that hangs must not hold up the page, nor the
page the watch.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime
from http import HTTPStatus
from typing import Any, NamedTuple

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem
from sentinel.core.settings import Settings
from sentinel.service.delivery.pictures import drawing
from sentinel.service.journal.outbox import Outbox
from sentinel.service.journal.rows import Messages, PictureScene
from sentinel.service.status.lines import to_json
from sentinel.service.status.making import standing_of
from sentinel.service.status.page import page_html
from sentinel.service.status.standing import Standing
from sentinel.service.watch.folder_intake import FolderIntake
from sentinel.service.watch.metrics_out import metrics_reply
from sentinel.service.watch.snapshot import WatchState
from sentinel.service.watch.state_folder import StateFolder, write_quietly
from sentinel.service.watch.web_server import HTML, JSON, Reply

log = logging.getLogger(__name__)

EVERY_S = 1.0
"""Between two writings while frames come in swarms."""
PICTURE_BYTES = 40_000


class PictureDrawer(threading.Thread):
    """Draws the newest picture whenever there is a newer one, on a thread of its own."""

    def __init__(self, settings: Settings) -> None:
        super().__init__(name="painter", daemon=True)
        self._draw = drawing(settings, upright=settings.state.picture == "upright", target=True)
        self._wanted: PictureScene | None = None
        self._call, self._stopping = threading.Event(), False
        self.picture: tuple[str, bytes] | None = None
        """Name of the frame, and its JPEG."""
        self.start()

    def want(self, scene: PictureScene) -> None:
        """Ask for the picture of a scene; one that was asked for and not begun is forgotten."""
        self._wanted = scene
        self._call.set()

    def stop(self) -> None:
        """End; a picture under way is given up."""
        self._stopping = True
        self._call.set()
        self.join(timeout=2)

    def run(self) -> None:
        """Draw what is asked for, until told to end."""
        while True:
            self._call.wait()
            self._call.clear()
            if self._stopping:
                return
            scene, self._wanted = self._wanted, None
            if scene is None:
                continue
            try:
                jpeg = self._draw(scene, PICTURE_BYTES)
            except Exception as error:  # noqa: BLE001 - a picture is worth less than the watch
                log.warning("no picture of %s: %s", scene.frame.frame, type(error).__name__)
                continue
            self.picture = (scene.frame.frame, jpeg) if jpeg is not None else None


Listener = Callable[[Standing, datetime], None]
"""Told how things stand, whenever that is shown."""


class Shown(NamedTuple):
    """What was shown last."""

    standing: Standing
    picture: bytes | None
    picture_words: str


NOT_YET = Reply(HTTPStatus.SERVICE_UNAVAILABLE, "Not yet: the watch is starting.")


class StatusFiles:
    """Writes the status files."""

    def __init__(
        self,
        files: StateFolder,
        settings: Settings,
        clock: Clock,
        intake: FolderIntake,
        listeners: Sequence[Listener] = (),
    ) -> None:
        self._listeners = listeners
        self._files, self._settings, self._clock, self._intake = files, settings, clock, intake
        self._drawer = PictureDrawer(settings) if settings.state.picture != "none" else None
        self._asked_for: str | None = None
        self._outbox: Outbox | None = None
        self._shown_s: float | None = None
        self._told = False
        self._shown: Shown | None = None

    def show(self, state: WatchState, *, at_once: bool = True) -> None:
        """Write the files as of now; in a swarm of events only now and then."""
        try:
            self._show(state, at_once=at_once)
        except Exception:
            # A page that cannot be made grows old and says so; the watch goes on.
            log.exception("the status page failed")

    def _show(self, state: WatchState, *, at_once: bool) -> None:
        now_s = self._clock.monotonic_s()
        if not at_once and self._shown_s is not None and now_s - self._shown_s < EVERY_S:
            return
        self._shown_s = now_s
        self._ask_for_picture(state)
        now_utc = self._clock.now_utc()
        standing = self.standing(state, now_utc)
        picture = self._drawer.picture if self._drawer is not None else None
        words = f"Of {picture[0]}; circle: limb; dashed: where to put it; line: its path." if picture else ""
        jpeg = picture[1] if picture else None
        self._shown = Shown(standing, jpeg, words)
        page = page_html(standing, jpeg, words, drill=self._files.is_drill)
        written = write_quietly(self._files.status_json, to_json(standing)) and write_quietly(
            self._files.status_html, page
        )
        if not written and not self._told:
            log.warning("the status page cannot be written; check space and permissions")
        self._told = not written
        for listener in self._listeners:
            listener(standing, now_utc)

    def standing(self, state: WatchState, now_utc: datetime) -> Standing:
        """Return what there is to show."""
        found = self._intake.found
        return standing_of(
            state.board,
            self._settings,
            now_utc,
            waiting_files=found.waiting if found is not None else 0,
            clock_offset_s=self._intake.offset.known_s,
            focus_ratio=state.pipeline.focus_ratio if state.pipeline is not None else None,
            messages=self.messages(),
            sun=state.pipeline.sun if state.pipeline is not None else None,
            clocks=state.pipeline.clocks if state.pipeline is not None else (),
        )

    def messages(self) -> Messages:
        """Return how messages get through; nothing where the outbox cannot be read just now."""
        try:
            self._outbox = self._outbox or Outbox.open(self._files.journal, writable=False)
            return self._outbox.messages()
        except Problem:
            self.forget_journal()
            return Messages()

    def served_page(self, environ: dict[str, Any]) -> Reply:
        """Return the page as it was shown last, with buttons; for the thread that serves it."""
        del environ
        return self._served(lambda shown: page_html(*shown, buttons=True, drill=self._files.is_drill))

    def served_status(self) -> Reply:
        """Return what was known when it was shown last, as JSON; for the thread that serves it."""
        return self._served(lambda shown: to_json(shown.standing), JSON)

    def _served(self, made: Callable[[Shown], str], kind: str = HTML) -> Reply:
        shown = self._shown
        return NOT_YET if shown is None else Reply(HTTPStatus.OK, made(shown), kind)

    def served_metrics(self, environ: dict[str, Any]) -> Reply:
        """Return the metrics as of now; for the thread that serves them."""
        shown = self._shown
        return metrics_reply(shown.standing, self._clock.now_utc(), environ) if shown is not None else NOT_YET

    def forget_journal(self) -> None:
        """Close the outbox: another journal has taken its place, or the watch ends."""
        if self._outbox is not None:
            with suppress(Problem):
                self._outbox.close()
            self._outbox = None

    def stop(self) -> None:
        """End."""
        if self._drawer is not None:
            self._drawer.stop()
        self.forget_journal()

    def _ask_for_picture(self, state: WatchState) -> None:
        frame = state.board.frame
        if self._drawer is None or frame is None or frame.frame == self._asked_for:
            return
        self._asked_for = frame.frame
        way = tuple(state.board.recent_discs)
        self._drawer.want(PictureScene(frame=frame, way=way, forecast=state.board.forecast))
