"""The worker's rules, with ways to people that a test controls, and simulated time."""

import copy
import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from sentinel.chain.notify.sending import Message
from sentinel.core.errors import Problem
from sentinel.core.records import Disc, Mark, MeasuredFrame, Severity
from sentinel.core.settings import Channel, Heartbeat, Settings
from sentinel.service.delivery.backoff import retry_wait_s, target_pause_s
from sentinel.service.delivery.heartbeat import HeartbeatPinger
from sentinel.service.delivery.sender import NO_PICTURES
from sentinel.service.delivery.transports import Attempt, Transport
from sentinel.service.delivery.worker import IDLE_S, Worker
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.outbox import Outbox
from sentinel.service.journal.rows import PictureScene
from tests.delivery.receivers import (
    T0,
    ManualClock,
    Session,
    alert,
    incident,
    session,
    settings_for,
    settle,
    turn_until,
    turning,
    wait_for,
)

Answer = Callable[[Message], Attempt]
WELL = Attempt(outcome="delivered")
REFUSED = Attempt(outcome="unreachable", why="connection refused")
ODD = Attempt(outcome="failed", why="refused (400)")
UNSURE = Attempt(outcome="doubtful", why="no answer in time")


class FakeTransport:
    """Keeps what it is given and answers as it is told to."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.pictures: list[bytes] = []
        self.answer: Answer = lambda _: WELL
        self.gate: threading.Event | None = None
        self.abandoned = 0

    def send(self, message: Message) -> Attempt:
        self.messages.append(message)
        if self.gate is not None:
            self.gate.wait(20)
        return self.answer(message)

    def send_picture(self, message: Message, jpeg: bytes) -> Attempt:
        self.pictures.append(jpeg)
        if self.gate is not None:
            self.gate.wait(20)
        return self.answer(message)

    def abandon(self) -> None:
        self.abandoned += 1
        if self.gate is not None:
            self.gate.set()

    def titles(self) -> list[str]:
        return [message.title.split("Z: ")[-1] for message in self.messages]


PHONE = Channel(name="phone", url_from="env:PHONE")
OTHER = Channel(name="other", url_from="env:OTHER")


class Fakes:
    """A fake way for each channel."""

    def __init__(self) -> None:
        self.ways = {"phone": FakeTransport(), "other": FakeTransport()}

    def __call__(self, channel: Channel) -> Transport:
        return self.ways[channel.name]

    @property
    def phone(self) -> FakeTransport:
        return self.ways["phone"]


@pytest.fixture
def fakes() -> Fakes:
    return Fakes()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Session]:
    with session(tmp_path, settings_for(PHONE, OTHER)) as opened:
        yield opened


def test_now_first_then_soon_then_notes_and_each_in_the_order_made(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    for number, severity in enumerate(("note", "soon", "now", "note", "now", "soon")):
        one.commit(alert(f"{number}", condition=f"c{number}", severity=Severity(severity)))
    with turning(one, clock, make_transport=fakes) as worker:
        for _ in range(8):
            settle(worker)
    assert fakes.phone.titles() == ["2", "4", "1", "5", "0", "3"]


def test_a_flood_of_messages_arrives_once_and_in_order(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    with turning(one, clock, make_transport=fakes) as worker:
        for number in range(150):
            one.commit(alert(f"{number}", condition=f"c{number}", severity=Severity.NOTE))
            worker.turn()
        turn_until(worker, lambda: one.open_rows() == 0, 60)
    assert fakes.phone.titles() == [f"{number}" for number in range(150)]


def test_a_message_nobody_takes_does_not_hold_up_the_others(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    fakes.phone.answer = lambda message: ODD if message.title.endswith("poison") else WELL
    one.commit(alert("poison", condition="a"), alert("fine", condition="b"))
    with turning(one, clock, make_transport=fakes) as worker:
        settle(worker)
        clock.pass_s(4)
        settle(worker)
        assert one.states()["phone", "delivered"] == 1
        for _ in range(40):
            clock.pass_s(60)
            settle(worker)
        # It is tried less and less, not at every turn.
        assert 5 <= fakes.phone.titles().count("poison") <= 30
        clock.pass_s(24 * 3600)
        settle(worker)
        assert one.states()["phone", "dropped"] == 1


def test_a_new_now_is_tried_at_once_on_a_target_that_is_being_left_in_peace(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    fakes.phone.answer = lambda _: REFUSED
    one.commit(alert("soon", condition="a", severity=Severity.SOON))
    with turning(one, clock, make_transport=fakes) as worker:
        for _ in range(10):
            clock.pass_s(60)
            settle(worker)
        fakes.phone.answer = lambda _: WELL
        tried = len(fakes.phone.messages)
        one.commit(alert("another soon", condition="b", severity=Severity.SOON))
        worker.turn()
        assert len(fakes.phone.messages) == tried
        one.commit(alert("now", condition="c"))
        worker.turn()
        settle(worker)
        # And as that got through, the rest follows at once.
        assert fakes.phone.titles()[-3:] == ["now", "soon", "another soon"]
        assert one.states()["phone", "delivered"] == 3


def test_seen_and_cleared_while_it_waited(one: Session, fakes: Fakes, clock: ManualClock) -> None:
    fakes.phone.answer = lambda _: REFUSED
    with turning(one, clock, make_transport=fakes) as worker:
        one.commit(alert("repeat", kind="repeat", repeat=1, condition="a"))
        one.commit(alert("cleared", condition="b"))
        settle(worker)
        one.commit(event=Mark(time_utc=T0, kind="seen"))
        one.commit(incidents=[incident("b", "cleared", T0 + timedelta(minutes=1))])
        fakes.phone.answer = lambda _: WELL
        fakes.phone.messages.clear()
        clock.pass_s(200)
        settle(worker)
    (said,) = fakes.phone.messages
    assert said.title == "Late, of 03:01Z: Over by now: cleared"
    assert said.severity is Severity.NOTE


def test_a_target_that_was_never_told_is_not_told_that_it_is_over(
    tmp_path: Path, fakes: Fakes, clock: ManualClock
) -> None:
    partner = Channel(name="other", url_from="env:OTHER", called="second")
    with session(tmp_path, settings_for(PHONE, partner)) as one:
        one.commit(alert())
        one.commit(
            alert("Over", kind="clear", severity=Severity.NOTE, answers=Severity.NOW),
            incidents=[incident("runaway", "cleared", T0)],
        )
        with turning(one, clock, make_transport=fakes) as worker:
            settle(worker)
        assert fakes.ways["other"].messages == []
        assert one.states()["other", "dropped"] == 1


def test_what_may_have_arrived_is_not_pressed_on_people(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    fakes.phone.answer = lambda _: UNSURE
    one.commit(alert(severity=Severity.NOTE))
    with turning(one, clock, make_transport=fakes) as worker:
        for _ in range(12 * 60):
            settle(worker)
            clock.pass_s(60)
    assert 6 <= len(fakes.phone.messages) <= 13
    assert all("may have had this before" in said.body for said in fakes.phone.messages[1:])


class Pictured:
    """A session with a frame, and a drawer of pictures."""

    def __init__(self, one: Session) -> None:
        self.asked: list[tuple[str, int]] = []
        frame = MeasuredFrame(frame="a.jpg", time_utc=T0, width_px=9, height_px=9, disc=Disc(found=False))
        one.commit(alert("pictured", attachment="a.jpg"), event=frame)

    def draw(self, scene: PictureScene, most_bytes: int) -> bytes | None:
        self.asked.append((scene.frame.frame, most_bytes))
        return b"jpeg"


def test_the_picture_follows_the_text_once_and_costs_it_nothing(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    pictured = Pictured(one)
    fakes.ways["other"].answer = lambda message: ODD if message.title.startswith("Picture") else WELL
    with turning(one, clock, make_transport=fakes, draw=pictured.draw) as worker:
        for _ in range(5):
            settle(worker)
            clock.pass_s(300)
    assert (fakes.phone.titles(), fakes.phone.pictures) == (["pictured"], [b"jpeg"])
    assert len(fakes.ways["other"].pictures) == 1
    assert one.states() == {("phone", "delivered"): 1, ("other", "delivered"): 1}
    assert pictured.asked == [("a.jpg", 40_000)] * 2


def test_a_service_that_takes_no_pictures_is_asked_once(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    pictured = Pictured(one)
    none = Attempt(outcome="failed", why=NO_PICTURES)
    fakes.phone.answer = lambda message: none if message.title.startswith("Picture") else WELL
    with turning(one, clock, make_transport=fakes, draw=pictured.draw) as worker:
        settle(worker)
        second = MeasuredFrame(frame="b.jpg", time_utc=T0, width_px=9, height_px=9, disc=Disc(found=False))
        one.commit(alert("once more", attachment="b.jpg"), event=second)
        settle(worker)
    assert fakes.phone.titles() == ["pictured", "once more"]
    assert len(fakes.phone.pictures) == 1
    assert len(fakes.ways["other"].pictures) == 2


def test_a_reminder_does_not_bring_the_same_picture_again(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    pictured = Pictured(one)
    with turning(one, clock, make_transport=fakes, draw=pictured.draw) as worker:
        settle(worker)
        one.commit(alert("STILL: pictured", kind="repeat", repeat=1, attachment="a.jpg"))
        settle(worker)
    assert fakes.phone.titles() == ["pictured", "STILL: pictured"]
    assert fakes.phone.pictures == [b"jpeg"]


def test_a_picture_that_cannot_be_drawn_costs_the_text_nothing(
    one: Session, fakes: Fakes, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    pictured = Pictured(one)

    def broken(scene: PictureScene, most_bytes: int) -> bytes | None:
        raise ValueError(f"{scene.frame.frame} {most_bytes}")

    with turning(one, clock, make_transport=fakes, draw=broken) as worker:
        settle(worker)
    assert pictured.asked == []
    assert fakes.phone.titles() == ["pictured"]
    assert one.open_rows() == 0
    assert "ValueError while sending" in caplog.text


def test_slow_channels_get_small_pictures_and_some_none(
    tmp_path: Path, fakes: Fakes, clock: ManualClock
) -> None:
    slow = Channel(name="phone", url_from="env:P", slow=True)
    none = Channel(name="other", url_from="env:Q", picture=False)
    with session(tmp_path, settings_for(slow, none)) as one:
        pictured = Pictured(one)
        with turning(one, clock, make_transport=fakes, draw=pictured.draw) as worker:
            settle(worker)
    assert pictured.asked == [("a.jpg", 10_000)]


def test_a_picture_under_way_gives_way_to_a_now(one: Session, fakes: Fakes, clock: ManualClock) -> None:
    pictured = Pictured(one)
    with turning(one, clock, make_transport=fakes, draw=pictured.draw) as worker:
        turn_until(worker, lambda: bool(fakes.phone.messages))
        fakes.phone.gate = threading.Event()
        turn_until(worker, lambda: bool(fakes.phone.pictures))
        one.commit(alert("a note", condition="a", severity=Severity.NOTE))
        worker.turn()
        assert fakes.phone.abandoned == 0
        one.commit(alert("a now", condition="b"))
        worker.turn()
        assert fakes.phone.abandoned == 1
        settle(worker)
    assert fakes.phone.titles()[1:] == ["a now", "a note"]


def test_a_clock_that_is_set_back_or_forward_neither_delays_nor_loses(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    fakes.phone.answer = lambda _: REFUSED
    one.commit(alert(severity=Severity.SOON))
    with turning(one, clock, make_transport=fakes) as worker:
        settle(worker)
        clock.step_s(-3600)
        clock.pass_s(20)
        settle(worker)
        assert len(fakes.phone.messages) == 2
        # The computer hears from the network for the first time: it is three months later.
        clock.step_s(90 * 86_400)
        fakes.phone.answer = lambda _: WELL
        clock.pass_s(60)
        settle(worker)
    assert one.states()["phone", "delivered"] == 1


class FullDisk:
    """Lets a worker open its journal, and then note nothing in it while `full`."""

    def __init__(self, worker: Worker, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = True
        real = Outbox._transaction

        def transaction(outbox: Outbox) -> Any:
            if self.full:
                raise Problem("the outbox cannot be used (database or disk is full)")
            return real(outbox)

        worker._opened(T0)
        monkeypatch.setattr(Outbox, "_transaction", transaction)


def test_with_a_full_disk_messages_go_out_once_all_the_same(
    one: Session,
    fakes: Fakes,
    clock: ManualClock,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    one.commit(alert())
    with turning(one, clock, make_transport=fakes) as worker:
        disk = FullDisk(worker, monkeypatch)
        with caplog.at_level(logging.WARNING):
            for _ in range(5):
                settle(worker)
                clock.pass_s(60)
        assert len(fakes.phone.messages) == 1
        assert "disk is full" in caplog.text
        disk.full = False
        settle(worker)
    assert one.states() == {("phone", "delivered"): 1, ("other", "delivered"): 1}
    assert len(fakes.phone.messages) == 1


@pytest.mark.parametrize("became", [REFUSED, ODD, UNSURE])
def test_with_a_full_disk_what_did_not_arrive_is_tried_again(
    one: Session, fakes: Fakes, clock: ManualClock, monkeypatch: pytest.MonkeyPatch, became: Attempt
) -> None:
    one.commit(alert())
    fakes.phone.answer = lambda _: became
    with turning(one, clock, make_transport=fakes) as worker:
        disk = FullDisk(worker, monkeypatch)
        for tried in range(1, 4):
            settle(worker)
            assert len(fakes.phone.messages) == tried, "tried again, and not at every turn"
            clock.pass_s(200)
        maybe = "You may have had this before" in fakes.phone.messages[-1].body
        assert maybe is (became is UNSURE)
        fakes.phone.answer = lambda _: WELL
        for _ in range(3):
            clock.pass_s(1000)
            settle(worker)
        assert len(fakes.phone.messages) == 4, "and once it has arrived, no more"
        disk.full = False
        settle(worker)
    assert one.states()["phone", "delivered"] == 1


def test_what_the_journal_cannot_hold_is_told_past_it(
    tmp_path: Path, fakes: Fakes, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    worker = Worker(tmp_path / "none", settings_for(PHONE, OTHER), clock, make_transport=fakes)
    fakes.phone.answer = lambda _: REFUSED
    worker.tell("The watch's disk is full", "Make room.", Severity.SOON, which="full")
    for _ in range(3):
        settle(worker)
    fakes.phone.answer = lambda _: WELL
    clock.pass_s(60)
    settle(worker)
    worker.close()
    assert [said.severity for said in fakes.phone.messages] == [Severity.SOON] * 2
    assert fakes.ways["other"].titles() == ["The watch's disk is full"]
    # And of the journal it complains once, not at every turn.
    assert caplog.text.count("cannot be used") == 1


def test_what_waits_for_a_channel_that_is_no_more_is_settled(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    one.commit(alert())
    one.settings = settings_for(PHONE)
    with turning(one, clock, make_transport=fakes) as worker:
        settle(worker)
    assert one.states() == {("phone", "delivered"): 1, ("other", "dropped"): 1}


def test_quiet_hours_hold_back_and_then_say_so(tmp_path: Path, fakes: Fakes, clock: ManualClock) -> None:
    channel = Channel.model_validate(
        {"name": "phone", "url_from": "env:P", "quiet": {"from_utc": "22:00", "until_utc": "05:00"}}
    )
    with session(tmp_path, settings_for(channel)) as one, turning(one, clock, make_transport=fakes) as worker:
        one.commit(alert(severity=Severity.SOON))
        for _ in range(26):
            settle(worker)
            clock.pass_s(300)
    (said,) = fakes.phone.messages
    assert said.body.startswith("True at 03:01Z, sent at 05:01Z.")


def test_it_runs_by_itself_and_stops_when_told(one: Session, fakes: Fakes) -> None:
    turned = threading.Semaphore(0)
    worker = Worker(one.path, one.settings, ManualClock(), make_transport=fakes, turned=turned.release)
    worker.start()
    one.commit(alert())
    worker.wake()
    wait_for(lambda: one.open_rows() == 0)
    while turned.acquire(blocking=False):
        pass
    assert turned.acquire(timeout=60), "it turns though there is nothing to do"
    fakes.phone.gate = threading.Event()
    one.commit(alert("stuck", condition="z"))
    worker.wake()
    wait_for(lambda: len(fakes.phone.messages) == 2)
    fakes.phone.answer = lambda _: UNSURE
    worker.stop(patience_s=0.2)
    assert one.states()["phone", "waiting"] == 1
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("deliver")]


def test_a_journal_that_is_away_does_not_end_the_worker(
    tmp_path: Path, fakes: Fakes, caplog: pytest.LogCaptureFixture
) -> None:
    settings: Settings = settings_for(PHONE)
    turned = threading.Semaphore(0)
    worker = Worker(
        tmp_path / "journal.sqlite", settings, ManualClock(), make_transport=fakes, turned=turned.release
    )
    worker.start()
    worker.wake()
    assert all(turned.acquire(timeout=60) for _ in range(2))
    with session(tmp_path, settings) as one:
        one.commit(alert())
        worker.wake()
        wait_for(lambda: bool(fakes.phone.messages))
        worker.stop()
        assert one.states() == {("phone", "delivered"): 1}
    assert "cannot be used" in caplog.text


def test_the_writer_of_events_is_hardly_held_up(one: Session, fakes: Fakes, clock: ManualClock) -> None:
    """Both write at once for a while; neither ever fails for the other's lock."""
    with turning(one, clock, make_transport=fakes) as worker:
        stop = threading.Event()
        failures: list[BaseException] = []

        def write() -> None:
            # A connection belongs to its thread: this one opens the journal as the watch would.
            journal = Journal(sqlite3.connect(one.path, isolation_level=None, timeout=10), one.path)
            second = copy.copy(one)
            second.journal = journal
            try:
                for number in range(60):
                    second.commit(alert(f"{number}", condition=f"c{number}"))
            except BaseException as error:  # noqa: BLE001 - handed to the test
                failures.append(error)
            finally:
                journal.close()
                stop.set()

        writer = threading.Thread(target=write)
        writer.start()
        while not stop.is_set():
            worker.turn()
        writer.join()
        turn_until(worker, lambda: one.open_rows() == 0, 60)
    assert failures == []
    assert sorted(fakes.phone.titles(), key=int) == [f"{number}" for number in range(60)]


