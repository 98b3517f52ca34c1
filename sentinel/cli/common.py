"""What the commands share: the application itself, their common options, how they print."""

import json
import math
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from sentinel.core.errors import RequestProblem

if TYPE_CHECKING:
    from sentinel.chain.intake.workers import OnCluster

# A bar is rarely drawn: its library is read only then.
# ruff: noqa: PLC0415

app = typer.Typer(
    name="sentinel",
    help="Watches over a days-long time-lapse of the sun, so that the photographer can sleep.",
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Command(TyperCommand):
    """A command whose help names what is to be given as a person would, and no types."""

    def get_short_help_str(self, limit: int = 60) -> str:
        """Return what it does in one clause, whole: for the list of all commands."""
        return re.split(r"[:,.]", (self.help or "").strip().splitlines()[0], maxsplit=1)[0][:limit]

    def get_help(self, ctx: Any) -> str:
        """Return the help: arguments in capitals, without braces and without the names of types."""
        text = super().get_help(ctx)
        text = re.sub(r" <[\w\[\], |]+>", lambda found: " " * len(found[0]), text)
        return re.sub(
            r"\{([A-Z]+)(?:\.\.\.)?\}|\[\[([A-Z]+)\]\]", lambda found: found[1] or f"[{found[2]}]", text
        )


def command(example: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Add a command to the application, with an example of its use at the end of its help."""
    return app.command(cls=Command, epilog=f"Example: sentinel {example}")


def option(default: Any, form: str, text: str) -> Any:
    """Declare an option of a command.

    `default`: `...`: it must be given.
    `form`: its name, where that is not the parameter's, and what is given with it: `--for SPAN`.
    `text`: what its help says.
    """
    name, _, given = form.partition(" ") if form.startswith("--") else ("", "", form)
    return typer.Option(default, *filter(None, [name]), metavar=given or None, help=text)


def argument(default: Any, form: str, text: str) -> Any:
    """Declare an argument of a command, likewise."""
    return typer.Argument(default, metavar=form, help=text)


ConfigFiles = Annotated[
    list[Path] | None,
    typer.Option("--config", metavar="FILE", help="Settings (YAML); later files overlay earlier ones."),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Machine-readable standard output; all else goes to standard error.")
]

MarksFile = Annotated[
    Path | None, typer.Option("--marks", metavar="FILE", help="What the operator did (marks.jsonl).")
]

On = Annotated[
    str | None,
    typer.Option(
        "--on",
        metavar="ADDRESS",
        help="Work on the cluster of this Dask scheduler, like tcp://10.0.0.5:8786.",
    ),
]
Send = Annotated[
    bool,
    typer.Option("--send", help="Send the pictures along; else the workers see them under the same paths."),
]

StateFolder = Annotated[
    Path | None,
    typer.Option(
        "--state", metavar="DIR", help="Where the watch keeps its own files; else as the settings say."
    ),
]


def configs(config: list[Path] | None) -> list[Path]:
    """Return the files named; a command that needs settings needs one.

    Raises `RequestProblem` if there is none.
    """
    if not config:
        raise RequestProblem("no settings are named", where="--config", mend="name a file with --config")
    return config


def on_cluster(on: str | None, *, send: bool = False) -> "OnCluster | None":
    """Return where work is to be done; None: here.

    Raises `RequestProblem` if pictures are to be sent to nobody.
    """
    from sentinel.chain.intake.workers import OnCluster

    if on is None and send:
        raise RequestProblem("there is nobody to send to", where="--send", mend="name a cluster with --on")
    return None if on is None else OnCluster(on, send)


def print_findings(findings: Iterable[Any]) -> bool:
    """Print the findings of a check, what is wrong on standard error; return whether anything is."""
    wrong = False
    for finding in findings:
        wrong = wrong or finding.wrong
        print(finding.line, file=sys.stderr if finding.wrong else sys.stdout, flush=True)
    return wrong


LEVELS = {"now": (255, 111, 97), "soon": (247, 169, 75), "well": (159, 216, 164)}
"""The colours of the first sentence; what it says is said by its words."""
LEAST_COLUMNS = 40
MOST_INDENT = 26
"""A column of names wider than this leaves its values no room."""


def print_screen(lines: Sequence[str], level: str | None = None, hang: int | None = None) -> None:
    """Print lines for a person: as wide as the terminal, the first one in the colour of its level.

    `hang`: how far in a line goes on; None: under what it goes on with.
    """
    seen = sys.stdout.isatty()
    # Into a file or another program a line stays a line, unless its width is asked for.
    columns = shutil.get_terminal_size().columns if seen or "COLUMNS" in os.environ else None
    for number, line in enumerate(lines):
        text = line if columns is None else _wrapped(line, max(columns, LEAST_COLUMNS), hang)
        if number == 0 and level is not None and seen and not os.environ.get("NO_COLOR"):
            text = typer.style(text, fg=LEVELS[level], bold=True)
        print(text, flush=True)  # noqa: T201 - what this is for


def _wrapped(line: str, columns: int, hang: int | None) -> str:
    """Return a line in as many as it takes, each under what it goes on with."""
    if hang is None:
        begin = re.match(
            r"[ !]*(?:\d{4}-\d\d-\d\d \d\d:\d\d  )?(?:(?:now|soon|note) +|[A-Z][\w' ]*?  +)?", line
        )
        hang = begin.end() if begin is not None else 0
        hang = hang if hang <= MOST_INDENT else len(line) - len(line.lstrip())
    return textwrap.fill(line, columns, subsequent_indent=" " * hang, break_on_hyphens=False) or line


@contextmanager
def progress_bar() -> Iterator[Callable[[str, int, int], None]]:
    """Show how far the work has come on standard error, if anybody looks at it."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        tasks: dict[str, Any] = {}

        def show(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total)
            bar.update(tasks[what], completed=done, total=total)

        yield show


def json_line(values: dict[str, Any]) -> str:
    """Return values as one line of JSON, null for what is no number."""
    plain = {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}
    return json.dumps(plain, ensure_ascii=False, allow_nan=False)
