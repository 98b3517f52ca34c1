"""What people read: golden texts for every condition and severity, and what holds for all of them."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from sentinel.chain.judge import conditions as table
from sentinel.chain.notify.wording import WORDS, message, name_of, sms, title_and_body
from sentinel.core.records import IncidentState, Severity
from tests.notify.golden import settings, texts
from tests.notify.incidents import EVERY, at, incident

GOLDEN = (Path(__file__).parent / "golden.txt").read_text(encoding="utf-8")
BLOCKS = dict(re.findall(r"^(?=\[(.+?)\]\n)((?:.+\n)+)", GOLDEN, flags=re.MULTILINE))


def test_the_golden_file_holds_every_incident_and_no_other() -> None:
    assert list(BLOCKS) == list(EVERY)


@pytest.mark.parametrize("name", EVERY)
def test_golden(name: str) -> None:
    assert texts(name, EVERY[name]) == BLOCKS[name]


def test_every_condition_of_the_judge_has_words() -> None:
    conditions = set(table.NAMES)
    assert conditions == {one.condition for one in EVERY.values()}
    assert conditions == set(WORDS)
    assert {one for one in conditions if not name_of(one)} == {"visit", "before-sleep"}


@pytest.mark.parametrize("name", EVERY)
def test_the_short_message_fits_a_satellite_link(name: str) -> None:
    short = sms(EVERY[name])
    assert len(short) <= 160
    assert short.isascii()
    assert not short.endswith("..."), "nothing was cut"
    assert "?" not in short.replace("unwound?", ""), "no fact is missing"


@pytest.mark.parametrize("name", EVERY)
def test_a_phone_shows_it_without_unlocking(name: str) -> None:
    title, body = title_and_body(EVERY[name], settings())
    assert len(title) <= 45
    assert len(body) <= 240
    assert "\n" not in title + body


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("over", [False, True])
def test_what_the_title_says_the_body_does_not_say_again(name: str, over: bool) -> None:
    told = replace(EVERY[name], state="cleared") if over else EVERY[name]
    title, body = title_and_body(told, settings())
    assert body
    assert not body.startswith(f"{title},")
    assert not body.startswith(f"{title}. ")


@pytest.mark.parametrize(
    "name", [n for n, i in EVERY.items() if i.severity is Severity.NOW and i.state != "cleared"]
)
def test_a_now_says_when_and_what_to_do(name: str) -> None:
    short = sms(EVERY[name])
    assert re.search(r"\d\d:\d\dZ", short)
    assert re.search(r"\b(Go|Check|Change|Make|Restart|Look|Approach|Unwind|Recentre|check)\b", short)


@pytest.mark.parametrize("name", EVERY)
def test_the_sentence_is_one_sentence(name: str) -> None:
    sentence = message(EVERY[name])
    assert sentence[-1] in ".?"
    assert ". " not in sentence


def test_the_filter_warning_leads_with_safety() -> None:
    warning = EVERY["over-bright now"]
    title, body = title_and_body(warning, settings())
    assert title.startswith("DO NOT LOOK")
    assert body.startswith("Do NOT look into camera or finder")
    assert body.index("behind") < body.index("cap the lens") < body.index("inspect")
    assert message(warning).startswith("Do NOT look")
    assert "Do NOT look into camera or finder" in sms(warning)


def test_the_operators_zone_stands_beside_utc() -> None:
    _, body = title_and_body(EVERY["drift-exit now"], settings("Europe/Oslo"))
    assert "05:34 Oslo (03:34Z)" in body
    assert "(05" not in sms(EVERY["drift-exit now"])


@pytest.mark.parametrize("condition", sorted({one.condition for one in EVERY.values()}))
@pytest.mark.parametrize("state", ["opened", "changed", "cleared"])
def test_missing_evidence_breaks_nothing(condition: str, state: IncidentState) -> None:
    for severity in Severity:
        bare = replace(incident(condition, severity), state=state)
        assert message(bare)
        assert len(sms(bare)) <= 160
        assert all(title_and_body(bare, settings()))


def test_an_unknown_condition_is_still_said() -> None:
    assert message(incident("something-new", "soon")) == "something-new since 03:01Z."


def test_odd_characters_do_not_reach_the_short_message() -> None:
    odd = incident(
        "mixed-cameras", "note", other="F\u00e9 \u2603" * 60, other_size_px=[1, 2], until_utc=at("03:00")
    )
    assert sms(odd).isascii()
    assert len(sms(odd)) <= 160
