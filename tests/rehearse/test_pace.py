"""The drill's clock: one for the watch and for the commands that ask it something meanwhile."""

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sentinel.core.clock import SystemClock
from sentinel.core.times import utc_s
from sentinel.jobs.rehearse.pace import PacedClock
from sentinel.service.watch.state_folder import StateFolder

START = datetime(2027, 6, 20, 20, tzinfo=UTC)


def test_it_goes_on_only_when_it_is_moved_and_never_back() -> None:
    clock = PacedClock(START, SystemClock())
    assert clock.now_utc() == clock.now_utc() == START
    clock.move_to(START + timedelta(minutes=1))
    clock.move_to(START)
    assert clock.now_utc() == START + timedelta(minutes=1)


def test_two_readings_of_one_moment_agree_though_it_is_moved_between_them() -> None:
    """Else the watch would take the step for a clock that was set."""
    clock = PacedClock(START, SystemClock())
    now_utc = clock.now_utc()
    clock.move_to(START + timedelta(minutes=1))
    assert clock.monotonic_s() == utc_s(now_utc)


def test_it_knows_which_loops_have_looked_since_it_was_moved() -> None:
    clock = PacedClock(START, SystemClock())
    loop = threading.Thread(target=clock.now_utc, name="intake")
    loop.start()
    loop.join()
    assert clock.asked_by(["intake"])
    assert not clock.asked_by(["intake", "judging"])
    clock.move_to(START + timedelta(seconds=1))
    assert not clock.asked_by(["intake"])


def test_commands_go_by_the_drills_time_while_it_is_under_way(tmp_path: Path) -> None:
    files = StateFolder(tmp_path / "state")
    files.create()
    here = SystemClock().now_utc()
    assert abs(files.now_utc(SystemClock()) - here) < timedelta(minutes=5), "no drill"
    files.tell_time(START)
    assert abs(files.now_utc(SystemClock()) - here) < timedelta(minutes=5), "it is over"
    files.lock()
    assert files.now_utc(SystemClock()) == START
    files.unlock()
