"""The summary at the end of a replay: what in the settings cannot be right."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sentinel.chain.notify.headline import UNKNOWN
from sentinel.core.records import Disc, Incident, MeasuredFrame, Severity
from sentinel.core.settings import Settings, validate
from sentinel.jobs.report.summary import summarise, summary_json, summary_lines
from tests.forecasts import foreseen, mount_of

NOON = datetime(2027, 6, 21, 10, tzinfo=UTC)


def settings(longitude_deg: float = 31.1, **camera: Any) -> Settings:
    content = {
        "site": {"latitude_deg": 45.0, "longitude_deg": longitude_deg},
        "camera": {"focal_length_mm": 500, "pixel_pitch_um": 4.0, **camera},
    }
    return validate(content, where="test")


def frames(*, found: bool = True) -> list[MeasuredFrame]:
    disc = Disc(found=True, x_px=500, y_px=400, radius_px=90) if found else Disc(found=False)
    times = [NOON + timedelta(minutes=minute) for minute in range(5)]
    return [
        MeasuredFrame(frame=f"{t:%M}.jpg", time_utc=t, width_px=1000, height_px=800, disc=disc) for t in times
    ]


SEEN = foreseen(time_utc=NOON, basis="mount model", seen_utc=NOON, flags=("focal-length",))
UNSEEN = foreseen(time_utc=NOON, basis="no disc has been measured yet", flags=("no-disc",))


def test_a_focal_length_that_the_disc_denies_is_named_with_both_numbers() -> None:
    implied = replace(SEEN, mount=replace(mount_of(SEEN), implied_focal_length_mm=400.3))
    summary = summarise(frames(), (), (), implied, settings())
    (line,) = [line for line in summary_lines(summary) if "focal length" in line]
    assert line == "Settings  the focal length is set to 500 mm, but the disc's size implies 400 mm"
    assert summary_json(summary)["implied_focal_length_mm"] == pytest.approx(400.3)


def test_a_focal_length_that_fits_is_not_mentioned() -> None:
    text = summary_lines(summarise(frames(), (), (), SEEN, settings()))
    assert not [line for line in text if line.startswith("Settings")]


def test_discs_seen_with_the_sun_down_are_named_as_such() -> None:
    text = summary_lines(summarise(frames(), (), (), UNSEEN, settings(longitude_deg=-149)))
    assert not [line for line in text if "no disc has been measured" in line]
    assert "Forecast  none: not one of the 5 discs could be believed" in text
    assert text[0] == (
        "Until when the camera may be left alone cannot be told: by the settings the sun was below the "
        "horizon in all 5 frames that show it. Check latitude, longitude and date."
    )


def test_without_discs_or_with_the_sun_up_nothing_of_the_kind_is_claimed() -> None:
    far = settings(longitude_deg=-149)
    assert summary_lines(summarise(frames(found=False), (), (), UNSEEN, far))[0] == UNKNOWN
    assert summary_lines(summarise(frames(), (), (), UNSEEN, settings()))[0] == UNKNOWN


def test_odd_rows_of_a_table_are_counted_and_explained() -> None:
    odd = [replace(frame, flags=("row-repeated",)) for frame in frames()[:2]]
    summary = summarise([*odd, *frames()[2:]], (), (), SEEN, settings())
    (line,) = [line for line in summary_lines(summary) if line.startswith("Table")]
    assert line == ("Table     row-repeated, 2 of 5: the table holds a frame of this name and time already")
    assert summary_json(summary)["odd_rows"] == {"row-repeated": 2}
    assert not [
        line for line in summary_lines(summarise(frames(), (), (), SEEN, settings())) if "Table" in line
    ]


def test_an_incident_that_became_graver_says_from_when() -> None:
    at = datetime(2027, 6, 20, 19, 56, tzinfo=UTC)
    grave = at + timedelta(minutes=87)
    opened = Incident(
        time_utc=at,
        condition="drift-exit",
        state="opened",
        severity=Severity.SOON,
        onset_utc=at,
        message="drifts",
    )
    worse = replace(opened, time_utc=grave, state="changed", severity=Severity.NOW)
    over = replace(opened, time_utc=grave + timedelta(minutes=5), state="cleared", severity=Severity.NOTE)
    again = replace(opened, time_utc=grave + timedelta(minutes=9))
    lines = summary_lines(summarise(frames(), [opened, worse, over, again], (), SEEN, settings()))
    assert lines[-2:] == [
        "  2027-06-20 19:56  soon  drifts (now from 2027-06-20 21:23 UTC)",
        "  2027-06-20 21:32  soon  drifts",
    ]


def test_an_edge_that_may_be_reached_is_not_said_to_be_none() -> None:
    """The headline of the same summary names its earliest time."""
    early = NOON + timedelta(hours=18)
    one = foreseen(time_utc=NOON, basis="mount model", seen_utc=NOON, exit_early_utc=early, edge="right")
    (line,) = [line for line in summary_lines(summarise(frames(), (), (), one, settings())) if "5 %" in line]
    assert "most likely reaches no edge within 48 h, the right one 2027-06-22 04:00 at the earliest" in line


def test_a_disc_that_a_stopped_mount_has_lost_reaches_no_edge_tomorrow() -> None:
    one = foreseen(
        time_utc=NOON, basis="mount taken as stopped", seen_utc=NOON - timedelta(hours=3), edge="right",
        departed_utc=NOON - timedelta(hours=3), exit_utc=NOON + timedelta(hours=9),
        exit_early_utc=NOON + timedelta(hours=9),
    )  # fmt: skip
    text = " ".join(summary_lines(summarise(frames(), (), (), one, settings())))
    assert "the disc has most likely left the frame; mount taken as stopped" in text
    assert "reaches the right edge" not in text
