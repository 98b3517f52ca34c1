"""How long a disc stays on a mount of known errors: against the invented sessions' own truth."""

import numpy as np
import pytest

from sentinel.chain.forecast.dwell import Mounting, stays_s
from sentinel.chain.forecast.exits import Frame
from sentinel.chain.forecast.sun_path import sun_path
from sentinel.sky.mount import rate_arcsec_s
from tests.forecast.sessions import Session

FRAME = Frame(6000, 4000, 0.0)


@pytest.mark.parametrize(
    "session",
    [
        Session(azimuth_error_deg=0.8, altitude_error_deg=-0.5, roll_deg=20.0),
        Session(latitude_deg=-44.0, longitude_deg=170.0, altitude_error_deg=0.9, rate_error=3e-4),
        Session(latitude_deg=45.0, longitude_deg=3.0, tracking="sidereal", roll_deg=-70.0),
        Session(tracking="none"),
        Session(),
    ],
)
def test_it_agrees_with_a_track_followed_minute_by_minute(session: Session) -> None:
    mounting = Mounting(
        session.azimuth_error_deg,
        session.altitude_error_deg,
        rate_arcsec_s(session.tracking) * (1 + session.rate_error),
        session.roll_deg,
    )
    ahead = sun_path(session.settings, session.sun, session.start_s)
    (stays,) = stays_s(session.settings, session.sun, FRAME, mounting, ahead)
    true = session.true_exit_s(0.0) - session.start_s
    assert stays == pytest.approx(true, rel=0.01, abs=60) or (np.isinf(stays) and np.isinf(true))


def test_many_mountings_at_once_are_each_their_own() -> None:
    session = Session()
    ahead = sun_path(session.settings, session.sun, session.start_s)
    errors = np.array([0.1, 1.0, 2.0])
    together = stays_s(session.settings, session.sun, FRAME, Mounting(errors, 0.0, 15.0), ahead)
    alone = [stays_s(session.settings, session.sun, FRAME, Mounting(e, 0.0, 15.0), ahead)[0] for e in errors]
    assert together.tolist() == alone
    assert np.isinf(together[0])
    assert together[1] > together[2]


def test_a_margin_and_a_place_off_the_middle_shorten_it() -> None:
    session = Session(azimuth_error_deg=2.0)
    ahead = sun_path(session.settings, session.sun, session.start_s)
    mounting = Mounting(2.0, 0.0, 15.0)
    (free,) = stays_s(session.settings, session.sun, FRAME, mounting, ahead)
    (kept,) = stays_s(session.settings, session.sun, Frame(6000, 4000, 300.0), mounting, ahead)
    assert kept < free
    (aside,) = stays_s(session.settings, session.sun, FRAME, mounting, ahead, at_px=(500.0, 2000.0))
    assert aside < free
