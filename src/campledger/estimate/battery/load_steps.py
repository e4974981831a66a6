"""Resistance of the battery from load steps, corrected for temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.inputs import fill_between
from campledger.model.estimates import Estimate
from campledger.model.integrate import resample_previous

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

STEP_LEAST, STEPS_LEAST = 5.0, 5
"""A and number: job C54; smaller steps are used if there are no such."""
STEP_SMALL = 2.0
STEPS_MOST = 5000
NINETY = 1.645
TEMP_REFERENCE = 25.0


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
    volts = resample_previous(record.channels[names[1]], series.time_utc)
    temp = np.full(len(volts), TEMP_REFERENCE)
    if "temp_house_c" in record.channels:
        day = 86400.0
        warm = record.channels["temp_house_c"]
        temp = resample_previous(warm, series.time_utc, age_max=day)
        temp = fill_between(temp, TEMP_REFERENCE)
    ratio = step_ratios(series.time_utc, series.value, volts, hole=series.hole)
    if len(ratio) < STEPS_LEAST:
        return Estimate.missing(
            f"can't tell yet: {len(ratio)} load steps of 2 A or more, expected 5"
        )
    index, slope = ratio[:, 0].astype(np.int64), ratio[:, 1]
    per_k = of_house(rig.house).resistance_per_k
    factor = np.maximum(1.0 + per_k * (temp[index] - TEMP_REFERENCE), 0.3)
    ordered = np.sort(slope / factor)
    n = len(ordered)
    reach = 0.5 * NINETY * np.sqrt(n)
    low = int(np.clip(np.floor(0.5 * n - reach), 0, n - 1))
    high = int(np.clip(np.ceil(0.5 * n + reach), 0, n - 1))
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
    move, reply = np.diff(current), np.diff(voltage)
    near = (np.diff(time_utc) <= hole) & np.isfinite(move) & np.isfinite(reply)
    with np.errstate(invalid="ignore"):
        big = near & (np.abs(move) >= STEP_LEAST)
        if big.sum() < STEPS_LEAST:
            big = near & (np.abs(move) >= STEP_SMALL)
    index = np.flatnonzero(big)[:STEPS_MOST]
    out = np.stack([index + 1.0, reply[index] / move[index]], axis=1)
    return out.astype(np.float64)
