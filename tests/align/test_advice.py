"""The sentences for the operator at the bolts."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sentinel.align.advice import CAUTION, advice, alignment_json, alignment_lines
from sentinel.align.axis import Alignment, Before, Bolt
from sentinel.records import Forecast
from sentinel.settings import Settings, validate

NOW = datetime(2027, 6, 20, 12, tzinfo=UTC)


def settings(latitude_deg: float = 60.0) -> Settings:
    content = {
        "site": {"latitude_deg": latitude_deg, "longitude_deg": 10.0},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 4.0},
    }
    return validate(content, where="test")


def bolt(name: Any, error_deg: float, sigma_deg: float = 0.03, **changes: Any) -> Bolt:
    values: dict[str, Any] = {"right_widths": 1.2, "up_widths": -0.3} | changes
    return Bolt(name=name, error_deg=error_deg, sigma_deg=sigma_deg, **values)


def alignment(azimuth: Bolt, altitude: Bolt, **changes: Any) -> Alignment:
    forecast = Forecast(time_utc=NOW, basis="test", rate_ratio=1.00002, rate_ratio_sigma=5e-5, seen_utc=NOW)
    values: dict[str, Any] = {
        "forecast": forecast,
        "bolts": (azimuth, altitude),
        "rate_determined": True,
        "span_s": 3600.0,
        "frames_used": 61,
        "before": None,
        "known_from_utc": None,
        "stays_s": 5 * 3600.0,
        "could_stay_s": 30 * 3600.0,
    } | changes
    return Alignment(**values)


def test_the_better_known_bolt_comes_first_and_each_says_how_it_will_show() -> None:
    told = advice(alignment(bolt("azimuth", 0.8, 0.1), bolt("altitude", -0.5)), settings())
    assert told[0].startswith("Turn one bolt at a time. First the altitude: the axis 0.50 deg up. The disc")
    assert "1.2 right and 0.3 down (in sun-widths)" in told[0]
    assert told[1].startswith("Then the azimuth: 0.80 deg to the west (counter-clockwise seen from above)")
    assert "sentinel mark realigned" in told[1]
    assert told[2] == (
        "On the axis as it is a disc put in the middle stays 5 h; with what is known turned out, "
        "at least 30 h."
    )
    assert told[-1] == CAUTION


@pytest.mark.parametrize(("latitude_deg", "side"), [(60.0, "west"), (-60.0, "east")])
def test_an_axis_clockwise_of_the_pole_is_turned_back_in_either_hemisphere(
    latitude_deg: float, side: str
) -> None:
    text = " ".join(advice(alignment(bolt("azimuth", 0.8), bolt("altitude", 0.0)), settings(latitude_deg)))
    assert f"to the {side} (counter-clockwise" in text
    lines = alignment_lines(alignment(bolt("azimuth", 0.8), bolt("altitude", 0.0)), settings(latitude_deg))
    assert f"0.80 deg {'east' if side == 'west' else 'west'} of the pole" in lines[0]


def test_what_is_not_determined_is_left_alone_and_said_when_it_may_be_known() -> None:
    open_ = alignment(
        bolt("azimuth", 0.4, 0.6), bolt("altitude", -0.5), known_from_utc=NOW + timedelta(hours=2)
    )
    assert open_.determined == ("altitude", "rate")
    text = " ".join(advice(open_, settings()))
    assert "The azimuth is not determined yet (+0.40 +/- 0.60 deg): leave the bolt" in text
    assert "by about 14:00 UTC" in text


def test_a_mirrored_answer_determines_nothing() -> None:
    mirrored = alignment(bolt("azimuth", 0.8, roll_share=0.95), bolt("altitude", -0.5, roll_share=0.95))
    assert mirrored.determined == ("rate",)
    assert "its mirror image is possible too" in " ".join(advice(mirrored, settings()))


def test_a_bolt_that_hardly_shows_is_turned_by_its_scale() -> None:
    still = bolt("altitude", 0.8, right_widths=0.05, up_widths=0.1)
    text = " ".join(advice(alignment(bolt("azimuth", 0.0), still), settings()))
    assert "hardly shows at this hour" in text
    assert "Leave the azimuth" in text


def test_good_enough_comes_first() -> None:
    told = advice(alignment(bolt("azimuth", 0.2), bolt("altitude", 0.0), stays_s=30 * 3600.0), settings())
    assert told[0].startswith("Good enough: on the axis as it is a disc put in the middle stays 30 h")


def test_what_the_last_turn_came_out_as_is_told() -> None:
    before = Before(at_utc=NOW - timedelta(hours=2), marked=True, azimuth_deg=0.8, altitude_deg=-0.5)
    told = advice(alignment(bolt("azimuth", 0.1), bolt("altitude", -0.45), before=before), settings())
    assert told[0] == (
        "At 10:00 UTC the axis was turned: to be turned out were 0.80 deg to the west and 0.50 deg up; "
        "it came out as 0.70 deg to the west and 0.05 deg up."
    )


def test_a_drive_at_another_rate_is_told() -> None:
    forecast = Forecast(
        time_utc=NOW, basis="test", rate_ratio=1.002738, rate_ratio_sigma=5e-5, flags=("rate",)
    )
    text = " ".join(
        advice(alignment(bolt("azimuth", 0.0), bolt("altitude", 0.0), forecast=forecast), settings())
    )
    assert "1.0 deg a day" in text


def test_json_holds_the_contracts_fields_and_lines_fit_a_terminal() -> None:
    one = alignment(bolt("azimuth", 0.8), bolt("altitude", -0.5))
    assert set(alignment_json(one, settings())) == {
        "polar_azimuth_error_deg", "polar_azimuth_error_sigma_deg", "polar_altitude_error_deg",
        "polar_altitude_error_sigma_deg", "rate_ratio", "rate_ratio_sigma", "determined", "advice", "span_s",
        "frames_used",
    }  # fmt: skip
    assert all(len(row) <= 110 for line in alignment_lines(one, settings()) for row in line.split("\n"))
