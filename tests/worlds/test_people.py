"""The closed loop: whoever looks after the camera does what he is said to do, and the account adds up."""

from dataclasses import replace

import pytest

from tests.worlds import happenings as h
from tests.worlds import people
from tests.worlds.mount import Lens
from tests.worlds.operator import Operator
from tests.worlds.trips import FAULTS, trip
from tests.worlds.world import World


def quiet_trip(hours: float = 24.0, wind_arcsec: float = 0.0) -> World:
    """A perfect mount under a clear midnight sun."""
    return replace(
        trip(2, fault="none"), hours=hours, spells=(), across_deg=0.0, along_deg=0.0, rate_share=0.0,
        worm_arcsec=0.0, sag_arcsec=0.0, thermal_arcsec=0.0, gear_arcsec=0.0, wind_arcsec=wind_arcsec,
        air_share=0.0, inversion_arcmin=0.0, axis_limit_deg=None, supplies={},
    )  # fmt: skip


def test_a_perfect_mount_loses_nothing_whoever_looks_after_it() -> None:
    for strategy in (people.never_sleeps, people.without, people.straight_line):
        account = strategy(quiet_trip())
        assert account.kept == 1
        assert account.sun_min == 24 * 60 + 1


def test_a_stop_costs_what_its_finder_needs() -> None:
    world = quiet_trip(12.0)
    stopped = world.with_happenings(h.Rate(at_h=3.2, arcsec_s=0.0), change_h=3.2)
    to_edge_min = (people.Scene(stopped, "nobody").run.exit_s(0) - world.start_s) / 60 - 3.2 * 60
    lost = {run: sum(run(stopped).lost.values()) for run in (people.never_sleeps, people.straight_line)}
    # Never sleeping finds it at the next ninety minutes; the alarm calls after two minutes, ten away.
    assert lost[people.never_sleeps] == pytest.approx(90 * 3 - 3.2 * 60 - to_edge_min, abs=2)
    assert lost[people.straight_line] == pytest.approx(13 - to_edge_min, abs=3)


def test_an_axis_limit_stops_the_mount_until_it_is_unwound() -> None:
    world = replace(quiet_trip(12.0), axis_limit_deg=60.0)
    scene = people.Scene(world, "nobody")
    assert scene.run.exit_s(0) - world.start_s == pytest.approx(4 * 3600, abs=1200)
    scene.unwind(world.start_s + 3 * 3600)
    assert scene.run.exit_s(0) - world.start_s == pytest.approx(7 * 3600, abs=1200)
    # At its limit it stands; unwound it goes on, and a fault that is still to come comes all the same.
    faulty = replace(world, change_h=10.0, happenings=(h.Rate(at_h=10.0, arcsec_s=-15.0),))
    scene = people.Scene(faulty, "nobody")
    assert scene.at_limit(world.start_s + 5 * 3600)
    assert scene.rate_now(world.start_s + 5 * 3600) == 0
    scene.unwind(world.start_s + 6.5 * 3600)
    assert not scene.at_limit(world.start_s + 7 * 3600)
    assert scene.rate_now(world.start_s + 7 * 3600) == pytest.approx(15.0)
    assert scene.rate_now(world.start_s + 10.2 * 3600) == -15.0


def test_a_battery_that_runs_out_takes_the_pictures_with_it() -> None:
    world = replace(quiet_trip(12.0), supplies={"camera_battery_h": 4.0})
    scene = people.Scene(world, "nobody")
    assert scene.alive(world.start_s + 4.9 * 3600)
    assert not scene.alive(world.start_s + 5.1 * 3600)
    scene.power(world.start_s + 6 * 3600)
    assert scene.alive(world.start_s + 7 * 3600)
    assert int(scene.lost().sum()) == pytest.approx(60 + 60, abs=2)  # five to six, eleven to twelve


def test_told_of_a_stop_he_goes_and_mends_it_and_the_account_says_there_was_no_time() -> None:
    world = replace(quiet_trip(3.2, wind_arcsec=2.0), lens=Lens(800.0, 6.0, 6000, 4000))
    stopped = world.with_happenings(h.Rate(at_h=1.9, arcsec_s=0.0), change_h=1.9)
    operator = Operator(stopped)
    account = operator.watch()
    assert [step for step in account.log if step.what == "mended the drive"]
    assert sum(account.lost.values()) == account.lost["no time"] > 0
    assert not operator.scene.lost()[-20:].any()


def test_every_kind_of_trip_begins_with_the_sun_up_and_the_operator_awake() -> None:
    for seed, fault in enumerate(("none", *FAULTS)):
        world = trip(seed, fault=fault)
        scene = people.Scene(replace(world, hours=1.0, ahead_h=0.1), "nobody")
        assert scene.sun_up(world.start_s)
        assert not scene.asleep(world.start_s)
        assert (world.change_h is None) == (fault == "none")
