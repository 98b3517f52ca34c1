"""A journal as it was written before records changed is read, gone on with and exported as ever.

`kept/` was written by the program of 30 November 2026: 44 invented minutes, forecasts of every kind, and an
invented incident of each condition; beside it what that program exported of it.
"""

import dataclasses
import json
import shutil
from dataclasses import fields
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sentinel.chain.judge.details import Unverified
from sentinel.chain.notify.wording import message
from sentinel.core.records import Incident, Outcome, Tick
from sentinel.service.journal.codec import decode, encode, plain
from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal
from tests.notify.incidents import EVERY

KEPT = Path(__file__).with_name("kept")


def read(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines()


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return Path(shutil.copy(KEPT / "journal.sqlite", tmp_path))


def as_then(shown: Any, kept: Any) -> Any:
    """Return values without what is new since and, as it must be, not known of then."""
    if isinstance(shown, dict) and isinstance(kept, dict):
        return {key: as_then(value, kept.get(key)) for key, value in shown.items() if value or key in kept}
    if isinstance(shown, list) and isinstance(kept, list) and len(shown) == len(kept):
        return [as_then(one, other) for one, other in zip(shown, kept, strict=True)]
    return shown


@pytest.mark.parametrize("name", ["forecasts.jsonl", "incidents.jsonl"])
def test_what_was_kept_is_exported_as_it_was_then(journal: Path, name: str) -> None:
    opened = Journal.read(journal)
    export(opened, journal.parent)
    opened.close()
    now, then = (
        (folder / name).read_text(encoding="utf-8").splitlines() for folder in (journal.parent, KEPT)
    )
    assert len(now) == len(then) > 10
    for line, old in zip(now, then, strict=True):
        shown, kept = json.loads(line), json.loads(old)
        assert list({name: None for name in shown if name in kept}) == list(kept)
        assert as_then(shown, kept) == kept


def test_a_watch_goes_on_with_it(journal: Path) -> None:
    opened = Journal.resume(journal)
    before = list(opened.forecasts())
    again = before[-2]
    later = again.time_utc + timedelta(minutes=1)
    opened.record(Tick(time_utc=later), later, Outcome(forecast=again))
    assert list(opened.forecasts()) == [*before, again]
    opened.close()


def test_the_parts_of_a_forecast_are_known_or_not(journal: Path) -> None:
    opened = Journal.read(journal)
    *_, followed, departed, still, without = opened.forecasts()
    opened.close()
    assert followed.places is not None
    assert followed.mount is not None
    assert followed.mount.axis is not None
    assert departed.places is None
    assert departed.departed_utc is not None
    assert departed.pointing is not None
    assert still.mount is not None
    assert still.mount.axis is None
    assert still.contradiction is not None
    assert (without.mount, without.pointing, without.places) == (None, None, None)
    assert without.next_visit_reason == "axis-limit"


@pytest.mark.parametrize("name", EVERY)
def test_an_incident_comes_back_equal_with_times_as_times(name: str) -> None:
    incident = EVERY[name]
    again = decode(Incident, encode(incident))
    assert again == incident
    assert type(again.detail) is type(incident.detail)
    for one in fields(again.detail):
        value = getattr(again.detail, one.name)
        assert one.name.endswith("_utc") is isinstance(value, datetime) or value is None, one.name


def test_what_another_version_kept_is_neither_lost_nor_in_the_way() -> None:
    kept: dict[str, Any] = json.loads(encode(EVERY["unverified soon"]))
    renamed, nonsense = kept | {"detail": {"unseen_h": 4.0, "moon": 1}}, kept | {"detail": {"unseen_h": {}}}
    elsewhere = kept | {"condition": "meteor", "detail": {"size_m": 3}}
    for old in (renamed, nonsense, elsewhere):
        assert plain(decode(Incident, json.dumps(old)).detail) == old["detail"]
    assert message(decode(Incident, json.dumps(renamed))) == message(
        dataclasses.replace(EVERY["unverified soon"], detail=Unverified(unseen_h=4.0))
    )
