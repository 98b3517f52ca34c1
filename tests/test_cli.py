"""The commands as a script meets them: output, exit status, one line for whatever is wrong."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import shellingham
import yaml

from sentinel.core.tables import write_measurements
from tests.command import runner
from tests.shipped import FIVE_DAYS, five_days

SHIPPED = Path(__file__).parents[1] / "replay_data"
FRAMES = sorted((SHIPPED / "midnight-sun").rglob("*.JPG"))


def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *args: object
) -> tuple[int, str, str]:
    return runner(capsys, monkeypatch)(*args)


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ([], "Missing command"),
        (["fly"], "No such command 'fly'"),
        (["measure"], "Missing argument"),
        (["measure", "--jason", "x"], "No such option"),
        (["replay", "/nonexistent", "--out", "/nonexistent/out"], "no such session"),
        (["replay", str(FIVE_DAYS)], "Missing option '--out'"),
        (["replay", str(FIVE_DAYS), "--out", "x", "--config", "/nonexistent"], "cannot be read"),
        (["simulate", "/nonexistent.yaml", "/nonexistent/out"], "cannot be read"),
    ],
)
def test_a_wrong_request_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, args: list[str], says: str
) -> None:
    status, out, err = run(capsys, monkeypatch, *args)
    assert (status, out) == (2, "")
    assert says in err
    assert err.startswith("sentinel: ")
    assert err.count("\n") == 1


def test_measure_prints_an_object_a_frame_in_order(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "cut.jpg"
    broken.write_bytes(FRAMES[0].read_bytes()[:3000])
    status, out, _ = run(capsys, monkeypatch, "measure", "--json", FRAMES[5], broken, FRAMES[3])
    rows = [json.loads(line) for line in out.splitlines()]
    assert status == 1, "a file had an error"
    assert [row["frame"] for row in rows] == [str(FRAMES[5]), str(broken), str(FRAMES[3])]
    assert [row["found"] for row in rows] == [True, False, True]
    assert rows[0]["error"] is None
    assert rows[1]["error"]
    assert rows[1]["x_px"] is None
    columns = (
        "frame time_utc found x_px y_px radius_px centre_sigma_px limb_in_frame limb_coverage edge_width_px "
        "brightness saturated_fraction exposure_s iso aperture flags error"
    )
    assert set(columns.split()) <= set(rows[0])


def test_measure_for_people(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    status, out, err = run(capsys, monkeypatch, "measure", FRAMES[0])
    assert (status, err) == (0, "")
    assert "centre (" in out
    assert out.count("\n") == 1


def test_measure_with_settings_knows_how_large_the_sun_should_be(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    settings = SHIPPED / "midnight-sun" / "config.yaml"
    link = tmp_path / "link.jpg"
    link.symlink_to(FRAMES[0])
    other_lens = yaml.safe_load(settings.read_text())
    other_lens["camera"]["focal_length_mm"] *= 1.4
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(yaml.safe_dump(other_lens))
    flags = []
    for config in (settings, wrong):
        status, out, _ = run(capsys, monkeypatch, "measure", "--json", link, "--config", config)
        row = json.loads(out)
        assert (status, row["found"], row["error"]) == (0, True, None)
        flags.append(row["flags"])
    assert "unexpected-size" not in flags[0]
    assert "unexpected-size" in flags[1]


def test_a_folder_is_measured_under_names_relative_to_it(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for number, source in enumerate(FRAMES[:3]):
        (tmp_path / f"10{number}A").mkdir()
        (tmp_path / f"10{number}A" / "frame.jpg").write_bytes(source.read_bytes())
    status, out, _ = run(capsys, monkeypatch, "measure", "--json", tmp_path)
    assert status == 0
    assert [json.loads(line)["frame"] for line in out.splitlines()] == [f"10{n}A/frame.jpg" for n in range(3)]


def test_the_program_runs_as_a_module_and_says_its_version() -> None:
    told = subprocess.run(
        [sys.executable, "-m", "sentinel", "--version"], capture_output=True, text=True, check=True
    )
    assert told.stdout.startswith("sentinel ")
    assert told.stderr == ""


def test_from_scenario_to_verdict(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Simulate a short session, replay it: the two commands of the demo, on twenty-five frames."""
    scenario = yaml.safe_load((SHIPPED / "midnight-sun.yaml").read_text(encoding="utf-8"))
    scenario |= {"hours": 0.4, "events": []}
    (tmp_path / "short.yaml").write_text(yaml.safe_dump(scenario), encoding="utf-8")
    status, _, err = run(capsys, monkeypatch, "simulate", tmp_path / "short.yaml", tmp_path / "session")
    assert (status, err) == (0, "")
    status, out, err = run(
        capsys, monkeypatch, "replay", tmp_path / "session", "--out", tmp_path / "out", "--json"
    )
    assert (status, err) == (0, "")
    summary = json.loads(out)
    assert summary["discs"] == summary["frames"] >= 24
    assert summary["left_alone"].startswith("The camera ")
    status, _, err = run(capsys, monkeypatch, "simulate", tmp_path / "short.yaml", tmp_path / "session")
    assert status == 2
    assert err.count("\n") == 1


