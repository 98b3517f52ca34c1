"""The program: every failure is one line on standard error and an exit status."""

import os
import sys
from typing import Annotated, Any

import shellingham
import typer

from sentinel import __version__
from sentinel.cli import first, live, sessions, showing
from sentinel.cli.common import app
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.words import either

# ruff: noqa: T201

# The base of all complaints about the command line; typer carries its own copy of the class, in a place that
# differs between its versions.
_UsageComplaint: type[Exception] = next(
    kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException"
)

_SHELLS = ("bash", "zsh", "fish", "powershell", "pwsh")
COMMANDS = (first, live, sessions, showing)
"""The modules that add them to the application."""


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"sentinel {__version__}")
        raise typer.Exit


@app.callback()
def _sentinel(
    *,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the program; every failure is one line on standard error and an exit status."""
    # The work is spread over processes; threads inside numpy would only get in each other's way.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        _require_shell()
        status = app(prog_name="sentinel", standalone_mode=False)
    except Problem as problem:
        _say(str(problem))
        sys.exit(problem.exit_status)
    except _UsageComplaint as complaint:
        _say(_complaint_line(complaint))
        sys.exit(2)
    except (KeyboardInterrupt, typer.Abort):
        _say("stopped")
        sys.exit(1)
    except BrokenPipeError:
        # Whoever read the output has gone; there is nobody to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        _say(f"{error.filename or 'sentinel'}: {error.strerror or error}; check space and permissions")
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)


def _require_shell() -> None:
    """Refuse to complete for a shell that is not known, or knows no completion."""
    asked = next((one for one in sys.argv[1:] if one in {"--install-completion", "--show-completion"}), None)
    if asked is None:
        return
    try:
        shell = shellingham.detect_shell()[0]
    except shellingham.ShellDetectionFailure:
        shell = ""
    if shell not in _SHELLS:
        what = f"there is no completion for {shell}" if shell else "it cannot be told which shell this is"
        raise RequestProblem(what, where=asked, mend=f"call it from {either(_SHELLS)}")


def _complaint_line(complaint: Any) -> str:
    context = getattr(complaint, "ctx", None)
    help_of = context.command_path if context else "sentinel"
    return f"{' '.join(complaint.format_message().split()).rstrip('.')}; see {help_of} --help"


def _say(line: str) -> None:
    print(f"sentinel: {line}", file=sys.stderr)
