"""Settings: what is refused, how, and that the example explains every one of them."""

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from sentinel.core.errors import RequestProblem
from sentinel.core.explained import WIDTH, explain, explain_lines, known_keys, reference_yaml
from sentinel.core.plain_yaml import read_yaml
from sentinel.core.settings import Settings, load_settings, validate

CONFIG = Path(__file__).parents[1] / "config"
NEEDED = "site: {latitude_deg: 70, longitude_deg: 31}\ncamera: {focal_length_mm: 400, pixel_pitch_um: 4}\n"


def keys(model: type[BaseModel], path: str = "") -> dict[str, Any]:
    """Every key's path and its default."""
    found: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            found |= keys(kind, f"{path}{name}.")
        else:
            found[path + name] = field
    return found


EVERY = CONFIG / "every-setting.yaml"


def test_the_reference_is_written_from_the_settings() -> None:
    assert EVERY.read_text(encoding="utf-8") == reference_yaml(), (
        "sentinel settings > config/every-setting.yaml"
    )
    assert max(map(len, EVERY.read_text(encoding="utf-8").splitlines())) <= WIDTH


def test_every_setting_outside_the_thresholds_says_what_it_means() -> None:
    silent = [key for key in known_keys() if not explain(key).meaning and not key.startswith("thresholds.")]
    assert not silent


def test_what_is_explained_is_true_of_the_setting() -> None:
    told = " ".join(" ".join(explain_lines(explain("travel_min"))).split())
    assert told.startswith("visit.travel_min ")
    assert told.endswith("; minutes, 0 to 1440; default 10.0")
    assert "no default" in " ".join(explain_lines(explain("site.latitude_deg")))
    assert "one of solar, sidereal, lunar, none" in " ".join(explain_lines(explain("mount.tracking")))
    assert "channels[].quiet" in "\n".join(explain_lines(explain("channels")))


@pytest.mark.parametrize(
    ("key", "says"),
    [
        ("travl_min", "visit.travel_min"),
        ("name", r"camera.name or channels\[\].name"),
        ("zzz", "lists all there are"),
    ],
)
def test_a_key_that_is_none_is_refused_with_what_was_meant(key: str, says: str) -> None:
    with pytest.raises(RequestProblem, match=says):
        explain(key)


def test_every_setting_says_what_it_means() -> None:
    assert [path for path, field in keys(Settings).items() if not field.description] == []


def test_the_reference_holds_every_setting_at_its_default() -> None:
    content = read_yaml(EVERY)
    loaded = validate(content, where="every-setting.yaml")
    for path, field in keys(Settings).items():
        here: Any = content
        value: Any = loaded
        for part in path.split("."):
            assert part in here, f"config/every-setting.yaml does not hold {path}"
            here, value = here[part], getattr(value, part)
        if not field.is_required():
            assert value == field.get_default(call_default_factory=True), f"{path} is not at its default"


