"""Before the watch begins: are settings and surroundings as they should be? A line for each thing found."""

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from functools import partial
from itertools import islice
from pathlib import Path

from pydantic import ValidationError

from sentinel.chain.intake.decode import read_header, readable_headers
from sentinel.chain.intake.live import FolderState, LiveFolder
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.chain.intake.session import FoundFile, find_frames
from sentinel.core.clock import SystemClock
from sentinel.core.complaints import complaints
from sentinel.core.errors import FrameProblem, RequestProblem, need_extra
from sentinel.core.explained import known_keys
from sentinel.core.settings import SEE, Settings, read_content
from sentinel.core.solar_size import YEAR_ARCSEC
from sentinel.core.times import DAY_S
from sentinel.core.words import many
from sentinel.service.delivery.checking import check_channels
from sentinel.service.delivery.secrets import resolve
from sentinel.service.watch.computer import synchronised
from sentinel.service.watch.metrics_out import need_metrics
from sentinel.service.watch.mqtt_state import StatePublisher
from sentinel.service.watch.neighbours import NeighbourReader
from sentinel.service.watch.state_folder import StateFolder, refuse_folder_inside, state_path

LITTLE_SHARE = 0.10
LITTLE_STATE_BYTES = 200e6
NO_CONCERN_DAYS = 60.0


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One line of the check."""

    line: str
    wrong: bool = False


def _wrong(line: object) -> CheckLine:
    return CheckLine(str(line), wrong=True)


def check(configs: Sequence[Path], state: Path | None) -> Iterator[CheckLine]:
    """Yield what is found, good and bad."""
    where = ", ".join(str(path) for path in configs)
    try:
        settings = Settings.model_validate(read_content(configs))
    except ValidationError as error:
        for key, complaint in complaints(error):
            mend = _mend(key, complaint)
            yield _wrong(str(RequestProblem(f"{key} {complaint}", where=where, mend=mend)))
        return
    yield CheckLine(f"settings: {where}: every key is known")
    for part in (
        _units(settings),
        _folder(settings),
        _state(settings, state),
        _clock(),
        _channels(settings),
        _page(settings),
        _extras(settings, state),
    ):
        yield from part


def _mend(key: str, complaint: str) -> str:
    """Return what to do about a wrong key: a known one that is spelt alike, or the same in another unit."""
    known = known_keys()
    if "not a known setting" in complaint:
        name = key.rsplit(".", 1)[-1]
        section = key.rsplit(".", 1)[0] + "." if "." in key else ""
        # A section is no way to spell one of its keys.
        near = get_close_matches(key, [k for k in known if k.count(".") == key.count(".")], 1, 0.75)
        near += [k for k in known if k.startswith(section) and _stem(k.rsplit(".", 1)[-1]) == _stem(name)]
        if near:
            unit = near[-1].rsplit("_", 1)[-1]
            return f"write {near[-1]}, in {unit}" if _stem(near[-1]) != near[-1] else f"write {near[-1]}"
    return SEE


_UNITS = {
    "deg", "rad", "m", "km", "mm", "cm", "um", "nm", "s", "ms", "min", "h", "hpa", "pa", "c", "k", "f", "px",
}  # fmt: skip


def _stem(name: str) -> str:
    head, _, unit = name.rpartition("_")
    return head if unit.lower() in _UNITS else name


# Setting, the range that real gear has, and the unit that was probably meant outside it.
_USUAL: tuple[tuple[str, float, float, str], ...] = (
    ("camera.focal_length_mm", 20, 20_000, "millimetres"),
    ("camera.pixel_pitch_um", 0.5, 100, "micrometres, of the stored pixels"),
    ("camera.interval_s", 0.2, 7200, "seconds"),
    ("site.pressure_hpa", 300, 1090, "hectopascals at the camera; 0 for no refraction"),
    ("visit.travel_min", 0, 600, "minutes"),
)


def _units(settings: Settings) -> Iterator[CheckLine]:
    for key, low, high, unit in _USUAL:
        section, name = key.split(".")
        value = getattr(getattr(settings, section), name)
        if not low <= value <= high and value != 0:
            yield _wrong(f"{key}: {value:g} is unlikely; give it in {unit}")
    scale = settings.camera.scale_arcsec_px
    least, most = (2 * radius / scale for radius in YEAR_ARCSEC)
    width = f"{least:.0f} to {most:.0f} px wide over the year"
    yield CheckLine(f"lens: {scale:.2f} arcsec a pixel; the sun is {width}")


def _folder(settings: Settings) -> Iterator[CheckLine]:
    folder = Path(settings.frames.folder)
    if not settings.frames.folder:
        yield _wrong("frames.folder: no folder is named; name the one the camera's files arrive in")
        return
    look = LiveFolder(folder, settings.frames.patterns, SeenFiles()).look(0.0, limit=0)
    if look.state in {FolderState.MISSING, FolderState.UNREADABLE}:
        what = "is missing; check the path and whether its disk is mounted"
        if look.state is FolderState.UNREADABLE:
            what = "cannot be read; let this user read it"
        yield _wrong(f"frames.folder: {folder} {what}")
        return
    if look.locked_folders:
        yield _wrong(
            f"frames.folder: {many(look.locked_folders, 'folder')} in it cannot be read; let it be read"
        )
    frames = many(look.files, "frame") if look.files else "no frame yet"
    yield CheckLine(f"folder: {folder}: {frames}")
    files = find_frames(folder, settings.frames.patterns)
    yield from _room(folder, files, settings)
    yield from _size(files, settings)
    if look.files:
        # Decoding and measuring take longer to load than all the rest of the check.
        from sentinel.service.watch.check_frames import contradictions  # noqa: PLC0415

        for line in contradictions(folder, settings):
            yield _wrong(line)


def _room(folder: Path, files: Sequence[FoundFile], settings: Settings) -> Iterator[CheckLine]:
    usage = shutil.disk_usage(folder)
    sizes = [file.path.stat().st_size for file in files[-20:] if file.path.is_file()]
    if not sizes:
        if usage.free < LITTLE_SHARE * usage.total:
            yield _wrong(f"frames.folder: only {_gb(usage.free)} free; make room")
        return
    a_day = sum(sizes) / len(sizes) * DAY_S / settings.camera.interval_s
    days = usage.free / a_day
    line = f"{_gb(usage.free)} free, enough for {days:.1f} days at {a_day / 1e9:.1f} GB a day"
    if days > NO_CONCERN_DAYS:
        line = f"{_gb(usage.free)} free, space is no concern"
    if days < 1:
        yield _wrong(f"frames.folder: only {line}; make room")
    else:
        yield CheckLine(f"space: {line}")


def _size(files: Sequence[FoundFile], settings: Settings) -> Iterator[CheckLine]:
    """Say how large the frames are, so that a slip in the pixel pitch is seen."""
    for _, header in islice(readable_headers(reversed(files[-3:])), 1):
        size = header.width_px, header.height_px
        wide, high = (n * settings.camera.scale_arcsec_px / 3600 for n in size)
        yield CheckLine(f"frames: {size[0]} x {size[1]} px, a field of {wide:.1f} x {high:.1f} degrees")


def _state(settings: Settings, named: Path | None) -> Iterator[CheckLine]:
    folder = state_path(settings.state.folder, named)
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    try:
        if settings.frames.folder:
            refuse_folder_inside(folder, Path(settings.frames.folder))
    except RequestProblem as problem:
        yield _wrong(problem)
        return
    if not os.access(there, os.W_OK | os.X_OK):
        yield _wrong(f"state folder: {folder}: this user may not write there; name another")
        return
    usage = shutil.disk_usage(there)
    little = usage.free < max(LITTLE_STATE_BYTES, LITTLE_SHARE * usage.total / 10)
    yield CheckLine(
        f"state folder: {folder}: {_gb(usage.free)} free{'; make room' if little else ''}", wrong=little
    )
    if StateFolder(folder).is_watched():
        yield CheckLine("a watch is at work there now")


def _clock() -> Iterator[CheckLine]:
    heard = synchronised()
    if heard is False:
        yield _wrong("clock: this computer has not heard the time from the network yet")
    else:
        yield CheckLine(f"clock: {'synchronised' if heard else 'whether it is right cannot be told here'}")


def _channels(settings: Settings) -> Iterator[CheckLine]:
    for problem in check_channels(settings):
        yield _wrong(problem)
    first = [channel for channel in settings.channels if channel.called == "first"]
    if not settings.channels:
        yield CheckLine("channels: none: nobody will be told of anything")
    elif not any("now" in channel.severities for channel in first):
        yield _wrong("channels: none takes `now` at once; nobody would be woken")
    else:
        yield CheckLine(f"channels: {', '.join(channel.name for channel in settings.channels)}")


def _page(settings: Settings) -> Iterator[CheckLine]:
    page = settings.page
    if page.listen is not None and page.token_from is not None:
        yield from _refusals(
            partial(resolve, page.token_from, where="page.token_from"),
            partial(need_extra, "page", where="page.listen", instead="do without"),
        )


def _extras(settings: Settings, state: Path | None) -> Iterator[CheckLine]:
    """Say of what passes between the watch and others whether it can be had: by the watch's own steps."""
    folder = state_path(settings.state.folder, state)
    steps: list[Callable[[], object]] = [
        partial(need_metrics, settings.metrics),
        partial(NeighbourReader, settings.neighbours, folder, SystemClock()),
    ]
    if settings.mqtt.url_from is not None:
        steps.append(partial(StatePublisher, settings.mqtt, settings.camera.name))
    yield from _refusals(*steps)


