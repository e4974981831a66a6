"""
Loads with a meter of their own: charge, energy, hours on, starts, standing draw.

Charge and energy are integrated at the rate of the readings, because the mean of a
product is not the product of the means. Nothing is corrected or clipped here: a meter
that reads -0.02 A with its load off is reported as it reads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from campledger.model.estimates import Estimate, LoadUse
from campledger.model.integrate import to_minutes
from campledger.model.series import (
    HOLE_LEAST,
    BoolArray,
    FloatArray,
    Series,
    TripRecord,
)
from campledger.model.words import Word

SECONDS_PER_HOUR = 3600.0

PERCENTILE_RUNNING = 95.0
"""A load runs above half this percentile of what exceeds its noise. Common practice,
no source."""
NOISE_LEAST = 0.03
"""Currents below this are never called running, A. Common practice, no source."""
NOISE_SIGMAS = 6.0
"""A running current stands this many noise widths clear. Common practice, no source."""
HYSTERESIS = 0.7
"""Off again below this share of the threshold. Common practice, no source."""

GAIN_STD = 0.006
"""Standard uncertainty of a shunt and its amplifier, 1: a 0.5 class shunt and a 0.1 %
amplifier. Common practice, no source."""
ZERO_STD = 0.015
"""Standard uncertainty of a shunt's zero, A: 10 uV over 0.5 to 0.75 milliohm.
Common practice, no source."""
INTERVAL_90 = 1.645
"""Half width of a 90 % interval of a normal error, in standard deviations."""


@dataclass(frozen=True, kw_only=True)
class Levels:
    """What a meter says of a load's habits: currents in A, ``threshold`` for on."""

    running: float
    standing: float
    threshold: float


def levels(current: FloatArray) -> Levels:
    """
    Find the typical running current, the standing current and the threshold between.

    The threshold is half of the typical running current (contract, section 0).

    Parameters
    ----------
    current : (n,) float64
        Readings, NaN allowed. [A]

    Returns
    -------
    found : Levels
        All NaN without readings. A load that never stops has ``standing`` equal to
        ``running``.

    References
    ----------
    Common practice, no source.
    """
    good = current[np.isfinite(current)]
    if good.size == 0:
        nan = float("nan")
        return Levels(running=nan, standing=nan, threshold=nan)
    low = float(np.percentile(good, 2.0))
    step = np.abs(np.diff(good))
    noise = 1.4826 * float(np.median(step)) if step.size else 0.0
    floor = min(low, 0.5 * float(good.max())) if low > 0 else low
    clear = good[good > floor + max(NOISE_LEAST, NOISE_SIGMAS * noise)]
    if clear.size == 0:
        mean = float(np.mean(good))
        if mean <= NOISE_LEAST:
            nan = float("nan")
            return Levels(running=nan, standing=mean, threshold=nan)
        return Levels(running=mean, standing=mean, threshold=0.5 * mean)
    running = float(np.percentile(clear, PERCENTILE_RUNNING))
    threshold = 0.5 * running
    for _ in range(3):
        running = float(np.median(good[good > threshold]))
        threshold = 0.5 * running
    off = good[good <= threshold]
    standing = float(np.median(off)) if off.size else running
    return Levels(running=running, standing=standing, threshold=threshold)


def on_state(current: FloatArray, threshold: float) -> BoolArray:
    """
    Tell on from off with a hysteresis, so that noise makes no starts.

    Parameters
    ----------
    current : (n,) float64
        Readings; where NaN the state before stays. [A]
    threshold : float
        On above this, off again below ``HYSTERESIS`` of it. [A]

    Returns
    -------
    on : (n,) bool
        State at each reading; off before the first.

    References
    ----------
    Common practice, no source.
    """
    mark = np.zeros(len(current), dtype=np.int64)
    mark[current > threshold] = 1
    mark[current < HYSTERESIS * threshold] = -1
    last = np.maximum.accumulate(np.where(mark != 0, np.arange(len(mark)), -1))
    on: BoolArray = (last >= 0) & (mark[np.maximum(last, 0)] > 0)
    return on


