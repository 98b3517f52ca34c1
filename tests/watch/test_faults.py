"""Faults that are really made: killed, disk full, unmounted, swamped. The long ones are slow tests."""

import contextlib
import os
import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.pool import UNMEASURED, MeasuringPool, measure_job, measuring_failed
from sentinel.chain.pipeline import Pipeline
from sentinel.core.clock import SystemClock
from sentinel.core.records import MeasuredFrame
from sentinel.service.journal.codec import encode
from sentinel.service.journal.journal import Journal
from tests.watch import killing
from tests.watch.files import jpeg, put
from tests.watch.running import Running, frames_in, readings_in, settings_for

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_killed_a_hundred_times_while_frames_arrive(tmp_path: Path) -> None:
    folder, state, sent = tmp_path / "in", tmp_path / "state", tmp_path / "sent"
    folder.mkdir()
    arguments = [str(folder), str(state), str(sent), "100", "7"]
    done = subprocess.run(
        [sys.executable, "-m", "tests.watch.killing", *arguments],
        cwd=ROOT, capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    start, count = done.stdout.split()
    settings = killing.made_settings(folder, sent, datetime.fromisoformat(start))
    with Journal.read(state / "journal.sqlite") as journal:
        events = list(journal.events())
        frames = Counter(event.frame for event, _ in events if isinstance(event, MeasuredFrame))
        said = [encode(incident) for incident in journal.incidents()]
        alerts = list(journal.alerts())
    assert len(frames) == int(count) > 100, "no frame is lost"
    assert set(frames.values()) == {1}, "none is measured twice"
    # What was said is what one watch that never ended would have said of the same events.
    pipeline = Pipeline(settings, start_utc=events[0][1])
    outcomes = [pipeline.step(event, now_utc) for event, now_utc in events]
    assert said == [encode(incident) for outcome in outcomes for incident in outcome.incidents]
    judged = [encode(alert) for alert in alerts if alert.condition != "watch"]
    assert judged == [encode(alert) for outcome in outcomes for alert in outcome.alerts]
    # Of itself it says what comes of no event: that it is started again and again. Where a kill came before
    # that was sent, the next start has put it back among the messages.
    assert {alert.which for alert in alerts if alert.condition == "watch"} <= {"restarts"}
    assert any("over-bright" in one for one in said)
    delivered = sent.read_text(encoding="utf-8")
    for alert in alerts:
        if alert.kind == "first":
            assert alert.title in delivered, "no alert is lost"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of four megabytes, mounted for the test."""
    yield from mounted(tmp_path / "small", "4m")


def mounted(path: Path, size: str) -> Iterator[Path]:
    path.mkdir(exist_ok=True)
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "test", path], check=False).returncode:
        pytest.skip("mounting is not allowed here")
    yield path
    subprocess.run(["umount", "-l", path], check=False)


def fill_up(path: Path, piece: int) -> None:
    """Write to a file until its disk is full."""
    with path.open("ab", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(piece))


def just_now() -> datetime:
    """Return a camera's clock as it is now."""
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)


