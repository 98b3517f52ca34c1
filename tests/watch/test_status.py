"""What is shown of a watch: as text, as JSON, as a page."""

import base64
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from math import nan
from pathlib import Path

import pytest

from sentinel.chain.judge.agenda import Job
from sentinel.core.foreseen import NO_EXIT, Due, Place, Turn
from sentinel.core.records import (
    Disc,
    Incident,
    Mark,
    MeasuredFrame,
    Outcome,
    Severity,
    Surroundings,
    Tick,
)
from sentinel.core.settings import Settings, validate
from sentinel.service.journal.codec import plain
from sentinel.service.journal.rows import Messages
from sentinel.service.status.board import Board
from sentinel.service.status.facts import facts_of
from sentinel.service.status.lines import from_json, status_lines, to_json, until_json, until_lines
from sentinel.service.status.making import standing_of
from sentinel.service.status.page import page_html
from sentinel.service.status.standing import Standing
from tests.forecasts import foreseen, places_of, pointing_of
from tests.notify.incidents import told_by

T0 = datetime(2027, 6, 21, 1, 0, tzinfo=UTC)
SETTINGS: Settings = validate(
    {
        "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 3.92},
        "supplies": {"camera_battery_h": 30.0},
    },
    where="test",
)
NASTY = "IMG<script>alert(1)</script>\"'&.jpg"
PLACE = Place(
    at_utc=T0,
    to_px=(900.0, 400.0),
    right_widths=1.02,
    up_widths=-0.49,
    gap_edge="right",
    gap_widths=1.7,
    tolerance_widths=0.26,
    holds_until_utc=T0 + timedelta(hours=14),
)
FORECAST = foreseen(
    time_utc=T0,
    basis="mount model",
    exit_utc=T0 + timedelta(hours=9),
    edge="top",
    due=(
        Due(time_utc=T0 + timedelta(hours=6, minutes=40), reason="axis-limit"),
        Due(time_utc=T0 + timedelta(hours=8), reason="drift"),
        Due(time_utc=T0 + timedelta(hours=30), reason="battery"),
    ),
    next_visit_utc=T0 + timedelta(hours=6, minutes=30),
    next_visit_reason="axis-limit",
    best_place=PLACE,
    touch_gains=True,
    stop_edge_utc=T0 + timedelta(minutes=6.2),
    stop_edge="left",
    seen_utc=T0,
    axis_turned_deg=241.0,
)


def frame(name: str, minutes: float, *, found: bool = True, error: str | None = None) -> MeasuredFrame:
    disc = (
        Disc(found=found, x_px=700.0, y_px=500.0, radius_px=470.0, edge_width_px=2.4)
        if found
        else Disc(found=False)
    )
    return MeasuredFrame(
        frame=name,
        time_utc=T0 + timedelta(minutes=minutes),
        width_px=6000,
        height_px=4000,
        disc=disc,
        error=error,
    )


def incident(condition: str, severity: Severity, state: str = "opened", **detail: object) -> Incident:
    return Incident(
        time_utc=T0,
        condition=condition,
        state=state,  # type: ignore[arg-type]
        severity=severity,
        onset_utc=T0 - timedelta(minutes=5),
        detail=told_by(condition, **detail),
    )


@pytest.fixture
def board() -> Board:
    board = Board()
    for minute in range(10):
        if minute != 4:
            board.update(frame(f"{minute}.jpg", minute), Outcome(), T0 + timedelta(minutes=minute))
    opened = (incident("covered-limb", Severity.NOTE), incident("no-frames", Severity.NOW, missed_frames=4))
    board.update(frame(NASTY, 10), Outcome(forecast=FORECAST, incidents=opened), T0 + timedelta(minutes=10))
    board.update(
        Surroundings(time_utc=T0, free_bytes=10**11, folder="present", clock_synchronised=True),
        Outcome(),
        T0 + timedelta(minutes=10),
    )
    return board


@pytest.fixture
def standing(board: Board) -> Standing:
    messages = Messages(
        last_utc=T0, last_title="All well", last_target="phone", waiting=2, trouble="phone: no route"
    )
    return standing_of(
        board, SETTINGS, T0 + timedelta(minutes=11), clock_offset_s=37.4, focus_ratio=1.02, messages=messages
    )


