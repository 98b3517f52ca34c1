"""Who gets which message, and when."""

from datetime import UTC, datetime, timedelta

import pytest

from sentinel.chain.notify.routing import quiet_end_utc, route
from sentinel.core.records import Alert, AlertKind, Severity
from sentinel.core.settings import Alerts, Camera, Channel, Quiet, Settings, Site

T0 = datetime(2027, 6, 21, 3, 1, tzinfo=UTC)
PHONE = Channel(name="phone", url_from="env:P", quiet=Quiet(from_utc="22:00", until_utc="05:00"))
SIREN = Channel(name="siren", command=("true",), severities=("now",))
PARTNER = Channel(name="partner", url_from="env:Q", called="second")


def settings(*channels: Channel) -> Settings:
    return Settings(
        site=Site(latitude_deg=70, longitude_deg=31),
        camera=Camera(focal_length_mm=400, pixel_pitch_um=4),
        channels=channels or (PHONE, PARTNER, SIREN),
        alerts=Alerts(repeat_min=(5.0, 15.0, 30.0)),
    )


def alert(
    kind: AlertKind,
    severity: str,
    *,
    repeat: int = 0,
    answers: str | None = None,
    condition: str = "runaway",
) -> Alert:
    return Alert(
        time_utc=T0,
        kind=kind,
        severity=Severity(severity),
        condition=condition,
        title="t",
        body="b",
        repeat=repeat,
        answers=Severity(answers) if answers else None,
    )


def targets(one: Alert, at: datetime = T0) -> dict[str, float]:
    """Who gets it, and after how many hours."""
    return {p.target: (p.due_utc - at).total_seconds() / 3600 for p in route((one,), settings(), at)}


def test_a_now_goes_to_the_first_list_at_any_hour_and_to_the_siren_before_all() -> None:
    assert list(targets(alert("first", "now")).items()) == [("siren", 0.0), ("phone", 0.0)]


def test_the_second_list_is_called_when_nobody_has_seen_the_last_repeat() -> None:
    assert set(targets(alert("repeat", "now", repeat=2))) == {"siren", "phone"}
    assert set(targets(alert("repeat", "now", repeat=3))) == {"siren", "phone", "partner"}
    assert set(targets(alert("repeat", "now", repeat=7))) == {"siren", "phone", "partner"}


def test_what_need_not_wake_waits_for_the_end_of_quiet_hours() -> None:
    assert targets(alert("first", "soon")) == {"phone": pytest.approx(119 / 60)}
    noon = T0 + timedelta(hours=9)
    assert targets(alert("first", "soon"), noon) == {"phone": 0.0}


@pytest.mark.parametrize("condition", ["visit", "before-sleep"])
def test_an_answer_to_the_operator_waits_for_nothing(condition: str) -> None:
    assert targets(alert("digest", "note", condition=condition)) == {"phone": 0.0}
    assert targets(alert("digest", "note", condition="digest")) == {"phone": pytest.approx(119 / 60)}


def test_that_it_is_over_is_told_to_whoever_was_woken_and_does_not_sound_the_siren() -> None:
    assert targets(alert("clear", "note", answers="now")) == {"phone": 0.0, "partner": 0.0}
    assert targets(alert("clear", "note", answers="soon"))["phone"] > 1


def test_a_message_expires_after_it_was_due_not_before() -> None:
    (posting,) = route((alert("first", "soon"),), settings(PHONE), T0)
    assert posting.expires_utc == posting.due_utc + timedelta(hours=24)


@pytest.mark.parametrize(
    ("hours", "now", "end"),
    [
        (("22:00", "06:00"), "21:59", None),
        (("22:00", "06:00"), "22:00", "06:00"),
        (("22:00", "06:00"), "05:59", "06:00"),
        (("22:00", "06:00"), "06:00", None),
        (("01:00", "02:00"), "01:30", "02:00"),
        (("01:00", "01:00"), "01:00", None),
    ],
)
def test_quiet_hours_over_midnight(hours: tuple[str, str], now: str, end: str | None) -> None:
    at = datetime.fromisoformat(f"2027-06-21T{now}:00+00:00")
    found = quiet_end_utc(Quiet(from_utc=hours[0], until_utc=hours[1]), at)
    assert (found.strftime("%H:%M") if found else None) == end
