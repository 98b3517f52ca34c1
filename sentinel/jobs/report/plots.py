"""The report's pictures: what each shows, over which axis, and what it says in words."""

from functools import partial

import numpy as np

from sentinel.chain.forecast.geometry import Geometry
from sentinel.chain.notify.counting import GAP_INTERVALS
from sentinel.core.records import Severity
from sentinel.core.times import from_utc_s, utc_s
from sentinel.core.words import many, minute, signed, span
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.coverage import Sizes, light_of, median_of, quantile_of, runs_of
from sentinel.jobs.report.path_plot import PathDrawing, draw_path
from sentinel.jobs.report.style import DEEP, GRAVE, INK, QUIET, WARM, Plot, plot_of
from sentinel.jobs.report.summary import TimeSpan
from sentinel.jobs.report.thinning import pieces
from sentinel.jobs.report.timelines import BarRow, Panel, Series, drawn, drawn_rows
from sentinel.jobs.report.track_fit import track_arcsec
from sentinel.sky import HorizonLine, above_line
from sentinel.sky.arrays import Array

AHEAD_S = 24 * 3600.0
PAUSE_S = 1800.0
"""Over a longer pause the path of the disc is not known and not drawn."""
SUN_EVERY_S = 300.0
PATH_WIDE = 760.0


def clock(at_s: float) -> str:
    """Return a moment to the minute."""
    return minute(from_utc_s(at_s))


def path_plot(w: Analysis) -> Plot | None:
    """Return the disc's path through the frame; None: no disc was seen."""
    c, stretch = w.columns, w.track.stretch
    at = np.flatnonzero(c.found & np.isfinite(c.x_px))
    if not at.size or not all(w.frame_px):
        return None
    places = np.stack([c.x_px, c.y_px], axis=1)
    parted = (np.diff(stretch[at]) != 0) | (np.diff(c.utc_s[at]) > PAUSE_S)
    parts = pieces(at, parted)
    numbers, firsts = np.unique(stretch[at], return_index=True)
    begins = [places[at[first]] for number, first in zip(numbers, firsts, strict=True) if number >= 0]
    strokes = [places[part] for part in parts if stretch[part[0]] >= 0]
    astray = [places[part] for part in parts if stretch[part[0]] < 0]
    ahead = _ahead(w)
    first, last = clock(float(c.utc_s[at[0]])), clock(float(c.utc_s[at[-1]]))
    first_px, last_px = places[at[0]], places[at[-1]]
    drawing = PathDrawing(
        width_px=w.frame_px[0],
        height_px=w.frame_px[1],
        margin_px=w.record.settings.frames.margin_px,
        radius_px=median_of(c.radius_px),
        strokes=strokes,
        begins=begins,
        astray=astray,
        ahead=ahead,
        ends=((first_px, f"first {first[5:]}"), (last_px, f"last {last[5:]}")),
    )
    words = (
        f"The disc's centre in the frame of {w.frame_px[0]} by {w.frame_px[1]} pixels, to scale: from "
        f"({first_px[0]:.0f}, {first_px[1]:.0f}) at {first} to ({last_px[0]:.0f}, "
        f"{last_px[1]:.0f}) at {last} UTC, in {many(len(begins), 'stretch', 'stretches')}."
    )
    number = (
        f"{len(begins)} stretches; each re-centring, knock or unwinding begins a new one. "
        if len(begins) > 1
        else ""
    )
    caption = (
        f"{number}The circles are the disc, first (dashed) and last. While the centre stays inside the "
        "dashed rectangle, the whole rim stays in the frame"
        + (f" and {drawing.margin_px:g} px off its edge" if drawing.margin_px else "")
        + "."
        + (" Dotted: the mount did not follow the sun." if astray else "")
        + (" Dashed line: where the disc would have gone on in the next 24 h." if ahead else "")
    )
    return plot_of(
        partial(draw_path, drawing), "The path of the disc through the frame", words, caption, PATH_WIDE
    )


def _ahead(w: Analysis) -> list[Array]:
    """Return where the last mount would have taken the disc in a day, pixels, a part for each time of sun."""
    e, c = w.track, w.columns
    at = np.flatnonzero(c.found)
    if not e.mounts or e.stretch[at[-1]] < 0:
        return []
    mount, number = e.mounts[-1], int(e.stretch[at[-1]])
    if number not in mount.numbers:
        return []
    times = c.utc_s[at[-1]] + np.arange(0.0, AHEAD_S, 600.0)
    which = np.full(len(times), mount.numbers.index(number), dtype=np.intp)
    geometry = Geometry(w.record.settings.site, w.sun)
    xy = track_arcsec(geometry, mount.points, times, which) / e.scale_arcsec_px
    xy = xy + (np.array(w.frame_px) - 1) / 2
    outside = np.flatnonzero((xy < 0).any(axis=1) | (xy > np.array(w.frame_px) - 1).any(axis=1))
    shown = np.arange(outside[0] if outside.size else len(times))
    up = shown[np.asarray(above_line(w.sun, times[shown]))]
    return [xy[part] for part in pieces(up, np.diff(up) > 1)]


