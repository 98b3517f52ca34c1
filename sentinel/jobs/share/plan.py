"""What goes into a shared folder, and how large that is: worked out before anything is written."""

import json
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from sentinel.chain.intake.session import PREFERRED
from sentinel.core.errors import RequestProblem
from sentinel.core.files import file_hash, refuse_used
from sentinel.core.records import MeasuredFrame
from sentinel.core.words import count, many
from sentinel.jobs.report.record import Record

PICTURES = "pictures"
NOTE_NAME = "share.json"
"""Says whose share a folder holds: an unfinished one is gone on with, another's is left alone."""
PAGES_BYTES, LISTS_BYTES_FRAME = 1_000_000, 1500
"""What pages and lists take, and a frame's rows in them."""
SPARE_BYTES = 20_000_000
"""A disk is not filled to the last."""
JPEG_BYTES_PX = 0.6
"""About so many bytes a pixel take the JPEGs made here."""
FILM_NAME, PUBLIC_FILM_NAME = "film.mp4", "film-public.mp4"
ALONG, PUBLIC_ALONG = (FILM_NAME, "strip.png"), (PUBLIC_FILM_NAME,)
"""What other jobs may have left in the session's folder, and goes along: always, and into a public share."""

PIXELS_TELL = (
    "From the pixels of these pictures the place may be estimated to better than a tenth of a degree: by how "
    "flat a low sun is, and by its way through the frame. Give them only to those who may know it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareRequest:
    """What is to be shared of which session, and where."""

    folder: Path
    out: Path
    configs: Sequence[Path] = ()
    frames: Path | None = None
    """Where the pictures lie, if they do not where they did."""
    link: bool = False
    """Hard links in place of copies, where the file system allows it."""
    public: bool = False
    with_pictures: bool = False
    """With `public`: pictures drawn anew from their pixels go in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One picture of the share."""

    frame: MeasuredFrame
    source: Path
    name: str
    """Below the folder of pictures, with slashes."""
    copied: bool
    """The file itself goes in, under that name."""
    jpeg: str
    """Of the JPEG made from it; empty: none is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SharePlan:
    """All that will be written."""

    request: ShareRequest
    record: Record
    items: tuple[Item, ...]
    missing: int
    """Pictures that are not where they should be, or are not the ones that were measured."""
    bytes_needed: int
    """Still to be written: what an earlier run left whole does not count."""
    bytes_free: int

    @property
    def lines(self) -> list[str]:
        """Return what will be done, before it is."""
        what = many(len(self.items), "picture") if self.items else "no pictures"
        absent = f"; not there, or not as measured: {count(self.missing)}" if self.missing else ""
        size = f"about {self.bytes_needed / 1e6:,.1f} MB to be written into {self.request.out}"
        doubt = [f"Careful   {PIXELS_TELL}"] if self.items and self.request.public else []
        return [
            f"Share     {what}{absent}; {size}",
            f"Room      {self.bytes_free / 1e6:,.0f} MB free there",
            *doubt,
        ]


def require_sense(request: ShareRequest) -> None:
    """Complain of options that do not go together.

    Raises `RequestProblem` if any do not.
    """
    if request.with_pictures and not request.public:
        raise RequestProblem(
            "without --public the pictures go in anyway", where="--with-pictures", mend="leave it out"
        )
    if request.link and request.public:
        raise RequestProblem(
            "nothing of what the camera wrote goes into a public folder", where="--link", mend="leave it out"
        )


def planned(request: ShareRequest, record: Record) -> SharePlan:
    """Work out what goes into a share.

    Raises `RequestProblem` if the target is no place for it: it holds something else, lies within the
    pictures' folder, or has no room.
    """
    _require_place(request, record)
    items, missing = ((), 0) if request.public and not request.with_pictures else _items(request, record)
    needed = PAGES_BYTES + LISTS_BYTES_FRAME * len(record.frames)
    needed += sum(_left_bytes(request, item) for item in items)
    needed += sum((request.folder / name).stat().st_size for name in along(request))
    free = shutil.disk_usage(_existing(request.out)).free
    if needed + SPARE_BYTES > free:
        raise RequestProblem(
            f"needs {needed / 1e6:,.0f} MB and has {free / 1e6:,.0f} MB free",
            where=str(request.out),
            mend="choose a larger disk, or --link on the one the pictures lie on",
        )
    return SharePlan(
        request=request, record=record, items=items, missing=missing, bytes_needed=needed, bytes_free=free
    )


def along(request: ShareRequest) -> list[str]:
    """Return what else lies in the session's folder and goes along."""
    names = PUBLIC_ALONG if request.public else (*ALONG, *PUBLIC_ALONG)
    return [name for name in names if (request.folder / name).is_file()]


def note_of(request: ShareRequest, record: Record) -> str:
    """Return what tells a share from others."""
    told = {"running_hash": record.chain, "frames": len(record.frames), "public": request.public}
    return json.dumps(told | {"made by": "sentinel share"}, indent=1) + "\n"


def _require_place(request: ShareRequest, record: Record) -> None:
    out, mend = request.out, "give a new or an empty folder"
    inside = [request.folder, *([record.originals] if record.originals is not None else [])]
    if any(out.resolve().is_relative_to(one.resolve()) for one in inside):
        raise RequestProblem("lies within the session itself", where=str(out), mend=mend)
    note = out / NOTE_NAME
    begun = note.is_file() and note.read_text(encoding="utf-8", errors="replace") == note_of(request, record)
    if not begun:
        refuse_used(out, mend=mend)


def _existing(path: Path) -> Path:
    """Return the nearest folder above that exists."""
    path = path.absolute()
    return path if path.is_dir() else _existing(path.parent)


def _items(request: ShareRequest, record: Record) -> tuple[tuple[Item, ...], int]:
    """Return the pictures that are there, in order of arrival where that is known, and how many are not."""
    frames = [*record.frames, *record.strays]
    unlinked = len(frames) + 1
    frames.sort(key=lambda frame: link.number if (link := record.links.get(id(frame))) else unlinked)
    # Whatever the disk: a JPEG that is made must not bear, or nearly bear, another picture's name.
    taken = {frame.frame.casefold() for frame in frames}
    items, missing = [], 0
    for number, frame in enumerate(frames, 1):
        path = PurePosixPath(frame.frame)
        # A name in a journal that came from elsewhere must not lead out of either folder.
        led_out = path.is_absolute() or ".." in path.parts
        source = record.originals / path if record.originals is not None and not led_out else None
        if source is None or not source.is_file():
            missing += 1
            continue
        if request.public:
            name = jpeg = f"{number:06}.jpg"
        else:
            raw = source.suffix.lower() not in PREFERRED
            name, jpeg = str(path), _jpeg_name(path, taken) if raw else ""
        items.append(Item(frame=frame, source=source, name=name, copied=not request.public, jpeg=jpeg))
    return tuple(items), missing


def _jpeg_name(path: PurePosixPath, taken: set[str]) -> str:
    """Return what to call the JPEG of a picture, and note it among the names that are taken."""
    usual = str(path.with_suffix(".jpg"))
    name = usual if usual.casefold() not in taken else f"{path}.jpg"
    taken.add(name.casefold())
    return name


def _left_bytes(request: ShareRequest, item: Item) -> int:
    """Return how many bytes an item still takes."""
    folder, bytes_left = request.out / PICTURES, 0
    if item.jpeg and not (folder / item.jpeg).is_file():
        bytes_left += round(item.frame.width_px * item.frame.height_px * JPEG_BYTES_PX)
    if item.copied and not (folder / item.name).is_file():
        linked = request.link and linkable(item.source, request.out)
        bytes_left += 0 if linked else item.source.stat().st_size
    return bytes_left


def linkable(source: Path, out: Path) -> bool:
    """Whether a file can be linked into a folder: both lie on one file system."""
    return os.stat(source).st_dev == os.stat(_existing(out)).st_dev  # noqa: PTH116 - both alike


def is_whole(path: Path, frame: MeasuredFrame) -> bool:
    """Whether an earlier run left a picture there that is the one that was measured."""
    return path.is_file() and (not frame.sha256 or file_hash(path) == frame.sha256)
