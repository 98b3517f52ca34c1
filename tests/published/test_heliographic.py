"""Places on the sun against printed values, another library, and a real picture of known time."""

import re
from typing import Any

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.time import Time
from PIL import Image
from sunpy.coordinates import HeliographicCarrington, HeliographicStonyhurst, Helioprojective

from sentinel.core.settings import Site
from sentinel.core.times import parse_utc, utc_s
from sentinel.jobs.spots.blobs import dark_blobs
from sentinel.sky import DiscView, Orientation, Sun, spot_rotation_deg_day
from tests.published.test_images import sunpy_test_data

HMI = "2023_01_31__03_39_23_200__SDO_HMI_HMI_continuum.jp2"
ORIENTATION = Orientation(Sun(Site(latitude_deg=0.0, longitude_deg=0.0)))


def view_at(time_s: float, **more: Any) -> DiscView:
    """A picture with celestial north up, 1000 px across the sun, as from the Earth's centre."""
    of_disc = {
        "x_px": 800.0,
        "y_px": 700.0,
        "radius_px": 500.0,
        "north_deg": -float(ORIENTATION.position_angle_deg(time_s)),
        "central_latitude_deg": float(ORIENTATION.central_latitude_deg(time_s)),
        "central_longitude_deg": float(ORIENTATION.central_longitude_deg(time_s)),
    }
    return DiscView(**(of_disc | more))


def test_a_spot_of_the_practical_astronomer() -> None:
    """P. Duffett-Smith, Practical Astronomy with your Calculator, the section on heliographic coordinates.

    1988 May 1, 0h UT: a spot 10.5' from the disc's centre at position angle 220 degrees stands at -19.94,
    142.59. Second-hand (quoted alike in other programs' tests). The book keeps whole arcminutes.
    """
    time_s = utc_s(parse_utc("1988-05-01T00:00:00Z"))
    angle, off = np.radians(220.0), 10.5 / 15.88 * 500
    latitude, longitude = view_at(time_s).heliographic_deg(
        800.0 - off * np.sin(angle), 700.0 - off * np.cos(angle)
    )
    assert latitude == pytest.approx(-19.94, abs=0.1)
    assert longitude == pytest.approx(142.59, abs=0.1)


@pytest.mark.parametrize("date", ["2026-01-05T06:00:00", "2027-03-07T12:00:00", "2027-06-21T01:00:00",
                                  "2027-10-10T20:00:00"])  # fmt: skip
@pytest.mark.parametrize("place", [(0.0, 0.0), (300.0, -250.0), (-480.0, 20.0), (10.0, 470.0)])
def test_against_sunpy(date: str, place: tuple[float, float]) -> None:
    """sunpy, through its own frames: picture -> helioprojective -> Carrington."""
    time_s = utc_s(parse_utc(f"{date}Z"))
    scale = 2.0
    distance_km = 696_000 / np.sin(np.radians(scale * 500 / 3600))
    earth = SkyCoord(0 * u.deg, float(ORIENTATION.central_latitude_deg(time_s)) * u.deg, distance_km * u.km,
                     frame=HeliographicStonyhurst(obstime=Time(date), rsun=696_000 * u.km))  # fmt: skip
    frame = Helioprojective(observer=earth, obstime=Time(date), rsun=696_000 * u.km)
    # Solar north up: celestial north is no part of this check.
    seen = SkyCoord(place[0] * scale * u.arcsec, -place[1] * scale * u.arcsec, frame=frame)
    other = seen.transform_to(HeliographicCarrington(observer=earth, obstime=Time(date), rsun=696_000 * u.km))
    view = view_at(time_s, north_deg=0.0, radius_arcsec=scale * 500)
    latitude, longitude = view.heliographic_deg(800.0 + place[0], 700.0 + place[1])
    assert latitude == pytest.approx(float(other.lat.to_value(u.deg)), abs=0.02)
    # Light time is taken off in both; sunpy takes it from this observer's distance.
    assert (longitude - float(other.lon.to_value(u.deg)) + 180) % 360 - 180 == pytest.approx(0, abs=0.03)


