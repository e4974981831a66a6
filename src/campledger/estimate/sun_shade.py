"""Shade comes back at the same place of the sun in one camp; clouds do not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.estimate.sun_camps import Camp
    from campledger.model.series import BoolArray, FloatArray

SECTOR = 4.0
"""Width of the sectors of the sun's azimuth. [deg]"""
DARK_INDEX = 0.65
"""Shade takes at least a third. Common practice, no source."""
LIT_INDEX = 0.8
"""A sky that shows this somewhere in the day is not overcast. Common practice."""
MINUTES_LEAST = 3


def find_shade(
    power: FloatArray,
    clear: FloatArray,
    held: BoolArray,
    camps: tuple[Camp, ...],
    azimuth: FloatArray,
    minute_utc: FloatArray,
) -> BoolArray:
    """
    Find minutes whose low output came back at the same azimuth on other days.

    A sector of the sun's azimuth is shaded in a camp when its best minutes were dark on
    every day that shows it free of holding back, on at least two days, one of which was
    bright at another hour.

    Parameters
    ----------
    power, clear : (m,) float64
        Output, and output under a cloudless sky. [W]
    held : (m,) bool
        Held back by a full battery. [1]
    camps : tuple of Camp
        Stays.
    azimuth : (m,) float64
        Of the sun. [deg]
    minute_utc : (m,) float64
        Ends of the minutes. [s]

    Returns
    -------
    shaded : (m,) bool
        Consistent with shade. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    shaded = np.zeros(len(power), dtype=np.bool_)
    bright = clear > 0.05 * np.max(clear, initial=1e-9)
    free = bright & ~held & np.isfinite(power)
    index = np.where(free, power / np.maximum(clear, 1e-9), np.nan)
    for camp in camps:
        cut = slice(camp.first, camp.last)
        good = np.flatnonzero(free[cut]) + camp.first
        if good.size:
            shaded[good] = _camp_shade(
                index[good], azimuth[good], _nights(minute_utc, clear)[good]
            )
    return shaded


def _nights(minute_utc: FloatArray, clear: FloatArray) -> FloatArray:
    """Number the days by the nights between them."""
    night = clear <= 0
    first = np.concatenate(([False], night[1:] & ~night[:-1]))
    return np.cumsum(first).astype(np.float64) + 0 * minute_utc


def _camp_shade(index: FloatArray, azimuth: FloatArray, day: FloatArray) -> BoolArray:
    sector = np.floor(azimuth / SECTOR).astype(np.int64)
    lit = {d: float(np.quantile(index[day == d], 0.9)) for d in np.unique(day)}
    shaded = np.zeros(len(index), dtype=np.bool_)
    for s in np.unique(sector):
        here = sector == s
        best, sunny = [], 0
        for d in np.unique(day[here]):
            part = index[here & (day == d)]
            if len(part) >= MINUTES_LEAST:
                best.append(float(np.quantile(part, 0.8)))
                sunny += lit[d] > LIT_INDEX
        if len(best) >= 2 and sunny >= 1 and max(best) < DARK_INDEX:
            shaded |= here & (index < DARK_INDEX)
    return shaded
