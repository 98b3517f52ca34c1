"""A live folder hands on every finished file once, in order of exposure, and nothing else."""

import os
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from sentinel.chain.intake.decode import read_header
from sentinel.chain.intake.live import Finished, FolderLook, FolderState, LiveFolder
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.core.errors import FrameProblem
from tests.watch.files import fits, jpeg, png, put

PATTERNS = ("*.jpg", "*.tif", "*.png", "*.fits", "*.cr3")


class Folder:
    """A live folder with its own monotonic clock; a look every five seconds."""

    def __init__(self, path: Path, known: SeenFiles | None = None) -> None:
        self.path, self.now_s = path, 0.0
        self.known = known or SeenFiles()
        self.live = LiveFolder(path, PATTERNS, self.known, taken_s=self._taken_s)
        self.names: list[str] = []
        self.files: list[Finished] = []

    @staticmethod
    def _taken_s(path: Path, modified_s: float) -> float:
        try:
            taken = read_header(path).taken
        except FrameProblem:
            return modified_s
        return taken.timestamp() if taken else modified_s

    def look(self, *, closed: tuple[Path, ...] = (), after_s: float = 5.0) -> FolderLook:
        self.now_s += after_s
        for path in closed:
            self.live.closed(os.fspath(path))
        look = self.live.look(self.now_s)
        self.names += [file.frame for file in look.ready]
        self.files += look.ready
        return look

    def looks(self, count: int) -> list[str]:
        """Look so often; return what that brought."""
        before = len(self.names)
        for _ in range(count):
            self.look()
        return self.names[before:]


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    path = tmp_path / "in"
    path.mkdir()
    return Folder(path)


def test_a_whole_file_that_was_closed_is_ready_at_once(folder: Folder) -> None:
    path = put(folder.path / "a.jpg", jpeg(1))
    assert [f.frame for f in folder.look(closed=(path,), after_s=0.01).ready] == ["a.jpg"]
    assert folder.looks(20) == []


def test_without_an_event_it_must_stay_the_same_for_two_looks(folder: Folder) -> None:
    put(folder.path / "a.jpg", jpeg(1))
    assert folder.looks(1) == []
    assert folder.looks(1) == ["a.jpg"]


def test_looks_in_quick_succession_do_not_count_as_patience(folder: Folder) -> None:
    put(folder.path / "a.jpg", jpeg(1))
    for _ in range(10):
        assert not folder.look(after_s=0.1).ready
    assert folder.look(after_s=4.0).ready


