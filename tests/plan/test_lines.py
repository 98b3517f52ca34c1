"""What people and scripts see."""

import json
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from PIL import Image

from sentinel.jobs.plan.lines import plan_lines
from tests.command import runner
from tests.plan.trips import planned, settings

RIDGES = [[0.0, 0.0], [40.0, 0.0], [41.0, 15.0], [59.0, 15.0], [60.0, 0.0]]
EXAMPLE = Path(__file__).parents[2] / "config" / "mid-latitude-week.yaml"


def told(begin: str, end: str, *, frame: str | None = "6000x4000", **sections: Any) -> str:
    made = settings(sections.pop("latitude_deg", 70.37), 31.1, **sections)
    return "\n".join(plan_lines(planned(made, begin, end, frame), made))


def flowing(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize(
    ("trip", "sections"),
    [
        (("2027-06-18", "2027-06-22"), {"alerts": {"zone": "America/Argentina/Buenos_Aires"}}),
        (("2027-06-18", "2027-06-18"), {"site": {"horizon": RIDGES}, "mount": {"tracking": "lunar"}}),
        (("2026-12-18", "2026-12-18"), {"supplies": {"camera_battery_h": 0.1, "timer_frames": 999_999}}),
        (("2026-08-12", "2026-08-12"), {"latitude_deg": 43.0, "camera": {"focal_length_mm": 24.0}}),
        (("2027-05-20", "2027-05-30"), {"mount": {"hour_angle_limit_deg": [-95.0, 95.0]}}),
        (("2027-06-18T11:00:00Z", "2027-06-18T11:00:01Z"), {"mount": {"tracking": "none"}}),
        (("1970-01-01", "1970-01-02"), {"latitude_deg": -90.0, "camera": {"focal_length_mm": 4000.0}}),
    ],
)
def test_no_line_is_wider_than_a_terminal(trip: tuple[str, str], sections: dict[str, Any]) -> None:
    lines = told(*trip, **sections).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 70
    assert "nan" not in " ".join(lines)
    assert any(line.startswith("Caution") for line in lines[-5:])


def test_the_most_important_comes_first() -> None:
    supplies = {"timer_frames": 999, "camera_battery_h": 30.0}
    lines = told("2027-06-18", "2027-06-22", supplies=supplies).splitlines()
    assert lines[0].startswith("Sun        UNBROKEN the whole trip, 18 Jun 00:00Z to 23 Jun 00:00Z (120 h)")
    assert lines[2].startswith(
        "Due first  timer's count 18 Jun 16:39Z; axis limit 19 Jun 00:00Z; camera battery"
    )


def test_the_columns_of_the_alignment_stand_apart() -> None:
    """The longest sun of a trip with nights is a span of hours and minutes."""
    text = told("2027-05-10", "2027-05-12", latitude_deg=64.5)
    (row,) = re.findall(r"^  1\d h \d+ min .*$", text, re.MULTILINE)
    assert re.fullmatch(r"  \d+ h \d+ min +(none|[\d.]+ deg) +(none|[\d.]+ deg) +(none|[\d.]+ %)( .*)?", row)


def test_the_operators_time_stands_beside_utc() -> None:
    text = told("2027-06-18", "2027-06-18", alerts={"zone": "Europe/Oslo"})
    assert "18 Jun 00:00 Oslo (22:00Z)" in flowing(text)
    assert "due south at 18 Jun 11:56:42 Oslo (09:56:42Z)" in flowing(text)
    assert not re.search(r"(?<![(\d:])\d\d:\d\d(:\d\d)?Z", text), "no time of another clock without one's own"


def rows(text: str) -> list[str]:
    """The table of days, its head first."""
    lines = text.splitlines()
    head = next(number for number, line in enumerate(lines) if line.startswith("Date"))
    return [lines[head], *(line for line in lines[head:] if re.match(r"[ \d]\d \w{3} \d{4}  ", line))]


def test_days_are_those_of_the_operators_clock() -> None:
    """18 June in Oslo is from 22:00 to 22:00 UTC: one day, not pieces of two."""
    head, day = rows(told("2027-06-18", "2027-06-18", alerts={"zone": "Europe/Oslo"}))
    assert head == "Date         highest, deg  lowest, deg  sun above line (Oslo)"
    # It is lowest again at the end of it, three minutes before the next.
    assert day == "18 Jun 2027  43.0 11:57      4.0 00:00  all day"
    head, day = rows(told("2027-06-18", "2027-06-18"))
    assert head.endswith("sun above line (UTC)")
    assert day == "18 Jun 2027  43.0 09:57      4.0 21:57  all day"


def test_a_day_on_which_the_clocks_are_changed_is_as_long_as_it_is() -> None:
    made = settings(47.0, 8.5, alerts={"zone": "Europe/Zurich"})
    plan = planned(made, "2027-03-27", "2027-03-29")
    assert [(day.to_utc - day.from_utc).total_seconds() / 3600 for day in plan.sun.days] == [24, 23, 24]
    assert [str(day.date) for day in plan.sun.days] == ["2027-03-27", "2027-03-28", "2027-03-29"]
    _, before, _, after = rows("\n".join(plan_lines(plan, made)))
    # The sun does as it did; the clocks are an hour on.
    assert "12:3" in before
    assert "13:3" in after
    assert "On 28 Mar those of Zurich go forward by 1 h: that day has 23 h." in flowing(
        "\n".join(plan_lines(plan, made))
    )
    autumn = "\n".join(plan_lines(planned(made, "2027-10-30", "2027-11-01"), made))
    assert "On 31 Oct those of Zurich go back by 1 h: that day has 25 h." in flowing(autumn)
    assert "Clocks" not in told("2027-03-27", "2027-03-29")
    assert plan.sun.sun_h == pytest.approx(sum(day.sun_h for day in plan.sun.days))


def test_nights_are_said_as_gaps() -> None:
    text = flowing(told("2027-06-18", "2027-06-18", latitude_deg=47.0, mount={"axis_limit_deg": 300.0}))
    assert "NOT UNBROKEN: 2 nights, the longest gap" in text
    assert "(sun down)" in text


def test_a_polar_night_is_not_talked_about_for_long() -> None:
    text = told("2026-12-18", "2026-12-22", latitude_deg=75.0)
    assert "nothing to photograph" in flowing(text)
    assert "Alignment" not in text
    assert "Unwind" not in text


def test_a_ridge_and_a_grazing_sun() -> None:
    assert "1 ridge," in told("2027-06-21", "2027-06-21", site={"horizon": RIDGES})
    text = flowing(told("2027-06-21", "2027-06-21", site={"horizon": [[0.0, 4.0]]}))
    assert "its lower limb dips behind the line 21 Jun" in text


def test_what_is_not_known_is_said_with_its_remedy() -> None:
    text = flowing(told("2027-06-18", "2027-06-18", frame=None))
    assert "--frame 6000x4000" in text
    assert "site.horizon" in text
    assert "Alignment" not in text


def test_the_cautions_stand_once() -> None:
    text = flowing(told("2027-06-18", "2027-06-18"))
    assert text.count("filter before the lens") == 1
    assert "never look through camera or finder without it" in text
    assert "makers' instructions and local rules" in text


def nearest_second(time_utc: datetime) -> str:
    return f"{time_utc + timedelta(seconds=0.5):%H:%M:%S}"


def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *args: object
) -> tuple[int, str, str]:
    return runner(capsys, monkeypatch)("plan", *args)


