"""What blinds the watch: told at once and as what it is, and nothing of what was known is lost."""

import fcntl
import os
import random
import shutil
import signal
import sqlite3
import struct
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sentinel.core.records import Tick
from sentinel.service.journal.journal import Journal, Origin
from tests.watch.service import Service, service

BLIND = "config: THE WATCH IS BLIND: it cannot write"
"""What is sent opens with the camera's name, here that of the settings file."""

pytestmark = pytest.mark.slow


@contextmanager
def disk(base: Path, kind: str, megabytes: int) -> Iterator[Path]:
    """A small disk of its own: in memory, or an image with a file system of small blocks."""
    place = base / "disk"
    place.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    if kind == "tmpfs":
        command = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "test", str(place)]
    else:
        image = base / "image"
        with image.open("wb") as file:
            file.truncate(megabytes << 20)
        if shutil.which("mkfs.ext4") is None:
            pytest.skip("mkfs.ext4 is not installed (Debian package e2fsprogs)")
        subprocess.run(["mkfs.ext4", "-q", "-m", "0", str(image)], check=True)
        command = ["mount", "-o", "loop", str(image), str(place)]
    if subprocess.run(command, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def fill_up(path: Path) -> None:
    """Write until there is room for nothing more."""
    for size in (65_536, 4096, 512):
        with path.open("ab", buffering=0) as file:
            try:
                while file.write(bytes(size)) == size:
                    pass
            except OSError:
                continue


def blind(one: Service) -> bool:
    return any(title.endswith(BLIND) for title in one.phone.titles())


def beats_in(one: Service, seconds: float) -> int:
    before = one.heart.pings
    time.sleep(seconds)
    return one.heart.pings - before


def test_a_full_disk_in_quiet_hours_wakes_people_and_stops_the_heartbeat(tmp_path: Path) -> None:
    with disk(tmp_path, "tmpfs", 6) as place, service(tmp_path, place / "state") as one:
        one.start()
        one.frame(0)
        one.until(lambda: one.names() == ["0.jpg"])
        one.until(lambda: one.heart.pings >= 2)
        fill_up(place / "fill")
        for number in range(1, 60):
            one.frame(number)
        one.until(lambda: blind(one))
        time.sleep(3)  # a ping may have been under way
        one.pings()
        assert beats_in(one, 6) == 0, "silence says so too, while nothing is judged"
        assert one.pings() >= 3, "the program is well: a new start would mend nothing"
        # A new start finds the same, says it again, and forgets nothing.
        one.kill()
        told = len(one.phone.titles())
        one.start()
        one.until(lambda: len(one.phone.titles()) > told)
        assert one.phone.titles()[-1] == BLIND
        time.sleep(2)
        assert beats_in(one, 4) == 0
        one.pings()
        time.sleep(6)
        assert one.pings() >= 2
        (place / "fill").unlink()
        one.until(lambda: len(one.names()) == 60)
        one.until(lambda: one.phone.titles()[-1] == "config: The watch sees again")
        assert beats_in(one, 8) > 0
        assert one.end() == 0


def test_a_locked_journal_is_called_locked(tmp_path: Path) -> None:
    with service(tmp_path, tmp_path / "state") as one:
        one.start()
        one.frame(0)
        one.until(lambda: one.names() == ["0.jpg"])
        other = sqlite3.connect(one.state / "journal.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        one.frame(1)
        one.until(lambda: blind(one), 90)
        (said,) = [got.body for got in one.phone.got if got.title == BLIND]
        assert "locked" in said
        assert "full" not in said
        other.execute("ROLLBACK")
        other.close()
        one.until(lambda: one.names() == ["0.jpg", "1.jpg"])
        one.until(lambda: one.phone.titles()[-1] == "config: The watch sees again")
        assert one.end() == 0


def test_a_disk_that_may_only_be_read_any_more_is_told(tmp_path: Path) -> None:
    with disk(tmp_path, "ext4", 12) as place, service(tmp_path, place / "state") as one:
        one.start()
        one.frame(0)
        one.until(lambda: one.names() == ["0.jpg"])
        # As the kernel does by itself when a card begins to fail (EXT4_IOC_SHUTDOWN of linux/ext4.h).
        handle = os.open(place, os.O_RDONLY)
        fcntl.ioctl(handle, 0x8004587D, struct.pack("I", 2))
        os.close(handle)
        one.frame(1)
        one.until(lambda: blind(one))
        one.pings()
        time.sleep(5)
        assert one.pings() >= 2
        assert one.end() == 0, "its picture is still there"


@pytest.mark.parametrize("fresh", range(6))
def test_a_full_disk_of_small_blocks_ends_no_start(tmp_path: Path, fresh: int) -> None:
    chance = random.Random(fresh)
    with (
        disk(tmp_path, "ext4", 12) as place,
        service(tmp_path, place / "state", state={"ballast_mb": 0.5, "picture": "none"}) as one,
    ):
        one.start()
        for number in range(4):
            one.frame(number)
        one.until(lambda: len(one.names()) == 4)
        for start in range(2):
            fill_up(place / "fill")
            one.frame(10 + start)
            time.sleep(chance.random())
            one.kill()
            fill_up(place / "fill")
            one.start()
            one.until(lambda: one.pings() > 0)
            time.sleep(4)
            assert one.running, one.process
        (place / "fill").unlink()
        one.until(lambda: len(one.names()) == 6)
        assert one.end() == 0
        assert sorted(one.names()) == ["0.jpg", "1.jpg", "10.jpg", "11.jpg", "2.jpg", "3.jpg"]


def test_the_state_folder_is_removed_and_made_anew_with_all_that_is_known(tmp_path: Path) -> None:
    with service(tmp_path, tmp_path / "state") as one:
        one.start()
        for number in range(3):
            one.frame(number)
        one.until(lambda: len(one.names()) == 3)
        one.state.rename(tmp_path / "gone")
        shutil.rmtree(tmp_path / "gone")
        one.until(lambda: "config: The watch's state folder was removed" in one.phone.titles())
        one.until(lambda: sorted(one.names()) == ["0.jpg", "1.jpg", "2.jpg"])
        one.frame(3)
        one.until(lambda: one.names()[-1] == "3.jpg")
        assert one.end() == 0
        one.start()
        one.frame(4)
        one.until(lambda: one.names()[-1] == "4.jpg")
        assert len(one.names()) == 5, "and nothing is measured twice"
        (one.state / "journal.sqlite-wal").unlink()
        one.until((one.state / "journal.sqlite-wal").exists)
        one.frame(5)
        one.until(lambda: sorted(one.names()) == [f"{n}.jpg" for n in range(6)])
        assert one.end() == 0


def test_a_state_folder_that_cannot_be_made_anew_is_no_success(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with service(tmp_path, home / "state") as one:
        one.start()
        one.frame(0)
        one.until(lambda: one.names() == ["0.jpg"])
        home.rename(tmp_path / "gone")
        home.write_text("a file stands where the folder was", encoding="utf-8")
        one.until(lambda: blind(one))
        assert one.end() == 1


def journal_of_days(path: Path, events: int) -> None:
    """A journal of so many ticks, which without a snapshot are all gone through."""
    from datetime import UTC, datetime, timedelta  # noqa: PLC0415

    from sentinel.service.journal.codec import encode  # noqa: PLC0415

    path.parent.mkdir()
    begin = datetime.now(UTC) - timedelta(seconds=30 * events)
    with Journal.create(path, Origin.WATCH) as journal:
        rows = []
        for number in range(events):
            at = begin + timedelta(seconds=30 * number)
            rows.append(("tick", at.isoformat(), encode(Tick(time_utc=at))))
        journal._db.execute("BEGIN")
        journal._db.executemany("INSERT INTO event (kind, now_utc, body) VALUES (?, ?, ?)", rows)
        journal._db.execute("COMMIT")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_stop_while_days_are_gone_through_is_heard_and_costs_nothing(tmp_path: Path, number: int) -> None:
    state = tmp_path / "state"
    journal_of_days(state / "journal.sqlite", 300_000)
    with service(tmp_path, state) as one:
        left: list[int] = []
        for _ in range(3):
            one.start()
            one.until(lambda: one.log.read_text(encoding="utf-8").count("going through") > len(left))
            beats = one.heart.pings
            time.sleep(3)
            began_s = time.monotonic()
            assert one.end(number) == 0
            assert time.monotonic() - began_s < 5
            log = one.log.read_text(encoding="utf-8").splitlines()
            assert not any("watching" in line for line in log), "it has not come to the end of them"
            said = [line for line in log if "going thr" in line]
            left.append(int(said[-1].split("through ")[1].split(" ")[0]))
            assert one.heart.pings == beats, "while old times are gone through, nothing new is judged"
        assert left[0] > left[1] > left[2], "each goes on where the one before ended"


def zeros(path: Path, at: int, length: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(bytes(length))


def noise(path: Path, at: int, length: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(random.Random(at).randbytes(length))


def cut(path: Path, share: float) -> None:
    os.truncate(path, int(path.stat().st_size * share))


def spoil_pages(path: Path) -> None:
    for at in range(4096, path.stat().st_size, 8192):
        noise(path, at, 512)


Spoil = Callable[[Path], object]
MAIN: dict[str, Spoil] = {
    "emptied": lambda path: cut(path, 0),
    "cut-in-half": lambda path: cut(path, 0.5),
    "cut-by-a-bit": lambda path: os.truncate(path, path.stat().st_size - 1000),
    "header-of-zeros": lambda path: zeros(path, 0, 100),
    "header-of-noise": lambda path: noise(path, 0, 100),
    "first-page": lambda path: zeros(path, 0, 4096),
    "second-page": lambda path: noise(path, 4096, 4096),
    "every-other-page": spoil_pages,
    "all-zeros": lambda path: zeros(path, 0, path.stat().st_size),
    "another-file": lambda path: path.write_text("no journal at all", encoding="utf-8"),
    "removed": lambda path: path.unlink(),
}
LOG: dict[str, Spoil] = {
    "log-removed": lambda path: path.unlink(),
    "log-emptied": lambda path: cut(path, 0),
    "log-cut": lambda path: cut(path, 0.4),
    "log-of-noise": lambda path: noise(path, 0, path.stat().st_size // 2),
}


@pytest.mark.parametrize("how", [*MAIN, *LOG])
def test_no_damage_to_the_journal_loses_what_waits(tmp_path: Path, how: str) -> None:
    with service(tmp_path, tmp_path / "state") as one:
        one.phone.mode = "500"
        one.start()
        one.frame(0)
        one.until(lambda: one.names() == ["0.jpg"])
        # A glaring picture at night and day alike: the filter may be off.
        from tests.delivery.test_with_watch import glaring  # noqa: PLC0415

        for number in range(1, 4):
            (one.folder / f"{number}.jpg").write_bytes(glaring(one.start_utc))
            time.sleep(0.05)
        # A try counts when the line is taken up; what it says has come only when it is there.
        waiting = one.until(lambda: {got.title for got in one.phone.got})
        path = one.state / "journal.sqlite"
        one.kill() if how in LOG else one.end()
        before = one.phone.tries
        if how in LOG:
            LOG[how](path.with_name("journal.sqlite-wal"))
        else:
            MAIN[how](path)
        one.phone.mode = "fine"
        one.start()
        one.until(lambda: one.phone.tries > before)
        one.until(lambda: all(any(w in t for t in one.phone.titles()) for w in waiting))
        assert one.end() == 0
