"""Which incidents become messages: repeats, the hourly cap, grouping, clears, the digest."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from sentinel.chain.judge.nights import night_of
from sentinel.chain.notify.compose import Composed, Composer
from sentinel.chain.notify.counting import Counts, counts_words
from sentinel.chain.notify.digest import chained, hash_line, told_hash
from sentinel.core.foreseen import Due
from sentinel.core.records import (
    Alert,
    Disc,
    Event,
    Incident,
    IncidentState,
    Mark,
    MarkKind,
    MeasuredFrame,
    Outcome,
    Severity,
    Surroundings,
    Tick,
)
from sentinel.core.settings import Alerts, Camera, Settings, Site
from sentinel.core.times import from_utc_s
from sentinel.service.status.board import Board
from tests.forecasts import foreseen
from tests.notify.incidents import told_by

T0 = datetime(2027, 6, 21, 3, 1, tzinfo=UTC)


def composer(site: Site | None = None, **alerts: object) -> Composer:
    return Composer(
        Settings(
            site=site or Site(latitude_deg=70, longitude_deg=31),
            camera=Camera(focal_length_mm=400, pixel_pitch_um=4),
            alerts=Alerts.model_validate(alerts),
        )
    )


class Talk:
    """A composer, its state, and the clock."""

    def __init__(self, site: Site | None = None, **alerts: object) -> None:
        self.composer = composer(site, **alerts)
        self.state: Composed = self.composer.fresh()
        self.now = T0

    def tell(self, *incidents: Incident, event: Event | None = None) -> tuple[Alert, ...]:
        self.state, alerts = self.composer.step(
            self.state, event or Tick(time_utc=self.now), incidents, self.now
        )
        return alerts

    def minutes(self, count: float) -> list[tuple[float, Alert]]:
        """Let time pass with a tick a minute; return what was said, and after how many minutes."""
        begin, said = self.now, []
        while self.now < begin + timedelta(minutes=count):
            self.now += timedelta(minutes=1)
            said += [((self.now - begin).total_seconds() / 60, alert) for alert in self.tell()]
        return said

    def mark(self, kind: MarkKind) -> tuple[Alert, ...]:
        return self.tell(event=Mark(time_utc=self.now, kind=kind))


def incident(
    condition: str = "no-frames", severity: str = "now", state: IncidentState = "opened", **detail: object
) -> Incident:
    return Incident(
        time_utc=T0,
        condition=condition,
        state=state,
        severity=Severity(severity),
        onset_utc=T0,
        frame="a.jpg",
        detail=told_by(condition, **detail),
    )


def test_a_now_is_repeated_at_5_15_30_and_then_ever_more_rarely() -> None:
    talk = Talk()
    (first,) = talk.tell(incident())
    assert (first.kind, first.severity, first.repeat, first.attachment) == ("first", "now", 0, "a.jpg")
    said = talk.minutes(600)
    assert [(at, one.repeat) for at, one in said] == [
        (5, 1), (15, 2), (30, 3), (60, 4), (120, 5), (240, 6), (360, 7), (480, 8), (600, 9),
    ]  # fmt: skip
    assert all(one.title.startswith("STILL: ") and len(one.short) <= 160 for _, one in said)


def test_what_has_become_news_for_the_morning_wakes_nobody_any_more_and_says_so_once() -> None:
    """An axis that was due at its limit, and the pictures show that the mount tracks on."""
    talk = Talk()
    talk.tell(incident("axis-limit", minutes_left=35.0, limit_utc=T0 + timedelta(minutes=35)))
    talk.minutes(46)
    (milder,) = talk.tell(
        incident(
            "axis-limit", "note", "changed", asked="unwound", tracks_on=True, limit_utc=T0, minutes_left=-11.0
        )
    )
    assert (milder.severity, milder.title) == ("note", "Past its axis limit?")
    assert talk.minutes(600) == []
    (worse,) = talk.tell(incident("axis-limit", "now", "changed", minutes_left=-12.0, limit_utc=T0))
    assert (worse.kind, worse.severity) == ("first", "now")


@pytest.mark.parametrize("kind", ["seen", "visit"])
def test_repeats_end_when_it_is_seen_or_somebody_goes(kind: MarkKind) -> None:
    talk = Talk()
    talk.tell(incident())
    talk.minutes(6)
    talk.mark(kind)
    assert talk.minutes(120) == []


def picture(talk: Talk, *, found: bool) -> MeasuredFrame:
    """Return a picture of now."""
    disc = Disc(found=found, brightness=0.4 if found else 0.0, saturated_fraction=0.0)
    return MeasuredFrame(frame="a.jpg", time_utc=talk.now, width_px=60, height_px=40, disc=disc)


@pytest.mark.parametrize("condition", ["drift-exit", "runaway", "lost-disc", "visit"])
def test_what_a_visit_under_cloud_did_not_mend_is_said_again_once_the_sun_is_seen(condition: str) -> None:
    talk = Talk()
    talk.tell(incident(condition))
    talk.tell(event=Mark(time_utc=talk.now, kind="visit", minutes=10.0))
    said: list[Alert] = []
    for _ in range(300):
        talk.now += timedelta(minutes=1)
        said += talk.tell(event=picture(talk, found=False))
    assert said == [], "nobody can do anything"
    talk.now += timedelta(minutes=1)
    assert talk.tell(event=picture(talk, found=True)) == (), "the visitor may just be putting it right"
    assert [round(at) for at, _ in talk.minutes(20)] == [5, 15]


def test_what_the_second_visit_left_is_told_though_somebody_went_for_the_first() -> None:
    talk = Talk()
    first = incident("visit", good=False, until_utc=str(T0))
    talk.tell(first)
    talk.now += timedelta(minutes=20)
    talk.tell(event=Mark(time_utc=talk.now, kind="visit", minutes=10.0))
    talk.now += timedelta(minutes=16)
    ended = talk.now - timedelta(minutes=6)
    again = incident("visit", state="changed", good=False, until_utc=str(ended), waited_min=6.0)
    (alert,) = talk.tell(replace(again, time_utc=talk.now, onset_utc=ended))
    assert alert.severity is Severity.NOW
    assert f"ended at {ended:%H:%M}Z" in alert.body
    assert all(f"ended at {ended:%H:%M}Z" in one.body for _, one in talk.minutes(60))


def test_pictures_of_the_visit_itself_call_nobody() -> None:
    talk = Talk()
    talk.tell(incident("drift-exit"))
    talk.tell(event=Mark(time_utc=talk.now, kind="visit", minutes=30.0))
    for _ in range(29):
        talk.now += timedelta(minutes=1)
        assert talk.tell(event=picture(talk, found=True)) == ()
    talk.tell(incident("drift-exit", state="cleared"))
    talk.now += timedelta(minutes=10)
    assert talk.tell(event=picture(talk, found=True)) == ()
    assert talk.minutes(60) == []


@pytest.mark.parametrize("condition", ["axis-limit", "supply"])
def test_what_may_have_been_done_and_not_marked_is_not_said_again(condition: str) -> None:
    talk = Talk()
    talk.tell(incident(condition))
    talk.tell(event=Mark(time_utc=talk.now, kind="visit", minutes=10.0))
    talk.now += timedelta(minutes=20)
    assert talk.tell(event=picture(talk, found=True)) == ()
    assert talk.minutes(120) == []


def test_whoever_was_at_the_camera_and_says_to_have_seen_it_has_peace() -> None:
    talk = Talk()
    talk.tell(incident())
    talk.tell(event=Mark(time_utc=talk.now, kind="visit", minutes=10.0))
    talk.mark("seen")
    assert talk.minutes(600) == []


def test_the_filter_alarm_goes_on_through_a_visit() -> None:
    talk = Talk()
    talk.tell(incident("over-bright"))
    talk.mark("visit")
    assert [at for at, _ in talk.minutes(30)] == [5, 15, 30]
    talk.mark("seen")
    assert talk.minutes(120) == []


def test_repeats_missed_while_the_program_was_away_are_not_all_sent() -> None:
    talk = Talk()
    talk.tell(incident())
    talk.now += timedelta(hours=3)
    (again,) = talk.tell()
    assert again.repeat == 5
    assert talk.tell() == ()


def test_it_is_said_when_it_is_over_and_how_grave_it_was() -> None:
    talk = Talk()
    talk.tell(incident())
    (over,) = talk.tell(incident(state="cleared"))
    assert (over.kind, over.severity, over.answers) == ("clear", "note", "now")
    assert talk.minutes(60) == []
    # What was never told is not called over.
    assert talk.tell(incident("covered-limb", "note", "cleared")) == ()


def test_two_supplies_are_two_things() -> None:
    talk = Talk()
    talk.tell(incident("supply", "now", supply="card"))
    (other,) = talk.tell(incident("supply", "now", supply="timer"))
    assert (other.kind, other.which) == ("first", "timer")


def test_what_comes_together_and_wakes_nobody_is_one_message() -> None:
    talk = Talk()
    (one,) = talk.tell(
        incident("supply", "soon", supply="card"), incident("storage", "soon"), incident("axis-limit", "soon")
    )
    assert one.condition == "axis-limit"
    assert one.title.endswith(", and 2 more")
    assert one.topics == {("axis-limit", ""), ("supply", "card"), ("storage", "")}
    assert len(one.short) <= 160
    # A new `now` never shares a message.
    assert len(talk.tell(incident("no-frames"), incident("over-bright"))) == 2


def test_repeats_due_at_about_the_same_time_are_one_message_the_gravest_first() -> None:
    talk = Talk()
    talk.tell(incident("no-frames"))
    talk.minutes(1)
    talk.tell(incident("over-bright"))
    said = talk.minutes(40)
    assert [at for at, _ in said] == [4, 14, 29]
    assert all(one.condition == "over-bright" and one.also == (("no-frames", ""),) for _, one in said)


def test_the_hourly_cap_never_swallows_a_now_of_a_new_condition() -> None:
    talk = Talk(hourly_cap=5)
    said: list[Alert] = []
    for _ in range(500):
        # A thing that flaps: opened and cleared a thousand talk an hour.
        said += talk.tell(incident("runaway", kind="stopped"))
        said += talk.tell(incident("runaway", state="cleared", kind="stopped"))
        talk.now += timedelta(seconds=3.6)
    assert len(said) == 5
    (new,) = talk.tell(incident("over-bright"))
    assert (new.kind, new.condition) == ("first", "over-bright")
    later = [one for _, one in talk.minutes(70)]
    (summary,) = [one for one in later if one.condition == "held-back"]
    assert summary.severity is Severity.NOTE
    # The 995 of the flapping, and the two reminders of the new one that fell into the same hour.
    assert summary.title == "997 messages held back"


def test_what_the_cap_swallowed_and_is_still_open_is_told_when_there_is_room() -> None:
    talk = Talk(hourly_cap=1)
    talk.tell(incident("runaway", kind="stopped"))
    talk.tell(incident("runaway", state="cleared", kind="stopped"))
    assert talk.tell(incident("runaway", kind="stopped")) == ()
    told = [one for _, one in talk.minutes(125) if one.condition == "runaway"]
    assert told
    assert told[0].severity is Severity.NOW


def frame(number: int, at: datetime, *, sha256: str = "", width_px: float = 3.0) -> MeasuredFrame:
    disc = Disc(found=True, x_px=5, y_px=5, radius_px=2, edge_width_px=width_px)
    return MeasuredFrame(
        frame=f"{number:04}.jpg", time_utc=at, width_px=10, height_px=10, disc=disc, sha256=sha256
    )


@pytest.mark.parametrize("frames", [1, 2, 12_345])
def test_a_running_hash_that_was_told_is_read_back(frames: int) -> None:
    running = chained("", "5a" * 32)
    assert told_hash(f"All well.\n{hash_line(frames, running)}\nmore") == (frames, running)
    assert told_hash(f"All well.\n{hash_line(frames, running[:-1])}") is None


def test_the_digest_comes_at_its_hours_with_the_running_hash() -> None:
    talk = Talk(digest_utc=("06:00", "18:00"))
    digests: list[Alert] = []
    running, count = "", 0
    for minute in range(24 * 60):
        talk.now = T0 + timedelta(minutes=minute)
        if minute % 100 == 7:
            continue  # a frame is missing
        sha256 = f"{minute:064x}"
        digests += talk.tell(event=frame(minute, talk.now, sha256=sha256))
        running, count = chained(running, sha256), count + 1
        if digests and len(digests) == 2 and "hash" in digests[1].body:
            break
    first, second = digests
    assert [one.time_utc.strftime("%H:%M") for one in digests] == ["06:00", "18:00"]
    assert (first.kind, first.severity, first.condition) == ("digest", "note", "digest")
    assert second.attachment == f"{minute:04}.jpg"
    assert f"Running hash of {count} frames: {running}." in second.body
    assert "Pictures: 891 (713 since the last digest), 7 missed in 7 gaps, the longest 2 min." in second.body


def test_the_digest_tells_what_is_open_the_link_and_the_space() -> None:
    talk = Talk(digest_utc=("06:00",))
    talk.tell(
        event=Surroundings(
            time_utc=T0,
            free_bytes=41_000_000_000,
            bytes_per_frame=8e6,
            waiting_messages=0,
            last_message_utc=T0,
        )
    )
    # A later reading that knows less takes nothing away.
    talk.tell(incident("covered-limb", "note"), event=Surroundings(time_utc=T0, clock_step_s=0.1))
    talk.tell(incident("supply", "soon", supply="card"))
    (digest,) = [one for _, one in talk.minutes(200) if one.kind == "digest"]
    assert digest.title.startswith("Digest: 1 open")
    for words in (
        "Open: The camera's card",
        "Noted: the sun's rim was covered",
        "Link: nothing waiting; the last got through at 03:01Z",
        "Space: 41.0 GB free, enough for 85 h 25 min",
    ):
        assert words in digest.body


def test_the_focus_is_compared_with_the_same_hour_the_day_before() -> None:
    talk = Talk(digest_utc=("06:00",))
    said: list[Alert] = []
    for minute in range(0, 30 * 60, 5):
        talk.now = T0 + timedelta(minutes=minute)
        width = 3.0 if minute < 20 * 60 else 4.5
        said += talk.tell(event=frame(minute, talk.now, width_px=width))
    assert "4.5 px wide, 3.0 px at this hour yesterday" in said[-1].body


def test_without_hours_there_is_no_digest() -> None:
    assert Talk().minutes(24 * 60) == []


def test_a_changed_story_is_told_again_without_being_called_a_reminder() -> None:
    talk = Talk()
    talk.tell(incident("runaway", kind="stopped"))
    (changed,) = talk.tell(replace(incident("runaway", kind="reversed"), state="changed"))
    assert (changed.kind, changed.repeat) == ("repeat", 0)
    assert not changed.title.startswith("STILL")


def test_a_message_goes_out_with_its_picture_or_says_why_not() -> None:
    talk = Talk()
    bare = replace(incident("axis-limit", limit_utc="2027-06-21T03:30:00Z"), frame=None)
    (none_yet,) = talk.tell(bare)
    assert none_yet.attachment is None
    assert none_yet.body.endswith("No picture: the sun has not been seen in any yet.")
    talk.tell(replace(bare, state="cleared"))
    talk.tell(event=with_disc("b.jpg"))
    (told,) = talk.tell(bare)
    assert told.attachment == "b.jpg"
    assert "No picture" not in told.body


def with_disc(name: str) -> MeasuredFrame:
    disc = Disc(found=True, x_px=500.0, y_px=400.0, radius_px=90.0, edge_width_px=2.0)
    return MeasuredFrame(frame=name, time_utc=T0, width_px=1000, height_px=800, disc=disc)


def test_a_digest_never_contradicts_an_open_alarm() -> None:
    talk = Talk(digest_utc=["04:00"])
    talk.tell(event=with_disc("a.jpg"))
    until = T0 + timedelta(hours=11)
    forecast = foreseen(
        time_utc=T0, basis="mount model", seen_utc=T0, due=(Due(time_utc=until, reason="battery"),)
    )
    talk.state, _ = talk.composer.step(talk.state, Tick(time_utc=T0), (), T0, forecast)
    talk.tell(incident("moved", "soon"), incident("over-bright"))
    said = [alert for _, alert in talk.minutes(62) if alert.condition == "digest"]
    assert said[0].title == "DO NOT LOOK IN: filter may be off; 2 open"
    assert "leave alone" not in said[0].title
    assert said[0].body.startswith("The camera cannot be left alone now. Do NOT look into camera or finder")


def test_a_digest_counts_what_status_and_summary_count() -> None:
    talk = Talk(digest_utc=["05:00"])
    board, said, told = Board(), list[Alert](), list[Alert]()
    now = T0
    while now < T0 + timedelta(hours=2):
        incidents = (incident(),) if now == T0 else ()
        talk.now = now
        alerts = talk.tell(*incidents)
        board.update(Tick(time_utc=now), Outcome(incidents=incidents, alerts=alerts), now)
        said += [alert for alert in alerts if alert.condition == "digest"]
        told += alerts
        now += timedelta(minutes=1)
    (digest,) = said
    # First, after 5, 15 and 30 minutes, then ever more rarely; each wakes somebody.
    woken = sum(alert.severity is Severity.NOW for alert in told if alert.time_utc < digest.time_utc)
    assert woken >= 5
    counts = Counts().with_incidents([incident()]).with_alerts(told)
    assert board.counts == counts
    assert counts.wake_ups == sum(alert.severity is Severity.NOW for alert in told)
    before = told[: told.index(digest)]
    words = counts_words(Counts().with_incidents([incident()]).with_alerts(before))
    assert f"In all: {words}." in digest.body
    assert f"{woken} wake-ups" in digest.body


def test_an_incident_counts_once_by_the_gravest_it_reached() -> None:
    worse = replace(incident(severity="soon"), state="changed", severity=Severity.NOW)
    milder = replace(worse, severity=Severity.NOTE)
    over = replace(worse, state="cleared", severity=Severity.NOTE)
    counts = Counts().with_incidents(
        [incident(severity="soon"), worse, milder, over, incident(severity="note")]
    )
    assert (counts.now, counts.soon, counts.note, counts.noticed) == (1, 0, 1, 2)
    assert counts_words(counts) == "2 incidents (1 now, 1 note); 0 messages, 0 wake-ups"


def test_what_needs_the_sun_calls_nobody_out_into_the_dark() -> None:
    """At 60 north a mount stops before sunset and nobody comes: quiet, until it is time to go."""
    talk = Talk(site=Site(latitude_deg=60, longitude_deg=31))
    night = night_of(Site(latitude_deg=60, longitude_deg=31), T0.timestamp())
    assert night is not None
    assert night.rises_utc is not None
    talk.now = from_utc_s(night.sets_s) - timedelta(minutes=40)
    lost = talk.now + timedelta(minutes=4)
    stopped = incident(
        "runaway", kind="stopped", lost_utc=lost, off_deg=1.4, off_way="west", off_rate_deg_min=0.23
    )
    talk.tell(replace(stopped, time_utc=talk.now, onset_utc=talk.now))
    talk.tell(replace(incident("no-frames"), time_utc=talk.now, onset_utc=talk.now))
    began = talk.now
    said = [(began + timedelta(minutes=at), one) for at, one in talk.minutes(600)]
    stops = [(at, one) for at, one in said if one.condition == "runaway"]
    set_off = night.rises_utc - timedelta(minutes=10)
    dark = [at for at, _ in stops if from_utc_s(night.sets_s) < at < set_off]
    assert dark == []
    at, first = next((at, one) for at, one in stops if at >= set_off)
    assert at - set_off < timedelta(minutes=2)
    assert f"The sun is down until {night.rises_utc:%H:%M}Z" in first.body
    assert "Be at the camera then" in first.body
    assert "restart the drive; find the sun; recentre" in first.body
    assert len(first.short) <= 160
    later = next(one for at, one in stops if at > night.rises_utc)
    assert "Go now." in later.body
    # A camera that is silent can be seen to in the dark.
    assert [
        at for at, one in said if one.condition == "no-frames" and from_utc_s(night.sets_s) < at < set_off
    ]
