"""What is told of blobs over a session: dust, spots, and what cannot be told."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from sentinel.core.times import DAY_S
from sentinel.jobs.spots.blobs import DarkBlob
from sentinel.jobs.spots.follow import FollowedBlob, Look, followed
from sentinel.jobs.spots.motion import motion_of, together
from sentinel.sky import DiscView

RADIUS_PX = 200.0
SPOTS = ((14.0, 352.0, 0.21), (-20.0, 20.0, 0.0), (5.0, 5.0, -0.1))
"""Latitude, Carrington longitude, and drift in degrees a day beside the sun's own rotation."""
DUST = ((700.0, 560.0), (830.0, 500.0))
Place = Callable[[float], tuple[float, float, float]]


def published(latitude_deg: float) -> float:
    """The rotation of spots, written down again: 14.551 - 2.87 sin^2, less 14.1844."""
    return 14.551 - 2.87 * float(np.sin(np.radians(latitude_deg))) ** 2 - 14.1844


def looks(place: Place, *, hours: float = 12.0, count: int = 60, seed: int = 2) -> list[Look]:
    """Pictures of a disc that stands at x, y with north turned as `place` says at a share of the time."""
    rng = np.random.default_rng(seed)
    made = []
    for share in np.linspace(0, 1, count):
        days = share * hours / 24
        x, y, north = place(float(share))
        view = DiscView(
            x_px=x, y_px=y, radius_px=RADIUS_PX, north_deg=north, central_latitude_deg=3.0,
            central_longitude_deg=(4.0 - 13.2 * days) % 360,
        )  # fmt: skip
        blobs = []
        for latitude, longitude, extra in SPOTS:
            now = longitude + (published(latitude) + extra) * days
            px, py, facing = view.place_px(latitude, now)
            if facing > 0.2:
                blobs.append((float(px), float(py)))
        blobs += [xy for xy in DUST if np.hypot(xy[0] - x, xy[1] - y) < 0.95 * RADIUS_PX]
        found = [
            DarkBlob(x_px=bx + rng.normal(0, 0.2), y_px=by + rng.normal(0, 0.2), area_px=60.0, contrast=0.3)
            for bx, by in blobs
            if rng.random() > 0.15
        ]
        # What is found once and never again.
        found += [
            DarkBlob(
                x_px=x + rng.uniform(-140, 140),
                y_px=y + rng.uniform(-140, 140),
                area_px=9.0,
                contrast=0.03,
            )
            for _ in range(3)
        ]
        made.append(Look(utc_s=1.8e9 + days * DAY_S, view=view, blobs=tuple(found)))
    return made


def of_kind(found: list[FollowedBlob], kind: str) -> list[FollowedBlob]:
    return [one for one in found if one.kind == kind]


def drifting(share: float) -> tuple[float, float, float]:
    return 640.0 + 220 * share, 480.0 + 60 * share, 12.0


def standing(share: float) -> tuple[float, float, float]:
    del share
    return 750.0, 520.0, 12.0


def flipped(share: float) -> tuple[float, float, float]:
    return (740.0, 520.0, 12.0) if share < 0.5 else (760.0, 530.0, -168.0)


def turning(share: float) -> tuple[float, float, float]:
    return 750.0, 520.0, -40.0 + 90 * share


@pytest.mark.parametrize("place", [drifting, flipped, turning])
def test_spots_and_dust_are_told_apart(place: Place) -> None:
    """A disc that drifts, a camera turned about in the middle, a camera that does not turn with the sky."""
    found = followed(looks(place))
    spots, dust = of_kind(found, "sun"), of_kind(found, "sensor")
    assert len(spots) == len(SPOTS)
    assert len(dust) == len(DUST)
    assert len(found) == len(SPOTS) + len(DUST)
    for latitude, longitude, _ in SPOTS:
        assert any(
            abs(np.median(one.latitude_deg) - latitude) < 0.15
            and abs((one.longitude_deg[0] - longitude + 180) % 360 - 180) < 0.4
            for one in spots
        )
    for x, y in DUST:
        assert any(np.hypot(np.median(one.x_px) - x, np.median(one.y_px) - y) < 0.2 for one in dust)
    assert all(one.sensor_scatter_px < 0.5 for one in dust)
    assert all(one.sun_scatter_px < 0.7 for one in spots)
    assert all(one.sightings < one.chances for one in found)


def test_of_a_disc_that_did_not_move_nothing_is_told() -> None:
    found = followed(looks(standing, hours=0.5))
    assert len(found) == len(SPOTS) + len(DUST)
    assert {one.kind for one in found} == {"undecided"}


def test_over_half_a_day_the_sun_s_own_turn_tells() -> None:
    """13.2 degrees a day go by under the dust, even where the disc stands still in the frame."""
    found = followed(looks(standing, hours=24.0))
    assert len(of_kind(found, "sun")) == len(SPOTS)
    assert len(of_kind(found, "sensor")) == len(DUST)


def test_dust_that_was_wiped_off_was_there_all_the_same() -> None:
    made = looks(drifting)
    wiped = [
        Look(
            utc_s=look.utc_s,
            view=look.view,
            blobs=tuple(
                b for b in look.blobs if number < 14 or np.hypot(b.x_px - DUST[0][0], b.y_px - DUST[0][1]) > 4
            ),
        )
        for number, look in enumerate(made)
    ]
    assert len(of_kind(followed(wiped), "sensor")) == len(DUST)


def test_a_cloudy_session_with_dozens_of_blobs_in_every_picture_tells_nothing_false() -> None:
    """Forty blobs of cloud in each of 60 pictures, none twice at one place: no spot, no dust comes of it."""
    rng = np.random.default_rng(4)
    made = []
    for look in looks(drifting):
        x, y = float(np.asarray(look.view.x_px)), float(np.asarray(look.view.y_px))
        angle, off = rng.uniform(0, 2 * np.pi, 40), 180 * np.sqrt(rng.uniform(0, 1, 40))
        cloud = [
            DarkBlob(x_px=x + r * np.cos(a), y_px=y + r * np.sin(a), area_px=30.0, contrast=0.1)
            for a, r in zip(angle, off, strict=True)
        ]
        made.append(Look(utc_s=look.utc_s, view=look.view, blobs=(*look.blobs, *cloud)))
    found = followed(made)
    assert len(of_kind(found, "sun")) == len(SPOTS)
    assert len(of_kind(found, "sensor")) == len(DUST)


def test_motion_against_the_published_rotation() -> None:
    found = followed(looks(drifting, hours=60.0, count=120))
    motions = {round(m.latitude_deg): m for one in found if (m := motion_of(one)) is not None}
    assert set(motions) == {14, -20, 5}
    for latitude, _, extra in SPOTS:
        motion = motions[round(latitude)]
        assert motion.published == pytest.approx(published(latitude), abs=0.002)
        assert motion.sigma < 0.05
        assert abs(motion.measured - published(latitude) - extra) < 4 * motion.sigma
    assert abs(motions[14].measured - motions[14].published) > 3 * motions[14].sigma
    off, sigma = together(list(motions.values()))
    assert 0 < sigma < min(motion.sigma for motion in motions.values())
    assert abs(off) < 0.2


def test_a_motion_that_is_hardly_known_is_not_told() -> None:
    found = followed(looks(drifting, hours=0.2, count=30))
    assert of_kind(found, "sun")
    assert all(motion_of(one) is None for one in found)


def test_nothing_to_follow() -> None:
    assert followed([]) == []
    bare: list[Any] = [Look(utc_s=0.0, view=looks(standing, count=1)[0].view, blobs=())]
    assert followed(bare * 3) == []
