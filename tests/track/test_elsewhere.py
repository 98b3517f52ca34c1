"""A disc that is not where it should be: by its steps, and by the way that the last forecast expects."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from sentinel.chain.track import Context, Follower, Track
from sentinel.core.foreseen import PathPoint
from sentinel.core.records import Forecast, MeasuredFrame
from sentinel.sky import Sun
from tests.forecasts import foreseen
from tests.judge.tracks import Watch


class Followed:
    """A disc that drifts by one pixel a minute, and the follower's word on it."""

    def __init__(self) -> None:
        self.watch = Watch()
        self.watch.x, self.watch.y, self.watch.speed = 2000.0, 2000.0, (1.0, 0.0)
        self.follower = Follower(Context(self.watch.settings, Sun(self.watch.settings.site)))
        self.track = Track()

    def frame(self, minutes: float = 1.0) -> None:
        watch = self.watch
        watch.now += timedelta(minutes=minutes)
        watch.x, watch.y = watch.x + minutes * watch.speed[0], watch.y + minutes * watch.speed[1]
        self.take(watch.frame())

    def take(self, event: MeasuredFrame | Forecast) -> None:
        self.track = self.follower.step(self.track, event, self.watch.now.timestamp())

    def frames(self, count: int) -> None:
        for _ in range(count):
            self.frame()

    def expects(self, spread_px: float = 0.0) -> None:
        """Let a forecast expect the disc to go on as it does now; so much it may spread in eight hours."""
        watch, hour = self.watch, timedelta(hours=1)
        path = tuple(
            PathPoint(
                time_utc=watch.now + k * hour,
                x_px=watch.x + 60.0 * k,
                y_px=watch.y,
                sigma_px=k * spread_px / 8,
            )
            for k in (0, 8)
        )
        scale = watch.settings.camera.scale_arcsec_px
        self.take(replace(foreseen(time_utc=watch.now, scale_arcsec_px=scale), path=path))


@pytest.fixture
def followed() -> Followed:
    found = Followed()
    found.frames(60)
    found.expects()
    found.frames(3)
    assert found.track.followed
    assert found.track.part.number == 0
    return found


def test_after_a_pause_a_disc_where_it_was_expected_goes_on_in_its_part(followed: Followed) -> None:
    followed.frame(minutes=180.0)
    assert followed.track.followed
    assert followed.track.part.number == 0


def test_a_fit_that_does_not_know_the_drift_yet_hides_no_jump_from_the_last_discs(followed: Followed) -> None:
    followed.expects(spread_px=4000.0)
    followed.frames(5)
    followed.watch.y += 60.0
    followed.frame()
    assert not followed.track.followed
    followed.frames(3)
    assert (followed.track.part.number, followed.track.part.cause) == (1, "put-elsewhere")


def test_a_fit_that_does_not_know_the_drift_yet_follows_a_disc_that_drifts_beside_it(
    followed: Followed,
) -> None:
    followed.expects(spread_px=4000.0)
    followed.watch.speed = (1.0, 1.5)
    for _ in range(40):
        followed.frame()
        assert followed.track.followed
    assert followed.track.part.number == 0


def test_after_a_pause_a_disc_elsewhere_is_in_another_part_from_its_first_picture_on(
    followed: Followed,
) -> None:
    followed.watch.y += 150.0
    followed.frame(minutes=180.0)
    first = followed.watch.now
    assert not followed.track.followed
    followed.frames(2)
    part = followed.track.part
    assert (part.number, part.cause, part.began_s) == (1, "put-elsewhere", first.timestamp())
    assert followed.track.followed


def test_what_a_pause_leaves_open_is_no_leap(followed: Followed) -> None:
    followed.expects(spread_px=200.0)
    followed.watch.y += 150.0
    followed.frame(minutes=180.0)
    assert followed.track.followed


def test_what_goes_on_leaving_its_way_soon_after_a_pause_drifts_and_was_not_put_there(
    followed: Followed,
) -> None:
    """Too few pictures since the pause to know the usual drift by: the expected way alone can tell."""
    followed.frame(minutes=60.0)
    followed.frames(3)
    followed.watch.speed = (1.0, 30.0)
    followed.frames(5)
    assert followed.track.part.cause == "drift"


def test_a_leap_too_short_for_its_step_to_show_is_one_off_the_expected_way(followed: Followed) -> None:
    """40 pixels are 80 arcseconds: a tenth of what the sky goes in a minute."""
    followed.watch.y += 40.0
    first = followed.watch.now + timedelta(minutes=1)
    followed.frames(3)
    part = followed.track.part
    assert (part.number, part.cause, part.began_s) == (1, "put-elsewhere", first.timestamp())


def test_what_leaves_its_way_step_by_step_drifts(followed: Followed) -> None:
    followed.watch.speed = (1.0, 25.0)
    followed.frames(8)
    assert followed.track.part.number >= 1
    assert followed.track.part.cause == "drift"


def test_a_ghost_elsewhere_parts_nothing(followed: Followed) -> None:
    told: list[tuple[bool, bool]] = []
    for aside_px in (900.0, -900.0) * 5:
        followed.watch.y += aside_px
        followed.frame()
        told.append((followed.track.followed, followed.track.steady))
    assert told == [(False, False), (True, True)] * 5
    assert followed.track.part.number == 0


def test_a_disc_that_a_storm_shakes_is_not_moved_about_for_ever() -> None:
    found = Followed()
    found.frames(60)
    rng = np.random.default_rng(3)
    for _ in range(60):
        found.watch.x += (dx := float(rng.normal(0.0, 90.0)))
        found.watch.y += (dy := float(rng.normal(0.0, 90.0)))
        found.frame()
        found.watch.x, found.watch.y = found.watch.x - dx, found.watch.y - dy
    assert found.track.moving is None or found.watch.now.timestamp() - found.track.moving.onset_s < 1800.0


def test_where_a_crawling_disc_is_after_a_pause_tells_what_is_left() -> None:
    """An unseen hand has put it elsewhere: its first picture counts, not where it was before."""
    found = Followed()
    found.frames(90)
    found.watch.runs(0.06, way_deg=0.0)
    found.frames(12)
    assert found.track.run is not None
    assert found.track.run.crawls
    found.watch.x -= 900.0
    found.frame(minutes=40.0)
    assert found.track.run is not None
    assert found.track.run.x_px == pytest.approx(found.watch.x, abs=5.0)
    assert found.track.run.seen_s == found.watch.now.timestamp()


def test_a_crawl_that_ends_is_mended_and_no_drift_that_changed() -> None:
    found = Followed()
    found.frames(90)
    found.watch.runs(0.06, way_deg=0.0)
    found.frames(12)
    causes = [found.track.part.cause]
    found.watch.speed = (1.0, 0.0)
    found.frames(8)
    assert found.track.run is None
    assert [*causes, found.track.part.cause] == ["drift", "mended"]
