"""The first sentence: until when the camera may be left alone, and why."""

from datetime import UTC, datetime, timedelta

import pytest

from sentinel.notify.left_alone import UNKNOWN, left_alone, pressing, span
from sentinel.records import Due, Forecast, Severity

NOW = datetime(2027, 6, 21, 2, 28, tzinfo=UTC)


def due(minutes: float, reason: str = "axis-limit", travel_min: float = 10, **more: object) -> Forecast:
    at = NOW + timedelta(minutes=minutes)
    return Forecast(
        time_utc=NOW,
        basis="mount model",
        seen_utc=NOW,
        due=(Due(time_utc=at, reason=reason),),
        next_visit_utc=at - timedelta(minutes=travel_min),
        next_visit_reason=reason,
        **more,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("forecast", "says"),
    [
        (None, UNKNOWN),
        (Forecast(time_utc=NOW, basis="no disc yet"), UNKNOWN),
        (
            Forecast(time_utc=NOW, basis="mount model", seen_utc=NOW),
            "The camera may be left alone for the next 48 h: nothing falls due.",
        ),
        (
            due(372),
            (
                "The camera may be left alone until 08:40 UTC (6 h 12 min): the axis limit comes first. "
                "Set off by 08:30 UTC."
            ),
        ),
        (
            due(1272, "drift", travel_min=0, edge="top"),
            (
                "The camera may be left alone until 2027-06-21 23:40 UTC (21 h 12 min): "
                "the sun drifts to the top edge first."
            ),
        ),
        (
            due(8, "card"),
            "Go to the camera now: it may be left alone only until 02:36 UTC (8 min); the card fills first.",
        ),
        (
            due(0, "timer"),
            "The camera cannot be left alone: the timer's count ends first, and it is due now.",
        ),
        (
            due(4, "drift", edge="left", departed_utc=NOW - timedelta(minutes=2)),
            (
                "The mount has not followed the sun since 02:26 UTC: the sun is lost by 02:32 UTC (4 min). "
                "Go to the camera now."
            ),
        ),
        (
            due(-3, "drift", edge="left", exit_utc=NOW - timedelta(minutes=3)),
            "The sun reached the left edge of the frame at 02:25 UTC. Go to the camera now.",
        ),
    ],
)
def test_the_sentence(forecast: Forecast | None, says: str) -> None:
    assert left_alone(forecast, NOW) == says


@pytest.mark.parametrize(
    ("seconds", "says"),
    [(0, "0 s"), (59.4, "59 s"), (60, "1 min"), (3599, "1 h"), (3660, "1 h 1 min"), (172_800, "48 h")],
)
def test_spans_as_people_say_them(seconds: float, says: str) -> None:
    assert span(timedelta(seconds=seconds)) == says


def test_what_is_open_and_cannot_wait_comes_first() -> None:
    troubles = (
        ("moved", Severity.SOON, "The sun jumped."),
        ("drift-exit", Severity.NOW, "The sun is near the edge."),
        ("over-bright", Severity.NOW, "Do NOT look into camera or finder."),
    )
    trouble = pressing(troubles)
    assert trouble == "Do NOT look into camera or finder."
    assert left_alone(due(372, "axis-limit"), NOW, trouble) == (
        "The camera cannot be left alone now. Do NOT look into camera or finder. "
        "That mended, it may be left alone until 08:40 UTC (6 h 12 min): the axis limit comes first. "
        "Set off by 08:30 UTC."
    )
    assert pressing(troubles[:2]) == "", "what was foreseen has its own sentence"
