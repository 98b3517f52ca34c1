"""The report's page: what it says is what the journal holds; it needs nothing and shows names as text."""

import base64
import hashlib
import math
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from sentinel.chain.intake.session import JOURNAL_NAME
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Event, MeasuredFrame, Outcome, Severity, Surroundings, Tick
from sentinel.jobs.report.page import write_report
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.outbox import Outbox
from tests.report.sessions import (
    MINUTE,
    NOON,
    alert,
    dark,
    forecast,
    frame,
    incident,
    journal_of,
    mark,
    posting,
    settings,
)

HOSTILE = "<script>alert(1)</script>\n&\"'<img src=http://x.invalid/a.png>.JPG"


class Reader(HTMLParser):
    """Gathers tags with their attributes, and the text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        # Cells and terms stand apart on the page.
        self.text += " " if tag in {"td", "dd", "dt", "th", "tr", "p", "h2", "h3"} else ""

    def handle_data(self, data: str) -> None:
        self.text += data


def page_of(folder: Path) -> tuple[str, Reader]:
    text = write_report(folder).read_text(encoding="utf-8")
    reader = Reader()
    reader.feed(text)
    return text, reader


def said(reader: Reader) -> str:
    return " ".join(reader.text.replace("\u202f", "").split())


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Four hours: after two a gap of 20 minutes, then half an hour of cloud; an incident, a message."""
    events = [frame(n) for n in range(120)] + [dark(n) for n in range(140, 170)]
    events += [frame(n) for n in range(170, 241)]
    outcomes = {
        3: Outcome(forecast=forecast(3), incidents=(incident(3),), alerts=(alert(3),)),
        60: Outcome(forecast=forecast(60), incidents=(incident(60, "changed", Severity.NOW),)),
        90: Outcome(forecast=forecast(90), incidents=(incident(90, "cleared", Severity.NOTE),)),
    }
    return journal_of(tmp_path / "session", [*events, mark(200, "visit", "<b>hello</b>")], outcomes)


def test_the_facts_are_those_of_the_journal(session: Path) -> None:
    _, reader = page_of(session)
    text = said(reader)
    assert "221 of 241 expected pictures were recorded from 2027-06-21 09:00 to 2027-06-21 13:00 UTC" in text
    assert "(4 h), one every 60 s, with one gap, 21 min from 2027-06-21 10:59." in text
    assert "in 191; sun up and not seen in 30" in text
    # 120 frames of a minute each before the gap, 70 after the cloud, of 240: shares are never rounded up.
    assert "for 79.1 % of that time" in text
    assert "lasted 1 h 59 min, from 2027-06-21 09:00 to 2027-06-21 10:59 UTC" in text
    assert "1 incident (1 now); 1 message, 1 wake-up" in text
    assert "no-light 30 the frame is dark from end to end" in text
    assert "The sun's edge is <soft>." in text
    assert "visit <b>hello</b>" in text


def test_each_alignment_has_an_axis_of_its_own(tmp_path: Path) -> None:
    folder = journal_of(
        tmp_path / "session", [*(frame(n) for n in range(120) if n != 60), mark(60, "realigned")]
    )
    _, reader = page_of(folder)
    text = said(reader)
    assert "12 numbers for 238 measured: axis, rate and roll for each of 2 alignments, and two" in text
    assert "Alignment 2: axis" in text


def test_a_single_picture_says_nothing_of_shares_of_time(tmp_path: Path) -> None:
    by_day = said(page_of(journal_of(tmp_path / "day", [frame(0)]))[1])
    assert "1 of 1 expected picture was recorded" in by_day
    assert "never stood above the horizon" not in by_day
    night = replace(frame(0), time_utc=NOON + timedelta(days=180))
    assert "never stood above the horizon" in said(page_of(journal_of(tmp_path / "night", [night]))[1])


def test_nothing_seen_is_none_and_no_forecast_is_no_verdict_on_discs(tmp_path: Path) -> None:
    text = said(page_of(journal_of(tmp_path / "dark", [dark(n) for n in range(30)]))[1])
    assert "measured for none of that time" in text
    assert "29 min, none recorded" in text
    assert "No forecast was made." in text
    assert "could be believed" not in text
    unseen = Outcome(forecast=replace(forecast(3), pointing=None))
    text = said(page_of(journal_of(tmp_path / "unseen", [dark(n) for n in range(30)], {3: unseen}))[1])
    assert "No forecast could say when the limb reaches an edge: no disc could be believed." in text


