"""How times, spans, counts and places are said: each in one way, and nowhere else."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sentinel.core.words import (
    aside,
    capital,
    either,
    many,
    minute,
    off_the_middle,
    sentences,
    short_text,
    span,
    times_in,
)

NOON = datetime(2027, 6, 21, 12, 0, tzinfo=UTC)
HOUSE = Path(__file__).parents[1] / "sentinel"
ROOMS = ("chain/forecast", "chain/judge", "chain/notify", "service/status", "jobs/plan", "jobs/align")
"""Those that speak to people."""


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 s"),
        (59, "59 s"),
        (60, "1 min"),
        (3570, "1 h"),
        (3660, "1 h 1 min"),
        (7200, "2 h"),
        (-5, "no time"),
    ],
)
def test_a_span_is_said_in_the_two_units_that_matter(seconds: float, said: str) -> None:
    assert span(timedelta(seconds=seconds)) == said


def test_a_far_time_carries_its_date_and_two_that_belong_together_both_do() -> None:
    times = times_in(None).as_of(NOON)
    near, far = NOON + timedelta(hours=1), NOON + timedelta(hours=21)
    assert times.at(near) == "13:00Z"
    assert times.at(far) == "22 Jun 09:00Z"
    assert times.pair(near, far) == ("21 Jun 13:00Z", "22 Jun 09:00Z")
    assert times.at(None) == "an unknown time"


def test_the_operators_time_stands_first_with_its_own_date() -> None:
    times = times_in("Pacific/Auckland")
    assert times.at(NOON) == "00:00 Auckland (12:00Z)"
    assert times.dated(NOON) == "22 Jun 00:00 Auckland (12:00Z)"
    assert times.to_the_second(NOON + timedelta(seconds=29.6)) == "22 Jun 00:00:30 Auckland (12:00:30Z)"
    assert minute(NOON) == "2027-06-21 12:00"


def test_one_day_is_one_by_the_operators_clock() -> None:
    times = times_in("Pacific/Auckland")
    before, after = NOON - timedelta(hours=1), NOON + timedelta(hours=1)
    assert (
        times.dated_span(before, after) == "21 Jun 23:00 Auckland (11:00Z) to 22 Jun 01:00 Auckland (13:00Z)"
    )
    later = NOON + timedelta(hours=13)
    assert times.dated_span(after, later) == "22 Jun 01:00 Auckland (13:00Z) to 13:00 Auckland (01:00Z)"


def test_the_date_of_one_day_is_not_said_twice() -> None:
    times = times_in(None)
    assert times.dated_span(NOON, NOON + timedelta(hours=1)) == "21 Jun 12:00Z to 13:00Z"
    assert times.dated_span(NOON, NOON + timedelta(hours=13)) == "21 Jun 12:00Z to 22 Jun 01:00Z"


def test_counts_lists_and_sentences() -> None:
    assert [many(n, "wake-up") for n in (0, 1, 12_345)] == ["0 wake-ups", "1 wake-up", "12,345 wake-ups"]
    assert either(["cap"]) == "cap"
    assert either(["cap", "mount", "camera"]) == "cap, mount or camera"
    assert sentences(["Sun lost", "", "was it unwound?"]) == "Sun lost. was it unwound?"
    assert capital("") == ""


def test_a_place_is_said_in_sun_widths() -> None:
    assert aside(1.28, -0.33) == "1.3 right and 0.3 down"
    assert aside(-0.04, 0.2) == "0.2 up"
    assert aside(0.0, 0.04) == ""


@pytest.mark.parametrize(
    ("right", "up", "said"),
    [
        (1.28, -0.33, "1.3 sun-widths right of the middle and 0.3 below it"),
        (-1.28, 0.33, "1.3 sun-widths left of the middle and 0.3 above it"),
        (-0.04, 0.2, "0.2 sun-widths above the middle"),
        (-0.2, 0.04, "0.2 sun-widths left of the middle"),
        (0.0, -0.04, "in the middle"),
    ],
)
def test_a_place_is_said_off_the_middle(right: float, up: float, said: str) -> None:
    assert off_the_middle(right, up) == said


def test_a_short_text_fits_a_satellite_and_ends_at_a_word() -> None:
    text = short_text("Größe " + "word " * 60)
    assert len(text) <= 160
    assert text.endswith("word...")
    assert text.isascii()


def test_no_room_that_speaks_to_people_writes_a_time_of_day_itself() -> None:
    own = re.compile(r"%H|%M|time\S*\.isoformat\(")
    found = [
        f"{path.relative_to(HOUSE)}: {line.strip()}"
        for room in ROOMS
        for path in sorted((HOUSE / room).rglob("*.py"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if own.search(line)
    ]
    assert not found
