"""Every command's screens at 80 columns, held still; `tests/screens.py` makes them anew."""

import re
from pathlib import Path

import pytest

from tests.screens import everything, of_jobs

GOLDEN = Path(__file__).parent / "screens.txt"


@pytest.fixture(scope="module")
def text(tmp_path_factory: pytest.TempPathFactory) -> str:
    return everything(tmp_path_factory.mktemp("me"))


def test_they_read_as_they_were_read(text: str) -> None:
    assert text == GOLDEN.read_text(encoding="utf-8")


@pytest.mark.slow
def test_what_a_session_comes_to_reads_as_it_was_read(tmp_path: Path) -> None:
    assert everything(tmp_path, of_jobs) == GOLDEN.with_name("screens_of_jobs.txt").read_text(
        encoding="utf-8"
    )


def blocks(text: str) -> list[str]:
    return re.split(r"\n(?=\(|\$ )", text)


def test_help_and_standing_fit_a_terminal(text: str) -> None:
    for block in blocks(text):
        if " --help\n" in block or ("$ sentinel status" in block and "[exit status" not in block):
            assert max(map(len, block.splitlines())) <= 80, block


def test_each_help_ends_with_an_example_and_names_no_type(text: str) -> None:
    helps = [block for block in blocks(text) if re.match(r"\$ sentinel \w+ --help", block)]
    assert len(helps) == 17
    for block in helps:
        name = block.split()[2]
        assert f"  Example: sentinel {name} " in block
        assert not re.search(r"<\w|\{[A-Z]|\[\[|\b(INTEGER|FLOAT|BOOLEAN)\b|(?<!:)\bPATH\b", block)


def test_what_is_wrong_is_one_line_of_plain_words(text: str) -> None:
    wrong = [block for block in blocks(text) if re.search(r"\[exit status [12]\]", block)]
    assert len(wrong) > 35
    for block in wrong:
        lines = [line for line in block.splitlines()[1:] if line and not line.startswith("[exit")]
        assert len(lines) == 1, block
        assert lines[0].startswith(("sentinel: ", "nowhere.jpg: "))
        assert not re.search(r"Traceback|Errno|None|\?;|\bNoneType\b", block), block