def timeline_plots(w: Analysis) -> list[Plot]:
    """Return the pictures over the session's time, in the order in which they are read."""
    panels = [_sun_panel(w), _room_panel(w), _residual_panel(w)]
    if w.sizes is not None:
        panels.append(_radius_panel(w, w.sizes))
    panels += [_edge_panel(w), _light_panel(w), _coverage_panel(w)]
    return [_rows_plot(w), *(drawn(panel, w.axis, w.nights) for panel in panels if panel.holds_anything)]


def _measured(w: Analysis, values: Array, name: str = "") -> Series:
    """Return a value a frame as a line, open where frames are missing."""
    return Series(utc_s=w.columns.utc_s, values=values, name=name, longest_s=GAP_INTERVALS * w.interval_s)


def range_words(values: Array, unit: str, decimals: int = 1) -> str:
    """Return least, greatest and median in words."""
    some = values[np.isfinite(values)]
    if not some.size:
        return "never measured"
    least, middle, most = (f"{value:.{decimals}f}{unit}" for value in np.quantile(some, [0, 0.5, 1]))
    return f"from {least} to {most}, median {middle}"


def _sun_panel(w: Analysis) -> Panel:
    times = np.arange(w.axis.begin_s, w.axis.end_s + SUN_EVERY_S, SUN_EVERY_S).clip(max=w.axis.end_s)
    altitude, azimuth = w.sun.altaz_deg(times)
    line = np.asarray(HorizonLine(w.record.settings.site.horizon).altitude_deg(azimuth)) * np.ones(len(times))
    return Panel(
        name="Sun's altitude",
        unit="degrees, computed",
        series=[
            Series(utc_s=times, values=np.asarray(altitude), name="sun", colour=WARM),
            Series(utc_s=times, values=line, name="horizon line below it", colour=INK, dash="5 3"),
        ],
        words=f"The sun's apparent altitude, {range_words(np.asarray(altitude), ' degrees')}.",
        caption="Shaded, here and below: the sun's centre is behind the horizon line.",
    )


def _room_panel(w: Analysis) -> Panel:
    width_px = 2 * median_of(w.columns.radius_px)
    values, margin = w.columns.room_px / width_px, w.record.settings.frames.margin_px / width_px
    return Panel(
        name="Room to the nearest edge",
        unit="sun-widths",
        series=[_measured(w, values)],
        words=f"Room between limb and edge, {range_words(values, ' sun-widths', 2)}.",
        rules=[(0.0, "edge of the frame"), *([(margin, "margin")] if margin else [])],
    )


def _residual_panel(w: Analysis) -> Panel:
    off = w.track.off_arcsec
    return Panel(
        name="Centre less computed place",
        unit="arcsec",
        series=[_measured(w, off)],
        words=f"Distance of the measured centre from the computed one, {range_words(off, ' arcsec')}.",
        caption="The sun's computed path through the fitted mount, against each disc. The even unrest is the "
        "drive's gears and the wind; waves over hours are flexure.",
        low=0.0,
        high=quantile_of(off, 0.999) * 1.25 + 1,
    )


def _radius_panel(w: Analysis, sizes: Sizes) -> Panel:
    c = w.columns
    scale = w.record.settings.camera.scale_arcsec_px * (1 - sizes.mean / 100)
    measured = np.where(np.isfinite(sizes.percent), c.radius_px * scale, np.nan)
    computed = np.where(c.found | (c.above_deg > -0.3), sizes.computed_arcsec, np.nan)
    reach = max(3 * quantile_of(np.abs(measured - computed), 0.95), 1.5)
    return Panel(
        name="Radius of the disc",
        unit="arcsec",
        series=[
            _measured(w, measured, "measured"),
            Series(
                utc_s=c.utc_s, values=computed, name="sun, computed", colour=WARM, dash="6 3", longest_s=7200
            ),
        ],
        words=f"The disc's long half-axis, {range_words(measured, ' arcsec', 2)}; the sun's computed "
        f"radius, {range_words(computed, ' arcsec', 2)}.",
        caption=f"Whole discs only, at a scale corrected once for the session by {signed(-sizes.mean, 2)} %. "
        "The long half-axis is drawn, which refraction leaves as it is; the other is flattened near the "
        f"horizon: by {100 * (1 - sizes.flattening_there):.1f} % at {sizes.lowest_deg:.1f} degrees, the "
        "lowest of these.",
        low=median_of(computed) - reach,
        high=median_of(computed) + reach,
    )  # fmt: skip


