"""The journal -> the files that people and scripts read."""

import json
from collections.abc import Iterable
from pathlib import Path

from sentinel.files import write_text_whole
from sentinel.journal.codec import plain
from sentinel.journal.journal import Journal
from sentinel.tables import write_measurements


def export(journal: Journal, folder: Path) -> None:
    """Write `measurements.ecsv` and the record files (a JSON object a line) into a folder."""
    write_measurements(folder / "measurements.ecsv", journal.frames())
    _write_lines(folder / "forecasts.jsonl", journal.forecasts())
    _write_lines(folder / "incidents.jsonl", journal.incidents())
    _write_lines(folder / "alerts.jsonl", journal.alerts())
    _write_lines(folder / "marks.jsonl", journal.marks())


def _write_lines(path: Path, records: Iterable[object]) -> None:
    lines = (json.dumps(plain(record), ensure_ascii=False, allow_nan=False) for record in records)
    write_text_whole(path, "".join(f"{line}\n" for line in lines))
