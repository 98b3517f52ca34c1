"""What is deserved and what is needless, and what a file of true events may say."""

from pathlib import Path

import pytest

from sentinel.chain.notify.counting import Counts
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import RequestProblem
from sentinel.core.times import parse_utc, utc_s
from sentinel.jobs.tune.episodes import Episode, SessionEpisodes
from sentinel.jobs.tune.scoring import Criteria, TrueEvent, WakeUpVerdict, figures_of, score_session
from sentinel.jobs.tune.truth import read_truth
from tests.judge.tracks import Watch
from tests.tune.sessions import dark_spells, known_of


def episode(condition: str, woke_s: float, cleared_s: float | None) -> Episode:
    return Episode(
        condition=condition, onset_s=woke_s - 60, noted_s=woke_s, told_s=woke_s, woke_s=woke_s,
        cleared_s=cleared_s,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("condition", "acts_s", "cleared_s", "verdict"),
    [
        ("lost-disc", (), 2000.0, WakeUpVerdict.NEEDLESS),
        ("lost-disc", (), None, WakeUpVerdict.UNDECIDED),
        ("lost-disc", (1500.0,), 2000.0, WakeUpVerdict.DESERVED),
        ("lost-disc", (2800.0,), 2000.0, WakeUpVerdict.DESERVED),
        ("lost-disc", (3000.0,), 2000.0, WakeUpVerdict.NEEDLESS),
        ("lost-disc", (900.0,), 2000.0, WakeUpVerdict.NEEDLESS),
        ("runaway", (), 2000.0, WakeUpVerdict.UNDECIDED),
        ("runaway", (1500.0,), 2000.0, WakeUpVerdict.DESERVED),
        ("over-bright", (), 2000.0, WakeUpVerdict.UNDECIDED),
        ("drift-exit", (), 2000.0, WakeUpVerdict.NEEDLESS),
    ],
)
def test_without_a_file_marks_decide(
    condition: str, acts_s: tuple[float, ...], cleared_s: float | None, verdict: WakeUpVerdict
) -> None:
    assert Criteria(acts_s=acts_s).verdict(episode(condition, 1000.0, cleared_s)) is verdict


@pytest.mark.parametrize(
    ("condition", "woke_s", "acts_s", "verdict"),
    [
        ("runaway", 1000.0, (), WakeUpVerdict.DESERVED),
        ("runaway", 30_000.0, (), WakeUpVerdict.NEEDLESS),
        ("runaway", 30_000.0, (30_100.0,), WakeUpVerdict.NEEDLESS),
        ("lost-disc", 2000.0, (), WakeUpVerdict.DESERVED),  # in the middle of the trouble
        ("lost-disc", 5000.0, (), WakeUpVerdict.NEEDLESS),
        ("drift-exit", 40_000.0, (), WakeUpVerdict.DESERVED),
        ("axis-limit", 40_000.0, (), WakeUpVerdict.NEEDLESS),
        ("axis-limit", 40_000.0, (40_300.0,), WakeUpVerdict.DESERVED),
        ("no-frames", 40_000.0, (40_300.0,), WakeUpVerdict.NEEDLESS),
    ],
)
def test_a_file_decides_and_of_the_foreseen_the_acts_do_too(
    condition: str, woke_s: float, acts_s: tuple[float, ...], verdict: WakeUpVerdict
) -> None:
    true_events = (
        TrueEvent(condition="runaway", onset_s=900.0, until_s=4000.0, written=True),
        TrueEvent(condition="drift-exit", onset_s=45_000.0, until_s=45_000.0, written=True),
    )
    criteria = Criteria(true_events=true_events, acts_s=acts_s, written=True)
    assert criteria.verdict(episode(condition, woke_s, woke_s + 600)) is verdict


def runaway() -> Watch:
    """Return a watch whose mount stands for five minutes; then the disc is back, and nobody says anything."""
    watch = Watch()
    watch.frames(30)
    usual = watch.speed
    watch.runs(1.0)
    watch.frames(5)
    watch.speed = usual
    watch.x, watch.y = 3000.0, 2000.0
    watch.frames(30)
    return watch


def test_a_runaway_that_nobody_explains_is_to_be_found_again() -> None:
    session = known_of(runaway())
    assert (session.base.wakes, session.base.needless, session.base.undecided) == (2, 0, 2)
    assert [one.condition for one in session.criteria.true_events] == ["runaway"]
    assert session.base.woken == 1
    unended = Watch()
    unended.frames(20)
    unended.frames(20, found=False)
    assert known_of(unended).base.undecided == 2, "and a reminder"
    assert known_of(unended, truth=()).base.needless == 2
    told = known_of(runaway(), truth=())
    assert (told.base.needless, told.base.undecided, told.criteria.true_events) == (2, 0, ())


