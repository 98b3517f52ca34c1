"""The page: one file that needs nothing else, the same bytes for the same journal."""

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from markupsafe import Markup

from sentinel import __version__
from sentinel.chain.notify.counting import missed_in
from sentinel.core.errors import RequestProblem
from sentinel.core.files import shown_name, write_text_whole
from sentinel.core.pages import jpeg_url, page
from sentinel.core.records import MeasuredFrame
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.report import forecast_plots, plots, spots
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.coverage import flag_counts
from sentinel.jobs.report.frame_list import CHECK_CHAIN, CHECK_FILES, LIST_NAME, frame_list
from sentinel.jobs.report.incidents import delivery_line, sent_messages, witnesses
from sentinel.jobs.report.limits import LIMITS
from sentinel.jobs.report.pictures import Pictures, read_pictures
from sentinel.jobs.report.record import Record, read_record
from sentinel.jobs.report.sentences import facts, sentences
from sentinel.jobs.report.settings_list import changed_settings, settings_lines
from sentinel.jobs.report.spot_plots import spot_plots
from sentinel.jobs.report.spots import motion_together, named_blobs
from sentinel.service.journal.journal import Origin

REPORT_NAME = "report.html"
LIST_BYTES = 3_400_000
"""A list of exposures longer than this would make the page unwieldy."""
SHOWN_STRAYS = 12

CONTENTS = (
    ("pictures", "Pictures"), ("spots", "Spots and dust"), ("path", "Where the disc went"),
    ("time", "Over time"), ("sun", "Is it the sun?"),
    ("forecasts", "Forecasts"), ("mount", "Mount"), ("noticed", "Noticed"), ("hours", "Hour by hour"),
    ("chain", "Chain of evidence"), ("doubts", "Doubts"), ("limits", "Limits"), ("settings", "Settings"),
)  # fmt: skip


def write_report(
    folder: Path,
    out: Path | None = None,
    configs: Sequence[Path] = (),
    *,
    originals: Path | None = None,
    progress: Progress = silent,
) -> Path:
    """Write the report of a watched or replayed session, and beside it the list of its pictures' hashes.

    `folder`: what `replay --out` or `watch` left behind; a watch may go on writing there.
    `out`: where to write; `report.html` in the folder if not given. It appears whole or not at all.
    `configs`: settings in the place of those that the journal holds.
    `originals`: where the pictures lie, if they are not where they lay.
    Returns where the report is.
    Raises `RequestProblem` if the folder holds no journal that can be used, no settings are to be found, or
    `out` is no place for a file.
    """
    path = out or folder / REPORT_NAME
    if out is not None and (out.is_dir() or not out.parent.is_dir()):
        raise RequestProblem(
            "cannot be written there", where=str(path), mend="name a file in a folder that exists"
        )
    analysis = Analysis(read_record(folder, configs, originals))
    write_text_whole(path, report_html(analysis, read_pictures(analysis, progress, folder)))
    if analysis.record.links:
        write_text_whole(path.with_name(LIST_NAME), frame_list(analysis.record))
    return path


def report_html(analysis: Analysis, pictures: Pictures) -> str:
    """Return the page for a session. Whatever stands in names and messages stays text."""
    record, named = analysis.record, named_blobs(analysis, pictures)
    style = files("sentinel.jobs.report").joinpath("page.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
    lines = ["\n".join(_line(record, frame) for frame in hour.frames) for hour in analysis.hours]
    listed = sum(map(len, lines)) <= LIST_BYTES
    strays = [shown_name(frame.frame) for frame in record.strays]
    return page(
        __package__,
        "page.html.jinja",
        style=Markup(style),  # noqa: S704 - our own file
        style_hash=f"sha256-{digest}",
        a=analysis,
        record=record,
        camera=record.settings.camera.name,
        replayed=record.origin is Origin.REPLAY,
        sentences=sentences,
        facts=facts,
        witnesses=witnesses(record),
        plots=plots,
        forecast_plots=forecast_plots,
        contents=(*CONTENTS, ("exposures", "Every exposure")) if listed else CONTENTS,
        missed_in=missed_in,
        delivery_line=delivery_line(record),
        messages=sent_messages(record),
        hours=list(zip(analysis.hours, lines if listed else [""] * len(lines), strict=True)),
        listed=listed,
        pictures=pictures,
        motion=motion_together(named),
        named=named,
        spots=spots,
        spot_plots=spot_plots(analysis, pictures, named),
        jpeg_url=jpeg_url,
        list_name=LIST_NAME,
        check_files=CHECK_FILES,
        check_chain=CHECK_CHAIN,
        flags=flag_counts(record.frames),
        strays=strays[:SHOWN_STRAYS],
        more_strays=len(strays[SHOWN_STRAYS:]),
        limits=LIMITS,
        settings=settings_lines(record.settings),
        changed_settings=changed_settings(record),
        version=__version__,
    )


def _line(record: Record, frame: MeasuredFrame) -> str:
    """Return an exposure as a line of the list."""
    link, disc = record.links.get(id(frame)), frame.disc
    number = str(link.number) if link else "-"
    place = f"{disc.x_px:.2f} {disc.y_px:.2f} {disc.radius_px:.2f}" if disc.found else "- - -"
    doubts = ",".join(frame.all_flags) or "-"
    at = frame.time_utc.isoformat(sep=" ", timespec="milliseconds").removesuffix("+00:00")
    return f"{number:>6} {at[11:]} {shown_name(frame.frame)} {place} {doubts} {frame.sha256 or '-'}"
