"""Marks that root leaves for a watch of another user: it can read and remove them, whatever the mask."""

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from sentinel.core.records import Mark
from sentinel.service.journal.journal import Journal
from sentinel.service.watch.marks import find_marks
from tests.watch.files import jpeg, put
from tests.watch.running import Running, settings_for

NOBODY = 65534

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root leaves marks for others")


def mark(state: Path, *words: str, mask: int = 0o077) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sentinel", "mark", *words, "--state", str(state)],
        capture_output=True, text=True, check=False, umask=mask,
    )  # fmt: skip


def as_nobody(state: Path) -> tuple[str, bool]:
    """Return what a watch of another user would read there, and whether it can take the marks away."""
    program = (
        "import os, sys; from pathlib import Path; os.setgid(65534); os.setuid(65534)\n"
        "folder = Path(sys.argv[1]) / 'marks'; said = []\n"
        "for path in sorted(folder.glob('*.json')): said.append(path.read_text()); path.unlink()\n"
        "print(''.join(said))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(state)], capture_output=True, text=True, check=False
    )
    return done.stdout, done.returncode == 0


@pytest.fixture
def state() -> Iterator[Path]:
    """The state folder of a watch of nobody's, as it is made at installation.

    Not below pytest's own folder, which every other run closes to others again.
    """
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        made = Path(folder) / "state"
        made.mkdir(mode=0o750)
        os.chown(made, NOBODY, NOBODY)
        yield made


@pytest.mark.parametrize("mask", [0o022, 0o077, 0o777])
def test_a_mark_of_root_before_the_first_start_and_after_is_the_watchs_own(state: Path, mask: int) -> None:
    for _ in range(2):
        assert mark(state, "recentred", "by root", mask=mask).returncode == 0
        said, taken = as_nobody(state)
        assert taken
        assert "by root" in said


def test_a_mark_of_root_for_no_watch_is_refused_and_makes_nothing(state: Path) -> None:
    done = mark(state / "east", "refocused")
    assert done.returncode == 2
    assert "no such state folder" in done.stderr
    assert not (state / "east").exists()


def marked(watch: Running) -> list[str]:
    with Journal.read(watch.home.journal) as journal:
        return [one.text for one in journal.marks()]


def test_a_folder_of_marks_that_nothing_can_be_removed_from_does_not_end_the_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, state = tmp_path / "in", tmp_path / "state"
    folder.mkdir()
    state.mkdir()
    assert mark(state, "recentred", "once").returncode == 0

    def refused(self: Path, *, missing_ok: bool = False) -> None:
        del missing_ok
        raise PermissionError(1, "not permitted", str(self))

    put(folder / "0.jpg", jpeg(0))
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: watch.names() == ["0.jpg"])
        monkeypatch.setattr(Path, "unlink", refused)
        assert mark(state, "refocused", "again").returncode == 0
        put(folder / "1.jpg", jpeg(1))
        watch.wait(lambda: len(watch.names()) == 2 and len(marked(watch)) == 2)
        monkeypatch.undo()
    assert marked(watch) == ["once", "again"]


def test_a_mark_that_cannot_be_read_is_told_of_and_kept(tmp_path: Path) -> None:
    (tmp_path / "1-remark.json").write_text("no mark", encoding="utf-8")
    told: list[str] = []
    found: list[tuple[Path, Mark]] = find_marks(tmp_path, told.append)
    assert found == []
    (said,) = told
    assert "is not a mark" in said
    assert (tmp_path / "1-remark.unreadable").read_text(encoding="utf-8") == "no mark"
