"""What can go wrong and be mended by a person: one line that says what, where and how."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec


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


EXTRAS = {
    "cluster": ("distributed>=2024.1", "distributed"),
    "film": ("av>=12", "av"),
    "metrics": ("prometheus_client>=0.20", "prometheus_client"),
    "mqtt": ("paho-mqtt>=2.0", "paho"),
    "page": ("waitress>=3.0", "waitress"),
    "raw": ("rawpy>=0.21", "rawpy"),
}
"""The library of each extra, as `pyproject.toml` asks for it, and the module that it brings."""


def need_extra(extra: str, *, where: str = "", instead: str = "", what: str = "needs") -> None:
    """Refuse what needs an extra that is not there; `instead`: what else could be done.

    Its library is named, not the extra: this program is on no index, where its name may be another's.
    Raises `RequestProblem` if that library is not installed.
    """
    library, module = EXTRAS[extra]
    if find_spec(module) is None:
        mend = f"{sys.executable} -m pip install '{library}'" + (f", or {instead}" if instead else "")
        raise RequestProblem(f"{what} a library that is not installed", where=where, mend=mend)


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
