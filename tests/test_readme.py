"""Every command line of the README, typed as it stands there by somebody who has what it speaks of.

What a reader replaces (`SESSION`, `DIR`) is replaced; `/opt`, `/etc` and `/var/lib` lie in a folder of the
test's own, and what would change this computer (users, services) is only noted down. The two blocks that make
an environment, and run a replay and the tests in it, are run as they stand by `.ci/run`.
"""

import os
import re
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.delivery.receivers import free_port, http_receiver

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
BLOCKS = [text for _, text in FENCE.findall(README)]
SPANS = re.findall(r"`([^`\n]+)`", FENCE.sub("", README))
HOUR = next(text for text in BLOCKS if text.startswith("sentinel init"))
SERVICE = next(text for text in BLOCKS if text.startswith("useradd"))

ANSWERS = "70.37\n31.1\neast\n400\n47.04\n60\n330\nin\n10\nEurope/Oslo\n22:30-06:00\nphone=env:PHONE_URL\n"
NIGHT = """\
site: {latitude_deg: 70.37, longitude_deg: 31.1}
camera: {focal_length_mm: 400, pixel_pitch_um: 47.04, width_px: 750, height_px: 500, interval_s: 60}
mount: {tracking: solar, azimuth_error_deg: -0.6, altitude_error_deg: 1.1}
start_utc: 2027-06-20T18:00:00Z
hours: 1.1
start_px: [320, 300]
"""


class Walked(NamedTuple):
    """What a line prints, how it is typed where words are replaced, what it leaves, its exit status."""

    says: str
    typed: str = ""
    leaves: str = "."
    status: int = 0


STATE = "var/lib/sentinel/east"
# These run until they are stopped.
WATCHED = "sentinel watch --config east.yaml --state /var/lib/sentinel/east"
SERVED = "sentinel page A B --listen ADDRESS"
# In the order in which each has what it needs; `typed` where a word is replaced or a span is an option alone.
WALK = {
    "sentinel init east.yaml": Walked("Next: go through a bad night", leaves="east.yaml"),
    "sentinel check --config east.yaml --send-test": Walked("test message: phone: arrived"),
    "sentinel rehearse stop --config east.yaml --speed 10": Walked(
        "MOUNT STOPPED", "sentinel rehearse stop --config east.yaml --speed 10 --at 10min --for 16min"
    ),
    ".venv/bin/sentinel rehearse stop": Walked("Report sentinel report", "sentinel rehearse stop"),
    "sentinel settings": Walked("latitude_deg"),
    "--explain KEY": Walked("visit.travel_min", "sentinel settings --explain visit.travel_min"),
    "sentinel settings --explain page": Walked("page.listen"),
    "sentinel --install-completion": Walked("completion installed"),
    "sentinel plan 2027-06-18 2027-06-22 --config east.yaml": Walked("Sun UNBROKEN the whole trip"),
    "sentinel simulate SCENARIO OUT": Walked(
        "its truth", "sentinel simulate night.yaml night", leaves="night/truth.ecsv"
    ),
    "sentinel measure FRAME... --out TABLE --resume": Walked(
        "centre (", "sentinel measure night/DCIM --out table.ecsv --resume", leaves="table.ecsv"
    ),
    "sentinel replay SESSION --out DIR": Walked(
        "with a disc", "sentinel replay night --out kept", leaves="kept/forecasts.jsonl"
    ),
    "sentinel align SESSION --config east.yaml": Walked(
        "of the pole", "sentinel align kept --config east.yaml"
    ),
    "--top pole": Walked("sun-widths", "sentinel align kept --config east.yaml --top pole"),
    "--paused FROM TO": Walked(
        "did not stand", "sentinel align kept --config east.yaml --paused 18:20Z 18:30Z"
    ),
    "sentinel report DIR": Walked("kept/report.html", "sentinel report kept", leaves="kept/report.html"),
    "--beside OTHER": Walked(
        "By computation", "sentinel report kept --beside kept", leaves="kept/beside.html"
    ),
    "sentinel share DIR OUT": Walked("Ready", "sentinel share kept to-give", leaves="to-give/index.html"),
    "--public": Walked("Ready", "sentinel share kept for-all --public", leaves="for-all/index.html"),
    "sentinel tune SESSION... --out DIR": Walked(
        "tell nothing about", "sentinel tune kept table.ecsv --out tuned --config east.yaml", leaves="tuned"
    ),
    "sentinel film DIR": Walked("kept/film.mp4", "sentinel film kept", leaves="kept/film.mp4"),
    "--steady none": Walked("As the camera stores it", "sentinel film kept --steady none --out b.mp4"),
    "--name-dust": Walked("Dust", "sentinel film kept --name-dust --out c.mp4", leaves="c.mp4"),
    "--png": Walked("kept/film", "sentinel film kept --png", leaves="kept/film"),
    "--strip": Walked("suns drawn", "sentinel film kept --strip", leaves="kept/strip.png"),
    WATCHED: Walked("watching"),
    "sentinel status --until 07:00": Walked(
        "THE WATCH IS NOT RUNNING", f"sentinel status --until 07:00 --state {STATE}", status=3
    ),
    "sentinel status": Walked("THE WATCH IS NOT RUNNING", f"sentinel status --state {STATE}", status=3),
    "sentinel mark recentred": Walked("Noted: recentred", f"sentinel mark recentred --state {STATE}"),
    "sentinel mark seen": Walked("Noted: seen", f"sentinel mark seen --state {STATE}"),
    "mark visit": Walked("Noted: visit", f"sentinel mark visit --state {STATE}"),
    "sentinel status --state A --state B": Walked(
        "2 cameras", f"sentinel status --state {STATE} --state kept", status=3
    ),
    SERVED: Walked("http://", f"sentinel page {STATE} kept --listen 127.0.0.1:{free_port()}"),
}
AS_ROOT = "runuser -u sentinel -- /opt/sentinel/bin/sentinel status --state /var/lib/sentinel/east"
OF_A_CLUSTER = "--on ADDRESS"  # tests/intake/test_cluster.py runs a real one
OVERLAYS = "--config"


