"""Memory that is free goes back to the system."""

import sys
from pathlib import Path

import pytest

from sentinel.service.watch.allocator import give_back_now


def resident_mib() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 2**20


@pytest.mark.skipif(sys.platform != "linux", reason="the allocator is glibc's")
def test_holes_between_things_in_use_are_given_back() -> None:
    things = [bytes([i % 256]) * 60_000 for i in range(1000)]
    kept = things[::20]
    del things
    before = resident_mib()
    give_back_now()
    assert len(kept) == 50
    assert resident_mib() < before - 20
