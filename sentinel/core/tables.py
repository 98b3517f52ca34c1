"""Tables of measurements: ECSV files <-> measured frames.

The columns are the ones users read with `astropy.table.Table.read`; a table made by somebody else may lack
all but `time_utc`, `x_px`, `y_px` and `radius_px`.
"""

import warnings
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import inf, isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sentinel.core.errors import RequestProblem
from sentinel.core.files import replaced
from sentinel.core.records import Disc, MeasuredFrame, frame_order
from sentinel.core.times import format_utc, parse_utc

if TYPE_CHECKING:
    from astropy.table import Table

# Numbers of the disc and of the exposure, by their columns: how many decimals are worth writing.
_OF_DISC = {
    "x_px": 4, "y_px": 4, "radius_px": 4, "centre_sigma_px": 4, "limb_in_frame": 4, "limb_coverage": 4,
    "edge_width_px": 3, "oval_cos2_px": 4, "oval_sin2_px": 4, "oval_sigma_px": 4, "brightness": 5,
    "saturated_fraction": 5,
}  # fmt: skip
_OF_EXPOSURE = {"exposure_s": 9, "iso": 1, "aperture": 2}
_NUMBERS = _OF_DISC | _OF_EXPOSURE
_OF_ANY_FRAME = ("brightness", "saturated_fraction", "channel_ratio")
"""Of the disc's numbers, those that say something where no disc is."""
_NEEDED = ("time_utc", "x_px", "y_px", "radius_px")
# Without these the disc is followed all the same, but edge, light and what hides the limb are not judged.
_JUDGED = ("limb_coverage", "edge_width_px", "brightness", "saturated_fraction")
_SIZE = ("frame_width_px", "frame_height_px")

OUT_OF_ORDER = "row-out-of-order"
REPEATED = "row-repeated"
NO_PLACE = "row-without-place"
COLUMNS_MISSING = "columns-missing"
MEANING = {
    OUT_OF_ORDER: "the table has it after a later exposure; it was put in its place",
    REPEATED: "the table holds a frame of this name and time already",
    NO_PLACE: "by the table there is a disc, but its centre or radius is no usable number",
    COLUMNS_MISSING: "the table lacks columns that edge, light or coverage are judged by",
}
"""Every doubt about a table's rows, with what it means."""


def measurement_row(frame: MeasuredFrame) -> dict[str, Any]:
    """Return a frame's numbers under the names of the table's columns, NaN kept."""
    row: dict[str, Any] = {
        "frame": frame.frame,
        "time_utc": format_utc(frame.time_utc),
        "found": frame.disc.found,
    }
    row |= {name: round(number, _NUMBERS[name]) for name, number in _numbers(frame).items()}
    return row | {"flags": " ".join(frame.all_flags)}


def _numbers(frame: MeasuredFrame) -> dict[str, float]:
    owners = ((frame.disc, _OF_DISC), (frame, _OF_EXPOSURE))
    return {name: float(getattr(owner, name)) for owner, names in owners for name in names}


KEPT = (
    "width_px", "height_px", "camera", "error", "channel_ratio", "size_bytes", "modified_ns", "orientation",
)  # fmt: skip
"""What else a measured frame holds that measuring goes on from."""


def exact_columns() -> list[str]:
    """Return the columns of a table that keeps every bit of what was measured."""
    return ["frame", "time_utc", "found", *_NUMBERS, "flags", *KEPT]


def exact_row(frame: MeasuredFrame) -> str:
    """Return a frame's line in such a table: to read it again gives the same numbers."""
    row: list[Any] = [frame.frame, frame.time_utc.isoformat().replace("+00:00", "Z"), frame.disc.found]
    row += _numbers(frame).values()
    row += [" ".join(frame.all_flags), frame.width_px, frame.height_px, frame.camera, frame.error or ""]
    row += [frame.disc.channel_ratio, frame.size_bytes or 0, frame.modified_ns or 0, frame.orientation or 0]
    return " ".join(map(_cell, row)) + "\n"


def write_measurements(path: Path, frames: Iterable[MeasuredFrame]) -> None:
    """Write frames in order of exposure; the file appears whole or not at all."""
    ordered = sorted(frames, key=frame_order)
    write_ordered(path, Layout.of(ordered), ordered)


