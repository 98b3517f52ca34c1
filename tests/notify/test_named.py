"""A camera's name opens whatever is said, once and first: three of them may ring one phone."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from sentinel.chain.notify.compose import Composer
from sentinel.chain.notify.sending import Message, as_sent
from sentinel.core.records import Alert, Incident, Severity, Tick
from sentinel.core.settings import Alerts, Camera, Settings, Site
from sentinel.core.words import SMS_LENGTH, opened
from sentinel.service.status.board import Board
from sentinel.service.status.lines import status_lines
from sentinel.service.status.making import standing_of
from sentinel.service.status.page import page_html
from tests.notify.incidents import told_by
from tests.notify.test_sending import ALERT, PHONE, SATELLITE, known

T0 = datetime(2027, 6, 21, 3, 1, tzinfo=UTC)
NAMED = Settings(
    site=Site(latitude_deg=70, longitude_deg=31),
    camera=Camera(name="Ridge east", focal_length_mm=400, pixel_pitch_um=4),
    alerts=Alerts(digest_utc=("03:00",)),
)
STOPPED = Incident(
    time_utc=T0,
    condition="runaway",
    state="opened",
    severity=Severity.NOW,
    onset_utc=T0,
    frame=None,
    detail=told_by("runaway", kind="stopped"),
    message="",
)


def alerts_of(settings: Settings) -> list[Alert]:
    """What is told of a stop, its reminder, its end and the digest after it."""
    composer = Composer(settings)
    state, out = composer.fresh(), list[Alert]()
    for minutes, incidents in (
        (-2, ()),
        (0, (STOPPED,)),
        (6, ()),
        (9, (replace(STOPPED, state="cleared"),)),
        (1440, ()),
    ):
        now_utc = T0 + timedelta(minutes=minutes)
        state, alerts = composer.step(state, Tick(time_utc=now_utc), incidents, now_utc)
        out += alerts
    return out


def test_every_message_opens_with_the_cameras_name() -> None:
    named, plain = (
        alerts_of(NAMED),
        alerts_of(NAMED.model_copy(update={"camera": NAMED.camera.model_copy(update={"name": None})})),
    )
    assert {alert.kind for alert in named} == {"first", "repeat", "clear", "digest"}
    assert [alert.title for alert in named] == [f"Ridge east: {alert.title}" for alert in plain]
    assert all(alert.short.startswith("Ridge east: ") and len(alert.short) <= SMS_LENGTH for alert in named)


def test_it_stands_before_what_sending_adds_and_once() -> None:
    alert = replace(ALERT, title=opened("Ridge east", ALERT.title), short=opened("Ridge east", ALERT.short))
    late = as_sent(alert, PHONE, NAMED, known(71))
    assert isinstance(late, Message)
    assert late.title == "Ridge east: Late, of 03:01Z: MOUNT STOPPED: go now"
    over = as_sent(alert, PHONE, NAMED, known(1, cleared_utc=T0 + timedelta(minutes=1)))
    assert isinstance(over, Message)
    assert over.title == "Ridge east: Over by now: MOUNT STOPPED: go now"
    short = as_sent(alert, SATELLITE, NAMED, known(71))
    assert isinstance(short, Message)
    assert short.body == "Ridge east: Late, true 03:01Z: Mount stopped 03:01Z. Go now."


def test_status_and_page_open_with_it() -> None:
    standing = standing_of(Board(), NAMED, T0)
    assert status_lines(standing, T0, watched=True)[0].startswith("Ridge east: Until when ")
    assert "<title>Ridge east: " in page_html(standing)
    assert "<title>Watch over the sun</title>" in page_html(replace(standing, camera=None))