def _edge_panel(w: Analysis) -> Panel:
    values = w.columns.edge_px
    arcsec = median_of(values) * w.track.scale_arcsec_px
    return Panel(
        name="Width of the edge",
        unit="pixels from 10 to 90 %",
        series=[_measured(w, values)],
        words=f"How soft the limb is, {range_words(values, ' px', 2)}.",
        caption=f"Smaller is sharper; the median is {arcsec:.1f} arcsec. Near the horizon the air widens it.",
        low=0.0,
        high=quantile_of(values, 0.995) * 1.25,
    )


def _light_panel(w: Analysis) -> Panel:
    light = light_of(w.columns)
    told = np.isfinite(w.columns.exposure).any()
    return Panel(
        name="Light at equal exposure",
        unit="stops about the median",
        series=[_measured(w, light)],
        words=f"The disc's light, {range_words(light, ' stops')}.",
        caption="By shutter, ISO and aperture as the camera wrote them." if told else
        "No exposures are known: taken as constant.",
    )  # fmt: skip


def _coverage_panel(w: Analysis) -> Panel:
    values = 100 * w.columns.coverage
    return Panel(
        name="Limb seen as a clean edge",
        unit="% of it",
        series=[_measured(w, values)],
        words=f"Share of the limb seen, {range_words(values, ' %', 0)}.",
        low=0.0,
        high=104.0,
        height=84.0,
    )


def _rows_plot(w: Analysis) -> Plot:
    c, interval = w.columns, w.interval_s
    up = c.above_deg >= 0
    gaps = list(w.summary.gaps)
    if w.silent_since_utc is not None:
        gaps.append(TimeSpan(from_utc=w.silent_since_utc, to_utc=w.record.until_utc))
    unseen = runs_of(c.utc_s, ~c.found & up, interval)
    # As the judge counts it: of that part of the limb which lies in the frame.
    with np.errstate(divide="ignore", invalid="ignore"):
        hidden_share = 1 - c.coverage / c.limb_in_frame
    hidden = runs_of(c.utc_s, hidden_share > w.record.settings.thresholds.covered_fraction, interval)
    rows = [
        BarRow(name="Sun down", bars=[(a, b, "") for a, b in w.nights], colour=QUIET),
        BarRow(
            name="No pictures",
            bars=[
                (utc_s(g.from_utc), utc_s(g.to_utc), f"{clock(utc_s(g.from_utc))}, {span(g.length)}")
                for g in gaps
            ],
            colour=INK,
        ),
        BarRow(name="Sun not seen", bars=[(a, b, clock(a)) for a, b in unseen], colour=INK),
        BarRow(name="Rim partly hidden", bars=[(a, b, clock(a)) for a, b in hidden], colour=DEEP),
    ]
    rows += _incident_rows(w)
    rows.append(
        BarRow(
            name="Visits and marks",
            bars=[
                (utc_s(m.time_utc), utc_s(m.time_utc) + 60 * (m.minutes or 0), f"{m.kind} {m.text}")
                for m in w.record.marks
            ],
            colour=DEEP,
        )
    )
    words = (
        f"Over the session: {many(len(w.nights), 'time')} the sun was down, {many(len(gaps), 'gap')}, "
        f"{many(len(unseen), 'time')} the sun was up and not seen, "
        f"{many(len(w.summary.incidents), 'incident')}, {many(len(w.record.marks), 'mark')}."
    )
    return drawn_rows("What happened when", rows, w.axis, words)


def _incident_rows(w: Analysis) -> list[BarRow]:
    """Return the incidents from onset to end, a row for each severity that they had meanwhile."""
    colours = {Severity.NOW: GRAVE, Severity.SOON: WARM, Severity.NOTE: QUIET}
    rows = []
    for severity, colour in colours.items():
        bars = [
            (
                (begin_s := utc_s(begin_utc)),
                max(w.axis.end_s if end_utc is None else utc_s(end_utc), begin_s + 1),
                change.message or change.condition,
            )
            for one in w.summary.incidents
            for change, begin_utc, end_utc in one.stages
            if change.severity is severity
        ]
        rows.append(BarRow(name=f"Noticed: {severity.value}", bars=bars, colour=colour))
    return rows
