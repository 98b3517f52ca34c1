"""The report's pictures: what each shows, over which axis, and what it says in words."""

from collections.abc import Callable

import numpy as np

from sentinel.chain.forecast.geometry import Geometry
from sentinel.core.records import Severity
from sentinel.core.times import from_utc_s, utc_s
from sentinel.core.words import minute, span
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.coverage import light_of, median_of, runs_of
from sentinel.jobs.report.path_plot import PathDrawing, draw_path
from sentinel.jobs.report.style import DEEP, GRAVE, INK, QUIET, WARM, Plot
from sentinel.jobs.report.summary import GAP_INTERVALS, TimeSpan
from sentinel.jobs.report.timelines import BarRow, Panel, Series, drawn, drawn_rows
from sentinel.jobs.report.track_fit import track_arcsec
from sentinel.sky import HorizonLine, above_line, disc_axes
from sentinel.sky.arrays import Array

AHEAD_S = 24 * 3600.0
PAUSE_S = 1800.0
"""Over a longer pause the way of the disc is not known and not drawn."""
SUN_EVERY_S = 300.0


def clock(at_s: float) -> str:
    """Return a moment to the minute."""
    return minute(from_utc_s(at_s))


def path_plot(w: Analysis) -> Plot | None:
    """Return the disc's way through the frame; None: no disc was seen."""
    c, stretch = w.columns, w.track.stretch
    at = np.flatnonzero(c.found & np.isfinite(c.x_px))
    if not at.size or not all(w.frame_px):
        return None
    places = np.stack([c.x_px, c.y_px], axis=1)
    parted = (np.diff(stretch[at]) != 0) | (np.diff(c.utc_s[at]) > PAUSE_S)
    parts = np.split(at, np.flatnonzero(parted) + 1)
    numbers, firsts = np.unique(stretch[at], return_index=True)
    begins = [places[at[first]] for number, first in zip(numbers, firsts, strict=True) if number >= 0]
    strokes = [places[part] for part in parts if stretch[part[0]] >= 0]
    astray = [places[part] for part in parts if stretch[part[0]] < 0]
    ahead = _ahead(w)
    first, last = clock(float(c.utc_s[at[0]])), clock(float(c.utc_s[at[-1]]))
    first_px, last_px = places[at[0]], places[at[-1]]
    way = PathDrawing(
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
        f"({first_px[0]:.0f}, {first_px[1]:.0f}) at {first} to ({places[at[-1]][0]:.0f}, "
        f"{places[at[-1]][1]:.0f}) at {last} UTC, in {len(begins)} stretches."
    )
    number = (
        f"{len(begins)} stretches; each re-centring, knock or unwinding begins a new one. "
        if len(begins) > 1
        else ""
    )
    caption = (
        f"{number}The circles are the disc, first (dashed) and last. While the centre stays inside the "
        "dashed rectangle, the whole rim stays in the frame"
        + (f" and {way.margin_px:g} px off its edge" if way.margin_px else "")
        + "."
        + (" Dotted: the mount did not follow the sun." if astray else "")
        + (" Dashed line: where the disc would have gone on in the next 24 h." if ahead else "")
    )
    return draw_path(way, "The path of the disc through the frame", words, caption)


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
    return [xy[part] for part in np.split(up, np.flatnonzero(np.diff(up) > 1) + 1) if len(part)]


def timeline_plots(w: Analysis) -> list[Plot]:
    """Return the pictures over the session's time, in the order in which they are read."""
    makers: list[Callable[[Analysis], Panel | None]] = [
        _sun_panel, _room_panel, _residual_panel, _radius_panel, _edge_panel, _light_panel, _coverage_panel,
    ]  # fmt: skip
    panels = [made for made in (maker(w) for maker in makers) if made is not None]
    return [_rows_plot(w), *(drawn(panel, w.axis, w.nights) for panel in panels)]


def _hole_s(w: Analysis) -> float:
    return GAP_INTERVALS * w.interval_s


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


def _room_panel(w: Analysis) -> Panel | None:
    c = w.columns
    if not c.found.any():
        return None
    values = c.room_px / (2 * median_of(c.radius_px))
    margin = w.record.settings.frames.margin_px / (2 * median_of(c.radius_px))
    rules = [(0.0, "edge of the frame")] + ([(margin, "margin")] if margin else [])
    return Panel(
        name="Room to the nearest edge",
        unit="sun-widths",
        series=[Series(utc_s=c.utc_s, values=values, longest_s=_hole_s(w))],
        words=f"Room between limb and edge, {range_words(values, ' sun-widths', 2)}.",
        rules=rules,
    )


def _residual_panel(w: Analysis) -> Panel | None:
    off = w.track.off_arcsec
    if not np.isfinite(off).any():
        return None
    some = off[np.isfinite(off)]
    high = float(np.quantile(some, 0.999)) * 1.25 + 1
    return Panel(
        name="Centre less computed place",
        unit="arcsec",
        series=[Series(utc_s=w.columns.utc_s, values=off, longest_s=_hole_s(w))],
        words=f"Distance of the measured centre from the computed one, {range_words(some, ' arcsec')}.",
        caption="The sun's computed way through the fitted mount, against each disc. The even unrest is the "
        "drive's gears and the wind; waves over hours are flexure."
        + (f" {int((some > high).sum())} discs lie beyond the top." if (some > high).any() else ""),
        low=0.0,
        high=high,
    )


