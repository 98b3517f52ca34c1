"""One picture: the sun each hour along its way over the horizon line, a row a day."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, hypot
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from sentinel.chain.intake.decode import read_colours
from sentinel.core.angles import half_turn_deg
from sentinel.core.errors import FrameProblem, RequestProblem
from sentinel.core.files import replaced
from sentinel.core.records import MeasuredFrame
from sentinel.core.solar_size import MEAN_RADIUS_DEG
from sentinel.core.times import HOUR_S, from_utc_s, utc_s
from sentinel.core.words import TimeWriter, site_words, times_in
from sentinel.jobs.film.rendering import shown
from sentinel.jobs.film.request import FilmRequest, output_of
from sentinel.jobs.film.session import ChosenUp, FilmedSession
from sentinel.jobs.film.stamp import up_words
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.report.pictures import STRIP_NAME
from sentinel.jobs.steady import Crop, Up
from sentinel.sky import HorizonLine, Sun, above_line_deg
from sentinel.sky.arrays import Array

WIDTHS = 2
"""The picture is so many times as wide as a film is high."""
NEAREST_S = HOUR_S / 2
"""A frame farther from the full hour belongs to another one."""
WHOLE_ENOUGH = 0.5
"""Share of the limb seen, from which a frame stands for its hour rather than a whole one minutes off."""
SPACING_SHARE = 0.72
"""The suns' size against the way from one to the next."""
LARGEST_DEG = 16.0
TILE_RADII = 1.08
MARGIN_DEG = 4.0
NARROWEST_DEG = 50.0
ONE_ROW_S = 23.5 * HOUR_S
PATH_STEP_S = 300.0
"""The way of the sun between its hours is drawn through places so far apart."""

SKY, GROUND, LINE, PATH, DIM, TEXT = (
    (10, 11, 16), (27, 29, 33), (118, 122, 128), (92, 96, 108), (150, 154, 162), (226, 226, 230),
)  # fmt: skip
_COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW"}


@dataclass(frozen=True, slots=True)
class StripHour:
    """A full hour of the session."""

    at_s: float
    day: int
    """Which row."""
    frame: MeasuredFrame | None
    """The one that stands for it; None: the sun was not seen about then."""
    number: int
    """Which of the session's frames that is."""
    pictures: bool
    """Whether there were any pictures about then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSummary:
    """What became of the session's hours."""

    out: Path
    hours: int
    """Full hours with the sun above the horizon line."""
    suns: int
    enlarged: float
    """How many times too large the suns are drawn."""
    width_px: int
    height_px: int
    up: Up
    up_sigma_deg: float
    up_why: str


def strip_of(request: FilmRequest, progress: Progress = silent) -> StripSummary:
    """Draw the strip of a watched or replayed session.

    Raises `RequestProblem` as `film`; or if there is no full hour with the sun above the horizon line.
    """
    out = output_of(request, STRIP_NAME)
    session = FilmedSession(request)
    hours = _hours(session)
    if not any(hour.frame for hour in hours):
        raise RequestProblem(
            "the sun was not seen about any full hour", where=str(request.folder), mend="make a film of it"
        )
    chosen = _chosen(session, request.up)
    sheet = _Sheet(hours, session.sun, request.size_px * WIDTHS)
    failed: set[int] = set()
    for done, hour in enumerate(hours, 1):
        if hour.frame is not None and not _paste(sheet, hour, session, chosen.angles.deg):
            failed.add(hour.number)
        progress("drawing", done, len(hours))
    sigma_deg = float(chosen.angles.sigma_deg.max())
    image = Image.fromarray(sheet.pixels)
    _label_hours(image, sheet, hours, failed, _times(session, request) if "utc" in request.stamps else None)
    _label_head(image, sheet, _title(session, request), up_words(chosen.up, sigma_deg))
    with replaced(out) as temporary:
        image.save(temporary, "PNG")
    return StripSummary(
        out=out,
        hours=len(hours),
        suns=sum(hour.frame is not None for hour in hours) - len(failed),
        enlarged=sheet.enlarged,
        width_px=image.width,
        height_px=image.height,
        up=chosen.up,
        up_sigma_deg=sigma_deg,
        up_why=chosen.why,
    )


