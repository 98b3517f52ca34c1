"""The page: one file that needs nothing else, the same bytes for the same journal."""

import base64
import hashlib
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from sentinel import __version__
from sentinel.core.errors import RequestProblem
from sentinel.core.files import shown_name, write_text_whole
from sentinel.core.records import MeasuredFrame
from sentinel.core.words import count, many, minute, span
from sentinel.jobs.report import forecast_plots, plots, sentences
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.coverage import flag_counts
from sentinel.jobs.report.incidents import delivery_line, sent_messages
from sentinel.jobs.report.limits import LIMITS
from sentinel.jobs.report.record import Record, read_record
from sentinel.jobs.report.settings_list import changed_settings, settings_lines
from sentinel.service.journal import Origin

if TYPE_CHECKING:
    from jinja2 import Template

REPORT_NAME = "report.html"
LIST_BYTES = 3_400_000
"""A list of exposures longer than this would make the page unwieldy."""
SHOWN_STRAYS = 12

RECIPE = """\
from hashlib import sha256; from pathlib import Path; h = b''
for name in Path("order.txt").read_text().splitlines(): h = sha256(h + sha256(Path(name).read_bytes()).digest()).digest()
print(h.hex())"""  # noqa: E501 - to be copied as it stands

CONTENTS = (
    ("path", "Where the disc went"), ("time", "Over time"), ("sun", "Is it the sun?"),
    ("forecasts", "Forecasts"), ("mount", "Mount"), ("noticed", "Noticed"), ("hours", "Hour by hour"),
    ("chain", "Chain of evidence"), ("doubts", "Doubts"), ("limits", "Limits"), ("settings", "Settings"),
)  # fmt: skip


def write_report(folder: Path, out: Path | None = None, configs: Sequence[Path] = ()) -> Path:
    """Write the report of a watched or replayed session; return where it is.

    Parameters
    ----------
    folder
        What `replay --out` or `watch` left behind; a watch may go on writing there.
    out
        Where to write; `report.html` in the folder if not given. It appears whole or not at all.
    configs
        Settings in the place of those that the journal holds.

    Raises
    ------
    RequestProblem
        If the folder holds no journal that can be used, no settings are to be found, or `out` is no place for
        a file.
    """
    path = out or folder / REPORT_NAME
    if out is not None and (out.is_dir() or not out.parent.is_dir()):
        raise RequestProblem(
            "cannot be written there", where=str(path), mend="name a file in a folder that exists"
        )
    page = report_html(read_record(folder, configs))
    write_text_whole(path, page)
    return path


@lru_cache(maxsize=1)
def _template() -> "Template":
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - not needed to import a room

    environment = Environment(
        loader=PackageLoader("sentinel.jobs.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    environment.filters |= {"minute": minute, "span": span, "number": _number, "count": count, "many": many}
    return environment.get_template("page.html.jinja")


def report_html(record: Record) -> str:
    """Return the page for a session. Whatever stands in names and messages stays text."""
    analysis = Analysis(record)
    style = files("sentinel.jobs.report").joinpath("page.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
    lines = ["\n".join(_line(record, frame) for frame in hour.frames) for hour in analysis.hours]
    listed = sum(map(len, lines)) <= LIST_BYTES
    strays = [shown_name(frame.frame) for frame in record.strays]
    return _template().render(
        style=Markup(style),  # noqa: S704 - our own file
        style_hash=f"sha256-{digest}",
        a=analysis,
        record=record,
        camera=record.settings.camera.name,
        replayed=record.origin is Origin.REPLAY,
        sentences=sentences,
        plots=plots,
        forecast_plots=forecast_plots,
        contents=(*CONTENTS, ("exposures", "Every exposure")) if listed else CONTENTS,
        delivery_line=delivery_line(record),
        messages=sent_messages(record),
        hours=list(zip(analysis.hours, lines if listed else [""] * len(lines), strict=True)),
        listed=listed,
        recipe=RECIPE,
        flags=flag_counts(record.frames),
        strays=strays[:SHOWN_STRAYS],
        more_strays=len(strays[SHOWN_STRAYS:]),
        limits=LIMITS,
        settings=settings_lines(record.settings),
        changed_settings=changed_settings(record),
        version=__version__,
    )


def _number(value: float, decimals: int, *, sign: bool = False) -> str:
    if not isfinite(value):
        return "–"
    shown = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    # What rounds to nought has no sign.
    return shown.replace("-", "−") if float(shown) else shown.lstrip("+-")


def _line(record: Record, frame: MeasuredFrame) -> str:
    """Return an exposure as a line of the list."""
    link, disc = record.links.get(id(frame)), frame.disc
    number = str(link.number) if link else "-"
    place = f"{disc.x_px:.2f} {disc.y_px:.2f} {disc.radius_px:.2f}" if disc.found else "- - -"
    doubts = ",".join(frame.all_flags) or "-"
    at = frame.time_utc.isoformat(sep=" ", timespec="milliseconds").removesuffix("+00:00")
    return f"{number:>6} {at[11:]} {shown_name(frame.frame)} {place} {doubts} {frame.sha256 or '-'}"
