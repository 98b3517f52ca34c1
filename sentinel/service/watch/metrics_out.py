"""Metrics on their way out: to whoever asks the served page, and into a file."""

import logging
from datetime import datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any

from sentinel.core.errors import need_extra
from sentinel.core.monitoring import Metrics
from sentinel.service.status.metrics import registry_of
from sentinel.service.status.standing import Standing
from sentinel.service.watch.web_server import Reply

log = logging.getLogger(__name__)

# An extra: see `status/metrics`.
# ruff: noqa: PLC0415


def need_metrics(chosen: Metrics) -> None:
    """Refuse settings that ask for metrics without the library that writes them (`RequestProblem`)."""
    if chosen.served or chosen.textfile:
        need_extra("metrics", where="metrics", instead="take the setting out")


def metrics_reply(standing: Standing, now_utc: datetime, environ: dict[str, Any]) -> Reply:
    """Return the metrics in the format that is asked for: OpenMetrics, or the older text of its kind."""
    from prometheus_client.exposition import choose_encoder

    written, kind = choose_encoder(environ.get("HTTP_ACCEPT", ""))
    return Reply(HTTPStatus.OK, written(registry_of(standing, now_utc)).decode(), kind)


class MetricsFile:
    """Writes the metrics into a file for a collector of text files, whole each time."""

    def __init__(self, path: Path) -> None:
        self._path, self._failed = path, False

    def write(self, standing: Standing, now_utc: datetime) -> None:
        """Write them; what cannot be written is told once and is worth less than the watch."""
        from prometheus_client import write_to_textfile

        try:
            write_to_textfile(str(self._path), registry_of(standing, now_utc))
        except OSError as error:
            if not self._failed:
                log.warning(
                    "metrics.textfile cannot be written (%s); check folder and permissions", error.strerror
                )
            self._failed = True
        else:
            self._failed = False
