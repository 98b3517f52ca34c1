"""What is printed for a person: as wide as the terminal, the first sentence in the colour of its level."""

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from sentinel.cli.common import print_screen

LONG = (
    "The camera may be left alone until 07:40Z, in 6 h 28 min: the axis limit comes first. Set off by 07:30Z."
)
LINES = [
    LONG,
    "",
    f"  now   NO PICTURES: {LONG}",
    f"  By 07:40Z: {LONG}",
    f"! Last message through  {LONG}",
    "/srv/a-folder-with-a-name-that-is-longer-than-the-terminal-is-wide/and-goes-on",
]


def at(columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("COLUMNS", str(columns))
    print_screen(LINES, "well")
    return capsys.readouterr().out.splitlines()


@pytest.mark.parametrize("columns", [40, 60, 80, 132])
def test_no_line_is_wider_than_the_terminal_and_no_word_is_lost(
    columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = at(columns, capsys, monkeypatch)
    assert max(map(len, shown)) <= columns
    assert "".join("".join(shown).split()) == "".join("".join(LINES).split())


def test_what_goes_on_stands_under_what_it_goes_on_with(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = at(60, capsys, monkeypatch)
    assert shown[shown.index("") + 2].startswith("        ")
    fact = next(n for n, line in enumerate(shown) if line.startswith("! Last"))
    assert shown[fact + 1].startswith(" " * 24)


def test_into_a_file_a_line_stays_a_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    print_screen(LINES, "now")
    assert capsys.readouterr().out.splitlines() == LINES


def in_a_terminal(level: str, **environ: str) -> str:
    """Print the lines in a terminal of its own; return what came to it."""
    program = f"from sentinel.cli.common import print_screen; print_screen({LINES!r}, {level!r})"
    master, slave = pty.openpty()
    home = Path(__file__).parents[1]
    env = {key: value for key, value in os.environ.items() if key not in {"NO_COLOR", "COLUMNS"}}
    process = subprocess.Popen([sys.executable, "-c", program], stdout=slave, cwd=home, env=env | environ)
    os.close(slave)
    text = b""
    with os.fdopen(master, "rb", buffering=0) as terminal:
        while True:
            try:
                got = terminal.read(4096)
            except OSError:  # Linux: the other side is closed
                break
            if not got:
                break
            text += got
    assert process.wait(30) == 0
    return text.decode()


def test_each_level_has_a_colour_of_its_own_unless_colours_are_not_wanted() -> None:
    first = {level: in_a_terminal(level).splitlines()[0] for level in ("now", "soon", "well")}
    assert len(set(first.values())) == 3
    assert all("\x1b[" in line for line in first.values())
    plain = in_a_terminal("now", NO_COLOR="1")
    assert "\x1b" not in plain
    assert plain.startswith("The camera may be left alone until 07:40Z")
