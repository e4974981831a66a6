"""Resistance of the battery from load steps, corrected for temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import absorption_lowest
from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.inputs import fill_between
from campledger.model.estimates import Estimate
from campledger.model.integrate import resample_previous

if TYPE_CHECKING:
    from campledger.estimate.battery.curve import IntArray
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

STEP_LEAST, STEPS_LEAST = 5.0, 5
"""A and number: job C54; smaller steps are used if there are no such."""
STEP_SMALL = 2.0
STEPS_MOST = 5000
HELD_MARGIN = 0.3
"""V below absorption from which a charger may hold the volts and swallow a step.
Common practice, no source."""
NINETY = 1.645
TEMP_REFERENCE = 25.0
DAY = 86400.0


def resistance_from_steps(
    record: TripRecord, rig: Rig, *, until: float | None = None
) -> Estimate:
    """
    Measure the resistance from load steps, corrected to 25 Cel.

    Parameters
    ----------
    record : TripRecord
        One trip with house current and volts.
    rig : Rig
        Chemistry, for the temperature factor.
    until : float, optional
        Use only readings up to this time. [s]

    Returns
    -------
    resistance : Estimate
        Everything between the sense points, at the interval of the record. [Ohm]

    References
    ----------
    .. [1] Ratio of steps dV/dI; linear temperature factor. Common practice, no source.
    """
    names = ("current_house_a", "voltage_house_v")
    if any(n not in record.channels for n in names):
        return Estimate.missing("needs house current and house volts")
    series = record.channels[names[0]]
    if until is not None:
        series = series.between(-np.inf, until)
    volts = record.channels[names[1]]
    level = resample_previous(volts, series.time_utc)
    with np.errstate(invalid="ignore"):
        free = ~(level > absorption_lowest(rig) - HELD_MARGIN)
    index = _steps_of(series.time_utc, series.value, series.hole, free[1:] & free[:-1])
    after, before = series.time_utc[index], series.time_utc[index - 1]
    reply = resample_previous(volts, after) - resample_previous(volts, before)
    good = np.isfinite(reply)
    index, reply, after = index[good], reply[good], after[good]
    ratio = reply / (series.value[index] - series.value[index - 1])
    temp = np.full(len(after), TEMP_REFERENCE)
    if "temp_house_c" in record.channels and len(after):
        warm = record.channels["temp_house_c"]
        temp = resample_previous(warm, after, age_max=DAY)
        temp = fill_between(temp, TEMP_REFERENCE)
    if len(ratio) < STEPS_LEAST:
        return Estimate.missing(
            f"can't tell yet: {len(ratio)} load steps of 2 A or more, expected 5"
        )
    per_k = of_house(rig.house).resistance_per_k
    factor = np.maximum(1.0 + per_k * (temp - TEMP_REFERENCE), 0.3)
    ordered = np.sort(ratio / factor)
    n = len(ordered)
    reach = 0.5 * NINETY * np.sqrt(n)
    low = int(np.clip(np.floor(0.5 * n - reach), 0, n - 1))
    high = int(np.clip(np.ceil(0.5 * n + reach), 0, n - 1))
    if ordered[low] <= 0.0:
        return Estimate.missing(f"can't tell: {n} load steps do not agree")
    return Estimate(
        value=float(np.median(ordered)),
        lo=float(ordered[low]),
        hi=float(ordered[high]),
        reason=f"from {n} load steps",
    )


def step_ratios(
    time_utc: FloatArray, current: FloatArray, voltage: FloatArray, *, hole: float
) -> FloatArray:
    """
    Give dV/dI of every clear step of current.

    Parameters
    ----------
    time_utc : (n,) float64
        Increasing. [s]
    current : (n,) float64
        + into the battery. [A]
    voltage : (n,) float64
        At the same times. [V]
    hole : float
        Longest step in time that is not a hole. [s]

    Returns
    -------
    ratios : (k, 2) float64
        Index of the reading after the step, and dV/dI. [Ohm]

    References
    ----------
    .. [1] Common practice, no source.
    """
    index = _steps_of(time_utc, current, hole, np.ones(len(time_utc) - 1, dtype=bool))
    reply = voltage[index] - voltage[index - 1]
    index, reply = index[np.isfinite(reply)], reply[np.isfinite(reply)]
    move = current[index] - current[index - 1]
    return np.stack([index.astype(np.float64), reply / move], axis=1)


def _steps_of(
    time_utc: FloatArray, current: FloatArray, hole: float, free: BoolArray
) -> IntArray:
    """Give the readings that follow a clear step; small steps if there are no large."""
    move = np.abs(np.diff(current))
    near = (np.diff(time_utc) <= hole) & free
    with np.errstate(invalid="ignore"):
        index = np.flatnonzero(near & (move >= STEP_LEAST))
        if len(index) < STEPS_LEAST:
            index = np.flatnonzero(near & (move >= STEP_SMALL))
    return index[:STEPS_MOST] + 1
