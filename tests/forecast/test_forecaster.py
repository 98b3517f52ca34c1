"""The forecaster as the runner uses it: frames in, forecasts out."""

from datetime import UTC, datetime, timedelta

from sentinel.forecast import Forecaster
from sentinel.records import Disc, MeasuredFrame
from sentinel.settings import Camera, Settings, Site
from sentinel.sky.sun import Sun

SETTINGS = Settings(
    site=Site(latitude_deg=70.37, longitude_deg=31.1, elevation_m=20, pressure_hpa=1010, temperature_c=5),
    camera=Camera(focal_length_mm=400, pixel_pitch_um=3.92),
)
START = datetime(2026, 6, 20, 12, tzinfo=UTC)


def frame(minute: float, x_px: float, y_px: float) -> MeasuredFrame:
    disc = Disc(
        found=True,
        x_px=x_px,
        y_px=y_px,
        radius_px=467,
        centre_sigma_px=0.05,
        limb_in_frame=1,
        limb_coverage=1,
    )
    when = START + timedelta(minutes=minute)
    return MeasuredFrame(frame=f"{minute:06.1f}.jpg", time_utc=when, width_px=6000, height_px=4000, disc=disc)


def test_a_drifting_disc_is_given_an_edge_and_a_time() -> None:
    forecaster = Forecaster(SETTINGS, Sun(SETTINGS.site))
    renewed = []
    for minute in range(60):
        at = frame(minute, 2999.5 + 5.0 * minute, 1999.5)
        forecast = forecaster.feed(at, at.time_utc)
        if forecast is not None:
            renewed.append(forecast)
    assert len(renewed) >= 6
    last = renewed[-1]
    assert last.edge == "right"
    assert last.exit_safe_utc is not None
    assert last.exit_early_utc is not None
    assert last.exit_utc is not None
    assert last.exit_safe_utc <= last.exit_early_utc <= last.exit_utc
    assert last.basis
