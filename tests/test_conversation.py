"""An evening's conversation, held still as a whole; and what any of its sentences must not say."""

import re
from datetime import timedelta
from math import cos, radians
from pathlib import Path

import pytest

from tests.conversation import SETTINGS, SKY_PX_MIN, Evening, lived

GOLDEN = Path(__file__).parent / "conversation.txt"


@pytest.fixture(scope="module")
def evening() -> Evening:
    return lived()


@pytest.fixture(scope="module")
def text(evening: Evening) -> str:
    return "\n".join(evening.lines)


def test_it_reads_as_it_was_read_aloud(text: str) -> None:
    golden = GOLDEN.read_text(encoding="utf-8")
    within = re.compile(r"(?<=within )\d+(?= arcsec)")
    # What a fit leaves over goes by the libraries' last digits, and may round to one more or less.
    assert within.sub("so many", text) == within.sub("so many", golden)
    left, read = ([int(number) for number in within.findall(one)] for one in (text, golden))
    assert left == pytest.approx(read, abs=1)


def test_nobody_is_shown_a_name_of_the_programs_own(text: str) -> None:
    for name in (
        "before-sleep",
        "drift-exit",
        "axis-limit",
        "mount-battery",
        "lost-disc",
        "no-frames",
        "supply:",
    ):
        assert name not in text


def test_the_operators_clock_stands_before_utc_wherever_a_message_says_a_time(text: str) -> None:
    assert SETTINGS.alerts.zone == "Europe/Oslo"
    messages = re.findall(r"^    (?!\d{4}|Session|  \d{4}|Disc|Forecast|  2027)(.*)$", text, re.MULTILINE)
    said = "\n".join(line for line in messages if "Oslo" in line)
    assert said.count(" Oslo (") > 20
    assert not re.findall(r"(?<!\()\b\d\d:\d\dZ", said)


def test_until_the_list_is_done_and_after_it_the_answer_is_the_same_yes(text: str) -> None:
    asked = text.split("$ sentinel status --until 05:30\n")[1:]
    assert asked[0].strip().startswith("Yes, with these 2 done: then it holds until")
    assert asked[1].strip().startswith("Yes: nothing to do")


def test_the_last_counts_are_those_of_the_messages_above_them(text: str) -> None:
    told_now = len(re.findall(r"^\S+ \S+ \S+  \[(first|repeat), now\]", text, re.MULTILINE))
    messages = len(re.findall(r"^\S+ \S+ \S+  \[", text, re.MULTILINE))
    (line,) = re.findall(r"^    Noticed   (.*)$", text, re.MULTILINE)
    assert line.endswith(f"; {messages} messages, {told_now} wake-ups")


def test_what_was_said_of_the_stop_is_what_happened(evening: Evening, text: str) -> None:
    """The mount stood from an hour after sunrise; the disc went west at the sky's pace."""
    (stopped, touches, gone) = re.findall(
        r"The mount stopped at \S+ Oslo \((\S+)Z\)\. The sun touches the right edge at \S+ Oslo \((\S+)Z\) "
        r"and is gone at \S+ Oslo \((\S+)Z\)",
        text,
    )[0]
    stood = evening.stopped_utc
    px_min = SKY_PX_MIN * cos(radians(20))
    x_px = 4200.0
    assert stopped == f"{stood:%H:%M}"
    for said, way_px in ((touches, 5999.5 - 469 - x_px), (gone, 5999.5 + 469 - x_px)):
        true = stood + timedelta(minutes=way_px / px_min)
        told = true.replace(hour=int(said[:2]), minute=int(said[3:]), second=0)
        assert abs(told - true) <= timedelta(minutes=1)