def test_the_command_for_people(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    status, out, err = run(
        capsys, monkeypatch, "2026-08-10", "2026-08-12", "--config", EXAMPLE, "--frame", "6000x4000"
    )
    assert (status, err) == (0, "")
    assert "PARTIAL, 12 Aug" in out, "the eclipse of that evening"
    assert "Zurich" in out


def test_the_command_for_scripts(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The later file lays over the earlier; the folder tells the frame's size."""
    Image.new("L", (6000, 4000)).save(tmp_path / "a.png")
    (tmp_path / "more.yaml").write_text(
        yaml.safe_dump({"frames": {"folder": str(tmp_path)}, "supplies": {"timer_frames": 999}}), "utf-8"
    )
    configs = ("--config", EXAMPLE, "--config", tmp_path / "more.yaml")
    status, out, err = run(capsys, monkeypatch, "2026-08-10T00:00Z", "2026-08-13T00:00Z", *configs, "--json")
    assert (status, err) == (0, "")
    plan = json.loads(out)
    assert (plan["from_utc"], plan["to_utc"]) == ("2026-08-10T00:00:00Z", "2026-08-13T00:00:00Z")
    assert plan["picture"]["field"]["width_px"] == 6000
    assert plan["pictures"]["frame_bytes"] == (tmp_path / "a.png").stat().st_size
    assert {r["what"]: r["first_due_utc"] for r in plan["renewals"]}["timer"] == "2026-08-10T16:39:00Z"
    assert len(plan["sun"]["stretches"]) == 3
    assert plan["sun"]["unbroken"] is False
    assert plan["sun"]["eclipses"][0]["kind"] == "partial"
    assert plan["sun"]["days"][0]["date"] == "2026-08-10"
    assert {"worst_h", "usual_h", "axis_error_deg"} == set(plan["alignment"]["stays"][0])


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["2026-08-12", "2026-08-10", "--config", EXAMPLE], "ends before it begins"),
        (["2026-08-12", "2026-08-13", "--config", EXAMPLE, "--frame", "big"], "--frame"),
        (["2026-08-12", "2026-08-13", "--config", EXAMPLE, "--frame-mb", "0"], "--frame-mb"),
        (["2026-08-12", "2026-08-13"], "no settings are named"),
        (["2026-08-12"], "Missing argument 'TO'"),
        (["2026-08-12", "2026-08-13", "--config", "/nonexistent.yaml"], "cannot be read"),
    ],
)
def test_a_wrong_request_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, args: list[str], says: str
) -> None:
    status, out, err = run(capsys, monkeypatch, *args)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_the_axis_says_what_it_counts_with() -> None:
    turning = flowing(told("2027-06-18", "2027-06-24", latitude_deg=47.0))
    assert "Counted with the drive turning day and night. If it stands while the sun is down, set" in turning
    parked = flowing(told("2027-06-18", "2027-06-24", latitude_deg=47.0, mount={"parked_at_night": True}))
    assert "Counted with the drive standing while the sun is down" in parked
    assert "Counted" not in told("2027-06-18", "2027-06-24"), "no night, nothing to say"
    assert "Counted" not in told(
        "2027-06-18", "2027-06-24", latitude_deg=47.0, mount={"axis_limit_deg": None}
    )
    generous = {"parked_at_night": True, "axis_limit_deg": 2000.0}
    assert "after the trip" in told("2027-06-18", "2027-06-20", latitude_deg=47.0, mount=generous)