def test_a_wake_up_counts_each_time_somebody_is_woken_as_everywhere_else() -> None:
    watch = dark_spells(17, visited=60)
    session = known_of(watch)
    pipeline = Pipeline(watch.settings, session.rejudging.steps[0][1])
    outcomes = [pipeline.step_with(event, forecast, now) for event, now, forecast in session.rejudging.steps]
    counts = Counts().with_alerts(alert for outcome in outcomes for alert in outcome.alerts)
    assert session.base.wakes == counts.wake_ups > session.base.woken + 1, "reminders wake too"
    # One spell passed by itself; the other was looked after, reminders and all.
    assert (session.base.needless, session.base.undecided) == (1, 0)


def test_a_message_about_two_incidents_wakes_once() -> None:
    black, glare = episode("lost-disc", 1000.0, 2000.0), episode("over-bright", 1000.0, 2000.0)
    said = SessionEpisodes(episodes=[black, glare], wake_ups=[(0, 1), (0,), ()])
    score = score_session(said, Criteria())
    assert (score.wakes, score.needless, score.undecided) == (3, 1, 2), "no mark, so the filter stays open"


def test_how_late_a_fault_is_told_is_measured_from_its_onset() -> None:
    session = known_of(dark_spells(visited=40))
    leads = figures_of([session.base], [session.criteria], session.days)
    assert leads.lead_min is leads.wake_lead_min is None
    assert leads.delay_min is not None
    assert leads.wake_delay_min is not None
    assert 0 < leads.delay_min < leads.wake_delay_min < 20


def test_true_events_are_read_from_lines_yaml_and_scenarios(tmp_path: Path) -> None:
    lines = tmp_path / "truth.jsonl"
    lines.write_text(
        '{"onset_utc": "2026-06-21T05:00:00Z", "condition": "supply", "kind": "card"}\n\n'
        '{"onset_utc": "2026-06-21T03:00:00+02:00", "condition": "runaway", '
        '"until_utc": "2026-06-21T04:00:00Z", "kind": "stopped"}\n'
    )
    first, second = read_truth(lines)
    assert (first.condition, first.onset_s) == ("runaway", utc_s(parse_utc("2026-06-21T01:00:00Z")))
    assert first.until_s == utc_s(parse_utc("2026-06-21T04:00:00Z"))
    assert (second.condition, second.which) == ("supply", "card")
    text = tmp_path / "truth.yaml"
    text.write_text("events:\n- {onset_utc: 2026-06-21T05:00:00Z, condition: lost-disc}\n")
    assert [one.condition for one in read_truth(text)] == ["lost-disc"]
    text.write_text("events: []")
    assert read_truth(text) == ()
    scenario = Path(__file__).parents[2] / "replay_data" / "five-days.yaml"
    found = read_truth(scenario)
    assert [one.condition for one in found] == ["soft-focus", "moved", "runaway"], "refocusing is no fault"
    assert found[0].until_s == utc_s(parse_utc("2027-06-21T05:45:00Z"))
    assert found[2].until_s == utc_s(parse_utc("2027-06-21T23:32:00Z"))


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("t.jsonl", '{"onset_utc": "2026-06-21T05:00:00Z"}', "event 1: condition is missing"),
        ("t.jsonl", "{}{", "line 1: is not JSON"),
        ("t.jsonl", "[1]", "event 1"),
        ("t.yaml", "true_events: []", "true_events is not known here"),
        ("t.yaml", "events: 7", "holds no list"),
        ("t.yaml", "[]", "holds no settings"),
        ("t.yaml", "events: [{onset_utc: 2026-06-21, condition: runaway}]", "onset_utc"),
        ("t.yaml", "events: [{onset_utc: 2026-06-21T05:00:00, condition: runaway}]", "no zone"),
        ("t.yaml", "events: [{onset_utc: 2026-06-21T05:00:00Z, condition: fog}]", "'fog' is no condition"),
        (
            "t.yaml",
            "events: [{onset_utc: 2026-06-21T05:00:00Z, until_utc: 2026-06-21T04:00:00Z, condition: moved}]",
            "ends before it begins",
        ),
    ],
)
def test_what_is_wrong_with_true_events_is_one_line(tmp_path: Path, name: str, text: str, says: str) -> None:
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(RequestProblem) as raised:
        read_truth(path)
    assert says in str(raised.value)
    assert "\n" not in str(raised.value)


def test_true_events_can_turn_the_tables(tmp_path: Path) -> None:
    watch = dark_spells(17)
    assert known_of(watch).base.needless == 1
    truth = tmp_path / "truth.jsonl"
    truth.write_text('{"onset_utc": "2026-06-21T06:21:00Z", "condition": "lost-disc"}\n')
    session = known_of(watch, truth=read_truth(truth))
    assert (session.base.needless, session.base.woken) == (0, 1)


def test_a_missing_file_of_true_events_is_said(tmp_path: Path) -> None:
    with pytest.raises(RequestProblem, match="cannot be read"):
        read_truth(tmp_path / "none.jsonl")
