"""Scenarios: read, checked, refused in one line."""

from pathlib import Path
from typing import Any

import pytest

from sentinel.core.errors import RequestProblem
from sentinel.jobs.simulate.events import DriveStop, Recentre
from sentinel.jobs.simulate.scenario import load_scenario, scenario_from
from tests.simulate.worlds import midsummer

GOOD: dict[str, Any] = {
    "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
    "camera": {"focal_length_mm": 400, "pixel_pitch_um": 23.52, "width_px": 1500, "height_px": 1000},
    "start_utc": "2027-06-21T10:00:00Z",
    "hours": 2,
}


def with_(**more: Any) -> dict[str, Any]:
    return GOOD | more


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (with_(moonbase=1), "moonbase is not a known setting"),
        (with_(hours=0), "hours should be greater than 0, not 0"),
        (with_(start_utc="yesterday"), "start_utc not a time: 'yesterday'"),
        (with_(start_utc="2027-06-21T10:00:00"), "has no zone"),
        (with_(site={"latitude_deg": 91, "longitude_deg": 0}), "site.latitude_deg"),
        (with_(camera={**GOOD["camera"], "interval_s": 0.01}), "more than 200000 frames"),
        (with_(camera={**GOOD["camera"], "exposure": 1}), "camera.exposure is not a known setting"),
        (with_(mount={"roll_deg": "a little"}), "mount.roll_deg should be a valid number"),
        (with_(events=[{"kind": "stop", "at": 3}]), "events.0 (stop) begins 3.00 h after the start"),
        (with_(events=[{"kind": "stop", "at": -1}]), "outside the session"),
        (with_(events=[{"kind": "stop", "at": 1, "until": 0.5}]), "events.0 (stop) ends before it begins"),
        (
            with_(events=[{"kind": "explode", "at": 1}]),
            "the first event is of no known kind; known are 'stop'",
        ),
        (with_(events=[{"kind": "knock", "at": 1, "arcmin": -3}]), "events: the first event: knock.arcmin"),
        (with_(events=[{"kind": "recentre", "at": 1}]), "events: the first event: recentre.to_px is missing"),
        ({"hours": 1}, "site is missing"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(content: dict[str, Any], says: str) -> None:
    with pytest.raises(RequestProblem) as caught:
        scenario_from(content, where="night.yaml")
    line = str(caught.value)
    assert line.startswith("night.yaml: ")
    assert says in line
    assert "\n" not in line
    assert caught.value.mend


def test_times_are_hours_or_moments() -> None:
    scenario = scenario_from(
        with_(
            events=[
                {"kind": "stop", "at": 0.5, "until": "2027-06-21T11:00:00Z"},
                {"kind": "recentre", "at": "2027-06-21T13:15:00+02:00", "to_px": [700, 500]},
            ]
        ),
        where="x",
    )
    stop, recentre = scenario.events
    assert isinstance(stop, DriveStop)
    assert isinstance(recentre, Recentre)
    assert scenario.span_s(stop) == (scenario.start_s + 1800, scenario.start_s + 3600)
    assert scenario.seconds(recentre.at) == scenario.start_s + 1.25 * 3600


def test_more_events_are_checked_too() -> None:
    scenario = midsummer(hours=2.0)
    assert len(scenario.with_events(DriveStop(at=1.0), DriveStop(at=1.5)).events) == 2
    with pytest.raises(ValueError, match="outside the session"):
        scenario.with_events(DriveStop(at=2.5))


@pytest.mark.parametrize("name", ["midnight-sun", "five-days"])
def test_shipped_scenarios_are_sound(name: str) -> None:
    assert load_scenario(Path(__file__).parents[2] / "replay_data" / f"{name}.yaml").events


def test_a_missing_file_is_said() -> None:
    with pytest.raises(RequestProblem, match="cannot be read"):
        load_scenario(Path("/nowhere/at-all.yaml"))
