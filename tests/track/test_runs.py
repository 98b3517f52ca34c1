"""A mount that does not carry the sun: when the disc leaves, told while it is not known how it will go on."""

import pytest

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.sky import Sun
from tests.worlds import happenings as h
from tests.worlds.run import Run
from tests.worlds.world import World

STILL = World(
    latitude_deg=58.0, longitude_deg=20.0, start_s=1_813_564_000.0, hours=1.6, interval_s=60.0,
    across_deg=0.1, along_deg=-0.1, roll_deg=10.0, worm_arcsec=6.0, wind_arcsec=2.0, centre_px=0.05, seed=7,
)  # fmt: skip


@pytest.mark.parametrize("minutes", [pytest.param(4, marks=pytest.mark.slow), 8])
def test_a_drive_that_loses_pace_may_stop_before_the_disc_is_out(minutes: int) -> None:
    """The disc goes ever faster until the drive stands: by its pace so far it would leave later."""
    slows = [h.Rate(at_h=1.0 + k / 60, arcsec_s=15.0 * (1 - (k + 1) / minutes)) for k in range(minutes)]
    run = Run(STILL.with_happenings(*slows))
    context = Context(STILL.settings, Sun(STILL.settings.site))
    following, late_s = Following(context), []
    for i, frame in enumerate(run.frames()):
        following.feed(frame, frame.time_utc)
        fails, seen = following.track.run, following.track.seen
        if fails is None or seen is None or run.track_px[2][i] <= 0:
            continue
        out = fails.way_out(seen, context)
        assert out is not None
        late_s.append(fails.seen_s + out.touch_s - run.exit_s(i))
    assert len(late_s) > 4
    assert max(late_s) < 30.0
    # Once it stands, that is when.
    assert abs(late_s[-1]) < 30.0
