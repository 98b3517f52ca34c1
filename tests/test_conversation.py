"""An evening's conversation, held still as a whole; and what any of its sentences must not say."""

import re
from datetime import timedelta
from itertools import groupby
from math import cos, radians
from pathlib import Path

import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time

from tests.conversation import BEGIN, SETTINGS, SKY_PX_MIN, Evening, lived
from tests.sky.by_astropy import quiet

GOLDEN = Path(__file__).parent / "conversation.txt"


@pytest.fixture(scope="module")
def evening() -> Evening:
    return lived()


@pytest.fixture(scope="module")
def text(evening: Evening) -> str:
    return "\n".join(evening.lines)


def test_it_reads_as_it_was_read_aloud(text: str) -> None:
    assert text == GOLDEN.read_text(encoding="utf-8")


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


# --- The report, sentence by sentence, against what was made up for that evening


@pytest.fixture(scope="module")
def report(text: str) -> str:
    return text.rpartition("$ sentinel report state\n")[2]


def numbers(report: str, pattern: str) -> tuple[str, ...]:
    """Return what stands in a sentence; it must be there once."""
    (found,) = re.findall(pattern, report)
    return found if isinstance(found, tuple) else (found,)


def minutes(span: str) -> float:
    """Return the minutes of `9 h 54 min`."""
    parts = re.findall(r"(\d+) (h|min|s)", span)
    return sum(int(number) * {"h": 60, "min": 1, "s": 1 / 60}[unit] for number, unit in parts)


def up_minutes(evening: Evening) -> list[bool]:
    """Return whether the sun's middle is above the level at each picture, by another ephemeris.

    Seen through the usual air a middle on the level is 34 arcminutes below it (common practice).
    """
    place = EarthLocation.from_geodetic(SETTINGS.site.longitude_deg, SETTINGS.site.latitude_deg)
    with quiet():
        times = Time([frame.time_utc for frame in evening.frames])
        altitude = get_sun(times).transform_to(AltAz(obstime=times, location=place)).alt.deg
    return [bool(one) for one in altitude > -34 / 60]


def test_the_report_counts_the_pictures_that_were_taken(evening: Evening, report: str) -> None:
    there, expected, begin, end, took, every = numbers(
        report,
        r"(\d+) of (\d+) expected pictures were recorded from (.{16}) to (.{16}) UTC \((.*?)\), "
        r"one every (\d+) s",
    )
    length = evening.now - BEGIN
    assert int(there) == len(evening.frames)
    assert int(expected) == length // timedelta(minutes=1)
    assert (begin, end) == ("2027-06-21 15:01", f"{evening.now:%Y-%m-%d %H:%M}")
    assert minutes(took) == length / timedelta(minutes=1) - 1
    assert int(every) == 60
    assert "without a gap" in report


def test_the_reports_hours_of_sun_and_shares_are_those_of_the_sky_and_the_frames(
    evening: Evening, report: str
) -> None:
    up_text, seen, whole = numbers(
        report, r"above the horizon line for (.*?) of it\. .* for ([\d.]+) % of that time, .* for ([\d.]+) %"
    )
    up = up_minutes(evening)
    assert minutes(up_text) == pytest.approx(sum(up), abs=2)
    found = sum(frame.disc.found for frame in evening.frames)
    entire = sum(frame.disc.found and frame.disc.limb_in_frame == 1.0 for frame in evening.frames)
    assert float(seen) == pytest.approx(100 * found / sum(up), abs=0.4)
    assert float(whole) == pytest.approx(100 * entire / sum(up), abs=0.4)
    assert numbers(report, r"Disc measured: in (\d+);") == (str(found),)
    (unseen,) = numbers(report, r"sun up and not seen in (\d+)")
    assert int(unseen) == pytest.approx(sum(up) - found, abs=2)


def test_the_reports_longest_stretch_is_the_longest(evening: Evening, report: str) -> None:
    length, begin, end = numbers(report, r"in every one lasted (.*?), from (.{16}) to (.{16}) UTC")
    runs = [
        list(some) for found, some in groupby(evening.frames, key=lambda frame: frame.disc.found) if found
    ]
    longest = max(runs, key=len)
    assert minutes(length) == len(longest) - 1
    assert (begin, end) == tuple(f"{longest[at].time_utc:%Y-%m-%d %H:%M}" for at in (0, -1))


def test_the_reports_edge_is_where_and_when_the_disc_went_over_it(evening: Evening, report: str) -> None:
    over, when = numbers(report, r"Limb nearest to an edge: (\d+) px beyond the edge, (.{16})")
    seen = [frame for frame in evening.frames if frame.disc.found]
    beyond = {frame.time_utc: frame.disc.x_px + frame.disc.radius_px - 5999.5 for frame in seen}
    last = max(beyond, key=lambda time: beyond[time])
    assert float(over) == pytest.approx(beyond[last], abs=1)
    assert when == f"{last:%Y-%m-%d %H:%M}"
    (reached,) = numbers(report, r"Limb reached the edge: once, (.{16})")
    first_over = min(time for time, px in beyond.items() if px > 0)
    # Between two pictures: the one before and that one.
    assert reached in {f"{first_over - timedelta(minutes=ago):%Y-%m-%d %H:%M}" for ago in (0, 1)}


def test_the_report_counts_what_was_said_to_the_operator(evening: Evening, report: str) -> None:
    noticed, messages, woken = numbers(report, r"Noticed: (\d+) incidents .*; (\d+) messages, (\d+) wake-ups")
    assert int(noticed) == sum(one.state == "opened" for one in evening.incidents)
    assert int(messages) == len(evening.alerts)
    assert int(woken) == sum(
        one.kind in {"first", "repeat"} and one.severity.value == "now" for one in evening.alerts
    )


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