def _radius_panel(w: Analysis) -> Panel | None:
    if w.sizes is None:
        return None
    c, site = w.columns, w.record.settings.site
    scale = w.record.settings.camera.scale_arcsec_px * (1 - w.sizes.mean / 100)
    measured = np.where(np.isfinite(w.sizes.percent), c.radius_px * scale, np.nan)
    wide = np.asarray(disc_axes(c.altitude_deg, site.pressure_hpa, site.temperature_c)[1])
    computed = np.where(c.found | (c.above_deg > -0.3), c.sun_radius_arcsec * wide, np.nan)
    off = np.abs(measured - computed)
    off = off[np.isfinite(off)]
    reach = max(3 * float(np.quantile(off, 0.95)), 1.5)
    beyond = int((off > reach).sum())
    return Panel(
        name="Radius of the disc",
        unit="arcsec",
        series=[
            Series(utc_s=c.utc_s, values=measured, name="measured", longest_s=_hole_s(w)),
            Series(
                utc_s=c.utc_s, values=computed, name="sun, computed", colour=WARM, dash="6 3", longest_s=7200
            ),
        ],
        words=f"The disc's long half-axis, {range_words(measured, ' arcsec', 2)}; the sun's computed "
        f"radius, {range_words(computed, ' arcsec', 2)}.",
        caption=f"Whole discs only, at a scale corrected once for the session by {-w.sizes.mean:+.2f} %. "
        "The long half-axis is drawn, which refraction leaves as it is; the other is flattened near the "
        f"horizon: by {100 * (1 - w.sizes.flattening_there):.1f} % at {w.sizes.lowest_deg:.1f} degrees, the "
        "lowest of these." + (f" {beyond} discs lie beyond the picture." if beyond else ""),
        low=median_of(computed) - reach,
        high=median_of(computed) + reach,
    )  # fmt: skip


def _edge_panel(w: Analysis) -> Panel | None:
    values = w.columns.edge_px
    if not np.isfinite(values).any():
        return None
    some = values[np.isfinite(values)]
    arcsec = median_of(values) * w.track.scale_arcsec_px
    return Panel(
        name="Width of the edge",
        unit="pixels from 10 to 90 %",
        series=[Series(utc_s=w.columns.utc_s, values=values, longest_s=_hole_s(w))],
        words=f"How soft the limb is, {range_words(values, ' px', 2)}.",
        caption=f"Smaller is sharper; the median is {arcsec:.1f} arcsec. Near the horizon the air widens it.",
        low=0.0,
        high=float(np.quantile(some, 0.995)) * 1.25,
    )


def _light_panel(w: Analysis) -> Panel | None:
    light = light_of(w.columns)
    if not np.isfinite(light).any():
        return None
    told = np.isfinite(w.columns.exposure).any()
    return Panel(
        name="Light at equal exposure",
        unit="stops about the median",
        series=[Series(utc_s=w.columns.utc_s, values=light, longest_s=_hole_s(w))],
        words=f"The disc's light, {range_words(light, ' stops')}.",
        caption="By shutter, ISO and aperture as the camera wrote them." if told else
        "No exposures are known: taken as constant.",
    )  # fmt: skip


def _coverage_panel(w: Analysis) -> Panel | None:
    values = 100 * w.columns.coverage
    if not np.isfinite(values).any():
        return None
    return Panel(
        name="Limb seen as a clean edge",
        unit="% of it",
        series=[Series(utc_s=w.columns.utc_s, values=values, longest_s=_hole_s(w))],
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
            bars=[(*_mark_bar(m.minutes, utc_s(m.time_utc)), f"{m.kind} {m.text}") for m in w.record.marks],
            colour=DEEP,
        )
    )
    words = (
        f"Over the session: {len(w.nights)} times the sun was down, {len(gaps)} gaps, {len(unseen)} times "
        f"the sun was up and not seen, {len(w.incidents)} incidents, {len(w.record.marks)} marks."
    )
    return drawn_rows("What happened when", rows, w.axis, words)


def _incident_rows(w: Analysis) -> list[BarRow]:
    """Return the incidents from onset to end, a row for each severity."""
    colours = {Severity.NOW: GRAVE, Severity.SOON: WARM, Severity.NOTE: QUIET}
    rows = []
    for severity, colour in colours.items():
        bars = [
            (
                utc_s(one.onset_utc),
                max(utc_s(one.cleared_utc) if one.cleared_utc else w.axis.end_s, utc_s(one.onset_utc) + 1),
                one.message,
            )
            for one in w.incidents
            if one.severity is severity
        ]
        rows.append(BarRow(name=f"Noticed: {severity.value}", bars=bars, colour=colour))
    return rows


def _mark_bar(minutes: float | None, at_s: float) -> tuple[float, float]:
    return at_s, at_s + 60 * minutes if minutes else at_s