def test_an_exit_is_told_with_its_time(tmp_path: Path) -> None:
    leaving = [frame(n, x_px=1340.0 + 4 * n) for n in range(40)]
    _, reader = page_of(journal_of(tmp_path / "once", leaving))
    # From 1340 px at 4 px a minute: the limb is there when the centre has 77.8 px left to 1499.5 px.
    assert "Limb reached the edge once, 2027-06-21 09:20" in said(reader)


def test_every_hour_has_its_row(session: Path) -> None:
    _, reader = page_of(session)
    text = said(reader)
    for row in ("2027-06-21 09 60 60 60", "2027-06-21 10 60 60 60", "2027-06-21 11 40 60 10 20"):
        assert row in text
    # Gap and cloud lie in one hour: it alone has its mark.
    assert [a.get("class") for tag, a in reader.tags if tag == "tr" and a.get("class")] == ["poor"]
    anchors = {attributes.get("id") for tag, attributes in reader.tags if tag == "details"}
    links = [a["href"] for tag, a in reader.tags if tag == "a" and (a.get("href") or "").startswith("#h2")]
    assert len(links) == 5
    assert {(link or "")[1:] for link in links} <= anchors


def test_every_exposure_stands_in_the_page(session: Path) -> None:
    text, _ = page_of(session)
    with Journal.read(session / JOURNAL_NAME) as journal:
        frames = list(journal.frames())
    assert len(frames) == 221
    for one in frames:
        assert one.frame in text
        assert one.sha256 in text


def test_the_page_asks_nobody_for_anything(session: Path) -> None:
    text, reader = page_of(session)
    for tag, attributes in reader.tags:
        assert tag not in {
            "script",
            "link",
            "img",
            "iframe",
            "object",
            "embed",
            "form",
            "base",
            "image",
            "use",
        }
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name != "style", "a style attribute is refused by the page's own policy"
            if name in {"src", "href", "xlink:href", "action", "data"}:
                assert (value or "").startswith("#")
    assert "@import" not in text
    assert "url(" not in text
    policy = next(a["content"] or "" for tag, a in reader.tags if "http-equiv" in a and tag == "meta")
    assert policy.startswith("default-src 'none'; ")
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy


def test_every_picture_says_what_it_shows(session: Path) -> None:
    _, reader = page_of(session)
    pictures = [attributes for tag, attributes in reader.tags if tag == "svg"]
    assert len(pictures) >= 20
    for attributes in pictures:
        assert attributes["role"] == "img"
        assert len(attributes["aria-label"] or "") > 20


def test_hostile_names_and_words_stay_text(tmp_path: Path) -> None:
    frames = [replace(frame(n), frame=f"{n}{HOSTILE}", error=None) for n in range(10)]
    frames[3] = replace(dark(3), frame=HOSTILE, error=HOSTILE, flags=("<b>flag",))
    told = Outcome(
        incidents=(replace(incident(5), message=HOSTILE, condition=HOSTILE),),
        alerts=(alert(5, title=HOSTILE, body=HOSTILE),),
    )
    folder = journal_of(tmp_path / "s", [*frames, mark(9, "remark", HOSTILE)], {5: told})
    text, reader = page_of(folder)
    tags = {tag for tag, _ in reader.tags}
    assert not tags & {"script", "img"}
    assert "&lt;script&gt;" in text
    # A newline in a name must not make a line of its own among the exposures.
    (listed,) = re.findall(r"<pre class=\"list\">(.*?)</pre>", text, re.DOTALL)
    assert len(listed.splitlines()) == 10


def test_the_same_journal_gives_the_same_bytes(session: Path, tmp_path: Path) -> None:
    first = write_report(session).read_bytes()
    assert write_report(session, tmp_path / "again.html").read_bytes() == first


def test_digests_that_carried_the_hash_vouch_for_it(tmp_path: Path) -> None:
    frames = [frame(n) for n in range(4)]
    running = ""
    for one in frames[:2]:
        running = hashlib.sha256(bytes.fromhex(running) + bytes.fromhex(one.sha256)).hexdigest()
    right = alert(
        1, kind="digest", severity=Severity.NOTE, body=f"Well.\nRunning hash of 2 frames: {running}."
    )
    wrong = alert(
        2, kind="digest", severity=Severity.NOTE, body=f"Well.\nRunning hash of 3 frames: {running}."
    )
    unsent = replace(right, time_utc=NOON + 3 * MINUTE)
    outcomes = {
        n: Outcome(alerts=(told,), postings=(posting("phone"),)) for n, told in ((1, right), (2, wrong))
    }
    outcomes[3] = Outcome(alerts=(unsent,))
    folder = journal_of(tmp_path / "s", frames, outcomes, origin=Origin.WATCH)
    _, reader = page_of(folder)
    assert "No message carried it out of the computer" in said(reader), "nothing is delivered yet"
    with Outbox.open(folder / JOURNAL_NAME) as outbox:
        while row := outbox.next_due("phone", NOON + 5 * MINUTE):
            outbox.begin(row)
            outbox.delivered(row, NOON + 5 * MINUTE)
    _, reader = page_of(folder)
    assert "2 digests carried the running hash out" in said(reader)
    assert "1 of these agree with this chain" in said(reader)