def test_a_growing_file_is_not_ready_before_it_is_whole(folder: Folder) -> None:
    content, path = jpeg(1), folder.path / "a.jpg"
    for share in range(1, 25):
        path.write_bytes(content[: len(content) * share // 25])
        assert not folder.look(closed=(path,)).ready
    path.write_bytes(content)
    assert folder.look(closed=(path,)).ready


def test_a_file_that_never_becomes_whole_is_handed_on_after_the_patience(folder: Folder) -> None:
    put(folder.path / "a.jpg", jpeg(1)[:-2000])
    assert folder.looks(12) == []
    assert folder.looks(2) == ["a.jpg"]
    assert folder.looks(20) == []


def test_mended_later_it_is_handed_on_again(folder: Folder) -> None:
    put(folder.path / "a.jpg", jpeg(1)[:-2000])
    folder.looks(14)
    path = put(folder.path / "a.jpg", jpeg(1))
    assert folder.look(closed=(path,)).ready


def test_end_marks_may_be_padded_or_followed_by_the_makers_own(folder: Folder) -> None:
    put(folder.path / "padded.jpg", jpeg(1) + bytes(5000))
    put(folder.path / "followed.jpg", jpeg(2) + b"MAKER" * 100_000)
    assert folder.looks(2) == ["padded.jpg", "followed.jpg"]


def test_the_end_of_a_thumbnail_is_not_the_end_of_the_picture(folder: Folder) -> None:
    thumbnail = b"\xff\xe1" + (2 + 400).to_bytes(2, "big") + b"Exif\0\0" + b"x" * 392 + b"\xff\xd9"
    content = jpeg(1)
    put(folder.path / "a.jpg", content[:2] + thumbnail + content[2:-2])
    assert folder.looks(5) == []


@pytest.mark.parametrize("content", [b"", bytes(40_000)])
def test_an_empty_or_merely_reserved_file_is_waited_for(folder: Folder, content: bytes) -> None:
    path = put(folder.path / "a.jpg", content)
    assert not folder.look(closed=(path,)).ready
    path.write_bytes(jpeg(1))
    assert folder.look(closed=(path,)).ready


@pytest.mark.parametrize(("name", "content", "cut"), [("a.png", png(), 5), ("a.fits", fits(), 5000)])
def test_other_formats_end_too(folder: Folder, name: str, content: bytes, cut: int) -> None:
    path = put(folder.path / name, content[:-cut])
    assert not folder.look(closed=(path,)).ready
    path.write_bytes(content)
    assert folder.look(closed=(path,)).ready


def test_a_format_without_an_end_waits_for_two_looks_though_closed(folder: Folder) -> None:
    path = put(folder.path / "a.tif", b"II*\0" + bytes(range(256)) * 40)
    assert not folder.look(closed=(path,)).ready
    assert folder.looks(1) == ["a.tif"]


def test_many_files_come_in_order_of_exposure_in_portions(folder: Folder) -> None:
    # Numbers fall back from 9999 to 0001 in a new folder.
    for number in range(80):
        name = f"100ABCDE/IMG_{9960 + number}.jpg" if number < 40 else f"101ABCDE/IMG_{number - 39:04d}.jpg"
        put(folder.path / name, jpeg(number))
    folder.look()
    assert folder.look().more
    assert folder.look(after_s=0.0).more
    assert not folder.look(after_s=0.0).more
    expected = [f"100ABCDE/IMG_{9960 + n}.jpg" for n in range(40)]
    expected += [f"101ABCDE/IMG_{n:04d}.jpg" for n in range(1, 41)]
    assert folder.names == expected


def test_what_lay_there_long_before_is_ready_at_the_first_look(folder: Folder) -> None:
    path = put(folder.path / "a.jpg", jpeg(1), age_s=600)
    now_utc_s = path.stat().st_mtime + 600
    assert len(folder.live.look(0.0, now_utc_s).ready) == 1


def test_copies_links_and_moved_files_are_the_same_frame(folder: Folder) -> None:
    path = put(folder.path / "a.jpg", jpeg(1))
    folder.looks(2)
    os.link(path, folder.path / "linked.jpg")
    shutil.copy(path, folder.path / "copied.jpg")
    (folder.path / "sub").mkdir()
    path.rename(folder.path / "sub" / "moved.jpg")
    os.utime(folder.path / "sub" / "moved.jpg", (1, 1))
    assert folder.looks(5) == []


def test_the_same_name_with_another_picture_is_a_new_frame(folder: Folder) -> None:
    for number in range(3):
        path = put(folder.path / "IMG_0001.jpg", jpeg(number))
        assert folder.look(closed=(path,)).ready
    assert len({file.digest for file in folder.files}) == 3


def test_uploaded_under_another_name_and_renamed(folder: Folder) -> None:
    part = put(folder.path / "a.jpg.part", jpeg(1))
    hidden = put(folder.path / ".b.jpg", jpeg(2))
    assert folder.looks(3) == []
    part.rename(folder.path / "a.jpg")
    hidden.rename(folder.path / "b.jpg")
    moved = folder.path / "a.jpg", folder.path / "b.jpg"
    assert [f.frame for f in folder.look(closed=moved).ready] == ["a.jpg", "b.jpg"]


def test_a_folder_moved_in_is_found_by_looking(folder: Folder, tmp_path: Path) -> None:
    for number in range(3):
        put(tmp_path / "elsewhere" / f"{number}.jpg", jpeg(number))
    (tmp_path / "elsewhere").rename(folder.path / "moved")
    assert folder.looks(2) == ["moved/0.jpg", "moved/1.jpg", "moved/2.jpg"]


@pytest.mark.parametrize("first", ["cr3", "jpg"])
def test_a_raw_file_and_its_jpeg_are_one_frame(folder: Folder, first: str) -> None:
    contents = {"cr3": b"\0\0\0\x18ftypcrx " + bytes(range(200)) * 99, "jpg": jpeg(1)}
    for suffix in [first, *(contents.keys() - {first})]:
        path = put(folder.path / f"IMG_1.{suffix}", contents[suffix])
        folder.look(closed=(path,), after_s=1.0)
    folder.looks(20)
    assert folder.names == ["IMG_1.jpg"]


def test_a_raw_file_without_a_jpeg_is_a_frame(folder: Folder) -> None:
    put(folder.path / "IMG_1.cr3", b"\0\0\0\x18ftypcrx " + bytes(range(200)) * 99)
    assert folder.looks(4) == ["IMG_1.cr3"]


def test_things_that_are_no_files_are_handed_on_once_and_never_opened(folder: Folder) -> None:
    os.mkfifo(folder.path / "pipe.jpg")
    (folder.path / "dangling.jpg").symlink_to("/nowhere/at/all.jpg")
    (folder.path / "folder.jpg").mkdir()
    put(folder.path / "folder.jpg" / "inside.txt", b"x")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fspath(folder.path / "socket.jpg"))
        assert sorted(folder.looks(3)) == ["dangling.jpg", "folder.jpg", "pipe.jpg", "socket.jpg"]
    put(folder.path / "folder.jpg" / "more.txt", b"x")
    assert folder.looks(20) == []


def test_names_are_one_line_of_valid_text(folder: Folder) -> None:
    names = [b"new\nline.jpg", b"quote\"'<b>.jpg", b"byte\xff.jpg", "Ü.jpg".encode()]
    for number, name in enumerate(names):
        put(folder.path / os.fsdecode(name), jpeg(number))
    assert folder.looks(2) == ["new\\nline.jpg", "quote\"'<b>.jpg", "byte\\xff.jpg", "Ü.jpg"]
    assert all(file.path.is_file() for file in folder.files)
    assert folder.looks(5) == []


def test_missing_unreadable_empty_and_present_are_different(tmp_path: Path) -> None:
    folder = Folder(tmp_path / "in")
    assert folder.look().state is FolderState.MISSING
    (tmp_path / "in").write_text("a file, not a folder")
    assert folder.look().state is FolderState.MISSING
    (tmp_path / "in").unlink()
    (tmp_path / "in").mkdir()
    assert folder.look().state is FolderState.EMPTY
    put(tmp_path / "in" / "notes.txt", b"no frame")
    assert folder.look().state is FolderState.EMPTY
    put(tmp_path / "in" / "a.jpg", jpeg(1))
    look = folder.look()
    assert look.state is FolderState.PRESENT
    assert (look.files, look.waiting) == (1, 1)
    shutil.rmtree(tmp_path / "in")
    assert folder.look().state is FolderState.MISSING


@pytest.fixture
def locked(folder: Folder) -> Iterator[Path]:
    if os.geteuid() == 0:
        pytest.skip("root may read everything: run as another user")
    path = folder.path / "locked"
    path.mkdir()
    path.chmod(0)
    yield path
    path.chmod(0o700)


def test_a_locked_subfolder_is_counted(folder: Folder, locked: Path) -> None:
    assert locked.exists()
    assert folder.look().locked_folders == 1


def test_what_is_known_stays_known_in_another_run(folder: Folder) -> None:
    put(folder.path / "a.jpg", jpeg(1))
    folder.looks(2)
    known = SeenFiles()
    for file in folder.files:
        known.add(file.frame, file.size_bytes, file.modified_ns, file.digest)
    assert Folder(folder.path, known).looks(5) == []


def test_a_forgotten_file_is_taken_anew(folder: Folder) -> None:
    put(folder.path / "a.jpg", jpeg(1))
    folder.looks(2)
    folder.live.forget(folder.files[0])
    assert folder.looks(2) == ["a.jpg"]


def test_nothing_is_written_to_the_folder(folder: Folder) -> None:
    for number in range(5):
        put(folder.path / f"sub/{number}.jpg", jpeg(number))
    before = {p: p.stat() for p in sorted(folder.path.rglob("*"))}
    folder.looks(4)
    after = {p: p.stat() for p in sorted(folder.path.rglob("*"))}
    same = [(s.st_ino, s.st_size, s.st_mtime_ns, s.st_ctime_ns, s.st_mode) for s in before.values()]
    assert same == [(s.st_ino, s.st_size, s.st_mtime_ns, s.st_ctime_ns, s.st_mode) for s in after.values()]
