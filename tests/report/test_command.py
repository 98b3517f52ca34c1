"""`sentinel report` as a script meets it."""

from pathlib import Path

import pytest

from tests.command import runner
from tests.report.sessions import frame, journal_of


def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *args: object
) -> tuple[int, str, str]:
    return runner(capsys, monkeypatch)("report", *args)


def test_the_page_appears_in_the_folder_or_where_it_is_wanted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(5)])
    status, out, err = run(capsys, monkeypatch, folder)
    assert (status, out, err) == (0, f"Report    {folder / 'report.html'}\n", "")
    wanted = tmp_path / "elsewhere.html"
    assert run(capsys, monkeypatch, folder, "--out", wanted)[0] == 0
    assert wanted.read_bytes() == (folder / "report.html").read_bytes()


@pytest.mark.parametrize("what", ["no folder", "no journal", "no frames", "not a journal"])
def test_a_wrong_request_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, what: str
) -> None:
    folder = tmp_path / "s"
    if what != "no folder":
        folder.mkdir()
    if what == "no frames":
        journal_of(folder, [])
    if what == "not a journal":
        (folder / "journal.sqlite").write_text("no")
    status, out, err = run(capsys, monkeypatch, folder)
    assert (status, out) == (2, "")
    assert err.startswith("sentinel: ")
    assert err.count("\n") == 1
    assert not (folder / "report.html").exists()


def test_a_place_that_is_none_is_told_before_any_work(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    folder = journal_of(tmp_path / "s", [frame(0)])
    status, out, err = run(capsys, monkeypatch, folder, "--out", tmp_path / "none" / "page.html")
    assert (status, out) == (2, "")
    assert "cannot be written there" in err
