"""Which supply a mark renews, alike for the forecast, the judge and the status."""

from datetime import UTC, datetime

import pytest

from sentinel.chain.forecast.visits import SuppliesUsed
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Mark, MarkKind
from sentinel.core.settings import Camera, Settings, Site, Supplies
from sentinel.core.times import utc_s
from sentinel.service.watch.marks import made_mark

AT = datetime(2026, 6, 20, 12, tzinfo=UTC)
SETTINGS = Settings(
    site=Site(latitude_deg=70.0, longitude_deg=20.0),
    camera=Camera(focal_length_mm=400.0, pixel_pitch_um=4.0),
    supplies=Supplies(camera_battery_h=9.0, mount_battery_h=40.0, card_frames=3000, timer_frames=399),
)


@pytest.mark.parametrize(
    ("kind", "text", "renewed"),
    [
        ("battery", "", "battery"),
        ("battery", "the camera's; the mount still shows 80 %", "battery"),
        ("battery", "mount", "mount-battery"),
        ("mount-battery", "", "mount-battery"),
        ("card", "", "card"),
        ("timer", "the mount was not touched", "timer"),
        ("remark", "mount battery looks low", None),
        ("visit", "", None),
    ],
)
def test_a_mark_renews_one_supply_and_leaves_the_others(
    kind: MarkKind, text: str, renewed: str | None
) -> None:
    mark = Mark(time_utc=AT, kind=kind, text=text)
    assert mark.renews == renewed
    after = SuppliesUsed.begun(utc_s(AT) - 3600, SETTINGS).taken().marked(mark, SETTINGS.mount)
    assert (after.camera_battery_utc_s == utc_s(AT)) == (renewed == "battery")
    assert (after.mount_battery_utc_s == utc_s(AT)) == (renewed == "mount-battery")
    assert (after.card_frames, after.timer_frames) == (int(renewed != "card"), int(renewed != "timer"))


@pytest.mark.parametrize("text", ["the mount's", "changed at the MOUNT", "mounts"])
def test_of_two_batteries_it_is_asked_which_one_is_meant(text: str) -> None:
    with pytest.raises(RequestProblem, match=r"which one: .*sentinel mark mount-battery"):
        made_mark("battery", text, AT)


@pytest.mark.parametrize("text", ["", "mount", "the camera's; the mount still shows 80 %", "new one"])
def test_what_can_mean_but_one_is_not_asked(text: str) -> None:
    assert made_mark("battery", text, AT).text == text
