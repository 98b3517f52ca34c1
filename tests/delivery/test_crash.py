"""The program killed at the worst moment: nothing lost, at most one repeat, and that said to be one."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from sentinel.core.settings import Channel
from tests.delivery.receivers import (
    HttpReceiver,
    ManualClock,
    alert,
    http_receiver,
    secret_file,
    session,
    settings_for,
    settle,
    turning,
    wait_for,
)

WATCH = """
import sys, time
from pathlib import Path
from sentinel.core.clock import SystemClock
from sentinel.service.delivery.worker import Worker
from sentinel.core.settings import Channel
from tests.delivery.receivers import ManualClock, settings_for

channel = Channel(name="phone", url_from=sys.argv[2], deadline_s=20)
worker = Worker(Path(sys.argv[1]), settings_for(channel), ManualClock())
worker.start()
time.sleep(60)
"""


def killed(one_path: Path, reference: str, receiver: HttpReceiver, *, after_requests: int) -> None:
    """Run a worker in a process of its own and kill it without warning once the service was asked."""
    process = subprocess.Popen(
        [sys.executable, "-c", WATCH, str(one_path), reference], cwd=Path(__file__).parents[2]
    )
    try:
        wait_for(lambda: receiver.tries >= after_requests, 30)
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.wait()


@pytest.mark.parametrize(
    "arrived", [pytest.param(True, id="arrived"), pytest.param(False, id="did not", marks=pytest.mark.slow)]
)
def test_killed_between_sending_and_marking(tmp_path: Path, arrived: bool) -> None:
    with http_receiver() as receiver:
        reference = secret_file(tmp_path, "url", receiver.url)
        channel = Channel(name="phone", url_from=reference, deadline_s=5)
        receiver.mode = "quiet" if arrived else "hang"
        with session(tmp_path, settings_for(channel)) as one:
            one.commit(alert())
            killed(one.path, reference, receiver, after_requests=1)
            wait_for(lambda: bool(receiver.got) is arrived)
            assert one.states() == {("phone", "trying"): 1}
            receiver.mode = "fine"
            with turning(one, ManualClock()) as worker:
                settle(worker)
                settle(worker)
            assert one.states() == {("phone", "delivered"): 1}
            with turning(one, ManualClock()) as worker:
                settle(worker)
        copies = [got for got in receiver.got if got.title == alert().title]
        assert len(copies) == (2 if arrived else 1)
        assert copies[-1].body.startswith("You may have had this before")


@pytest.mark.slow
def test_killed_at_many_moments_with_many_messages(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        reference = secret_file(tmp_path, "url", receiver.url)
        channel = Channel(name="phone", url_from=reference, deadline_s=5)
        total, kills = 40, 6
        with session(tmp_path, settings_for(channel)) as one:
            for number in range(total):
                one.commit(alert(f"{number:03}", condition=f"c{number}"))
            for kill in range(kills):
                killed(one.path, reference, receiver, after_requests=receiver.tries + 1 + kill % 4)
            with turning(one, ManualClock()) as worker:
                for _ in range(2 * total):
                    settle(worker)
            assert one.states() == {("phone", "delivered"): total}
        by_title: dict[str, list[str]] = {}
        for got in receiver.got:
            by_title.setdefault(got.title, []).append(got.body)
        assert sorted(by_title) == [f"{number:03}" for number in range(total)]
        extra = sum(len(bodies) - 1 for bodies in by_title.values())
        # At most one message is in the air when the program is killed.
        assert extra <= kills
        for bodies in by_title.values():
            assert all(body.startswith("You may have had this before") for body in bodies[1:])
