"""What a watch hears of the site's other cameras: asked in the background, journalled, not from the dead."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sentinel.core.clock import SystemClock
from sentinel.core.errors import RequestProblem
from sentinel.core.monitoring import Neighbours
from sentinel.core.other_cameras import OtherCamera, SunSeen
from sentinel.service.journal.journal import Journal
from sentinel.service.status.lines import to_json
from sentinel.service.status.standing import Standing
from sentinel.service.watch.neighbours import NeighbourReader
from tests.watch.running import Running, settings_for
from tests.watch.test_several import standing, state

SINCE = datetime(2027, 6, 21, 1, 0, tzinfo=UTC)


def told(name: str, at: datetime, minutes: float = 0.0) -> Standing:
    sun = SunSeen(state="seen", since_utc=SINCE, frame_utc=SINCE + timedelta(minutes=minutes))
    return replace(standing(name, at=at), sun=sun)


def heard(reader: NeighbourReader) -> list[tuple[str, str]]:
    reader.ask()
    return [(one.camera, one.sun.state) for one in reader.news(datetime.now(UTC))]


def test_news_is_told_once_and_again_when_there_is_more(tmp_path: Path) -> None:
    now_utc = datetime.now(UTC)
    with state(tmp_path / "west", to_json(told("west", now_utc))):
        reader = NeighbourReader(
            Neighbours(states=(str(tmp_path / "west"),)), tmp_path / "own", SystemClock()
        )
        assert heard(reader) == [("west", "seen")]
        assert heard(reader) == []
        (tmp_path / "west" / "status.json").write_text(to_json(told("west", now_utc, 1.0)), encoding="utf-8")
        assert heard(reader) == [("west", "seen")]


def test_the_dead_the_old_and_the_broken_tell_nothing(tmp_path: Path) -> None:
    now_utc = datetime.now(UTC)
    with (
        state(tmp_path / "dead", to_json(told("dead", now_utc)), watched=False),
        state(tmp_path / "old", to_json(told("old", now_utc - timedelta(minutes=20)))),
        state(tmp_path / "broken", to_json(told("broken", now_utc))[:-40]),
        state(tmp_path / "blind", to_json(standing("blind", at=now_utc))),
        state(tmp_path / "well", to_json(told("well", now_utc))),
    ):
        names = ("dead", "old", "broken", "blind", "none", "well")
        chosen = Neighbours(states=tuple(str(tmp_path / name) for name in names))
        assert heard(NeighbourReader(chosen, tmp_path / "own", SystemClock())) == [("well", "seen")]


def test_a_camera_is_no_neighbour_of_its_own(tmp_path: Path) -> None:
    with pytest.raises(RequestProblem, match=r"neighbours\.states: is this camera's own"):
        NeighbourReader(Neighbours(states=(f"{tmp_path}/x/../own",)), tmp_path / "own", SystemClock())


def test_what_a_watch_hears_stands_in_its_journal(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    with state(tmp_path / "west", to_json(told("west", datetime.now(UTC)))):
        settings = settings_for(tmp_path / "in", neighbours={"states": [str(tmp_path / "west")]})
        with Running(settings, tmp_path / "state") as watch:
            watch.wait(lambda: others_in(watch.home.journal))
    (one,) = others_in(tmp_path / "state" / "journal.sqlite")
    assert (one.camera, one.sun.state, one.sun.since_utc) == ("west", "seen", SINCE)


def others_in(path: Path) -> list[OtherCamera]:
    if not path.exists():
        return []
    with Journal.read(path) as journal:
        return [event for event, _ in journal.events() if isinstance(event, OtherCamera)]