def test_a_session_without_hashes_says_so(tmp_path: Path) -> None:
    _, reader = page_of(journal_of(tmp_path / "s", [replace(frame(n), sha256="") for n in range(5)]))
    assert "nothing here ties the numbers to files" in said(reader)
    assert not [a for tag, a in reader.tags if tag == "code"]


def test_delivery_stands_beside_each_message(tmp_path: Path) -> None:
    outcome = Outcome(alerts=(alert(1),), postings=(posting("siren"), posting("phone")))
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(5)], {1: outcome}, origin=Origin.WATCH)
    with Outbox.open(folder / JOURNAL_NAME) as outbox:
        row = outbox.next_due("siren", NOON + MINUTE)
        assert row is not None
        outbox.begin(row)
        outbox.delivered(row, NOON + 2 * MINUTE)
        row = outbox.next_due("phone", NOON + MINUTE)
        assert row is not None
        outbox.drop(row, NOON + 3 * MINUTE, "over by then")
    _, reader = page_of(folder)
    assert "siren: delivered after 1 min" in said(reader)
    assert "phone: not sent (over by then)" in said(reader)
    assert "Of 2 messages to channels: 1 delivered, 1 not sent." in said(reader)


def test_no_secret_stands_in_the_page(tmp_path: Path) -> None:
    told = settings(
        channels=[
            {"name": "siren", "command": ["/usr/bin/siren", "--key", "s3cret"]},
            {"name": "phone", "url_from": "env:PHONE_URL"},
        ]
    )
    text, reader = page_of(journal_of(tmp_path / "s", [frame(n) for n in range(5)], told=(told,)))
    assert "s3cret" not in text
    assert "url_from env:PHONE_URL" in said(reader)


def test_settings_that_changed_in_the_session_are_named(tmp_path: Path) -> None:
    other = settings(frames={"margin_px": 30})
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(5)], told=(settings(), other))
    _, reader = page_of(folder)
    assert "other settings held: frames.margin_px" in said(reader)


def test_settings_given_take_the_journal_s_place_and_the_page_says_so(tmp_path: Path) -> None:
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(5)])
    config = tmp_path / "c.yaml"
    config.write_text(
        "site: {latitude_deg: 70.0, longitude_deg: 31.1}\n"
        "camera: {name: Ridge east, focal_length_mm: 500, pixel_pitch_um: 23.52}\n"
    )
    page = write_report(folder, tmp_path / "out.html", [config]).read_text()
    assert "settings other than the session&#39;s last: camera.name, camera.focal_length_mm" in page
    assert "<title>Ridge east: The sun, " in page


def test_a_wrong_place_is_told(tmp_path: Path) -> None:
    told = settings(site={"latitude_deg": 45.0, "longitude_deg": -149.0})
    _, reader = page_of(journal_of(tmp_path / "s", [frame(n) for n in range(20)], told=(told,)))
    assert "By computation the sun never stood above the horizon line" in said(reader)
    assert "In 20 pictures a disc was measured while, by the settings, the sun was well below" in said(reader)


def test_a_frame_of_a_wrong_date_does_not_stretch_the_page(tmp_path: Path) -> None:
    stray = replace(frame(3), frame="stray.jpg", time_utc=NOON - timedelta(days=9000))
    _, reader = page_of(journal_of(tmp_path / "s", [*(frame(n) for n in range(20)), stray]))
    assert "Left out: 1 picture whose date is far from that of all the others" in said(reader)
    assert "Left out for their dates: stray.jpg" in said(reader)
    assert "20 of 20 expected pictures" in said(reader)


