"""Settings of channels: what is refused, and that a secret written into them is not repeated."""

from pathlib import Path
from typing import Any

import pytest
import yaml

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Channel, Settings, validate

NEEDED: dict[str, Any] = {
    "site": {"latitude_deg": 70, "longitude_deg": 31},
    "camera": {"focal_length_mm": 400, "pixel_pitch_um": 4},
}
SECRET = "s3cret-7c1f"


def channels(content: Any) -> Settings:
    return validate(NEEDED | {"channels": content}, where="c.yaml")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ([{"name": "a"}], "channels: the first channel needs either url_from or command"),
        ([{"name": "a", "command": ["x"], "url_from": "env:X"}], "needs either url_from or command"),
        ([{"name": "a", "command": ["x"]}] * 2, "the channel 'a' stands twice"),
        ([{"name": "a b", "command": ["x"]}], r"channels: the first channel: name"),
        ([{"name": "a", "command": []}], r"channels: the first channel: command"),
        ([{"name": "a", "command": "x"}], r"channels: the first channel: command"),
        ([{"name": "a", "command": ["x"], "severities": ["bad"]}], "'now', 'soon' or 'note', not 'bad'"),
        ([{"name": "a", "url": "env:X"}], r"channels: the first channel: url is not a known setting"),
        ([{"name": "a", "url_from": f"json://{SECRET}"}], r"url_from must say where .* stands: env:NAME"),
        ([{"name": "a", "url_from": {"password": SECRET}}], r"url_from must say where"),
        ([f"json://{SECRET}"], r"channels: the first channel "),
        (f"json://{SECRET}", "channels "),
        ([{"name": f"json://{SECRET}", "command": ["x"]}], r"channels: the first channel: name"),
        ([{"name": "a", "command": ["x"], "quiet": {"from_utc": "25:00", "until_utc": "05:00"}}], "from_utc"),
    ],
)
def test_what_is_wrong_is_named_and_no_secret_repeated(content: Any, says: str) -> None:
    with pytest.raises(RequestProblem, match=says) as caught:
        channels(content)
    assert SECRET not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_slow_link_gets_more_patience() -> None:
    (plain, slow, told) = channels(
        [
            {"name": "a", "url_from": "env:A"},
            {"name": "b", "url_from": "env:A", "slow": True},
            {"name": "c", "url_from": "env:A", "slow": True, "deadline_s": 90.0},
        ]
    ).channels
    assert (plain.patience_s, slow.patience_s, told.patience_s) == (45, 240, 90)


def test_the_reference_explains_every_key_of_a_channel() -> None:
    text = (Path(__file__).parents[2] / "config" / "every-setting.yaml").read_text()
    begin, end = text.index("channels: []"), text.index("delivery:")
    lines = text[begin:end].splitlines()[1:]
    shown = yaml.safe_load("\n".join(line.removeprefix("# ") for line in lines if line.startswith("#  ")))
    channels(shown)
    assert set().union(*shown) == set(Channel.model_fields)
