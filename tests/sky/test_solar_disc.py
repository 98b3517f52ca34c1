"""Places on the sun in a picture, against what can be said without computing."""

import numpy as np
import pytest

from sentinel.sky import DiscView, from_central_meridian_deg

PLAIN = {
    "x_px": 500.0,
    "y_px": 400.0,
    "radius_px": 300.0,
    "north_deg": 0.0,
    "central_latitude_deg": 0.0,
    "central_longitude_deg": 10.0,
}


def test_north_is_up_and_west_on_the_right() -> None:
    view = DiscView(**PLAIN)
    latitude, longitude = view.heliographic_deg(500.0, 250.0)
    assert latitude == pytest.approx(30.0, abs=0.2)
    assert longitude == pytest.approx(10.0)
    latitude, longitude = view.heliographic_deg(650.0, 400.0)
    assert latitude == pytest.approx(0.0, abs=1e-9)
    assert longitude == pytest.approx(40.0, abs=0.2)
    # Turned by a quarter clockwise, north is on the right.
    turned = DiscView(**PLAIN | {"north_deg": 90.0})
    assert turned.heliographic_deg(650.0, 400.0)[0] == pytest.approx(30.0, abs=0.2)


def test_the_limb_is_less_than_a_quarter_of_the_sphere_away() -> None:
    view = DiscView(**PLAIN)
    longitude = view.heliographic_deg(500.0 + 300 * (1 - 1e-12), 400.0)[1]
    assert from_central_meridian_deg(longitude, 10.0) == pytest.approx(90 - 959.63 / 3600, abs=1e-3)


def test_off_the_disc_there_is_no_place() -> None:
    assert np.isnan(DiscView(**PLAIN).heliographic_deg(801.0, 400.0)).all()


def test_there_and_back() -> None:
    rng = np.random.default_rng(5)
    count = 200
    view = DiscView(
        x_px=rng.uniform(0, 900, count),
        y_px=rng.uniform(0, 900, count),
        radius_px=rng.uniform(50, 900, count),
        north_deg=rng.uniform(-180, 180, count),
        central_latitude_deg=rng.uniform(-7.25, 7.25, count),
        central_longitude_deg=rng.uniform(0, 360, count),
        flattening=rng.uniform(0.8, 1, count),
        zenith_deg=rng.uniform(-180, 180, count),
    )
    latitude = rng.uniform(-70, 70, count)
    longitude = rng.uniform(0, 360, count)
    x, y, facing = view.place_px(latitude, longitude)
    seen = facing > 0.05
    assert 50 < seen.sum() < 150
    again = view.heliographic_deg(x, y)
    assert again[0][seen] == pytest.approx(latitude[seen], abs=1e-6)
    assert (again[1] - longitude + 180)[seen] % 360 - 180 == pytest.approx(0, abs=1e-6)


def test_a_squeezed_disc_keeps_its_upper_limb_the_pole() -> None:
    view = DiscView(**PLAIN | {"flattening": 0.8})
    assert view.place_px(89.9, 0.0)[1] == pytest.approx(400 - 0.8 * 300, abs=0.5)
