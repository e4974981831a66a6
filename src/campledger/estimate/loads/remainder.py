"""
What no meter sees: sources minus battery minus metered loads, in watts.

Zeros of the source shunts are taken from the times when the source is off; a difference
in gain between a source's shunt and the battery's is taken from the source's own steps,
because 1.4 % of 25 A would be a phantom load.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.metered import lay_on

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

LAG = 10.0
"""Steps of a source are looked at over this time, s. Common practice, no source."""
STEP_LEAST = 1.0
"""Smallest source step that says something on its gain, A. Common practice, no
source."""
GAIN_LARGEST = 0.04
"""Two shunts differ by no more than this; larger ratios are load steps. Common
practice, no source."""
GAIN_PRIOR_STD = 0.01
"""Spread of the gain difference of two shunts. Common practice, no source."""
ZERO_LARGEST = 0.25
"""A source that reads less than this may be off, A. Common practice, no source."""

CHARGING = -0.5
"""A battery that takes more is being charged by something, A. Common practice, no
source."""
CHARGING_NEAR = 900.0
"""Times this near to charging are left out too, s. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Remainder:
    """
    The remainder on the times of the battery current, arrays (n,).

    ``power`` W, NaN where a part is missing; ``volts`` V; ``source_power`` W of all
    sources together; ``interval`` s between readings; ``hole`` s, longest step that is
    no hole; ``averaged`` tells means from points; ``gains`` are (source, correction).
    """

    time_utc: FloatArray
    power: FloatArray
    volts: FloatArray
    source_power: FloatArray
    interval: float
    hole: float
    averaged: bool
    gains: tuple[tuple[str, float], ...]


def source_zero(current: FloatArray) -> float:
    """
    Read a source shunt's zero from the times when the source is off.

    Parameters
    ----------
    current : (n,) float64
        Readings of the source. [A]

    Returns
    -------
    zero : float
        Zero if there is no clear off state. [A]

    References
    ----------
    Common practice, no source.
    """
    good = current[np.isfinite(current)]
    small = good[np.abs(good) < ZERO_LARGEST]
    if small.size < max(30, 0.02 * good.size):
        return 0.0
    low = float(np.percentile(small, 25.0))
    near = small[np.abs(small - low) < 0.05]
    return float(np.median(near)) if near.size else 0.0


def gain_difference(rest: FloatArray, source: FloatArray, lag: int) -> float:
    """
    Find how much of a source's steps leaks into the remainder.

    Parameters
    ----------
    rest : (n,) float64
        Remainder. [A]
    source : (n,) float64
        The source. [A]
    lag : int
        Readings over which steps are taken.

    Returns
    -------
    gain : float
        Share of the source's current to be taken off the remainder, shrunk towards
        zero when the steps say little. [1]

    Notes
    -----
    Weighted median of the ratios of simultaneous steps; load steps are outliers.

    References
    ----------
    Common practice, no source.
    """
    d_source = source[lag:] - source[:-lag]
    d_rest = rest[lag:] - rest[:-lag]
    pick = np.isfinite(d_rest) & (np.abs(d_source) > STEP_LEAST)
    if np.count_nonzero(pick) < 5:
        return 0.0
    ds, ratio = np.abs(d_source[pick]), d_rest[pick] / d_source[pick]
    near = np.abs(ratio) < GAIN_LARGEST
    if np.count_nonzero(near) < 5:
        return 0.0
    ds, ratio = ds[near], ratio[near]
    order = np.argsort(ratio)
    weight = np.cumsum(ds[order])
    middle = float(ratio[order][np.searchsorted(weight, 0.5 * weight[-1])])
    spread = 1.4826 * float(np.median(np.abs(ratio - middle)))
    independent = max(1.0, np.count_nonzero(near) / (2.0 * lag))
    var = spread**2 / independent + 0.001**2
    return middle * GAIN_PRIOR_STD**2 / (GAIN_PRIOR_STD**2 + var)


def _without_charging(time: FloatArray, rest: FloatArray) -> FloatArray:
    """Leave out the times at which unmetered sources may have been charging."""
    charging = time[rest < CHARGING]
    if len(charging) == 0:
        return rest
    after = np.searchsorted(charging, time)
    ahead = charging[np.minimum(after, len(charging) - 1)] - time
    behind = time - charging[np.maximum(after - 1, 0)]
    near = np.minimum(np.abs(ahead), np.abs(behind)) < CHARGING_NEAR
    return np.where(near, np.nan, rest)


def build_remainder(record: TripRecord, rig: Rig) -> Remainder | None:
    """
    Build the remainder of a trip.

    Parameters
    ----------
    record : TripRecord
        The trip; battery current and volts are needed.
    rig : Rig
        Names of sources and loads.

    Returns
    -------
    rest : Remainder or None
        None without battery current or volts.

    References
    ----------
    .. [1] Charge balance at the house bus. Common practice, no source.
    """
    channels = record.channels
    if "current_house_a" not in channels or "voltage_house_v" not in channels:
        return None
    house = channels["current_house_a"]
    good = np.isfinite(house.value)
    time = house.time_utc[good]
    if len(time) < 10:
        return None
    volts = lay_on(channels["voltage_house_v"], time)
    rest = -house.value[good]
    lag = max(1, round(LAG / max(house.interval, 1e-3)))
    names = [s.name for s in rig.sources if f"current_{s.name}_a" in channels]
    if not names and "current_charge_a" in channels:
        names = ["charge"]
    values = {}
    for name in names:
        value = lay_on(channels[f"current_{name}_a"], time)
        value = value - source_zero(value)
        values[name] = value
        rest = rest + value
    for load in rig.loads:
        # a meter that was there for a while is taken off while it was there
        if f"current_{load.name}_a" in channels:
            own = lay_on(channels[f"current_{load.name}_a"], time)
            rest = rest - np.nan_to_num(own)
        elif f"power_{load.name}_w" in channels:
            own = lay_on(channels[f"power_{load.name}_w"], time) / volts
            rest = rest - np.nan_to_num(own)
    if not names and rig.sources:
        rest = _without_charging(time, rest)
    gains, total = [], np.zeros(len(time))
    for name in names:
        gain = gain_difference(rest, values[name], lag)
        rest = rest - gain * values[name]
        total = total + np.nan_to_num(values[name])
        gains.append((name, gain))
    return Remainder(
        time_utc=time,
        power=rest * volts,
        volts=volts,
        source_power=total * np.nan_to_num(volts),
        interval=house.interval,
        hole=house.hole,
        averaged=house.sampling == "mean",
        gains=tuple(gains),
    )