@pytest.mark.parametrize(
    "frames",
    [
        [frame(0)],
        [dark(0)],
        [dark(n) for n in range(10)],
        [frame(0), frame(1)],
        [replace(frame(0), time_utc=NOON), replace(frame(1), time_utc=NOON)],
        [replace(dark(n), width_px=0, height_px=0, error="cut short") for n in range(3)],
        [frame(n, radius_px=float("nan")) for n in range(10)],
        [frame(n, x_px=1e9) for n in range(10)],
        [frame(n, x_px=-1e9 * (n % 2)) for n in range(30)],
    ],
    ids=["one", "one dark", "dark", "two", "one time", "unreadable", "no radius", "far", "mad"],
)
def test_poor_sessions_have_a_page_too(tmp_path: Path, frames: list[MeasuredFrame]) -> None:
    text, _ = page_of(journal_of(tmp_path / "s", frames))
    assert "nan" not in re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL).lower().split()
    assert ">nan<" not in text
    assert ",nan" not in text


def test_the_clock_s_offset_is_that_which_was_used(tmp_path: Path) -> None:
    events: list[Event] = [
        Surroundings(time_utc=NOON, camera_offset_s=12.0, clock_synchronised=True),
        *(replace(frame(n), arrived_utc=NOON + n * MINUTE + timedelta(seconds=7)) for n in range(5)),
        Surroundings(time_utc=NOON + 5 * MINUTE, camera_offset_s=15.5, clock_synchronised=False),
    ]
    _, reader = page_of(journal_of(tmp_path / "s", events, origin=Origin.WATCH))
    text = said(reader)
    assert "+12.0 to +15.5 s as used; 1 change of over 1 s" in text
    assert "median 7.0 s" in text
    assert "synchronised in 1 of 2 readings" in text


def test_what_cannot_be_reported_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(RequestProblem, match="there is no journal"):
        write_report(tmp_path)
    with pytest.raises(RequestProblem, match="holds no frames yet"):
        write_report(journal_of(tmp_path / "empty", []))
    with pytest.raises(RequestProblem, match="--config"):
        write_report(journal_of(tmp_path / "bare", [frame(0)], told=()))
    spoilt = tmp_path / "spoilt"
    spoilt.mkdir()
    (spoilt / JOURNAL_NAME).write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 40)
    with pytest.raises(RequestProblem):
        write_report(spoilt)
    assert not list(spoilt.glob("*.html"))


def test_a_journal_cut_in_the_middle_is_one_line(tmp_path: Path) -> None:
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(400)])
    path = folder / JOURNAL_NAME
    held = path.read_bytes()
    path.write_bytes(held[: len(held) // 2])
    with pytest.raises(RequestProblem) as told:
        write_report(folder)
    assert "\n" not in str(told.value)
    assert [p.name for p in folder.glob("*report*")] == []


def test_a_spoilt_row_costs_that_row_and_is_told(tmp_path: Path) -> None:
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(10)])
    with closing(sqlite3.connect(folder / JOURNAL_NAME)) as db, db:
        db.execute("UPDATE event SET body = '{' WHERE seq = 4")
    db.close()
    _, reader = page_of(folder)
    assert "1 row of the journal could not be read any more" in said(reader)
    assert "9 of 10 expected pictures" in said(reader)


def test_a_report_can_be_made_while_the_watch_writes(tmp_path: Path) -> None:
    folder = journal_of(tmp_path / "s", [frame(n) for n in range(10)], origin=Origin.WATCH)
    with Journal.resume(folder / JOURNAL_NAME) as journal:
        journal.record(frame(10), NOON + 10 * MINUTE, Outcome())
        _, reader = page_of(folder)
        journal.record(frame(11), NOON + 11 * MINUTE, Outcome())
    assert "11 of 11 expected pictures" in said(reader)


def test_a_watch_that_waited_in_vain_says_so(tmp_path: Path) -> None:
    events: list[Event] = [frame(n) for n in range(60)]
    events += [Tick(time_utc=NOON + n * MINUTE) for n in range(60, 181)]
    _, reader = page_of(journal_of(tmp_path / "watched", events, origin=Origin.WATCH))
    assert "After that no picture came, though the watch went on for 2 h 1 min." in said(reader)
    _, reader = page_of(journal_of(tmp_path / "replayed", events))
    assert "After that no picture came" not in said(reader)


@pytest.mark.slow
def test_two_weeks_of_frames_stay_a_page_that_can_be_mailed(tmp_path: Path) -> None:
    frames = [
        frame(n, y_px=480 + 3 * math.sin(n / 9), radius_px=77.8 + 0.1 * math.sin(n)) for n in range(20_000)
    ]
    folder = journal_of(
        tmp_path / "s", frames, {n: Outcome(forecast=forecast(n)) for n in range(0, 20_000, 10)}
    )
    path = write_report(folder)
    assert path.stat().st_size < 5_000_000
    assert frames[-1].sha256 in path.read_text(encoding="utf-8")
