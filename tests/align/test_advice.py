"""The sentences for the operator at the bolts."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any

import pytest

from sentinel.core.foreseen import Contradiction
from sentinel.core.records import Forecast
from sentinel.core.settings import Settings, validate
from sentinel.jobs.align.advice import CAUTION, advice, alignment_json, alignment_lines
from sentinel.jobs.align.axis import Alignment, BeforeTurn
from sentinel.jobs.align.bolts import Bolt, BoltStep
from sentinel.jobs.align.holding import Holding, wanted_s
from tests.forecasts import foreseen

NOW = datetime(2027, 6, 20, 12, tzinfo=UTC)
HOUR = 3600.0


def settings(latitude_deg: float = 15.0, **sections: Any) -> Settings:
    content = {
        "site": {"latitude_deg": latitude_deg, "longitude_deg": 10.0},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 4.0},
    }
    return validate(content | sections, where="test")


def bolt(name: Any, error_deg: float, sigma_deg: float = 0.03, **changes: Any) -> Bolt:
    values: dict[str, Any] = {"right_widths": 1.2, "up_widths": -0.3} | changes
    return Bolt(name=name, error_deg=error_deg, sigma_deg=sigma_deg, **values)


def holding(now_h: float, worst_h: float, least_h: float | None = None) -> Holding:
    return Holding(
        now_s=now_h * HOUR,
        worst_s=worst_h * HOUR,
        worst_utc=NOW + timedelta(hours=11),
        least_s=(worst_h if least_h is None else least_h) * HOUR,
    )


AXIS: dict[str, Any] = {
    "time_utc": NOW, "rate_ratio_sigma": 5e-5, "polar_azimuth_error_deg": 0.0,
    "polar_azimuth_error_sigma_deg": 0.0, "polar_altitude_error_deg": 0.0,
    "polar_altitude_error_sigma_deg": 0.0,
}  # fmt: skip


def alignment(azimuth: Bolt, altitude: Bolt, **changes: Any) -> Alignment:
    forecast = foreseen(**AXIS, rate_ratio=1.00002)
    known = azimuth.determined and altitude.determined
    values: dict[str, Any] = {
        "forecast": forecast,
        "bolts": (azimuth, altitude),
        "rate_determined": True,
        "span_s": 3600.0,
        "frames_used": 61,
        "before": None,
        "known_from_utc": None,
        "wanted_s": 8 * HOUR,
        "paused": (),
        "pause_pace": None,
        "stop_room_min": 4.0,
        "as_it_is": holding(5, 3.5) if known else None,
        "turned": holding(40, 30) if known else None,
    } | changes
    return Alignment(**values)


def test_the_better_known_bolt_comes_first_and_each_says_how_it_will_show() -> None:
    told = advice(alignment(bolt("azimuth", 0.8, 0.1), bolt("altitude", -0.5)), settings())
    assert told[0].startswith("Turn one bolt at a time. First the altitude: the axis 0.50 deg up. The disc")
    assert "1.2 right and 0.3 down in the picture (in sun-widths)" in told[0]
    assert told[1].startswith(
        "Then put the disc back into the middle and turn the azimuth: 0.80 deg to the west, "
        "counter-clockwise seen from above"
    )
    assert "sentinel mark realigned" in told[1]
    assert told[2] == (
        "On the axis as it is a disc put in the middle now stays 5 h; from the next 23:00Z, the worst hour, "
        "3 h 30 min. That falls short of the 8 h wanted (--hold). Once turned as told at least 30 h, from "
        "any hour."
    )
    assert told[-1] == CAUTION


@pytest.mark.parametrize(("latitude_deg", "side"), [(60.0, "west"), (-60.0, "east")])
def test_an_axis_clockwise_of_the_pole_is_turned_back_in_either_hemisphere(
    latitude_deg: float, side: str
) -> None:
    text = " ".join(advice(alignment(bolt("azimuth", 0.8), bolt("altitude", 0.0)), settings(latitude_deg)))
    assert f"to the {side}, counter-clockwise" in text
    lines = alignment_lines(alignment(bolt("azimuth", 0.8), bolt("altitude", 0.0)), settings(latitude_deg))
    assert f"0.80 deg {'east' if side == 'west' else 'west'} of the pole" in lines[0]


def test_what_is_not_determined_is_left_alone_and_said_when_it_may_be_known() -> None:
    open_ = alignment(
        bolt("azimuth", 0.4, 0.6), bolt("altitude", -0.5), known_from_utc=NOW + timedelta(hours=2)
    )
    assert open_.determined == ("altitude", "rate")
    text = " ".join(advice(open_, settings()))
    assert "The azimuth is not determined yet (+0.40 ± 0.60 deg): leave that bolt" in text
    assert "the frames after the turn will tell" in text, "the altitude is turned first"
    one = alignment(bolt("azimuth", 0.4, 0.6), bolt("altitude", 0.0), known_from_utc=NOW + timedelta(hours=2))
    told = "go on tracking; by about 14:00Z, if the sun is seen until then, all should be known"
    assert told in " ".join(advice(one, settings()))


def test_clock_and_site_are_spoken_of_only_where_a_mistake_would_move_the_axis_by_what_matters() -> None:
    known = alignment(bolt("azimuth", 0.0, 0.01), bolt("altitude", 0.0, 0.01))
    for sigma_deg, spoken in ((0.04, False), (0.2, True)):
        changed = {"polar_azimuth_error_sigma_deg": sigma_deg}
        one = replace(known, forecast=foreseen(**AXIS | changed, rate_ratio=1.00002))
        assert ("clock" in " ".join(advice(one, settings()))) is spoken


def test_where_the_roll_is_loose_a_pause_is_offered() -> None:
    bolts = bolt("azimuth", 0.4, 0.6), bolt("altitude", 0.0)
    for sigma_deg, offered in ((3.0, True), (0.5, False)):
        forecast = foreseen(**AXIS, rate_ratio=1.0, roll_sigma_deg=sigma_deg)
        text = " ".join(advice(alignment(*bolts, forecast=forecast), settings()))
        assert ("Sooner by a pause of the drive of 2 minutes" in text) is offered
    began = alignment(
        *bolts, forecast=foreseen(**AXIS, rate_ratio=1.0, roll_sigma_deg=3.0), paused=((NOW, NOW),)
    )
    assert "pause of the drive" not in " ".join(advice(began, settings()))


def test_an_axis_that_may_hold_less_than_it_likely_does_says_so() -> None:
    bolts = bolt("azimuth", 0.0), bolt("altitude", 0.0)
    told = {
        least: advice(alignment(*bolts, as_it_is=holding(48, 40, least)), settings())[0] for least in (30, 40)
    }
    assert "40 h, or 30 h by what the axis may be. That covers" in told[30]
    assert "may be" not in told[40]


def test_while_anything_is_open_nobody_is_told_how_long_it_holds() -> None:
    """Both bolts unknown to 1.3 degrees, and "good enough, 48 h or more" was said."""
    held = {"as_it_is": None, "turned": None}
    for azimuth, altitude, rate in (
        (bolt("azimuth", 0.1, 1.3), bolt("altitude", 0.0, 1.3), True),
        (bolt("azimuth", 0.1), bolt("altitude", 0.0, 1.3), True),
        (bolt("azimuth", 0.1), bolt("altitude", 0.0), False),
    ):
        one = alignment(azimuth, altitude, rate_determined=rate, **held)
        text = " ".join(advice(one, settings()))
        assert not re.search(r"stays \d|[Gg]ood enough|holds", text)
        assert "Before that nobody can say how long a disc stays on this axis." in text
        values = alignment_json(one, settings())
        assert (values["stays_now_h"], values["stays_worst_h"]) == (None, None)


OPEN = {"as_it_is": None, "turned": None}


def mirrored(**changes: Any) -> Alignment:
    bolts = (bolt("azimuth", 0.8, roll_share=0.95), bolt("altitude", -0.5, roll_share=0.95))
    return alignment(*bolts, **(OPEN | changes))


def test_a_mirrored_answer_determines_nothing_and_what_would_end_it_is_asked_for() -> None:
    assert mirrored().determined == ("rate",)
    (text,) = (t for t in advice(mirrored(span_s=11_400.0), settings()) if "mirror" in t)
    assert text.startswith("After 3 h 10 min of frames it is still open how the camera sits on the mount")
    assert "95% likely" in text
    assert "Leave both bolts." in text
    assert "--top pole, away, west or east, or set mount.picture_top" in text
    assert "a pause of the drive of 2 minutes" in text
    assert "--paused FROM TO" in text


def test_nothing_is_asked_for_twice() -> None:
    told = settings(mount={"picture_top": "pole"})
    text = " ".join(advice(mirrored(), told))
    assert "--top" not in text
    assert "A pause of the drive of 2 minutes, pictures going on" in text
    paused = ((NOW - timedelta(minutes=2), NOW),)
    assert "a pause of the drive" not in " ".join(advice(mirrored(paused=paused), told)).lower()
    assert "pause" not in " ".join(advice(mirrored(stop_room_min=2.0), told)), "it would lose the sun"
    slow = settings(
        mount={"picture_top": "pole"},
        camera={"focal_length_mm": 400, "pixel_pitch_um": 4.0, "interval_s": 90.0},
    )
    near = foreseen(**AXIS, stop_edge_utc=NOW + timedelta(minutes=3))
    text = " ".join(advice(mirrored(forecast=near), slow))
    assert "of 3 minutes, the disc in the middle first" in text


def test_a_bolt_that_hardly_shows_is_turned_by_its_scale() -> None:
    still = bolt("altitude", 0.8, right_widths=0.05, up_widths=0.1)
    text = " ".join(advice(alignment(bolt("azimuth", 0.0), still), settings()))
    assert "hardly shows at this hour" in text
    assert "Leave the azimuth" in text


def test_it_is_either_left_or_turned() -> None:
    """Whatever is found: advice to leave the bolts and to turn one never stand together."""
    seen = set()
    for azimuth, altitude, (now_h, worst_h, least_h), turned_h in product(
        (0.0, 0.2, 0.8), (0.0, -0.5), ((48, 48, 48), (20, 12, 10), (20, 12, 6), (5, 3, 3)), (2, 30)
    ):
        one = alignment(
            bolt("azimuth", azimuth),
            bolt("altitude", altitude),
            as_it_is=holding(now_h, worst_h, least_h),
            turned=holding(turned_h, turned_h),
        )
        text = " ".join(advice(one, settings()))
        leaves, turns = "Leave the bolts:" in text, bool(re.search(r"\b[Tt]urn (one bolt|the)", text))
        assert leaves != turns
        assert leaves or not one.good_enough
        seen.add((leaves, turns))
    assert len(seen) == 2


def test_good_for_as_long_as_is_wanted_is_left_alone() -> None:
    one = alignment(bolt("azimuth", 0.2), bolt("altitude", 0.1), as_it_is=holding(42, 9, 8.5))
    told = advice(one, settings())
    assert told[0] == (
        "Leave the bolts: on the axis as it is a disc put in the middle now stays 42 h; from the next "
        "23:00Z, the worst hour, 9 h, or 8 h 30 min by what the axis may be. That covers the 8 h wanted "
        "(--hold); every touch risks focus, clutch and tripod."
    )
    stricter = advice(replace(one, wanted_s=12 * HOUR), settings())
    assert stricter[0].startswith("Turn one bolt at a time.")
    # By the likeliest axis it would do, by the worst that may be it would not: then it is not left.
    assert not replace(one, wanted_s=8.7 * HOUR).good_enough


def test_what_is_wanted_is_the_sleep_and_a_visit() -> None:
    """Eight hours where no sleep is told; a quarter of an hour at the camera, the ways there and back."""
    assert wanted_s(settings()) == pytest.approx((8 + 35 / 60) * HOUR)
    told = settings(sleep={"from_utc": "21:30", "until_utc": "05:00"}, visit={"travel_min": 30.0})
    assert wanted_s(told) == pytest.approx((7.5 + 1.25) * HOUR)


def test_at_a_high_latitude_the_bolts_degrees_and_their_effect_are_told() -> None:
    """At 78 degrees north 5.8 degrees of the azimuth bolt are 1.2 on the sky."""
    share = 0.2079
    azimuth = bolt("azimuth", 5.8, 0.4, sky_share=share)
    assert azimuth.determined, "0.8 deg at two sigma are 0.17 on the sky, a seventh of what it is off"
    assert bolt("azimuth", 0.2, 0.2, sky_share=share).determined
    assert not bolt("azimuth", 0.2, 0.2).determined
    assert not bolt("azimuth", 0.2, 0.3, sky_share=share).determined
    one = alignment(azimuth, bolt("altitude", 0.0))
    assert alignment_lines(one, settings(78.0))[0] == (
        "Azimuth   5.80 deg (1.21 on the sky) east of the pole, ± 0.40"
    )
    assert "turn the azimuth: 5.80 deg (1.21 on the sky) to the west" in " ".join(
        advice(one, settings(78.0))
    ).replace("Turn", "turn")


def test_a_turn_that_the_frame_has_no_room_for_goes_in_steps() -> None:
    step = BoltStep(
        turn_deg=1.45, from_right_widths=-2.0, from_up_widths=0.4, to_right_widths=2.0, to_up_widths=-0.4
    )
    big = bolt("azimuth", 5.8, 0.4, right_widths=16.0, fits=False, steps=(step,) * 4)
    text = advice(alignment(big, bolt("altitude", 0.0)), settings())[0]
    assert "farther than the frame: go in 4 steps of 1.45 deg, and before each put the disc back" in text
    assert (
        "each time from 2.0 sun-widths left of the middle and 0.4 above it, "
        "to 2.0 sun-widths right of the middle and 0.4 below it;"
    ) in text
    other = replace(step, to_up_widths=0.9)
    text = advice(alignment(replace(big, steps=(step, other)), bolt("altitude", 0.0)), settings())[0]
    assert "1. from 2.0 sun-widths left" in text
    assert "2. from 2.0 sun-widths left" in text
    text = advice(alignment(replace(big, steps=(step,)), bolt("altitude", 0.0)), settings())[0]
    assert "First put the disc 2.0 sun-widths left of the middle and 0.4 above it;" in text
    text = advice(alignment(replace(big, steps=()), bolt("altitude", 0.0)), settings())[0]
    assert "go by the bolt's scale or thread" in text


def test_what_the_last_turn_came_out_as_is_told() -> None:
    before = BeforeTurn(at_utc=NOW - timedelta(hours=2), marked=True, azimuth_deg=0.8, altitude_deg=-0.5)
    told = advice(alignment(bolt("azimuth", 0.1), bolt("altitude", -0.45), before=before), settings())
    assert told[0] == (
        "At 10:00Z the axis was turned: to be turned out were 0.80 deg to the west and 0.50 deg up; "
        "it came out as 0.70 deg to the west and 0.05 deg up."
    )


def test_a_drive_at_another_rate_is_told() -> None:
    forecast = foreseen(**AXIS, rate_ratio=1.002738, flags=("rate",))
    text = " ".join(
        advice(alignment(bolt("azimuth", 0.0), bolt("altitude", 0.0), forecast=forecast), settings())
    )
    assert "1.0 deg a day" in text


def doubted(sigma_deg: float, contradiction: Contradiction | None = None) -> Forecast:
    """Return a forecast of an axis that clock or place, if they were wrong, would put elsewhere."""
    return foreseen(
        time_utc=NOW, rate_ratio_sigma=5e-5, polar_azimuth_error_deg=0.5,
        polar_azimuth_error_sigma_deg=sigma_deg, polar_altitude_error_deg=-0.5,
        polar_altitude_error_sigma_deg=sigma_deg, contradiction=contradiction,
    )  # fmt: skip


def test_that_clock_and_site_may_be_wrong_is_told_while_it_could_move_the_axis() -> None:
    bolts = bolt("azimuth", 0.5), bolt("altitude", -0.5)
    first, *_ = advice(alignment(*bolts, forecast=doubted(0.2)), settings())
    assert "the camera's clock and the site are set right" in first
    assert "some 0.4 deg in azimuth" in first
    known = advice(alignment(*bolts, forecast=doubted(0.04)), settings())
    assert not any("camera's clock" in said for said in known)


def test_contradicted_settings_determine_nothing_and_come_first() -> None:
    bolts = bolt("azimuth", 0.5, settings_hold=False), bolt("altitude", -0.5, settings_hold=False)
    told = alignment(*bolts, forecast=doubted(1.0, Contradiction(likely=("time-zone",))))
    assert not any(one.determined for one in bolts)
    assert "contradicts the site or the camera's clock" in advice(told, settings())[0]


def test_json_holds_the_contracts_fields_and_lines_fit_a_terminal() -> None:
    one = alignment(bolt("azimuth", 0.8), bolt("altitude", -0.5))
    assert set(alignment_json(one, settings())) == {
        "polar_azimuth_error_deg", "polar_azimuth_error_sigma_deg", "polar_altitude_error_deg",
        "polar_altitude_error_sigma_deg", "rate_ratio", "rate_ratio_sigma", "determined", "advice", "span_s",
        "frames_used", "wanted_h", "stays_now_h", "stays_worst_h", "stays_worst_from_utc",
    }  # fmt: skip
    assert all(len(row) <= 110 for line in alignment_lines(one, settings()) for row in line.split("\n"))
    assert all(
        len(row) <= 110 for line in alignment_lines(mirrored(), settings()) for row in line.split("\n")
    )


def test_nobody_is_told_to_turn_a_bolt_and_to_wait_for_the_rate() -> None:
    for error_deg, turned in ((0.8, True), (0.0, False)):
        one = alignment(
            bolt("azimuth", error_deg), bolt("altitude", 0.0), rate_determined=False, **OPEN,
            known_from_utc=NOW + timedelta(hours=2),
        )  # fmt: skip
        told = " ".join(advice(one, settings()))
        assert ("Turn the azimuth" in told) is turned
        assert ("go on tracking" in told) is not turned
        assert "The drive's rate is not determined yet" in told


def test_the_operators_own_time_stands_with_every_time() -> None:
    told = settings(alerts={"zone": "Europe/Oslo"})
    before = BeforeTurn(at_utc=NOW - timedelta(hours=2), marked=True, azimuth_deg=0.8, altitude_deg=-0.5)
    one = alignment(bolt("azimuth", 0.8), bolt("altitude", -0.5), before=before)
    text = " ".join([*alignment_lines(one, told), *advice(one, told)])
    later = alignment(
        bolt("azimuth", 0.8, 0.6), bolt("altitude", 0.0), known_from_utc=NOW + timedelta(hours=2)
    )
    text += " ".join(advice(later, told))
    assert {"23:00Z", "10:00Z", "14:00Z"} <= set(re.findall(r"\d\d:\d\dZ", text))
    assert text.count("Oslo") == len(re.findall(r"\d\d:\d\dZ", text))


def test_what_a_pause_shows_is_told() -> None:
    paused = ((NOW - timedelta(minutes=5), NOW - timedelta(seconds=150)),)
    known = alignment(bolt("azimuth", 0.8), bolt("altitude", 0.0), paused=paused, pause_pace=0.997)
    assert advice(known, settings())[0] == (
        "The pause from 20 Jun 11:55:00Z to 20 Jun 11:57:30Z shows how the camera sits, and the disc went "
        "at 1.00 of the sky's pace, as it should."
    )
    own = advice(known, settings(alerts={"zone": "Europe/Oslo"}))[0]
    assert "from 20 Jun 13:55:00 Oslo (11:55:00Z) to 20 Jun 13:57:30 Oslo (11:57:30Z)" in own
    (wrong, *_) = advice(replace(known, pause_pace=1.07), settings())
    assert "at 1.07 of the sky's own pace" in wrong
    assert "did not show how the camera sits." in advice(mirrored(paused=paused), settings())[0]
    assert "pause from" not in " ".join(advice(replace(known, paused=(), pause_pace=None), settings()))