@dataclass(frozen=True, slots=True)
class Layout:
    """What a table's head must say before its first row: the usual size, and the columns it needs.

    A frame whose size differs from most frames' says its own in the extra columns `width_px`, `height_px`,
    which stand only where needed, like `camera`, `orientation` and `error`.
    """

    width_px: int
    height_px: int
    extra: tuple[str, ...]

    @classmethod
    def of(cls, frames: Iterable[MeasuredFrame]) -> "Layout":
        """Return the layout for all of these frames, in any order."""
        sizes: Counter[tuple[int, int]] = Counter()
        camera = orientation = error = False
        for frame in frames:
            sizes[frame.width_px, frame.height_px] += 1
            camera, error = camera or bool(frame.camera), error or bool(frame.error)
            orientation = orientation or frame.orientation is not None
        usable = [size for size in sizes if all(size)]
        width, height = max(usable, key=lambda size: (sizes[size], size), default=(0, 0))
        odd = any(size != (width, height) for size in sizes)
        needed = {
            "width_px": odd,
            "height_px": odd,
            "camera": camera,
            "orientation": orientation,
            "error": error,
        }
        return cls(width, height, tuple(name for name, stands in needed.items() if stands))

    def row(self, frame: MeasuredFrame) -> list[Any]:
        """Return a frame's row."""
        own: dict[str, Any] = {"width_px": frame.width_px, "height_px": frame.height_px}
        own |= {"camera": frame.camera, "orientation": frame.orientation or 0, "error": frame.error or ""}
        return [*measurement_row(frame).values(), *(own[name] for name in self.extra)]


def write_ordered(path: Path, layout: Layout, ordered: Iterable[MeasuredFrame]) -> None:
    """Write frames that come in order of exposure, each gone from memory when it is written."""
    names = ["frame", "time_utc", "found", *_NUMBERS, "flags", *layout.extra]
    meta = {"frame_width_px": layout.width_px, "frame_height_px": layout.height_px}
    write_ecsv(path, names, map(layout.row, ordered), meta=meta)