def test_waits_grow_and_are_spread() -> None:
    middle = [retry_wait_s(Severity.NOW, n, 0, lambda: 0.5) for n in range(1, 9)]
    assert middle == [5, 10, 20, 40, 80, 120, 120, 120]
    assert retry_wait_s(Severity.NOTE, 99, 0, lambda: 0.0) == 675
    assert retry_wait_s(Severity.NOTE, 99, 0, lambda: 1.0) == 1125
    assert [retry_wait_s(Severity.NOTE, 1, n, lambda: 0.5) for n in (1, 2, 3, 9)] == [60, 120, 240, 7200]
    assert [target_pause_s(n, lambda: 0.5) for n in (0, 1, 2, 50)] == [0, 2, 4, 30]


def test_what_is_kept_ready_is_let_go_when_it_is_not_needed_for_long(
    one: Session, fakes: Fakes, clock: ManualClock
) -> None:
    one.commit(alert())
    clock.pass_s(60)
    with turning(one, clock, make_transport=fakes) as worker:
        settle(worker)
        clock.pass_s(IDLE_S - 10)
        worker.turn()
        assert fakes.phone.abandoned == 0, "the next message may come soon"
        for _ in range(3):
            clock.pass_s(20)
            worker.turn()
        assert fakes.phone.abandoned == 1


