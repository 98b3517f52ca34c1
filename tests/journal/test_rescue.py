"""What waits is kept a second time, and put back where it is missing, once."""

from datetime import timedelta
from pathlib import Path

import pytest

from sentinel.core.settings import Channel
from sentinel.service.journal import rescue
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.outbox import Outbox
from tests.delivery.receivers import T0, Session, alert, session, settings_for

SETTINGS = settings_for(Channel(name="phone", command=("true",)), Channel(name="other", command=("true",)))


@pytest.fixture
def kept(tmp_path: Path) -> list[rescue.WaitingMessage]:
    folder = tmp_path / "old"
    folder.mkdir()
    with session(folder, SETTINGS) as one:
        one.commit(alert("first"), alert("second"))
        with Outbox.open(one.path) as outbox:
            row = outbox.next_due("phone", T0)
            assert row is not None
            outbox.delivered(row, T0)
            return rescue.waiting(outbox)


def test_what_waits_is_written_and_read(tmp_path: Path, kept: list[rescue.WaitingMessage]) -> None:
    assert [(one.target, "second" in one.body) for one in kept] == [
        ("other", False), ("phone", True), ("other", True),
    ]  # fmt: skip
    rescue.write(tmp_path / "waiting.jsonl", kept)
    assert rescue.read(tmp_path / "waiting.jsonl") == kept
    with (tmp_path / "waiting.jsonl").open("a") as file:
        file.write('{"target": "phone"}\nno line\n[1]\n')
    assert rescue.read(tmp_path / "waiting.jsonl") == kept, "what cannot be read costs itself"
    assert rescue.read(tmp_path / "none") == []


def test_what_is_missing_is_put_back_once_and_says_it_may_be_a_copy(
    tmp_path: Path, kept: list[rescue.WaitingMessage]
) -> None:
    one = Session(tmp_path, SETTINGS)
    assert rescue.put_back(one.path, kept, T0) == 3
    assert rescue.put_back(one.path, kept, T0) == 0
    with Outbox.open(one.path) as outbox:
        row = outbox.next_due("phone", T0 + timedelta(hours=1))
        assert row is not None
        assert (row.alert.title, row.doubtful) == ("second", 1)
        outbox.delivered(row, T0)
    assert rescue.put_back(one.path, kept, T0) == 0, "delivered is known too"
    one.close()


def test_a_journal_that_is_sound_says_itself_what_waits(
    tmp_path: Path, kept: list[rescue.WaitingMessage]
) -> None:
    assert rescue.read_damaged(tmp_path / "old" / "journal.sqlite") == kept
    (tmp_path / "spoilt").write_bytes(b"no journal")
    assert rescue.read_damaged(tmp_path / "spoilt") == []
    assert rescue.read_damaged(tmp_path / "none") == []


def test_what_is_put_back_makes_no_time_pass(tmp_path: Path, kept: list[rescue.WaitingMessage]) -> None:
    one = Session(tmp_path, SETTINGS)
    one.commit(alert("third"))
    with Journal.read(one.path) as journal:
        before = list(journal.numbered_events(0))
    assert rescue.put_back(one.path, kept, T0 + timedelta(days=2)) == 3
    with Journal.read(one.path) as journal:
        assert list(journal.numbered_events(0)) == before, "two days away are still to be told"
        assert [said.title for said in journal.alerts()] == ["third", "first", "second", "second"]
    one.close()
