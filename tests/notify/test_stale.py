"""What a message may still say hours later: nothing that was so only at the incident's own moment."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sentinel.chain.notify.compose import Composer
from sentinel.chain.notify.headline import troubles_of
from sentinel.chain.notify.wording import message, sms, title_and_body
from sentinel.core.records import Incident, Severity, Tick
from sentinel.core.words import SMS_LENGTH, TimeWriter
from tests.notify.golden import settings
from tests.notify.incidents import EVERY, at, incident

WAKING = [name for name, one in EVERY.items() if one.severity is Severity.NOW and one.state != "cleared"]
DATED = re.compile(r"\d+ Jun \d\d:\d\dZ")


def everything_said(one: Incident, again_utc: datetime | None = None) -> str:
    texts = (*title_and_body(one, settings(), again_utc), sms(one, again_utc))
    return "\n".join(texts if again_utc else (*texts, message(one)))


@pytest.mark.parametrize("later", [timedelta(minutes=5), timedelta(hours=6), timedelta(hours=60)])
@pytest.mark.parametrize("name", WAKING)
def test_a_repeat_says_no_span_that_has_passed_since(name: str, later: timedelta) -> None:
    one = EVERY[name]
    text = everything_said(one, one.time_utc + later)
    assert not re.search(r"\b\d+ (?:h|min)\b", text), text
    assert "missed" not in text
    assert "Now " not in text
    title, body = title_and_body(one, settings(), one.time_utc + later)
    assert title.startswith("STILL: ")
    assert len(title) <= 45 + len("STILL: ")
    assert len(body) <= 260


@pytest.mark.parametrize("later", [timedelta(minutes=5), timedelta(hours=6), timedelta(hours=60)])
@pytest.mark.parametrize("name", WAKING)
def test_a_short_repeat_is_not_cut(name: str, later: timedelta) -> None:
    short = sms(EVERY[name], EVERY[name].time_utc + later)
    assert short.startswith("Still: ")
    assert len(short) <= SMS_LENGTH
    assert re.search(r"[^.]\.$", short), short


def test_the_composer_repeats_in_these_words() -> None:
    composer = Composer(settings())
    one = EVERY["drift-exit now"]
    state, (first,) = composer.step(composer.fresh(), Tick(time_utc=one.time_utc), (one,), one.time_utc)
    assert "That is in 31 min" in first.body
    later = one.time_utc + timedelta(hours=6)
    _, (again,) = composer.step(state, Tick(time_utc=later), (), later)
    assert (again.title, again.body) == title_and_body(one, settings(), later)
    assert again.short == sms(one, later)


@pytest.mark.parametrize("again", [None, timedelta(minutes=5), timedelta(hours=6)])
@pytest.mark.parametrize("name", ["runaway stopped lost now", "lost-disc now", "lost-disc left now"])
def test_the_place_of_a_lost_sun_carries_its_time(name: str, again: timedelta | None) -> None:
    one = EVERY[name]
    own = f"{one.time_utc:%H:%MZ}"
    again_utc = one.time_utc + again if again else None
    for text in (title_and_body(one, settings(), again_utc)[1], sms(one, again_utc)):
        assert f"at {own}" in text.replace("At ", "at "), text
        assert re.search("[Bb]earing|deg", text), text


def drifting(early: str, median: str | None, severity: str = "now", **more: Any) -> Incident:
    middle = at(median) if median else None
    return incident("drift-exit", severity, edge="top", exit_early_utc=at(early), exit_utc=middle, **more)


def test_a_sun_that_is_over_the_edge_already_is_said_to_be() -> None:
    one = drifting("02:40", "02:46", minutes_left=-17.0)
    assert message(one) == "The sun has been over the top edge since 02:46Z."
    title, body = title_and_body(one, settings())
    assert title == "Sun over the top edge: go now"
    assert body == "The sun has been over the top edge since 02:46Z. Go now: recentre."
    assert sms(one) == "Sun over TOP edge since 02:46Z. Go now. Recentre."
    # However mild it was meant: there is no "before then" any more.
    assert "before then" not in everything_said(replace(one, severity=Severity.SOON))


@pytest.mark.parametrize("median", [None, "03:50"])
def test_a_sun_that_may_be_over_the_edge_is_not_said_to_be(median: str | None) -> None:
    one = drifting("02:46", median, minutes_left=-17.0)
    assert message(one) == "The sun may have been over the top edge since 02:46Z."
    assert "no time" not in everything_said(one)


def test_a_sun_that_was_over_the_edge_still_is_in_a_repeat() -> None:
    one = drifting("02:40", "02:46", minutes_left=-17.0)
    again_utc = one.time_utc + timedelta(hours=6)
    assert "The sun has been over the top edge since 02:46Z." in title_and_body(one, settings(), again_utc)[1]


def test_a_place_that_no_longer_holds_is_not_advised() -> None:
    one = EVERY["drift-exit placed now"]
    assert "of middle" in sms(one, one.time_utc + timedelta(hours=6))
    assert "of middle" not in sms(one, one.time_utc + timedelta(hours=13))


def test_a_place_that_holds_for_days_fits_the_short_message() -> None:
    place: dict[str, Any] = {
        "put_right_widths": 0.52,
        "put_up_widths": -1.04,
        "put_holds_until_utc": "2026-06-22T15:10:00Z",
    }
    one = incident(
        "drift-exit", "soon", edge="bottom", exit_early_utc=at("04:34"), minutes_left=91.0, **place
    )
    now = replace(one, severity=Severity.NOW)
    for text in (sms(one), sms(now), sms(now, now.time_utc + timedelta(hours=1))):
        assert text.endswith("Then good until 22 Jun 15:10Z.")


def test_a_disc_that_a_stopped_mount_has_lost_already_is_not_said_to_touch() -> None:
    one = EVERY["runaway stopped now"]
    one = replace(one, time_utc=one.time_utc + timedelta(minutes=5))
    assert "has been over the left edge since 03:07Z and is gone at 03:09Z" in message(one)
    assert "Sun over LEFT edge since 03:07Z" in sms(one)


def test_the_digest_names_what_is_open_without_an_old_span() -> None:
    one = EVERY["axis-limit soon"]
    assert "1 h 31 min" in title_and_body(one, settings())[0]
    (open_now,) = troubles_of([one], one.time_utc + timedelta(hours=1), TimeWriter())
    assert open_now.title == "Axis limit near"


def test_in_a_repeat_what_was_foreseen_is_not_said_to_have_come_true() -> None:
    body = title_and_body(drifting("03:34", "03:50"), settings(), datetime(2026, 6, 21, 9, tzinfo=UTC))[1]
    assert body.startswith("The sun may have been over the top edge since 03:34Z.")
    body = title_and_body(EVERY["runaway stopped now"], settings(), datetime(2026, 6, 21, 9, tzinfo=UTC))[1]
    assert "was to touch the left edge at 03:07Z and to be gone at 03:09Z" in body


@pytest.mark.parametrize(
    "one",
    [
        incident("axis-limit", "now", limit_utc=at("02:50"), minutes_left=-13.0),
        incident("supply", "now", supply="card", empty_utc=at("02:50"), hours_left=-0.2),
        incident("storage", "now", full_utc=at("02:50"), hours_left=-0.2),
    ],
    ids=lambda one: one.condition,
)
def test_what_is_overdue_is_not_said_to_come(one: Incident) -> None:
    text = everything_said(one)
    assert "no time" not in text
    assert "That is in" not in text
    assert "02:50Z" in message(one)


def test_over_bright_that_ends_is_no_all_clear() -> None:
    over = incident("over-bright", "now", "cleared")
    for text in (message(over), *title_and_body(over, settings()), sms(over)):
        assert "filter" in text.lower()
        assert "Over:" not in text
    assert "before anyone looks" in message(over)
    assert "03:03Z" in sms(over)


def test_a_disc_that_was_over_the_edge_was_not_near_it() -> None:
    times: dict[str, Any] = {"exit_early_utc": at("02:10"), "edge": "top", "minutes_left": -40.0}
    over = incident("drift-exit", "now", "cleared", exit_utc=at("02:20"), **times)
    assert title_and_body(over, settings())[0] == "Over: the sun was over the top edge"
    assert message(over) == "It was over the edge since 02:20Z, until 03:03Z at the latest."
    # Put back before it came to that, or not seen to: nobody knows that it was.
    nearly: list[dict[str, Any]] = [
        {"exit_utc": at("04:20")},
        {"exit_utc": at("02:20"), "hidden_since_utc": at("01:10")},
    ]
    for near in nearly:
        told = incident("drift-exit", "now", "cleared", **{**times, **near})
        assert title_and_body(told, settings())[0] == "Over: the sun was near the edge"


def test_a_jump_that_is_old_news_was_not_put_back() -> None:
    over = incident("moved", "soon", "cleared", shift_sun_widths=1.3)
    assert message(over).startswith("The jump of 03:01Z: tracking steadily since")
    assert "Over:" not in everything_said(over)


@pytest.mark.parametrize(("kind", "did"), [("stopped", "stopped"), ("reversed", "reversed")])
def test_a_runaway_that_ends_says_that_the_mount_tracks_and_the_disc_may_be_off(kind: str, did: str) -> None:
    over = incident("runaway", "now", "cleared", kind=kind)
    told = f"The mount {did} at 03:01Z and tracks again since 03:03Z; look whether the disc needs recentring."
    assert message(over) == told


def test_a_wrong_rate_that_ends_was_no_runaway() -> None:
    over = incident("runaway", "soon", "cleared", kind="wrong-rate", rate_ratio=1.0027, configured="solar")
    assert message(over) == "The drive's rate is as configured (solar) again since 03:03Z."
    assert "ran away" not in everything_said(over)


def test_times_a_day_away_carry_their_date() -> None:
    now = datetime(2026, 6, 22, 23, 6, tzinfo=UTC)
    over = replace(EVERY["lost-disc now"], state="cleared", onset_utc=now - timedelta(hours=72), time_utc=now)
    assert message(over) == "The sun has been seen again by 23:06Z, for the first time since 21 Jun 02:39Z."
    over = replace(EVERY["no-frames now"], state="cleared", onset_utc=over.onset_utc, time_utc=now)
    assert message(over) == "Over: no pictures came, from 19 Jun 23:06Z to 22 Jun 23:06Z."
    far = incident("supply", "soon", supply="card", hours_left=30.0, empty_utc="2026-06-22T09:03:00Z")
    assert "22 Jun 09:03Z" in message(far)
    near = incident("supply", "soon", supply="card", hours_left=19.0, empty_utc="2026-06-21T22:03:00Z")
    assert not DATED.search(everything_said(near))
    # A repeat is read when it is sent.
    one = EVERY["no-frames now"]
    assert "21 Jun 02:58Z" in sms(one, one.time_utc + timedelta(hours=30))


def test_the_operators_own_time_stands_beside_a_dated_one() -> None:
    far = incident("supply", "soon", supply="card", hours_left=30.0, empty_utc="2026-06-22T09:03:00Z")
    assert "22 Jun 11:03 Oslo (09:03Z)" in title_and_body(far, settings("Europe/Oslo"))[1]
