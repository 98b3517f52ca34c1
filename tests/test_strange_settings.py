"""Settings that nobody should write: one line each, status 2, and no secret in it."""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Settings, load_settings
from sentinel.service.watch.checkup import check

NEEDED = "site: {latitude_deg: 70, longitude_deg: 31}\ncamera: {focal_length_mm: 400, pixel_pitch_um: 3.9}\n"
SECRET = "hunter2-Tq9ZpX"
TOKEN_PAGE = "page: {token_from: env:T, listen: "


def complaint(tmp_path: Path, text: str | bytes) -> str:
    path = tmp_path / "c.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(RequestProblem) as caught:
        load_settings([path])
    assert caught.value.exit_status == 2
    said = str(caught.value)
    assert "\n" not in said
    said.encode()  # it can be printed
    return said


@pytest.mark.parametrize("key", ["-11", "0", "3", "1.5", "null", "true", "100000000000000000000"])
def test_a_key_that_is_no_text_is_no_entry_of_a_list(tmp_path: Path, key: str) -> None:
    said = complaint(tmp_path, f"{NEEDED}frames: {{{key}: x}}\n")
    assert "is not a known setting" in said
    assert "entry" not in said
    assert f"frames.{key} " in said or key not in {"-11", "0", "3"}


def test_a_key_is_not_said_to_be_its_own_section(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    path.write_text(f"{NEEDED}frames: {{-11: x}}\n")
    (line,) = (found.line for found in check([path], None))
    assert "frames.-11 is not a known setting" in line
    assert "write frames" not in line


@pytest.mark.parametrize(
    "text",
    [
        "{a: b}: c",
        "? [a, b]\n: c",
        "? {a: {b: c}}\n: d",
        "{{a: b}: c}: d",
        "camera: !!bool maybe",
        "camera: !!int nine",
        "camera: !!float far",
        "camera: !!timestamp never",
        "camera: !!binary '*'",
        "camera: !!set [a]",
        "camera: !!omap {a: b}",
        "camera: !!pairs x",
        "camera: !!map [a]",
        "camera: !!seq {a: b}",
        "camera: !!null x",
        "camera: !!python/object/apply:os.system ['true']",
        "camera: !unknown x",
        'camera: {name: "\\0"}',
        'camera: {name: "a\\ud800b"}',
        '"\\ud800": 1',
        'frames: {folder: "/x\\0y"}',
        'frames: {patterns: ["*.jpg", "\\udfff"]}',
        "a: &a [*a]",
        "a: *b",
        "[" * 3000,
        "{a: " * 3000,
        "\x00",
    ],
)
def test_what_is_no_settings_is_one_line(tmp_path: Path, text: str) -> None:
    complaint(tmp_path, text if text.startswith(("camera", "site")) else NEEDED + text)


@pytest.mark.parametrize(
    ("listen", "says"),
    [
        ("127.evil.example:80", "reached from elsewhere"),
        ("127.0.0.1.evil.example:80", "reached from elsewhere"),
        ("127.1:80", "reached from elsewhere"),
        ("localhost.evil.example:80", "reached from elsewhere"),
        ("0.0.0.0:80", "reached from elsewhere"),
        ("'[::]:80'", "reached from elsewhere"),
        ("127.0.0.1:65536", "65535 is the last"),
        ("127.0.0.1:99999", "65535 is the last"),
    ],
)
def test_where_the_page_may_be_listened_to(tmp_path: Path, listen: str, says: str) -> None:
    assert says in complaint(tmp_path, f"{NEEDED}{TOKEN_PAGE}{listen}}}")


@pytest.mark.parametrize("listen", ["127.0.0.1:1", "127.4.5.6:80", "'[::1]:65535'", "localhost:8712"])
def test_where_it_may(tmp_path: Path, listen: str) -> None:
    path = tmp_path / "c.yaml"
    path.write_text(f"{NEEDED}{TOKEN_PAGE}{listen}}}", encoding="utf-8")
    assert load_settings([path]).page.listen is not None


@pytest.mark.parametrize(
    "text",
    [
        "heartbeat: SECRET",
        "heartbeat: {every_min: SECRET}",
        "heartbeat: {url_from: SECRET}",
        "heartbeat: {url_from: 'env:json://u:SECRET@h'}",
        "heartbeat: {url_from: 'file:https://h/SECRET'}",
        "heartbeat: {SECRET: 1}",
        "heartbeat: {'https://SECRET': 1}",
        "channels: SECRET",
        "channels: [SECRET]",
        "channels: [{name: 'a b SECRET'}]",
        "channels: [{name: a, command: SECRET}]",
        "channels: [{name: a, url_from: env:A, severities: [SECRET]}]",
        "channels: [{name: a, url_from: env:A, quiet: SECRET}]",
        "channels: [{name: a, url_from: env:A, quiet: {from_utc: SECRET, until_utc: '05:00'}}]",
        "channels: [{name: a, url_from: env:A, deadline_s: SECRET}]",
        "alerts: {zone: SECRET}",
        "page: {token_from: SECRET}",
        "page: {listen: 'SECRET:80', token_from: env:T}",
        "page: {listen: SECRET, token_from: env:T}",
        "mount: {tracking: SECRET}",
        "camera: {interval_s: SECRET}",
        "SECRET: 1\nSECRET: 2",
        "page: !SECRET x",
        "page: *SECRET",
        "page: {token_from: env:T, listen: 'x:SECRET'}",
        "sleep: SECRET",
    ],
)
def test_a_secret_in_the_wrong_place_is_not_repeated(tmp_path: Path, text: str) -> None:
    said = complaint(tmp_path, NEEDED + text.replace("SECRET", SECRET))
    assert SECRET not in said
    assert SECRET.lower() not in said.lower()


def test_the_command_says_it_in_one_line_too(tmp_path: Path) -> None:
    (tmp_path / "c.yaml").write_text('{a: b}: "\\ud800"', encoding="utf-8")
    for command in ("check", "watch"):
        done = subprocess.run(
            [sys.executable, "-m", "sentinel", command, "--config", str(tmp_path / "c.yaml")],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)


TEXTS = st.text() | st.sampled_from(["~", "!!int x", "&a", "*a", "<<", "? ", "- ", "{", "[", ": ", "\\ud800"])
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(st.text(max_size=8), below, max_size=3),
    max_leaves=6,
)
KEYS = [
    f"{name}.{below}"
    for name, field in Settings.model_fields.items()
    for below in getattr(field.annotation, "model_fields", {"0": None})
]


@given(st.lists(TEXTS, max_size=12).map("".join))
def test_any_text_is_settings_or_one_line(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes((NEEDED + text).encode("utf-8", "surrogatepass"))
    try:
        load_settings([path])
    except RequestProblem as problem:
        said = str(problem)
    else:
        said = ""
    assert "\n" not in said
    said.encode()


@given(st.sampled_from(KEYS), VALUES)
def test_any_value_is_a_setting_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, key: str, value: object
) -> None:
    import yaml  # noqa: PLC0415

    path = tmp_path_factory.getbasetemp() / "value.yaml"
    section, name = key.split(".")
    path.write_text(
        NEEDED + ("" if section in {"site", "camera"} else yaml.safe_dump({section: {name: value}})),
        encoding="utf-8",
    )
    over = path.with_name("over.yaml")
    over.write_text(yaml.safe_dump({section: {name: value}}), encoding="utf-8")
    try:
        load_settings([path, over])
    except RequestProblem as problem:
        said = str(problem)
    else:
        said = ""
    assert "\n" not in said
    said.encode()
