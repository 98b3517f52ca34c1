"""Brackets whose files do not tell the exposure: when a session is known to have none."""

from sentinel.chain.judge.brackets import Brackets

EVEN, UNEVEN = -1.0, (-3.0, -1.0)


def test_levels_that_are_alike_are_watched_for_ten_frames_and_then_no_longer() -> None:
    assert [Brackets((EVEN,) * count).learning for count in (0, 1, 9, 10, 12)] == [
        False,
        True,
        True,
        False,
        False,
    ]


def test_levels_that_come_and_go_are_watched_until_their_kinds_are_found() -> None:
    assert Brackets(UNEVEN * 6).learning
