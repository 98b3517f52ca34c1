"""The first and the last frame turned right to 0.1 degrees where drift alone tells the roll to some tenths.

The mount and the sky are the simulator's. The pictures are drawn here, from the textbook's
formulas: spots that go with the published rotation and wander a little.
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from sentinel.jobs.film import FilmRequest, film
from sentinel.jobs.film.lines import film_lines
from sentinel.jobs.film.session import FilmedSession
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.simulate.scenario import SimCamera
from sentinel.jobs.simulate.session import simulate
from sentinel.jobs.simulate.synthesize import plan_session
from sentinel.sky import Orientation, Sun
from tests.simulate.worlds import midsummer

CAMERA = SimCamera(focal_length_mm=400, pixel_pitch_um=8.0, width_px=900, height_px=700, interval_s=2400.0)
SPOTS = ((18.0, -32.0), (-14.0, -8.0), (9.0, 12.0), (-22.0, -50.0))
"""Latitude, and degrees west of the middle at the first picture."""
OWN_DEG_DAY = ((0.03, 0.15), (-0.04, -0.1), (0.02, 0.1), (-0.03, -0.2))
"""How each wanders in latitude, and in longitude beside the published rotation."""


def place(latitude_deg: float, west_deg: float, tilt_deg: float) -> tuple[float, float, float]:
    """Right of the middle and up in radii with solar north up, and how squarely it faces us."""
    b, west, tilt = np.radians([latitude_deg, west_deg, tilt_deg])
    up = np.sin(b) * np.cos(tilt) - np.cos(b) * np.cos(west) * np.sin(tilt)
    facing = np.sin(b) * np.sin(tilt) + np.cos(b) * np.cos(west) * np.cos(tilt)
    return float(np.cos(b) * np.sin(west)), float(up), float(facing)


def squeeze(altitude_deg: float) -> float:
    """Vertical over horizontal diameter, by Bennett's refraction of the two limbs."""
    lifted = [
        1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60
        for h in (altitude_deg - 0.265, altitude_deg + 0.265)
    ]
    return float(1 - (lifted[0] - lifted[1]) / 0.53)


def drawn(
    x_px: float, y_px: float, radius_px: float, *, north_deg: float, zenith_deg: float, altitude_deg: float,
    days: float, tilt_deg: float,
) -> bytes:  # fmt: skip
    """A picture of a sun with its spots, as flat as the air makes it: directions clockwise from up."""
    y, x = np.mgrid[: CAMERA.height_px, : CAMERA.width_px].astype(np.float32)
    up_x, up_y = np.sin(np.radians(zenith_deg)), -np.cos(np.radians(zenith_deg))
    more = ((x - x_px) * up_x + (y - y_px) * up_y) * (1 / squeeze(altitude_deg) - 1)
    x, y = x + more * up_x, y + more * up_y
    away = np.hypot(x - x_px, y - y_px)
    light = 210 / (1 + np.exp(np.clip((away - radius_px) / 1.2, -30, 30)))
    turn = np.radians(north_deg)
    for (latitude, west), (north, ahead) in zip(SPOTS, OWN_DEG_DAY, strict=True):
        at = latitude + north * days
        # Balthasar, Vazquez and Woehl 1986, less the Earth's own way round the sun.
        rate = 14.551 - 2.87 * np.sin(np.radians(at)) ** 2 - 0.9535
        right, up, facing = place(at, west + (rate + ahead) * days, tilt_deg)
        if facing < 0.15:
            continue
        across = x_px + radius_px * (right * np.cos(turn) + up * np.sin(turn))
        down = y_px + radius_px * (right * np.sin(turn) - up * np.cos(turn))
        light -= 120 * np.exp(-0.5 * ((x - across) ** 2 + (y - down) ** 2) / 3.5**2)
    light += np.random.default_rng(int(days * 1e5)).normal(0, 1.0, light.shape)
    grey = np.clip(np.rint(light), 0, 255).astype(np.uint8)
    return bytes(simplejpeg.encode_jpeg(np.repeat(grey[..., None], 3, axis=2), quality=93))


def session(folder: Path, *, hours: float, **mount: float) -> NDArray[np.float64]:
    """Replay a session of low drift, its clear pictures drawn; return solar north in all its frames."""
    scenario = midsummer(
        hours=hours, camera=CAMERA, seed=8, start_utc=datetime(2027, 6, 21, 10, tzinfo=UTC),
        mount={
            "azimuth_error_deg": 0.25, "altitude_error_deg": -0.12, "roll_deg": -28.0, "flexure_arcsec": 8.0,
            **mount,
        },
    )  # fmt: skip
    simulate(scenario, folder / "session", frames=False)
    plan = plan_session(scenario)
    sky, truth = Orientation(Sun(scenario.site)), plan.truth
    north_deg = truth.zenith_deg - sky.north_from_vertical_deg(plan.taken.utc_s)
    tilt_deg = sky.central_latitude_deg(plan.taken.utc_s)
    replay(ReplayRequest(folder / "session", folder / "out"))
    for k, name in enumerate(plan.taken.names):
        path = folder / "session" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        days = (plan.taken.utc_s[k] - plan.taken.utc_s[0]) / 86400
        path.write_bytes(
            drawn(
                float(truth.x_px[k]), float(truth.y_px[k]), float(truth.radius_px[k]),
                north_deg=float(north_deg[k]), zenith_deg=float(truth.zenith_deg[k]),
                altitude_deg=float(truth.altitude_deg[k]), days=float(days), tilt_deg=float(tilt_deg[k]),
            )
        )  # fmt: skip
    return np.asarray(north_deg)


@pytest.mark.slow
def test_spots_followed_over_a_day_turn_the_frames_right(tmp_path: Path) -> None:
    north_deg = session(tmp_path, hours=30.0)
    opened = FilmedSession(FilmRequest(folder=tmp_path / "out"))
    track, both = opened.chosen_up("solar-north"), opened.chosen_up("solar-north", by_spots=True)

    def off_deg(found: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((found - north_deg + 180) % 360 - 180)

    assert track.angles.sigma_deg.max() > 0.2
    assert both.spots == len(SPOTS)
    assert np.abs(off_deg(both.angles.deg)[[0, -1]]).max() < 0.1
    assert (np.abs(off_deg(both.angles.deg)) < 3 * both.angles.sigma_deg).all()
    assert both.angles.sigma_deg.max() < 0.6 * track.angles.sigma_deg.max()
    # The turn from the first to the last is known better than either.
    assert both.change_sigma_deg < 0.5 * both.angles.sigma_deg.min()
    assert np.ptp(off_deg(both.angles.deg)[[0, -1]]) < 3 * both.change_sigma_deg

    summary = film(FilmRequest(folder=tmp_path / "out", up="solar-north", size_px=240))
    assert summary.up_sigma_deg == float(both.angles.sigma_deg.max())
    assert summary.up_change_sigma_deg == both.change_sigma_deg
    said = next(line for line in film_lines(summary) if line.startswith("Up"))
    assert "(1-sigma) at the worst, by the track and 4 spots; from first to last turned alike ± 0.0" in said