def _chosen(session: FilmedSession, wanted: Up | None) -> ChosenUp:
    """Return which way is up: the zenith, as over a landscape, where the session tells it."""
    if wanted is not None:
        return session.chosen_up(wanted)
    try:
        return session.chosen_up("zenith")
    except RequestProblem:
        return session.chosen_up(None)


def _hours(session: FilmedSession) -> list[StripHour]:
    """Return the full hours of the session at which the sun was above the horizon line."""
    frames = session.record.frames
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    first, last = ceil(times[0] / HOUR_S - 0.5), floor(times[-1] / HOUR_S + 0.5)
    at = np.arange(first, last + 1) * HOUR_S
    at = at[np.atleast_1d(above_line_deg(session.sun, at)) > 0]
    seen = np.array([frame.disc.found and frame.error is None for frame in frames])
    whole = seen & np.array([frame.disc.limb_coverage >= WHOLE_ENOUGH for frame in frames])
    days = _days(session.sun, at)
    found = []
    for at_s, day in zip(at.tolist(), days, strict=True):
        near = np.abs(times - at_s) <= NEAREST_S
        number = -1
        for which in (near & whole, near & seen):
            if number < 0 and which.any():
                own = np.flatnonzero(which)
                number = int(own[np.abs(times[own] - at_s).argmin()])
        frame = frames[number] if number >= 0 else None
        found.append(StripHour(at_s, day, frame, number, bool(near.any())))
    return found


def _days(sun: Sun, at_s: Array) -> list[int]:
    """Return for each time the row it is drawn in.

    What takes less than a day is one row; else each goes from one lower culmination of the sun to the next.
    """
    if not at_s.size or at_s[-1] - at_s[0] < ONE_ROW_S:
        return [0] * at_s.size
    mean_deg = at_s / 240 + sun.site.longitude_deg + 180
    number = np.round((mean_deg - np.atleast_1d(sun.hour_angle_deg(at_s))) / 360).astype(int)
    return [int(one) for one in number - number[0]]


