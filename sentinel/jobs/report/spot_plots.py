"""Maps of the dark blobs: the sun with its spots, north up, and the sensor with its dust."""

from collections.abc import Sequence

import numpy as np

from sentinel.core.words import many
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.coverage import median_of
from sentinel.jobs.report.path_plot import HALO
from sentinel.jobs.report.pictures import Pictures
from sentinel.jobs.report.spots import NamedBlob
from sentinel.jobs.report.style import DEEP, GROUND, HAIR, INK, QUIET, WARM, Plot, plot_of
from sentinel.jobs.report.svg import Pen, Point
from sentinel.sky import DiscView, Orientation

_GRID_DEG = 30
_TEXT = 12.0
_WIDE = 560.0
_STRIDE = 40
"""About so many outlines of the disc are drawn on the sensor."""


def spot_plots(w: Analysis, pictures: Pictures, named: Sequence[NamedBlob]) -> list[Plot]:
    """Return the maps that there is anything to draw on."""
    plots = []
    spots = [one for one in named if one.blob.kind == "sun"]
    if spots and pictures.north_good:
        plots.append(sun_map(w, spots))
    marks = [one for one in named if one.blob.kind != "sun"]
    if marks and w.frame_px[0]:
        plots.append(_sensor_map(w, marks))
    return plots


def sun_map(w: Analysis, spots: Sequence[NamedBlob]) -> Plot:
    """Return the sun with its spots, north up."""
    middle_s = (w.axis.begin_s + float(w.columns.utc_s[-1])) / 2
    tilt_deg = float(Orientation(w.sun).central_latitude_deg(middle_s))
    disc_px = median_of(w.columns.radius_px)

    def draw(width: float) -> Pen:
        pen, radius = Pen(width, width), width / 2 - 34
        view = DiscView(
            x_px=width / 2,
            y_px=width / 2,
            radius_px=radius,
            north_deg=0.0,
            central_latitude_deg=tilt_deg,
            central_longitude_deg=0.0,
        )
        pen.ring((width / 2, width / 2), radius, fill=GROUND, stroke=INK, stroke_width=1.2)
        _grid(pen, view)
        for place, word in (
            ((width / 2, 22.0), "N"),
            ((width / 2, width - 10.0), "S"),
            ((14.0, width / 2 + 4), "E"),
            ((width - 14.0, width / 2 + 4), "W"),
        ):
            pen.text(place, word, font_size=14, text_anchor="middle", fill=QUIET)
        places = [view.place_px(one.latitude_deg, one.west_deg) for one in spots]
        at = [(float(x), float(y)) for x, y, _ in places]
        sizes = [max(2.5, radius * one.blob.across_px / 2 / disc_px) for one in spots]
        _named(pen, at, sizes, [one.name for one in spots], DEEP)
        return pen

    words = f"The sun, solar north up, with {many(len(spots), 'spot')}, in the middle of the session."
    caption = (
        "Spots on the sun in the middle of the session, solar north up, west on the right; a line every "
        f"{_GRID_DEG} degrees. Each stands where it was in the median of its sightings."
    )
    return plot_of(draw, "Spots on the sun", words, caption, _WIDE)


def _grid(pen: Pen, view: DiscView) -> None:
    """Draw latitudes and longitudes on the near side."""
    around, along = np.arange(-90.0, 91.0, 3.0), np.arange(-87.0, 88.0, 3.0)
    lines = [(np.full(around.shape, float(b)), around) for b in range(-60, 61, _GRID_DEG)]
    lines += [(along, np.full(along.shape, float(m))) for m in range(-90, 91, _GRID_DEG)]
    for latitude, west in lines:
        x, y, facing = view.place_px(latitude, west)
        points = [(float(a), float(b)) for a, b, near in zip(x, y, facing > 0, strict=True) if near]
        if len(points) > 1:
            pen.stroke(points, stroke=HAIR, stroke_width=1)


def _sensor_map(w: Analysis, marks: Sequence[NamedBlob]) -> Plot:
    frame_wide, frame_high = w.frame_px

    def draw(width: float) -> Pen:
        scale = (width - 8) / frame_wide
        pen = Pen(width, frame_high * scale + 8)

        def at(x_px: float, y_px: float) -> Point:
            return 4 + (x_px + 0.5) * scale, 4 + (y_px + 0.5) * scale

        pen.box(
            at(-0.5, -0.5), at(frame_wide - 0.5, frame_high - 0.5), fill=GROUND, stroke=INK, stroke_width=1.2
        )
        seen = np.flatnonzero(w.columns.whole)
        for i in seen[:: max(1, len(seen) // _STRIDE)]:
            centre = at(float(w.columns.x_px[i]), float(w.columns.y_px[i]))
            pen.ring(
                centre, float(w.columns.radius_px[i]) * scale, fill="none", stroke=HAIR, stroke_width=0.8
            )
        places = [at(float(np.median(one.blob.x_px)), float(np.median(one.blob.y_px))) for one in marks]
        sizes = [max(2.5, one.blob.across_px / 2 * scale) for one in marks]
        _named(pen, places, sizes, [one.name for one in marks], WARM)
        return pen

    words = f"The frame with what kept its place in it ({many(len(marks), 'mark')}), and where the disc went."
    caption = (
        "Marks in the stored frame, with the disc's outline now and then. Where the disc never stood there "
        "may be more."
    )
    return plot_of(draw, "Marks on the sensor", words, caption, _WIDE)


def _named(pen: Pen, at: Sequence[Point], sizes: Sequence[float], names: Sequence[str], colour: str) -> None:
    """Draw blobs with their names, each name where it is farthest from the other blobs."""
    for place, size in zip(at, sizes, strict=True):
        pen.ring(place, size, fill=colour, fill_opacity=0.75, stroke=colour, stroke_width=1)
    taken: list[Point] = []
    for number, ((x, y), size, name) in enumerate(zip(at, sizes, names, strict=True)):
        others = [place for k, place in enumerate(at) if k != number] + taken
        reach = size + 10
        ways = [(reach, 4.0), (-reach, 4.0), (0.0, -reach + 3), (0.0, reach + 8)]
        inside = [
            (dx, dy) for dx, dy in ways if 10 < x + dx < pen.width - 10 and 12 < y + dy < pen.height - 4
        ] or ways
        best = max(
            inside,
            key=lambda way: min(
                (np.hypot(x + way[0] - a, y + way[1] - 4 - b) for a, b in others), default=0.0
            ),
        )
        taken.append((x + best[0], y + best[1] - 4))
        pen.text(
            (x + best[0], y + best[1]), name, font_size=_TEXT, text_anchor="middle", **HALO | {"fill": INK}
        )
