"""The camera's level sensor: which of two opposite rolls it is, told by a tag of two bits; and how far it is trusted.

The sensors are those of `tests.worlds`: an accelerometer on a chain of rotations, sharing nothing with the program.
"""

from dataclasses import replace

import numpy as np
import pytest

from sentinel.chain.following import Following
from sentinel.chain.forecast.level import up_in_picture
from sentinel.chain.forecast.roll_prior import USUAL_ROLLS, RollBand
from sentinel.chain.track import Context
from sentinel.core.records import Forecast
from sentinel.sky import Sun
from tests.forecasts import mount_of
from tests.worlds.level import SIDES, LevelSensor
from tests.worlds.run import Run
from tests.worlds.world import World

HALF_A_YEAR_S = 183 * 86_400.0


def world_of(
    roll_deg: float, sensor: LevelSensor | None, *, latitude_deg: float = 70.37, **more: float
) -> World:
    """Return an hour on an axis a degree off; the roll is counted from the northern pole."""
    base = World()
    start_s = base.start_s + more.pop("later_h", 0.0) * 3600 + (HALF_A_YEAR_S if latitude_deg < 0 else 0.0)
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


def share_about(forecast: Forecast, roll_deg: float) -> float:
    """Return how likely the forecast holds a roll to be, where that is its likeliest; else what is left."""
    mount = mount_of(forecast)
    near = abs((mount.roll_deg - roll_deg + 180) % 360 - 180) < 45
    return mount.roll_share if near else 1 - mount.roll_share


def programs_roll(world: World) -> float:
    return world.roll_deg + (180.0 if world.south else 0.0)


def test_the_tags_are_read_as_the_standard_has_them() -> None:
    """Exif 2.32 (CIPA DC-008-2019), Orientation: 1 the 0th row is the visual top, 3 the bottom; 6 the 0th column
    is the visual top, 8 the bottom."""
    for tag, (right, down) in SIDES.items():
        assert up_in_picture(tag) == complex(right, down)
    for tag in (None, 0, 2, 4, 5, 7, 9):
        assert up_in_picture(tag) == 0


@pytest.mark.parametrize("latitude_deg", [70.37, -60.0])
@pytest.mark.parametrize("roll_deg", [20.0, 170.0, 75.0, 260.0])
def test_a_level_sensor_tells_the_roll_from_the_opposite_one(roll_deg: float, latitude_deg: float) -> None:
    world = world_of(roll_deg, LevelSensor(), latitude_deg=latitude_deg)
    share = share_about(forecast_of(world), programs_roll(world))
    untold = share_about(forecast_of(replace(world, level_sensor=None)), programs_roll(world))
    assert share > 0.85
    assert share > untold