@pytest.mark.slow
def test_the_disk_of_the_state_is_full_and_has_room_again(tmp_path: Path, small_disk: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    start = just_now()
    settings = settings_for(folder, state={"ballast_mb": 0.5, "picture": "none"})
    with Running(settings, small_disk / "state") as watch:
        put(folder / "0.jpg", jpeg(0, start=start))
        watch.wait(lambda: len(watch.names()) == 1)
        assert watch.home.ballast.exists()
        fill = small_disk / "fill"
        fill_up(fill, 4096)
        put(folder / "1.jpg", jpeg(1, start=start))
        watch.wait(lambda: len(watch.names()) == 2)
        assert not watch.home.ballast.exists(), "the space held back lets the journal go on"
        fill_up(fill, 512)
        for number in range(2, 40):
            put(folder / f"{number}.jpg", jpeg(number, start=start))
        time.sleep(8)
        assert len(watch.names()) < 40, "with no room at all it waits"
        fill.unlink()
        watch.wait(lambda: len(watch.names()) == 40)
        watch.wait(lambda: watch.status()["frames"] == 40)
    assert sorted(watch.names(), key=lambda name: int(name[:-4])) == [f"{n}.jpg" for n in range(40)]


@pytest.mark.slow
def test_the_folders_disk_is_unmounted_and_mounted_again(tmp_path: Path) -> None:
    folder, card = tmp_path / "in", tmp_path / "card"
    start = just_now()
    folder.mkdir()
    disk = mounted(card, "8m")
    next(disk)

    def mount() -> None:
        subprocess.run(["mount", "--bind", card, folder], check=True)

    mount()
    try:
        with Running(settings_for(folder), tmp_path / "state") as watch:
            put(folder / "0.jpg", jpeg(0, start=start))
            watch.wait(lambda: watch.names() == ["0.jpg"])
            subprocess.run(["umount", "-l", folder], check=True)
            watch.wait(lambda: readings_in(watch.home.journal)[-1].folder == "empty")
            put(card / "1.jpg", jpeg(1, start=start))
            mount()
            watch.wait(lambda: watch.names()[1:] == ["1.jpg"])
            # Events work again too: no wait for the next look.
            put(folder / "2.jpg", jpeg(2, start=start))
            watch.wait(lambda: watch.names()[2:] == ["2.jpg"])
            assert readings_in(watch.home.journal)[-1].folder == "present"
    finally:
        subprocess.run(["umount", "-l", folder], check=False)
        next(disk, None)


@pytest.mark.slow
def test_a_folder_that_may_not_be_read(tmp_path: Path) -> None:
    folder, state = tmp_path / "in", tmp_path / "state"
    folder.mkdir()
    config = tmp_path / "config.yaml"
    config.write_text(yaml.safe_dump(settings_for(folder).model_dump(mode="json")), encoding="utf-8")
    put(folder / "0.jpg", jpeg(0, start=just_now()))
    command = [sys.executable, "-m", "sentinel", "watch", "--config", str(config), "--state", str(state)]
    if os.geteuid() == 0:
        # Root may read everything, unless it gives that up.
        setpriv = shutil.which("setpriv")
        if setpriv is None:
            pytest.skip("setpriv is not installed (Debian package util-linux)")
        lost = "-dac_override,-dac_read_search"
        command = [setpriv, "--inh-caps", lost, "--bounding-set", lost, *command]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        wait(lambda: len(frames_in(state / "journal.sqlite")) == 1)
        folder.chmod(0)
        wait(lambda: [r.folder for r in readings_in(state / "journal.sqlite")][-1:] == ["unreadable"])
        folder.chmod(0o755)
        put(folder / "1.jpg", jpeg(1, start=just_now()))
        wait(lambda: len(frames_in(state / "journal.sqlite")) == 2)
    finally:
        folder.chmod(0o755)
        process.terminate()
        assert process.wait(60) == 0


@pytest.mark.slow
def test_three_thousand_files_at_once(tmp_path: Path) -> None:
    folder, made = tmp_path / "in", tmp_path / "made"
    folder.mkdir()
    start = just_now()
    names = []
    for number in range(3000):
        name = f"{100 + number // 1000}ABCDE/IMG_{(9500 + number) % 10_000:04d}.jpg"
        names.append(name)
        put(made / name, jpeg(number, start=start, interval_s=1.0, size=(60, 40)))
    with Running(settings_for(folder, camera={"interval_s": 1.0}), tmp_path / "state") as watch:
        watch.wait(lambda: readings_in(watch.home.journal))
        for path in made.iterdir():
            path.rename(folder / path.name)
        watch.wait(lambda: watch.status()["frames"] == 3000, timeout_s=240)
        assert watch.names() == names, "each once, in order of exposure"


@pytest.mark.slow
def test_a_frame_growing_for_two_minutes(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    start = just_now()
    content = jpeg(0, start=start, size=(600, 400))
    with Running(settings_for(folder, intake={"patience_s": 60.0}), tmp_path / "state") as watch:
        watch.wait(lambda: readings_in(watch.home.journal))
        for step in range(40):
            # Opened and closed again and again, as a slow upload that resumes does.
            with (folder / "slow.jpg").open("ab") as file:
                file.write(content[step * len(content) // 40 : (step + 1) * len(content) // 40])
            assert watch.names() == []
            time.sleep(3)
        watch.wait(lambda: watch.names() == ["slow.jpg"])
        assert watch.frames()[0].error is None


def damaged(content: bytes, chance: random.Random) -> bytes:
    """Return a file after a few random accidents."""
    broken = bytearray(content)
    for _ in range(chance.randint(1, 6)):
        at, length = chance.randrange(len(broken)), chance.randint(1, 200)
        match chance.randrange(6):
            case 0:
                broken[at : at + length] = bytes(length)
            case 1:
                broken[at : at + length] = chance.randbytes(length)
            case 2:
                del broken[at : at + length]
            case 3:
                broken[at:at] = chance.randbytes(length)
            case 4:
                broken[at] ^= 1 << chance.randrange(8)
            case _:
                broken[at : at + 2] = chance.choice(
                    (b"\xff\xd9", b"\xff\xc0", b"\xff\xda", b"\xff\xc4", b"\xff\xff")
                )
        if not broken:
            break
    return bytes(broken) or b"\xff"


@pytest.mark.slow
def test_five_thousand_damaged_files(tmp_path: Path) -> None:
    whole = [jpeg(number, size=(150, 100)) for number in range(5)]
    chance = random.Random(20_270_621)
    grown: list[int] = []
    with MeasuringPool(SystemClock(), measure_job, measuring_failed, count=1, patience_s=5.0) as pool:
        for batch in range(50):
            jobs = [
                MeasureJob(
                    put(tmp_path / f"{batch}-{n}.jpg", damaged(chance.choice(whole), chance)),
                    f"{batch}-{n}.jpg",
                )
                for n in range(100)
            ]
            frames = list(pool.results(jobs))
            assert [frame.frame for frame in frames] == [job.frame for job in jobs]
            lost = [frame for frame in frames if UNMEASURED in frame.flags]
            assert lost == [], "no file hangs its process, or ends it"
            (pid,) = pool.process_ids
            grown.append(resident_bytes(pid))
            for job in jobs:
                job.path.unlink()
    assert max(grown[25:]) < 1.1 * max(grown[5:25]), "nothing grows"


def resident_bytes(pid: int) -> int:
    """Return the memory a process holds."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def wait(what: Callable[[], Any], timeout_s: float = 60.0) -> None:
    """Wait until something is so."""
    until = time.monotonic() + timeout_s
    while time.monotonic() < until:
        if what():
            return
        time.sleep(0.2)
    raise AssertionError("it never came to that")
