"""What the commands share: the application itself, their common options, how they print."""

import json
import math
import re
import sys
from collections.abc import Callable, Iterable, Iterator
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
    help="Keeps the watch over a days-long time-lapse of the sun, so that the photographer can sleep.",
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

    Raises
    ------
    RequestProblem
        If there is none.
    """
    if not config:
        raise RequestProblem("no settings are named", where="--config", mend="name a file with --config")
    return config


def on_cluster(on: str | None, *, send: bool = False) -> "OnCluster | None":
    """Return where work is to be done; None: here.

    Raises
    ------
    RequestProblem
        If pictures are to be sent to nobody.
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
