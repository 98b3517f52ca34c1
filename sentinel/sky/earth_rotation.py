"""The Earth's orientation at a time: UT1 and polar motion, from the IERS tables that come as a package.

A camera is left for weeks without a network, with a package that grows old. Outside the tables UT1 less UTC
keeps its last value (wrong by less than 1 s, 15" of hour angle, and for hours by the same, so that it feigns
no drift) and the pole stands still.
"""

from functools import lru_cache
from typing import NamedTuple

import erfa
import numpy as np
from astropy_iers_data import IERS_A_FILE

from sentinel.core.angles import ARCSEC_RAD
from sentinel.core.times import DAY_S, POSIX_JD
from sentinel.sky.arrays import Array

_MJD, _POLE_X, _POLE_Y, _UT1 = slice(7, 15), slice(18, 27), slice(37, 46), slice(58, 68)
"""Columns of `finals2000A.all`, from the IERS's readme beside it."""
MJD_0 = 2_400_000.5
"""Julian date at which the modified Julian date is 0."""


class EarthRotation(NamedTuple):
    """Times as ERFA's routines take them, and the Earth's orientation at them; arrays (n,)."""

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
    """Return the Earth's orientation at POSIX seconds, (n,)."""
    times = np.asarray(utc_s, dtype=np.float64)
    days = np.floor(times / DAY_S)
    first = POSIX_JD - MJD_0 + days
    # A day that ends with a leap second is longer, and ERFA counts shares of days.
    longer_s = np.round(_tai_less_utc_s(first + 1) - _tai_less_utc_s(first))
    utc = (POSIX_JD + days, (times - days * DAY_S) / (DAY_S + longer_s))
    mjd, table = first + utc[1], _table()
    known = (mjd >= table[0, 0]) & (mjd <= table[0, -1])
    # UT1 less UTC jumps at a leap second; UT1 less TAI does not, and can be interpolated.
    within = np.interp(mjd, table[0], table[1] - _tai_less_utc_s(table[0])) + _tai_less_utc_s(mjd)
    held = np.where(mjd < table[0, 0], table[1, 0], table[1, -1])
    x, y = (np.interp(mjd, table[0], row) * ARCSEC_RAD for row in table[2:])
    return EarthRotation(utc, np.where(known, within, held), x, y)


def _tai_less_utc_s(mjd: Array) -> Array:
    return erfa.dat(*erfa.jd2cal(MJD_0, mjd))  # type: ignore[no-any-return]


@lru_cache(maxsize=1)
def _table() -> Array:
    """Return the rows MJD, UT1 less UTC (s), and the pole's x and y (arcsec), predictions included."""
    parts = (_MJD, _UT1, _POLE_X, _POLE_Y)
    with open(IERS_A_FILE, encoding="ascii") as lines:  # noqa: PTH123 - no paths in this floor
        # The last rows give the date alone.
        rows = [[float(line[part]) for part in parts] for line in lines if line[_UT1].strip()]
    return np.array(rows).T
