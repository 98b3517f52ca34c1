"""What the watch says of itself: when it is blind it says so as `now`, once, and when it sees again."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sentinel.chain.intake.examine import MeasureJob
from sentinel.core.records import Severity, Tick
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.watch.alarms import Alarms
from sentinel.service.watch.liveness import Liveness
from sentinel.service.watch.snapshot import WatchState
from tests.delivery.receivers import ManualClock
from tests.watch.killing import frame_of, made_settings

T0 = datetime(2027, 6, 21, 10, tzinfo=UTC)


class Told:
    """Stands in for the delivery."""

    def __init__(self) -> None:
        self.said: list[tuple[str, Severity, bool]] = []

    def tell(self, title: str, body: str, severity: Severity, *, which: str, over: bool = False) -> None:
        assert body
        assert which
        self.said.append((title, severity, over))


@pytest.fixture
def parts() -> tuple[Alarms, Liveness, Told, ManualClock]:
    clock, told = ManualClock(), Told()
    liveness = Liveness(clock, ("judging",))
    return Alarms(clock, liveness, told), liveness, told, clock  # type: ignore[arg-type]


def test_when_no_picture_can_be_judged_the_heartbeat_ends(
    parts: tuple[Alarms, Liveness, Told, ManualClock], monkeypatch: pytest.MonkeyPatch
) -> None:
    alarms, liveness, told, _ = parts
    memory = WatchState(made_settings(Path("in"), Path("sent"), T0))
    memory.step(Tick(time_utc=T0), T0)
    assert memory.pipeline is not None

    def ill(*_: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(memory.pipeline, "step", ill)
    for number in range(6):
        memory.step(frame_of(MeasureJob(Path(f"{number}.jpg"), f"{number}.jpg"), T0), T0)
        alarms.of_pictures(memory)
        assert liveness.sees is (number < 2)
    blind = "THE WATCH IS BLIND: it cannot judge"
    assert told.said == [("The watch stumbled", Severity.SOON, False), (blind, Severity.NOW, False)]
    monkeypatch.undo()
    memory.step(Tick(time_utc=T0), T0)
    alarms.of_pictures(memory)
    assert "stumbled" in liveness.blind, "that a tick can be judged says nothing of pictures"
    memory.step(frame_of(MeasureJob(Path("9.jpg"), "9.jpg"), T0), T0)
    alarms.of_pictures(memory)
    assert not liveness.blind
    assert told.said[2:] == [("The watch sees again", Severity.NOW, True)]


def test_the_folder_is_told_of_once_an_hour_and_when_it_is_over(
    parts: tuple[Alarms, Liveness, Told, ManualClock],
) -> None:
    alarms, liveness, told, clock = parts
    for _ in range(130):
        alarms.of_the_folder("a.jpg: what nobody foresaw")
        clock.pass_s(60)
        liveness.beat("judging")
    assert [severity for _, severity, _ in told.said] == [Severity.NOW] * 3
    assert not liveness.sees
    for _ in range(3):
        alarms.of_the_folder("")
    assert told.said[3:] == [("The watch sees again", Severity.NOW, True)]
    assert not liveness.blind


def test_starts_are_counted_however_soon_the_watch_ends(
    parts: tuple[Alarms, Liveness, Told, ManualClock], tmp_path: Path
) -> None:
    _, liveness, told, clock = parts
    Journal.create(tmp_path / "journal.sqlite", Origin.WATCH).close()
    for start in range(1, 13):
        # Each is killed before anything is in the journal.
        with Journal.resume(tmp_path / "journal.sqlite") as journal:
            Alarms(clock, liveness, told).of_starts(journal)  # type: ignore[arg-type]
            assert journal.last_number == 0
        assert len(told.said) == (start >= 6) + (start >= 11)
        clock.pass_s(60)
    assert [title for title, _, _ in told.said] == [
        f"The watch was started again {times} times within an hour" for times in (5, 10)
    ]


def test_starts_an_hour_ago_or_under_another_clock_do_not_count(
    parts: tuple[Alarms, Liveness, Told, ManualClock], tmp_path: Path
) -> None:
    alarms, _, told, clock = parts
    with Journal.create(tmp_path / "journal.sqlite", Origin.WATCH) as journal:
        for _ in range(20):
            alarms.of_starts(journal)
            clock.pass_s(timedelta(minutes=16).total_seconds())
        assert not told.said
        clock.step_s(-1e6)
        for _ in range(4):
            alarms.of_starts(journal)
    assert not told.said
