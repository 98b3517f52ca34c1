"""One invented sun seen from two places at the same minutes: by how much the pictures are turned."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sentinel.core.errors import RequestProblem
from sentinel.core.times import parse_utc
from sentinel.jobs.beside.page import Comparison, compared_sides, turn_lines
from sentinel.jobs.beside.sides import open_side
from sentinel.jobs.beside.turning import ImageTurn, mean_turn, turn_between
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.simulate.scene import Sunspot
from sentinel.jobs.simulate.session import simulate
from sentinel.jobs.simulate.world import World
from tests.command import runner
from tests.simulate.worlds import BINNED, midsummer

START_UTC = parse_utc("2027-06-21T06:00:00Z")
SPOTS = tuple(
    Sunspot(latitude_deg=latitude, west_deg=west, radius=0.05)
    for latitude, west in ((15.0, -35.0), (-20.0, 20.0), (25.0, 30.0), (-8.0, -50.0))
)


def world(tmp: Path, name: str, latitude_deg: float, roll_deg: float) -> tuple[Path, float]:
    """Pictures from a place, and where solar north truly is in them, in the middle of the session."""
    camera = BINNED.model_copy(update={"width_px": 900, "height_px": 600, "interval_s": 840.0})
    scenario = midsummer(
        latitude_deg=latitude_deg,
        camera=camera,
        hours=7.0,
        start_utc=START_UTC,
        mount={"azimuth_error_deg": 0.3, "altitude_error_deg": -0.25, "roll_deg": roll_deg},
        spots=SPOTS,
        seed=3,
    )
    north = World(scenario).at(np.array([START_UTC.timestamp() + 3.5 * 3600])).north_deg
    return simulate(scenario, tmp / name, workers=1).out, float(north[0])


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, float]:
    """One session replayed, the other as pictures that were never watched, and the true turn."""
    tmp = tmp_path_factory.mktemp("two")
    one, north = world(tmp, "north", 70.37, 20.0)
    other, south = world(tmp, "south", 47.0, -35.0)
    replay(ReplayRequest(one, tmp / "replayed"))
    return tmp / "replayed", other, north - south


@pytest.fixture(scope="module")
def compared(both: tuple[Path, Path, float]) -> Comparison:
    one, other, _ = both
    return compared_sides(open_side(one, (), None), open_side(other, (), None))


def test_the_turn_is_found_both_ways(compared: Comparison, both: tuple[Path, Path, float]) -> None:
    truth = (both[2] + 180) % 360 - 180
    assert abs(truth) > 30
    # Of either camera's roll seven hours of track tell a degree and a half.
    assert compared.computed.sigma_deg < 2.5
    assert compared.computed.deg == pytest.approx(truth, abs=2 * compared.computed.sigma_deg)
    assert compared.found.deg == pytest.approx(truth, abs=0.2)
    assert compared.found.spots >= 3
    assert compared.found.sigma_deg < 0.3
    assert compared.pairs >= 8
    assert "two places, one sun" in " ".join(turn_lines(compared))


def test_as_people_do_it(
    both: tuple[Path, Path, float],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = runner(capsys, monkeypatch)
    page = tmp_path / "p.html"
    status, out, _ = run("report", both[0], "--beside", both[1], "--out", page)
    assert status == 0
    assert "They differ by" in out
    text = page.read_text(encoding="utf-8")
    assert text.count("<img") == 16
    assert "degrees against" in text
    status, _, error = run("report", both[0], "--beside", tmp_path / "nowhere", "--out", page)
    assert status == 2
    assert error.count("\n") == 1


def test_sessions_of_other_days_have_no_common_minute(both: tuple[Path, Path, float]) -> None:
    one, other = open_side(both[0], (), None), open_side(both[0], (), None)
    later = [f for f in other.record.frames if f.time_utc > parse_utc("2027-06-21T11:00:00Z")]
    early = [f for f in one.record.frames if f.time_utc < parse_utc("2027-06-21T10:00:00Z")]
    one.record, other.record = (
        replace(one.record, frames=tuple(early)),
        replace(other.record, frames=tuple(later)),
    )
    with pytest.raises(RequestProblem, match="in the same minute"):
        compared_sides(one, other)


def scattered(seed: int, count: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    radius, angle = np.sqrt(rng.uniform(0.05, 0.8, count)), rng.uniform(0, 2 * np.pi, count)
    return np.asarray(radius * np.exp(1j * angle))


@pytest.mark.parametrize("turn_deg", [-170.0, -33.3, 0.0, 71.2, 179.6])
def test_any_turn_is_found_among_what_does_not_belong(turn_deg: float) -> None:
    rng = np.random.default_rng(7)
    spots = scattered(1, 5)
    seen = spots * np.exp(-1j * np.radians(turn_deg))
    seen = seen + rng.normal(0, 0.004, 5) + 1j * rng.normal(0, 0.004, 5)
    one = np.concatenate([seen, scattered(2, 2)])
    other = np.concatenate([spots, scattered(3, 2)])
    turn = turn_between(one, other)
    assert (turn.deg - turn_deg + 180) % 360 - 180 == pytest.approx(0, abs=0.3)
    assert turn.spots >= 5


def test_what_fits_in_two_ways_is_not_told() -> None:
    opposite = np.array([0.5 + 0j, -0.5 + 0j])
    assert np.isnan(turn_between(opposite, opposite).deg)
    assert np.isnan(turn_between(np.array([0.5 + 0j]), np.array([0.5 + 0j])).deg)
    assert np.isnan(turn_between(np.zeros(0, dtype=complex), opposite).deg)


def test_turns_about_the_half_turn_are_averaged_as_angles() -> None:
    mean = mean_turn(
        [ImageTurn(179.0, 0.2, 3), ImageTurn(-179.0, 0.2, 4), ImageTurn(float("nan"), float("nan"))]
    )
    assert abs(mean.deg) == pytest.approx(180.0)
    assert mean.spots == 4
    assert np.isnan(mean_turn([]).deg)
