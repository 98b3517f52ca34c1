"""Before a watch begins: whose clock its messages are told by."""

from pathlib import Path

import pytest

from sentinel.service.watch import computer
from sentinel.service.watch.computer import system_zone
from sentinel.service.watch.start import in_its_zone
from tests.watch.running import settings_for


def test_the_computers_zone_stands_in_where_none_is_told(tmp_path: Path) -> None:
    plain = settings_for(tmp_path)
    told = settings_for(tmp_path, alerts={"zone": "Asia/Tokyo"})
    assert in_its_zone(plain, "Europe/Oslo").alerts.zone == "Europe/Oslo"
    assert in_its_zone(told, "Europe/Oslo") == told
    assert in_its_zone(plain, None) == plain


@pytest.mark.parametrize(
    ("link", "zone"),
    [
        ("/usr/share/zoneinfo/Europe/Oslo", "Europe/Oslo"),
        ("../usr/share/zoneinfo/America/Argentina/Ushuaia", "America/Argentina/Ushuaia"),
        ("/usr/share/zoneinfo/Etc/UTC", None),
        ("/usr/share/zoneinfo/UTC", None),
        ("/usr/share/zoneinfo/No/Where", None),
        (None, None),
    ],
)
def test_the_zone_that_the_computer_is_set_to(
    link: str | None, zone: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "localtime"
    if link is not None:
        place.symlink_to(link)
    monkeypatch.setattr(computer, "_LOCAL_TIME", place)
    assert system_zone() == zone
