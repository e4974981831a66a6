"""
Demand as it was and as it would have been: hidden minutes, and fridges never off.

Consumed is not demand. What a fridge takes after it was off is not what it takes when
power stays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.censored import fill_like_hours
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray

LONG_OFF = 20
"""Off this long, a fridge has warmed. Common practice, no source. [minutes]"""
RECOVERY_MOST = 720
"""A fridge pulls down for about as long as it was off, at most so. [minutes]"""
MINUTES_DAY = 1440


def hidden_minutes(estimates: TripEstimates) -> BoolArray:
    """
    Mark minutes in which demand could not show, because of darkness or no power.

    Parameters
    ----------
    estimates : TripEstimates
        What was measured.

    Returns
    -------
    hidden : (m,) bool
        Of the trip.

    References
    ----------
    Common practice, no source.
    """
    out: BoolArray = estimates.censored | ~np.isfinite(
        estimates.battery.current_corrected
    )
    return out


def steady_cooling(
    estimates: TripEstimates, rig: Rig, grid: FloatArray, utc_offset: float
) -> dict[str, FloatArray]:
    """
    Give the demand of cooling loads had their power never gone.

    A fridge that was off pulls down afterwards; neither those hours nor fillings made
    from them are what it takes when power stays.

    Parameters
    ----------
    estimates, rig : TripEstimates, Rig
        What was measured.
    grid : (m,) float64
        Minutes. [s]
    utc_offset : float
        Rig time minus UTC. [s]

    Returns
    -------
    power : dict of (m,) float64
        Only loads that change. [W]

    References
    ----------
    Common practice, no source.
    """
    dark = ~np.isfinite(estimates.battery.current_corrected)
    off = estimates.censored & ~dark
    after = np.zeros(len(off), dtype=bool)
    length = 0
    for k in np.flatnonzero(~dark):
        if off[k]:
            length += 1
        elif length:
            if length >= LONG_OFF:
                after[k : k + min(length, RECOVERY_MOST)] = True
            length = 0
    unsure = dark | estimates.censored | after
    if not after.any() or (~unsure).sum() < MINUTES_DAY:
        return {}
    cooling = {x.name for x in rig.loads if x.kind in COOLING}
    return {
        name: fill_like_hours(np.where(unsure, np.nan, p), unsure, grid, utc_offset)
        for name, p in estimates.demand.items()
        if name in cooling
    }
