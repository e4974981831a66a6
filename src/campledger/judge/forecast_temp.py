"""Expected air of the coming days, and what it does to cooling."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import rig_date
from campledger.judge.forecast_history import COOLING_KINDS, STEP

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from campledger.judge.forecast_history import History
    from campledger.model.estimates import FridgeModel
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

VARIANCE_PLAN, VARIANCE_TRIP, FREEDOM = 9.0, 6.0, 2.0
"""How far a planned day's mean air, or this trip's mean, lies off before any day was
compared [K2], and the days that is worth. Common practice, no source."""
RATIO_LEAST, RATIO_MOST = 0.5, 2.0
POWER = 1.0
"""Cooling grows with the difference to this power where nothing was fitted. Common
practice, no source."""
HALF_SWING = 5.0
"""Hottest air over the day's mean where the trip shows none. Common practice. [K]"""
INSIDE = 4.0
"""Inside temperature where neither measured nor typed. Common practice. [Cel]"""


def daily_air(history: History) -> Mapping[date, tuple[float, float]]:
    """Give mean and highest air [Cel] of each rig date with most hours recorded."""
    n = len(history.temp_air)
    local = history.at + history.utc_offset - STEP * (np.arange(n - 1, -1, -1) + 0.5)
    number = np.floor(local / 86400.0).astype(int)
    out = {}
    for d in np.unique(number):
        part = history.temp_air[number == d]
        good = part[np.isfinite(part)]
        if good.size >= 36:
            out[rig_date(d * 86400.0 + 43200.0, 0.0)] = (
                float(good.mean()),
                float(good.max()),
            )
    return out


def _planned_mean(plan: Plan | None, when: date) -> float | None:
    day = plan.day(when) if plan is not None else None
    if day is None or day.temp_min is None or day.temp_max is None:
        return None
    return 0.5 * (day.temp_min + day.temp_max)


def expected_air(
    history: History, plan: Plan | None, temp_max: float | None, dates: list[date]
) -> tuple[FloatArray, float]:
    """
    Give the expected mean air of coming dates and the mean of the trip so far.

    Parameters
    ----------
    history : History
        The trip so far.
    plan : Plan or None
        Planned temperatures, corrected by how they did so far.
    temp_max : float or None
        Typed hottest air; rules over everything. [Cel]
    dates : list of date
        In rig time.

    Returns
    -------
    air : (n,) float64
        NaN where nothing is known. [Cel]
    usual : float
        Mean of the record. [Cel]
    """
    days = daily_air(history)
    known = history.temp_air[np.isfinite(history.temp_air)]
    usual = float(known.mean()) if known.size else float("nan")
    means = np.array([m for m, _ in days.values()])
    swing = HALF_SWING
    if days:
        swing = float(np.mean([top - m for m, top in days.values()]))
    if temp_max is not None:
        return np.full(len(dates), temp_max - swing), usual
    misses = [
        m - p for d, (m, _) in days.items() if (p := _planned_mean(plan, d)) is not None
    ]
    bias = sum(misses) / (len(misses) + 1.0) if misses else 0.0
    square = sum((x - bias) ** 2 for x in misses)
    off_plan = (FREEDOM * VARIANCE_PLAN + square) / (FREEDOM + len(misses))
    square = float(((means - means.mean()) ** 2).sum()) if len(means) else 0.0
    off_trip = (FREEDOM * VARIANCE_TRIP + square) / (FREEDOM + len(means))
    share = off_trip / (off_trip + off_plan)
    out = []
    for when in dates:
        p = _planned_mean(plan, when)
        if p is None:
            out.append(usual)
        elif np.isnan(usual):
            out.append(p)
        else:
            out.append(share * (p + bias) + (1.0 - share) * usual)
    return np.array(out), usual


def cooling_ratio(
    history: History,
    rig: Rig,
    plan: Plan | None,
    fridges: tuple[FridgeModel, ...],
    temp_max: float | None,
    ends: FloatArray,
) -> FloatArray:
    """
    Give how much more than so far cooling will draw in each coming half hour.

    Parameters
    ----------
    history, rig, plan : History, Rig, Plan or None
        The trip so far.
    fridges : tuple of FridgeModel
        Fitted against temperature; without them draw goes with the difference.
    temp_max : float or None
        Typed hottest air. [Cel]
    ends : (k,) float64
        Ends of the coming half hours. [s]

    Returns
    -------
    ratio : (k,) float64
        1 where nothing is known. [1]
    """
    number = np.floor((ends - 1.0 + history.utc_offset) / 86400.0).astype(int)
    unique, where = np.unique(number, return_inverse=True)
    dates = [rig_date(d * 86400.0 + 43200.0, 0.0) for d in unique]
    air, usual = expected_air(history, plan, temp_max, dates)
    inside = _inside(history, rig)
    ratio = np.ones(len(dates))
    if not np.isfinite(usual):
        return ratio[where]
    before = max(usual - inside, 3.0)
    after = np.maximum(air - inside, 1.0)
    fitted = [f for f in fridges if f.days >= 3 and f.slope > 0]
    for k, difference in enumerate(after):
        if fitted:
            now = sum(f.charge_a_day(float(difference)).value for f in fitted)
            then = sum(f.charge_a_day(before).value for f in fitted)
            ratio[k] = now / then if then > 0 else 1.0
        else:
            ratio[k] = (difference / before) ** POWER
    good = np.where(np.isfinite(ratio), ratio, 1.0)
    return np.clip(good, RATIO_LEAST, RATIO_MOST)[where]


def _inside(history: History, rig: Rig) -> float:
    known = history.temp_inside[np.isfinite(history.temp_inside)]
    if known.size:
        return float(known.mean())
    for load in rig.loads:
        if load.kind in COOLING_KINDS and load.temp_set is not None:
            return load.temp_set
    return INSIDE
