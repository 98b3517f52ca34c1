"""For all tests: how long an example takes on a busy machine says nothing; a run is like the last.

Watches of other tests, and of the machine, are no companions of a test's own.

Other examples than those are sought by `pytest --hypothesis-profile=searching`.
"""

from itertools import count

import pytest
from hypothesis import settings

from sentinel.chain.intake.process_pool import cores


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Half as many workers again as processors: watches wait for files, clocks and processes meanwhile."""
    return cores() * 3 // 2


settings.register_profile("searching", deadline=None)
settings.register_profile("any machine", deadline=None, derandomize=True)
settings.load_profile("any machine")

_number = count()


@pytest.fixture(autouse=True)
def _alone(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path_factory.getbasetemp() / "runtime" / str(next(_number))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder))
