"""The journal -> the files that people and scripts read."""

import json
from collections.abc import Iterable
from pathlib import Path

from sentinel.core.files import replaced
from sentinel.core.records import Forecast
from sentinel.core.tables import Layout, write_ordered
from sentinel.service.journal.codec import plain
from sentinel.service.journal.forecast_line import line_of
from sentinel.service.journal.journal import Journal


def export(journal: Journal, folder: Path) -> None:
    """Write `measurements.ecsv` and the record files (a JSON object a line) into a folder.

    Each appears whole or not at all, all of them as of one moment; the memory that it takes hardly grows with
    the session.
    """
    with journal.as_of_now():
        layout = Layout.of(journal.frames())
        write_ordered(folder / "measurements.ecsv", layout, journal.frames_by_exposure())
        _write_lines(folder / "forecasts.jsonl", journal.forecasts())
        _write_lines(folder / "incidents.jsonl", journal.incidents())
        _write_lines(folder / "alerts.jsonl", journal.alerts())
        _write_lines(folder / "marks.jsonl", journal.marks())


def _write_lines(path: Path, records: Iterable[object]) -> None:
    with replaced(path) as temporary, temporary.open("w", encoding="utf-8") as file:
        for record in records:
            shown = line_of(record) if isinstance(record, Forecast) else record
            file.write(json.dumps(plain(shown), ensure_ascii=False, allow_nan=False) + "\n")
