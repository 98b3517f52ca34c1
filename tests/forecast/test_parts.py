"""The parts of a forecast, one by one."""

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sentinel.chain.forecast.bins import Bins
from sentinel.chain.forecast.discs import Discs, TrackedDisc
from sentinel.chain.forecast.exits import Frame, Swing, first_exits
from sentinel.chain.forecast.line import fit_line
from sentinel.chain.forecast.noise import FLEXURES, Flexure
from sentinel.chain.forecast.periodic_error import find_periodic_error
from sentinel.chain.forecast.recentring import TracksAhead, best_along, best_centre, place, reach, regrets
from sentinel.chain.forecast.summary import _exit_clear, _is_clear, sure_sigma
from sentinel.chain.forecast.sun_path import OFFSETS_S, sun_up, with_turns
from sentinel.sky.arrays import Array

FRAME = Frame(1000, 800, 0.0)
TIMES = np.arange(0, 3601, 600.0)


def room(x: Array, y: Array, radius: float = 100.0) -> Array:
    return FRAME.room_px(x[:, None], y[:, None], radius)


def test_the_limb_touches_between_two_times() -> None:
    x = 499.5 + 0.25 * TIMES
    exits = first_exits(room(x, np.full_like(x, 399.5)), sun_up(TIMES, np.ones_like(TIMES)))
    assert exits.after_s[0] == pytest.approx((1000 - 0.5 - 100 - 499.5) / 0.25)
    assert exits.likely_edge() == "right"
    assert exits.quantile_s(0.5) == exits.after_s[0]


def test_a_margin_is_kept_from_the_edge() -> None:
    held = Frame(1000, 800, 30.0).room_px(np.array(130.0), np.array(400.0), 100.0)
    assert held.min() == pytest.approx(0.5)


def test_out_and_back_while_the_sun_is_down_is_no_exit() -> None:
    times = with_turns(TIMES, lambda t: np.abs(t - 1800) - 1500.0)
    assert times == pytest.approx(np.sort([*TIMES, 300.0, 3300.0]))
    x = 499.5 + 600 * np.exp(-(((times - 1800) / 500) ** 2))
    down = sun_up(times, np.abs(times - 1800) - 1500.0)
    assert np.isinf(first_exits(room(x, np.full_like(x, 399.5)), down).after_s[0])


def test_out_at_sunrise_has_left_at_sunrise_sooner_where_the_air_lifts_more() -> None:
    times = with_turns(TIMES, lambda t: (t - 2000.0) * 1e-3)
    x = 499.5 + 0.5 * times
    rising = sun_up(times, (times - 2000.0) * 1e-3)
    late = first_exits(room(x, np.full_like(x, 399.5)), rising)
    assert late.after_s[0] == pytest.approx(2000.0, abs=1)
    lifted = first_exits(room(x, np.full_like(x, 399.5)), rising, np.array([0.1]))
    assert lifted.after_s[0] == pytest.approx(1900.0, abs=1)


@pytest.mark.parametrize("drift_px_s", [0.002, 0.02, 0.1, 1.0])
def test_a_swinging_disc_touches_when_its_swing_next_takes_it_there(drift_px_s: float) -> None:
    reach, period = 12.0, 480.0
    phase = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    start = 1000 - 0.5 - 100 - 60.0
    slow = np.linspace(0, 60.0 / drift_px_s + 2 * period, 200)
    x = np.repeat((start + drift_px_s * slow)[:, None], len(phase), axis=1)
    swing = Swing(np.repeat([[reach], [reach], [0.0], [0.0]], len(phase), axis=1), period, phase)
    gaps = FRAME.room_px(x, np.full_like(x, 399.5), 100.0)
    exits = first_exits(gaps, sun_up(slow, np.ones_like(slow)), swing=swing)
    fine = np.arange(0, slow[-1], min(2.0, period / 240))
    wave = reach * np.sin(2 * np.pi * fine[:, None] / period + phase)
    truth = fine[(drift_px_s * fine[:, None] + wave >= 60).argmax(axis=0)]
    assert np.mean(exits.after_s) == pytest.approx(truth.mean(), abs=0.03 * period)
    assert np.std(exits.after_s) == pytest.approx(truth.std(), abs=0.05 * period)


