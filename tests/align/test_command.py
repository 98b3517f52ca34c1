"""What may be told to `align`, and what comes of it."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml

from sentinel.chain.intake.events import session_events
from sentinel.core.errors import RequestProblem
from sentinel.core.tables import write_measurements
from sentinel.core.times import from_utc_s
from sentinel.jobs.align import align, with_top
from sentinel.jobs.align.request import hold_of
from tests.align.test_axis import QUIET
from tests.command import runner
from tests.worlds import happenings as h
from tests.worlds.run import Run
from tests.worlds.world import World

SHORT = replace(QUIET, watched_h=0.5)


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """Half an hour of frames, with their settings beside them."""
    write_measurements(tmp_path / "measurements.ecsv", SHORT.frames())
    told = SHORT.settings.model_dump(mode="json", include={"site", "camera", "mount", "frames"})
    (tmp_path / "config.yaml").write_text(yaml.safe_dump(told), "utf-8")
    return tmp_path / "measurements.ecsv"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--top", "up"], "--top: the picture's top cannot point to 'up'"),
        (["--hold", "twelve"], "--hold: no span of time: 'twelve'"),
        (["--hold", "72h"], "48h at most"),
        (["--hold", "0h"], "--hold"),
        (["--paused", "12:10", "12:05"], "cannot have paused from 20 Jun 12:10:00Z to 20 Jun 12:05:00Z"),
        (["--paused", "12:10:00", "12:10:20"], "half a minute to half an hour"),
        (["--paused", "11:00", "11:03"], "0 frames with a disc were taken"),
        (["--paused", "12:10"], "2 arguments"),
        (["--paused", "noon", "12:10"], "not a time: 'noon'"),
    ],
)
def test_what_is_told_wrongly_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    table: Path,
    args: list[str],
    says: str,
) -> None:
    status, out, err = runner(capsys, monkeypatch)("align", table, *args)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_what_is_told_is_taken(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, table: Path
) -> None:
    told_args = ("--top", "pole", "--hold", "90min", "--json")
    status, out, err = runner(capsys, monkeypatch)("align", table, *told_args)
    assert (status, err) == (0, "")
    told = json.loads(out)
    assert told["wanted_h"] == 1.5
    assert "--top" not in " ".join(told["advice"]), "it has been told"


@pytest.mark.parametrize(
    ("text", "seconds"), [("12h", 43_200), ("8.5 h", 30_600), ("90min", 5400), ("48h", 172_800)]
)
def test_a_duration_is_read(text: str, seconds: float) -> None:
    assert hold_of(text) == seconds


@pytest.mark.parametrize("text", ["", "12", "h", "-3h", "1e9h", "12 hours", "nan h", "48.001h"])
def test_what_is_no_duration_is_not(text: str) -> None:
    with pytest.raises(RequestProblem):
        hold_of(text)


def test_how_the_camera_sits_ends_the_doubt() -> None:
    """Three hours leave the mirror image possible here (`test_axis`); with one word they do not."""
    session = replace(QUIET, interval_s=180.0)
    told = align(with_top(session.settings, "pole"), list(session_events(session.frames(), ())))
    assert told.determined == ("azimuth", "altitude", "rate")
    azimuth, altitude = told.bolts
    assert azimuth.error_deg == pytest.approx(0.8, abs=0.1)
    assert altitude.error_deg == pytest.approx(-0.5, abs=0.05)


WORLD = World(
    latitude_deg=-62.0, longitude_deg=150.0, start_s=datetime(2026, 12, 20, 23, tzinfo=UTC).timestamp(),
    hours=1.0, across_deg=0.4, along_deg=-0.5, roll_deg=170.0, worm_arcsec=8.0, wind_arcsec=2.0,
    centre_px=0.05, seed=5,
)  # fmt: skip


def test_a_pause_of_the_drive_that_is_told_ends_the_doubt() -> None:
    """On a world whose geometry is its own: two minutes of standing among an hour of tracking."""
    stood = WORLD.with_happenings(h.Rate(at_h=0.1, arcsec_s=0.0), h.Rate(at_h=0.1 + 2.2 / 60, arcsec_s=15.0))
    begin = from_utc_s(WORLD.start_s) + timedelta(hours=0.1)
    found: dict[str, Any] = {}
    for name, world, paused in (
        ("alone", WORLD, ()), ("paused", stood, ((begin, begin + timedelta(seconds=132)),)),
    ):  # fmt: skip
        found[name] = align(world.settings, list(session_events(Run(world).frames(), ())), paused=paused)
    assert all(bolt.mirrored for bolt in found["alone"].bolts)
    azimuth, altitude = found["paused"].bolts
    assert not azimuth.mirrored
    assert found["paused"].pause_pace == pytest.approx(1.0, abs=0.02)
    assert found["alone"].pause_pace is None
    truth = Run(stood).axis_deg(0)
    assert (azimuth.error_deg, altitude.error_deg) == pytest.approx(truth, abs=0.25)
    assert abs(azimuth.error_deg - truth[0]) < 3 * azimuth.sigma_deg
    assert abs(altitude.error_deg - truth[1]) < 3 * altitude.sigma_deg