@pytest.mark.parametrize("file", sorted(CONFIG.glob("*.yaml")), ids=lambda p: p.name)
def test_every_shipped_config_is_valid(file: Path) -> None:
    load_settings([file])


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (NEEDED + "mounts: {}", r"mounts is not a known setting"),
        (NEEDED + "mount: {traking: solar}", r"mount\.traking is not a known setting"),
        (NEEDED + "mount: {tracking: fast}", r"mount\.tracking .*'solar', 'sidereal', 'lunar' or 'none'"),
        (NEEDED + "visit: {travel_min: ten}", r"visit\.travel_min .* not 'ten'"),
        (NEEDED + "visit: {travel_min: true}", r"visit\.travel_min"),
        (NEEDED + "visit: {travel_min: .inf}", r"visit\.travel_min"),
        (NEEDED + "frames: {margin_px: -1}", r"frames\.margin_px .*greater than or equal to 0, not -1"),
        (NEEDED.replace("70", "97"), r"site\.latitude_deg .*less than or equal to 90, not 97"),
        (NEEDED.replace("focal_length_mm: 400, ", ""), r"camera\.focal_length_mm is missing"),
        (NEEDED + "alerts: {zone: Mars/Base}", r"alerts\.zone names no time zone: 'Mars/Base'"),
        (NEEDED + "alerts: {zone: Europe}", r"alerts\.zone names no time zone"),
        (NEEDED + "alerts: {zone: ../../etc/passwd}", r"alerts\.zone names no time zone"),
        (
            NEEDED.replace("31}", "31, horizon: [[0, 2], [400, 3]]}"),
            r"site\.horizon: the second pair: its first number should be less than or equal to 360, not 400",
        ),
        (
            NEEDED.replace("31}", "31, horizon: [[0, 2], [4]]}"),
            r"site\.horizon: the second pair: its second number is missing",
        ),
        (
            NEEDED.replace("31}", "31, horizon: [[0, 2], 4]}"),
            r"site\.horizon: the second pair should be a list",
        ),
        (
            NEEDED + "sleep: {from_utc: 9pm, until_utc: '05:00'}",
            r"sleep\.from_utc must be a time of day in quotes, like",
        ),
        (NEEDED + "page: {listen: here}", r"page\.listen must be an address and a port"),
        (
            NEEDED.replace("4}", "4, clock_offset_s: later}"),
            r"camera\.clock_offset_s should be a valid number.*, or should be 'auto'",
        ),
        (NEEDED.replace("4}", "4, name: ' '}"), r"camera\.name must be one line"),
        (
            NEEDED + "mount: {hour_angle_limit_deg: [1, 2, 3]}",
            r"mount\.hour_angle_limit_deg should hold at most 2, not 3",
        ),
        (NEEDED + "mount: solar", r"mount should be a part with keys of its own"),
        (NEEDED + "site: {}", r"line 3: the key 'site' stands twice"),
        ("- 1", r"holds no settings"),
        ("site: [", r"line 1: .*mend the YAML"),
        ("", r"site is missing"),
    ],
)
def test_what_is_wrong_is_named_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(RequestProblem, match=says) as caught:
        load_settings([write(tmp_path / "c.yaml", text)])
    assert "\n" not in str(caught.value)
    assert not re.search(r"[\^$]|\\\\|tuple|Literal|function-", str(caught.value)), "no pattern, no type"
    assert str(tmp_path / "c.yaml") in str(caught.value)
    assert caught.value.exit_status == 2


def test_files_that_are_none_are_refused(tmp_path: Path) -> None:
    (tmp_path / "bytes.yaml").write_bytes(b"\xff\xfe\x00")
    for path in (tmp_path / "bytes.yaml", tmp_path, tmp_path / "absent.yaml"):
        with pytest.raises(RequestProblem):
            load_settings([path])


def test_later_files_overlay_earlier_ones_key_by_key(tmp_path: Path) -> None:
    base = write(tmp_path / "a.yaml", NEEDED + "visit: {travel_min: 5}\nframes: {margin_px: 3}")
    over = write(tmp_path / "b.yaml", "visit: {travel_min: 20}\nsite: {elevation_m: 12}")
    loaded = load_settings([base, over])
    assert (loaded.visit.travel_min, loaded.frames.margin_px) == (20, 3)
    assert (loaded.site.latitude_deg, loaded.site.elevation_m) == (70, 12)


def test_yaml_words_and_numbers_mean_what_people_write(tmp_path: Path) -> None:
    path = write(
        tmp_path / "a.yaml", "word: no\ntime: 12:30\nten: 010\nbig: 1e3\nnegative: -2\nnothing:\nyes: true"
    )
    assert read_yaml(path) == {
        "word": "no", "time": "12:30", "ten": 10, "big": 1000.0, "negative": -2, "nothing": None, "yes": True,
    }  # fmt: skip


def test_a_camera_is_called_by_its_settings_file_unless_it_has_a_name(tmp_path: Path) -> None:
    unnamed = write(tmp_path / "east.yaml", NEEDED)
    over = write(tmp_path / "tuned.yaml", "visit: {travel_min: 20}")
    named = write(tmp_path / "b.yaml", NEEDED.replace("focal", "name: Ridge camera, focal"))
    assert load_settings([unnamed, over]).camera.name == "east"
    assert load_settings([named]).camera.name == "Ridge camera"