def test_a_late_frame_counts_but_is_not_the_newest(board: Board) -> None:
    board.update(frame("late.jpg", 4), Outcome(), T0 + timedelta(minutes=11))
    assert (board.frames, len(board.recent_discs)) == (11, 10)
    assert board.frame is not None
    assert (board.frame.frame, board.frame.time_utc) == (NASTY, T0 + timedelta(minutes=10))
    assert board.expected(60.0) == 12
    board.update(frame("bad.jpg", 11, error="cut"), Outcome(), T0 + timedelta(minutes=11))
    assert (board.frames, board.unusable) == (11, 1)


def test_incidents_are_open_until_they_are_cleared(board: Board) -> None:
    assert sorted(i.condition for i in board.open.values()) == ["covered-limb", "no-frames"]
    over = Outcome(incidents=(incident("no-frames", Severity.NOW, "cleared"),))
    board.update(Mark(time_utc=T0, kind="seen"), over, T0)
    assert [i.condition for i in board.open.values()] == ["covered-limb"]
    two = tuple(incident("supply", Severity.SOON, supply=name) for name in ("card", "timer"))
    board.update(Mark(time_utc=T0, kind="seen"), Outcome(incidents=two), T0)
    assert len(board.open) == 3


def test_what_is_no_number_is_not_known(board: Board) -> None:
    somewhere = replace(pointing_of(FORECAST), expected_px=(nan, nan))
    places = replace(places_of(FORECAST), one_axis=replace(PLACE, gap_widths=nan))
    odd = Outcome(forecast=replace(FORECAST, pointing=somewhere, places=places))
    board.update(Tick(time_utc=T0), odd, T0)
    standing = standing_of(board, SETTINGS, T0)
    assert standing.forecast is not None
    assert standing.forecast.places is None
    assert standing.forecast.pointing is None
    assert standing.forecast.due == FORECAST.due


def test_json_holds_it_all_and_comes_back_equal(standing: Standing) -> None:
    text = to_json(standing)
    held = json.loads(text)
    assert held["leave_until_utc"] == "2027-06-21T07:40:00Z"
    assert held["stop_edge_min"] == 6.2
    assert (held["frames"], held["frames_expected"]) == (10, 11)
    assert held["messages"]["waiting"] == 2
    assert plain(from_json(text, where="test")) == plain(standing)


def test_text_says_first_until_when_the_camera_may_be_left_alone(standing: Standing) -> None:
    lines = status_lines(standing, T0 + timedelta(minutes=12), watched=True)
    text = "\n".join(lines)
    assert lines[2] == "As of 01:11Z, 1 min ago; last picture 2 min ago."
    assert lines[0].startswith(
        "The camera cannot be left alone now. No pictures since 00:55Z. "
        "Once that is mended, it may be left alone until 07:40Z, in 6 h 28 min: the axis limit comes first."
    )
    calm = replace(standing, troubles=())
    assert status_lines(calm, T0 + timedelta(minutes=12), watched=True)[0].startswith(
        "The camera may be left alone until 07:40Z, in 6 h 28 min: the axis limit comes first."
    )
    assert lines[1] == "If the mount stopped now: 6 min to the edge (left edge)."
    assert text.index("now   ") < text.index("note  ")
    assert "By 07:40Z: unwind the axis" in text
    assert "recentre: put the disc 1.0 sun-widths right of the middle and 0.5 below it" in text
    assert "1.7 from the right edge, 0.26 off is fine; then good until 15:00Z" in text
    assert "Last message through" in text
    assert "NOT RUNNING" not in text
    assert "NOT RUNNING" in "\n".join(status_lines(standing, T0, watched=False))


def test_clocks_that_disagree_are_told(standing: Standing) -> None:
    lines = status_lines(standing, T0 - timedelta(hours=3), watched=True)
    assert "last picture 3 h 10 min ahead of this computer's clock" in lines[2]


def until(standing: Standing, hours: float, *, watched: bool = True) -> list[str]:
    now = T0 + timedelta(minutes=12)
    return until_lines(standing, T0 + timedelta(hours=hours), now, watched=watched)