def _refusals(*steps: Callable[[], object]) -> Iterator[CheckLine]:
    """Yield why each of some steps of the watch cannot be taken."""
    for step in steps:
        try:
            step()
        except RequestProblem as problem:
            yield _wrong(problem)


def _gb(size: float) -> str:
    return f"{size / 1e9:.1f} GB"


def clock_offset(photograph: Path, shown_utc: datetime) -> tuple[float, str]:
    """Return what to write for `camera.clock_offset_s`, from a photograph of a clock of known time.

    `photograph`: as the camera took it, its time untouched.
    `shown_utc`: what the clock in it shows.
    Returns `offset_s` and `said`: the setting's value, and one sentence about it.
    Raises `RequestProblem` if the photograph says no time of its own.
    """
    try:
        header = read_header(photograph)
    except FrameProblem as problem:
        raise RequestProblem(
            problem.what, where=str(photograph), mend="give a picture as the camera wrote it"
        ) from None
    if header.taken is None:
        raise RequestProblem(
            "says no time of its exposure",
            where=str(photograph),
            mend="give a picture as the camera wrote it",
        )
    zone = header.zone_offset
    taken_utc = header.taken.replace(tzinfo=UTC) - (zone or timedelta(0))
    offset_s = round((taken_utc - shown_utc).total_seconds(), 2)
    if zone is not None:
        hours = zone.total_seconds() / 3600
        return offset_s, f"the file names its zone (UTC{hours:+g} h), which is taken off by itself"
    return offset_s, "the file names no zone, so this is the zone and the clock's error together"