def test_how_to_point_the_axis_before_the_first_frame() -> None:
    """The times themselves are held against astropy, among the published checks."""
    text = flowing(told("2027-06-18", "2027-06-22"))
    south, north = planned(settings(), "2027-06-18", "2027-06-22").meridian[:2]
    assert (south.side, north.side) == ("south", "north")
    assert f"The sun stands due south at 18 Jun {nearest_second(south.time_utc)}Z, 43.0 degrees high" in text
    assert f"due north at 18 Jun {nearest_second(north.time_utc)}Z, 4.0 degrees high" in text
    assert "the mount's altitude scale should read 70.37 degrees, your latitude" in text
    text = flowing(told("2027-06-18", "2027-06-22", latitude_deg=-41.0))
    assert "The sun stands due north at" in text
    assert "due south" not in text
    assert "should read 41.00 degrees" in text
    assert "Set up" not in told("2027-06-18", "2027-06-22", mount={"tracking": "none"})
    assert "plumb" not in told("2027-06-18", "2027-06-22", latitude_deg=-90.0)


def test_under_a_sun_overhead_no_shadow_is_promised() -> None:
    """The sun's declination is 23.4 degrees (from memory) then: at 20 north it is 3.4 from overhead."""
    text = flowing(told("2027-06-18", "2027-06-22", latitude_deg=20.0))
    assert "passes the meridian within 4 degrees of overhead: a plumb line's shadow does not tell" in text
    assert "should read 20.00 degrees" in text
    assert "The sun stands due" not in text