class _Sheet:
    """Where things are on the picture: azimuth to the right, altitude up, both at one scale."""

    def __init__(self, hours: Sequence[StripHour], sun: Sun, width_px: int) -> None:
        self.sun, self.width_px = sun, width_px
        self._line = HorizonLine(sun.site.horizon)
        self.days = max(hour.day for hour in hours) + 1
        at = np.array([hour.at_s for hour in hours])
        # In the middle of the picture is where the upper culmination is, or the middle of the one row.
        culmination_deg = 0.0 if sun.site.latitude_deg < 0 else 180.0
        middle_deg = float(sun.altaz_deg((at[0] + at[-1]) / 2)[1])
        self._facing_deg = culmination_deg if self.days > 1 else middle_deg
        altitude, across = self._place_deg(at)
        spacing = self._spacing_deg(hours, altitude, across)
        self.sun_deg = min(LARGEST_DEG, SPACING_SHARE * spacing)
        half = self.sun_deg / 2 + MARGIN_DEG
        begin, end = float(across.min()) - half, float(across.max()) + half
        wider = max(0.0, NARROWEST_DEG - (end - begin)) / 2
        self._left_deg = begin - wider
        self.px_per_deg = width_px / (end - begin + 2 * wider)
        self.font_px = max(13, round(width_px / 110))
        # Room for a sun and its hour above the highest and for the compass below the lowest.
        self._top_deg = float(altitude.max()) + half
        lowest = min(float(altitude.min()) - self.sun_deg / 2, float(self._horizon_deg().min()))
        room_px = 2.4 * self.font_px
        self.row_px = round((self._top_deg - lowest) * self.px_per_deg + room_px)
        self.head_px = round(4.2 * self.font_px)
        self.pixels: NDArray[np.uint8] = np.asarray(self._ground(hours)).copy()

    @property
    def enlarged(self) -> float:
        """How many times too large the suns are."""
        return self.sun_deg / (2 * MEAN_RADIUS_DEG)

    @property
    def height_px(self) -> int:
        return self.head_px + self.days * self.row_px

    def _place_deg(self, at_s: Array) -> tuple[Array, Array]:
        altitude, azimuth = self.sun.altaz_deg(at_s)
        across = half_turn_deg(np.atleast_1d(azimuth) - self._facing_deg)
        return np.atleast_1d(altitude), across

    @staticmethod
    def _spacing_deg(hours: Sequence[StripHour], altitude: Array, across: Array) -> float:
        ways = [
            hypot(across[k] - across[k - 1], altitude[k] - altitude[k - 1])
            for k in range(1, len(hours))
            if hours[k].day == hours[k - 1].day and hours[k].at_s - hours[k - 1].at_s < 1.5 * HOUR_S
        ]
        return float(np.median(ways)) if ways else LARGEST_DEG

    def at(self, at_s: float, day: int) -> tuple[float, float]:
        """Return where the sun's centre stands, (x, y)."""
        altitude, across = self._place_deg(np.array([at_s]))
        return self._x(float(across[0])), self._y(float(altitude[0]), day)

    def _x(self, across_deg: float) -> float:
        return (across_deg - self._left_deg) * self.px_per_deg

    def _y(self, altitude_deg: float, day: int) -> float:
        return self.head_px + day * self.row_px + (self._top_deg - altitude_deg) * self.px_per_deg

    def _horizon_deg(self) -> Array:
        """Return the horizon line's altitude in each column."""
        across = self._left_deg + np.arange(self.width_px) / self.px_per_deg
        return np.asarray(self._line.altitude_deg((across + self._facing_deg) % 360))

    def _ground(self, hours: Sequence[StripHour]) -> Image.Image:
        image = Image.new("RGB", (self.width_px, self.height_px), SKY)
        draw = ImageDraw.Draw(image)
        line = self._horizon_deg()
        for day in range(self.days):
            self._path(draw, hours, day)
            bottom = self.head_px + (day + 1) * self.row_px
            edge = [(float(x), self._y(float(deg), day)) for x, deg in enumerate(line)]
            draw.polygon([*edge, (self.width_px, bottom), (0, bottom)], fill=GROUND)
            draw.line(edge, fill=LINE, width=2)
            self._compass(draw, line, day)
        return image

    def _path(self, draw: ImageDraw.ImageDraw, hours: Sequence[StripHour], day: int) -> None:
        """Draw the sun's way through a row; the ground is drawn over what lies below the line."""
        own = [hour.at_s for hour in hours if hour.day == day]
        if not own:
            return
        times = np.arange(min(own) - HOUR_S, max(own) + HOUR_S + 1, PATH_STEP_S)
        altitude, across = self._place_deg(times)
        # Once round, at the lower culmination, it begins anew on the other side.
        for part in np.split(np.arange(len(times)), np.flatnonzero(np.abs(np.diff(across)) > 180) + 1):
            way = [(self._x(float(across[k])), self._y(float(altitude[k]), day)) for k in part]
            draw.line(way, fill=PATH, width=2)

    def _compass(self, draw: ImageDraw.ImageDraw, line: Array, day: int) -> None:
        font = ImageFont.load_default(self.font_px)
        for azimuth, name in _COMPASS.items():
            x = self._x(half_turn_deg(azimuth - self._facing_deg))
            if self.font_px < x < self.width_px - self.font_px:
                y = self._y(float(line[int(x)]), day)
                draw.line([(x, y), (x, y + 6)], fill=LINE, width=2)
                draw.text((x, y + 8), name, fill=DIM, font=font, anchor="ma")


