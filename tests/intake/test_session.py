"""What a session is made of, and which files in it are frames."""

import os
from pathlib import Path

import pytest

from sentinel.chain.intake.session import Session, find_frames, open_session
from sentinel.core.errors import RequestProblem

PATTERNS = ("*.jpg", "*.tif", "*.cr3")


def touch(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def test_frames_are_found_in_subfolders_by_name_whatever_the_case(tmp_path: Path) -> None:
    touch(tmp_path, "101B/b0001.JPG", "100A/a9999.jpg", "100A/notes.txt", "top.jpg")
    touch(tmp_path, ".hidden.jpg", ".trash/x.jpg", "100A/a1.jpg.part")
    assert [f.frame for f in find_frames(tmp_path, PATTERNS)] == [
        "100A/a9999.jpg",
        "101B/b0001.JPG",
        "top.jpg",
    ]


def test_a_raw_file_and_its_jpeg_are_one_frame(tmp_path: Path) -> None:
    touch(tmp_path, "a/1.cr3", "a/1.JPG", "a/2.cr3", "b/1.cr3", "b/1.tif")
    assert [f.frame for f in find_frames(tmp_path, PATTERNS)] == ["a/1.JPG", "a/2.cr3", "b/1.tif"]


def test_odd_things_named_like_frames_are_listed_and_shown_safely(tmp_path: Path) -> None:
    touch(tmp_path, "folder.jpg/inside.jpg", 'quo"te.jpg', "new\nline.jpg")
    (tmp_path / os.fsdecode(b"byte\xff.jpg")).touch()
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "nowhere.jpg").symlink_to(tmp_path / "gone")
    assert sorted(f.frame for f in find_frames(tmp_path, PATTERNS)) == [
        "byte\\xff.jpg", "folder.jpg", "new\\nline.jpg", "nowhere.jpg", "pipe.jpg", 'quo"te.jpg',
    ]  # fmt: skip


def test_a_session_is_told_by_what_lies_there(tmp_path: Path) -> None:
    touch(
        tmp_path, "frames/a.jpg", "frames/measurements.ecsv", "table/measurements.ecsv", "table/config.yaml"
    )
    touch(tmp_path, "state/journal.sqlite", "state/measurements.ecsv")
    assert open_session(tmp_path / "frames") == Session(folder=tmp_path / "frames")
    assert open_session(tmp_path / "table") == Session(table=tmp_path / "table/measurements.ecsv")
    assert open_session(tmp_path / "table/measurements.ecsv").home == tmp_path / "table"
    assert open_session(tmp_path / "state") == Session(journal=tmp_path / "state/journal.sqlite")
    with pytest.raises(RequestProblem, match="no such session"):
        open_session(tmp_path / "absent")
