"""The flattened disc against place and clock: air that is not the program's, lenses that are not true."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from sentinel.chain.forecast.place_and_clock import PlaceAndClock
from sentinel.core.records import MeasuredFrame
from sentinel.sky.sun import Sun
from tests.worlds.mount import Lens
from tests.worlds.run import Run
from tests.worlds.world import Told, World

MIDNIGHT_SUN = World(
    latitude_deg=74.0, hours=6.0, ahead_h=0.5, roll_deg=37.0, centre_px=0.05, air_share=0.012,
    inversion_arcmin=1.5, extinction_mag=0.2, start_s=1_781_992_800.0,
)  # fmt: skip
"""From 2026-06-20 22:00 UTC: from 10 to 25 degrees of altitude."""


def told_by_ovals(frames: list[MeasuredFrame], world: World, turned_at: int | None = None) -> PlaceAndClock:
    """Return what the ovals of frames tell alone: they are burnt out."""
    site = world.settings.site
    known = PlaceAndClock(site, Sun(site))
    for i, frame in enumerate(frames):
        if i == turned_at:
            known.begin_part()
        known.see(replace(frame, disc=replace(frame.disc, brightness=1.0)))
    known.weigh(world.start_s, lambda _: None)
    return known


@pytest.mark.parametrize("hours", [-2.0, 1.0, 3.0])
def test_a_clock_hours_off_under_a_midnight_sun_is_told_within_three_hours(hours: float) -> None:
    world = replace(MIDNIGHT_SUN, hours=3.0, told=Told(clock_offset_s=3600 * hours))
    found = told_by_ovals(Run(world).frames(), world).doubt().contradiction()
    assert found is not None
    assert found.likely == ("time-zone",)
    assert -hours in found.hours


def test_a_longitude_of_the_wrong_sign_is_told() -> None:
    world = replace(MIDNIGHT_SUN, told=Told(longitude_deg=-MIDNIGHT_SUN.longitude_deg))
    found = told_by_ovals(Run(world).frames(), world).doubt().contradiction()
    assert found is not None
    assert "longitude-sign" in found.likely


LENSES = {
    "true": Lens(),
    "barrel": Lens(distortion=-2.5e-3),
    "cushion": Lens(distortion=2.5e-3),
    "wide pixels": Lens(stretched=3e-4),
    "another lens altogether": Lens(stretched=5e-3),
}


@pytest.mark.parametrize("lens", LENSES)
@pytest.mark.parametrize("latitude_deg", [74.0, 50.0])
def test_right_settings_are_not_doubted_whatever_the_lens_does(lens: str, latitude_deg: float) -> None:
    """The disc goes from near one corner across the picture."""
    world = replace(MIDNIGHT_SUN, latitude_deg=latitude_deg, lens=LENSES[lens], rate_share=-0.01)
    frames = Run(replace(world, start_px=(900.0, 800.0), start_s=world.start_s + 7200)).frames()
    assert sum(np.isfinite(frame.disc.oval_sigma_px) for frame in frames) > 150
    known = told_by_ovals(frames, world)
    assert known.doubt().wrong < 0.1
    if lens == "true" and latitude_deg > 60:
        assert np.median(known.doubt().log_odds[1:]) < -6, "and most of what may be wrong is ruled out"


def test_a_camera_that_was_turned_contradicts_nothing() -> None:
    first, second = (Run(replace(MIDNIGHT_SUN, roll_deg=roll)).frames() for roll in (37.0, 100.0))
    frames = first[:150] + second[150:]
    assert told_by_ovals(frames, MIDNIGHT_SUN, turned_at=150).doubt().wrong < 0.1


def test_frames_that_tell_no_oval_tell_nothing() -> None:
    frames = [
        replace(frame, disc=replace(frame.disc, oval_cos2_px=nan, oval_sin2_px=nan, oval_sigma_px=nan))
        for frame in Run(MIDNIGHT_SUN).frames()
    ]
    assert (told_by_ovals(frames, MIDNIGHT_SUN).doubt().log_odds == 0).all()