def _paste(sheet: _Sheet, hour: StripHour, session: FilmedSession, up_deg: Array) -> bool:
    """Draw an hour's sun; False: its picture cannot be read."""
    frame = hour.frame
    assert frame is not None  # noqa: S101 - the caller has looked
    diameter_px = sheet.sun_deg * sheet.px_per_deg
    size = max(8, round(diameter_px * TILE_RADII / 2) * 2)
    crop = Crop(size, 2 * frame.disc.radius_px / diameter_px)
    try:
        picture = read_colours(
            session.originals / frame.frame,
            transfer=session.record.settings.camera.transfer,
            reduction=crop.frame_px,
        )
    except FrameProblem:
        return False
    centre = frame.disc.x_px, frame.disc.y_px
    tile = shown(picture, centre, float(up_deg[hour.number]), crop, shrink=1).rgb()
    x, y = (round(at - size / 2) for at in sheet.at(utc_s(frame.time_utc), hour.day))
    rows, columns = slice(max(0, y), y + size), slice(max(0, x), x + size)
    part = sheet.pixels[rows, columns]
    away = np.hypot(*(np.indices((size, size)) - (size - 1) / 2))[..., None]
    # The disc hides the path behind it; the glow about it only adds to the sky.
    inside, about = away <= diameter_px / 2, away <= TILE_RADII * diameter_px / 2
    cut = slice(max(0, -y), max(0, -y) + part.shape[0]), slice(max(0, -x), max(0, -x) + part.shape[1])
    lighter = np.maximum(part, np.where(about, tile, 0)[cut])
    part[...] = np.where(inside[cut], tile[cut], lighter)
    return True


def _label_hours(
    image: Image.Image, sheet: _Sheet, hours: Sequence[StripHour], failed: set[int], times: TimeWriter | None
) -> None:
    """Write each hour over its sun; where none was seen a ring stands for it, and why."""
    draw, font = ImageDraw.Draw(image), ImageFont.load_default(sheet.font_px)
    radius = sheet.sun_deg * sheet.px_per_deg / 2
    for hour in hours:
        at_s = utc_s(hour.frame.time_utc) if hour.frame is not None else hour.at_s
        x, y = sheet.at(at_s, hour.day)
        if hour.frame is None or hour.number in failed:
            box = (x - radius, y - radius, x + radius, y + radius)
            for start in range(0, 360, 12):
                draw.arc(box, start, start + 6, fill=PATH, width=2)
            draw.text((x, y), _why(hour, failed), fill=DIM, font=font, anchor="mm")
        if times is not None:
            text = times.hour(from_utc_s(round(at_s / 60) * 60))
            draw.text((x, y - radius - 4), text, fill=TEXT, font=font, anchor="md")


def _label_head(image: Image.Image, sheet: _Sheet, title: str, up: str) -> None:
    draw, edge = ImageDraw.Draw(image), round(0.8 * sheet.font_px)
    draw.text((edge, edge), title, fill=TEXT, font=ImageFont.load_default(round(1.25 * sheet.font_px)))
    note = f"the centre of each sun where it stood, {up}, drawn {sheet.enlarged:.0f} times too large"
    draw.text((edge, edge + 1.7 * sheet.font_px), note, fill=DIM, font=ImageFont.load_default(sheet.font_px))


def _times(session: FilmedSession, request: FilmRequest) -> TimeWriter:
    return times_in(session.record.settings.alerts.zone if "local" in request.stamps else None)


def _why(hour: StripHour, failed: set[int]) -> str:
    if hour.number in failed:
        return "not read"
    return "not seen" if hour.pictures else "no picture"


def _title(session: FilmedSession, request: FilmRequest) -> str:
    frames, site = session.record.frames, session.record.settings.site
    days = dict.fromkeys((f"{frames[0].time_utc:%Y-%m-%d}", f"{frames[-1].time_utc:%Y-%m-%d}"))
    said = [site_words(site.latitude_deg, site.longitude_deg)] if "place" in request.stamps else []
    said += [" to ".join(days)] if "utc" in request.stamps else []
    return "   ".join(said)
