"""The one search for zeros of a function of time."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from sentinel.sky.arrays import Array
from sentinel.sky.searching import crossings, spans_above, spans_outside


@given(st.floats(0, 6.28), st.floats(-0.95, 0.95))
def test_every_crossing_of_a_wave_is_found(phase: float, level: float) -> None:
    def wave(t: Array) -> Array:
        return np.sin(t / 1000 + phase) - level

    found = crossings(wave, 0, 50_000, 300)
    rising = (np.arcsin(level) - phase) * 1000 + 2000 * np.pi * np.arange(-1, 12)
    falling = (np.pi - np.arcsin(level) - phase) * 1000 + 2000 * np.pi * np.arange(-1, 12)

    def inner(times: Array) -> Array:
        return times[(times > 0.5) & (times < 49_999.5)]

    # What falls on the very ends of the span, to the tolerance, may be on either side of them.
    both = np.concatenate([rising, falling])
    assume(min(np.abs(both).min(), np.abs(both - 50_000).min()) > 1.0)
    for which, expected in ((found.rising, rising), (~found.rising, falling)):
        assert inner(found.times_s[which]) == pytest.approx(inner(expected), abs=0.1)


@pytest.mark.parametrize("side", [1, -1])
def test_a_dip_between_two_looks_is_seen(side: int) -> None:
    # A parabola that passes zero for 20 s in the middle of a step of 300 s.
    def dip(t: Array) -> Array:
        return side * ((t - 1050) ** 2 - 10**2)

    found = crossings(dip, 0, 3000, 300)
    assert found.times_s == pytest.approx([1040, 1060], abs=0.1)
    assert found.rising.tolist() == [side < 0, side > 0]


def test_a_touch_that_does_not_pass_is_none() -> None:
    found = crossings(lambda t: (t - 1050) ** 2 + 1.0, 0, 3000, 300)
    assert list(found) == []
    assert spans_above(lambda t: (t - 1050) ** 2 + 1.0, 0, 3000, 300) == ((0, 3000),)
    assert spans_above(lambda t: -((t - 1050) ** 2) - 1.0, 0, 3000, 300) == ()


def test_spans_are_cut_at_both_ends() -> None:
    spans = spans_above(lambda t: np.cos(t / 1000), 0, 4000 * np.pi, 300)
    expected = [(0, 500 * np.pi), (1500 * np.pi, 2500 * np.pi), (3500 * np.pi, 4000 * np.pi)]
    assert np.array(spans) == pytest.approx(np.array(expected), abs=0.1)


def test_nan_counts_as_below() -> None:
    def half(t: Array) -> Array:
        return np.where(t < 500, 1.0, np.nan)

    found = crossings(half, 0, 1000, 100)
    assert found.times_s == pytest.approx([500], abs=0.1)
    assert found.rising.tolist() == [False]


def test_an_empty_span_is_allowed_and_a_backward_one_refused() -> None:
    assert list(crossings(np.sin, 5, 5, 1)) == []
    with pytest.raises(ValueError, match="cannot search"):
        crossings(np.sin, 5, 4, 1)
    with pytest.raises(ValueError, match="cannot search"):
        crossings(np.sin, 4, 5, 0)


def test_what_lies_outside_of_spans_fills_the_rest() -> None:
    assert spans_outside([], 0.0, 9.0) == [(0.0, 9.0)]
    assert spans_outside([(0.0, 2.0), (4.0, 9.0)], 0.0, 9.0) == [(2.0, 4.0)]
    assert spans_outside([(1.0, 2.0), (2.0, 4.0)], 0.0, 9.0) == [(0.0, 1.0), (4.0, 9.0)]
