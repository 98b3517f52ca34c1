"""Sites with nights: what needs the sun is told while it is up, and nobody is sent out into the dark."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sentinel.chain.judge.details import Task
from sentinel.chain.judge.edge import GETS_UP_MIN
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.nights import night_of, night_on, rise_of
from sentinel.chain.judge.seen import Seen
from sentinel.chain.judge.until import Answer, answer
from sentinel.chain.notify.tasks import brief_task
from sentinel.chain.notify.wording import message, title_and_body
from sentinel.core.foreseen import Due, Place
from sentinel.core.records import Incident, Severity
from sentinel.core.settings import Site
from sentinel.core.times import from_utc_s, parse_utc, utc_s
from sentinel.core.words import TimeWriter
from sentinel.service.journal.codec import plain
from sentinel.sky import Sun
from sentinel.sky.horizon import above_line_deg
from tests.forecasts import foreseen
from tests.judge.tracks import SIZE, Watch, settings

SITE = {"latitude_deg": 60.0, "longitude_deg": 31.1}
SLEEP = {"from_utc": "21:00", "until_utc": "05:00"}
AFTERNOON = datetime(2026, 6, 21, 16, 0, tzinfo=UTC)


def night() -> tuple[datetime, datetime]:
    """Return the sunset and the sunrise of the scenario: about 19:20 and 00:34."""
    found = night_of(settings(site=SITE).site, utc_s(AFTERNOON))
    assert found is not None
    return from_utc_s(found.sets_s), from_utc_s(found.rises_s)


def place(at: datetime, holds: datetime | None) -> Place:
    return Place(
        at_utc=at, to_px=(1500.0, 2500.0), right_widths=-1.1, up_widths=-0.5, gap_edge="left", gap_widths=0.8,
        tolerance_widths=0.25, holds_until_utc=holds,
    )  # fmt: skip


class Night(Watch):
    """A watch at 60 degrees whose disc comes up over the left edge, as the forecasts say."""

    def __init__(self, **sections: Any) -> None:
        super().__init__(AFTERNOON, site=SITE, sleep=SLEEP, **sections)
        self.sets, self.rises = night()
        self.out = self.rises
        self.holds: datetime | None = self.rises + timedelta(hours=20)
        self.more: dict[str, Any] = {}
        self.seen_utc = self.now

    def until(self, end: datetime, **changes: Any) -> None:
        while self.now < end:
            up = self.now < self.sets or self.now > self.rises
            self.frames(10, **({} if up else {"found": False, "brightness": 0.0}), **changes)
            if up:
                self.seen_utc = self.now
            self.forecast(**self.told())

    def told(self) -> dict[str, Any]:
        out = {
            "exit_early_utc": self.out, "exit_utc": self.out,
            "exit_clear_utc": self.out + timedelta(minutes=12), "flags": ("exit-at-horizon",),
            "edge": "left", "best_place": place(self.now, self.holds),
            "due": (Due(time_utc=self.out, reason="drift"),),
        }  # fmt: skip
        return {"seen_utc": self.seen_utc, **out, **self.more}

    def listed(self) -> list[Incident]:
        return [one for one in self.said if one.condition == "before-sleep" and one.state != "cleared"]


def test_the_list_comes_before_the_sun_goes_and_says_where_to_put_the_disc() -> None:
    watch = Night()
    watch.until(watch.sets)
    (told,) = watch.listed()
    assert watch.sets - told.time_utc > timedelta(minutes=50)
    (job,) = plain(told.detail)["jobs"]
    assert job["job"] == "drift"
    assert abs(parse_utc(job["by_utc"]) - watch.sets) < timedelta(minutes=1)
    assert (job["put_right_widths"], job["put_up_widths"]) == (-1.1, -0.5)
    body = title_and_body(told, watch.settings)[1]
    assert (
        f"until {watch.sets:%H:%M}Z, while the whole sun is up, recentre: put the disc 1.1 sun-widths" in body
    )
    # It is on the list: nothing else is said of it while the sun is up.
    assert watch.of("drift-exit") == []


def test_what_falls_due_after_sunrise_in_sleep_is_to_be_done_before_sunset() -> None:
    watch = Night()
    watch.out = watch.rises + timedelta(hours=2)
    watch.until(watch.sets)
    (told,) = watch.listed()
    (job,) = plain(told.detail)["jobs"]
    assert job["job"] == "drift"
    assert abs(parse_utc(job["by_utc"]) - watch.sets) < timedelta(minutes=1)
    assert f"until {watch.sets:%H:%M}Z, while the whole sun is up" in title_and_body(told, watch.settings)[1]


def test_what_falls_due_after_waking_can_wait_until_then() -> None:
    watch = Night()
    watch.out = watch.rises + timedelta(hours=7)
    watch.until(watch.sets)
    assert [plain(one.detail)["jobs"] for one in watch.listed()] == [[]]


def test_nobody_is_woken_before_there_is_something_to_do() -> None:
    watch = Night()
    watch.until(watch.rises + timedelta(minutes=2))
    woken = [one for one in watch.said if one.severity is Severity.NOW]
    assert [one.condition for one in woken] == ["drift-exit"]
    # Ten minutes to the camera.
    assert watch.rises - woken[0].time_utc < timedelta(minutes=10 + GETS_UP_MIN + 1)
    text = title_and_body(woken[0], watch.settings)
    assert text[0] == f"Be there at sunrise, {watch.rises:%H:%M}Z"
    assert text[1].count("put the disc") == 1


def test_at_bedtime_what_nobody_can_do_any_more_is_not_asked() -> None:
    watch = Night()
    watch.until(datetime(2026, 6, 21, 20, 30, tzinfo=UTC))
    _, late = watch.listed()
    assert late.time_utc.hour == 20
    assert [job["job"] for job in plain(late.detail)["jobs"]] == []
    assert plain(late.detail)["holds"] is False
    assert abs(parse_utc(plain(late.detail)["holds_until_utc"]) - watch.rises) < timedelta(minutes=1)
    words = title_and_body(late, watch.settings)
    assert words[0] == f"Sleep only until {watch.rises:%H:%M}Z"
    assert f"at sunrise, {watch.rises:%H:%M}Z: be at the camera when the sun comes up" in words[1]


def test_a_place_that_does_not_reach_beyond_sunrise_is_not_worth_the_walk() -> None:
    watch = Night()
    watch.holds = watch.sets + timedelta(hours=2)
    watch.until(watch.sets)
    (told,) = watch.listed()
    assert plain(told.detail)["jobs"] == []
    assert plain(told.detail)["ends"]["job"] == "sunrise"


def test_put_in_its_place_before_sunset_the_night_is_quiet() -> None:
    watch = Night()
    watch.until(watch.sets - timedelta(minutes=30))
    watch.mark("recentred")
    watch.more = {"exit_early_utc": None, "exit_utc": None, "exit_clear_utc": None, "due": (), "flags": ()}
    watch.frames(10)
    watch.seen_utc = watch.now
    watch.until(watch.rises + timedelta(hours=4))
    assert [one for one in watch.said if one.severity is not Severity.NOTE] == []
    assert plain(watch.listed()[-1].detail)["jobs"] == []
    assert plain(watch.listed()[-1].detail)["holds"] is True


def test_a_drive_that_stands_by_night_needs_somebody_at_sunrise() -> None:
    watch = Night(mount={"parked_at_night": True})
    watch.more = {"exit_early_utc": None, "exit_utc": None, "exit_clear_utc": None, "due": (), "flags": ()}
    watch.until(watch.rises + timedelta(minutes=2))
    assert plain(watch.listed()[0].detail)["ends"]["job"] == "sunrise"
    woken = [one for one in watch.said if one.severity is Severity.NOW]
    assert [one.condition for one in woken] == ["drift-exit"]


@pytest.mark.parametrize("lat", [45.0, 60.0, -41.0])
def test_nights_are_when_the_sun_is_down(lat: float) -> None:
    site = settings(site={"latitude_deg": lat, "longitude_deg": 0.0}).site
    for hour in range(48):
        at = utc_s(AFTERNOON) + hour * 3600
        found = night_of(site, at)
        assert found is not None
        assert found.rises_s > at
        assert (found.sets_s <= at) == (above_line_deg(Sun(site), at, "lower") < 0)


def test_where_the_sun_stays_up_or_down_there_is_no_night_to_wait_for() -> None:
    polar = settings(site={"latitude_deg": 78.0}).site
    assert night_of(polar, utc_s(AFTERNOON)) is None
    dark = night_of(polar, utc_s(AFTERNOON) + 183 * 86_400)
    assert dark is not None
    agenda = agenda_of(None, settings(site={"latitude_deg": 78.0}), AFTERNOON + timedelta(days=183))
    assert agenda.rises_utc is None
    assert agenda.dark(AFTERNOON + timedelta(days=183))


def test_where_the_disc_comes_up_is_that_of_the_mount() -> None:
    sets, rises = night()
    solar, sidereal = (foreseen(time_utc=sets, rate_ratio=ratio) for ratio in (1.0, 1.002738))
    still = rise_of(solar, settings(site=SITE), utc_s(rises), SIZE)
    assert still is not None
    # A true axis at the solar rate: what is left is refraction, and the sun's own declination.
    assert abs(still.right_widths) < 1.0
    off = rise_of(sidereal, settings(site=SITE), utc_s(rises), SIZE)
    assert off is not None
    # Star rate for five and a quarter hours: 15 degrees an hour by 0.27 %, in widths of 0.525 degrees.
    hours = (rises - sets).total_seconds() / 3600
    assert abs(off.right_widths - still.right_widths) == pytest.approx(
        15 * 0.002738 * hours * 0.917 / 0.5245, rel=0.05
    )


def test_unwound_in_the_dark_it_is_known_to_be_unwound_and_no_more() -> None:
    """At 41 south: the mount stopped at its limit, and was unwound after sunset."""
    watch = Night()
    watch.until(watch.sets - timedelta(minutes=20))
    watch.runs(1.0)
    watch.frames(4)
    stop = watch.now
    assert watch.of("runaway")[0] == ("opened", "now")
    watch.more = {
        "departed_utc": stop, "flags": ("departed", "stopped"), "exit_early_utc": stop + timedelta(minutes=6),
        "exit_utc": stop + timedelta(minutes=6), "exit_clear_utc": None, "best_place": None,
        "due": (Due(time_utc=stop + timedelta(minutes=6), reason="drift"),),
    }  # fmt: skip
    watch.until(watch.sets + timedelta(minutes=40))
    watch.mark("unwound")
    watch.until(watch.sets + timedelta(hours=2))
    cleared = [one for one in watch.said if one.condition == "runaway" and one.state == "cleared"]
    text = message(cleared[-1])
    assert "tracks again" not in text
    assert "marked unwound" in text
    assert f"not known until sunrise, {watch.rises:%H:%M}Z" in text
    after = [one for one in watch.said if one.time_utc > watch.sets + timedelta(minutes=41)]
    assert not [one for one in after if one.severity is not Severity.NOTE and one.state != "cleared"]
    watch.until(watch.rises + timedelta(minutes=2))
    woken = [one for one in watch.said if one.severity is Severity.NOW and one.state != "cleared"]
    (last,) = [one for one in woken if one.time_utc > watch.sets + timedelta(minutes=41)]
    assert last.condition == "drift-exit"
    assert watch.rises - last.time_utc < timedelta(minutes=10 + GETS_UP_MIN + 1)
    assert title_and_body(last, watch.settings)[1].count("recentre") == 1


def test_an_unwinding_in_the_dark_is_asked_for_now_and_the_recentring_at_sunrise() -> None:
    watch = Night()
    limit = watch.sets + timedelta(hours=3)
    watch.more = {"exit_early_utc": None, "exit_utc": None, "exit_clear_utc": None, "flags": (),
                  "due": (Due(time_utc=limit, reason="axis-limit"),)}  # fmt: skip
    watch.until(limit)
    told = [one for one in watch.said if one.condition == "axis-limit" and one.severity is Severity.NOW]
    body = title_and_body(told[0], watch.settings)[1]
    assert "Unwind the axis fully now" in body
    assert f"recentre at sunrise, {watch.rises:%H:%M}Z" in body


def test_a_visit_in_the_dark_is_checked_by_daylight() -> None:
    watch = Night()
    watch.more = {"exit_early_utc": None, "exit_utc": None, "exit_clear_utc": None, "due": (), "flags": ()}
    watch.until(watch.sets + timedelta(hours=1))
    watch.mark("visit", minutes=15.0)
    watch.until(watch.rises)
    assert not [one for one in watch.said if one.severity is Severity.NOW]
    watch.frames(12)
    assert not [one for one in watch.said if one.severity is Severity.NOW]


def test_a_visit_in_the_dark_and_an_overcast_morning_wake_nobody() -> None:
    watch = Night()
    watch.more = {"exit_early_utc": None, "exit_utc": None, "exit_clear_utc": None, "due": (), "flags": ()}
    watch.until(watch.sets + timedelta(hours=1))
    watch.mark("visit", minutes=15.0)
    watch.until(watch.rises)
    watch.frames(60, found=False, brightness=0.0)
    said = [one for one in watch.said if one.condition == "visit" and one.severity is not Severity.NOTE]
    assert [one.severity for one in said] == [Severity.SOON]


def test_a_visit_that_ended_with_eighty_good_pictures_left_nothing_wrong() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=80.0)
    watch.frames(80)
    watch.frames(30, found=False, brightness=0.003)
    assert not [one for one in watch.said if one.condition == "visit" and one.severity is not Severity.NOTE]


def test_a_battery_that_outlives_its_count_is_asked_about_once() -> None:
    watch = Watch(sleep={})
    end = watch.now + timedelta(hours=10)
    for _ in range(5 * 24):
        watch.forecast(due=(Due(time_utc=end, reason="battery"),))
        watch.frames(60, every_s=300.0)
    told = [one for one in watch.said if one.condition == "supply"]
    after = [one for one in told if one.time_utc >= end]
    (asked,) = after
    assert (asked.severity, plain(asked.detail)["outlived"]) == (Severity.SOON, True)
    assert asked.time_utc - end < timedelta(minutes=10)
    assert message(asked) == (
        f"The camera's battery was to run out at {end:%H:%M}Z and still works: was it renewed?"
    )


def test_the_short_list_asks_of_what_outlived_its_count_and_names_no_time_that_is_past() -> None:
    """As of now: what is over by its count, what is due in the night, and an edge that is overdue."""
    now = datetime(2026, 6, 21, 17, 0, tzinfo=UTC)
    times = TimeWriter(now_utc=now)
    said = [
        brief_task(Task(job="battery", due_utc=now - timedelta(hours=3), outlived=True), times),
        brief_task(Task(job="card", due_utc=now + timedelta(hours=3)), times),
        brief_task(Task(job="drift", due_utc=now - timedelta(hours=1)), times),
    ]
    assert said == ["camera battery (was it renewed?)", "card by 20:00Z", "recentre now"]


def test_the_disk_is_on_the_list_once() -> None:
    watch = Watch(datetime(2026, 6, 21, 17, 0, tzinfo=UTC), sleep={"from_utc": "20:00", "until_utc": "04:00"})
    watch.disk(int(11 * 60 * 8e6), 8e6)
    full = watch.now + timedelta(hours=11)
    for _ in range(13):
        watch.frames(10)
        watch.forecast(due=(Due(time_utc=full, reason="storage"),), seen_utc=watch.now)
    (told,) = [one for one in watch.said if one.condition == "before-sleep"]
    assert [job["job"] for job in plain(told.detail)["jobs"]] == ["storage"]


def test_what_has_been_seen_does_not_go_back() -> None:
    watch = Watch()
    seen = Seen()
    for _ in range(3):
        watch.frames(1)
        seen = seen.after(watch.frame(time_utc=watch.now))
    assert seen.frame_utc == watch.now
    assert seen.after(watch.frame(time_utc=watch.now - timedelta(hours=1))).frame_utc == watch.now
    assert seen.after(watch.frame(time_utc=watch.now, error="cut")) == seen


def test_what_could_be_done_only_in_the_midst_of_the_night_is_no_job_for_the_evening() -> None:
    """A place that is good from 02:00 on, asked for before a sleep from 22:00 to 06:00."""
    sleep = {"from_utc": "22:00", "until_utc": "06:00"}
    evening = datetime(2026, 6, 21, 21, 30, tzinfo=UTC)
    leaves = evening + timedelta(hours=7)
    late = Place(
        at_utc=evening + timedelta(hours=4, minutes=30), to_px=(1500.0, 3300.0), right_widths=-1.6,
        up_widths=-1.5, gap_edge="bottom", gap_widths=0.3, tolerance_widths=0.25,
        holds_until_utc=evening + timedelta(hours=11),
    )  # fmt: skip
    forecast = foreseen(
        time_utc=evening, basis="test", seen_utc=evening, exit_utc=leaves, exit_early_utc=leaves,
        due=(Due(time_utc=leaves, reason="drift"),), touch_gains=False,
        best_place=replace(late, at_utc=evening, holds_until_utc=evening + timedelta(hours=2)),
        later_places=(late,),
    )  # fmt: skip
    morning = evening + timedelta(hours=9)

    def asked(**sections: object) -> Answer:
        agenda = agenda_of(forecast, settings(**sections), evening)
        return answer(agenda, forecast, morning, evening)

    found = asked(sleep=sleep)
    assert (found.jobs, found.holds, found.holds_until_utc) == ((), False, leaves)
    assert found.ends is not None
    assert found.ends.place == late
    # Whoever does not say when he sleeps is up then; and so is one who asks shortly before.
    assert [job.name for job in asked().jobs] == ["drift"]
    assert [job.name for job in asked(sleep={"from_utc": "03:00", "until_utc": "09:00"}).jobs] == ["drift"]


def test_hours_of_daylight_without_a_sight_of_the_sun_leave_nothing_known() -> None:
    """Last seen at 12:00, by 16:10 it has been up for more than four hours; a night counts for nothing."""
    noon = datetime(2026, 6, 21, 12, 0, tzinfo=UTC)
    leaves = noon + timedelta(hours=30)
    forecast = foreseen(
        time_utc=noon, basis="test", seen_utc=noon, exit_early_utc=leaves, exit_utc=leaves,
        due=(Due(time_utc=leaves, reason="drift"),),
    )  # fmt: skip
    seen = Seen(frame_utc=noon, disc_utc=noon)

    def known(after: timedelta, site: dict[str, float]) -> bool:
        now = noon + after
        agenda = agenda_of(forecast, settings(site=site), now, seen)
        return answer(agenda, forecast, now + timedelta(hours=1), now).known

    assert known(timedelta(hours=3, minutes=50), SITE)
    assert not known(timedelta(hours=4, minutes=10), SITE)
    # At 60 N the sun is down from 19:20 to 00:34.
    evening = seen._replace(disc_utc=noon + timedelta(hours=7))
    agenda = agenda_of(forecast, settings(site=SITE), noon + timedelta(hours=14), evening)
    assert agenda.unseen_since_utc is None
    agenda = agenda_of(forecast, settings(site=SITE), noon + timedelta(hours=17), evening)
    assert agenda.unseen_since_utc == evening.disc_utc


def test_a_night_is_on_from_its_beginning_to_its_end_and_not_before() -> None:
    site = Site(latitude_deg=45.0, longitude_deg=0.0)
    noon_s = utc_s(datetime(2027, 3, 20, 12, tzinfo=UTC))
    night = night_of(site, noon_s)
    assert night is not None
    assert night_on(site, noon_s) is None
    assert night_on(site, night.sets_s - 1) is None
    assert night_on(site, night.sets_s + 1) == night == night_on(site, night.rises_s - 1)
    assert night_on(site, night.rises_s + 1) is None


def test_an_unwinding_that_is_still_asked_for_after_sunrise_asks_for_the_recentring_too() -> None:
    watch = Night()
    limit = watch.sets + timedelta(hours=3)
    watch.more = {"exit_early_utc": None, "exit_utc": None, "exit_clear_utc": None, "flags": (),
                  "due": (Due(time_utc=limit, reason="axis-limit"),)}  # fmt: skip
    watch.until(limit)
    told = [one for one in watch.said if one.condition == "axis-limit" and one.severity is Severity.NOW][-1]
    body = title_and_body(told, watch.settings, watch.rises + timedelta(minutes=90))[1]
    assert "Unwind the axis fully, watch the cables, recentre, mark unwound" in body
    assert "sunrise" not in body


def test_a_mount_that_stands_comes_to_no_limit() -> None:
    watch = Night()
    watch.until(watch.sets - timedelta(minutes=60))
    watch.runs(1.0)
    watch.frames(4)
    stop = watch.now
    assert watch.of("runaway")[0] == ("opened", "now")
    limit = watch.sets + timedelta(hours=2)
    watch.more = {
        "departed_utc": stop, "flags": ("departed", "stopped"), "exit_early_utc": stop + timedelta(minutes=6),
        "exit_utc": stop + timedelta(minutes=6), "exit_clear_utc": None, "best_place": None,
        "due": (Due(time_utc=limit, reason="axis-limit"),),
    }  # fmt: skip
    watch.until(limit + timedelta(minutes=10))
    assert watch.of("axis-limit") == []


def unseen_from_the_afternoon_until(watch: Night, end: datetime) -> list[Incident]:
    watch.frames(60)
    # Cloud leads up to it.
    watch.frames(2, brightness=0.2)
    watch.frames(round((end - watch.now).total_seconds() / 60), found=False)
    return [one for one in watch.said if one.condition == "unverified"]


def test_a_sun_that_sets_unseen_is_not_said_to_be_seen_again() -> None:
    watch = Night()
    told = unseen_from_the_afternoon_until(watch, watch.rises)
    assert [one.state for one in told] == ["opened"]
    watch.frames(30)
    cleared = [one for one in watch.said if one.condition == "unverified"][-1]
    assert cleared.state == "cleared"
    assert cleared.time_utc > watch.rises


def test_a_second_day_unseen_is_told_as_the_first_was() -> None:
    watch = Night()
    told = unseen_from_the_afternoon_until(watch, watch.rises + timedelta(hours=5))
    assert [one.severity for one in told] == [Severity.NOTE, Severity.NOTE, Severity.SOON]
    assert told[-1].onset_utc > watch.rises