def test_align_tells_the_axis_of_a_table_of_measurements(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    frames = five_days()[:40]
    write_measurements(tmp_path / "m.ecsv", frames)
    config = FIVE_DAYS / "config.yaml"
    status, out, err = run(capsys, monkeypatch, "align", tmp_path / "m.ecsv", "--config", config, "--json")
    told = json.loads(out)
    assert (status, err) == (0, "")
    assert told["frames_used"] == 40
    assert abs(told["polar_altitude_error_deg"] + 0.45) < 4 * told["polar_altitude_error_sigma_deg"]
    status, out, _ = run(capsys, monkeypatch, "align", tmp_path / "m.ecsv", "--config", config)
    assert status == 0
    assert out.startswith("Azimuth   ")


def test_the_tab_key_completes_commands() -> None:
    asked = {"_SENTINEL_COMPLETE": "complete_bash", "COMP_WORDS": "sentinel st", "COMP_CWORD": "1"}
    program = "import sys; sys.argv = ['sentinel']; from sentinel.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program], env=os.environ | asked, capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == ["status"]


def test_every_commands_help_fits_80_columns_shows_no_types_and_has_an_example_that_can_be_given(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    _, out, _ = run(capsys, monkeypatch, "--help")
    commands = [line.split()[0] for line in out.partition("Commands:")[2].splitlines() if line.strip()]
    assert "..." not in out.partition("Commands:")[2], "each is said whole"
    assert {"init", "settings", "rehearse", "check", "watch", "report"} <= set(commands)
    for name in commands:
        status, out, err = run(capsys, monkeypatch, name, "--help")
        assert (status, err) == (0, "")
        assert max(map(len, out.splitlines())) <= 80, name
        assert not re.search(r"[<{]|list\[|\bPath\b|None", out), out
        example = " ".join(out.partition("Example: ")[2].split())
        assert example.startswith(f"sentinel {name} "), name
        options = set(re.findall(r"(?<= )--[a-z-]+", out.partition("Example: ")[0]))
        assert set(re.findall(r"(?<= )--[a-z-]+", example)) <= options, name


@pytest.mark.parametrize("option", ["--install-completion", "--show-completion"])
@pytest.mark.parametrize("shell", [None, "dash"])
def test_completion_for_no_known_shell_is_refused_in_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, option: str, shell: str | None
) -> None:
    def detected() -> tuple[str, str]:
        if shell is None:
            raise shellingham.ShellDetectionFailure
        return shell, f"/bin/{shell}"

    monkeypatch.setattr(shellingham, "detect_shell", detected)
    status, out, err = run(capsys, monkeypatch, option)
    assert (status, out) == (2, "")
    named = "it cannot be told which shell this is" if shell is None else "there is no completion for dash"
    assert err == f"sentinel: {option}: {named}; call it from bash, zsh, fish, powershell or pwsh\n"