def write_ecsv(
    path: Path,
    names: Sequence[str],
    rows: Iterable[Sequence[Any]],
    *,
    meta: dict[str, int],
    kinds: Mapping[str, str] | None = None,
) -> None:
    """Write rows of plain values as an ECSV table; the type of each column follows from its name.

    A table of other things than frames says in `kinds` what its columns hold.

    Our own writer, because the library's wants the whole table in memory, and a watch that runs for weeks on
    a small computer writes it again and again. The format is ECSV 1.0 (astropy proposal for enhancement 6).
    """
    with replaced(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
        file.write(ecsv_head(names, meta, _KINDS if kinds is None else kinds))
        file.writelines(" ".join(map(_cell, row)) + "\n" for row in rows)


def ecsv_head(names: Sequence[str], meta: Mapping[str, int], kinds: Mapping[str, str] | None = None) -> str:
    """Return what stands above the rows of an ECSV table, by default one of measurements."""
    kinds = _KINDS if kinds is None else kinds
    head = ["%ECSV 1.0", "---", "datatype:"]
    head += [f"- {{name: {name}, datatype: {kinds.get(name, 'float64')}}}" for name in names]
    head += ["meta: !!omap", *(f"- {{{key}: {value}}}" for key, value in meta.items()), "schema: astropy-2.0"]
    return "".join(f"# {line}\n" for line in head) + " ".join(names) + "\n"


# Whatever is not listed is a number.
_KINDS = dict.fromkeys(("frame", "time_utc", "flags", "camera", "error"), "string")
_KINDS |= {"found": "bool", "width_px": "int64", "height_px": "int64"}
_KINDS |= {"size_bytes": "int64", "modified_ns": "int64", "orientation": "int64"}


def _cell(value: Any) -> str:
    text = str(value)
    if text and not text.startswith("#") and not any(c == '"' or c.isspace() for c in text):
        return text
    return '"' + text.replace('"', '""') + '"'


def read_measurements(path: Path) -> list[MeasuredFrame]:
    """Read a table of measurements, in order of exposure; what was odd about a row is said in its flags.

    Raises `RequestProblem` if the file is no ECSV table, lacks a needed column or the frame's size, or holds
    a time that is none.
    """
    return sorted(_placed(read_rows(path)[0]), key=frame_order)


def read_rows(path: Path) -> tuple[list[MeasuredFrame], Mapping[str, Any]]:
    """Read a table's rows as they stand, and its meta; raises like `read_measurements`."""
    table = _read_ecsv(path)
    missing = [name for name in _NEEDED if name not in table.colnames]
    if missing:
        raise RequestProblem(
            f"has no column {missing[0]!r}",
            where=str(path),
            mend=f"a table of measurements needs {', '.join(_NEEDED)}",
        )
    width, height = (_size(path, table, key) for key in _SIZE)
    read = _RowReader(path, table, width, height)
    return [read(i) for i in range(len(table))], table.meta


def _placed(rows: Iterable[MeasuredFrame]) -> Iterator[MeasuredFrame]:
    """Flag rows that stand in the wrong place, or for the second time; `rows` as in the table."""
    latest_s, known = -inf, set[tuple[float, str]]()
    for frame in rows:
        key = frame_order(frame)
        doubts = ((OUT_OF_ORDER, key[0] < latest_s), (REPEATED, key in known))
        flags = tuple(flag for flag, so in doubts if so)
        latest_s = max(latest_s, key[0])
        known.add(key)
        yield replace(frame, flags=(*frame.flags, *flags)) if flags else frame


def _read_ecsv(path: Path) -> "Table":
    from astropy.table import Table  # noqa: PLC0415

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Table.read(path, format="ascii.ecsv")
    except OSError as error:
        raise RequestProblem(
            f"cannot be read ({error.strerror or error})", where=str(path), mend="check the path"
        ) from None
    except Exception as error:  # noqa: BLE001 - the reader raises whatever its parsers raise
        raise RequestProblem(
            f"is not an ECSV table ({' '.join(str(error).split())[:80]})",
            where=str(path),
            mend="give a folder of frames or a measurements.ecsv",
        ) from None


def _size(path: Path, table: "Table", key: str) -> int:
    value = table.meta.get(key)
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 1e6:
        return int(value)
    raise RequestProblem(
        f"its meta says no usable {key} ({value!r})",
        where=str(path),
        mend="add the frame's size in pixels to the table's meta",
    )


class _RowReader:
    """Turns row numbers into measured frames, whichever of the optional columns are there."""

    def __init__(self, path: Path, table: "Table", width_px: int, height_px: int) -> None:
        self._path, self._width_px, self._height_px = path, width_px, height_px
        self._columns = {name: _plain(table[name]) for name in table.colnames}
        self._doubts = (COLUMNS_MISSING,) if any(name not in self._columns for name in _JUDGED) else ()

    def __call__(self, i: int) -> MeasuredFrame:
        numbers = {name: self._number(name, i) for name in (*_OF_DISC, "channel_ratio")}
        x_px, y_px, radius_px = (numbers[name] for name in ("x_px", "y_px", "radius_px"))
        measured = isfinite(x_px) and isfinite(y_px) and isfinite(radius_px) and radius_px > 0
        claimed = str(self._get("found", i, "True")).lower() in {"true", "1", "1.0"}
        width_px = int(self._number("width_px", i, self._width_px))
        height_px = int(self._number("height_px", i, self._height_px))
        if measured and not isfinite(numbers["limb_in_frame"]):
            numbers["limb_in_frame"] = limb_in_frame(x_px, y_px, radius_px, width_px, height_px)
        if not isfinite(numbers["limb_coverage"]):
            numbers["limb_coverage"] = numbers["limb_in_frame"]
        if not (measured and claimed):
            numbers = {name: numbers[name] for name in _OF_ANY_FRAME}
        flags = tuple(self._text("flags", i).split())
        disc = Disc(found=measured and claimed, flags=flags, **numbers)
        return MeasuredFrame(
            frame=self._text("frame", i) or f"row-{i + 1}",
            time_utc=self._time(i),
            width_px=width_px,
            height_px=height_px,
            disc=disc,
            exposure_s=self._number("exposure_s", i),
            iso=self._number("iso", i),
            aperture=self._number("aperture", i),
            orientation=int(self._number("orientation", i, 0)) or None,
            camera=self._text("camera", i),
            error=self._text("error", i) or None,
            size_bytes=int(self._get("size_bytes", i, 0)) or None,
            modified_ns=int(self._get("modified_ns", i, 0)) or None,
            flags=self._doubts if measured or not claimed else (*self._doubts, NO_PLACE),
        )

    def _get(self, name: str, i: int, absent: Any) -> Any:
        column = self._columns.get(name)
        value = None if column is None else column[i]
        return absent if value is None else value

    def _number(self, name: str, i: int, absent: float = nan) -> float:
        try:
            value = float(self._get(name, i, absent))
        except (TypeError, ValueError):
            return absent
        return value if isfinite(value) else absent

    def _text(self, name: str, i: int) -> str:
        return str(self._get(name, i, ""))

    def _time(self, i: int) -> datetime:
        value = self._get("time_utc", i, "")
        if isinstance(value, datetime):
            return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
        text = str(value)
        # The column's name says UTC, so a time without a zone is UTC here and nowhere else.
        named = text if text.endswith(("Z", "z")) or "+" in text[10:] or "-" in text[10:] else f"{text}Z"
        try:
            return parse_utc(named)
        except RequestProblem:
            raise RequestProblem(
                f"not a time: {text!r}", where=f"{self._path} row {i + 1}", mend="write 2026-06-21T03:02:00Z"
            ) from None


def limb_in_frame(x_px: float, y_px: float, radius_px: float, width_px: int, height_px: int) -> float:
    """Return the fraction of a circle's circumference that lies within a frame, to a thousandth."""
    angle = np.arange(1000) * (2 * np.pi / 1000)
    x, y = x_px + radius_px * np.cos(angle), y_px + radius_px * np.sin(angle)
    inside = (x >= -0.5) & (x <= width_px - 0.5) & (y >= -0.5) & (y <= height_px - 0.5)
    return float(inside.mean())


def _plain(column: Any) -> list[Any]:
    """Return a column as plain values; masked entries become None, astropy times datetimes."""
    if hasattr(column, "to_datetime"):
        return list(np.atleast_1d(column.to_datetime()))
    values: list[Any] = np.ma.asarray(column).tolist()
    return values
