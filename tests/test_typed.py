"""Times and spans as people type them: one grammar, in the operator's zone where there is one."""

from datetime import UTC, datetime

import pytest

from sentinel.core.errors import RequestProblem
from sentinel.core.typed import read_moment, read_span_s

NOW = datetime(2027, 6, 21, 12, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "zone", "past", "means"),
    [
        ("07:00", None, False, datetime(2027, 6, 22, 7, tzinfo=UTC)),
        ("7:00", None, False, datetime(2027, 6, 22, 7, tzinfo=UTC)),
        ("13:00Z", None, False, datetime(2027, 6, 21, 13, tzinfo=UTC)),
        ("13:00", None, True, datetime(2027, 6, 20, 13, tzinfo=UTC)),
        ("12:30", None, True, NOW),
        # By the clock on the wall in Oslo it is 14:30.
        ("14:00", "Europe/Oslo", True, datetime(2027, 6, 21, 12, tzinfo=UTC)),
        ("15:00", "Europe/Oslo", False, datetime(2027, 6, 21, 13, tzinfo=UTC)),
        ("15:00Z", "Europe/Oslo", False, datetime(2027, 6, 21, 15, tzinfo=UTC)),
        ("01:00", "Pacific/Auckland", False, datetime(2027, 6, 21, 13, tzinfo=UTC)),
        ("2027-06-21T07:00", None, True, datetime(2027, 6, 21, 7, tzinfo=UTC)),
        ("2027-06-21 07:00", "Europe/Oslo", True, datetime(2027, 6, 21, 5, tzinfo=UTC)),
        ("2027-06-25T01:00:00+02:00", "Asia/Tokyo", False, datetime(2027, 6, 24, 23, tzinfo=UTC)),
        ("2027-06-21T03:02:00Z", "Asia/Tokyo", False, datetime(2027, 6, 21, 3, 2, tzinfo=UTC)),
        ("+30min", None, False, datetime(2027, 6, 21, 13, tzinfo=UTC)),
        ("+1h 30min", "Asia/Tokyo", False, datetime(2027, 6, 21, 14, tzinfo=UTC)),
        ("-10min", None, True, datetime(2027, 6, 21, 12, 20, tzinfo=UTC)),
    ],
)
def test_a_time_is_read(text: str, zone: str | None, past: bool, means: datetime) -> None:
    assert read_moment(text, NOW, zone=zone, past=past) == means


@pytest.mark.parametrize(
    "text", ["", "25:00", "yesterday", "7", "+", "+30", "2027-06-21", "2027-W25", "9" * 40]
)
def test_what_is_no_time_is_refused_with_what_one_looks_like(text: str) -> None:
    with pytest.raises(RequestProblem, match=r"^--at: not a time: .*like 07:00") as caught:
        read_moment(text, NOW, where="--at")
    assert "\n" not in str(caught.value)


def test_a_span_is_read() -> None:
    assert read_span_s("2h") == 7200
    assert read_span_s("90min") == read_span_s("1h 30min") == read_span_s("1h30min") == 5400
    assert read_span_s("20", bare="min") == read_span_s("20 min") == 1200
    assert read_span_s("1.5h") == 5400
    for wrong in ("", "h", "2 hours", "20", "-5min", "2h x"):
        with pytest.raises(RequestProblem, match="no span of time"):
            read_span_s(wrong)
