"""From a request to a running watch: settings, state folder, signals, log."""

import gc
import logging
import sys
from collections.abc import Sequence
from pathlib import Path

from sentinel.core.clock import SystemClock
from sentinel.core.settings import Settings, load_settings
from sentinel.service.watch.allocator import give_memory_back
from sentinel.service.watch.computer import system_zone
from sentinel.service.watch.daemon import Watch
from sentinel.service.watch.liveness import stop_on_signals
from sentinel.service.watch.state_folder import StateFolder, state_path


def in_its_zone(settings: Settings, zone: str | None) -> Settings:
    """Return the settings with the computer's own time zone, where the operator has told none."""
    if zone is None or settings.alerts.zone is not None:
        return settings
    return settings.model_copy(update={"alerts": settings.alerts.model_copy(update={"zone": zone})})


def watch(configs: Sequence[Path], state: Path | None) -> None:
    """Watch until SIGTERM, SIGINT or SIGHUP.

    Raises `Problem` if settings or state folder are wrong, or another watch is at work there.
    """
    give_memory_back()
    settings = in_its_zone(load_settings(configs), system_zone())
    stop = stop_on_signals()
    # The manager keeps times; libraries stay quiet, for what they say may hold secrets.
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="sentinel: %(message)s")
    logging.getLogger("sentinel").setLevel(logging.INFO)
    try:
        Watch(settings, StateFolder(state_path(settings.state.folder, state)), SystemClock(), stop).run()
    finally:
        # All goes with the process: searching it once more for what can be freed takes seconds on a small
        # computer, and the manager waits.
        gc.freeze()
