"""What becomes of a message by the time it is sent."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sentinel.chain.notify.sending import Circumstances, Dropped, Message, as_sent
from sentinel.core.records import Alert, Severity
from sentinel.core.settings import Alerts, Camera, Channel, Settings, Site

T0 = datetime(2027, 6, 21, 3, 1, tzinfo=UTC)
ALERT = Alert(
    time_utc=T0,
    kind="first",
    severity=Severity.NOW,
    condition="runaway",
    title="MOUNT STOPPED: go now",
    body="The mount stopped at 03:01Z. Go now.",
    short="Mount stopped 03:01Z. Go now.",
)
PHONE = Channel(name="phone", url_from="env:P")
SATELLITE = Channel(name="satellite", url_from="env:S", text="short")
SETTINGS = Settings(
    site=Site(latitude_deg=70, longitude_deg=31),
    camera=Camera(focal_length_mm=400, pixel_pitch_um=4),
    alerts=Alerts(zone="Europe/Oslo"),
)


def known(after_min: float = 0.0, **changes: Any) -> Circumstances:
    now = T0 + timedelta(minutes=after_min)
    return replace(Circumstances(now_utc=now, expires_utc=T0 + timedelta(hours=24)), **changes)


def sent(alert: Alert, circumstances: Circumstances, channel: Channel = PHONE) -> Message:
    message = as_sent(alert, channel, SETTINGS, circumstances)
    assert isinstance(message, Message)
    return message


def test_in_time_it_is_what_was_written() -> None:
    assert sent(ALERT, known(1)) == Message(title=ALERT.title, body=ALERT.body, severity=Severity.NOW)
    assert sent(ALERT, known(1), SATELLITE).body == ALERT.short


def test_late_it_says_when_it_was_true_in_both_zones() -> None:
    message = sent(ALERT, known(71))
    assert message.title == "Late, of 03:01Z: MOUNT STOPPED: go now"
    assert message.body.startswith("True at 05:01 Oslo (03:01Z), sent at 06:12 Oslo (04:12Z). The mount")
    assert sent(ALERT, known(71), SATELLITE).body == "Late, true 03:01Z: Mount stopped 03:01Z. Go now."


def test_a_day_late_it_says_which_day() -> None:
    assert sent(ALERT, known(60 * 13)).title.startswith("Late, of 21 Jun 03:01Z: ")


def test_what_is_over_is_not_sent_as_if_it_were_open() -> None:
    over = {"cleared_utc": T0 + timedelta(minutes=30)}
    message = sent(ALERT, known(71, **over))
    assert message.title == "Late, of 03:01Z: Over by now: MOUNT STOPPED: go now"
    assert "over since 05:31 Oslo (03:31Z)" in message.body
    assert message.severity is Severity.NOTE
    short = sent(ALERT, known(71, **over), SATELLITE).body
    assert short == "Over since 03:31Z. Was: Mount stopped 03:01Z. Go now."
    # Where the all-clear follows, that says it all.
    assert isinstance(as_sent(ALERT, PHONE, SETTINGS, known(71, clear_waits=True, **over)), Dropped)


def test_a_second_copy_says_that_it_may_be_one() -> None:
    assert sent(ALERT, known(1, maybe_arrived=True)).body.startswith("You may have had this before")
    assert sent(ALERT, known(1, maybe_arrived=True), SATELLITE).body.startswith("Again: ")


@pytest.mark.parametrize(
    ("alert", "changes", "why"),
    [
        (ALERT, {"newer": True}, "newer"),
        (ALERT, {"now_utc": T0 + timedelta(hours=24)}, "too old"),
        (replace(ALERT, kind="repeat", repeat=1), {"seen": True}, "seen"),
        (replace(ALERT, kind="clear"), {"told": False}, "never told"),
        (replace(ALERT, kind="digest"), {"newer": True}, "newer"),
    ],
)
def test_what_is_moot_is_dropped_and_why(alert: Alert, changes: dict[str, Any], why: str) -> None:
    dropped = as_sent(alert, PHONE, SETTINGS, known(**changes))
    assert isinstance(dropped, Dropped)
    assert why in dropped.why


def test_a_first_goes_out_though_the_operator_has_seen_it_elsewhere() -> None:
    assert sent(ALERT, known(1, seen=True)).title == ALERT.title


def test_a_siren_does_not_sound_for_what_is_over_or_seen() -> None:
    siren = Channel(name="siren", command=("true",))
    assert sent(ALERT, known(71), siren).title.startswith("Late")
    for changes in ({"cleared_utc": T0 + timedelta(minutes=30)}, {"seen": True}):
        assert isinstance(as_sent(ALERT, siren, SETTINGS, known(71, **changes)), Dropped)


@pytest.mark.parametrize("after_min", [0, 71, 60 * 13])
@pytest.mark.parametrize("maybe", [False, True])
def test_the_short_form_always_fits_one_message(after_min: float, maybe: bool) -> None:
    long = replace(ALERT, short="Mount stopped 03:01Z. " * 7)
    for over in (None, T0 + timedelta(minutes=30)):
        body = sent(long, known(after_min, maybe_arrived=maybe, cleared_utc=over), SATELLITE).body
        assert len(body) <= 160
        assert body.isascii()
    bare = replace(ALERT, short="", body="Größe 5″ " * 40)
    assert len(sent(bare, known(after_min), SATELLITE).body) <= 160
