"""The table of conditions, walked: each row has its words, its thresholds, its place, its proof."""

import pytest

from sentinel.chain.judge.conditions import BY_NAME, CONDITIONS, NAMES, PLACE, SHARED_THRESHOLDS, Condition
from sentinel.chain.notify.wording import message
from sentinel.core.settings import Thresholds
from sentinel.jobs.tune.grid import SWEPT, about
from tests.notify.incidents import EVERY

PROVED = {incident.condition for incident in EVERY.values()}


def test_each_condition_stands_once() -> None:
    assert len(BY_NAME) == len(CONDITIONS)


@pytest.mark.parametrize("row", CONDITIONS, ids=lambda row: row.name)
def test_a_row_is_whole(row: Condition) -> None:
    for cause in row.explained_by:
        assert PLACE[cause] < PLACE[row.name], f"{cause} is judged before what it explains"
    assert set(row.thresholds) <= set(Thresholds.model_fields)
    assert row.told_as in PROVED, "no invented incident of it is worded in tests/notify"


@pytest.mark.parametrize("name", NAMES)
def test_no_condition_is_said_by_its_name_alone(name: str) -> None:
    for incident in EVERY.values():
        if incident.condition == name:
            assert not message(incident).startswith(f"{name} since")


def test_every_threshold_belongs_to_a_condition_or_is_shared() -> None:
    owned = {name for row in CONDITIONS for name in row.thresholds}
    assert not owned & SHARED_THRESHOLDS
    assert owned | SHARED_THRESHOLDS == set(Thresholds.model_fields)


def test_what_tuning_sweeps_decides_something() -> None:
    for swept in SWEPT:
        assert about(swept.name), swept.name