def lay_on(series: Series, time_utc: FloatArray) -> FloatArray:
    """
    Lay a slowly changing channel on other times by straight lines, not across holes.

    Parameters
    ----------
    series : Series
        One channel.
    time_utc : (n,) float64
        Wanted times, increasing. [s]

    Returns
    -------
    value : (n,) float64
        NaN where the channel has no reading near enough.

    References
    ----------
    Common practice, no source.
    """
    good = np.isfinite(series.value)
    time, value = series.time_utc[good], series.value[good]
    if len(time) == 0:
        return np.full(len(time_utc), np.nan)
    out = np.interp(time_utc, time, value)
    after = np.clip(np.searchsorted(time, time_utc, side="left"), 0, len(time) - 1)
    before = np.maximum(after - 1, 0)
    hole = series.hole
    near = np.minimum(np.abs(time[after] - time_utc), np.abs(time_utc - time[before]))
    inside = (time[after] >= time_utc) & (time[before] <= time_utc)
    joined = inside & (time[after] - time[before] <= hole)
    out[~joined & (near > max(0.5 * hole, HOLE_LEAST))] = np.nan
    return out


def power_series(record: TripRecord, name: str, current: Series) -> Series:
    """
    Multiply a load's current by the volts at the battery, reading by reading.

    Parameters
    ----------
    record : TripRecord
        The trip; the house voltage is used, else the load's own.
    name : str
        Load.
    current : Series
        Its current.

    Returns
    -------
    power : Series
        W at the battery side, on the current's times, NaN where volts are missing.

    References
    ----------
    .. [1] P = V I, instant by instant. Common practice, no source.
    """
    out = np.full(len(current.time_utc), np.nan)
    for channel in ("voltage_house_v", f"voltage_{name}_v"):
        if channel in record.channels:
            volts = lay_on(record.channels[channel], current.time_utc)
            out = np.where(np.isfinite(out), out, current.value * volts)
    return Series(time_utc=current.time_utc, value=out, sampling=current.sampling)


def _sensor_energy(charge_h: float, hours: float, energy: float) -> float:
    """Give the standard uncertainty of an energy from gain and zero of its meter."""
    volts = energy / charge_h if charge_h > 0 else 12.8
    return float(np.hypot(GAIN_STD * energy, ZERO_STD * hours * volts))


def metered_load(record: TripRecord, name: str) -> LoadUse | None:
    """
    Account for a load that has a current (or power) channel of its own.

    Parameters
    ----------
    record : TripRecord
        The trip.
    name : str
        Load.

    Returns
    -------
    use : LoadUse or None
        None if the load has no channel. Minutes without readings are NaN.

    References
    ----------
    .. [1] JCGM 100:2008, clause 5: gain and zero add in squares.
    """
    channels = record.channels
    if f"current_{name}_a" in channels:
        current = channels[f"current_{name}_a"]
        power = power_series(record, name, current)
    elif f"power_{name}_w" in channels:
        power = channels[f"power_{name}_w"]
        volts = lay_on(channels["voltage_house_v"], power.time_utc)
        current = Series(
            time_utc=power.time_utc,
            value=power.value / np.where(volts > 1.0, volts, np.nan),
            sampling=power.sampling,
        )
    else:
        return None
    if not np.isfinite(current.value).any():
        return None
    found = levels(current.value)
    on = on_state(current.value, found.threshold)
    grid = record.minute_utc
    m_power, m_current = to_minutes(power, grid), to_minutes(current, grid)
    state = np.where(np.isfinite(current.value), on.astype(np.float64), np.nan)
    m_on = to_minutes(
        Series(time_utc=current.time_utc, value=state, sampling="mean"), grid
    )
    covered = m_current.covered > 0
    mean = np.where(covered, m_power.mean, np.nan)
    charge = np.where(covered, m_current.charge / SECONDS_PER_HOUR, np.nan)
    hours = float(m_current.covered.sum()) / SECONDS_PER_HOUR
    energy = float(np.nansum(m_power.charge)) / SECONDS_PER_HOUR
    std = _sensor_energy(float(np.nansum(charge)), hours, energy)
    spread = INTERVAL_90 * np.hypot(GAIN_STD * np.abs(mean), ZERO_STD * 12.8)
    starts = int(np.count_nonzero(np.diff(on.astype(np.int8)) > 0))
    notes = []
    if found.standing < -NOISE_LEAST / 2:
        notes.append(f"its meter reads {found.standing:.3f} A with the load off")
    return LoadUse(
        name=name,
        word=Word.MEASURED,
        power=mean,
        power_lo=mean - spread,
        power_hi=mean + spread,
        charge=charge,
        on_share=np.where(covered, m_on.mean, np.nan),
        energy=Estimate(
            value=energy,
            lo=energy - INTERVAL_90 * std,
            hi=energy + INTERVAL_90 * std,
            word=Word.MEASURED,
        ),
        current_running=found.running,
        current_standing=found.standing,
        starts=starts,
        notes=tuple(notes),
    )