def commands() -> list[str]:
    """Return the commands and options that the README speaks of, outside the blocks that are run whole."""
    hour = [one.partition(" #")[0].strip() for one in HOUR.strip().splitlines()]
    spans = [one for one in SPANS if re.match(r"(\S*/)?sentinel [a-z-]|--|mark |runuser", one)]
    return list(dict.fromkeys(hour + [one for one in spans if "COMMAND" not in one]))


def test_every_command_of_the_readme_is_walked() -> None:
    walked = {*WALK, AS_ROOT, OF_A_CLUSTER, OVERLAYS}
    assert set(commands()) == walked


def script(path: Path, text: str) -> None:
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


class Shell:
    """A terminal in a home of its own, in which the program is installed."""

    def __init__(self, home: Path, phone_url: str) -> None:
        self.home = home
        for folder in ("bin", "in", "state", "etc/systemd/system"):
            (home / folder).mkdir(parents=True)
        script(home / "bin" / "sentinel", f'PYTHONPATH={ROOT} exec {sys.executable} -m sentinel "$@"')
        self.environment = {
            **os.environ,
            "HOME": str(home),
            "PATH": f"{home / 'bin'}:{os.environ['PATH']}",
            "PYTHONPATH": os.pathsep.join(one for one in sys.path if one.endswith("site-packages")),
            "PIP_NO_DEPS": "1",
            "PIP_NO_BUILD_ISOLATION": "0",  # pip reads it the other way round: what builds it is here
            "PHONE_URL": phone_url,
            "XDG_STATE_HOME": str(home / "state"),
        }

    def run(self, lines: str, answers: str = "", stopped_at: str | None = None) -> tuple[int, str]:
        """Type some lines; return the exit status and what was printed, till the end or till it says this."""
        lines = re.sub(r"(?<=\s)/(?=(opt|etc|var/lib)/)", f"{self.home}/", lines)
        if stopped_at is None:
            lines += "\n:"  # with something left to do the shell stays, as a terminal's does
        process = subprocess.Popen(
            ["bash", "-euo", "pipefail", "-c", lines],
            cwd=self.home, env=self.environment, text=True, bufsize=1,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        said = ""
        if stopped_at is not None:
            assert process.stdout is not None
            while stopped_at not in said and (line := process.stdout.readline()):
                said += line
            process.terminate()
        rest, _ = process.communicate(answers, timeout=600)
        return process.returncode, said + rest


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shell]:
    with http_receiver() as phone:
        here = Shell(tmp_path_factory.mktemp("home"), phone.url)
        (here.home / "night.yaml").write_text(NIGHT, encoding="utf-8")
        yield here


@pytest.mark.slow
def test_each_command_does_what_the_readme_says(shell: Shell) -> None:
    for line, walked in WALK.items():
        answers = ANSWERS if " init " in line else ""
        stopped_at = walked.says if line in {WATCHED, SERVED} else None
        status, said = shell.run(walked.typed or line, answers, stopped_at)
        assert status == walked.status, (line, said)
        assert walked.says in " ".join(said.split()), (line, said)
        assert "Traceback" not in said
        assert (shell.home / walked.leaves).exists(), line


ROOTS = {
    "useradd": "",
    "systemctl": "",
    "journalctl": "",
    "install": """\
for one; do shift; case $one in sentinel|-o|-g) ;; *) set -- "$@" "$one";; esac; done
exec /usr/bin/install "$@\"""",
    "runuser": 'test "$1 $2 $3" = "-u sentinel --" && shift 3 && exec "$@"',
}
"""What needs root, or a user that is not here: noted down, and done as far as it can be."""


@pytest.mark.slow
def test_the_service_is_installed_as_the_readme_says(shell: Shell) -> None:
    noted = shell.home / "noted"
    for name, does in ROOTS.items():
        script(shell.home / "bin" / name, f'echo {name} "$@" >> {noted}\n{does}')
    shutil.copytree(ROOT, shell.home / "source", ignore=shutil.ignore_patterns(".*", "tests", "replay_data"))
    answers = ANSWERS.replace("\nin\n", f"\n{shell.home / 'in'}\n")
    status, said = shell.run(f"cd source\n{SERVICE}", answers)
    assert status == 0, said
    assert "east.yaml: every key is known" in said
    unit = (shell.home / "etc/systemd/system/sentinel@.service").read_text(encoding="utf-8")
    command = re.search(r"^ExecStart=/usr/bin/env (.*)$", unit, re.MULTILINE)
    assert command is not None
    started = command[1].replace("%i", "east")
    # The manager names the state folder that the unit has made.
    status, said = shell.run(f"STATE_DIRECTORY={shell.home / STATE} exec {started}", "", "watching")
    assert status == 0, said
    status, said = shell.run(AS_ROOT)
    assert (status, "THE WATCH IS NOT RUNNING" in said) == (3, True), said
    calls = noted.read_text(encoding="utf-8")
    assert [line.split()[0] for line in calls.splitlines()].count("systemctl") == 2
    assert "systemctl enable --now sentinel@east" in calls
