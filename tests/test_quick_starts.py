"""Commands that a tired person waits for load no more than they need: counted, because times waver."""

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from shutil import copy2

import pytest

from sentinel.core.settings import load_settings
from sentinel.service.status.board import Board
from sentinel.service.status.lines import to_json
from sentinel.service.status.making import standing_of

EXAMPLE = Path(__file__).parent.parent / "config" / "example.yaml"
SLOW = {
    "apprise",
    "astropy",
    "erfa",
    "jinja2",
    "multiprocessing",
    "rich",
    "scipy",
    "watchdog",
}
"""Each takes as long to load as a quick command may take in all, or is a part of the daemon alone."""
DAEMON = {
    "sentinel.service.watch.daemon",
    "sentinel.chain.forecast.forecaster",
    "sentinel.chain.judge.core",
    "sentinel.chain.notify.wording",
}

_RUN = """
import json, sys
from sentinel.cli import main
try:
    main()
except SystemExit as end:
    status = end.code
print(json.dumps([status, sorted(sys.modules)]), file=sys.stderr)
"""


def loaded(*command: object) -> set[str]:
    """Run a command in a process of its own; return the modules that it has loaded at its end."""
    ended = subprocess.run(
        [sys.executable, "-c", _RUN, *map(str, command)], capture_output=True, text=True, check=True
    )
    status, modules = json.loads(ended.stderr.splitlines()[-1])
    assert status in {0, 2, 3}, ended.stderr
    return set(modules)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    settings = load_settings([EXAMPLE])
    standing = standing_of(Board(), settings, datetime(2027, 6, 21, tzinfo=UTC))
    (tmp_path / "status.json").write_text(to_json(standing), encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    "command", [["status"], ["status", "--until", "23:00"], ["status", "--json"], ["mark", "remark", "cold"]]
)
def test_asking_and_noting_load_neither_the_rooms_nor_what_they_stand_on(
    state: Path, command: list[str]
) -> None:
    modules = loaded(*command, "--state", state)
    assert not modules & (SLOW | DAEMON | {"ssl"})
    # Nor, where none are named, the settings; and nothing is computed.
    assert not modules & {"numpy", "yaml", "sentinel.core.settings"}


def test_the_check_computes_no_sun(tmp_path: Path) -> None:
    modules = loaded("check", "--config", EXAMPLE, "--state", tmp_path)
    assert not modules & (SLOW | DAEMON)


def test_the_plan_needs_the_sun_but_not_the_daemon() -> None:
    modules = loaded(
        "plan", "2027-06-18", "2027-06-19", "--config", EXAMPLE, "--frame", "6000x4000", "--frame-mb", "9"
    )
    assert "erfa" in modules, "else the way of counting does not count"
    assert not modules & (DAEMON | SLOW - {"erfa", "multiprocessing"})


def test_a_chain_that_forecasts_and_judges_is_lean(tmp_path: Path) -> None:
    """What SciPy takes, 40 MB a watch, is a sixth of a small computer's room for three cameras."""
    kept = EXAMPLE.parents[1] / "replay_data" / "midnight-sun"
    for frame in sorted(kept.rglob("*.JPG"))[:3]:
        copy2(frame, tmp_path)
    modules = loaded("replay", tmp_path, "--config", kept / "config.yaml", "--out", tmp_path / "out")
    assert DAEMON - {"sentinel.service.watch.daemon"} <= modules
    assert not {name.split(".")[0] for name in modules} & {"scipy", "skimage", "astropy", "apprise"}


def test_a_process_that_measures_loads_no_settings_and_no_commands() -> None:
    """It is started anew for each look where several cameras take turns."""
    loads = "import json, sys, sentinel.__main__, sentinel.chain.intake.examine"
    program = f"{loads}; print(json.dumps([*sys.modules]))"
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    modules = set(json.loads(ended.stdout))
    assert "numpy" in modules
    assert not modules & (SLOW | DAEMON | {"pydantic", "yaml", "typer", "sentinel.core.settings"})