def test_a_swing_that_reaches_over_the_edge_now_has_not_yet_left() -> None:
    times = np.arange(0, 3601, 60.0)
    phase = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    swing = Swing(np.repeat([[12.0], [12.0], [0.0], [0.0]], 100, axis=1), 480.0, phase)
    x = np.full((len(times), 100), 1000 - 0.5 - 100 - 6.0)
    gaps = FRAME.room_px(x, np.full_like(x, 399.5), 100.0)
    after = first_exits(gaps, sun_up(times, np.ones_like(times)), swing=swing).after_s
    assert after.max() <= 480
    # Six of twelve pixels: a third of the swing is beyond the edge.
    assert np.mean(after == 0) == pytest.approx(1 / 3, abs=0.02)


def test_a_line_is_not_bent_by_a_stray() -> None:
    t: Array = np.arange(0.0, 1800.0, 60.0)
    xy: Array = np.stack([100 + 0.1 * t, 50 - 0.02 * t], axis=1)
    xy[7] += 400
    line = fit_line(t, xy, np.full(30, 0.1), slow_px_s=1.0)
    assert line.velocity_px_s == pytest.approx([0.1, -0.02], abs=1e-3)
    assert line.at(3600.0) == pytest.approx([460, -22], abs=3)


def test_a_line_through_one_disc_admits_that_it_knows_nothing() -> None:
    line = fit_line(np.array([5.0]), np.array([[10.0, 20.0]]), np.array([0.1]), slow_px_s=2.0)
    assert line.position_px == pytest.approx([10, 20])
    assert line.covariance[1, 1] >= 4.0


@pytest.mark.parametrize("period_s", [240.0, 470.0, 640.0])
def test_a_worm_is_found_under_wind_and_drift(period_s: float) -> None:
    rng = np.random.default_rng(int(period_s))
    t = np.arange(0, 5400, 60.0)
    wave = 12 * np.sin(2 * np.pi * t / period_s + 1)
    xy = np.stack([wave * 0.8 + 0.1 * t, -wave * 0.6 + 1e-5 * t**2], axis=1) + rng.normal(0, 3, (90, 2))
    worm, _, freedom = find_periodic_error(t, xy, np.zeros(90))
    assert worm is not None
    assert worm.period_s == pytest.approx(period_s, rel=0.02)
    assert worm.amplitude_arcsec == pytest.approx(12, abs=2)
    assert freedom > 60


def a_worm(t: Array, period_s: float = 240.0, phase: float = 1.0) -> Array:
    """Return discs (n, 2) under a wave of 12 arcsec along a drive whose camera is rolled by 0.6 radians."""
    wave = 12 * np.sin(2 * np.pi * t / period_s + phase)
    noise = np.random.default_rng(3).normal(0, 3, (len(t), 2))
    return np.stack([wave * np.cos(0.6), -wave * np.sin(0.6)], axis=1) + noise


