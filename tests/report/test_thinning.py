"""Thinning keeps what stands out, and lines are cut where the series has holes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sentinel.jobs.report.thinning import strokes, thinned

VALUES = arrays(
    float,
    st.integers(1, 400),
    elements=st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))),
)


@settings(max_examples=60)
@given(VALUES, st.integers(1, 40), st.randoms(use_true_random=False))
def test_each_column_keeps_its_extremes(y, columns, random) -> None:  # type: ignore[no-untyped-def]
    x = np.cumsum([random.choice([0.0, 0.5, 1.0, 30.0]) for _ in y])
    kept = thinned(x, y, columns)
    finite = np.flatnonzero(np.isfinite(y))
    assert set(kept) <= set(finite)
    assert (np.diff(kept) > 0).all()
    assert len(kept) <= max(4 * columns, len(finite) if len(finite) <= 4 * columns else 0)
    if not finite.size:
        return
    left, right = x[finite[0]], x[finite[-1]]
    width = (right - left) / columns or 1.0
    column = np.minimum(((x - left) / width).astype(int), columns - 1)
    for one in set(column[finite]):
        own = finite[column[finite] == one]
        mine = kept[column[kept] == one]
        assert y[mine].max() == y[own].max()
        assert y[mine].min() == y[own].min()
        assert mine[0] == own[0]
        assert mine[-1] == own[-1]


def test_one_spike_in_a_week_is_kept() -> None:
    x = np.arange(20_000.0)
    y = np.zeros(20_000)
    y[12_345] = 7.0
    assert 12_345 in thinned(x, y, 800)


def test_a_short_series_is_left_whole() -> None:
    x = np.arange(10.0)
    assert thinned(x, x, 5).tolist() == list(range(10))


@pytest.mark.parametrize("hole", ["time", "values"])
def test_a_hole_cuts_the_line_even_within_a_column(hole: str) -> None:
    x, y = np.arange(1000.0), np.zeros(1000)
    if hole == "time":
        x[500:] += 50
    else:
        y[450:500] = np.nan
    kept = thinned(x, y, 10)
    parts = strokes(x, kept, np.isfinite(y), 1.8)
    assert len(parts) == 2
    assert parts[0][-1] < 500 <= parts[1][0]
    assert np.concatenate(parts).tolist() == kept.tolist()


def test_nothing_to_draw_is_no_line() -> None:
    y = np.full(5, np.nan)
    assert strokes(np.arange(5.0), thinned(np.arange(5.0), y, 3), np.isfinite(y), 1.0) == []