def test_a_second_copy_that_cannot_be_written_is_told_once_until_it_can(
    tmp_path: Path, one: Session, clock: ManualClock, fakes: Fakes, caplog: pytest.LogCaptureFixture
) -> None:
    fakes.phone.answer = lambda _: REFUSED
    one.commit(alert())
    copy = tmp_path / "gone" / "waiting.jsonl"
    told = "cannot be kept a second time"
    with turning(one, clock, make_transport=fakes, second_copy=copy) as worker:
        for expected in (1, 1):
            settle(worker)
            assert caplog.text.count(told) == expected
        copy.parent.mkdir()
        settle(worker)
        assert copy.exists()
        copy.unlink()
        copy.parent.rmdir()
        settle(worker)
        assert caplog.text.count(told) == 2


class HangingPing:
    """Hangs until it is abandoned."""

    def __init__(self) -> None:
        self.let_go = threading.Event()

    def ping(self) -> Attempt:
        self.let_go.wait(60)
        return UNSURE

    def abandon(self) -> None:
        self.let_go.set()


def test_a_ping_that_hangs_does_not_hold_up_the_end(one: Session, fakes: Fakes) -> None:
    clock, ping = ManualClock(), HangingPing()
    clock.pass_s(1000)
    chosen = Heartbeat(url_from="env:BEAT")
    heartbeat = HeartbeatPinger(chosen, clock, lambda: True, make_pinger=lambda _: ping)
    worker = Worker(one.path, one.settings, clock, make_transport=fakes, heartbeat=heartbeat)
    worker.turn()
    began_s = time.monotonic()
    worker.stop(patience_s=0.5)
    assert ping.let_go.is_set()
    assert time.monotonic() - began_s < 20