def test_a_short_worm_tells_the_roll_and_is_taken_out_of_the_means_over_minutes() -> None:
    # In means over 150 s hardly a third of it would be left to tell the roll by.
    t = np.arange(0, 3600, 60.0)
    worm, _, _ = find_periodic_error(t, a_worm(t), np.zeros(60))
    assert worm is not None
    form = worm.roll_form()
    rolls = np.linspace(0, np.pi, 721)
    at = np.stack([np.cos(rolls), np.sin(rolls), np.ones_like(rolls)])
    chi2 = np.einsum("ik,ij,jk->k", at, form, at)
    assert rolls[chi2.argmin()] == pytest.approx(
        0.6, abs=3 * (sigma := np.ptp(rolls[chi2 < chi2.min() + 1]) / 2)
    )
    assert np.degrees(sigma) < 5
    count, middle = np.full(20, 3.0), t.reshape(20, 3).mean(axis=1)
    moved, left = worm.taken_out(middle, count, 60.0, 1.5 * 3.0**2)
    means = a_worm(t).reshape(20, 3, 2).mean(axis=1)
    assert np.std(means - moved) < 0.8 * np.std(means)
    # What it leaves: two waves of four numbers each known to an arcsecond.
    assert 0.05 < np.diag(left).mean() < 2.0


def wandering(rng: np.random.Generator, sigma: float, alike: float, shape: tuple[int, ...]) -> Array:
    """Return noise (n, ...) of which each disc keeps a share of the one before."""
    noise = rng.normal(0, sigma, shape)
    for k in range(1, shape[0]):
        noise[k] = alike * noise[k - 1] + np.sqrt(1 - alike**2) * noise[k]
    return noise


@pytest.mark.parametrize(
    ("wind_arcsec", "alike", "gears_arcsec"),
    [(1.5, 0.0, 0.5), (1.5, 0.0, 4.0), (4.0, 0.0, 2.0), (3.0, 0.4, 1.0)],
)
def test_the_roll_by_a_worm_is_as_doubtful_as_it_is_wrong(
    wind_arcsec: float, alike: float, gears_arcsec: float
) -> None:
    # Gears err along the drive's line, which turns it nowhere; and wind that lasts makes neighbours alike.
    t, true, sigmas = np.arange(0, 3600, 60.0), 0.6, list[float]()
    rolls = true + np.linspace(-0.6, 0.6, 601)
    at = np.stack([np.cos(rolls), np.sin(rolls), np.ones_like(rolls)])
    for seed in range(60):
        rng = np.random.default_rng([seed, 77])
        along = 14 * np.sin(2 * np.pi * t / 470.0 + rng.uniform(0, 6))
        along += wandering(rng, gears_arcsec, 0.7, t.shape)
        xy = along[:, None] * [np.cos(true), -np.sin(true)] + wandering(rng, wind_arcsec, alike, (len(t), 2))
        worm, _, _ = find_periodic_error(t, xy, np.zeros(len(t)))
        if worm is not None:
            weight = np.exp(-0.5 * np.einsum("ik,ij,jk->k", at, worm.roll_form(), at))
            mean, power = (np.average((rolls - true) ** k, weights=weight) for k in (1, 2))
            sigmas.append(float(mean / np.sqrt(power - mean**2)))
    assert len(sigmas) > 50
    assert 0.7 < np.sqrt(np.mean(np.square(sigmas))) < 1.2


def test_a_worm_goes_on_in_another_phase_once_the_drive_stood() -> None:
    t = np.arange(0, 5400, 60.0)
    late = t >= 1800
    discs = np.where(late[:, None], a_worm(t, phase=4.0), a_worm(t))
    worm, squares, freedom = find_periodic_error(t, discs, late.astype(int))
    assert worm is not None
    assert worm.period_s == pytest.approx(240, rel=0.01)
    assert worm.amplitude_arcsec == pytest.approx(12, abs=1.5)
    assert np.sqrt(squares / 2 / freedom) == pytest.approx(3, rel=0.2)


def test_a_few_discs_of_a_new_stretch_leave_the_phase_open() -> None:
    t = np.arange(0, 3600, 60.0)
    worm, _, _ = find_periodic_error(t, a_worm(t), (t >= 3300).astype(int))
    assert worm is not None
    moved, left = worm.taken_out(t[-3:], np.ones(3), 60.0, 9.0)
    assert not moved.any()
    assert np.diag(left).min() > 12**2 / 2


