"""How the Earth stands at a time: UT1 and polar motion, from the tables of the IERS that come as a package.

A camera is left for weeks without a network and with a package that grows old. Outside the tables UT1 goes
on as it was last (wrong by less than 1 s: 15" in hour angle, the same for hours, so no drift comes of it) and
the pole stands still.
"""

from functools import lru_cache
from typing import NamedTuple

import erfa
import numpy as np
from astropy_iers_data import IERS_A_FILE

from sentinel.core.angles import ARCSEC_RAD
from sentinel.sky.arrays import Array

_MJD, _POLE_X, _POLE_Y, _UT1 = slice(7, 15), slice(18, 27), slice(37, 46), slice(58, 68)
"""Columns of `finals2000A.all`, by the readme of the IERS that lies beside it."""
MJD_0 = 2_400_000.5
"""Julian date of the modified one's zero."""
_UNIX_JD = 2_440_587.5


class EarthRotation(NamedTuple):
    """What ERFA wants to know of times, arrays (n,)."""

    utc: tuple[Array, Array]
    """Quasi-Julian dates in two parts, as ERFA has them."""
    ut1_less_utc_s: Array
    pole_x_rad: Array
    pole_y_rad: Array

    @property
    def tt(self) -> tuple[Array, Array]:
        """Terrestrial time in two parts; TDB is within 2 ms of it."""
        return erfa.taitt(*erfa.utctai(*self.utc))  # type: ignore[no-any-return]

    @property
    def ut1(self) -> tuple[Array, Array]:
        """UT1 in two parts."""
        return erfa.utcut1(*self.utc, self.ut1_less_utc_s)  # type: ignore[no-any-return]


def earth_rotation(utc_s: Array) -> EarthRotation:
    """Return how the Earth stands at POSIX seconds."""
    times = np.asarray(utc_s, dtype=np.float64)
    days = np.floor(times / 86_400)
    first = _UNIX_JD - MJD_0 + days
    # A day that ends with a leap second is longer, and ERFA counts shares of days.
    longer_s = np.round(_leap_s(first + 1) - _leap_s(first))
    utc = (_UNIX_JD + days, (times - days * 86_400) / (86_400 + longer_s))
    mjd, table = first + utc[1], _table()
    known = (mjd >= table[0, 0]) & (mjd <= table[0, -1])
    # Leap seconds are no part of how the Earth turns: between rows UT1 less TAI is interpolated.
    within = np.interp(mjd, table[0], table[1] - _leap_s(table[0])) + _leap_s(mjd)
    held = np.where(mjd < table[0, 0], table[1, 0], table[1, -1])
    x, y = (np.interp(mjd, table[0], row) * ARCSEC_RAD for row in table[2:])
    return EarthRotation(utc, np.where(known, within, held), x, y)


def _leap_s(mjd: Array) -> Array:
    """Return TAI less UTC."""
    return erfa.dat(*erfa.jd2cal(MJD_0, mjd))  # type: ignore[no-any-return]


@lru_cache(maxsize=1)
def _table() -> Array:
    """Return days, UT1 less UTC in s, and the pole's place in arcseconds, as rows; predictions included."""
    parts = (_MJD, _UT1, _POLE_X, _POLE_Y)
    with open(IERS_A_FILE, encoding="ascii") as lines:  # noqa: PTH123 - no paths in this floor
        # The last rows hold days alone.
        rows = [[float(line[part]) for part in parts] for line in lines if line[_UT1].strip()]
    return np.array(rows).T
