"""The camera's level sensor: which of two opposite rolls it is, and how far that is trusted.

The sensors are those of `tests.worlds`: an accelerometer on a chain of rotations, sharing nothing with the
program.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.chain.following import Following
from sentinel.chain.forecast.bins import Bins
from sentinel.chain.forecast.level import LevelSeen, up_in_picture
from sentinel.chain.forecast.roll_prior import RollBand
from sentinel.chain.track import Context
from sentinel.core.records import Forecast
from sentinel.sky import Sun
from tests.forecasts import mount_of
from tests.worlds.level import SIDES, LevelSensor
from tests.worlds.run import Run
from tests.worlds.world import World

HALF_A_YEAR_S = 183 * 86_400.0
EAST, NORTH_AND_UP = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.5**0.5, 0.5**0.5])


def world_of(roll_deg: float, sensor: LevelSensor | None, latitude_deg: float = 70.37) -> World:
    """Return an hour on an axis a degree off; the roll is counted from the northern pole."""
    base = World()
    start_s = base.start_s + (HALF_A_YEAR_S if latitude_deg < 0 else 0.0)
    return replace(
        base, roll_deg=roll_deg, latitude_deg=latitude_deg, start_s=start_s, hours=1.0, ahead_h=0.0,
        across_deg=0.8, along_deg=-0.6, level_sensor=sensor,
    )  # fmt: skip


def forecast_of(world: World) -> Forecast:
    following = Following(Context(world.settings, Sun(world.settings.site)))
    frames = Run(world).frames()
    for frame in frames:
        following.feed(frame, frame.time_utc)
    return following.look(frames[-1].time_utc)


def share_of_truth(world: World) -> float:
    """Return how likely the true roll is held to be, where it is the likeliest; else all that is left."""
    mount, truth = mount_of(forecast_of(world)), world.roll_deg + (180.0 if world.south else 0.0)
    near = abs((mount.roll_deg - truth + 180) % 360 - 180) < 45
    return mount.roll_share if near else 1 - mount.roll_share


def test_the_tags_are_read_as_the_standard_has_them() -> None:
    """Exif 2.32 (CIPA DC-008-2019), Orientation: the visual top is the 0th row (1), the last row (3), the 0th
    column (6), the last column (8); the others are mirrored."""
    for tag, (right, down) in SIDES.items():
        assert up_in_picture(tag) == complex(right, down)
    for other in (None, 0, 2, 4, 5, 7, 9):
        assert up_in_picture(other) == 0


@pytest.mark.parametrize("latitude_deg", [70.37, -60.0])
@pytest.mark.parametrize("roll_deg", [20.0, 170.0, 75.0, 260.0])
def test_a_level_sensor_tells_the_roll_from_the_opposite_one(roll_deg: float, latitude_deg: float) -> None:
    world = world_of(roll_deg, LevelSensor(), latitude_deg)
    share = share_of_truth(world)
    assert share > 0.85
    assert share > share_of_truth(replace(world, level_sensor=None))


def test_a_camera_that_always_says_the_same_is_not_believed_outright() -> None:
    """One that was told to be silent writes 1 whatever happens: lying on its head it is only less likely."""
    silent = share_of_truth(world_of(180.0, LevelSensor(always=1)))
    untold = share_of_truth(world_of(180.0, None))
    assert 0.3 * untold < silent < untold


def seen(tags: list[int | None]) -> LevelSeen | None:
    bins = Bins()
    for k, tag in enumerate(tags):
        bins.add(150.0 * k + 75.0, 0.0, 0.0, 0.1, up=up_in_picture(tag))
    return LevelSeen.of(bins.arc())


def test_nothing_is_made_of_pictures_that_do_not_tell() -> None:
    assert seen([None, None]) is None
    some = seen([None, 6])
    assert some is not None
    assert some.told.tolist() == [False, True]


def test_a_bin_over_which_the_side_changed_tells_none() -> None:
    bins = Bins()
    for tag in (1, 8):
        bins.add(75.0, 0.0, 0.0, 0.1, up=up_in_picture(tag))
    assert LevelSeen.of(bins.arc()) is None


@pytest.mark.parametrize(("tags", "trust"), [([1, 1], 0.6), ([8, 8], 0.95), ([8, 1], 0.98)])
def test_a_sensor_that_was_seen_at_work_is_trusted(tags: list[int | None], trust: float) -> None:
    told = seen(tags)
    assert told is not None
    assert told.trust == trust


def test_a_sensor_seen_at_work_in_another_part_of_the_track_is_trusted_too() -> None:
    bins = Bins()
    bins.add(75.0, 0.0, 0.0, 0.1, up=up_in_picture(6))
    bins.forget(100.0)
    bins.add(225.0, 0.0, 0.0, 0.1, up=up_in_picture(1))
    told = LevelSeen.of(bins.arc())
    assert told is not None
    assert told.trust == 0.98


def test_a_camera_that_points_steeply_up_tells_nothing() -> None:
    told = seen([6])
    assert told is not None
    steep = np.array([0.0, np.cos(np.radians(70)), np.sin(np.radians(70))])
    upward = np.array([[[0.0, -1.0]]])
    assert told.band(NORTH_AND_UP[None], upward).trust[0] > 0.9
    assert told.band(steep[None], upward).trust[0] == 0


def test_a_few_bins_in_which_the_sensor_was_shaken_do_not_refuse_the_roll() -> None:
    tags: list[int | None] = [1] * 15
    tags[7] = 8
    told = seen(tags)
    assert told is not None
    level, upward = np.tile(NORTH_AND_UP, (15, 1)), np.tile([0.0, -1.0], (15, 1))[None]
    log = told.band(level, upward).log(np.radians([[[0.0, 90.0, 180.0]]]))[0, 0]
    assert log[0] > -0.1
    assert (log[1:] < -3).all()


@given(
    st.lists(st.floats(-60, 60), min_size=1, max_size=5),
    st.floats(0, 360),
    st.floats(0, 360),
)
def test_every_side_that_was_told_must_lie_near_the_roll(
    turns_deg: list[float], about_deg: float, roll_deg: float
) -> None:
    """The band's ends stand for all between: as likely as what its worst side tells, asked one by one."""
    told = seen([8] * len(turns_deg))
    assert told is not None
    turn = np.radians(about_deg + np.array(turns_deg))
    upward = np.stack([np.cos(turn), np.sin(turn)], axis=1)[None]
    band = told.band(np.tile(NORTH_AND_UP, (len(turn), 1)), upward)
    roll = np.full((1, 1), np.radians(roll_deg))
    trust = np.full(1, told.trust)
    alone = [RollBand(np.array([one]), np.zeros(1), trust).log(roll)[0, 0] for one in turn]
    assert band.log(roll)[0, 0] == pytest.approx(min(alone), abs=1e-3)
