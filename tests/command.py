"""Runs a command as a script would, and takes what it prints and its exit status."""

import sys
from collections.abc import Callable

import pytest

from sentinel.cli import main

Run = Callable[..., tuple[int, str, str]]


def runner(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Return a function that takes arguments and gives exit status, standard output and standard error."""

    def run(*args: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["sentinel", *map(str, args)])
        with pytest.raises(SystemExit) as left:
            main()
        printed = capsys.readouterr()
        return int(left.value.code or 0), printed.out, printed.err

    return run
