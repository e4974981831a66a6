"""
The clock of last resort: solar noon as the middle between the panel's rise and set.

Good to 10 to 20 minutes, and never tells the date: that comes from the boots around.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.solar_position import sunrise_sunset

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

BOUND = 1200.0
"""Give-or-take of a noon from rise and set of one panel. [s] Job text B16."""
SHARE = 0.02
"""Share of a day's highest current above which the panel is lit. Common practice, no
source."""
LEAST_AMPS = 0.05
"""Smaller currents are a sensor's zero. [A] Common practice, no source."""
DAY_RANGE = (6.0 * 3600.0, 18.0 * 3600.0)
"""Lengths of a lit time that can be a day. [s]"""
NIGHT_LEAST = 4.0 * 3600.0
"""Darkness on both sides that shows a whole day. [s]"""
MINUTE = 60.0
DAY = 86400.0


def panel_noons(minute: FloatArray, current: FloatArray) -> FloatArray:
    """
    Find the noons of whole days that a panel saw.

    Parameters
    ----------
    minute : (m,) float64
        Uptimes of minute means, increasing. [s]
    current : (m,) float64
        Solar current; NaN = missing. [A]

    Returns
    -------
    noon : (d,) float64
        Uptimes halfway between rise and set. [s]

    References
    ----------
    Common practice, no source.
    """
    known = np.isfinite(current)
    time, amps = minute[known], current[known]
    if time.size < 2:
        return np.zeros(0)
    limit = max(LEAST_AMPS, SHARE * float(np.percentile(amps, 99)))
    lit = np.flatnonzero(amps > limit)
    if not lit.size:
        return np.zeros(0)
    # Shade of an hour or two does not end a day; a night does.
    cuts = np.flatnonzero(np.diff(time[lit]) > NIGHT_LEAST) + 1
    out = []
    for part in np.split(lit, cuts):
        rise, fall = float(time[part[0]]), float(time[part[-1]])
        dark_before = rise - time[0] >= NIGHT_LEAST
        dark_after = time[-1] - fall >= NIGHT_LEAST
        whole = np.diff(time[part[0] : part[-1] + 1]).max(initial=0.0) <= 900.0
        long = DAY_RANGE[0] <= fall - rise <= DAY_RANGE[1]
        if dark_before and dark_after and whole and long:
            out.append(0.5 * (rise + fall))
    return np.array(out)


def date_by_noon(
    noon: float,
    *,
    after_utc: float,
    before_utc: float,
    first: float,
    last: float,
    latitude: float,
    longitude: float,
) -> tuple[float, float] | None:
    """
    Date a boot by a noon, if only one date fits between its neighbours.

    Parameters
    ----------
    noon : float
        Uptime of the noon. [s]
    after_utc, before_utc : float
        The boot lies between; NaN = not known. [s]
    first, last : float
        Uptimes of its first and last reading. [s]
    latitude, longitude : float
        North and east positive. [deg]

    Returns
    -------
    anchor : (time_utc, bound) or None
        True time of the noon and its give-or-take; None if several dates fit.

    References
    ----------
    .. [1] Meeus, "Astronomical Algorithms", for rise and set (see solar_position).
    """
    if math.isnan(after_utc) or math.isnan(before_utc):
        return None
    start = after_utc + (noon - first) - BOUND
    end = before_utc - (last - noon) + BOUND
    fits: list[float] = []
    day = math.floor(start / DAY) - 1
    while day * DAY <= end + DAY and len(fits) < 2:
        date = datetime.fromtimestamp(day * DAY, tz=UTC).date()
        rise, fall = sunrise_sunset(date, latitude, longitude)
        middle = 0.5 * (rise + fall)
        if math.isfinite(middle) and start <= middle <= end:
            fits.append(middle)
        day += 1
    return (fits[0], BOUND) if len(fits) == 1 else None