def test_until_answers_first_and_then_says_what_must_be_done(standing: Standing) -> None:
    assert until(standing, 5)[:2] == [
        "No: it cannot be left alone now. No pictures since 00:55Z.",
        "Once that is mended, it holds until 06:00Z.",
    ]
    calm = replace(standing, troubles=())
    assert until(calm, 5)[0] == "Yes: nothing to do, it may be left alone until 06:00Z."
    late = until(calm, 9)
    assert late[0] == "Yes, with these 2 done: then it holds until 10:00Z."
    assert late[1].startswith("  By 07:40Z: unwind the axis fully, watch the cables, mark unwound; then ")
    assert late[2].startswith("  By 09:00Z, recentre: put the disc 1.0 sun-widths right of the middle")
    assert late[-1].startswith("If the mount stopped now: 6 min")


def test_what_holds_only_if_the_mount_has_tracked_unseen_is_not_said_to_hold(standing: Standing) -> None:
    now, until_utc = T0 + timedelta(minutes=12), T0 + timedelta(hours=5)
    calm = replace(standing, troubles=())
    assert until_json(calm, until_utc, now, watched=True)["holds"] is True
    rise = Job(name="sunrise", due_utc=T0 - timedelta(hours=1), by_utc=T0 - timedelta(hours=1))
    told = until_json(
        replace(calm, agenda=replace(calm.agenda, up_unseen=rise)), until_utc, now, watched=True
    )
    assert told["holds"] is False
    assert told["lines"][0].startswith("If the mount has tracked since the sun was last seen, yes: ")


def test_a_place_to_which_the_disc_goes_anyway_says_why_wherever_it_is_told(board: Board) -> None:
    """As by the midnight sun: it sinks for hours before it rises, and the whole way must have room."""
    turn = Turn(at_utc=T0 + timedelta(hours=8, minutes=50), edge="bottom", widths=0.9)
    below = replace(PLACE, right_widths=0.0, up_widths=-1.8, gap_edge="bottom", turn=turn)
    assert board.forecast is not None
    forecast = replace(board.forecast, places=replace(places_of(board.forecast), now=below))
    shown = standing_of(replace(board, forecast=forecast, open={}), SETTINGS, T0 + timedelta(minutes=12))
    says = "it rises again after 09:50Z, 0.9 sun-widths from the bottom edge"
    kept = from_json(to_json(shown), where="test")
    texts = {
        "status": "\n".join(status_lines(kept, T0, watched=True)),
        "page": page_html(shown),
        "until": "\n".join(until(shown, 9)),
    }
    for where, text in texts.items():
        assert says in text, where
        assert "put the disc 1.8 sun-widths below the middle, 1.7 from the bottom edge" in text, where


def test_until_checks_its_own_list(standing: Standing) -> None:
    calm = replace(standing, troubles=())
    # The place holds until 15:00 and no longer, whatever else is done.
    assert until(calm, 16)[0] == "No, not even with these 2 done: until 15:00Z; go again at 14:35Z."
    assert len([line for line in until(calm, 40) if "battery" in line]) == 1


def test_until_says_when_nobody_watches(standing: Standing) -> None:
    calm = replace(standing, troubles=())
    assert "NOT RUNNING" in until(calm, 5, watched=False)[1]
    assert "This is of 01:11Z" in until(calm, 5, watched=False)[1]
    assert "NOT RUNNING" not in "".join(until(calm, 5))


@pytest.mark.parametrize(("hours", "told"), [(2, "until 03:00Z"), (-1, "was to last until 00:00Z")])
def test_a_count_that_is_over_is_not_said_to_last(hours: int, told: str) -> None:
    board = Board()
    due = Due(time_utc=T0 + timedelta(hours=hours), reason="battery")
    board.update(frame("a.jpg", 0), Outcome(forecast=replace(FORECAST, exit=NO_EXIT, due=(due,))), T0)
    facts = {fact.name: fact.value for fact in facts_of(standing_of(board, SETTINGS, T0))}
    assert facts["Camera battery"] == told


def test_a_battery_that_lasts_nine_hours_does_not_last_twelve() -> None:
    settings = SETTINGS.model_copy(
        update={"supplies": SETTINGS.supplies.model_copy(update={"camera_battery_h": 9.0})}
    )
    board = Board()
    board.update(frame("a.jpg", 0), Outcome(forecast=replace(
        FORECAST, exit=NO_EXIT, due=(Due(time_utc=T0 + timedelta(hours=2), reason="battery"),)
    )), T0)  # fmt: skip
    standing = standing_of(board, settings, T0)
    lines = until_lines(standing, T0 + timedelta(hours=12), T0, watched=True)
    assert lines[0] == "No, not even with this one done: until 10:00Z; go again at 09:35Z."
    assert lines[1] == "  By 03:00Z: change the camera's battery, mark battery; then good until 10:00Z"