def test_of_discs_put_somewhere_the_first_counts_only_while_it_is_alone() -> None:
    # The gears may still be taking up their slack.
    discs = Discs()
    discs.take(TrackedDisc(0.0, 100.0, 100.0, 50.0, 0.1))
    discs.begin_part(1, 60.0)
    discs.take(TrackedDisc(60.0, 530.0, 300.0, 50.0, 0.1))
    assert discs.bins.arc().xy_px == pytest.approx(np.array([[530.0, 300.0]]))
    for k in range(2, 5):
        discs.take(TrackedDisc(60.0 * k, 500.0, 300.0, 50.0, 0.1))
    arc = discs.bins.arc()
    assert arc.xy_px[:, 0] == pytest.approx(500.0)
    assert arc.count.sum() == 3


def test_few_draws_far_away_do_not_widen_what_is_as_good_as_sure() -> None:
    off = np.random.default_rng(1).normal(0, 0.05, (2, 400))
    off[:, :8] = 2.0
    assert sure_sigma(off) == pytest.approx([0.05, 0.05], rel=0.2)
    assert sure_sigma(off[:, 8:]) == pytest.approx([0.05, 0.05], rel=0.1)


def test_no_worm_is_found_in_wind_alone() -> None:
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(0, 5, (90, 2))
        assert find_periodic_error(np.arange(0, 5400, 60.0), noise, np.zeros(90))[0] is None


def test_bins_keep_means_through_merging() -> None:
    bins = Bins()
    t = np.arange(0, 30 * 3600, 60.0)
    for time in t:
        bins.add(time, 3.0 + 1e-3 * time, 7.0, 0.1)
    arc = bins.arc()
    assert len(arc) < 200
    assert arc.count.sum() == len(t)
    assert arc.xy_px[:, 0] == pytest.approx(3.0 + 1e-3 * arc.utc_s)
    assert (np.diff(arc.utc_s) > 0).all()


def test_bins_forget_after_a_day_and_a_half() -> None:
    bins = Bins()
    for hour in range(60):
        bins.add(hour * 3600.0, 0.0, 0.0, 0.1)
    assert bins.arc().utc_s.min() >= 23 * 3600


@pytest.mark.parametrize("flexure", [FLEXURES[0], FLEXURES[-3]])
def test_flexure_goes_on_as_its_covariance_says(flexure: Flexure) -> None:
    go, root = flexure.step(900.0)
    still = flexure.state_covariance()
    assert go @ still @ go.T + root @ root.T == pytest.approx(still, rel=1e-6, abs=1e-12)
    assert (go @ still)[0, 0] == pytest.approx(flexure.covariance(np.array([900.0]))[0])


def drifting(x_rate: float, y_rate: float) -> TracksAhead:
    offsets = np.linspace(0, 48 * 3600, 97)
    noise = np.random.default_rng(1).normal(0, 1e-4, (2, 1, 200)) * offsets[:, None]
    x = 499.5 + x_rate * offsets[:, None] + noise[0]
    y = 399.5 + y_rate * offsets[:, None] + noise[1]
    up = np.ones(len(offsets), dtype=bool)
    return TracksAhead(1.8e9, offsets, x, y, np.full(len(offsets), 100.0), up, FRAME)


def test_the_best_place_is_where_the_drift_comes_from() -> None:
    ahead = drifting(0.01, 0.0)
    strays = reach(ahead, 0)
    centre = best_centre(ahead, 0, strays)
    room_px = 500 - 100 - 50
    assert centre[0] == pytest.approx(-room_px, rel=0.06)
    assert abs(centre[1]) < 60
    advice = place(ahead, 0, centre, strays)
    assert advice.gap_edge == "left"
    assert advice.right_widths == pytest.approx(centre[0] / 200)
    assert advice.holds_until_utc is not None


