"""The pen writes well-formed pictures, whatever the words; axes have round values."""

from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.core.times import DAY_S, utc_s
from sentinel.jobs.report.style import TimeAxis
from sentinel.jobs.report.svg import AxisScale, Pen, number, steps
from sentinel.jobs.report.timelines import Panel, Series, drawn
from tests.report.sessions import NOON

# What no XML can hold, escaped or not; names are freed of it before they get here.
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co"]))


@given(WORDS, WORDS)
def test_words_stay_words(first: str, second: str) -> None:
    pen = Pen(100, 50)
    pen.text((1, 2), first, fill=second)
    pen.box((0, 0), (5, 5), second)
    picture = ET.fromstring(pen.finished(first, "wide"))
    assert [child.tag for child in picture] == ["text", "rect"]
    assert (picture[0].text or "") == first
    assert picture[0].attrib["fill"] == second
    assert picture.attrib["aria-label"] == first


@pytest.mark.parametrize(
    ("value", "written"),
    [(1.0, "1"), (1.25, "1.2"), (-0.01, "0"), (0.0, "0"), (-3.06, "-3.1"), (120.04, "120")],
)
def test_coordinates_are_short(value: float, written: str) -> None:
    assert number(value) == written


@given(st.floats(-1e5, 1e5), st.floats(1e-6, 1e5), st.integers(2, 12))
def test_steps_are_round_and_few(low: float, span: float, most: int) -> None:
    found = steps(low, low + span, most)
    assert len(found) <= most
    assert all(low - span * 1e-6 <= value <= low + span * (1 + 1e-6) for value in found)


def test_steps_of_a_usual_axis() -> None:
    assert steps(-0.2, 43.0, 6) == [0, 10, 20, 30, 40]
    assert steps(0.0, 0.0, 5) == [0.0]


def test_a_scale_holds_what_lies_far_outside() -> None:
    scale = AxisScale(0, 10, 100, 200)
    assert scale(5) == 150
    assert scale(1e12) == 300
    assert AxisScale(1, 1, 0, 10)(1) == 0


@pytest.mark.parametrize("hours", [0.02, 0.5, 5, 24, 100, 400, 900])
def test_times_on_the_axis_are_round_and_few(hours: float) -> None:
    span = TimeAxis(utc_s(NOON) + 17, utc_s(NOON) + 17 + hours * 3600)
    ticks = span.ticks(8)
    assert len(ticks) <= 9
    for at, words in ticks:
        assert span.begin_s <= at <= span.end_s
        assert at % 60 == 0
        assert (":" in words) == (at % DAY_S != 0)


def test_what_lies_beyond_an_axis_is_counted_in_the_caption() -> None:
    times, values = np.arange(5.0) * 60, np.array([0.1, 0.5, 7.0, np.nan, -3.0])
    panel = Panel(name="Rate", unit="%", series=[Series(utc_s=times, values=values)], words="", low=0, high=1)
    axis = TimeAxis(0.0, 300.0)
    assert drawn(panel, axis, []).caption == "2 of 4 values beyond the axis, drawn at its end."
    beside = Series(utc_s=times, values=np.full(5, 0.5))
    both = replace(panel, series=[*panel.series, beside])
    assert drawn(both, axis, []).caption == "2 of 4 values beyond the axis, drawn at its end."
    assert not drawn(replace(panel, low=-4.0, high=8.0), axis, []).caption
    assert not replace(panel, series=[Series(utc_s=times, values=np.full(5, np.nan))]).holds_anything
