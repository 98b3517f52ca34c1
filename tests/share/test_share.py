"""A shared folder: whole, untouched, resumable, checked by standard tools. Invented, all of it."""

import hashlib
import os
import re
import shutil
import subprocess
from collections import namedtuple
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from sentinel.chain.intake.examine import MeasureJob, examine
from sentinel.core.errors import RequestProblem
from sentinel.core.files import file_hash
from sentinel.jobs.report.frame_list import LIST_NAME
from sentinel.jobs.share import making
from sentinel.jobs.share.making import Shared, ignores_case, plan_share, share
from sentinel.jobs.share.plan import NOTE_NAME, ShareRequest
from tests.command import runner
from tests.intake.test_decode import raw_file
from tests.measure.scenes import Scene, render_linear
from tests.report.sessions import frame, journal_of

NAMES = ("100VIEWS/A 1.JPG", "100VIEWS/A2.JPG", "101VIEWS/A3.TIF", "101VIEWS/A4.JPG")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A session whose pictures lie elsewhere, in a folder that its journal names."""
    frames, pictures = [], tmp_path / "card"
    for number, name in enumerate(NAMES):
        path = pictures / name
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.new("L", (60, 40), 30 * number).save(path, "TIFF" if name.endswith("TIF") else "JPEG")
        frames.append(replace(frame(number), frame=name, sha256=file_hash(path), width_px=60, height_px=40))
    return journal_of(tmp_path / "session", frames, pictures=pictures)


def shared(session: Path, out: Path, **how: object) -> Shared:
    return share(plan_share(ShareRequest(folder=session, out=out, **how)))  # type: ignore[arg-type]


def hashes(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): file_hash(p) for p in folder.rglob("*") if p.is_file()}


def test_the_originals_are_untouched_and_everything_is_there(session: Path, tmp_path: Path) -> None:
    card = tmp_path / "card"
    before = hashes(card)
    done = shared(session, tmp_path / "out")
    assert hashes(card) == before
    assert (done.pictures, done.kept, done.unusable) == (4, 0, ())
    out = hashes(tmp_path / "out")
    assert {name: out[f"pictures/{name}"] for name in NAMES} == before
    assert {"index.html", "report.html", "measurements.ecsv", f"pictures/{LIST_NAME}"} <= set(out)
    index = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    for name in re.findall(r'href="([^"]+)"', index):
        assert (tmp_path / "out" / name).exists(), name
    check = subprocess.run(
        ["sha256sum", "-c", LIST_NAME], cwd=tmp_path / "out" / "pictures", capture_output=True, check=False
    )
    assert check.returncode == 0


def test_it_goes_on_where_it_was_stopped(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shared(session, out)
    whole = hashes(out)
    (out / "pictures" / NAMES[0]).unlink()
    (out / "pictures" / NAMES[1]).write_bytes(b"half of it")
    (out / "index.html").unlink()
    done = shared(session, out)
    assert (done.pictures, done.kept) == (4, 2)
    assert hashes(out) == whole


def test_another_s_folder_is_left_alone(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "diary.txt").write_text("mine")
    with pytest.raises(RequestProblem, match="holds something already"):
        shared(session, out)
    shared(session, tmp_path / "mine")
    with pytest.raises(RequestProblem, match="holds something already"):
        shared(session, tmp_path / "mine", public=True)
    with pytest.raises(RequestProblem, match="within the session"):
        shared(session, tmp_path / "card" / "out")
    with pytest.raises(RequestProblem, match="is a file"):
        shared(session, out / "diary.txt")


def test_what_is_not_the_picture_that_was_measured_is_left_out(session: Path, tmp_path: Path) -> None:
    (tmp_path / "card" / NAMES[0]).write_bytes(b"another picture")
    (tmp_path / "card" / NAMES[3]).unlink()
    plan = plan_share(ShareRequest(folder=session, out=tmp_path / "out"))
    assert plan.missing == 1
    done = share(plan)
    assert done.unusable == (NAMES[0],)
    assert not (tmp_path / "out" / "pictures" / NAMES[0]).exists()


def test_a_disk_without_room_is_refused_before_anything_is_written(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**9, 10**9 - 1000, 1000))
    with pytest.raises(RequestProblem, match=r"needs .* MB and has 0 MB free"):
        plan_share(ShareRequest(folder=session, out=tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_links_take_no_room(session: Path, tmp_path: Path) -> None:
    copied = plan_share(ShareRequest(folder=session, out=tmp_path / "a"))
    linked = plan_share(ShareRequest(folder=session, out=tmp_path / "b", link=True))
    sizes = sum((tmp_path / "card" / name).stat().st_size for name in NAMES)
    assert copied.bytes_needed - linked.bytes_needed == sizes
    share(linked)
    assert (tmp_path / "b" / "pictures" / NAMES[0]).stat().st_nlink == 2


@pytest.mark.usefixtures("session")
def test_a_name_in_the_journal_does_not_lead_out(tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    evil = [
        replace(frame(9), frame="../secret.jpg", sha256=hashlib.sha256(b"secret").hexdigest()),
        replace(frame(8), frame=str(tmp_path / "secret.jpg"), sha256=""),
    ]
    frames = [replace(frame(0), frame=NAMES[0]), *evil]
    folder = journal_of(tmp_path / "evil", frames, pictures=tmp_path / "card")
    shared(folder, tmp_path / "evil-out")
    assert not any(
        path.read_bytes() == b"secret" for path in (tmp_path / "evil-out").rglob("*") if path.is_file()
    )
    assert not (tmp_path / "evil-out" / "secret.jpg").exists()


def test_as_people_do_it(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = runner(capsys, monkeypatch)
    status, out, _ = run("share", session, tmp_path / "out")
    assert status == 0
    assert out.index("MB to be written") < out.index("Ready     4 pictures")
    status, _, error = run("share", session, tmp_path / "out2", "--with-pictures")
    assert status == 2
    assert error.count("\n") == 1


@pytest.mark.parametrize("public", [False, True])
def test_raw_pictures_go_in_with_a_jpeg_that_shows_the_same(tmp_path: Path, public: bool) -> None:
    """The original untouched, beside it the sun where the raw has it; a broken one is left out and named."""
    pytest.importorskip("rawpy")
    card, frames = tmp_path / "card", []
    card.mkdir()
    for number in range(2):
        scene = Scene(width=300, height=200, x=130.0 + 30 * number, y=90.0, radius=60.0)
        path = raw_file(card / f"R{number}.DNG", render_linear(scene), (0.9, 0.6, 0.3))
        frames.append(replace(examine(MeasureJob(path, path.name)), sha256=file_hash(path)))
    (card / "R2.DNG").write_bytes((card / "R1.DNG").read_bytes()[:4000])
    frames.append(replace(frame(2), frame="R2.DNG", sha256=file_hash(card / "R2.DNG")))
    assert all(one.disc.found for one in frames[:2])
    session = journal_of(tmp_path / "session", frames, pictures=card)
    done = shared(session, tmp_path / "out", public=public, with_pictures=public)
    assert len(done.unusable) == 1
    folder = tmp_path / "out" / "pictures"
    jpegs = ["000001.jpg", "000002.jpg"] if public else ["R0.jpg", "R1.jpg"]
    assert sorted(path.name for path in folder.glob("*.jpg")) == jpegs
    assert [path.name for path in sorted(folder.glob("*.DNG"))] == (
        [] if public else ["R0.DNG", "R1.DNG", "R2.DNG"]
    )
    for one, name in zip(frames, jpegs, strict=False):
        again = examine(MeasureJob(folder / name, name))
        assert again.disc.found
        # Demosaicing and a camera's margin move it by less than a pixel.
        assert abs(again.disc.x_px - one.disc.x_px) < 0.6
        assert abs(again.disc.y_px - one.disc.y_px) < 0.6
        with Image.open(folder / name) as image:
            assert not image.getexif()


def with_pictures(tmp_path: Path, names: tuple[str, ...]) -> Path:
    """A session of pictures that bear these names, each another grey."""
    frames = []
    for number, name in enumerate(names):
        path = tmp_path / "card" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.new("L", (60, 40), 30 * number).save(path, "JPEG")
        frames.append(replace(frame(number), frame=name, sha256=file_hash(path), width_px=60, height_px=40))
    return journal_of(tmp_path / "session", frames, pictures=tmp_path / "card")


def test_each_raw_picture_s_jpeg_has_a_name_of_its_own(tmp_path: Path) -> None:
    """Of A.DNG and A.NEF, and beside a B.JPG, whether or not the disk tells cases apart."""
    folder = with_pictures(tmp_path, ("A.DNG", "A.NEF", "B.JPG", "B.DNG"))
    plan = plan_share(ShareRequest(folder=folder, out=tmp_path / "out"))
    assert [(item.name, item.jpeg) for item in plan.items] == [
        ("A.DNG", "A.jpg"),
        ("A.NEF", "A.NEF.jpg"),
        ("B.JPG", ""),
        ("B.DNG", "B.DNG.jpg"),
    ]


def test_names_that_a_disk_takes_for_one_are_refused_before_any_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = with_pictures(tmp_path, ("100VIEWS/P1.JPG", "100views/p1.jpg", "100VIEWS/P2.JPG"))
    assert shared(folder, tmp_path / "out").pictures == 3, "this disk tells them apart"
    monkeypatch.setattr(making, "ignores_case", lambda _: True)
    with pytest.raises(RequestProblem, match=r"100VIEWS/P1\.JPG and 100views/p1\.jpg") as refusal:
        shared(folder, tmp_path / "stick")
    assert not (tmp_path / "stick" / "pictures").exists()
    assert "\n" not in str(refusal.value)


def test_a_disk_that_ignores_case_is_known_by_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / NOTE_NAME).write_text("{}")
    assert not ignores_case(tmp_path)
    (tmp_path / NOTE_NAME.upper()).symlink_to(NOTE_NAME)  # as such a disk would answer
    assert ignores_case(tmp_path)


def test_where_links_are_refused_files_are_copied(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT and some network drives know no hard links, though both folders lie on one of them."""

    def refuses(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuses)
    done = shared(session, tmp_path / "out", link=True)
    assert (done.pictures, done.unusable) == (4, ())
    assert file_hash(tmp_path / "out" / "pictures" / NAMES[0]) == file_hash(tmp_path / "card" / NAMES[0])
