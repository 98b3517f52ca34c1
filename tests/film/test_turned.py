"""The first and the last frame turned right to 0.1 degrees, by spots of known place.

The mount and the sky are the simulator's; the two pictures are drawn by formula and share no line with it: a
disc with a dark spot towards solar north, and one a quarter of a turn clockwise of it.
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from sentinel.jobs.film import FilmRequest, film
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.simulate.events import DriveStop, Recentre
from sentinel.jobs.simulate.scenario import SimCamera
from sentinel.jobs.simulate.session import simulate
from sentinel.jobs.simulate.synthesize import plan_session
from sentinel.sky import Orientation, Sun
from tests.film.sessions import decoded
from tests.simulate.worlds import midsummer

CAMERA = SimCamera(focal_length_mm=400, pixel_pitch_um=7.84, width_px=3000, height_px=2000)
AWAY = 0.6
SIZE = 540


def drawn(x_px: float, y_px: float, radius_px: float, north_deg: float) -> bytes:
    """A picture of a sun: north clockwise from up."""
    y, x = np.mgrid[: CAMERA.height_px, : CAMERA.width_px].astype(np.float32)
    away = np.hypot(x - x_px, y - y_px)
    light = 210 / (1 + np.exp(np.clip((away - radius_px) / 1.2, -30, 30)))
    for turn in np.radians([north_deg, north_deg + 90]):
        spot = x_px + AWAY * radius_px * np.sin(turn), y_px - AWAY * radius_px * np.cos(turn)
        light -= 150 * np.exp(-0.5 * ((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / 8**2)
    grey = np.clip(np.rint(light), 0, 255).astype(np.uint8)
    return bytes(simplejpeg.encode_jpeg(np.repeat(grey[..., None], 3, axis=2), quality=95))


def dark_spots_deg(picture: NDArray[np.uint8]) -> list[float]:
    """Directions of the two dark spots in a film's picture, clockwise from up."""
    grey = picture.mean(axis=2)
    y, x = np.mgrid[:SIZE, :SIZE] - (SIZE - 1) / 2
    ring = abs(np.hypot(x, y) / (SIZE / 2 / 1.25) - AWAY) < 0.2
    dark = np.where(ring, np.clip(190 - grey, 0, None), 0)
    found = []
    for mine in (y < -abs(x) * 0.4, x > abs(y) * 0.4):
        weight = dark * mine
        found.append(float(np.degrees(np.arctan2((weight * x).sum(), -(weight * y).sum()))))
    return found


@pytest.mark.parametrize("latitude_deg", [70.37, pytest.param(-33.0, marks=pytest.mark.slow)])
def test_first_and_last_frame_are_turned_right_to_a_tenth_of_a_degree(
    tmp_path: Path, latitude_deg: float
) -> None:
    scenario = midsummer(
        DriveStop(at=2.0, until=2.1), Recentre(at=2.1, to_px=(1400.0, 1000.0), hand_error_px=8),
        latitude_deg=latitude_deg, hours=4.0, camera=CAMERA, seed=3,
        start_utc=datetime(2027, 6, 21, 7 if latitude_deg < 0 else 10, tzinfo=UTC),
        mount={
            "azimuth_error_deg": 0.7, "altitude_error_deg": -0.9, "roll_deg": -28.0, "flexure_arcsec": 8.0,
        },
    )  # fmt: skip
    simulate(scenario, tmp_path / "session", frames=False)
    plan = plan_session(scenario)
    vertical = Orientation(Sun(scenario.site)).north_from_vertical_deg(plan.taken.utc_s)
    north_deg = plan.truth.zenith_deg - vertical
    replay(ReplayRequest(tmp_path / "session", tmp_path / "out"))
    for k in (0, -1):
        path = tmp_path / "session" / plan.taken.names[k]
        path.parent.mkdir(parents=True, exist_ok=True)
        truth = plan.truth
        path.write_bytes(
            drawn(float(truth.x_px[k]), float(truth.y_px[k]), float(truth.radius_px[k]), float(north_deg[k]))
        )
    summary = film(
        FilmRequest(folder=tmp_path / "out", up="solar-north", size_px=SIZE, stamps=frozenset(), fps=1)
    )
    assert summary.up_sigma_deg < 0.15
    assert summary.failed == summary.frames - summary.unseen - 2
    pictures = decoded(summary.out)
    for picture in (pictures[0], pictures[-1]):
        north, clockwise = dark_spots_deg(picture)
        assert north == pytest.approx(0, abs=0.1)
        assert clockwise == pytest.approx(90, abs=0.1)
