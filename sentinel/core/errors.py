"""What can go wrong and be mended by a person: one line that says what, where and how."""

from collections.abc import Iterator
from contextlib import contextmanager


class Problem(Exception):  # noqa: N818 - a problem has a mend; the word is the one shown to people
    """Something failed that its reader can do something about.

    `what`: what is wrong, in plain words.
    `where`: the file, setting or option it concerns.
    `mend`: what to do about it.
    """

    exit_status = 1

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        self.what, self.where, self.mend = what, where, mend
        line = f"{where}: {what}" if where else what
        if mend:
            line = f"{line} {mend[:1].upper()}{mend[1:]}" if line.endswith("?") else f"{line}; {mend}"
        super().__init__(" ".join(line.split()))


class RequestProblem(Problem):
    """The request or the settings are wrong (exit status 2)."""

    exit_status = 2


class FrameProblem(Problem):
    """One file cannot be used as a frame; the run goes on without it."""


@contextmanager
def refused(what: str, *, where: object, mend: str) -> Iterator[None]:
    """Make what the system refuses a problem of the request: "cannot be written", say, and its own reason.

    Raises `RequestProblem` in the place of an `OSError`, or of text that is not UTF-8.
    """
    try:
        yield
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror or error if isinstance(error, OSError) else "it is no UTF-8 text"
        raise RequestProblem(f"{what} ({why})", where=str(where), mend=mend) from None
