"""How the camera sat, told by whole invented sessions that are replayed."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sentinel.chain.track import Context, parts_of
from sentinel.core.tables import write_measurements
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.report.record import Record, read_record
from sentinel.jobs.simulate.events import AnyEvent, DriveStop, Recentre, Reverse
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.session import simulate
from sentinel.jobs.simulate.synthesize import synthesize
from sentinel.jobs.simulate.world import World
from sentinel.jobs.steady import Attitude, attitudes, up_angles
from sentinel.sky import Sun
from tests.simulate.worlds import BINNED, midsummer

MOUNT = {"azimuth_error_deg": -0.6, "altitude_error_deg": 1.1, "roll_deg": 8.0, "flexure_arcsec": 10.0}


def session(*events: AnyEvent, hours: float = 4.0, interval_s: float = 60.0, **mount: Any) -> Scenario:
    camera = BINNED.model_copy(update={"interval_s": interval_s})
    return midsummer(*events, hours=hours, camera=camera, mount={**MOUNT, **mount}, seed=5)


def replayed(scenario: Scenario, folder: Path) -> tuple[Record, list[Attitude], Sun]:
    simulate(scenario, folder / "session", frames=False)
    replay(ReplayRequest(folder / "session", folder / "out"))
    record = read_record(folder / "out")
    sun = Sun(record.settings.site)
    parts = parts_of(record.frames, [*record.marks, *record.forecasts], Context(record.settings, sun))
    return record, attitudes(record.frames, record.forecasts, parts, record.settings, sun), sun


def zenith_off_deg(
    scenario: Scenario, record: Record, found: list[Attitude], sun: Sun
) -> tuple[float, float]:
    """How far off the zenith is at the worst, and how far it may be by its own word."""
    angles = up_angles(record.frames, found, "zenith", record.settings, sun)
    truth = World(scenario).at(np.array([frame.time_utc.timestamp() for frame in record.frames]))
    off = np.abs((angles.deg - truth.zenith_deg + 180) % 360 - 180)
    seen = np.array([frame.disc.found for frame in record.frames])
    return float(off[seen].max()), float(angles.sigma_deg.max())


def test_hours_of_drift_tell_the_roll_to_what_they_say(tmp_path: Path) -> None:
    scenario = session(hours=8.0, interval_s=300.0)
    record, found, sun = replayed(scenario, tmp_path)
    off, sigma = zenith_off_deg(scenario, record, found, sun)
    assert sigma < 1.5
    assert off < 2.5 * sigma
    assert len(set(found)) == 1  # what is known in the end holds from the first frame on


def test_a_drive_that_turns_back_tells_it_to_a_tenth(tmp_path: Path) -> None:
    scenario = session(Reverse(at=3.8), hours=4.0)
    off, sigma = zenith_off_deg(scenario, *replayed(scenario, tmp_path))
    assert sigma < 0.15
    assert off < 0.1


@pytest.mark.slow  # `tests/film/test_turned.py` films the same, and holds the pictures to a tenth.
def test_so_does_one_that_stands_for_minutes_and_is_set_again(tmp_path: Path) -> None:
    scenario = session(
        DriveStop(at=2.0, until=2.1), Recentre(at=2.1, to_px=(700.0, 500.0), hand_error_px=8), hours=4.0
    )
    off, sigma = zenith_off_deg(scenario, *replayed(scenario, tmp_path))
    assert sigma < 0.15
    assert off < 0.1


def test_a_hand_that_pushes_the_disc_about_tells_nothing_of_the_roll(tmp_path: Path) -> None:
    scenario = session(*(Recentre(at=3.0 + k / 60, to_px=(500.0 + 90 * k, 300.0 + 60 * k), hand_error_px=5)
                         for k in range(4)))  # fmt: skip
    off, sigma = zenith_off_deg(scenario, *replayed(scenario, tmp_path))
    assert off < 3 * sigma
    assert sigma > 0.2


def test_the_first_minutes_alone_tell_nothing(tmp_path: Path) -> None:
    record, found, sun = replayed(session(hours=0.3), tmp_path)
    assert not any(one.known for one in found)
    assert np.isinf(up_angles(record.frames, found, "solar-north", record.settings, sun).sigma_deg).all()


def test_no_frames_have_no_attitudes(tmp_path: Path) -> None:
    record, _, sun = replayed(session(hours=0.1), tmp_path)
    assert attitudes([], record.forecasts, [], record.settings, sun) == []


@pytest.mark.parametrize("turned_deg", [pytest.param(180.0, marks=pytest.mark.slow), 12.0])
def test_a_camera_turned_on_the_way_has_two_attitudes(tmp_path: Path, turned_deg: float) -> None:
    """A pier flip, or a camera turned in its ring: two sessions joined where the operator did it."""
    first = session(hours=8.0, interval_s=300.0)
    second = session(hours=8.0, interval_s=300.0, roll_deg=MOUNT["roll_deg"] + turned_deg)
    simulate(first, tmp_path / "session", frames=False)
    taken = synthesize(first)
    after = World(second)
    # The second half of the night as the turned camera would have it.
    half = len(taken) // 2
    truth = after.at(np.array([frame.time_utc.timestamp() for frame in taken]))
    frames = [
        frame if k < half else replace(frame, disc=replace(frame.disc, x_px=float(truth.x_px[k]),
                                                           y_px=float(truth.y_px[k])))
        for k, frame in enumerate(taken)
    ]  # fmt: skip
    folder = tmp_path / "turned"
    folder.mkdir()
    write_measurements(folder / "measurements.ecsv", frames)
    (folder / "config.yaml").write_text((tmp_path / "session" / "config.yaml").read_text())
    replay(ReplayRequest(folder, tmp_path / "out2"))
    record = read_record(tmp_path / "out2")
    sun = Sun(record.settings.site)
    parts = parts_of(record.frames, record.forecasts, Context(record.settings, sun))
    found = attitudes(record.frames, record.forecasts, parts, record.settings, sun)
    angles = up_angles(record.frames, found, "zenith", record.settings, sun)
    before = World(first).at(np.array([record.frames[10].time_utc.timestamp()])).zenith_deg[0]
    for k, zenith in ((10, before), (-10, truth.zenith_deg[-10])):
        off = abs((angles.deg[k] - zenith + 180) % 360 - 180)
        assert off < 3 * max(angles.sigma_deg[k], 0.3)
