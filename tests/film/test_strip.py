"""The strip: the sun each hour where it stood, a ring where it was not seen."""

from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from PIL import Image

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.jobs.film import FilmRequest, strip_of
from sentinel.jobs.film.session import FilmedSession
from sentinel.jobs.film.strip import _days, _hours, _Sheet
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.simulate.events import Cap, Missing
from sentinel.jobs.simulate.session import simulate
from sentinel.sky import Sun
from tests.film.sessions import SMALL, pictures_of, scenario
from tests.sky.by_astropy import quiet

SLOW = SMALL.model_copy(update={"interval_s": 1200.0})


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five hours, a frame every twenty minutes; a cap in the second, no pictures about the fourth."""
    folder = tmp_path_factory.mktemp("strip")
    events = Cap(at=0.6, until=1.6), Missing(at=2.3, until=3.6)
    simulate(scenario(*events, hours=5.0, camera=SLOW), folder / "session")
    replay(ReplayRequest(folder / "session", folder / "out"))
    return folder


def request(folder: Path, **asked: object) -> FilmRequest:
    usual: dict[str, object] = {"folder": folder / "out", "up": "camera", "size_px": 540, "replace": True}
    return FilmRequest(**{**usual, **asked})  # type: ignore[arg-type]


def test_each_hour_is_a_sun_or_a_ring_that_says_why(day: Path) -> None:
    drawn = strip_of(request(day))
    assert (drawn.hours, drawn.suns) == (6, 4)
    hours = _hours(FilmedSession(request(day)))
    assert [hour.frame is not None for hour in hours] == [True, False, True, False, True, True]
    assert [hour.pictures for hour in hours] == [True, True, True, False, True, True]
    with Image.open(drawn.out) as image:
        assert image.size == (1080, drawn.height_px)
        assert not image.info.get("exif")


def test_each_sun_is_where_another_library_has_it(day: Path) -> None:
    """Across is azimuth and up is altitude, at one scale: by the way from the first sun to the last."""
    session = FilmedSession(request(day))
    hours = [hour for hour in _hours(session) if hour.frame is not None]
    drawn = strip_of(request(day, stamps=frozenset()))
    sheet = _Sheet(_hours(session), session.sun, 1080)
    with Image.open(drawn.out) as image:
        red = np.asarray(image)[..., 0].astype(float)
    site = session.record.settings.site
    place = EarthLocation(lat=site.latitude_deg, lon=site.longitude_deg, height=site.elevation_m)
    found, told = [], []
    for hour in (hours[0], hours[-1]):
        assert hour.frame is not None
        x, y = sheet.at(utc_s(hour.frame.time_utc), hour.day)
        rows, columns = (slice(max(0, round(at) - 30), round(at) + 31) for at in (y, x))
        disc = red[rows, columns] > 100
        row, column = np.nonzero(disc)
        found.append((column.mean() + columns.start, row.mean() + rows.start))
        with quiet():
            time = Time(hour.frame.time_utc)
            where = get_sun(time).transform_to(AltAz(obstime=time, location=place))
        told.append((where.az.deg, where.alt.deg))
    assert (found[1][0] - found[0][0]) / sheet.px_per_deg == pytest.approx(told[1][0] - told[0][0], abs=0.5)
    assert (found[0][1] - found[1][1]) / sheet.px_per_deg == pytest.approx(told[1][1] - told[0][1], abs=0.5)


def test_a_picture_that_is_gone_since_is_a_ring(day: Path) -> None:
    gone = pictures_of(day)[0]
    content = gone.read_bytes()
    gone.unlink()
    try:
        assert strip_of(request(day)).suns == 3
    finally:
        gone.write_bytes(content)


def test_a_session_that_never_saw_the_sun_about_an_hour_is_refused(tmp_path: Path) -> None:
    simulate(scenario(Cap(at=0.0), hours=0.2), tmp_path / "session")
    replay(ReplayRequest(tmp_path / "session", tmp_path / "out"))
    with pytest.raises(RequestProblem, match="not seen about any full hour"):
        strip_of(request(tmp_path))


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"), [(70.0, 31.0), (-40.0, -70.0), (0.0, 179.0), (52.0, -179.5)]
)
def test_days_begin_at_the_lower_culmination(latitude_deg: float, longitude_deg: float) -> None:
    sun = Sun(Site(latitude_deg=latitude_deg, longitude_deg=longitude_deg))
    at = np.asarray(1_813_000_000 + 3600.0 * np.arange(80), np.float64)
    days = np.array(_days(sun, at))
    hour_angle = np.asarray(sun.hour_angle_deg(at))
    begins = np.flatnonzero(np.diff(days))
    assert len(begins) in {3, 4}
    assert (hour_angle[begins] > 160).all()
    assert (hour_angle[begins + 1] < -160).all()
    assert (np.diff(days)[begins] == 1).all()


def test_less_than_a_day_is_one_row() -> None:
    sun = Sun(Site(latitude_deg=70.0, longitude_deg=31.0))
    at = np.asarray(1_813_000_000 + 3600.0 * np.arange(23), np.float64)
    assert set(_days(sun, at)) == {0}
