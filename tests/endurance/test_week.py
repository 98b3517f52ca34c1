"""The short form of the week in a day, so that the long one can be relied on to run."""

from pathlib import Path

import pytest

from tests.endurance.week import run_week


@pytest.mark.slow
def test_half_a_day_of_trouble_ends_as_it_should(tmp_path: Path) -> None:
    assert run_week(tmp_path, short=True) == []
