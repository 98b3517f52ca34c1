"""Nothing that a camera or a person can do brings a traceback or nonsense."""

from dataclasses import replace
from datetime import timedelta
from math import inf, nan

import pytest

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.records import Disc, Event, Mark, MarkKind, MeasuredFrame, Tick
from tests.forecast.sessions import Session
from tests.forecast.watching import feed, seconds_ahead, watched
from tests.forecasts import mount_of, pointing_of

PLAIN = Session(azimuth_error_deg=0.4, altitude_error_deg=-0.3, wind_arcsec=2, seed=6, watched_h=0.5)


def with_disc(frame: MeasuredFrame, **changes: float) -> MeasuredFrame:
    return replace(frame, disc=replace(frame.disc, **changes))  # type: ignore[arg-type]


def test_before_any_disc_it_says_that_there_is_none() -> None:
    forecaster = Following(Context(PLAIN.settings, PLAIN.sun))
    assert forecaster.look(PLAIN.start_utc).flags == ("no-disc",)
    blind = [replace(frame, disc=Disc(found=False)) for frame in PLAIN.frames()]
    assert feed(forecaster, blind) == []
    seen = forecaster.look(PLAIN.start_utc)
    assert seen.exit.median_utc is None
    assert "no disc" in seen.basis


def test_one_frame_promises_little() -> None:
    only = watched(PLAIN, PLAIN.frames()[:1])
    assert len(only) == 1
    assert "too-little-arc" in only[0].flags
    assert seconds_ahead(only[0], "safe_utc") < 4 * 3600


def test_marks_and_ticks_before_frames_are_borne() -> None:
    early = PLAIN.start_utc - timedelta(hours=1)
    kinds: tuple[MarkKind, ...] = (
        "visit",
        "recentred",
        "unwound",
        "refocused",
        "realigned",
        "battery",
        "card",
        "timer",
        "seen",
        "remark",
    )
    events: list[Event] = [Tick(time_utc=early), *(Mark(time_utc=early, kind=kind) for kind in kinds)]
    assert watched(PLAIN, [*events, *PLAIN.frames()])[-1].exit.safe_utc is not None


@pytest.mark.parametrize("value", [nan, inf, -1.0, 0.0])
def test_impossible_discs_are_left_out(value: float) -> None:
    frames = PLAIN.frames()
    spoilt = [with_disc(f, radius_px=value) if i % 2 else f for i, f in enumerate(frames)]
    spoilt = [with_disc(f, x_px=value) if i % 2 and value != 0 else f for i, f in enumerate(spoilt)]
    spoilt = [with_disc(f, centre_sigma_px=nan) if i % 2 else f for i, f in enumerate(spoilt)]
    last = watched(PLAIN, spoilt)[-1]
    assert last.time_utc - pointing_of(last).seen_utc <= timedelta(minutes=1)
    assert mount_of(last).scale_arcsec_px == pytest.approx(PLAIN.optics.scale_arcsec_px, rel=1e-3)


def test_frames_in_reverse_order_are_borne() -> None:
    assert watched(PLAIN, PLAIN.frames()[::-1])[-1].basis


@pytest.mark.parametrize("step", [timedelta(hours=1), timedelta(hours=-1), timedelta(seconds=40)])
def test_a_clock_step_gives_no_nonsense(step: timedelta) -> None:
    frames = PLAIN.frames()
    stepped = [replace(f, time_utc=f.time_utc + step) if i > 15 else f for i, f in enumerate(frames)]
    last = watched(PLAIN, stepped)[-1]
    safe, early = seconds_ahead(last, "safe_utc"), seconds_ahead(last, "early_utc")
    assert 0 < safe <= early


def test_all_discs_clipped_is_said_and_still_followed() -> None:
    session = replace(PLAIN, start_px=(300.0, 1999.5))
    last = watched(session)[-1]
    assert "all-clipped" in last.flags
    assert last.exit.median_utc is not None
    assert last.exit.median_utc <= last.time_utc
    assert last.exit.edge == "left"


def test_a_wrong_focal_length_is_named_with_the_right_one() -> None:
    last = watched(replace(PLAIN, told_focal_length_mm=500.0))[-1]
    assert "focal-length" in last.flags
    assert mount_of(last).implied_focal_length_mm == pytest.approx(400, abs=1)
    assert "focal length" in last.basis
    right = watched(PLAIN)[-1]
    assert mount_of(right).implied_focal_length_mm is None
    assert last.exit.safe_utc == right.exit.safe_utc


def test_one_frame_of_another_size_is_not_believed_a_new_size_is() -> None:
    frames = PLAIN.frames()
    odd = [replace(f, width_px=160, height_px=120) if i == 10 else f for i, f in enumerate(frames)]
    assert mount_of(watched(PLAIN, odd)[-1]).arc_h == pytest.approx(0.43, abs=0.01)
    halved = [
        replace(
            f, width_px=3000, height_px=2000,
            disc=replace(f.disc, x_px=f.disc.x_px / 2, y_px=f.disc.y_px / 2, radius_px=f.disc.radius_px / 2),
        ) if i > 15 else f
        for i, f in enumerate(frames)
    ]  # fmt: skip
    last = watched(PLAIN, halved)[-1]
    assert mount_of(last).arc_h < 0.3


def test_a_disc_where_the_sun_is_down_is_not_the_sun() -> None:
    winter = replace(PLAIN, start_utc=PLAIN.start_utc.replace(month=12))
    disc = PLAIN.frames()[0].disc
    night = [
        replace(frame, disc=disc, time_utc=winter.start_utc + timedelta(minutes=i))
        for i, frame in enumerate(PLAIN.frames())
    ]
    assert watched(winter, night) == []
