"""Pictures of what was known of mount and future at the time: forecasts and what came, axis and rate."""

import numpy as np

from sentinel.core.times import utc_s
from sentinel.core.words import many
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.coverage import median_of, quantile_of
from sentinel.jobs.report.plots import range_words
from sentinel.jobs.report.style import DEEP, INK, PALE_WARM, QUIET, WARM, Plot
from sentinel.jobs.report.thinning import pieces
from sentinel.jobs.report.timelines import Panel, Series, drawn
from sentinel.sky.arrays import Array

LEFT_SHOWN_H = 24.0
"""Forecasts are drawn up to so many hours ahead."""
UNRENEWED_S = 7200.0
"""Over a longer time without a forecast no line is drawn."""


def mount_plots(w: Analysis) -> list[Plot]:
    """Return the fitted mount over time."""
    return [
        drawn(panel, w.axis, w.nights) for panel in (_axis_panel(w), _rate_panel(w)) if panel.holds_anything
    ]


def forecast_plot(w: Analysis) -> Plot | None:
    """Return the forecasts beside what came; None: there were none."""
    if not w.checked:
        return None
    at = np.array([j.utc_s for j in w.checked])

    def near(hours: list[float | None]) -> Array:
        """Return the times left that can be drawn; what lies behind is drawn at nought."""
        values = np.array([np.nan if one is None else max(one, 0.0) for one in hours], dtype=float)
        return np.where(values <= LEFT_SHOWN_H, values, np.nan)

    middle, early = near([j.middle_h for j in w.checked]), near([j.early_h for j in w.checked])
    stayed, true = near([j.stayed_h for j in w.checked]), near([j.true_h for j in w.checked])
    far = int((np.isnan(middle) & np.isnan(early)).sum())
    unseen = f"Not drawn: {many(far, 'forecast')} of no exit within {LEFT_SHOWN_H:.0f} h. " if far else ""
    panel = Panel(
        name="Time to the edge, forecast and true",
        unit="hours",
        series=[
            *_falling(at, stayed, "known to have stayed", QUIET, "4 3"),
            *_falling(at, true, "true exit", INK, ""),
            Series(utc_s=at, values=middle, name="median", colour=DEEP, dots="round"),
            Series(utc_s=at, values=early, name="5 % time", colour=WARM, dots="tick"),
        ],
        words="Hours to the edge as forecast, at each renewal, beside those after which the limb was there.",
        caption=f"{unseen}A median below the dashed line foretold an exit that had not come by then.",
        low=0.0,
        high=LEFT_SHOWN_H * 1.02,
        height=150.0,
    )
    return drawn(panel, w.axis, w.nights)


def _falling(at: Array, hours: Array, name: str, colour: str, dash: str) -> list[Series]:
    """Return lines of time left, a new one wherever there is suddenly more of it."""
    having = np.flatnonzero(np.isfinite(hours))
    parts = pieces(having, np.diff(at[having] / 3600 + hours[having]) > 0.05)
    return [
        Series(
            utc_s=at[part],
            values=hours[part],
            name="" if number else name,
            colour=colour,
            dash=dash,
            longest_s=UNRENEWED_S,
        )
        for number, part in enumerate(parts)
    ]


def _axis_columns(w: Analysis) -> Array:
    """Return azimuth, its sigma, altitude and its sigma of every forecast (4, n), NaN where not known."""
    axes = (forecast.mount.axis if forecast.mount is not None else None for forecast in w.record.forecasts)
    rows = [
        (np.nan,) * 4
        if one is None
        else (one.azimuth_error_deg, one.azimuth_sigma_deg, one.altitude_error_deg, one.altitude_sigma_deg)
        for one in axes
    ]
    return np.array(rows).reshape(-1, 4).T


def _rate_columns(w: Analysis) -> Array:
    """Return rate and sigma of every forecast (2, n), NaN where not known."""
    mounts = (forecast.mount for forecast in w.record.forecasts)
    rows = [(np.nan,) * 2 if one is None else (one.rate_ratio, one.rate_ratio_sigma) for one in mounts]
    return np.array(rows).reshape(-1, 2).T


def _as_known(w: Analysis, values: Array, spread: Array, **style: str) -> Series:
    """Return a number as it was known at each renewal, with its band."""
    at = np.array([utc_s(forecast.time_utc) for forecast in w.record.forecasts])
    return Series(utc_s=at, values=values, spread=spread, longest_s=UNRENEWED_S, **style)  # type: ignore[arg-type]


def _axis_panel(w: Analysis) -> Panel:
    azimuth, of_azimuth, altitude, of_altitude = _axis_columns(w)
    known = np.flatnonzero(np.isfinite(azimuth))
    # What the first hours did not know yet must not flatten all that came later.
    late = known[len(known) // 2 :]
    reach = 1.5 * quantile_of(np.abs([azimuth[late], altitude[late]]), 1.0) + 0.1
    return Panel(
        name="Polar axis",
        unit="degrees off the pole",
        series=[
            _as_known(w, azimuth, of_azimuth, name="azimuth"),
            _as_known(w, altitude, of_altitude, name="altitude", colour=WARM, dash="6 3", pale=PALE_WARM),
        ],
        words="Errors of the polar axis as they were known at each renewal, with their 1-sigma.",
        caption="As known at the time, each with its 1-sigma band; positive: east of north (west of south), "
        "too high.",
        low=-reach,
        high=reach,
    )


def _rate_panel(w: Analysis) -> Panel:
    ratio, sigma = _rate_columns(w)
    percent, sigma = np.where(np.isfinite(sigma), 100 * (ratio - 1), np.nan), 100 * sigma
    middle, usual = median_of(percent), median_of(np.abs(percent - median_of(percent)))
    reach = max(6 * usual, 3 * median_of(sigma), 0.02)
    return Panel(
        name="Rate of the drive",
        unit="% off the mean solar rate",
        series=[_as_known(w, percent, sigma)],
        words=f"The drive's rate less the mean solar rate, {range_words(percent, ' %', 3)}.",
        caption="With its 1-sigma band.",
        low=middle - reach,
        high=middle + reach,
        height=90.0,
    )