def test_a_miss_down_the_drift_is_regretted_a_place_up_the_drift_forgives_it() -> None:
    ahead = drifting(0.01, 0.0)
    middle, upstream = regrets(ahead, 0, reach(ahead, 0), np.array([[0.0, 0.0], [-120.0, 0.0]]))
    # Never where it is met, every other time where it is missed.
    assert middle == pytest.approx(0.25, abs=0.03)
    assert upstream == 0


def test_a_disc_that_stays_is_best_left_in_the_middle() -> None:
    ahead = drifting(0.0, 0.0)
    assert best_centre(ahead, 0, reach(ahead, 0)) == pytest.approx([0, 0])


def test_one_axis_alone_does_what_it_can() -> None:
    ahead = drifting(0.01, 0.004)
    strays = reach(ahead, 0)
    along = best_along(strays, np.array([0.0, 30.0]), np.array([1.0, 0.0]))
    assert along[1] == pytest.approx(30.0)
    assert along[0] < -150
    assert strays.holds(along[None])[0, 0] <= strays.holds(best_centre(ahead, 0, strays)[None])[0, 0]


def swinging(px: float, *, at_first: float, up_h: float = 48.0) -> TracksAhead:
    """A disc that goes up and down by so many pixels a day, at first down (1) or up (-1)."""
    still = drifting(0.0, 0.0)
    down = at_first * px * np.sin(2 * np.pi * still.offsets_s / 86_400)
    return dataclasses.replace(still, y_px=still.y_px + down[:, None], up=still.offsets_s <= up_h * 3600)


def test_a_place_on_the_side_to_which_the_disc_goes_says_when_it_comes_back_and_what_room_is_left() -> None:
    ahead = swinging(150.0, at_first=1.0)
    strays = reach(ahead, 0)
    below = place(ahead, 0, np.array([0.0, 40.0]), strays)
    # The limb is 400 - 100 - 40 px from the edge, and comes 150 nearer in six hours; the sun is 200 px wide.
    assert below.gap_widths == pytest.approx(260 / 200, abs=0.01)
    turn = below.turn
    assert turn is not None
    assert turn.edge == "bottom"
    assert turn.widths == pytest.approx(110 / 200, abs=0.02)
    assert (turn.at_utc - below.at_utc).total_seconds() == pytest.approx(6 * 3600, abs=1800)


@pytest.mark.parametrize(
    ("ahead", "up_px"),
    [
        (swinging(150.0, at_first=1.0), 40.0),  # it goes away from there
        (swinging(150.0, at_first=-1.0), -40.0),  # the same, and comes over to that side only at the end
        (swinging(150.0, at_first=1.0), 0.0),  # nowhere aside
        (swinging(30.0, at_first=1.0), -40.0),  # by less than a hand can tell
        (drifting(0.0, 0.004), -40.0),  # it does not come back
        (swinging(150.0, at_first=1.0, up_h=4.0), -40.0),  # not while anybody sees it
    ],
)
def test_any_other_place_needs_no_such_word(ahead: TracksAhead, up_px: float) -> None:
    assert place(ahead, 0, np.array([0.0, -up_px]), reach(ahead, 0)).turn is None


@pytest.mark.parametrize("comes_back", [True, False])
def test_an_exit_of_a_rising_sun_counts_where_it_stays_out(comes_back: bool) -> None:
    """It rises now, is well clear of the line after an hour, and the air lifts it over the edge at first."""
    times = with_turns(OFFSETS_S, lambda t: t / 3600 - 1.0)
    ahead: Any = SimpleNamespace(now_s=0.0, offsets_s=times, clear=sun_up(times, times / 3600 - 1.0))
    room_px = np.full((4, len(times), 3), 100.0)
    until_s = 600.0 if comes_back else np.inf
    room_px[2, until_s > times] = -5.0
    assert not _is_clear(ahead, 0.0)
    clear = _exit_clear(ahead, room_px, None)
    assert (clear is None) == comes_back
    if clear is not None:
        assert clear.timestamp() == pytest.approx(3600.0, abs=1.0)
