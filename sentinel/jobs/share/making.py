"""A share written: pictures, lists, report, and a page that says what to check. It can be gone on with."""

import os
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from sentinel import __version__
from sentinel.chain.intake.decode import read_colours
from sentinel.chain.intake.session import JOURNAL_NAME
from sentinel.core.errors import FrameProblem, RequestProblem, refused
from sentinel.core.files import file_hash, made_folder, replaced, write_text_whole
from sentinel.core.pages import page
from sentinel.core.words import count
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.frame_list import CHECK_CHAIN, CHECK_FILES, LIST_NAME, checksum_line, frame_list
from sentinel.jobs.report.page import REPORT_NAME, report_html
from sentinel.jobs.report.pictures import read_pictures
from sentinel.jobs.report.record import Record, read_record
from sentinel.jobs.share.plan import (
    NOTE_NAME,
    PICTURES,
    PIXELS_TELL,
    Item,
    SharePlan,
    ShareRequest,
    along,
    is_whole,
    linkable,
    note_of,
    planned,
)
from sentinel.jobs.share.public import public_page, public_record, public_table
from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal

INDEX_NAME = "index.html"
ORIGINALS_LIST = "originals.sha256"
TABLE_NAME = "exposures.ecsv"
JPEG_QUALITY = 92


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """What was written."""

    out: Path
    pictures: int
    kept: int
    """Of these, left whole by an earlier run."""
    unusable: tuple[str, ...]
    """Pictures of which no JPEG could be made, or which changed since they were measured."""


def plan_share(request: ShareRequest) -> SharePlan:
    """Work out what a share will hold; see `sentinel.jobs.share.plan.planned`."""
    return planned(request, read_record(request.folder, request.configs, request.frames))


def ignores_case(folder: Path) -> bool:
    """Whether a folder, with a share's note in it, takes names for one that differ by case alone."""
    return (folder / NOTE_NAME.upper()).exists()


def _require_names_apart(plan: SharePlan) -> None:
    """Complain of pictures that would replace each other."""
    if not ignores_case(plan.request.out):
        return
    names: dict[str, str] = {}
    for item in plan.items:
        first = names.setdefault(item.name.casefold(), item.name)
        if first != item.name:
            raise RequestProblem(
                f"{first} and {item.name} would be one file there: the disk ignores case",
                where=str(plan.request.out),
                mend="choose a disk that tells capital letters from small ones",
            )


def share(plan: SharePlan, progress: Progress = silent) -> Shared:
    """Write what was planned; whatever an earlier run left whole stays.

    Raises `RequestProblem` if the disk is full, the folder cannot be written to, or two names are one there.
    """
    request = plan.request
    with refused("cannot be written", where=request.out, mend="make room and ask again: what is whole stays"):
        made_folder(request.out)
        write_text_whole(request.out / NOTE_NAME, note_of(request, plan.record))
        _require_names_apart(plan)
        result = _pictures(plan, progress)
        for name in along(request):
            with replaced(request.out / name) as temporary:
                # Without the times of the file: they say nothing of the session.
                shutil.copyfile(request.folder / name, temporary)
        (_public_files if request.public else _private_files)(plan, progress)
    return result


def _pictures(plan: SharePlan, progress: Progress) -> Shared:
    folder, kept, unusable = plan.request.out / PICTURES, 0, []
    for item in reported(plan.items, "pictures", len(plan.items), progress):
        target = folder / item.name
        target.parent.mkdir(parents=True, exist_ok=True)
        if item.copied:
            if is_whole(target, item.frame):
                kept += 1
            else:
                _copy(item, target, link=plan.request.link)
                if not is_whole(target, item.frame):
                    target.unlink()
                    unusable.append(item.name)
                    continue
        if (
            item.jpeg
            and not (folder / item.jpeg).is_file()
            and not _drawn_anew(item, folder / item.jpeg, plan.record)
        ):
            unusable.append(item.name)
    return Shared(
        out=plan.request.out, pictures=len(plan.items) - len(unusable), kept=kept, unusable=tuple(unusable)
    )


def _copy(item: Item, target: Path, *, link: bool) -> None:
    """Copy or link a file; it appears whole or not at all."""
    target.unlink(missing_ok=True)
    if link and linkable(item.source, target.parent):
        # Some file systems know no links; what the room was reckoned by does not hold there.
        with suppress(PermissionError):
            os.link(item.source.resolve(), target)
            return
    with replaced(target) as temporary:
        shutil.copy2(item.source, temporary)


def _drawn_anew(item: Item, target: Path, record: Record) -> bool:
    """Write a JPEG from a file's pixels alone; return whether it could be."""
    if item.frame.sha256 and file_hash(item.source) != item.frame.sha256:
        return False
    try:
        colours = read_colours(item.source, transfer=record.settings.camera.transfer)
    except FrameProblem:
        return False
    with replaced(target) as temporary:
        Image.fromarray(colours.values).save(temporary, "JPEG", quality=JPEG_QUALITY)
    return True


def _private_files(plan: SharePlan, progress: Progress) -> None:
    out, record = plan.request.out, plan.record
    with Journal.read(plan.request.folder / JOURNAL_NAME) as journal:
        export(journal, out)
    if record.links:
        write_text_whole(out / PICTURES / LIST_NAME, frame_list(record))
    analysis = Analysis(record)
    write_text_whole(
        out / REPORT_NAME, report_html(analysis, read_pictures(analysis, progress, plan.request.folder))
    )
    _index(
        plan, names=[name for name in (*along(plan.request), "measurements.ecsv") if (out / name).is_file()]
    )


def _public_files(plan: SharePlan, progress: Progress) -> None:
    out, record = plan.request.out, plan.record
    shown = public_record(record)
    write_text_whole(out / REPORT_NAME, public_page(record, shown, progress))
    public_table(out / TABLE_NAME, record)
    numbered = [*record.frames, *record.strays]
    linked = sorted((record.links[id(one)].number, one.sha256) for one in numbered if id(one) in record.links)
    if linked:
        lines = "".join(checksum_line(sha256, f"{number:06}") for number, sha256 in linked)
        write_text_whole(out / ORIGINALS_LIST, lines)
    if plan.items:
        there = sorted(path.name for path in (out / PICTURES).glob("*.jpg"))
        lines = "".join(checksum_line(file_hash(out / PICTURES / name), name) for name in there)
        write_text_whole(out / PICTURES / LIST_NAME, lines)
    _index(plan, names=[*along(plan.request), TABLE_NAME])


def _index(plan: SharePlan, names: list[str]) -> None:
    public = plan.request.public
    index = page(
        __package__,
        "index.html.jinja",
        public=public,
        pictures=len(plan.items),
        missing=plan.missing,
        names=names,
        record=plan.record,
        report=REPORT_NAME,
        folder=PICTURES,
        list_name=LIST_NAME,
        originals_list=ORIGINALS_LIST,
        check_files=CHECK_FILES,
        check_chain=CHECK_CHAIN.replace(LIST_NAME, ORIGINALS_LIST) if public else CHECK_CHAIN,
        version=__version__,
        count=count,
        pixels_tell=PIXELS_TELL,
    )
    write_text_whole(plan.request.out / INDEX_NAME, index)
