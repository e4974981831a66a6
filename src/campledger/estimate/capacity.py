"""
Capacity and resistance over trips: swings between anchors, and load steps.

Both sides of a swing are uncertain, so the line is fitted by total least squares.
Without a deep enough swing the answer is that it cannot be told yet.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.load_steps import (
    resistance_from_steps,
    step_ratios,
)
from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from campledger.model.estimates import Anchor, BatteryEstimate
    from campledger.model.series import FloatArray

__all__ = [
    "Swing",
    "capacity_over_trips",
    "change_since",
    "find_swings",
    "resistance_from_steps",
    "step_ratios",
]

SWING_LEAST = 0.40
"""Share of capacity: job B22 and C53, no capacity from small swings."""
ANCHOR_STD_MOST = 0.06
"""Spread of an anchor that still counts. Common practice, no source."""
GAP_SHARE = 0.02
CHARGE_STD = 0.01
"""Spread of counted charge, share of it: gain of shunt and chip. Common practice."""
NINETY = 1.645


@dataclass(frozen=True, kw_only=True)
class Swing:
    """
    A stretch between two anchors.

    ``share`` is the change of state of charge that the anchors tell, ``charge`` what
    was counted (A.h, charging losses taken off), each with its standard deviation.
    """

    start_utc: float
    end_utc: float
    share: float
    share_std: float
    charge: float
    charge_std: float


def find_swings(estimate: BatteryEstimate) -> tuple[Swing, ...]:
    """
    Find the swings of a trip that are deep enough to tell a capacity.

    Parameters
    ----------
    estimate : BatteryEstimate
        One trip with its anchors.

    Returns
    -------
    swings : tuple of Swing
        Each from a full charge down to a low or rested anchor, or up from one.

    References
    ----------
    .. [1] Common practice, no source.
    """
    useful = [a for a in estimate.anchors if a.soc_std <= ANCHOR_STD_MOST]
    found = []
    for first, last in itertools.pairwise(useful):
        swing = _swing(estimate, first, last)
        if swing is not None and abs(swing.share) >= SWING_LEAST:
            found.append(swing)
    return tuple(found)


def _swing(estimate: BatteryEstimate, first: Anchor, last: Anchor) -> Swing | None:
    time = estimate.minute_utc
    a, b = np.searchsorted(time, [first.time_utc, last.time_utc])
    current = estimate.current_corrected[a + 1 : b + 1]
    loss = estimate.charging_loss[a + 1 : b + 1]
    known = np.isfinite(current)
    if len(current) == 0 or np.mean(~known) > GAP_SHARE:
        return None
    charge = float(np.sum(current[known] - loss[known]) / 60.0)
    hours = len(current) / 60.0
    offset_std = estimate.offset.give_or_take / NINETY
    through = float(np.sum(np.abs(current[known])) / 60.0)
    return Swing(
        start_utc=first.time_utc,
        end_utc=last.time_utc,
        share=last.soc - first.soc,
        share_std=float(np.hypot(first.soc_std, last.soc_std)),
        charge=charge,
        charge_std=float(np.hypot(offset_std * hours, CHARGE_STD * through)),
    )


def _misfit(capacity: FloatArray, swings: tuple[Swing, ...]) -> FloatArray:
    x = np.array([s.share for s in swings])
    y = np.array([s.charge for s in swings])
    wide_x = np.array([s.share_std for s in swings])
    wide_y = np.array([s.charge_std for s in swings])
    slope = capacity[:, None]
    total = (y - slope * x) ** 2 / (wide_y**2 + (slope * wide_x) ** 2)
    out: FloatArray = total.sum(axis=1)
    return out


def capacity_over_trips(swings: tuple[Swing, ...], *, rated: float) -> Estimate:
    """
    Fit the capacity to swings of one or more trips.

    Parameters
    ----------
    swings : tuple of Swing
        Of any trips of one battery.
    rated : float
        Rating; the search runs from 0.3 to 1.4 of it. [A.h]

    Returns
    -------
    capacity : Estimate
        Missing with "can't tell yet" when no swing qualifies. [A.h]

    References
    ----------
    .. [1] G. L. Plett, "Recursive approximate weighted total least squares estimation
       of battery cell total capacity", J. Power Sources 196 (2011) 2319; from memory.
    """
    deep = tuple(s for s in swings if abs(s.share) >= SWING_LEAST)
    if not deep:
        return Estimate.missing(
            "can't tell yet: no swing of 40 % or more between two anchors"
        )
    grid = np.linspace(0.3 * rated, 1.4 * rated, 2201)
    misfit = _misfit(grid, deep)
    best = int(np.argmin(misfit))
    # Scatter beyond the stated spreads widens the interval, too little never narrows.
    scale = max(1.0, float(misfit[best]) / max(1, len(deep) - 1))
    inside = grid[misfit <= misfit[best] + scale * NINETY**2]
    return Estimate(
        value=float(grid[best]),
        lo=float(inside[0]),
        hi=float(inside[-1]),
        reason=f"from {len(deep)} swings of 40 % or more",
    )


def change_since(now: Estimate, earlier: Estimate) -> Estimate:
    """
    Compare with an earlier trip: the ratio, and whether it is certain.

    Parameters
    ----------
    now, earlier : Estimate
        The same quantity of two trips.

    Returns
    -------
    ratio : Estimate
        Now over earlier; the reason says if the interval holds 1. [1]

    References
    ----------
    .. [1] Spreads of a ratio added in quadrature. Common practice, no source.
    """
    if not (np.isfinite(now.value) and np.isfinite(earlier.value)):
        return Estimate.missing("can't tell yet: one of the two is not known")
    ratio = now.value / earlier.value
    wide = ratio * float(
        np.hypot(now.give_or_take / now.value, earlier.give_or_take / earlier.value)
    )
    certain = abs(ratio - 1.0) > wide
    return Estimate(
        value=ratio,
        lo=ratio - wide,
        hi=ratio + wide,
        reason="changed" if certain else "no change that can be told",
    )
