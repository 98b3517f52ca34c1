"""What the service manager is told, and the units that start the watch."""

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sentinel.service.watch import computer
from sentinel.service.watch.liveness import Keepalive, Liveness, tell_manager

UNITS = Path(__file__).parents[2] / "systemd"


class Clock:
    """A monotonic clock set by hand."""

    s = 0.0

    def monotonic_s(self) -> float:
        return self.s

    def now_utc(self) -> None:
        raise AssertionError("liveness are no matter of the time of day")


@pytest.fixture(params=["path", "abstract"])
def manager(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[socket.socket]:
    address = f"\0sentinel-test-{os.getpid()}" if request.param == "abstract" else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(address)
        listener.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", address.replace("\0", "@"))
        yield listener


def said(listener: socket.socket) -> list[bytes]:
    """Return what came."""
    found = []
    while True:
        try:
            found.append(listener.recv(4096))
        except BlockingIOError:
            return found


def test_the_manager_hears_one_datagram_a_notification(manager: socket.socket) -> None:
    tell_manager("READY=1\nSTATUS=watching")
    assert said(manager) == [b"READY=1\nSTATUS=watching"]


def test_without_a_manager_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    tell_manager("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere/at/all")
    tell_manager("READY=1")


def test_a_manager_that_does_not_listen_holds_up_nothing(manager: socket.socket) -> None:
    began_s = time.monotonic()
    for number in range(15):
        tell_manager(f"STATUS={number}")
        if time.monotonic() - began_s > 1:
            break
    assert time.monotonic() - began_s < 10
    assert said(manager)[0] == b"STATUS=0"


@pytest.mark.parametrize("stuck", ["intake", "measuring", "judging", "alerting"])
def test_it_pings_only_while_every_loop_turns(
    manager: socket.socket, monkeypatch: pytest.MonkeyPatch, stuck: str
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "180000000")
    clock = Clock()
    liveness = Liveness(clock, ("intake", "measuring", "judging", "alerting"))  # type: ignore[arg-type]
    keepalive = Keepalive(clock, liveness)  # type: ignore[arg-type]

    def live(seconds: int, *names: str) -> int:
        for _ in range(seconds):
            clock.s += 1
            for name in names:
                liveness.beat(name)
            keepalive.turn()
        return len(said(manager))

    every = ("intake", "measuring", "judging", "alerting")
    assert 6 <= live(360, *every) <= 10, "about every 45 s"
    others = [name for name in every if name != stuck]
    live(110, *others)
    assert live(400, *others) == 0
    assert liveness.stuck() == (stuck,)
    assert live(60, *every) >= 1, "and again when it turns again"


def test_without_a_watchdog_it_does_not_ping(manager: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    clock = Clock()
    keepalive = Keepalive(clock, Liveness(clock, ("judging",)))  # type: ignore[arg-type]
    for _ in range(100):
        clock.s += 1
        keepalive.turn()
    assert said(manager) == []


def analyzed(*arguments: str) -> subprocess.CompletedProcess[str]:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is not installed (Debian package systemd)")
    return subprocess.run([program, *arguments], capture_output=True, text=True, check=False, timeout=60)


@pytest.fixture(params=[(), ("credentials.conf",), ("siren.conf",), ("credentials.conf", "siren.conf")])
def unit(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The unit as it is installed, with drop-ins."""
    path = tmp_path / "sentinel@camera.service"
    shutil.copy(UNITS / "sentinel@.service", path)
    drop_ins = tmp_path / "sentinel@camera.service.d"
    drop_ins.mkdir()
    for name in request.param:
        shutil.copy(UNITS / name, drop_ins / name)
    return path


def test_the_unit_is_well_formed(unit: Path) -> None:
    done = analyzed("verify", str(unit))
    # Its exit status is 0 even for keys it does not know.
    assert (done.stderr, done.returncode) == ("", 0)


def test_the_unit_opens_little(unit: Path) -> None:
    done = analyzed("security", "--offline=true", "--no-pager", str(unit))
    (line,) = [line for line in done.stdout.splitlines() if "Overall exposure level" in line]
    level = float(line.split(": ")[1].split()[0])
    assert level <= 1.5
    if not list((unit.parent / f"{unit.name}.d").iterdir()):
        assert level <= 1.2


def test_the_unit_restarts_for_ever_and_is_pinged() -> None:
    text = (UNITS / "sentinel@.service").read_text(encoding="utf-8")
    for line in (
        "Type=notify",
        "Restart=always",
        "StartLimitIntervalSec=0",
        "WatchdogSec=180",
        "CapabilityBoundingSet=",
    ):
        assert f"\n{line}\n" in text


def test_what_the_unit_hides_is_passed_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text = (UNITS / "sentinel@.service").read_text(encoding="utf-8")
    assert ("\nProcSubset=pid\n" in text) == ("\nEnvironment=SENTINEL_BOOT_ID=%b\n" in text)
    here = computer.boot_id.__wrapped__()
    monkeypatch.setattr(computer, "_BOOT_ID", tmp_path / "hidden")
    monkeypatch.delenv("SENTINEL_BOOT_ID", raising=False)
    assert computer.boot_id.__wrapped__() != computer.boot_id.__wrapped__(), "each start is one of its own"
    # As the manager writes it.
    monkeypatch.setenv("SENTINEL_BOOT_ID", here)
    assert computer.boot_id.__wrapped__() == here
    assert len(here) == 32
