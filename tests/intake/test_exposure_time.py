"""The corrected UTC of an exposure."""

from datetime import UTC, datetime, timedelta

import pytest

from sentinel.chain.intake.exposure_time import TIME_FROM_FILE, exposure_time

FILE_TIME = datetime(2027, 6, 21, 3, 0, 7, tzinfo=UTC)
SHOWN = datetime(2027, 6, 21, 5, 2, 3, 250_000)  # noqa: DTZ001 - a camera's clock shows no zone


@pytest.mark.parametrize(
    ("zone_h", "clock_offset_s", "hour", "second"),
    [
        pytest.param(None, 0.0, 5, 3.25, id="no zone, no offset: taken as UTC"),
        pytest.param(None, 7200.0, 3, 3.25, id="no zone: the offset is zone and error together"),
        pytest.param(2, 0.0, 3, 3.25, id="the zone in the file is honoured"),
        pytest.param(2, -10.0, 3, 13.25, id="zone, then the clock's own error"),
        pytest.param(2, 7203.0, 3, 0.25, id="an offset that contains the zone is not taken off twice"),
        pytest.param(0, -7200.0, 7, 3.25, id="a clock said to be on UTC and two hours slow"),
    ],
)
def test_zone_and_clock_offset(zone_h: int | None, clock_offset_s: float, hour: int, second: float) -> None:
    zone = None if zone_h is None else timedelta(hours=zone_h)
    time, flags = exposure_time(SHOWN, zone, clock_offset_s, FILE_TIME)
    assert time == datetime(2027, 6, 21, hour, 2, tzinfo=UTC) + timedelta(seconds=second)
    assert flags == ()


def test_a_file_that_says_nothing_is_dated_by_the_file_and_flagged() -> None:
    assert exposure_time(None, None, 3600.0, FILE_TIME) == (FILE_TIME, (TIME_FROM_FILE,))