def hmi_header() -> dict[str, float]:
    """The keywords of the SDO/HMI continuum picture in sunpy's test data, from its XML box."""
    text = (sunpy_test_data() / HMI).read_bytes().decode("latin1")
    return {key: float(value) for key, value in re.findall(r"<(cr\w+_obs|crota2)>([-\d.]+)<", text)}


def test_the_middle_of_a_real_picture() -> None:
    """SDO/HMI, 2023-01-31 03:39:23.2 UTC: CRLT_OBS and CRLN_OBS of the header (primary source)."""
    header = hmi_header()
    time_s = utc_s(parse_utc("2023-01-31T03:39:23.2Z"))
    assert ORIENTATION.central_latitude_deg(time_s) == pytest.approx(header["crlt_obs"], abs=0.02)
    # The satellite is not at the Earth's centre: 42,000 km are 0.016 degrees seen from the sun.
    assert ORIENTATION.central_longitude_deg(time_s) == pytest.approx(header["crln_obs"], abs=0.04)


@pytest.mark.parametrize(
    ("model", "offset"),
    [({"A": 14.71, "B": -2.39, "C": -1.78}, 0.3), ({"A": 14.44, "B": -3.0, "C": 0.0}, 0.2)],
)
def test_differential_rotation_beside_other_tracers(model: dict[str, float], offset: float) -> None:
    """Snodgrass and Ulrich 1990 (magnetic features) and Allen's table (spots), both as sunpy quotes them."""
    latitude = np.arange(0.0, 31.0, 5.0)
    sine2 = np.sin(np.radians(latitude)) ** 2
    other = model["A"] + model["B"] * sine2 + model["C"] * sine2**2 - 14.1844
    assert spot_rotation_deg_day(latitude) == pytest.approx(other, abs=offset)


def test_the_spots_of_a_real_picture() -> None:
    """The same picture: its darkest spot, seen by eye at column 328 and row 157, by ours and sunpy's.

    The picture has solar north up (CROTA2 0). That a spot stands there is what the picture shows.
    """
    light = np.asarray(Image.open(sunpy_test_data() / HMI), dtype=np.float32) / np.float32(255)
    found = dark_blobs(light, 255.5, 255.5, 202.9, edge_width_px=1.5)
    assert len(found) >= 5, "three groups and two single spots are to be seen by eye"
    assert (found[0].x_px, found[0].y_px) == pytest.approx((328.0, 156.7), abs=0.5)
    header = hmi_header()
    view = DiscView(
        x_px=255.5,
        y_px=255.5,
        radius_px=202.91,
        north_deg=0.0,
        central_latitude_deg=header["crlt_obs"],
        central_longitude_deg=header["crln_obs"],
        radius_arcsec=973.97,
    )
    time = Time("2023-01-31T03:39:23.2")
    satellite = SkyCoord(
        header["crln_obs"] * u.deg,
        header["crlt_obs"] * u.deg,
        147_397_840 * u.km,
        frame=HeliographicCarrington(obstime=time, observer="self", rsun=696_000 * u.km),
    )
    frame = Helioprojective(observer=satellite, obstime=time, rsun=696_000 * u.km)
    for spot in found[:5]:
        seen = SkyCoord(
            (spot.x_px - 255.5) * 4.80000016 * u.arcsec,
            (255.5 - spot.y_px) * 4.80000016 * u.arcsec,
            frame=frame,
        )
        other = seen.transform_to(
            HeliographicCarrington(obstime=time, observer=satellite, rsun=696_000 * u.km)
        )
        latitude, longitude = view.heliographic_deg(spot.x_px, spot.y_px)
        assert latitude == pytest.approx(float(other.lat.to_value(u.deg)), abs=0.05)
        assert longitude == pytest.approx(float(other.lon.to_value(u.deg)), abs=0.1)
