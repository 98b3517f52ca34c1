"""The headline: until when the camera may be left alone, and why; the same for whoever says it."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.nights import night_of
from sentinel.chain.judge.seen import Seen
from sentinel.chain.judge.until import answer
from sentinel.chain.notify import digest
from sentinel.chain.notify.digest import Tally
from sentinel.chain.notify.headline import UNKNOWN, Headline, headline, troubles_of
from sentinel.chain.notify.tasks import answer_words
from sentinel.core.foreseen import Due
from sentinel.core.records import Forecast, Incident, Severity
from sentinel.core.settings import Settings, validate
from sentinel.core.times import utc_s
from sentinel.core.words import span, times_in
from tests.forecasts import foreseen
from tests.notify.incidents import told_by

NOW = datetime(2027, 6, 21, 2, 28, tzinfo=UTC)
SETTINGS = validate(
    {
        "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 3.92},
    },
    where="test",
)


def due(minutes: float, reason: str = "axis-limit", **more: object) -> Forecast:
    at = NOW + timedelta(minutes=minutes)
    exits = {"exit_early_utc": at} if reason == "drift" else {}
    return foreseen(
        time_utc=NOW,
        basis="mount model",
        seen_utc=NOW,
        due=(Due(time_utc=at, reason=reason),),
        **{**exits, **more},
    )


def said(
    forecast: Forecast | None,
    *open_now: Incident,
    settings: Settings = SETTINGS,
    seen: Seen | None = None,
    now: datetime = NOW,
    zone: str | None = None,
) -> Headline:
    times = times_in(zone)
    troubles = troubles_of(open_now, now, times)
    return headline(agenda_of(forecast, settings, now, seen), forecast, troubles, now, times)


def travel(minutes: float) -> Settings:
    return SETTINGS.model_copy(update={"visit": SETTINGS.visit.model_copy(update={"travel_min": minutes})})


@pytest.mark.parametrize(
    ("forecast", "says"),
    [
        (None, UNKNOWN),
        (foreseen(time_utc=NOW, basis="no disc yet"), UNKNOWN),
        (
            foreseen(time_utc=NOW, basis="mount model", seen_utc=NOW),
            "The camera may be left alone for the next 48 h: nothing falls due.",
        ),
        (
            due(372),
            (
                "The camera may be left alone until 08:40Z, in 6 h 12 min: the axis limit comes first. "
                "Set off by 08:30Z."
            ),
        ),
        (
            due(1272, "drift", edge="top"),
            (
                "The camera may be left alone until 21 Jun 23:40Z, in 21 h 12 min: the sun may reach the top "
                "edge first. Set off by 21 Jun 23:30Z."
            ),
        ),
        (
            due(1272, "drift", edge="top", exit_utc=NOW + timedelta(hours=30)),
            (
                "The camera may be left alone until 21 Jun 23:40Z, in 21 h 12 min: the sun drifts to the top "
                "edge first. Set off by 21 Jun 23:30Z."
            ),
        ),
        (
            due(8, "card"),
            "Go to the camera now: it may be left alone only until 02:36Z, in 8 min; the card is full first.",
        ),
        (
            due(-20, "timer"),
            "The camera cannot be left alone: the timer's count ends first, overdue since 02:08Z.",
        ),
        (
            due(4, "drift", edge="left", departed_utc=NOW - timedelta(minutes=2)),
            (
                "The mount has not followed the sun since 02:26Z: the sun is lost by 02:32Z, in 4 min. "
                "Go to the camera now."
            ),
        ),
        (
            due(-3, "drift", edge="left", exit_utc=NOW - timedelta(minutes=3)),
            "The sun reached the left edge of the frame at 02:25Z. Go to the camera now.",
        ),
    ],
)  # fmt: skip
def test_the_sentence(forecast: Forecast | None, says: str) -> None:
    assert said(forecast).sentence == says


def test_it_leads_nobody_to_set_off_where_it_is_not_far() -> None:
    assert "Set off" not in said(due(372), settings=travel(0)).sentence


@pytest.mark.parametrize(
    ("seconds", "says"),
    [(0, "0 s"), (59.4, "59 s"), (60, "1 min"), (3599, "1 h"), (3660, "1 h 1 min"), (172_800, "48 h")],
)
def test_spans_as_people_say_them(seconds: float, says: str) -> None:
    assert span(timedelta(seconds=seconds)) == says


def opened(condition: str, severity: Severity, **detail: object) -> Incident:
    return Incident(
        time_utc=NOW,
        condition=condition,
        state="opened",
        severity=severity,
        onset_utc=NOW,
        detail=told_by(condition, **detail),
    )


def test_what_is_open_and_cannot_wait_comes_first_the_filter_before_all() -> None:
    soon = opened("moved", Severity.SOON, shift_sun_widths=1.3)
    early = opened("no-frames", Severity.NOW, missed_frames=4)
    bright = replace(opened("over-bright", Severity.NOW), onset_utc=NOW + timedelta(minutes=1))
    head = said(due(372), soon, early, bright)
    assert head.title == "DO NOT LOOK IN: filter may be off"
    assert head.sentence == (
        "The camera cannot be left alone now. Do NOT look into camera or finder: the solar filter may have "
        "been off since 02:29Z. Once that is mended, it may be left alone until 08:40Z, in 6 h 12 min: the "
        "axis limit comes first. Set off by 08:30Z."
    )
    assert said(due(372), soon).title == "leave alone until 08:40Z"


def test_an_edge_that_was_foreseen_and_is_near_is_no_time_to_be_left_alone_until() -> None:
    near = opened("drift-exit", Severity.NOW, edge="top", exit_early_utc="2027-06-21T02:58:00Z")
    head = said(due(30, "drift", edge="top"), near)
    assert head.sentence == ("Go to the camera now. The sun reaches the top edge at 02:58Z at the earliest.")


def test_a_supply_that_is_seen_to_outlive_its_count_gives_way_to_the_drift() -> None:
    forecast = replace(
        due(372, "drift", edge="left"),
        due=(
            Due(time_utc=NOW - timedelta(hours=30), reason="battery"),
            Due(time_utc=NOW + timedelta(minutes=372), reason="drift"),
        ),
    )
    assert said(forecast, seen=Seen(frame_utc=NOW)).reason == "drift"
    silent = Seen(frame_utc=NOW - timedelta(hours=31))
    assert "overdue since 19 Jun 20:28Z" in said(forecast, seen=silent).sentence.replace("20 Jun", "19 Jun")


def test_the_operators_own_clock_comes_first() -> None:
    assert "until 10:40 Oslo (08:40Z), in 6 h 12 min" in said(due(372), zone="Europe/Oslo").sentence


NIGHTS = SETTINGS.model_copy(update={"site": SETTINGS.site.model_copy(update={"latitude_deg": 60.0})})


def test_by_day_it_is_left_until_the_sun_sets_and_nobody_sets_off_for_that() -> None:
    noon = NOW.replace(hour=12, minute=0)
    sets = Due(time_utc=noon.replace(hour=19, minute=19), reason="sunset")
    forecast = foreseen(time_utc=noon, basis="mount model", seen_utc=noon, due=(sets,))
    head = said(forecast, settings=NIGHTS, now=noon)
    assert head.reason == "sunset"
    assert head.set_off_utc is None
    # By the lower limb, as everywhere: the middle of the disc, as the forecast has it, goes minutes later.
    night = night_of(NIGHTS.site, utc_s(noon))
    assert night is not None
    assert night.sets_utc is not None
    assert timedelta(minutes=1) < sets.time_utc - night.sets_utc < timedelta(minutes=5)
    assert head.until_utc == night.sets_utc
    assert head.sentence.startswith(f"The camera may be left alone until {night.sets_utc:%H:%M}Z, in 7 h ")
    assert head.sentence.endswith("then the sun begins to set.")


def test_unwound_in_the_dark_it_is_not_known_whether_it_tracks() -> None:
    dark = NOW.replace(day=20, hour=22, minute=0)
    forecast = foreseen(
        time_utc=dark, basis="stopped", seen_utc=dark - timedelta(hours=3), edge="right",
        departed_utc=dark - timedelta(hours=4), exit_early_utc=dark, exit_utc=dark,
        flags=("departed", "stopped"),
    )  # fmt: skip
    before = said(forecast, settings=NIGHTS, now=dark)
    assert "sun comes up" in before.sentence
    after = said(forecast, settings=NIGHTS, now=dark, seen=Seen(placed_utc=dark - timedelta(minutes=5)))
    assert after.reason == "sunrise"
    assert "nobody knows where the disc stands, nor whether the mount tracks" in after.sentence
    assert after.sentence.count("recentre") == 1


def test_what_was_foreseen_hours_of_daylight_ago_is_no_promise() -> None:
    """At 70 N in June the sun is up all the time: last seen five hours ago."""
    last = NOW - timedelta(hours=5)
    head = said(due(372), seen=Seen(frame_utc=NOW, disc_utc=last))
    assert head.title == "not verified since 21:28Z"
    assert head.sentence == (
        "Until when the camera may be left alone is not known: the sun has been up for hours and "
        "was not seen since 21:28Z. If the mount has tracked since: the camera may be left alone until "
        "08:40Z, in 6 h 12 min: the axis limit comes first. Set off by 08:30Z."
    )
    assert said(due(372), seen=Seen(frame_utc=NOW, disc_utc=NOW)).title == "leave alone until 08:40Z"


def test_what_came_up_unseen_is_said_and_wakes_nobody() -> None:
    """60 N in June: the sun sets about 19:20 and is up at about 00:34 UTC, here behind cloud."""
    morning = NOW.replace(hour=1, minute=30)
    before = morning - timedelta(hours=7)
    limit = Due(time_utc=morning + timedelta(hours=9), reason="axis-limit")
    forecast = foreseen(
        time_utc=morning, basis="mount model", seen_utc=before, due=(limit,), arc_h=9.0, rate_ratio=1.0,
        expected_px=(1800.0, 1200.0), scale_arcsec_px=2.0,
    )  # fmt: skip
    unseen = Seen(frame_utc=morning, disc_utc=before, size_px=(6000, 4000))
    head = said(forecast, settings=NIGHTS, now=morning, seen=unseen)
    assert head.title.startswith("not seen since sunrise, 00:3")
    # Not "may be left alone": whoever is awake can see more than the camera.
    assert head.sentence.startswith("The sun came up at 00:3")
    assert head.sentence.endswith(
        "If you see the sun in the sky, go and look, and see that the drive turns. If the mount has tracked "
        "since: the camera may be left alone until 10:30Z, in 9 h: the axis limit comes first. Set off by "
        "10:20Z."
    )
    found = re.search(
        r"no picture has shown it since: cloud hides it, or it is out of the frame; "
        r"by the forecast it comes up [\d.]+ sun-widths",
        head.sentence,
    )
    assert found is not None, head.sentence
    agenda = agenda_of(forecast, NIGHTS, morning, unseen)
    found_until = answer(agenda, forecast, morning + timedelta(hours=2), morning)
    (first,) = answer_words(found_until, agenda, times_in(None))
    assert first == (
        "If the mount has tracked since the sun was last seen, "
        "yes: nothing to do, it may be left alone until 03:30Z."
    )
    title, body = digest.title_and_body(Tally(), head, (), 60.0, times_in(None))
    assert title == f"Digest: {head.title}", "nobody is told that all is well"
    assert body.startswith(head.sentence)
    # In the first minutes it is low and faint, seen it is well, and by night it is down.
    for now, seen in (
        (morning.replace(hour=0, minute=40), unseen),
        (morning, unseen._replace(disc_utc=morning)),
        (morning.replace(hour=0, minute=5), unseen),
    ):
        again = said(replace(forecast, time_utc=now), settings=NIGHTS, now=now, seen=seen)
        assert "came up at" not in again.sentence
        assert again.title.startswith("leave alone")
