"""How the camera sat, by spots and track together, in sessions whose track errs by its sigma."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import DAY_S, from_utc_s
from sentinel.jobs.simulate.world import World
from sentinel.jobs.spots.blobs import DarkBlob
from sentinel.jobs.spots.follow import Look, followed
from sentinel.jobs.spots.looking import disc_views
from sentinel.jobs.spots.turning import attitudes_by_spots
from sentinel.jobs.steady import Attitude, change_sigma_deg, up_angles
from sentinel.sky import Orientation, spot_rotation_deg_day
from sentinel.sky.arrays import Array
from tests.simulate.worlds import BINNED, midsummer

CAMERA = BINNED.model_copy(update={"pixel_pitch_um": 8.0})
RADIUS_PX = 235.0
ROLL_DEG, AZIMUTH_DEG, ALTITUDE_DEG = 14.0, -0.2, 0.15
ROLL_SIGMA_DEG, AXIS_SIGMA_DEG = 0.7, 0.15
SPOTS = ((14.0, -30.0), (-20.0, -8.0), (5.0, 10.0), (-11.0, -45.0))


@dataclass(frozen=True)
class Invented:
    """A session: what the track says of it, what was dark in its pictures, and how it was."""

    frames: list[MeasuredFrame]
    track: list[Attitude]
    looks: list[Look]
    north_deg: Array
    settings: Settings
    world: World

    def asked(self) -> dict[str, Any]:
        return {"settings": self.settings, "sun": self.world.sun}

    def north(self, sitting: list[Attitude]) -> tuple[Array, Array]:
        """How far off north is in each frame, and its sigma."""
        angles = up_angles(self.frames, sitting, "solar-north", **self.asked())
        return (angles.deg - self.north_deg + 180) % 360 - 180, angles.sigma_deg


def invented(seed: int, *, latitude_deg: float = 70.0, hours: float = 48.0, flip: bool = False) -> Invented:
    rng = np.random.default_rng(seed)
    mount = {"roll_deg": ROLL_DEG, "azimuth_error_deg": AZIMUTH_DEG, "altitude_error_deg": ALTITUDE_DEG}
    scenario = midsummer(latitude_deg=latitude_deg, hours=hours, camera=CAMERA, mount=mount)
    world = World(scenario)
    utc_s = scenario.start_utc.timestamp() + np.linspace(0, hours * 3600, 100).round()
    truth = world.at(utc_s)
    up = truth.altitude_deg > 4
    utc_s, x, y = utc_s[up], truth.x_px[up], truth.y_px[up]
    frames = [
        MeasuredFrame(
            frame=f"{k}.jpg", time_utc=from_utc_s(at), width_px=1500, height_px=1000,
            disc=Disc(found=True, x_px=float(a), y_px=float(b), radius_px=RADIUS_PX),
        )
        for k, (at, a, b) in enumerate(zip(utc_s.tolist(), x, y, strict=True))
    ]  # fmt: skip
    settings = Settings.model_validate(
        {
            "site": {"latitude_deg": latitude_deg, "longitude_deg": 31.1},
            "camera": {"focal_length_mm": 400, "pixel_pitch_um": 8.0},
        }
    )
    right = Attitude(
        ROLL_DEG, ROLL_SIGMA_DEG, 1.0, AZIMUTH_DEG, ALTITUDE_DEG, AXIS_SIGMA_DEG, world.optics.scale_arcsec_px
    )
    turned = replace(right, roll_deg=ROLL_DEG + 180)
    true = [turned if flip and k >= len(frames) // 2 else right for k in range(len(frames))]
    level = np.cos(np.radians(latitude_deg))
    errs = {
        one: replace(
            one,
            roll_deg=one.roll_deg + rng.normal(0, ROLL_SIGMA_DEG),
            azimuth_error_deg=AZIMUTH_DEG + rng.normal(0, AXIS_SIGMA_DEG) / level,
            altitude_error_deg=ALTITUDE_DEG + rng.normal(0, AXIS_SIGMA_DEG),
        )
        for one in dict.fromkeys(true)
    }
    track = [errs[one] for one in true]

    def views(sitting: list[Attitude]) -> list[Any]:
        north, zenith = (
            up_angles(frames, sitting, up, settings, world.sun).deg for up in ("solar-north", "zenith")
        )
        return disc_views(frames, north, zenith, settings, world.sun)

    own = [(rng.normal(0, 0.03), rng.normal(0, 0.15)) for _ in SPOTS]
    first = float(Orientation(world.sun).central_longitude_deg(utc_s[0]))
    looks = []
    for at, view, told in zip(utc_s.tolist(), views(true), views(track), strict=True):
        days, blobs = (at - utc_s[0]) / DAY_S, []
        for (latitude, west), (north, ahead) in zip(SPOTS, own, strict=True):
            moved = (float(spot_rotation_deg_day(latitude)) + ahead) * days
            px, py, facing = view.place_px(latitude + north * days, first + west + moved)
            if facing > 0.25 and rng.random() > 0.1:
                px, py = px + rng.normal(0, 0.4), py + rng.normal(0, 0.4)
                blobs.append(DarkBlob(x_px=float(px), y_px=float(py), area_px=60.0, contrast=0.3))
        looks.append(Look(utc_s=at, view=told, blobs=tuple(blobs)))
    north_deg = up_angles(frames, true, "solar-north", settings, world.sun).deg
    return Invented(frames, track, looks, north_deg, settings, world)


@pytest.mark.parametrize("sessions", [3, pytest.param(12, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("latitude_deg", "flip"), [(70.0, False), (45.0, False), (-35.0, True)])
def test_spots_and_track_together_err_by_what_they_say(
    latitude_deg: float, flip: bool, sessions: int
) -> None:
    """Better than the track alone, and as good as is said."""
    alone, pulls, worst, changes = [], [], [], []
    for seed in range(sessions):
        one = invented(seed, latitude_deg=latitude_deg, flip=flip)
        blobs = followed(one.looks)
        both, spots = attitudes_by_spots(one.frames, one.track, one.looks, blobs, **one.asked())
        assert spots >= 3
        before, _ = one.north(one.track)
        after, sigma = one.north(both)
        alone.append(np.abs(before).max())
        pulls += (after / sigma)[[0, -1]].tolist()
        worst.append(np.abs(after[[0, -1]]).max())
        changes.append((after[-1] - after[0]) / change_sigma_deg(one.frames, both, **one.asked()))
    assert np.median(worst) < 0.25 * np.median(alone)
    assert np.median(worst) < 0.12
    assert np.std(pulls) < 1.5
    assert np.abs(pulls).max() < 3.5
    assert np.abs(changes).max() < 4


def test_without_spots_the_track_s_word_stands() -> None:
    one = invented(1, hours=6.0)
    assert attitudes_by_spots(one.frames, one.track, one.looks, [], **one.asked()) == (one.track, 0)


def test_what_the_track_does_not_tell_spots_do_not_either() -> None:
    """Of two rolls half a turn apart the fit would only mend the wrong one."""
    one = invented(1)
    unknown = [replace(each, roll_share=0.6) for each in one.track]
    blobs = followed(one.looks)
    assert attitudes_by_spots(one.frames, unknown, one.looks, blobs, **one.asked()) == (unknown, 0)
