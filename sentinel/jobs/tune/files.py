"""What a tuning leaves behind: a settings overlay to use, and a table of all that was tried."""

from collections.abc import Iterator
from math import nan
from pathlib import Path
from textwrap import wrap
from typing import Any

from sentinel.core.files import replaced, unused
from sentinel.core.tables import write_ecsv
from sentinel.jobs.tune.grid import Value
from sentinel.jobs.tune.lines import doubts, reasons, sessions_line
from sentinel.jobs.tune.run import Tuning
from sentinel.jobs.tune.scoring import Figures, Score, figures_of
from sentinel.jobs.tune.trial import PreparedSession

OVERLAY_NAME = "overlay.yaml"
TABLE_NAME = "tuning.ecsv"

_FRACTIONS = ("_per_day", "_min")
"""The ends of the names of those figures that are no counts."""
_COLUMNS = {"session": "string", "threshold": "string", "value": "float64"}
_COLUMNS |= {"in_use": "bool", "chosen": "bool", "days": "float64"}
_COLUMNS |= {name: "float64" if name.endswith(_FRACTIONS) else "int64" for name in Figures._fields}


def write_files(result: Tuning, out: Path) -> None:
    """Write `overlay.yaml` and `tuning.ecsv`; each appears whole, and only when both can.

    Files of those names that hold anything else are kept, under a name with a number.
    """
    overlay, table = out / OVERLAY_NAME, out / TABLE_NAME
    with replaced(overlay) as new_overlay, replaced(table) as new_table:
        meta = {"sessions": len(result.sessions), "settings_tried": result.settings_tried}
        new_overlay.write_text(overlay_text(result), encoding="utf-8")
        write_ecsv(new_table, list(_COLUMNS), _rows(result), meta=meta, kinds=_COLUMNS)
        for path, new in ((overlay, new_overlay), (table, new_table)):
            _keep(path, new)


def _keep(path: Path, new: Path) -> None:
    """Move a file out of the way of a different one."""
    if path.exists() and path.read_bytes() != new.read_bytes():
        path.rename(unused(path, "."))


def overlay_text(result: Tuning) -> str:
    """Return the overlay: the changed thresholds alone, each with the reason above it."""
    changes = result.combined.changes
    head = [
        f"Thresholds by `sentinel tune`, from {sessions_line(result)}.",
        "Use it over the settings it was made with: --config SETTINGS --config overlay.yaml",
    ]
    head += doubts(result)
    lines = [f"# {line}" for text in head for line in wrap(text, 100)]
    if not changes:
        return "\n".join([*lines, "# Nothing is to be changed.", "{}", ""])
    lines.append("thresholds:")
    for name, value in changes.items():
        lines += [f"  # {line}" for text in reasons(result, name) for line in wrap(text, 100)]
        lines.append(f"  {name}: {value!r}")
    return "\n".join([*lines, ""])


def _rows(result: Tuning) -> Iterator[list[Any]]:
    for place, session in enumerate(result.sessions):
        for name, tried in result.tried.items():
            now: Value = getattr(result.thresholds, name)
            scores = {now: session.base, **{value: of[place] for value, of in tried.items()}}
            chosen = result.combined.changes.get(name, now)
            for value in sorted(scores):
                row = [session.name, name, float(value), value == now, value == chosen]
                yield row + _numbers(session, scores[value])
        if result.combined.changes:
            row = [session.name, "all-chosen", nan, False, True]
            yield row + _numbers(session, result.combined.scores[place])


def _numbers(session: PreparedSession, score: Score) -> list[Any]:
    figures = figures_of([score], [session.criteria], session.days).rounded()
    return [round(session.days, 4), *(nan if value is None else value for value in figures.values())]
