"""Where a session's pictures are looked for."""

from dataclasses import replace
from pathlib import Path

import pytest

from sentinel.core.errors import RequestProblem
from sentinel.core.files import file_hash
from sentinel.jobs.originals import original_of, originals_folder
from tests.report.sessions import frame, settings


def with_pictures(folder: Path) -> Path:
    for number in (0, 1):
        path = folder / frame(number).frame
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"picture")
    return folder


def test_what_is_given_then_what_was_noted_then_what_is_set_then_beside(tmp_path: Path) -> None:
    frames = [frame(n) for n in range(200)]
    given, noted, told, home = (with_pictures(tmp_path / name) for name in ("a", "b", "c", "d"))
    set_so = settings(frames={"folder": str(told)})
    assert originals_folder(frames, home, noted, set_so, given) == given
    assert originals_folder(frames, home, noted, set_so) == noted
    assert originals_folder(frames, home, tmp_path / "gone", set_so) == told
    assert originals_folder(frames, home, None, settings()) == home
    assert originals_folder(frames, tmp_path, None, settings()) is None
    with pytest.raises(RequestProblem, match="holds none of the session's pictures"):
        originals_folder(frames, home, noted, set_so, tmp_path)


def test_another_file_under_the_name_is_not_the_original(tmp_path: Path) -> None:
    path = with_pictures(tmp_path) / frame(0).frame
    assert original_of(tmp_path, frame(0)) is None
    assert original_of(tmp_path, replace(frame(0), sha256=file_hash(path))) == path
    assert original_of(tmp_path, replace(frame(0), sha256="")) == path
    assert original_of(tmp_path, frame(7)) is None
    assert original_of(None, frame(0)) is None