class Page(HTMLParser):
    """Takes a page apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if not self.tags or self.tags[-1][0] not in {"script", "style"}:
            self.text.append(data)


def test_the_page_asks_nobody_and_stays_text(standing: Standing) -> None:
    html = page_html(standing, b"\xff\xd8jpeg", f"Of {NASTY}.")
    page = Page(html)
    assert sum(tag == "script" for tag, _ in page.tags) == 1, "its own alone"
    assert NASTY in "".join(page.text), "a name with mark-up in it stays text"
    for _, attributes in page.tags:
        for name in ("src", "href", "action", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith("data:image/jpeg;base64,")
    assert "http:" not in html
    assert "https:" not in html
    assert "url(" not in html
    assert "@import" not in html
    assert base64.b64encode(b"\xff\xd8jpeg").decode() in html
    assert dict(page.tags)["meta"] is not None
    assert 'name="viewport" content="width=device-width' in html


def test_the_page_knows_its_own_age_and_the_pictures(standing: Standing) -> None:
    page = Page(page_html(standing))
    ages = [a for tag, a in page.tags if a.get("class") == "age"]
    assert [a["data-at"] for a in ages] == [
        str(round(1000 * (T0 + timedelta(minutes=11)).timestamp())),
        str(round(1000 * (T0 + timedelta(minutes=10)).timestamp())),
    ]
    assert [a["data-limit"] for a in ages] == ["180", "180"]


def test_the_picture_that_is_shown_is_the_frame_that_is_named(standing: Standing) -> None:
    """It is drawn beside the watch, and may be an older one than the newest."""
    text = "".join(Page(page_html(standing, b"jpeg", "Of the-one-before.jpg.")).text)
    assert "Of the-one-before.jpg" in text
    assert str(standing.frame) not in text
    assert str(standing.frame) in "".join(Page(page_html(standing)).text)


def test_the_first_sentence_is_in_the_colour_of_its_level(standing: Standing) -> None:
    calm = replace(standing, troubles=())
    for one, level in ((standing, "now"), (calm, "well")):
        assert one.level(T0 + timedelta(minutes=12)) == level
        assert f'<h1 class="{level}">' in page_html(one)
    assert calm.level(T0 + timedelta(minutes=12), watched=False) == "now"
    assert calm.level(T0 + timedelta(hours=5)) == "soon"
    assert calm.level(T0 + timedelta(hours=8)) == "now"


def test_the_page_keeps_the_order_of_what_matters(standing: Standing) -> None:
    text = " ".join("".join(Page(page_html(standing, b"jpeg")).text).split())
    order = [
        "Page", "last picture", "may be left alone until 07:40", "If the mount stopped now", "Open",
        "NO PICTURES", "Next visit", "unwind", "Last picture", "Sun last seen", "Focus", "Pictures",
        "10 of 11 expected", "Camera battery", "Axis turned", "241 of 360", "Clock", "+37.4 s",
        "Last message through", "2 waiting",
    ]  # fmt: skip
    at = 0
    for word in order:
        found = text.lower().find(word.lower(), at)
        assert found >= 0, f"{word} does not stand in its place"
        at = found + len(word)


def test_before_the_first_picture_there_is_a_page_too() -> None:
    empty = standing_of(Board(), SETTINGS, T0)
    assert "no picture yet" in page_html(empty)
    assert "not known yet" in page_html(empty)
    assert status_lines(empty, T0, watched=True)
    assert from_json(to_json(empty), where="test") == empty


def test_the_template_lies_beside_the_module() -> None:
    import sentinel.service.status  # noqa: PLC0415

    assert (Path(sentinel.service.status.__file__).parent / "page.html.jinja").is_file()


def test_by_night_nothing_is_said_of_an_edge_that_no_sun_can_reach() -> None:
    site = SETTINGS.site.model_copy(update={"latitude_deg": 45.0})
    night = T0.replace(hour=23)
    board = Board()
    board.update(frame("a.jpg", 0), Outcome(forecast=FORECAST), night)
    standing = standing_of(board, SETTINGS.model_copy(update={"site": site}), night)
    assert "If the mount stopped now: the sun is down." in status_lines(standing, night, watched=True)
